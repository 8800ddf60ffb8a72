//! Rain: what a gauge has caught, what that comes to, and whether to believe it.

mod bucket;
mod day;
mod effective;
mod gauge;
mod intensity;
mod place;
mod range;
mod rate;
mod reliability;
mod roof;
mod span;
mod totals;

pub use bucket::{
    BUCKET_MOVES_S, INTENSITY, TIP_INTERVAL, UNDERCATCH, intensity_mm_h, tip_interval_s, undercatch_pct,
};
pub use day::{RAIN_DAY, nine_am_before, rain_day, rain_day_bounds};
pub use effective::{EFFECTIVE_SCS, effective_scs_mm, effective_scs_step};
pub use gauge::{Gauge, GaugeMessage, RunningCount};
pub use intensity::{CLASS_WMO, class_wmo};
pub use place::GAUGE_PLACE;
pub use range::RainOutOfRange;
pub use rate::{Intensity, WINDOW_S};
pub use reliability::{EVIDENCE, GaugeEvidence, GaugeReliability, GaugeVerdict, minutes_apart};
pub use roof::{MONTH_LOSS_MM, ROOF_YIELD, RUNOFF, Roof};
pub use span::{DRY_DAY_MM, DRY_SPELL, DrySpell, MONTH, SpanRain};
pub use totals::{DAYS_MAX, Day, Follows, RainDays, Total};

use crate::why::Equation;

/// The equations of this room.
pub const EQUATIONS: &[Equation] =
    &[RAIN_DAY, INTENSITY, CLASS_WMO, TIP_INTERVAL, UNDERCATCH, MONTH, DRY_SPELL, ROOF_YIELD, EFFECTIVE_SCS];
