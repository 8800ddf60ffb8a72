//! What the sensors measured: by the hour, by the day, and how well.

use super::{CALENDAR, SETTINGS};
use crate::analysis::Summary;
use crate::analysis::month::{DayOf, Month, SensorMonth};
use crate::history::Bin;
use crate::report::table::CellKind::{Date, Number, Text, Whole};
use crate::report::table::{Describe, Table};
use crate::report::words;

const READINGS: &str = "the stored readings";
const GOOD: &str = "the stored readings that passed every quality check";

/// The columns that say which sensor.
fn of_sensor<'a, R: Copy + 'a>(
    table: Describe<'a, R>,
    sensor: impl Fn(R) -> &'a SensorMonth + Copy + 'a,
) -> Describe<'a, R> {
    table
        .column("sensor", "", Text, move |row| sensor(row).id.as_str())
        .means("the sensor's id", SETTINGS)
        .column("place", "", Text, move |row| sensor(row).place.as_str())
        .means("the bed or tank where it is, or the garden", SETTINGS)
        .column("quantity", "", Text, move |row| sensor(row).measures.name())
        .means("what it measures", SETTINGS)
        .column("unit", "", Text, move |row| sensor(row).measures.unit())
        .means("the unit of mean, min, max and total in this row", SETTINGS)
}

/// Mean, least, greatest and sum of a stretch of time. Of a quantity that adds up the
/// first three are empty, of any other the sum is.
fn figures<'a, R: Copy + 'a>(
    table: Describe<'a, R>,
    figures: impl Fn(R) -> [Option<f64>; 4] + Copy + 'a,
) -> Describe<'a, R> {
    const NO_SUM: &str = "no good reading in that time, or a quantity that does not add up";
    const NO_MEAN: &str = "no good reading in that time, or a quantity that adds up: see total";
    table
        .column("mean", "see unit", Number(3), move |row| figures(row)[0])
        .means("mean of the good readings", GOOD)
        .or_empty(NO_MEAN)
        .column("min", "see unit", Number(3), move |row| figures(row)[1])
        .means("least good reading", GOOD)
        .or_empty(NO_MEAN)
        .column("max", "see unit", Number(3), move |row| figures(row)[2])
        .means("greatest good reading", GOOD)
        .or_empty(NO_MEAN)
        .column("total", "see unit", Number(3), move |row| figures(row)[3])
        .means("sum of the good readings: rain, water used", GOOD)
        .or_empty(NO_SUM)
}

/// How many readings there are: all, good, doubtful and bad ones.
fn counts<'a, R: Copy + 'a>(
    table: Describe<'a, R>,
    doubtful: &'static str,
    bad: &'static str,
    counts: impl Fn(R) -> [u32; 4] + Copy + 'a,
) -> Describe<'a, R> {
    table
        .column("readings", "", Whole, move |row| counts(row)[0])
        .means("readings that arrived", READINGS)
        .column("good", "", Whole, move |row| counts(row)[1])
        .means("of these, good ones", READINGS)
        .column("doubtful", "", Whole, move |row| counts(row)[2])
        .means(doubtful, READINGS)
        .column("bad", "", Whole, move |row| counts(row)[3])
        .means(bad, READINGS)
}

const DOUBTFUL: &str = "of these, doubtful ones; not in the figures";
const BAD: &str = "of these, bad ones or without a value; not in the figures";

/// One row for each sensor and hour with a reading.
pub(super) fn hourly(month: &Month) -> Table {
    Describe::<(&SensorMonth, &Bin)>::new(
        "readings_hourly",
        "The readings of each sensor in each hour of the garden's clock. An hour without a reading has no row.",
    )
    .moment("time", |(_, bin)| bin.start)
    .means("beginning of the hour", CALENDAR)
    .with(|table| of_sensor(table, |(sensor, _)| sensor))
    .with(|table| figures(table, |(sensor, bin)| bin.figures(sensor.measures.adds_up())))
    .with(|table| counts(table, DOUBTFUL, BAD, |(_, bin)| [bin.readings, bin.good, bin.suspect, bin.bad]))
    .rows(month.sensors.iter().flat_map(|sensor| sensor.hours.iter().map(move |bin| (sensor, bin))))
}

/// One row for each sensor and day.
pub(super) fn daily(month: &Month) -> Table {
    daily_of(&month.sensors)
}

/// The same of some sensors.
pub(in crate::report) fn daily_of(sensors: &[SensorMonth]) -> Table {
    Describe::<(&SensorMonth, &DayOf)>::new("daily", "The readings of each sensor on each day.")
        .column("date", "", Date, |(_, day)| day.date)
        .means("the day, from midnight to midnight", CALENDAR)
        .with(|table| of_sensor(table, |(sensor, _)| sensor))
        .with(|table| {
            figures(table, |(sensor, day)| {
                let level = |figure: Option<f64>| figure.filter(|_| !sensor.measures.adds_up());
                [level(day.mean), level(day.min), level(day.max), day.total]
            })
        })
        .with(|table| counts(table, DOUBTFUL, BAD, |(_, day)| [day.readings, day.good, day.suspect, day.bad]))
        .rows(sensors.iter().flat_map(|sensor| sensor.days.iter().map(move |day| (sensor, day))))
}

/// One row for each sensor.
pub(super) fn quality(month: &Month) -> Table {
    const NO_GAP: &str = "no gap longer than three of its intervals and five minutes";
    const NO_GOOD: &str = "no good reading";
    type Figure = fn(Summary) -> f64;
    const IN_NONE: [&str; 2] =
        ["of these, doubtful ones; in no figure", "of these, bad ones or without a value; in no figure"];
    let table = Describe::<&SensorMonth>::new(
        "quality",
        "How complete and how good each sensor's month is, and its readings in short.",
    )
    .with(|table| of_sensor(table, |it| it))
    .column("expected", "", Whole, |it| it.expected)
    .means("readings that its interval promises for the time", SETTINGS)
    .with(|table| counts(table, IN_NONE[0], IN_NONE[1], |it| [it.readings, it.good, it.suspect, it.bad]))
    .column("complete_percent", "%", Number(1), |it| (it.expected > 0).then(|| it.complete() * 100.0))
    .means("good readings in a hundred expected, 100 at most", READINGS)
    .or_empty("no reading was expected")
    .moment("gap_from", |it| it.longest_gap.map(|gap| gap.0))
    .means("beginning of the longest time without a good reading", READINGS)
    .or_empty(NO_GAP)
    .moment("gap_to", |it| it.longest_gap.map(|gap| gap.1))
    .means("its end", READINGS)
    .or_empty(NO_GAP)
    .column("gap_hours", "h", Number(1), |it| it.longest_gap.map(|(from, to)| words::hours_between(from, to)))
    .means("its length", READINGS)
    .or_empty(NO_GAP)
    .column("mean", "see unit", Number(3), |it| it.summary.map(|it| it.mean))
    .means("mean of all good readings", GOOD)
    .or_empty(NO_GOOD)
    .column("deviation", "see unit", Number(3), |it| it.summary.and_then(|it| it.deviation))
    .means("standard deviation of the good readings (divisor n - 1)", GOOD)
    .or_empty("fewer than two good readings");
    let picks: [(&str, &str, Figure); 5] = [
        ("min", "least good reading", |it| it.min),
        ("lower_quartile", "a quarter of the good readings are below this", |it| it.lower_quartile),
        ("median", "half of the good readings are below this", |it| it.median),
        ("upper_quartile", "three quarters of the good readings are below this", |it| it.upper_quartile),
        ("max", "greatest good reading", |it| it.max),
    ];
    picks
        .into_iter()
        .fold(table, |table, (name, meaning, pick)| {
            table
                .column(name, "see unit", Number(3), move |it| it.summary.map(pick))
                .means(meaning, GOOD)
                .or_empty(NO_GOOD)
        })
        .rows(&month.sensors)
}
