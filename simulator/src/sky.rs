//! Sun, evaporating power and vapour pressure.
//!
//! Equations of FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes,
//! Smith 1998), chapters 2 to 4.

use std::f64::consts::PI;

/// Inverse relative distance to the sun and solar declination (radians) on a
/// day of the year, 1 to 366 (eq. 23 and 24).
fn orbit(day_of_year: f64) -> (f64, f64) {
    let angle = 2.0 * PI * day_of_year / 365.0;
    (1.0 + 0.033 * angle.cos(), 0.409 * (angle - 1.39).sin())
}

/// Radiation at the top of the atmosphere, MJ/m² a day (eq. 21 and 25).
///
/// `latitude_deg` is north positive. Zero in the polar night.
pub(crate) fn extraterrestrial_mj(latitude_deg: f64, day_of_year: f64) -> f64 {
    let latitude = latitude_deg.to_radians();
    let (distance, declination) = orbit(day_of_year);
    let sunset = (-latitude.tan() * declination.tan()).clamp(-1.0, 1.0).acos();
    let daily =
        sunset * latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * sunset.sin();
    (24.0 * 60.0 / PI * 0.0820 * distance * daily).max(0.0)
}

/// Sine of the sun's height at a solar hour (12 is noon); 0 at night.
pub(crate) fn sun_height_sin(latitude_deg: f64, day_of_year: f64, solar_hour: f64) -> f64 {
    let latitude = latitude_deg.to_radians();
    let (_, declination) = orbit(day_of_year);
    let hour_angle = PI / 12.0 * (solar_hour - 12.0);
    (latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos()).max(0.0)
}

/// Solar hour of sunrise.
pub(crate) fn sunrise_hour(latitude_deg: f64, day_of_year: f64) -> f64 {
    let (_, declination) = orbit(day_of_year);
    let sunset = (-latitude_deg.to_radians().tan() * declination.tan()).clamp(-1.0, 1.0).acos();
    12.0 - sunset * 12.0 / PI
}

/// Reference evapotranspiration by Hargreaves, mm a day (eq. 52, with the
/// radiation in mm a day: 0.408 times MJ/m²).
pub(crate) fn reference_et_mm(warmest_c: f64, coldest_c: f64, extraterrestrial_mj: f64) -> f64 {
    let mean_c = f64::midpoint(warmest_c, coldest_c);
    let range_c = (warmest_c - coldest_c).max(0.0);
    (0.0023 * (mean_c + 17.8) * range_c.sqrt() * 0.408 * extraterrestrial_mj).max(0.0)
}

/// Saturation vapour pressure, kPa (eq. 11).
pub(crate) fn saturation_kpa(air_c: f64) -> f64 {
    0.6108 * (17.27 * air_c / (air_c + 237.3)).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: rows of public tests of eq. 21 (Uccle 50.8°, day 187: 41.0884;
    /// the equator, day 80: 37.8242; Bangkok 13.73°, day 105: 38.0576 MJ/m²).
    #[test]
    fn extraterrestrial_radiation_matches_published_rows() {
        for (latitude, day, expected) in
            [(50.8, 187.0, 41.0884), (0.0, 80.0, 37.8242), (13.73, 105.0, 38.0576)]
        {
            let got = extraterrestrial_mj(latitude, day);
            assert!((got - expected).abs() < 5e-4, "{latitude} {day}: {got}, printed {expected}");
        }
        assert!(extraterrestrial_mj(80.0, 355.0).abs() < 1e-9);
    }

    /// Source: FAO-56 chapter 4, example 20: Hargreaves gives 5.0 mm a day.
    #[test]
    fn hargreaves_matches_example_20() {
        let got = reference_et_mm(26.6, 14.8, 40.5546);
        assert!((got - 5.0).abs() <= 0.05, "{got}");
    }

    /// Source: FAO-56 chapter 3, example 3: 24.5 °C gives 3.075 kPa, 15 °C 1.705.
    #[test]
    fn vapour_pressure_matches_example_3() {
        assert!((saturation_kpa(24.5) - 3.075).abs() <= 5e-4);
        assert!((saturation_kpa(15.0) - 1.705).abs() <= 5e-4);
    }
}
