//! Pages of a bed, a tank and the rain over a day, a week, a month or a year.
//!
//! Each page reads the record in steps that suit what it shows: single readings of a
//! day, hours of a week and a month, days of a year. Charts are made as values and
//! drawn by [`crate::chart`].

mod asked;
mod bed;
mod bed_chart;
mod bed_water;
mod guide;
mod happened;
mod hours;
mod rain;
mod rain_months;
mod series;
mod shared;
mod tank;
mod tank_chart;

pub(super) use bed::bed;
pub(super) use hours::Hours;
pub(super) use rain::rain;
pub(super) use tank::tank;
