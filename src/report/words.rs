//! Names, numbers and times of the report in words.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::analysis::month::{Month, SensorMonth, WaterBand, WaterSource};
use crate::model::{CalendarMonth, Id};
use crate::text::labels::with_unit;
pub(super) use crate::text::labels::{NOT_KNOWN, percent, quantity};
use crate::text::spoken;
pub(super) use crate::text::spoken::counted;
use crate::watering::minute_of_day;

/// "April 2026".
pub fn month_name(which: CalendarMonth) -> String {
    let name = spoken::month(which.month);
    format!("{} {}", if name.is_empty() { "?" } else { name }, which.year)
}

/// A number with so many digits behind the point; "not known" where it is none.
pub(super) fn number(number: f64, decimals: usize) -> String {
    with_unit(number, decimals, "")
}

/// The same with its unit where it may not be known.
pub(super) fn known(it: Option<f64>, decimals: usize, unit: &str) -> String {
    with_unit(it.unwrap_or(f64::NAN), decimals, unit)
}

/// "Wednesday 1 April".
pub(super) fn day(date: Date) -> String {
    spoken::day(date)
}

/// "Wednesday 1 April, 2:30 pm", in the site's own time.
pub(super) fn moment(at: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(at);
    format!("{}, {}", day(local.date()), spoken::clock(minute_of_day(local)))
}

/// "Wednesday 1 April 2026, 2:30 pm ACST".
pub(super) fn full_moment(at: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(at);
    let (date, clock) = (local.date(), spoken::clock(minute_of_day(local)));
    let name = at.to_zoned_datetime(zone.clone()).strftime("%Z").to_string();
    format!("{} {}, {clock} {name}", day(date), date.year())
}

/// A stretch of time between two moments: "45 minutes", "7 h 30 min", "3 days".
pub(super) fn stretch(from: Timestamp, to: Timestamp) -> String {
    spoken::duration(to.duration_since(from).as_secs())
}

/// Hours between two moments.
pub(super) fn hours_between(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64() / 3600.0
}

/// A band as people say it.
pub(super) fn band(band: WaterBand) -> &'static str {
    match band {
        WaterBand::BelowWilting => "below wilting point",
        WaterBand::Dry => "dry",
        WaterBand::Moist => "moist",
        WaterBand::Wet => "wet",
    }
}

pub(super) fn cause(cause: WaterSource) -> &'static str {
    match cause {
        WaterSource::Rain => "rain",
        WaterSource::Watering => "watering",
        WaterSource::Both => "rain and watering",
        WaterSource::Unknown => "cause not known",
    }
}

/// The name of a place of the month; its id where it has none.
pub(super) fn place(month: &Month, id: &Id) -> String {
    let bed = month.beds.iter().find(|bed| bed.id == *id).map(|bed| bed.name.clone());
    let tank = || month.tanks.iter().find(|tank| tank.id == *id).map(|tank| tank.name.clone());
    bed.or_else(tank).unwrap_or_else(|| id.to_string())
}

/// A sensor with its place: "kitchen-15cm (Kitchen bed)".
pub(super) fn sensor(month: &Month, sensor: &SensorMonth) -> String {
    let place = if sensor.place == month.name { "whole garden" } else { sensor.place.as_str() };
    format!("{} ({place})", sensor.id)
}

/// Where an entry of the log belongs.
pub(super) fn log_place(month: &Month, id: Option<&Id>) -> String {
    id.map_or_else(|| "whole garden".to_owned(), |id| place(month, id))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn months_are_named_and_a_month_that_is_none_is_no_panic() {
        assert_eq!(month_name(CalendarMonth { year: 2026, month: 4 }), "April 2026");
        for month in [0, 13, -1, i8::MIN, i8::MAX] {
            assert_eq!(month_name(CalendarMonth { year: 1, month }), "? 1");
        }
    }

    #[test]
    fn stretches_of_time_are_said_in_a_fitting_unit() {
        let minutes = |minutes| {
            stretch(Timestamp::UNIX_EPOCH, Timestamp::UNIX_EPOCH + jiff::SignedDuration::from_mins(minutes))
        };
        assert_eq!([15, 450, 4620].map(minutes), ["15 minutes", "7 h 30 min", "3 days"]);
        assert_eq!(number(-0.01, 1), "0.0");
        assert_eq!(number(f64::NAN, 1), NOT_KNOWN);
    }
}
