//! Alarms held against what truly happened.

use std::collections::BTreeMap;
use std::fmt;

use garden_simulator::{TrueEvent, Truth};
use jiff::{SignedDuration, Timestamp};
use trug::garden::record::AlarmChange;

/// An alarm that somebody was told of.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Told {
    pub kind: String,
    pub place: String,
    /// When it was raised, by the readings' time.
    pub at: Timestamp,
    /// When its condition was over; `None`: it never was.
    pub until: Option<Timestamp>,
}

/// The alarms of a history of changes: kind, place, the state that was entered,
/// and when.
pub fn told(changes: &[AlarmChange]) -> Vec<Told> {
    let steps = changes
        .iter()
        .map(|c| (c.record.key.kind.name(), c.record.key.place.as_str(), c.record.state.name(), c.record.at));
    told_of(steps)
}

/// The same from the names of kinds, places and states.
pub fn told_of<'a>(changes: impl IntoIterator<Item = (&'a str, &'a str, &'a str, Timestamp)>) -> Vec<Told> {
    let mut all: Vec<Told> = Vec::new();
    for (kind, place, to, at) in changes {
        let mine = |alarm: &&mut Told| alarm.kind == kind && alarm.place == place && alarm.until.is_none();
        match to {
            "unacknowledged" => {
                all.push(Told { kind: kind.to_owned(), place: place.to_owned(), at, until: None });
            }
            "returned-unacknowledged" | "latched-unacknowledged" | "normal" => {
                if let Some(alarm) = all.iter_mut().rev().find(mine) {
                    alarm.until = Some(at);
                }
            }
            _ => {}
        }
    }
    all
}

/// One kind's score.
#[derive(Clone, Debug, Default)]
pub struct Line {
    /// True events that have to be told.
    pub must: usize,
    pub found: usize,
    /// Alarms that belong to borderline events: neither right nor wrong.
    pub borderline: usize,
    pub missed: Vec<TrueEvent>,
    pub false_alarms: Vec<Told>,
    /// From the event's beginning to its alarm, the longest.
    pub delay_max: SignedDuration,
    /// And each of them.
    pub delays: Vec<SignedDuration>,
}

impl Line {
    /// The middle one of the delays.
    pub fn delay_median(&self) -> SignedDuration {
        let mut delays = self.delays.clone();
        delays.sort_unstable();
        delays.get(delays.len() / 2).copied().unwrap_or_default()
    }
}

/// The score of one run, or of several added up.
#[derive(Clone, Debug, Default)]
pub struct Score {
    pub kinds: BTreeMap<String, Line>,
}

/// An alarm may come this long after its event's end: delays and the two hours
/// that a rise must stand.
const AFTER: SignedDuration = SignedDuration::from_hours(4);
/// And so much before its beginning, by which the borderline was passed.
const BEFORE: SignedDuration = SignedDuration::from_mins(15);

impl Score {
    /// Holds the alarms of a run against its truth.
    pub fn of(truth: &Truth, told: &[Told]) -> Self {
        let mut score = Self::default();
        let belongs = |event: &TrueEvent, alarm: &Told| {
            event.kind == alarm.kind
                && event.place == alarm.place
                && alarm.at >= event.from - BEFORE
                && alarm.at <= event.to + AFTER
        };
        for event in truth.events.iter().filter(|e| e.must) {
            let line = score.kinds.entry(event.kind.clone()).or_default();
            line.must += 1;
            // An alarm that was raised by a lesser event just before and still stands
            // has been told; it is not told again.
            let stands = |alarm: &Told| {
                event.kind == alarm.kind
                    && event.place == alarm.place
                    && alarm.at < event.from
                    && alarm.until.is_none_or(|until| until > event.from)
            };
            match told
                .iter()
                .filter(|alarm| belongs(event, alarm) || stands(alarm))
                .map(|alarm| alarm.at)
                .min()
            {
                Some(at) => {
                    line.found += 1;
                    line.delay_max = line.delay_max.max(at.duration_since(event.from));
                    line.delays.push(at.duration_since(event.from));
                }
                None => line.missed.push(event.clone()),
            }
        }
        for alarm in told {
            let line = score.kinds.entry(alarm.kind.clone()).or_default();
            let mut events = truth.events.iter().filter(|event| belongs(event, alarm)).peekable();
            if events.peek().is_none() {
                line.false_alarms.push(alarm.clone());
            } else if !events.any(|event| event.must) {
                line.borderline += 1;
            }
        }
        score
    }

    /// Adds another run's.
    pub fn add(&mut self, other: Self) {
        for (kind, line) in other.kinds {
            let mine = self.kinds.entry(kind).or_default();
            mine.must += line.must;
            mine.found += line.found;
            mine.borderline += line.borderline;
            mine.missed.extend(line.missed);
            mine.false_alarms.extend(line.false_alarms);
            mine.delay_max = mine.delay_max.max(line.delay_max);
            mine.delays.extend(line.delays);
        }
    }

    /// Whether every true event was told and nothing else.
    pub fn is_perfect(&self) -> bool {
        self.kinds.values().all(|line| line.missed.is_empty() && line.false_alarms.is_empty())
    }

    /// Events that have to be told, over all kinds.
    pub fn must(&self) -> usize {
        self.kinds.values().map(|line| line.must).sum()
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<24}{:>6}{:>7}{:>7}{:>12}{:>14}{:>14}",
            "kind", "true", "found", "false", "borderline", "median delay", "longest delay"
        )?;
        for (kind, line) in &self.kinds {
            let delay = format!("{} min", line.delay_max.as_mins());
            let middle = format!("{} min", line.delay_median().as_mins());
            writeln!(
                f,
                "{kind:<24}{:>6}{:>7}{:>7}{:>12}{middle:>14}{delay:>14}",
                line.must,
                line.found,
                line.false_alarms.len(),
                line.borderline
            )?;
        }
        for line in self.kinds.values() {
            for event in &line.missed {
                writeln!(
                    f,
                    "  missed: {} {} from {} to {} ({})",
                    event.kind, event.place, event.from, event.to, event.note
                )?;
            }
            for alarm in &line.false_alarms {
                writeln!(f, "  false: {} {} at {}", alarm.kind, alarm.place, alarm.at)?;
            }
        }
        Ok(())
    }
}
