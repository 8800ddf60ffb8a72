//! A tipping bucket: what one tip is, and how fast it can follow.

use super::range::{OutOfRange, RAIN, Range};
use crate::why::{Check, Equation};

/// Tips to a depth of rain.
pub const DEPTH: Equation = Equation {
    gives: "depth of rain",
    form: "depth = n r",
    source: "n tips of r mm each: plain arithmetic",
    check: Check::Table("rain_tips_intensity.csv"),
};

/// A depth in a time to an intensity.
pub const INTENSITY: Equation = Equation {
    gives: "rain intensity",
    form: "I = 3600 depth / t",
    source: "mm in t seconds as mm an hour: plain arithmetic",
    check: Check::Table("rain_tips_intensity.csv"),
};

/// Water in one tip.
pub const TIP_VOLUME: Equation = Equation {
    gives: "water in one tip",
    form: "V = depth A / 10",
    source: "mL of depth mm on A cm2: plain geometry",
    check: Check::Table("rain_bucket_volume.csv"),
};

/// Time between two tips.
pub const TIP_INTERVAL: Equation = Equation {
    gives: "time between two tips",
    form: "t = 3600 r / I",
    source: "r mm a tip at I mm an hour: plain arithmetic",
    check: Check::Table("rain_tip_interval_loss.csv"),
};

/// Rain that runs past while the bucket moves.
pub const UNDERCATCH: Equation = Equation {
    gives: "rain that is lost while the bucket tips",
    form: "loss = 100 t_move I / (3600 r)",
    source: "the usual model of a tipping bucket's mechanical loss, from memory; t_move is about 0.3 to 0.6 s",
    check: Check::Table("rain_tip_interval_loss.csv"),
};

/// Time that a bucket takes to move, seconds: a common figure, from memory.
pub const BUCKET_MOVES_S: f64 = 0.35;

/// Buckets of the trade have 0.1 to 1 mm.
const RESOLUTION: Range = Range { what: "a tip", min: 0.001, max: 100.0, unit: "mm" };
const TIPS: Range = Range { what: "a count", min: 0.0, max: 9_007_199_254_740_992.0, unit: "tips" };
const WINDOW: Range = Range { what: "a time", min: 1.0, max: 31_622_400.0, unit: "s" };
const FUNNEL: Range = Range { what: "a funnel's diameter", min: 1.0, max: 10_000.0, unit: "mm" };
/// The limit of what was ever measured in a minute is about 2000 mm an hour
/// (from memory).
const MM_H: Range = Range { what: "an intensity", min: 0.0, max: 10_000.0, unit: "mm/h" };
const MOVE: Range = Range { what: "a bucket's movement", min: 0.0, max: 10.0, unit: "s" };

/// Depth of so many tips, mm ([`DEPTH`]).
///
/// # Errors
/// When the count is not 0 or more, or a tip not 0.001 to 100 mm.
pub fn depth_mm(tips: f64, mm_per_tip: f64) -> Result<f64, OutOfRange> {
    Ok(TIPS.check(tips)? * RESOLUTION.check(mm_per_tip)?)
}

/// Mean intensity of a depth that fell in `window_s` seconds, mm/h ([`INTENSITY`]).
///
/// A single tip says little: one of 0.2 mm reads 12 mm/h over a minute and 0.4
/// over half an hour.
///
/// # Errors
/// When the depth is not 0 to 30,000 mm or the time not 1 s to 366 days.
pub fn intensity_mm_h(depth_mm: f64, window_s: f64) -> Result<f64, OutOfRange> {
    Ok(RAIN.check(depth_mm)? * 3600.0 / WINDOW.check(window_s)?)
}

/// Area of a round funnel, cm².
///
/// # Errors
/// When the diameter is not 1 to 10,000 mm.
pub fn funnel_cm2(diameter_mm: f64) -> Result<f64, OutOfRange> {
    let radius_cm = FUNNEL.check(diameter_mm)? / 20.0;
    Ok(std::f64::consts::PI * radius_cm * radius_cm)
}

/// Water in one tip, mL ([`TIP_VOLUME`]): what to pour in by hand to test a gauge.
///
/// # Errors
/// When a tip is not 0.001 to 100 mm or the diameter not 1 to 10,000 mm.
pub fn tip_volume_ml(mm_per_tip: f64, diameter_mm: f64) -> Result<f64, OutOfRange> {
    Ok(RESOLUTION.check(mm_per_tip)? * funnel_cm2(diameter_mm)? / 10.0)
}

/// Time between two tips, seconds ([`TIP_INTERVAL`]); endless in no rain.
///
/// # Errors
/// When the intensity is not 0 to 10,000 mm/h or a tip not 0.001 to 100 mm.
pub fn tip_interval_s(mm_h: f64, mm_per_tip: f64) -> Result<f64, OutOfRange> {
    Ok(3600.0 * RESOLUTION.check(mm_per_tip)? / MM_H.check(mm_h)?)
}

/// Part of the rain that is lost while the bucket moves, % ([`UNDERCATCH`]).
///
/// # Errors
/// When the bucket would have to tip again before it has come to rest: there the
/// model ends, and the gauge with it. Also when the intensity is not 0 to
/// 10,000 mm/h, a tip not 0.001 to 100 mm or the movement not 0 to 10 s.
pub fn undercatch_pct(mm_h: f64, mm_per_tip: f64, moves_s: f64) -> Result<f64, OutOfRange> {
    let most = largest_mm_h(mm_per_tip, moves_s)?;
    let mm_h = Range { max: most.min(MM_H.max), ..MM_H }.check(mm_h)?;
    Ok(100.0 * moves_s * mm_h / (3600.0 * mm_per_tip))
}

/// Intensity at which a bucket would tip without a rest, mm/h: no gauge can read
/// more, and one in the field reads too little long before.
///
/// # Errors
/// When a tip is not 0.001 to 100 mm or the movement not 0 to 10 s.
pub fn largest_mm_h(mm_per_tip: f64, moves_s: f64) -> Result<f64, OutOfRange> {
    Ok(3600.0 * RESOLUTION.check(mm_per_tip)? / MOVE.check(moves_s)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_is_refused_with_its_range() {
        assert!(depth_mm(-1.0, 0.2).is_err());
        assert!(depth_mm(1.0, 0.0).is_err());
        assert!(intensity_mm_h(f64::NAN, 60.0).is_err());
        assert_eq!(
            intensity_mm_h(1.0, 0.0).unwrap_err().to_string(),
            "a time of 0 s is out of range, which is 1 to 31622400 s"
        );
        assert!(funnel_cm2(-200.0).is_err());
        assert!(tip_interval_s(0.0, 0.2).unwrap().is_infinite());
    }

    #[test]
    fn the_loss_ends_where_the_bucket_cannot_follow() {
        let most = largest_mm_h(0.2, BUCKET_MOVES_S).unwrap();
        assert!((undercatch_pct(most, 0.2, BUCKET_MOVES_S).unwrap() - 100.0).abs() < 1e-9);
        let error = undercatch_pct(most + 1.0, 0.2, BUCKET_MOVES_S).unwrap_err();
        assert!(error.to_string().contains("is out of range, which is 0 to 2057"), "{error}");
    }
}
