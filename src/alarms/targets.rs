//! What the standard wants of the alarms' figures, and how a figure stands to it.
//!
//! ANSI/ISA-18.2-2016 clause 16.4 to 16.6 with its tables 5 and 6, as public
//! documents quote them; `tests/published/alarm_metrics.csv` holds the rows with
//! their sources and says which are from memory. The standard speaks of one
//! operator's console in a plant; a garden is far below its rates, so that its other
//! figures say more.

/// Alarms an hour that one person very likely can take.
pub const HOUR_ACCEPTABLE: f64 = 6.0;
/// Alarms an hour that one person can take at most.
pub const HOUR_MOST: f64 = 12.0;
/// Seconds of a span in which alarms are counted.
pub const TEN_MINUTES_S: i64 = 600;
/// A span with more alarms than this is too busy, and a flood begins with it.
pub const BUSY_ABOVE: usize = 10;
/// A flood ends with a span of fewer alarms than this.
pub const FLOOD_ENDS: usize = 5;
/// The part of all spans that may be too busy, and that may belong to a flood.
pub const BUSY_PART: f64 = 0.01;
/// The part of all alarms that the ten most frequent may make.
pub const FREQUENT_PART: f64 = 0.05;
/// An alarm chatters that is raised so many times ...
pub const CHATTER_TIMES: usize = 3;
/// ... within so many seconds. From memory.
pub const CHATTER_WITHIN_S: i64 = 60;
/// An alarm chatters that changes more often than this ...
pub const CHANGES_ABOVE: usize = 5;
/// ... within so many seconds.
pub const CHANGES_WITHIN_S: i64 = 300;
/// An alarm is fleeting that is over in less than so many seconds ...
pub const FLEETING_S: i64 = 10;
/// ... and is alone for so many.
pub const FLEETING_ALONE_S: i64 = 60;
/// Seconds after which an alarm has stood for too long.
pub const STANDING_S: i64 = 86_400;
/// So many of those on one day are too many.
pub const STANDING_TOO_MANY: usize = 5;
/// The parts of all alarms that are of low, medium and high priority, about.
pub const PRIORITY_PARTS: [f64; 3] = [0.80, 0.15, 0.05];

/// Alarms below which their shares by priority say nothing: one of them would be
/// more than the twentieth that may be of high priority. Our own.
pub const PRIORITIES_FROM: usize = 20;

/// How a figure stands to the standard's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    Within,
    Above,
    /// There is too little to judge by.
    TooFew,
    /// The standard gives no figure.
    NoTarget,
}

impl Verdict {
    /// Within, if it holds.
    pub fn of(within: bool) -> Self {
        if within { Self::Within } else { Self::Above }
    }

    /// The name in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Above => "above",
            Self::TooFew => "too-few-to-judge",
            Self::NoTarget => "no-target",
        }
    }
}
