//! What the air holds and could hold: vapour pressures, pressure, wind.

use super::range::{WeatherOutOfRange, within};
use crate::why::{Check, Equation};

/// Air temperatures of places with people, degrees C. Equation 11 is that over
/// water; below freezing it stands a little above that over ice.
pub(super) const AIR_C: (f64, f64) = (-60.0, 60.0);
/// From the shore of the Dead Sea to above the highest mountain.
const ELEVATION_M: (f64, f64) = (-500.0, 9000.0);
/// Capacitive sensors read a few per cent above 100 in fog.
const HUMIDITY_PCT: (f64, f64) = (0.0, 105.0);
/// A day's mean; more is a storm that leaves no anemometer standing.
const WIND_M_S: (f64, f64) = (0.0, 60.0);
/// The logarithm of equation 47 needs more than 0.095 m; a wind profile over
/// short grass is not known much higher than masts are.
const WIND_HEIGHT_M: (f64, f64) = (0.5, 50.0);

/// Wind at 2 m counts as this at least: buoyancy and leaks in the boundary
/// layer move still air too. FAO-56 chapter 4.
pub const LEAST_WIND_M_S: f64 = 0.5;

/// The factor of equation 8, 1/°C.
pub(super) const PSYCHROMETRIC_PER_C: f64 = 0.000_665;

pub(super) const MEAN_SATURATION: Equation = Equation {
    gives: "vapour pressure that the air could hold",
    form: "es = (e(Tmax) + e(Tmin)) / 2, e(T) = 0.6108 exp(17.27 T / (T + 237.3))",
    source: "FAO-56 eq. 11 and 12",
    check: Check::Table("et0_vapour_pressure.csv"),
};
pub(super) const ACTUAL_VAPOUR: Equation = Equation {
    gives: "vapour pressure that the air holds",
    form: "ea = (e(Tmin) RHmax / 100 + e(Tmax) RHmin / 100) / 2",
    source: "FAO-56 eq. 17",
    check: Check::Table("et0_holyoke_2020.csv"),
};
pub(super) const SLOPE: Equation = Equation {
    gives: "slope of the vapour pressure curve",
    form: "D = 4098 e(T) / (T + 237.3)^2, T = (Tmax + Tmin) / 2",
    source: "FAO-56 eq. 13",
    check: Check::Table("et0_vapour_pressure.csv"),
};
pub(super) const PRESSURE: Equation = Equation {
    gives: "air pressure at the garden's elevation",
    form: "P = 101.3 ((293 - 0.0065 z) / 293)^5.26",
    source: "FAO-56 eq. 7",
    check: Check::Table("et0_fao56_examples.csv"),
};
pub(super) const PSYCHROMETRIC: Equation = Equation {
    gives: "psychrometric constant",
    form: "g = 0.000665 P",
    source: "FAO-56 eq. 8",
    check: Check::Table("et0_fao56_examples.csv"),
};
pub(super) const WIND: Equation = Equation {
    gives: "wind at 2 m above the ground",
    form: "u2 = uz 4.87 / ln(67.8 z - 5.42), counted as 0.5 m/s at least",
    source: "FAO-56 eq. 47; the least wind is from its chapter 4",
    check: Check::Table("et0_fao56_examples.csv"),
};

/// Highest and lowest relative humidity of a day, %, 0 to 105.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Humidity {
    pub max_pct: f64,
    pub min_pct: f64,
}

/// Saturation vapour pressure at an air temperature of -60 to 60 degrees C, kPa
/// (FAO-56 eq. 11).
///
/// # Errors
///
/// Outside that range.
pub fn saturation_vapour_pressure_kpa(air_c: f64) -> Result<f64, WeatherOutOfRange> {
    within("air temperature", air_c, AIR_C, "°C").map(saturation)
}

/// Equation 11 for a temperature that is in range.
pub(super) fn saturation(air_c: f64) -> f64 {
    0.6108 * (17.27 * air_c / (air_c + 237.3)).exp()
}

/// Mean saturation vapour pressure of a day from its highest and lowest air
/// temperature, degrees C; kPa (FAO-56 eq. 12).
///
/// # Errors
///
/// Where a temperature is outside -60 to 60 °C, or the highest is below the lowest.
pub fn mean_saturation_vapour_pressure_kpa(max_c: f64, min_c: f64) -> Result<f64, WeatherOutOfRange> {
    let (max_c, min_c) = extremes(max_c, min_c)?;
    Ok(f64::midpoint(saturation(max_c), saturation(min_c)))
}

/// A day's highest and lowest air temperature, if they are in range and in order.
pub(super) fn extremes(max_c: f64, min_c: f64) -> Result<(f64, f64), WeatherOutOfRange> {
    let min_c = within("the day's lowest air temperature", min_c, AIR_C, "°C")?;
    let max_c = within("the day's highest air temperature", max_c, (min_c, AIR_C.1), "°C")?;
    Ok((max_c, min_c))
}

/// Slope of the saturation vapour pressure curve at an air temperature of -60 to
/// 60 °C, kPa/°C (FAO-56 eq. 13).
///
/// # Errors
///
/// Outside that range.
pub fn vapour_pressure_slope_kpa_c(air_c: f64) -> Result<f64, WeatherOutOfRange> {
    Ok(4098.0 * saturation_vapour_pressure_kpa(air_c)? / (air_c + 237.3).powi(2))
}

/// Air pressure at an elevation of -500 to 9000 m, kPa (FAO-56 eq. 7).
///
/// # Errors
///
/// Outside that range.
pub fn pressure_kpa(elevation_m: f64) -> Result<f64, WeatherOutOfRange> {
    let z = within("elevation", elevation_m, ELEVATION_M, "m")?;
    Ok(101.3 * ((293.0 - 0.0065 * z) / 293.0).powf(5.26))
}

/// Psychrometric constant at an air pressure in kPa, kPa/°C (FAO-56 eq. 8).
pub fn psychrometric_constant_kpa_c(pressure_kpa: f64) -> f64 {
    PSYCHROMETRIC_PER_C * pressure_kpa
}

/// Wind at 2 m, m/s, from wind of 0 to 60 m/s at `height_m` (0.5 to 50 m) over
/// short grass (FAO-56 eq. 47). The least wind is not applied here.
///
/// # Errors
///
/// Where either is outside its range.
pub fn wind_at_2m_m_s(wind_m_s: f64, height_m: f64) -> Result<f64, WeatherOutOfRange> {
    let wind_m_s = within("wind", wind_m_s, WIND_M_S, "m/s")?;
    let height_m = within("the height of the wind sensor", height_m, WIND_HEIGHT_M, "m")?;
    Ok(wind_m_s * 4.87 / (67.8 * height_m - 5.42).ln())
}

/// Actual vapour pressure of a day, kPa, from its highest and lowest humidity and
/// air temperature (FAO-56 eq. 17).
///
/// # Errors
///
/// Where an input is outside its range or a highest value is below a lowest.
pub fn actual_vapour_pressure_kpa(
    humidity: Humidity,
    max_c: f64,
    min_c: f64,
) -> Result<f64, WeatherOutOfRange> {
    let (max_c, min_c) = extremes(max_c, min_c)?;
    let min_pct = within("the day's lowest humidity", humidity.min_pct, HUMIDITY_PCT, "%")?;
    let max_pct = within("the day's highest humidity", humidity.max_pct, (min_pct, HUMIDITY_PCT.1), "%")?;
    Ok(f64::midpoint(saturation(min_c) * max_pct, saturation(max_c) * min_pct) / 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_input_has_a_range_and_leaving_it_is_said() {
        for (result, what) in [
            (saturation_vapour_pressure_kpa(60.1), "air temperature"),
            (saturation_vapour_pressure_kpa(f64::NAN), "air temperature"),
            (vapour_pressure_slope_kpa_c(-60.1), "air temperature"),
            (mean_saturation_vapour_pressure_kpa(10.0, 10.1), "the day's highest air temperature"),
            (pressure_kpa(9001.0), "elevation"),
            (wind_at_2m_m_s(-0.1, 2.0), "wind"),
            (wind_at_2m_m_s(1.0, 0.05), "the height of the wind sensor"),
            (
                actual_vapour_pressure_kpa(Humidity { max_pct: 40.0, min_pct: 41.0 }, 20.0, 10.0),
                "the day's highest humidity",
            ),
        ] {
            assert_eq!(result.expect_err(what).what, what);
        }
    }

    /// At 100 % the air holds all that it could.
    #[test]
    fn saturated_air_holds_what_it_could() {
        let could = mean_saturation_vapour_pressure_kpa(21.5, 21.5).unwrap();
        let humidity = Humidity { max_pct: 100.0, min_pct: 100.0 };
        let holds = actual_vapour_pressure_kpa(humidity, 21.5, 21.5).unwrap();
        assert!((holds - could).abs() < 1e-12, "{holds}");
    }
}
