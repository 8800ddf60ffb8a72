//! A garden's core at work in the test's own process, and everything that it judged.

use std::collections::BTreeMap;
use std::sync::Arc;

use garden_simulator::{Emission, Scenario, School, Simulation, Truth};
use jiff::Timestamp;
use trug::alarms::{AlarmKey, AlarmNote, AlarmRecord, Answer, Answered, Input, Kind, State};
use trug::engine::{RawMessage, Router};
use trug::garden::log::{LogEntry, LogEvent};
use trug::garden::plan::Garden;
use trug::garden::record::{AlarmChange, Batch, Reading};
use trug::garden::system::health::SystemHealth;
use trug::garden::view::SiteView;
use trug::garden::{Clock, Core};
use trug::model::Id;
use trug::model::Sample;
use trug::model::SensorIx;

use super::garden::garden_of;

/// One garden, and what came of the readings, answers and entries that it was given.
pub(crate) struct Run {
    pub(crate) garden: Arc<Garden>,
    clock: Clock,
    pub(crate) router: Router,
    pub(crate) rows: Vec<Reading>,
    pub(crate) changes: Vec<AlarmChange>,
    pub(crate) notes: Vec<AlarmNote>,
    /// Messages that could not be read or placed.
    pub(crate) refused: usize,
}

impl Run {
    /// The garden of a file; time is that of the readings.
    pub(crate) fn new(text: &str) -> Self {
        Self::by(Clock::Readings, text)
    }

    pub(crate) fn by(clock: Clock, text: &str) -> Self {
        let garden = garden_of(text);
        let router = Router::new(std::slice::from_ref(&garden), clock);
        Self { garden, clock, router, rows: vec![], changes: vec![], notes: vec![], refused: 0 }
    }

    pub(crate) fn core(&self) -> &Core {
        &self.router.core
    }

    /// What the page would show of the garden.
    pub(crate) fn view(&self) -> SiteView {
        self.core().view(self.garden.site.id.as_str()).expect("the site")
    }

    /// Keeps what `act` makes of the garden.
    fn keep<T>(&mut self, act: impl FnOnce(&mut Router, &mut Batch) -> T) -> T {
        let mut batch = Batch::default();
        let done = act(&mut self.router, &mut batch);
        self.refused += batch.rejects.len() + batch.unplaced.len();
        self.rows.append(&mut batch.readings);
        self.changes.append(&mut batch.changes);
        self.notes.append(&mut batch.notes);
        done
    }

    /// A raw number that a sensor measured and sent at once.
    pub(crate) fn take(&mut self, sensor: SensorIx, at: Timestamp, raw: f64) -> &mut Self {
        let sample = Sample { at: Some(at), raw, battery: None };
        self.keep(|router, batch| router.core.take(sensor, sample, at, batch));
        self
    }

    /// A message of the broker.
    pub(crate) fn open(&mut self, topic: &str, payload: &[u8], arrival: Timestamp) -> &mut Self {
        let message = RawMessage { topic: topic.as_bytes(), payload, retained: false, arrival };
        self.keep(|router, batch| router.open(message, batch));
        self
    }

    /// What the simulator sends.
    pub(crate) fn open_all<'a>(&mut self, sent: impl IntoIterator<Item = &'a Emission>) -> &mut Self {
        for it in sent {
            self.open(&it.topic, &it.payload, it.send_at);
        }
        self
    }

    pub(crate) fn tick(&mut self, at: Timestamp) -> &mut Self {
        self.keep(|router, batch| router.core.tick(at, batch));
        self
    }

    /// What the daemon found when it looked at itself.
    pub(crate) fn health(&mut self, found: &SystemHealth, at: Timestamp) -> &mut Self {
        self.keep(|router, batch| router.core.judge_health(found, at, batch));
        self
    }

    /// Somebody writes down what was done at a place.
    pub(crate) fn log(&mut self, place: &str, at: Timestamp, what: LogEvent) -> &mut Self {
        self.log_of(Some(Id::new(place)), at, what)
    }

    /// An entry about the whole garden where there is no place.
    pub(crate) fn log_of(&mut self, place: Option<Id>, at: Timestamp, what: LogEvent) -> &mut Self {
        let site = self.garden.site.id.clone();
        let entry = LogEntry { site, place, at, what, note: String::new() };
        self.keep(|router, batch| router.core.log(&entry, at, batch));
        self
    }

    /// Somebody strikes what was written down, and writes `instead` of the same place and
    /// time where it is only put right.
    pub(crate) fn strike(
        &mut self,
        place: &str,
        at: Timestamp,
        what: LogEvent,
        instead: Option<LogEvent>,
        now: Timestamp,
    ) -> &mut Self {
        let entry = |what| LogEntry {
            site: self.garden.site.id.clone(),
            place: Some(Id::new(place)),
            at,
            what,
            note: String::new(),
        };
        let (struck, instead) = (entry(what), instead.map(entry));
        self.keep(|router, batch| router.core.strike(&struck, instead.as_ref(), now, batch));
        self
    }

    pub(crate) fn key(&self, kind: Kind, place: &str) -> AlarmKey {
        AlarmKey { site: self.garden.site.id.clone(), kind, place: Id::new(place) }
    }

    /// What a person says by a command to whatever stands; without an input a note.
    pub(crate) fn reply(&self, kind: Kind, place: &str, input: Option<Input>) -> Answer {
        Answer {
            key: self.key(kind, place),
            at: Timestamp::UNIX_EPOCH,
            input,
            how: "command".to_owned(),
            since: None,
            note: None,
        }
    }

    pub(crate) fn answered(&mut self, answer: &Answer) -> Answered {
        let before = self.changes.len() + self.notes.len();
        let answered = self.keep(|router, batch| router.core.answer(answer, batch));
        let changed = self.changes.len() + self.notes.len() > before;
        assert_eq!(changed, answered == Answered::Done, "{answered:?}");
        answered
    }

    /// Whether an input to whatever stands changed something.
    pub(crate) fn answer(&mut self, kind: Kind, place: &str, input: Input) -> bool {
        self.answered(&self.reply(kind, place, Some(input))) == Answered::Done
    }

    /// The states that alarms of a kind went to.
    pub(crate) fn steps(&self, kind: Kind) -> Vec<State> {
        self.changes.iter().filter(|c| c.record.key.kind == kind).map(|c| c.record.state).collect()
    }

    /// The first step of a kind.
    pub(crate) fn first(&self, kind: Kind) -> &AlarmChange {
        self.changes.iter().find(|c| c.record.key.kind == kind).expect("it was told")
    }

    pub(crate) fn told(&self) -> Vec<(Kind, &str, State)> {
        self.changes
            .iter()
            .map(|c| (c.record.key.kind, c.record.key.place.as_str(), c.record.state))
            .collect()
    }

    /// A new core with what a store would have kept, as a daemon has it after a start.
    pub(crate) fn restart(&mut self) -> &mut Self {
        self.router = Router::new(std::slice::from_ref(&self.garden), self.clock);
        let mut kept: Vec<&Reading> = self.rows.iter().filter(|row| !row.late).collect();
        kept.sort_by_key(|row| (row.at, row.sensor));
        let mut scratch = Batch::default();
        for row in kept {
            self.router.core.restore_reading(row, &mut scratch);
        }
        let present: BTreeMap<&AlarmKey, AlarmRecord> =
            self.changes.iter().map(|change| (&change.record.key, change.record.clone())).collect();
        self.router.core.restore_alarms(present.into_values().collect());
        self
    }
}

/// A scenario in the garden of a file, message by message, and what truly happened.
pub(crate) fn simulated(text: &str, scenario: &Scenario, seed: u64) -> (Run, Truth) {
    let school = School::parse(text).expect("a garden that can be simulated");
    let mut simulation = Simulation::new(&school, scenario, seed);
    let mut run = Run::new(text);
    for it in simulation.by_ref() {
        run.open(&it.topic, &it.payload, it.send_at);
    }
    (run, simulation.truth())
}
