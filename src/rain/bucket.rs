//! A tipping bucket: what one tip is, and how fast it can follow.

use super::range::{RainOutOfRange, RainRange};
use crate::why::{Check, Equation};

/// A depth in a time to an intensity.
pub const INTENSITY: Equation = Equation {
    gives: "rain intensity",
    form: "I = 3600 depth / t",
    source: "mm in t seconds as mm an hour: plain arithmetic",
    check: Check::Table("rain_tips_intensity.csv"),
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
const RESOLUTION: RainRange = RainRange { what: "a tip", min: 0.001, max: 100.0, unit: "mm" };
/// The limit of what was ever measured in a minute is about 2000 mm an hour
/// (from memory).
const MM_H: RainRange = RainRange { what: "an intensity", min: 0.0, max: 10_000.0, unit: "mm/h" };
const MOVE: RainRange = RainRange { what: "a bucket's movement", min: 0.0, max: 10.0, unit: "s" };

/// Mean intensity of a depth that fell in `window_s` seconds, mm/h ([`INTENSITY`]).
///
/// A single tip says little: one of 0.2 mm reads 12 mm/h over a minute and 0.4
/// over half an hour.
pub fn intensity_mm_h(depth_mm: f64, window_s: f64) -> f64 {
    depth_mm * 3600.0 / window_s
}

/// Time between two tips, seconds ([`TIP_INTERVAL`]); endless in no rain.
///
/// # Errors
/// When the intensity is not 0 to 10,000 mm/h or a tip not 0.001 to 100 mm.
pub fn tip_interval_s(mm_h: f64, mm_per_tip: f64) -> Result<f64, RainOutOfRange> {
    Ok(3600.0 * RESOLUTION.check(mm_per_tip)? / MM_H.check(mm_h)?)
}

/// Part of the rain that is lost while the bucket moves, % ([`UNDERCATCH`]).
///
/// # Errors
/// When the bucket would have to tip again before it has come to rest: there the
/// model ends, and the gauge with it. Also when the intensity is not 0 to
/// 10,000 mm/h, a tip not 0.001 to 100 mm or the movement not 0 to 10 s.
pub fn undercatch_pct(mm_h: f64, mm_per_tip: f64, moves_s: f64) -> Result<f64, RainOutOfRange> {
    let most = largest_mm_h(mm_per_tip, moves_s)?;
    let mm_h = RainRange { max: most.min(MM_H.max), ..MM_H }.check(mm_h)?;
    Ok(100.0 * moves_s * mm_h / (3600.0 * mm_per_tip))
}

/// Intensity at which a bucket would tip without a rest, mm/h: no gauge can read
/// more, and one in the field reads too little long before.
///
/// # Errors
/// When a tip is not 0.001 to 100 mm or the movement not 0 to 10 s.
fn largest_mm_h(mm_per_tip: f64, moves_s: f64) -> Result<f64, RainOutOfRange> {
    Ok(3600.0 * RESOLUTION.check(mm_per_tip)? / MOVE.check(moves_s)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_is_refused_with_its_range() {
        assert_eq!(
            tip_interval_s(1.0, 0.0).unwrap_err().to_string(),
            "a tip of 0 mm is out of range, which is 0.001 to 100 mm"
        );
        assert!(tip_interval_s(f64::NAN, 0.2).is_err());
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
