//! What people wrote down, and which alarms were raised.

use std::collections::BTreeSet;

use super::moment;
use crate::analysis::month::Month;
use crate::garden::log::LogEntry;
use crate::report::table::{Cell, Kind, Table, column};
use crate::report::words;

const LOG: &str = "the garden's log";

/// One row for each entry. Numbers have columns of their own, for those names that
/// come up in the month.
pub(super) fn log(month: &Month, notes: bool) -> Table {
    let entries: Vec<(&LogEntry, Vec<(&'static str, f64)>)> =
        month.log.iter().map(|entry| (entry, entry.what.numbers())).collect();
    let names: BTreeSet<&'static str> =
        entries.iter().flat_map(|(_, numbers)| numbers.iter().map(|(name, _)| *name)).collect();
    let mut columns: Vec<_> = moment("time", "when it was seen or done", LOG).into();
    columns.extend([
        column("place", "", Kind::Text, "the bed or tank, or the whole garden", LOG),
        column("what", "", Kind::Text, "what kind of entry it is", LOG),
        column("words", "", Kind::Text, "the entry in words", LOG),
    ]);
    for name in &names {
        let (unit, meaning) = number_words(name);
        columns.push(column(*name, unit, Kind::Number(2), meaning, LOG).or_empty("not part of this entry"));
    }
    if notes {
        columns.push(
            column("note", "", Kind::Text, "the words of whoever wrote it", LOG)
                .or_empty("nothing was added"),
        );
    }
    let rows = entries.iter().map(|(entry, numbers)| {
        let mut row = vec![
            Cell::Moment(entry.at),
            Cell::Moment(entry.at),
            Cell::text(words::log_place(month, entry.place.as_ref())),
            Cell::text(entry.what.name()),
            Cell::text(entry.what.words()),
        ];
        row.extend(names.iter().map(|name| {
            Cell::number(numbers.iter().find(|(known, _)| known == name).map(|(_, number)| *number))
        }));
        if notes {
            row.push(Cell::text(&entry.note));
        }
        row
    });
    Table {
        name: "log",
        about: "What people saw and did in the garden, as they wrote it down.",
        columns,
        rows: rows.collect(),
    }
}

/// The unit and the meaning of a number of the log.
fn number_words(name: &str) -> (&'static str, &'static str) {
    match name {
        "temperature_c" => ("°C", "temperature of the water"),
        "ph" => ("", "pH of the water"),
        "ammonia_mg_l" => ("mg/L", "total ammonia as nitrogen"),
        "nitrite_mg_l" => ("mg/L", "nitrite as nitrogen"),
        "nitrate_mg_l" => ("mg/L", "nitrate as nitrogen"),
        "oxygen_mg_l" => ("mg/L", "dissolved oxygen"),
        "depth_mm" => ("mm", "depth of the mulch"),
        "seconds" => ("s", "time that a drop of water took to go into dry soil"),
        "molarity" => ("mol/L", "weakest ethanol solution that goes in within ten seconds"),
        "litres" => ("L", "water given"),
        "kg" => ("kg", "mass of the harvest"),
        "count" => ("", "how many fish"),
        "grams_each" => ("g", "mass of one fish"),
        "grams" => ("g", "feed given"),
        "hours" => ("h", "how long it takes"),
        _ => ("", "a number of the entry"),
    }
}

/// One row for each alarm that was raised.
pub(super) fn alarms(month: &Month) -> Table {
    let mut columns: Vec<_> = moment("time", "when it was raised", "the alarm's history").into();
    columns.extend([
        column("alarm", "", Kind::Text, "what was wrong", "the alarm's history"),
        column("place", "", Kind::Text, "where", "the alarm's history"),
    ]);
    let rows = month.alarms.iter().map(|(at, kind, place)| {
        vec![Cell::Moment(*at), Cell::Moment(*at), Cell::text(kind), Cell::text(place)]
    });
    Table { name: "alarms", about: "The alarms that were raised.", columns, rows: rows.collect() }
}
