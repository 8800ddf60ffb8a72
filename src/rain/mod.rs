//! Rain: what a gauge has caught, what that comes to, and whether to believe it.

mod bucket;
mod day;
mod effective;
mod gauge;
mod intensity;
mod range;
mod rate;
mod roof;
mod span;
mod totals;
mod trust;

pub use bucket::{
    BUCKET_MOVES_S, INTENSITY, TIP_INTERVAL, UNDERCATCH, intensity_mm_h, tip_interval_s, undercatch_pct,
};
pub use day::{RAIN_DAY, nine_am_before, rain_day, rain_day_bounds};
pub use effective::{EFFECTIVE_SCS, SCS_JOIN_MM, effective_scs_mm};
pub use gauge::{Caught, Gauge, RunningCount};
pub use intensity::{CLASS_WMO, class_wmo};
pub use range::OutOfRange;
pub use rate::{Intensity, WINDOW_S};
pub use roof::{MONTH_LOSS_MM, ROOF_YIELD, RUNOFF, Roof};
pub use span::{DRY_DAY_MM, DRY_SPELL, DrySpell, MONTH, SpanRain};
pub use totals::{DAYS_MAX, Day, Follows, RainDays, Total};
pub use trust::{EVIDENCE, Evidence, Trust, Verdict};

use crate::why::Equation;

/// The equations of this room.
pub const EQUATIONS: &[Equation] =
    &[RAIN_DAY, INTENSITY, CLASS_WMO, TIP_INTERVAL, UNDERCATCH, MONTH, DRY_SPELL, ROOF_YIELD, EFFECTIVE_SCS];
