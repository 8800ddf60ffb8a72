//! The night's low, from what a site's own air thermometer has shown by the afternoon.
//!
//! The rule is this project's own: the night is as cold as the last one, moved by half of
//! what the day's high has changed since yesterday, and frost is threatened where that is
//! less than one degree above the limit. A fall of the high by more than six degrees is another
//! air's, and moves the night no further: the end of a heat wave threatens no frost. Published rules of that kind (Snyder and de
//! Melo-Abreu, FAO 2005, chapter 5, from memory) want air and dew point two hours after
//! sunset, and factors fitted to each place; that is late for a school, and needs a record.
//!
//! Half of the change and one degree were chosen on Fallon, Nevada (2015, daily), where of
//! 163 nights below 2 °C 151 are told and of 200 others 14. Held aside: Holyoke, Colorado
//! (2020, daily; 192 of 202, and 14 of 162) and East Bay, Florida (winter 2012, 15 minutes
//! cut at 3 pm, without the bound of six degrees; 4 of 6, and 5 of 174). The bound changes no
//! night at Fallon from four degrees on, and takes away one told in vain at Holyoke. The whole change missed 16 and 26 nights at the first
//! two, none of it told 21 others at Fallon and 17 at Holyoke.
//!
//! # Where it stops holding
//!
//! It knows nothing of weather that is still to come: a front at dusk brings a frost that it
//! misses, and cloud or wind makes one that it tells stay away.

use crate::why::{Check, Equation, Step};

/// Part of the change of the day's high that the night follows.
const FOLLOWS: f64 = 0.5;
/// The night follows a fall of the day's high so far, °C.
const FALL_MAX_C: f64 = 6.0;

/// Frost is threatened up to so much above its limit, °C.
pub const FROST_MARGIN_C: f64 = 1.0;

/// The night's low.
pub const LOW_TONIGHT: Equation = Equation {
    gives: "lowest air temperature of the coming night",
    form: "low tonight = low this morning + 0.5 (high today - high yesterday, at least -6)",
    source: "this project's own rule; chosen on Fallon (Nevada), held against Holyoke (Colorado)",
    check: Check::Arithmetic,
};

/// Returns the low of the coming night, °C, from this morning's low and the highs of today
/// and yesterday, °C.
pub fn low_tonight_c(low_c: f64, high_c: f64, high_yesterday_c: f64) -> f64 {
    low_c + FOLLOWS * (high_c - high_yesterday_c).max(-FALL_MAX_C)
}

/// The same with its step.
pub(crate) fn low_tonight_step(low_c: f64, high_c: f64, high_yesterday_c: f64) -> Step {
    let low = low_tonight_c(low_c, high_c, high_yesterday_c);
    let bound = if high_c - high_yesterday_c < -FALL_MAX_C { ", at least -6.0" } else { "" };
    LOW_TONIGHT.step(format!("{low_c:.1} + 0.5 x ({high_c:.1} - {high_yesterday_c:.1}{bound}) = {low:.1} °C"))
}
