//! What is forecast, and why it may not be.

use jiff::Timestamp;

/// When a bed reaches a water content if no water comes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Most likely; `None`: not within [`AHEAD_DAYS`].
    pub at: Option<Timestamp>,
    /// Earliest and latest of an interval that holds four times in five;
    /// `None`: not within [`AHEAD_DAYS`].
    pub from: Option<Timestamp>,
    pub to: Option<Timestamp>,
    pub basis: Basis,
}

/// The water content some days ahead if no water comes, m³/m³.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ahead {
    pub theta: f64,
    /// Interval that holds four times in five.
    pub low: f64,
    pub high: f64,
    /// Interval that holds half of the time.
    pub inner_low: f64,
    pub inner_high: f64,
}

/// Farthest that a forecast looks, days.
pub const AHEAD_DAYS: i32 = 10;

/// What a forecast stands on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Basis {
    pub method: ForecastMethod,
    /// Present water content, m³/m³.
    pub theta: f64,
    /// Fall over the last 24 hours, m³/m³ a day.
    pub fall_a_day: f64,
    /// Days of past drying that the bed's own curve stands on.
    pub days_known: usize,
    /// Drydowns that have come to their end.
    pub drydowns: u32,
    /// What the bed's own past says, where enough of it is known.
    pub curve: Option<CurveBasis>,
    /// Past drydowns whose forecasts the interval stands on.
    pub drydowns_held: usize,
}

/// What the bed's own past says of its drying now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveBasis {
    /// How fast the bed dries now beside its own past.
    pub pace: f64,
    /// Fall a day over the next [`STRAIGHT_DAYS`](super::STRAIGHT_DAYS) days, m³/m³.
    pub fall_a_day: f64,
    /// Part of the say that the line through the last day has beside it.
    pub line_part: f64,
}

/// How a forecast is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ForecastMethod {
    /// A straight line with the fall of the last 24 hours.
    Line,
    /// The bed's own curve at its present pace.
    OwnCurve,
    /// The geometric mean of both: what is used.
    Blend,
}

fn hours_words(hours: i64) -> String {
    if hours == 1 { "1 hour".to_owned() } else { format!("{hours} hours") }
}

/// Why nothing can be forecast.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unknown {
    #[error("no probe has sent a reading yet")]
    NoReadings,
    #[error("no reading for {}", hours_words(*hours))]
    Stale { hours: i64 },
    #[error("only {} since the last water or the first reading; a day is needed", hours_words(*hours))]
    TooEarly { hours: i64 },
    #[error("no reading at this hour yesterday")]
    NoYesterday,
}
