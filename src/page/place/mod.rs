//! Pages of a bed, a tank and the rain over a day, a week, a month or a year.
//!
//! Each page reads the record in steps that suit what it shows: single readings of a
//! day, hours of a week and a month, days of a year. Charts are made as values and
//! drawn by [`crate::chart`].

mod ahead;
mod bed;
mod bed_chart;
mod bed_water;
mod bed_year;
mod events;
mod guide;
mod months_beside;
mod older;
mod rain;
mod rain_months;
mod reader;
mod series;
mod shared;
mod span;
mod tank;
mod tank_chart;
mod wettings;

pub(super) use ahead::look_ahead;
pub(super) use bed::bed;
pub(super) use rain::rain;
pub(super) use tank::tank;
pub(super) use wettings::WettingCache;
