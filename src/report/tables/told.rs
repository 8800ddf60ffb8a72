//! What people wrote down, and which alarms were raised.

use std::collections::BTreeSet;

use jiff::Timestamp;

use crate::analysis::month::Month;
use crate::garden::log::LogEntry;
use crate::garden::log_entry;
use crate::report::table::CellKind::{Number, Text};
use crate::report::table::{Describe, Table};
use crate::report::words;

const LOG: &str = "the garden's log";
const HISTORY: &str = "the alarm's history";

/// One row for each entry. Numbers have columns of their own, for those names that
/// come up in the month.
pub(super) fn log(month: &Month, notes: bool) -> Table {
    let names: BTreeSet<&'static str> =
        month.log.iter().flat_map(|entry| entry.what.numbers()).map(|(name, _)| name).collect();
    let mut table =
        Describe::<&LogEntry>::new("log", "What people saw and did in the garden, as they wrote it down.")
            .moment("time", |entry| entry.at)
            .means("when it was seen or done", LOG)
            .column("place", "", Text, |entry| words::log_place(month, entry.place.as_ref()))
            .means("the bed or tank, or the whole garden", LOG)
            .column("what", "", Text, |entry| entry.what.name())
            .means("what kind of entry it is", LOG)
            .column("words", "", Text, |entry| entry.what.words())
            .means("the entry in words", LOG);
    for name in names {
        let (unit, meaning) =
            log_entry::number(name).map_or(("", "a number of the entry"), |it| (it.symbol, it.meaning));
        let number = move |entry: &LogEntry| {
            entry.what.numbers().iter().find(|(known, _)| *known == name).map(|(_, number)| *number)
        };
        table = table
            .column(name, unit, Number(2), number)
            .means(meaning, LOG)
            .or_empty("not part of this entry");
    }
    if notes {
        table = table
            .column("note", "", Text, |entry| entry.note.as_str())
            .means("the words of whoever wrote it", LOG)
            .or_empty("nothing was added");
    }
    table.rows(&month.log)
}

/// One row for each alarm that was raised.
pub(super) fn alarms(month: &Month) -> Table {
    Describe::<&(Timestamp, String, String)>::new("alarms", "The alarms that were raised.")
        .moment("time", |(at, _, _)| *at)
        .means("when it was raised", HISTORY)
        .column("alarm", "", Text, |(_, kind, _)| kind.as_str())
        .means("what was wrong", HISTORY)
        .column("place", "", Text, |(_, _, place)| place.as_str())
        .means("where", HISTORY)
        .rows(&month.alarms)
}
