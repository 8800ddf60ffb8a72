//! What happened at a place: entries of the log and alarms, as marks on a chart.

use super::span::ShownSpan;
use crate::alarms::State;
use crate::chart::{Event, Sign};
use crate::garden::log::LogEvent;
use crate::garden::plan::{Garden, place_called};
use crate::model::Id;
use crate::store::{AlarmRow, LogRow};
use crate::text::labels;

/// Marks on one chart; where there are more, those of a day are put together.
const MARKS_MAX: usize = 40;
/// Characters of the words of marks that were put together.
const WORDS_MAX: usize = 240;

/// Characters of a note that are shown.
const NOTE_SHOWN: usize = 160;

/// The log up to the present, and the steps of alarms of the span.
#[derive(Clone, Debug)]
pub(super) struct PlaceEvents {
    pub(super) log: Vec<LogRow>,
    pub(super) steps: Vec<AlarmRow>,
}

impl PlaceEvents {
    /// The entries of a place, and of the whole garden where `whole`.
    pub(super) fn entries(&self, place: &Id, whole: bool) -> Vec<&LogRow> {
        let of = |row: &&LogRow| match &row.entry.place {
            Some(own) => own == place,
            None => whole,
        };
        self.log.iter().filter(of).collect()
    }

    /// The entries of a place and its sensors within the span as marks.
    pub(super) fn log_marks(&self, place: &Id, sensors: &[&Id], shown: &ShownSpan) -> Vec<Event> {
        let of_sensors = |row: &&LogRow| row.entry.place.as_ref().is_some_and(|own| sensors.contains(&own));
        let entries = self.entries(place, true).into_iter().chain(self.log.iter().filter(of_sensors));
        let entries = entries.filter(|row| shown.holds(row.entry.at));
        let marks = entries.map(|row| Event {
            at: row.entry.at,
            sign: sign(&row.entry.what),
            words: entry_words(row),
        });
        few(marks.collect(), shown)
    }

    /// The alarms of some places and sensors that were raised within the span.
    pub(super) fn alarm_marks(&self, ids: &[&Id], garden: &Garden, shown: &ShownSpan) -> Vec<Event> {
        let raised = |step: &&AlarmRow| {
            step.record.state == State::Unacknowledged
                && step.from != Some(State::Acknowledged)
                && ids.contains(&&step.record.key.place)
        };
        let marks = self.steps.iter().filter(raised).map(|AlarmRow { record, .. }| Event {
            at: record.at,
            sign: Sign::Alarm,
            words: format!("{}: {}", place_called(garden, &record.key.place), labels::kind(record.key.kind)),
        });
        few(marks.collect(), shown)
    }
}

fn sign(seen: &LogEvent) -> Sign {
    match seen {
        LogEvent::Watered { .. } | LogEvent::TimerRan => Sign::Water,
        LogEvent::Rained => Sign::Rain,
        LogEvent::MulchLaid { .. } | LogEvent::MulchMeasured { .. } => Sign::Mulch,
        LogEvent::Planted { .. } => Sign::Planting,
        LogEvent::FishAdded { .. }
        | LogEvent::FishLost { .. }
        | LogEvent::Fed { .. }
        | LogEvent::Bag { .. } => Sign::Fish,
        _ => Sign::Person,
    }
}

/// As they are where they are few, else one for each day and shape.
fn few(mut marks: Vec<Event>, shown: &ShownSpan) -> Vec<Event> {
    if marks.len() <= MARKS_MAX {
        return marks;
    }
    let key = |mark: &Event| (shown.zone.to_datetime(mark.at).date(), mark.sign as u8);
    marks.sort_by_key(|mark| (key(mark), mark.at));
    let together = |marks: &[Event]| {
        let all: Vec<&str> = marks.iter().map(|mark| mark.words.as_str()).collect();
        Event { words: labels::shown(&all.join("; "), WORDS_MAX), ..marks[0].clone() }
    };
    let mut days: Vec<Event> = marks.chunk_by(|a, b| key(a) == key(b)).map(together).collect();
    days.sort_by_key(|mark| mark.at);
    days
}

/// An entry of the log with its note.
pub(super) fn entry_words(row: &LogRow) -> String {
    let note = labels::shown(row.entry.note.trim(), NOTE_SHOWN);
    let what = labels::shown(&row.entry.what.words(), NOTE_SHOWN);
    match (row.entry.what == LogEvent::Note, note.is_empty()) {
        (_, true) => what,
        (true, false) => note,
        (false, false) => format!("{what} ({note})"),
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;
    use jiff::tz::TimeZone;

    use super::super::span::SpanLength;
    use super::*;

    #[test]
    fn many_marks_of_a_day_become_one_of_each_shape() {
        let now = "2026-04-17T05:30:00Z".parse().expect("a time");
        let shown =
            ShownSpan::new(SpanLength::Month, "2026-04-17".parse().expect("a date"), now, &TimeZone::UTC);
        let mark = |i: i64, sign| Event {
            at: Timestamp::from_second(now.as_second() - 6 * 3600 * i).expect("in range"),
            sign,
            words: format!("fed {i} g"),
        };
        let marks: Vec<Event> =
            (0..80).map(|i| mark(i, if i % 9 == 0 { Sign::Alarm } else { Sign::Fish })).collect();
        let got = few(marks.clone(), &shown);
        assert!(got.len() < 40 && got.is_sorted_by_key(|mark| mark.at), "{}", got.len());
        assert!(got.iter().any(|mark| mark.sign == Sign::Alarm));
        assert_eq!(few(marks[..40].to_vec(), &shown).len(), 40);
    }
}
