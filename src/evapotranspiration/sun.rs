//! The sun's radiation on a day: above the air, at the ground, and what is kept.
//!
//! Daily sums in MJ/m². Latitude in degrees, north positive; the day of the
//! year `J` is 1 on 1 January.

use std::f64::consts::{PI, TAU};

use super::air::extremes;
use super::range::{WeatherOutOfRange, within};
use crate::why::{Check, Equation};

/// The solar constant, MJ/m² a minute.
const SOLAR_CONSTANT: f64 = 0.0820;
/// Stefan-Boltzmann constant, MJ/(K⁴ m² day).
const STEFAN_BOLTZMANN: f64 = 4.903e-9;
/// 0 °C as the paper takes it, K.
const ZERO_C_K: f64 = 273.16;
/// Part of the sun that the reference grass keeps; it reflects 0.23.
pub(super) const GRASS_KEEPS: f64 = 1.0 - 0.23;
/// Part of the sun above the air that a cloudless day lets through at sea level, and
/// for each metre above it.
pub(super) const CLEAR_PART: f64 = 0.75;
pub(super) const CLEAR_PART_PER_M: f64 = 2e-5;
/// Millimetres of water that 1 MJ/m² evaporates: 1 / 2.45 MJ/kg.
pub const EVAPORATION_MM_PER_MJ: f64 = 0.408;
/// Above this the factor 0.34 - 0.14 sqrt(ea) of equation 39 is no longer positive; kPa.
const VAPOUR_KPA: (f64, f64) = (0.0, 5.89);

pub(super) const EXTRATERRESTRIAL: Equation = Equation {
    gives: "sun above the air",
    form: "Ra = 24 60 / pi Gsc dr (ws sin f sin d + cos f cos d sin ws)",
    source: "FAO-56 eq. 21 to 25",
    check: Check::Table("et0_sun.csv"),
};
pub(super) const CLEAR_SKY: Equation = Equation {
    gives: "sun of a cloudless day",
    form: "Rso = (0.75 + 2e-5 z) Ra",
    source: "FAO-56 eq. 37",
    check: Check::Table("et0_fao56_examples.csv"),
};
pub(super) const NET_SHORT_WAVE: Equation = Equation {
    gives: "sun that grass keeps",
    form: "Rns = (1 - 0.23) Rs",
    source: "FAO-56 eq. 38",
    check: Check::Table("et0_fao56_examples.csv"),
};
pub(super) const NET_LONG_WAVE: Equation = Equation {
    gives: "heat radiated to the sky",
    form: "Rnl = 4.903e-9 (Tmax,K^4 + Tmin,K^4) / 2 (0.34 - 0.14 sqrt(ea)) (1.35 Rs/Rso - 0.35), Rs/Rso at most 1",
    source: "FAO-56 eq. 39",
    check: Check::Table("et0_fao56_examples.csv"),
};

/// Latitude in radians and the day's angle in the year.
fn angles(latitude_deg: f64, day_of_year: u16) -> Result<(f64, f64), WeatherOutOfRange> {
    let latitude = within("latitude", latitude_deg, (-90.0, 90.0), "degrees")?;
    let day = within("the day of the year", f64::from(day_of_year), (1.0, 366.0), "")?;
    Ok((latitude.to_radians(), TAU * day / 365.0))
}

/// Inverse relative distance from earth to sun on a day of the year (eq. 23).
///
/// # Errors
///
/// Outside days 1 to 366.
pub fn inverse_distance(day_of_year: u16) -> Result<f64, WeatherOutOfRange> {
    angles(0.0, day_of_year).map(|(_, day)| 1.0 + 0.033 * day.cos())
}

/// The sun's declination on a day of the year, radians (eq. 24).
///
/// # Errors
///
/// Outside days 1 to 366.
pub fn declination_rad(day_of_year: u16) -> Result<f64, WeatherOutOfRange> {
    angles(0.0, day_of_year).map(|(_, day)| 0.409 * (day - 1.39).sin())
}

/// The sun's hour angle at sunset, radians: 0 where it does not rise that day,
/// pi where it does not set (eq. 25).
///
/// # Errors
///
/// Outside 90 degrees south to north or days 1 to 366.
pub fn sunset_hour_angle_rad(latitude_deg: f64, day_of_year: u16) -> Result<f64, WeatherOutOfRange> {
    let (latitude, _) = angles(latitude_deg, day_of_year)?;
    let declination = declination_rad(day_of_year)?;
    Ok((-latitude.tan() * declination.tan()).clamp(-1.0, 1.0).acos())
}

/// The day's sun above the air, MJ/m² (eq. 21).
///
/// # Errors
///
/// As [`sunset_hour_angle_rad`].
pub fn extraterrestrial_mj_m2(latitude_deg: f64, day_of_year: u16) -> Result<f64, WeatherOutOfRange> {
    let (latitude, _) = angles(latitude_deg, day_of_year)?;
    let declination = declination_rad(day_of_year)?;
    let sunset = sunset_hour_angle_rad(latitude_deg, day_of_year)?;
    let sum = sunset * latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * sunset.sin();
    // At the edge of the polar night rounding can leave a hair below nothing.
    Ok((24.0 * 60.0 / PI * SOLAR_CONSTANT * inverse_distance(day_of_year)? * sum).max(0.0))
}

/// The sun of a cloudless day at the ground, MJ/m², from `ra_mj_m2` above the
/// air and the elevation, -500 to 9000 m (eq. 37).
pub fn clear_sky_mj_m2(ra_mj_m2: f64, elevation_m: f64) -> f64 {
    (CLEAR_PART + CLEAR_PART_PER_M * elevation_m) * ra_mj_m2
}

/// What the reference grass keeps of the day's sun, MJ/m² (eq. 38).
pub fn net_short_wave_mj_m2(sun_mj_m2: f64) -> f64 {
    GRASS_KEEPS * sun_mj_m2
}

/// What the ground radiates to the sky on a day, MJ/m² (eq. 39).
/// `clearness` is Rs/Rso; above 1 it counts as 1, as the paper has it.
///
/// # Errors
///
/// Where a temperature or the vapour pressure (0 to 5.89 kPa) is outside its
/// range, or `clearness` is negative.
pub fn net_long_wave_mj_m2(
    max_c: f64,
    min_c: f64,
    actual_vapour_kpa: f64,
    clearness: f64,
) -> Result<f64, WeatherOutOfRange> {
    let (max_c, min_c) = extremes(max_c, min_c)?;
    let vapour_kpa = within("actual vapour pressure", actual_vapour_kpa, VAPOUR_KPA, "kPa")?;
    let clearness = within("Rs/Rso", clearness, (0.0, f64::INFINITY), "")?.min(1.0);
    let radiated = STEFAN_BOLTZMANN * f64::midpoint((max_c + ZERO_C_K).powi(4), (min_c + ZERO_C_K).powi(4));
    Ok(radiated * (0.34 - 0.14 * vapour_kpa.sqrt()) * (1.35 * clearness - 0.35))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sun_that_never_rises_and_never_sets() {
        for (latitude, day, angle) in [(80.0, 355, 0.0), (80.0, 172, PI), (-80.0, 172, 0.0), (-80.0, 355, PI)]
        {
            let sunset = sunset_hour_angle_rad(latitude, day).unwrap();
            assert!((sunset - angle).abs() < 1e-9, "{latitude} {day}: {sunset}");
            let ra = extraterrestrial_mj_m2(latitude, day).unwrap();
            assert!(if angle > 0.0 { ra > 40.0 } else { ra.abs() < 1e-9 }, "{latitude} {day}: {ra}");
        }
    }

    #[test]
    fn every_latitude_and_day_has_a_sun_of_zero_or_more() {
        for latitude in -90..=90 {
            for day in 1..=366 {
                let ra = extraterrestrial_mj_m2(f64::from(latitude), day).unwrap();
                assert!((0.0..60.0).contains(&ra), "{latitude} {day}: {ra}");
            }
        }
    }

    #[test]
    fn each_input_has_a_range_and_leaving_it_is_said() {
        for (result, what) in [
            (extraterrestrial_mj_m2(90.1, 1), "latitude"),
            (extraterrestrial_mj_m2(f64::NAN, 1), "latitude"),
            (extraterrestrial_mj_m2(0.0, 0), "the day of the year"),
            (sunset_hour_angle_rad(0.0, 367), "the day of the year"),
            (net_long_wave_mj_m2(20.0, 10.0, 5.9, 1.0), "actual vapour pressure"),
            (net_long_wave_mj_m2(20.0, 10.0, 1.0, -0.1), "Rs/Rso"),
            (net_long_wave_mj_m2(10.0, 20.0, 1.0, 1.0), "the day's highest air temperature"),
        ] {
            assert_eq!(result.expect_err(what).what, what);
        }
    }

    #[test]
    fn more_sun_than_a_cloudless_day_counts_as_cloudless() {
        let at = |clearness| net_long_wave_mj_m2(20.0, 10.0, 1.0, clearness).unwrap();
        assert!((at(1.2) - at(1.0)).abs() < 1e-12);
        assert!(at(0.9) < at(1.0));
    }
}
