//! The words that every room shares: ids, quantities, places, local hours,
//! months and samples. It imports nothing of the other rooms.

mod calendar_month;
mod heard_span;
mod id;
mod kept_time;
mod local_hours;
mod names;
mod place;
mod quantity;
mod sample;
mod time;
mod timed_value;

pub use calendar_month::CalendarMonth;
pub(crate) use heard_span::HeardSpan;
pub use id::Id;
pub(crate) use kept_time::KeptTime;
pub use local_hours::{LocalHours, WEEK, clock, minute_of_day};
pub(crate) use names::names;
pub use place::{Condition, Place};
pub use quantity::{MeasuredIn, Quantity, Surroundings};
pub use sample::{Sample, SensorIx, TimeFrom};
pub(crate) use time::add_seconds;
pub(crate) use timed_value::{HourlyContents, PackedContent, RecentContents, TimedValue, push_tight};
