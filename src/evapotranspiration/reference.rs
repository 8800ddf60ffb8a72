//! Reference evapotranspiration of a day, with the steps that lead to it.

use super::air::{
    ACTUAL_VAPOUR, Humidity, LEAST_WIND_M_S, MEAN_SATURATION, PRESSURE, PSYCHROMETRIC, PSYCHROMETRIC_PER_C,
    SLOPE, WIND, actual_vapour_pressure_kpa, extremes, mean_saturation_vapour_pressure_kpa, pressure_kpa,
    psychrometric_constant_kpa_c, vapour_pressure_slope_kpa_c, wind_at_2m_m_s,
};
use super::range::{WeatherOutOfRange, within};
use super::sun::{
    CLEAR_PART, CLEAR_PART_PER_M, CLEAR_SKY, EVAPORATION_MM_PER_MJ, EXTRATERRESTRIAL, GRASS_KEEPS,
    NET_LONG_WAVE, NET_SHORT_WAVE, clear_sky_mj_m2, extraterrestrial_mj_m2, net_long_wave_mj_m2,
    net_short_wave_mj_m2,
};
use crate::why::{Check, Equation, Step, Why};

/// Coldest mean of a day for which equation 52 gives no negative water, °C.
const HARGREAVES_LEAST_C: f64 = -17.8;
/// The factor of equation 52.
const HARGREAVES_FACTOR: f64 = 0.0023;
/// Part of a cloudless day's sun below which no day's is: a sensor that is dead, covered
/// or not connected. Rs/Rso is about 0.33 under dense cloud (FAO-56 chapter 3, from
/// memory); the tenth of it is our own.
const LEAST_SUN_PART: f64 = 0.03;

pub(super) const PENMAN_MONTEITH: Equation = Equation {
    gives: "reference evapotranspiration",
    form: "ET0 = (0.408 D (Rn - G) + g 900 / (T + 273) u2 (es - ea)) / (D + g (1 + 0.34 u2))",
    source: "FAO-56 eq. 6 (Penman-Monteith)",
    check: Check::Table("et0_fao56_examples.csv"),
};
pub(super) const HARGREAVES: Equation = Equation {
    gives: "reference evapotranspiration",
    form: "ET0 = 0.0023 (T + 17.8) sqrt(Tmax - Tmin) Ra, Ra in mm",
    source: "FAO-56 eq. 52 (Hargreaves)",
    check: Check::Table("et0_hargreaves.csv"),
};

/// How a day's reference evapotranspiration was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReferenceMethod {
    /// From temperature, humidity, sun and wind.
    PenmanMonteith,
    /// From temperature alone.
    Hargreaves,
}

/// Where and when, and the day's air temperatures: what both methods need.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayTemperatures {
    /// Degrees north, -90 to 90.
    pub latitude_deg: f64,
    /// 1 on 1 January, to 366.
    pub day_of_year: u16,
    /// °C, -60 to 60, not below the lowest.
    pub max_c: f64,
    /// °C, -60 to 60.
    pub min_c: f64,
}

impl DayTemperatures {
    fn mean_c(&self) -> f64 {
        f64::midpoint(self.max_c, self.min_c)
    }
}

/// What Penman-Monteith needs beyond the temperatures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Metres above the sea, -500 to 9000.
    pub elevation_m: f64,
    pub humidity: Humidity,
    /// The day's sun at the ground, MJ/m²; at least 3 % of a cloudless day's, at most that
    /// above the air.
    pub sun_mj_m2: f64,
    /// The day's mean wind, m/s, 0 to 60.
    pub wind_m_s: f64,
    /// Height of the wind sensor above the ground, metres, 0.5 to 50.
    pub wind_height_m: f64,
}

/// A day's reference evapotranspiration.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// Millimetres. Penman-Monteith can give a little less than 0: dew.
    pub mm: f64,
    pub method: ReferenceMethod,
    /// The wind was below 0.5 m/s and counted as that.
    pub still_air: bool,
    /// The steps, the last one giving `mm`.
    pub why: Why,
}

/// The terms of equation 6.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Terms {
    /// Mean air temperature, °C.
    pub mean_c: f64,
    /// kPa/°C.
    pub slope_kpa_c: f64,
    /// kPa/°C.
    pub psychrometric_kpa_c: f64,
    /// MJ/m² a day.
    pub net_radiation_mj_m2: f64,
    /// MJ/m² a day; nothing for a single day (eq. 42).
    pub soil_heat_mj_m2: f64,
    /// m/s.
    pub wind_2m_m_s: f64,
    /// es - ea, kPa.
    pub vapour_deficit_kpa: f64,
}

impl Terms {
    fn denominator(&self) -> f64 {
        self.slope_kpa_c + self.psychrometric_kpa_c * (1.0 + 0.34 * self.wind_2m_m_s)
    }

    /// The part that the sun drives, mm a day.
    pub fn radiation_mm(&self) -> f64 {
        EVAPORATION_MM_PER_MJ * self.slope_kpa_c * (self.net_radiation_mj_m2 - self.soil_heat_mj_m2)
            / self.denominator()
    }

    /// The part that wind and dry air drive, mm a day.
    pub fn wind_mm(&self) -> f64 {
        self.psychrometric_kpa_c * 900.0 / (self.mean_c + 273.0) * self.wind_2m_m_s * self.vapour_deficit_kpa
            / self.denominator()
    }

    /// Reference evapotranspiration, mm a day (FAO-56 eq. 6).
    pub fn reference_mm(&self) -> f64 {
        self.radiation_mm() + self.wind_mm()
    }
}

/// Reference evapotranspiration of a day by Penman-Monteith (FAO-56 eq. 6).
///
/// # Errors
///
/// Where an input is outside its range, the air would hold more vapour than it can (its
/// dew point above its temperature), the day's sun is above what reaches the top of the
/// air or below what any cloud lets through, or the sun does not rise.
pub fn penman_monteith(day: &DayTemperatures, weather: &Weather) -> Result<Reference, WeatherOutOfRange> {
    let mut why = Why::new();
    let (mm, still_air) = reckon(day, weather, &mut |step| why.push(step()))?;
    Ok(Reference { mm, method: ReferenceMethod::PenmanMonteith, still_air, why })
}

/// The same in mm, without the steps: for judgements at each reading.
///
/// # Errors
///
/// As [`penman_monteith`].
pub fn penman_monteith_mm(day: &DayTemperatures, weather: &Weather) -> Result<f64, WeatherOutOfRange> {
    reckon(day, weather, &mut |_| {}).map(|(mm, _)| mm)
}

/// The day's millimetres and whether the air was still; each step is offered to
/// `note`, which writes it down or does not.
fn reckon(
    day: &DayTemperatures,
    weather: &Weather,
    note: &mut dyn FnMut(&dyn Fn() -> Step),
) -> Result<(f64, bool), WeatherOutOfRange> {
    let DayTemperatures { max_c, min_c, .. } = *day;

    let could_kpa = mean_saturation_vapour_pressure_kpa(max_c, min_c)?;
    note(&|| MEAN_SATURATION.step(format!("Tmax {max_c:.1} °C, Tmin {min_c:.1} °C: {could_kpa:.3} kPa")));
    let holds_kpa = actual_vapour_pressure_kpa(weather.humidity, max_c, min_c)?;
    // Saturated air comes out as what it can hold, but for the last digits.
    let most_kpa = could_kpa * (1.0 + 1e-9);
    let over = "the air's vapour pressure (its dew point above its temperature)";
    within(over, holds_kpa, (0.0, most_kpa), "kPa")?;
    note(&|| {
        let Humidity { max_pct, min_pct } = weather.humidity;
        ACTUAL_VAPOUR.step(format!("RHmax {max_pct:.0} %, RHmin {min_pct:.0} %: {holds_kpa:.3} kPa"))
    });
    let slope_kpa_c = vapour_pressure_slope_kpa_c(day.mean_c())?;
    note(&|| SLOPE.step(format!("T {:.1} °C: {slope_kpa_c:.3} kPa/°C", day.mean_c())));
    let pressure = pressure_kpa(weather.elevation_m)?;
    note(&|| PRESSURE.step(format!("z {:.0} m: {pressure:.1} kPa", weather.elevation_m)));
    let psychrometric_kpa_c = psychrometric_constant_kpa_c(pressure);
    note(&|| {
        PSYCHROMETRIC
            .step(format!("{PSYCHROMETRIC_PER_C} x {pressure:.1} kPa = {psychrometric_kpa_c:.4} kPa/°C"))
    });

    let measured_2m = wind_at_2m_m_s(weather.wind_m_s, weather.wind_height_m)?;
    let still_air = measured_2m < LEAST_WIND_M_S;
    let wind_2m_m_s = measured_2m.max(LEAST_WIND_M_S);
    note(&|| {
        WIND.step(format!(
            "{:.2} m/s at {:.1} m: {measured_2m:.2} m/s{}",
            weather.wind_m_s,
            weather.wind_height_m,
            if still_air { format!(", counted as {LEAST_WIND_M_S:.2} m/s") } else { String::new() },
        ))
    });

    let above_air = extraterrestrial(day, note)?;
    let clear_sky = clear_sky_mj_m2(above_air, weather.elevation_m);
    // Without any sun its part of a cloudless day's is 0 / 0.
    within("the sun of a cloudless day", clear_sky, (f64::MIN_POSITIVE, f64::INFINITY), "MJ/m2")?;
    let sun = within("the day's sun", weather.sun_mj_m2, (LEAST_SUN_PART * clear_sky, above_air), "MJ/m2")?;
    note(&|| {
        CLEAR_SKY.step(format!(
            "({CLEAR_PART} + {CLEAR_PART_PER_M:e} x {:.0}) x {above_air:.2} = {clear_sky:.2} MJ/m2",
            weather.elevation_m
        ))
    });
    let kept = net_short_wave_mj_m2(sun);
    note(&|| NET_SHORT_WAVE.step(format!("{GRASS_KEEPS:.2} x {sun:.2} = {kept:.2} MJ/m2")));
    let clearness = sun / clear_sky;
    let radiated = net_long_wave_mj_m2(max_c, min_c, holds_kpa, clearness)?;
    note(&|| {
        NET_LONG_WAVE.step(format!(
        "Tmax {max_c:.1} °C, Tmin {min_c:.1} °C, ea {holds_kpa:.3} kPa, Rs/Rso {clearness:.2}{}: {radiated:.2} MJ/m2",
        if clearness > 1.0 { " counted as 1" } else { "" },
    ))
    });

    let terms = Terms {
        mean_c: day.mean_c(),
        slope_kpa_c,
        psychrometric_kpa_c,
        net_radiation_mj_m2: kept - radiated,
        soil_heat_mj_m2: 0.0,
        wind_2m_m_s,
        vapour_deficit_kpa: could_kpa - holds_kpa,
    };
    let mm = terms.reference_mm();
    note(&|| {
        PENMAN_MONTEITH.step(format!(
        "sun (Rn {:.2} MJ/m2, G 0) {:.2} mm + wind and dry air (u2 {wind_2m_m_s:.2} m/s, es - ea {:.3} kPa) {:.2} mm \
         = {mm:.2} mm",
        terms.net_radiation_mj_m2,
        terms.radiation_mm(),
        terms.vapour_deficit_kpa,
        terms.wind_mm(),
    ))
    });
    Ok((mm, still_air))
}

/// Reference evapotranspiration of a day by Hargreaves (FAO-56 eq. 52).
///
/// # Errors
///
/// Where an input is outside its range or the day's mean is below -17.8 °C.
pub fn hargreaves(day: &DayTemperatures) -> Result<Reference, WeatherOutOfRange> {
    let mut why = Why::new();
    extremes(day.max_c, day.min_c)?;
    let above_air_mm = EVAPORATION_MM_PER_MJ * extraterrestrial(day, &mut |step| why.push(step()))?;
    let mm = hargreaves_mm(day.max_c, day.min_c, above_air_mm)?;
    why.push(HARGREAVES.step(format!(
        "{HARGREAVES_FACTOR} x ({:.1} + {}) x sqrt({:.1} - {:.1}) x {above_air_mm:.2} mm = {mm:.2} mm",
        day.mean_c(),
        -HARGREAVES_LEAST_C,
        day.max_c,
        day.min_c,
    )));
    Ok(Reference { mm, method: ReferenceMethod::Hargreaves, still_air: false, why })
}

/// Equation 52 with the sun above the air as the millimetres of water that it
/// could evaporate (0.408 of its MJ/m²).
///
/// # Errors
///
/// As [`hargreaves`], or for a sun outside 0 to 25 mm.
pub fn hargreaves_mm(max_c: f64, min_c: f64, above_air_mm: f64) -> Result<f64, WeatherOutOfRange> {
    let (max_c, min_c) = extremes(max_c, min_c)?;
    let mean_c = within(
        "the day's mean air temperature",
        f64::midpoint(max_c, min_c),
        (HARGREAVES_LEAST_C, f64::INFINITY),
        "°C",
    )?;
    Ok(HARGREAVES_FACTOR * (mean_c - HARGREAVES_LEAST_C) * (max_c - min_c).sqrt() * above_air_mm)
}

fn extraterrestrial(
    day: &DayTemperatures,
    note: &mut dyn FnMut(&dyn Fn() -> Step),
) -> Result<f64, WeatherOutOfRange> {
    let above_air = extraterrestrial_mj_m2(day.latitude_deg, day.day_of_year)?;
    note(&|| {
        EXTRATERRESTRIAL.step(format!(
            "latitude {:.2} degrees, day {} of the year: {above_air:.2} MJ/m2 = {:.2} mm",
            day.latitude_deg,
            day.day_of_year,
            EVAPORATION_MM_PER_MJ * above_air,
        ))
    });
    Ok(above_air)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A summer's day in a garden near Adelaide.
    const DAY: DayTemperatures =
        DayTemperatures { latitude_deg: -34.93, day_of_year: 15, max_c: 30.0, min_c: 16.0 };
    const WEATHER: Weather = Weather {
        elevation_m: 95.0,
        humidity: Humidity { max_pct: 80.0, min_pct: 30.0 },
        sun_mj_m2: 28.0,
        wind_m_s: 2.0,
        wind_height_m: 2.0,
    };

    #[test]
    fn the_last_step_gives_the_figure() {
        let by_weather = penman_monteith(&DAY, &WEATHER).unwrap();
        let by_temperature = hargreaves(&DAY).unwrap();
        let without_steps = penman_monteith_mm(&DAY, &WEATHER).unwrap();
        assert!((by_weather.mm - without_steps).abs() < 1e-12);
        for reference in [by_weather, by_temperature] {
            let last = reference.why.last().expect("there are steps");
            assert_eq!(last.gives, "reference evapotranspiration");
            assert!(last.with.ends_with(&format!("= {:.2} mm", reference.mm)), "{}", last.with);
        }
    }

    #[test]
    fn still_air_counts_as_half_a_metre_a_second_and_says_so() {
        let at = |wind_m_s| penman_monteith(&DAY, &Weather { wind_m_s, ..WEATHER }).unwrap();
        let (still, least, windy) = (at(0.1), at(0.5), at(2.0));
        assert!(still.still_air && !windy.still_air);
        assert!((still.mm - least.mm).abs() < 0.001, "{} {}", still.mm, least.mm);
        assert!(still.why.iter().any(|step| step.with.contains("counted as 0.50 m/s")));
        assert!(!windy.why.iter().any(|step| step.with.contains("counted as")));
        assert!(windy.mm > still.mm);
    }

    #[test]
    fn more_sun_than_there_is_above_the_air_is_out_of_range() {
        let error = penman_monteith(&DAY, &Weather { sun_mj_m2: 60.0, ..WEATHER }).expect_err("too much");
        assert_eq!(error.what, "the day's sun");
        assert!(error.max < 45.0);
    }

    #[test]
    fn a_dead_radiation_sensor_gives_no_penman_monteith() {
        let at = |sun_mj_m2| penman_monteith(&DAY, &Weather { sun_mj_m2, ..WEATHER });
        for dead in [0.0, 0.3] {
            let error = at(dead).expect_err("no day is so dark");
            assert_eq!(error.what, "the day's sun");
            assert!(0.5 < error.min && error.min < 1.5, "{error}");
        }
        assert!(at(2.0).is_ok(), "a day of dense cloud");
    }

    #[test]
    fn a_dew_point_above_the_airs_temperature_gives_no_penman_monteith() {
        let at = |max_pct, min_pct| {
            penman_monteith(&DAY, &Weather { humidity: Humidity { max_pct, min_pct }, ..WEATHER })
        };
        let error = at(104.0, 101.0).expect_err("the air cannot hold it");
        assert!(error.what.contains("dew point"), "{error}");
        // A night of fog, in which a sensor reads a little high, and a dry day.
        assert!(at(103.0, 60.0).is_ok() && at(100.0, 100.0).is_ok());
    }

    #[test]
    fn the_polar_night_has_no_penman_monteith_and_no_hargreaves_water() {
        let day = DayTemperatures { latitude_deg: 80.0, day_of_year: 355, max_c: -10.0, min_c: -12.0 };
        let error = penman_monteith(&day, &Weather { sun_mj_m2: 0.0, ..WEATHER }).expect_err("no sun");
        assert_eq!(error.what, "the sun of a cloudless day");
        assert!(hargreaves(&day).unwrap().mm.abs() < 1e-12);
    }

    #[test]
    fn each_input_has_a_range_and_leaving_it_is_said() {
        let day = |change: fn(&mut DayTemperatures)| {
            let mut day = DAY;
            change(&mut day);
            (penman_monteith(&day, &WEATHER), hargreaves(&day))
        };
        for (results, what) in [
            (day(|d| d.max_c = 10.0), "the day's highest air temperature"),
            (day(|d| d.min_c = f64::NAN), "the day's lowest air temperature"),
            (day(|d| d.latitude_deg = 91.0), "latitude"),
            (day(|d| d.day_of_year = 0), "the day of the year"),
        ] {
            assert_eq!(results.0.expect_err(what).what, what);
            assert_eq!(results.1.expect_err(what).what, what);
        }
        let weather = |change: fn(&mut Weather)| {
            let mut weather = WEATHER;
            change(&mut weather);
            penman_monteith(&DAY, &weather)
        };
        for (result, what) in [
            (weather(|w| w.elevation_m = 10_000.0), "elevation"),
            (weather(|w| w.humidity.max_pct = 140.0), "the day's highest humidity"),
            (weather(|w| w.sun_mj_m2 = -0.1), "the day's sun"),
            (weather(|w| w.wind_m_s = 61.0), "wind"),
            (weather(|w| w.wind_height_m = 0.0), "the height of the wind sensor"),
        ] {
            assert_eq!(result.expect_err(what).what, what);
        }
        let cold = DayTemperatures { max_c: -17.0, min_c: -19.0, ..DAY };
        assert_eq!(hargreaves(&cold).expect_err("too cold").what, "the day's mean air temperature");
    }
}
