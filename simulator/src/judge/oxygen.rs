//! Warm nights that leave a tank too little oxygen.

use jiff::Timestamp;
use jiff::tz::TimeZone;

/// Telling is right from here on, and due below the other, mg/L; the limit is 5 (FAO
/// Technical Paper 589, chapter 7.3: 4 to 5), and gardens some hundred metres up hold a
/// hundredth less.
pub(super) const NEAR_MG_L: f64 = 5.15;
pub(super) const BEYOND_MG_L: f64 = 4.95;

/// Part of saturation that is left before dawn (common practice: 70 to 80 %).
const PART: f64 = 0.7;

/// Hours of the night, local clock time: from nine to seven.
pub(super) fn is_night(zone: &TimeZone, now_s: i64) -> bool {
    let at = Timestamp::from_second(now_s).unwrap_or(Timestamp::MIN);
    !(7..21).contains(&zone.to_datetime(at).hour())
}

/// What is left before dawn of what fresh water of a temperature holds at sea level, mg/L.
/// Saturation: Benson and Krause 1984, as Standard Methods 4500-O gives it, 0 to 40 °C.
pub(super) fn before_dawn_mg_l(water_c: f64) -> f64 {
    let k = water_c.clamp(0.0, 40.0) + 273.15;
    let ln = -139.344_11 + 1.575_701e5 / k - 6.642_308e7 / k.powi(2) + 1.243_800e10 / k.powi(3)
        - 8.621_949e11 / k.powi(4);
    PART * ln.exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard Methods 4500-O: 7.305 mg/L at 32 °C, 8.418 at 24 °C.
    #[test]
    fn seven_tenths_of_the_printed_saturation_are_left() {
        for (water_c, printed) in [(32.0, 7.305), (24.0, 8.418)] {
            assert!((before_dawn_mg_l(water_c) - 0.7 * printed).abs() <= 0.7 * 0.0005, "{water_c}");
        }
    }
}
