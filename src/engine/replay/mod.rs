//! The stored raw readings once more, through today's calibration and rules.
//!
//! The core begins as it does after a restart: with the readings of the fortnight before,
//! two months of gauges and probes, the log, and the alarms as they stood. Then each
//! reading of the span goes through it in order of time, what people answered at the time
//! at which they did, and what comes out is held against what is stored.
//!
//! What the stored readings cannot show is left as it is: whether a sensor fell silent,
//! its battery, whether a job was overdue, and the program's own alarms; alarms whose place is no longer in the
//! garden's file, or at whose place readings of a sensor that is no longer there are
//! stored. Readings that had come late stay late.
//!
//! Nobody is told anything. Written is one day at a time ([`Store::replay_day`]).

mod difference;
mod steps;

use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::sync::Arc;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use self::difference::ReadingTally;
pub use self::difference::{FlagCounts, LeftAlone, ReplayResult, SensorDifference};
use self::steps::{AnswerQueue, is_replayed, step_differences};
pub use self::steps::{StepDifference, StepSide};
use crate::alarms::{AlarmKey, AlarmRecord, AlarmText, State};
use crate::engine::{long_memory, publication};
use crate::garden::plan::{Garden, shared_zone};
use crate::garden::record::{AlarmChange, Batch, Reading};
use crate::garden::{Clock, Core, restore_from};
use crate::model::{Id, SensorIx};
use crate::settings::Settings;
use crate::store::{
    AlarmPublication, AlarmRow, LogRow, Reader, ReplayDay, ReplayRun, Series, SeriesMap, Store, StoreError,
};

/// How far before the restored readings a running count is looked for.
const COUNT_BACK: SignedDuration = SignedDuration::from_hours(7 * 24);
/// How far behind the span the neighbours of its last readings are looked for.
const LOOK_AHEAD: SignedDuration = SignedDuration::from_hours(24);

/// What is replayed.
#[derive(Clone, Debug)]
pub struct ReplaySpan {
    /// `None`: every site.
    pub site: Option<Id>,
    pub from: Timestamp,
    /// The first moment that does not belong to it any more; after `from`.
    pub to: Timestamp,
}

/// Replays a span and says what differs. With `apply` it is written as well, at `now`.
///
/// # Errors
///
/// When the store cannot be opened, read or written. What is written by then are whole
/// days; the same replay again writes the rest.
pub fn replay(
    settings: &Settings,
    span: &ReplaySpan,
    apply: bool,
    now: Timestamp,
) -> Result<ReplayResult, StoreError> {
    let path = &settings.store.path;
    // First of all, since it keeps every other writer out and brings the file up to date.
    let mut store = if apply { Some(Store::open(path, &settings.gardens)?) } else { None };
    let reader = Reader::open(path)?;
    let Some(span) = known_part(&reader, span)? else { return Ok(ReplayResult::default()) };
    let series = reader.series()?;
    let map = SeriesMap::of_stored(&series, &settings.gardens);
    let mut replay = Replay::begin(settings, &reader, &series, &map, &span)?;
    let mut run = ReplayRun {
        number: None,
        written_at: now,
        site: span.site.clone(),
        from: span.from,
        to: span.to,
        forward: !settings.forward.is_empty(),
    };
    let zone = shared_zone(&settings.gardens, span.site.as_ref().map(Id::as_str)).ok().flatten();
    let zone = zone.unwrap_or(TimeZone::UTC);
    let mut from = span.from;
    while from < span.to {
        let until = next_midnight(from, &zone).min(span.to);
        let day = replay.day(from, until, until == span.to)?;
        if let Some(store) = &mut store {
            store.replay_day(&mut run, until, &day, &|key, row| letter(&settings.gardens, key, row, now))?;
        }
        if !day.is_empty() {
            replay.result.days += 1;
        }
        from = until;
    }
    Ok(ReplayResult { written: run.number, ..replay.end() })
}

/// The part of a span in which anything is known; `None` where nothing is.
fn known_part(reader: &Reader, span: &ReplaySpan) -> Result<Option<ReplaySpan>, StoreError> {
    let Some((first, last)) = reader.known_span()? else { return Ok(None) };
    let end = last.saturating_add(SignedDuration::from_millis(1)).unwrap_or(last);
    // Of days whose single readings have gone nothing can be said.
    let thinned = reader.thinned_sites()?;
    let of_site = thinned.iter().filter(|it| span.site.as_ref().is_none_or(|site| site.as_str() == it.site));
    let first = of_site.map(|it| it.from).chain([first]).max().unwrap_or(first);
    let span = ReplaySpan { site: span.site.clone(), from: span.from.max(first), to: span.to.min(end) };
    Ok((span.from < span.to).then_some(span))
}

/// The first midnight after a moment.
fn next_midnight(at: Timestamp, zone: &TimeZone) -> Timestamp {
    let tomorrow = zone.to_datetime(at).date().tomorrow().ok();
    let midnight = tomorrow.and_then(|date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok());
    midnight.filter(|midnight| *midnight > at).unwrap_or(Timestamp::MAX)
}

/// The message to the broker of how an alarm stands after a replay.
fn letter(gardens: &[Garden], key: &AlarmKey, row: Option<&AlarmRow>, now: Timestamp) -> AlarmPublication {
    let garden = gardens.iter().find(|garden| garden.site.id == key.site);
    let never = || AlarmRecord {
        key: key.clone(),
        state: State::Normal,
        since: now,
        at: now,
        shelf: None,
        course: crate::alarms::AlarmCourse::default(),
        said: AlarmText::new("By today's calibration and rules this alarm was never raised.", &[], ""),
    };
    let record = row.map_or_else(never, |row| row.record.clone());
    publication::letter(&AlarmChange {
        priority: garden.map_or(key.kind.priority(), |garden| garden.priority_of(&record)),
        record,
        from: State::Normal,
        how: row.and_then(|row| row.how.clone().map(Into::into)),
        tell: row.map(|row| row.tell.clone()).unwrap_or_default(),
    })
}

/// A reading that waits for its successor, which may show it to be a spike.
#[derive(Clone, Copy)]
struct WaitingReading {
    stored: Reading,
    replayed: Reading,
}

/// A replay on its way through its span.
struct Replay<'a> {
    reader: &'a Reader,
    map: &'a SeriesMap,
    span: &'a ReplaySpan,
    core: Core,
    /// The site of each sensor is one that is replayed.
    wanted: Vec<bool>,
    waiting: Vec<Option<WaitingReading>>,
    tallies: Vec<ReadingTally>,
    batch: Batch,
    answers: AnswerQueue,
    /// Entries of the log that were written down in the span, the first one last.
    log: Vec<LogRow>,
    /// Places at which readings of sensors that are gone are stored.
    untouched: BTreeSet<(Id, Id)>,
    result: ReplayResult,
}

impl<'a> Replay<'a> {
    fn begin(
        settings: &'a Settings,
        reader: &'a Reader,
        series: &std::collections::HashMap<u32, Series>,
        map: &'a SeriesMap,
        span: &'a ReplaySpan,
    ) -> Result<Self, StoreError> {
        let gardens: Vec<Arc<Garden>> = settings.gardens.iter().cloned().map(Arc::new).collect();
        let site = span.site.as_ref();
        let mut core = Core::new(&gardens, Clock::Readings);
        let wanted: Vec<bool> = gardens
            .iter()
            .flat_map(|garden| {
                let wanted = site.is_none_or(|site| *site == garden.site.id);
                garden.sensors.iter().map(move |_| wanted)
            })
            .collect();
        let mut log = reader.log(0)?;
        log.retain(|row| site.is_none_or(|site| *site == row.entry.site));
        restore(&mut core, reader, map, span, &wanted, &log)?;
        log.retain(|row| span.from <= row.written_at && row.written_at < span.to);
        log.sort_by_key(|row| std::cmp::Reverse((row.written_at, row.seq)));
        let mut it = Self {
            reader,
            map,
            span,
            core,
            waiting: vec![None; wanted.len()],
            tallies: gardens
                .iter()
                .flat_map(|garden| garden.sensors.iter().map(|sensor| ReadingTally::new(garden, sensor)))
                .collect(),
            wanted,
            batch: Batch::default(),
            answers: AnswerQueue::default(),
            log,
            untouched: BTreeSet::new(),
            result: ReplayResult { from: Some(span.from), to: Some(span.to), ..ReplayResult::default() },
        };
        it.leave_alone(series)?;
        Ok(it)
    }

    /// Finds the readings whose sensor is no longer in its garden's file.
    fn leave_alone(&mut self, series: &std::collections::HashMap<u32, Series>) -> Result<(), StoreError> {
        for (number, readings) in self.reader.readings_by_series(self.span.from, self.span.to)? {
            let Some(it) = series.get(&number) else { continue };
            let wanted = self.span.site.as_ref().is_none_or(|site| site.as_str() == it.site);
            if self.map.sensor(number).is_some() || !wanted {
                continue;
            }
            let site = Id::new(&it.site);
            if it.place != Series::WHOLE_SITE {
                self.untouched.insert((site.clone(), Id::new(&it.place)));
            }
            self.untouched.insert((site, Id::new(&it.sensor)));
            self.result.left.push(LeftAlone {
                site: it.site.clone(),
                sensor: it.sensor.clone(),
                quantity: it.quantity.clone(),
                readings,
            });
        }
        Ok(())
    }

    /// Replays one day, and what is left open when it is the `last` one. Returns what is to
    /// be written.
    fn day(&mut self, from: Timestamp, until: Timestamp, last: bool) -> Result<ReplayDay, StoreError> {
        let mut day = ReplayDay::default();
        let site = self.span.site.as_ref().map(Id::as_str);
        let mut stored = self.reader.alarm_steps(from, until, site)?;
        stored.retain(|step| {
            let key = &step.row.record.key;
            is_replayed(key.kind)
                && self.core.has(key)
                && !self.untouched.contains(&(key.site.clone(), key.place.clone()))
        });
        for step in &mut stored {
            self.name_as_today(&mut step.row.record);
        }
        self.answers.fill(&stored);
        self.batch.clear();
        let reader = self.reader;
        reader.readings_between(from, until, self.map, |reading| {
            self.take(&reading, &mut day.readings);
            ControlFlow::Continue(())
        })?;
        self.catch_up(until);
        let mut steps = std::mem::take(&mut self.batch.changes);
        steps.retain(|step| {
            let key = &step.record.key;
            is_replayed(key.kind)
                && self.span.site.as_ref().is_none_or(|site| *site == key.site)
                && !self.untouched.contains(&(key.site.clone(), key.place.clone()))
        });
        step_differences(&stored, steps, &mut day, &mut self.result.steps);
        if last {
            self.look_ahead(until)?;
            for sensor in 0..self.waiting.len() {
                self.settle(sensor, &mut day.readings);
            }
        }
        Ok(day)
    }

    /// Puts the ids that sensors have today into words of the past.
    fn name_as_today(&self, record: &mut AlarmRecord) {
        let Some(garden) = self.core.sites().find(|garden| garden.site.id == record.key.site) else { return };
        for sensor in &garden.sensors {
            for former in &sensor.formerly {
                // As `Garden::sensor_name` says it.
                let (before, now) = (format!("({former})"), format!("({})", sensor.id));
                record.said.text = record.said.text.replace(&before, &now);
            }
        }
    }

    /// Takes a reading of the span.
    fn take(&mut self, stored: &Reading, changed: &mut Vec<Reading>) {
        let sensor = stored.sensor.0 as usize;
        if !self.wanted[sensor] {
            return;
        }
        self.catch_up(stored.at);
        self.batch.readings.clear();
        self.batch.reflags.clear();
        self.core.replay_reading(stored, &mut self.batch);
        self.reflag();
        let Some(&replayed) = self.batch.readings.last() else { return };
        let both = WaitingReading { stored: *stored, replayed };
        if stored.late {
            // It has no neighbours.
            self.compare(&both, changed);
        } else {
            self.settle(sensor, changed);
            self.waiting[sensor] = Some(both);
        }
    }

    /// Lets what people answered and wrote down before `at` happen once more.
    fn catch_up(&mut self, at: Timestamp) {
        loop {
            let written = self.log.last().map(|row| row.written_at).filter(|written| *written < at);
            let answered = self.answers.next_at().filter(|answered| *answered < at);
            match (written, answered) {
                (Some(written), answered) if answered.is_none_or(|answered| written <= answered) => {
                    if let Some(row) = self.log.pop() {
                        self.core.replay_log(&row.entry, row.written_at, &mut self.batch);
                    }
                }
                (_, Some(_)) => {
                    if let Some(answer) = self.answers.pop() {
                        // One to an alarm that was not raised this time falls away.
                        self.core.replay_answer(&answer, &mut self.batch);
                    }
                }
                (_, None) => return,
            }
        }
    }

    /// Puts the flags that a successor has changed on the readings that wait for it.
    fn reflag(&mut self) {
        for it in &self.batch.reflags {
            if let Some(waiting) = &mut self.waiting[it.sensor.0 as usize]
                && waiting.replayed.at == it.at
            {
                (waiting.replayed.flag, waiting.replayed.tests) = (it.flag, it.tests);
            }
        }
    }

    /// A sensor's waiting reading has seen its successor.
    fn settle(&mut self, sensor: usize, changed: &mut Vec<Reading>) {
        if let Some(both) = self.waiting[sensor].take() {
            self.compare(&both, changed);
        }
    }

    fn compare(&mut self, both: &WaitingReading, changed: &mut Vec<Reading>) {
        let WaitingReading { stored, replayed } = both;
        if self.tallies[stored.sensor.0 as usize].add(stored, replayed) {
            changed.push(*replayed);
        }
    }

    /// Shows the last readings of the span their successors, which are not replayed.
    fn look_ahead(&mut self, from: Timestamp) -> Result<(), StoreError> {
        let to = from.saturating_add(LOOK_AHEAD).unwrap_or(Timestamp::MAX);
        let mut open: BTreeSet<usize> = (0..)
            .zip(&self.waiting)
            .filter(|(_, waiting)| waiting.is_some())
            .map(|(sensor, _)| sensor)
            .collect();
        let mut gone_by: Vec<Reading> = Vec::new();
        let reader = self.reader;
        reader.readings_between(from, to, self.map, |reading| {
            if !reading.late && open.remove(&(reading.sensor.0 as usize)) {
                gone_by.push(reading);
            }
            if open.is_empty() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })?;
        // The alarms of the span's end are asked for later, and must not move on.
        self.result.standing = self.standing()?;
        for reading in gone_by {
            self.batch.clear();
            self.core.replay_reading(&reading, &mut self.batch);
            self.reflag();
        }
        self.batch.clear();
        Ok(())
    }

    /// Alarms that stand otherwise at the end of the span than the record goes on with,
    /// where it does go on.
    fn standing(&self) -> Result<Vec<AlarmKey>, StoreError> {
        let to = self.span.to;
        if self.reader.latest_at()?.is_none_or(|latest| latest < to) {
            return Ok(Vec::new());
        }
        let site = self.span.site.as_ref();
        let stored: BTreeMap<AlarmKey, State> = self
            .reader
            .alarms_at(to, site.map(Id::as_str))?
            .into_iter()
            .map(|row| (row.record.key, row.record.state))
            .collect();
        let mut keys: BTreeSet<AlarmKey> = stored.keys().cloned().collect();
        keys.extend(self.result.steps.iter().map(|step| step.record.key.clone()));
        let replayed = |key: &AlarmKey| self.core.snapshot(key).map_or(State::Normal, |it| it.state);
        Ok(keys
            .into_iter()
            .filter(|key| {
                is_replayed(key.kind)
                    && self.core.has(key)
                    && !self.untouched.contains(&(key.site.clone(), key.place.clone()))
                    && stored.get(key).copied().unwrap_or(State::Normal) != replayed(key)
            })
            .collect())
    }

    fn end(self) -> ReplayResult {
        let tallies = self.tallies.into_iter().zip(&self.wanted);
        let sensors = tallies.filter(|(_, wanted)| **wanted).map(|(tally, _)| tally.finish());
        ReplayResult { sensors: sensors.filter(|sensor| sensor.readings > 0).collect(), ..self.result }
    }
}

/// Brings the core to where it stood at the beginning of the span.
fn restore(
    core: &mut Core,
    reader: &Reader,
    map: &SeriesMap,
    span: &ReplaySpan,
    wanted: &[bool],
    log: &[LogRow],
) -> Result<(), StoreError> {
    let site = span.site.as_ref();
    for row in log {
        core.restore_replacement(&row.entry);
    }
    long_memory::restore(core, reader, |it| site.is_none_or(|site| site == it).then_some(span.from))?;
    let from = restore_from(span.from);
    let back_to = from.saturating_sub(COUNT_BACK).unwrap_or(from);
    let is_wanted = |sensor: SensorIx| wanted[sensor.0 as usize];
    reader.last_before(from, back_to, map, |sensor, at, raw| {
        if is_wanted(sensor) {
            core.restore_count(sensor, raw, at);
        }
    })?;
    let mut scratch = Batch::default();
    reader.readings_between(from, span.from, map, |reading| {
        if !reading.late && is_wanted(reading.sensor) {
            core.restore_reading(&reading, &mut scratch);
        }
        ControlFlow::Continue(())
    })?;
    for row in log {
        core.restore_log(&row.entry);
    }
    let stood = reader.alarms_at(span.from, site.map(Id::as_str))?.into_iter().map(|row| row.record);
    core.restore_alarms(stood.filter(|alarm| alarm.state != State::Normal).collect());
    Ok(())
}
