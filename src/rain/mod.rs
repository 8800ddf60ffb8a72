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
    BUCKET_MOVES_S, DEPTH, INTENSITY, TIP_INTERVAL, TIP_VOLUME, UNDERCATCH, depth_mm, funnel_cm2,
    intensity_mm_h, largest_mm_h, tip_interval_s, tip_volume_ml, undercatch_pct,
};
pub use day::{RAIN_DAY, nine_am_before, rain_day, rain_day_bounds};
pub use effective::{
    EFFECTIVE_BROUWER, EFFECTIVE_FAO, EFFECTIVE_SCS, SCS_JOIN_MM, effective_brouwer_mm, effective_fao_mm,
    effective_scs_mm,
};
pub use gauge::{Caught, Gauge, RunningCount};
pub use intensity::{CLASS_WMO, Scheme};
pub use range::OutOfRange;
pub use rate::{Intensity, WINDOW_S};
pub use roof::{MONTH_LOSS_MM, ROOF_YIELD, RUNOFF, Roof};
pub use span::{DRY_DAY_MM, DRY_SPELL, DrySpell, MONTH, SpanRain};
pub use totals::{DAYS_MAX, Day, Follows, RainDays, Total};
pub use trust::{EVIDENCE, Evidence, Trust, Verdict};

use crate::why::Equation;

/// The equations of this room.
pub const EQUATIONS: &[Equation] = &[
    RAIN_DAY,
    DEPTH,
    INTENSITY,
    CLASS_WMO,
    TIP_VOLUME,
    TIP_INTERVAL,
    UNDERCATCH,
    MONTH,
    DRY_SPELL,
    ROOF_YIELD,
    EFFECTIVE_SCS,
    EFFECTIVE_FAO,
    EFFECTIVE_BROUWER,
];
