//! What the sensors said: by the hour, by the day, and how well.

use super::moment;
use crate::analysis::month::{Month, SensorMonth};
use crate::model::Quantity;
use crate::report::table::{Cell, Column, Kind, Table, column};
use crate::report::words;

const SETTINGS: &str = "the garden's settings";
const READINGS: &str = "the stored readings";
const GOOD: &str = "the stored readings that passed every quality check";
const NO_SUM: &str = "no good reading in that time, or a quantity that does not add up";
const NO_MEAN: &str = "no good reading in that time, or a quantity that adds up: see total";

fn sensor_columns() -> Vec<Column> {
    vec![
        column("sensor", "", Kind::Text, "the sensor's id", SETTINGS),
        column("place", "", Kind::Text, "the bed or tank where it is, or the garden", SETTINGS),
        column("quantity", "", Kind::Text, "what it measures", SETTINGS),
        column("unit", "", Kind::Text, "the unit of mean, min, max and total in this row", SETTINGS),
    ]
}

/// The columns of a stretch of time.
fn figure_columns() -> Vec<Column> {
    vec![
        column("mean", "see unit", Kind::Number(3), "mean of the good readings", GOOD).or_empty(NO_MEAN),
        column("min", "see unit", Kind::Number(3), "least good reading", GOOD).or_empty(NO_MEAN),
        column("max", "see unit", Kind::Number(3), "greatest good reading", GOOD).or_empty(NO_MEAN),
        column("total", "see unit", Kind::Number(3), "sum of the good readings: rain, water used", GOOD)
            .or_empty(NO_SUM),
    ]
}

/// One row for each sensor and hour with a reading.
pub(super) fn hourly(month: &Month) -> Table {
    let mut columns: Vec<Column> = moment("time", "beginning of the hour", "the calendar").into();
    columns.extend(sensor_columns());
    columns.extend(figure_columns());
    columns.extend([
        column("readings", "", Kind::Whole, "readings that arrived", READINGS),
        column("good", "", Kind::Whole, "of these, good ones", READINGS),
        column("doubtful", "", Kind::Whole, "of these, doubtful ones; not in the figures", READINGS),
        column("bad", "", Kind::Whole, "of these, bad ones or without a value; not in the figures", READINGS),
    ]);
    let rows = month.sensors.iter().flat_map(|sensor| {
        sensor.hours.iter().map(move |bin| {
            let sums = adds_up(sensor);
            let (min, max) = bin.range().unzip();
            let plain = |number: Option<f64>| Cell::number(number.filter(|_| !sums));
            vec![
                Cell::Moment(bin.start),
                Cell::Moment(bin.start),
                Cell::text(sensor.id.as_str()),
                Cell::text(&sensor.place),
                Cell::text(sensor.measures.name()),
                Cell::text(sensor.measures.unit()),
                plain(bin.mean()),
                plain(min),
                plain(max),
                Cell::number((sums && bin.good > 0).then_some(bin.sum)),
                Cell::whole(bin.readings),
                Cell::whole(bin.good),
                Cell::whole(bin.suspect),
                Cell::whole(bin.bad),
            ]
        })
    });
    Table {
        name: "readings_hourly",
        about: "What each sensor said in each hour of the garden's clock. An hour without a reading has no row.",
        columns,
        rows: rows.collect(),
    }
}

/// One row for each sensor and day.
pub(super) fn daily(month: &Month) -> Table {
    let mut columns =
        vec![column("date", "", Kind::Date, "the day, from midnight to midnight", "the calendar")];
    columns.extend(sensor_columns());
    columns.extend(figure_columns());
    columns.extend([
        column("readings", "", Kind::Whole, "readings that arrived", READINGS),
        column("good", "", Kind::Whole, "of these, good ones", READINGS),
        column("doubtful", "", Kind::Whole, "of these, doubtful ones; not in the figures", READINGS),
        column("bad", "", Kind::Whole, "of these, bad ones or without a value; not in the figures", READINGS),
    ]);
    let rows = month.sensors.iter().flat_map(|sensor| {
        sensor.days.iter().map(move |day| {
            let plain = |number: Option<f64>| Cell::number(number.filter(|_| !adds_up(sensor)));
            vec![
                Cell::Date(day.date),
                Cell::text(sensor.id.as_str()),
                Cell::text(&sensor.place),
                Cell::text(sensor.measures.name()),
                Cell::text(sensor.measures.unit()),
                plain(day.mean),
                plain(day.min),
                plain(day.max),
                Cell::number(day.total),
                Cell::whole(day.readings),
                Cell::whole(day.good),
                Cell::whole(day.suspect),
                Cell::whole(day.bad),
            ]
        })
    });
    Table { name: "daily", about: "What each sensor said on each day.", columns, rows: rows.collect() }
}

/// One row for each sensor.
pub(super) fn quality(month: &Month) -> Table {
    let mut columns = sensor_columns();
    columns.extend([
        column("expected", "", Kind::Whole, "readings that its interval promises for the time", SETTINGS),
        column("readings", "", Kind::Whole, "readings that arrived", READINGS),
        column("good", "", Kind::Whole, "of these, good ones", READINGS),
        column("doubtful", "", Kind::Whole, "of these, doubtful ones; in no figure", READINGS),
        column("bad", "", Kind::Whole, "of these, bad ones or without a value; in no figure", READINGS),
        column(
            "complete_percent",
            "%",
            Kind::Number(1),
            "good readings in a hundred expected, 100 at most",
            READINGS,
        )
        .or_empty("no reading was expected"),
    ]);
    const NO_GAP: &str = "no gap longer than three of its intervals and five minutes";
    for end in ["from", "to"] {
        let meaning =
            if end == "from" { "beginning of the longest time without a good reading" } else { "its end" };
        columns.extend(moment(&format!("gap_{end}"), meaning, READINGS).map(|it| it.or_empty(NO_GAP)));
    }
    columns.push(column("gap_hours", "h", Kind::Number(1), "its length", READINGS).or_empty(NO_GAP));
    for (name, meaning) in [
        ("mean", "mean of all good readings"),
        ("deviation", "standard deviation of the good readings (divisor n - 1)"),
        ("min", "least good reading"),
        ("lower_quartile", "a quarter of the good readings are below this"),
        ("median", "half of the good readings are below this"),
        ("upper_quartile", "three quarters of the good readings are below this"),
        ("max", "greatest good reading"),
    ] {
        let missing = if name == "deviation" { "fewer than two good readings" } else { "no good reading" };
        columns.push(column(name, "see unit", Kind::Number(3), meaning, GOOD).or_empty(missing));
    }
    let rows = month.sensors.iter().map(|sensor| {
        let gap = sensor.longest_gap;
        let summary = sensor.summary;
        let of = |pick: fn(crate::analysis::Summary) -> f64| Cell::number(summary.map(pick));
        vec![
            Cell::text(sensor.id.as_str()),
            Cell::text(&sensor.place),
            Cell::text(sensor.measures.name()),
            Cell::text(sensor.measures.unit()),
            Cell::whole(sensor.expected),
            Cell::whole(sensor.readings),
            Cell::whole(sensor.good),
            Cell::whole(sensor.suspect),
            Cell::whole(sensor.bad),
            Cell::number((sensor.expected > 0).then(|| sensor.complete() * 100.0)),
            Cell::moment(gap.map(|gap| gap.0)),
            Cell::moment(gap.map(|gap| gap.0)),
            Cell::moment(gap.map(|gap| gap.1)),
            Cell::moment(gap.map(|gap| gap.1)),
            Cell::number(gap.map(|(from, to)| words::hours_between(from, to))),
            of(|it| it.mean),
            Cell::number(summary.and_then(|it| it.deviation)),
            of(|it| it.min),
            of(|it| it.lower_quartile),
            of(|it| it.median),
            of(|it| it.upper_quartile),
            of(|it| it.max),
        ]
    });
    Table {
        name: "quality",
        about: "How complete and how good each sensor's month is, and its readings in short.",
        columns,
        rows: rows.collect(),
    }
}

/// Whether values of a sensor add up over time.
fn adds_up(sensor: &SensorMonth) -> bool {
    matches!(sensor.measures, Quantity::Rain | Quantity::WaterFlow)
}
