//! Readings of before those that the own store keeps, from the longer record: kept
//! for a while, asked for in bounded pieces, and let be for a moment where nobody answers.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::Semaphore;
use tokio::time::{Instant, timeout_at};
use tracing::{info, warn};

use super::cache::{CacheMoment, FreshCache};
use crate::deliver::read_back::{ReadBack, ReadBackFault, ReadBackQuestion, ReadBackSeries};
use crate::history::{OlderReadings, Point};

/// The record is asked for, and kept, in blocks of so long, so that pages of other days and
/// lengths need only what is new.
const BLOCK_MS: i64 = 8 * 86_400_000;

/// Blocks of a sensor that are kept, and their bytes.
const KEPT_MAX: usize = 4096;
const BYTES_MAX: usize = 32 << 20;

/// For how long a block is kept: what was sent again there may have changed it.
const FRESH: SignedDuration = SignedDuration::from_mins(10);

/// Readings that one question asks for, by what the sensors promise: some megabytes.
const ASKED_MAX: i64 = 100_000;

/// Questions that are under way at one time; the next wait.
const AT_ONCE: usize = 2;

/// Readings that are taken into memory for one request at most, by what the sensors promise:
/// some hundred megabytes while they are looked through.
const READ_MAX: i64 = 1_000_000;

/// How long one question may take.
const QUESTION_WAIT: Duration = Duration::from_secs(2);

/// How long a month, a term or a file waits for all of it; each question has its own end.
pub(super) const FILE_WAIT: Duration = Duration::from_secs(6);

/// How long a page waits for all of it.
pub(super) const PAGE_WAIT: Duration = Duration::from_secs(2);

/// For so long nobody asks again after a question without an answer, so that a class does not
/// wait thirty times.
const LET_BE: Duration = Duration::from_secs(20);

/// Why there are no older readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NotRead {
    NoAnswer,
    /// The server answers something else; its words are in the log.
    Refused,
    TooMuch,
}

impl NotRead {
    /// "The longer record did not answer.": a sentence and what to do.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::NoAnswer => "The longer record did not answer in time. Try again in a minute.",
            Self::Refused => {
                "The longer record did not give the single readings. Tell who runs Trug: the reason is in \
                 the log of Trug."
            }
            Self::TooMuch => {
                "The longer record holds more readings than can be read at once. Choose a shorter time."
            }
        }
    }
}

/// A sensor of which readings are asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct OlderSensor {
    pub(super) id: String,
    /// Seconds between two readings, as it promises.
    pub(super) every_s: u32,
}

/// What tells blocks apart.
#[derive(Clone, Debug, PartialEq, Eq)]
struct BlockKey {
    site: String,
    sensor: String,
    block: i64,
}

/// The readings of a sensor in a block, by quantity.
type BlockReadings = Vec<(String, Vec<Point>)>;

/// The longer record.
#[derive(Debug)]
pub struct OlderRecord {
    server: ReadBack,
    kept: FreshCache<BlockKey, BlockReadings>,
    places: Semaphore,
    server_state: Mutex<ServerState>,
    /// Counts what is looked for: a block is fresh by its age alone, whatever comes in.
    looked: AtomicU64,
    /// Ages are counted from here.
    began: Instant,
}

/// How the server of older readings is.
#[derive(Debug, Default)]
struct ServerState {
    /// Until when nobody asks.
    let_be: Option<Instant>,
    /// What is wrong, as it was said in the log.
    fault: Option<String>,
}

impl ServerState {
    /// Takes what is wrong now; whether that is another thing than before.
    fn is_news(&mut self, fault: Option<String>) -> bool {
        let before = std::mem::replace(&mut self.fault, fault);
        before != self.fault
    }
}

impl OlderRecord {
    pub fn new(server: ReadBack) -> Self {
        Self {
            server,
            kept: FreshCache::new(KEPT_MAX, BYTES_MAX, FRESH),
            places: Semaphore::new(AT_ONCE),
            server_state: Mutex::default(),
            looked: AtomicU64::default(),
            began: Instant::now(),
        }
    }

    /// The readings of some sensors with `from` <= time < `to`, which are there at `until` or
    /// not at all.
    pub(super) async fn read(
        &self,
        site: &str,
        sensors: &[OlderSensor],
        (from, to): (Timestamp, Timestamp),
        until: Instant,
    ) -> Result<OlderReadings, NotRead> {
        let mut found = BTreeMap::new();
        if from >= to || sensors.is_empty() {
            return Ok(OlderReadings::default());
        }
        let length_s = to.as_second().saturating_sub(from.as_second());
        let promised = sensors.iter().map(|it| length_s / i64::from(it.every_s.max(1)));
        if promised.fold(0_i64, i64::saturating_add) > READ_MAX {
            return Err(NotRead::TooMuch);
        }
        let blocks =
            block_of(from)..=block_of(to.saturating_sub(SignedDuration::from_millis(1)).unwrap_or(to));
        let missing = self.missing(site, sensors, blocks.clone(), &mut found);
        if !missing.is_empty() {
            let place = timeout_at(until, self.places.acquire()).await.map_err(|_| NotRead::NoAnswer)?;
            let _place = place.expect("the semaphore is never closed");
            // Another request may have asked for the same.
            let missing = self.missing(site, sensors, blocks, &mut found);
            for part in parts(&missing) {
                self.fetch(site, &part, until, &mut found).await?;
            }
        }
        let mut older = OlderReadings::default();
        for ((sensor, _), readings) in &found {
            for (quantity, points) in readings.iter() {
                let within = points.iter().filter(|point| from <= point.at && point.at < to);
                older.add(sensor, quantity, within.copied());
            }
        }
        Ok(older)
    }

    /// The blocks that are not kept; those that are go into `found`.
    fn missing(
        &self,
        site: &str,
        sensors: &[OlderSensor],
        blocks: std::ops::RangeInclusive<i64>,
        found: &mut BTreeMap<(String, i64), Arc<BlockReadings>>,
    ) -> Vec<(OlderSensor, BTreeSet<i64>)> {
        let now = self.moment();
        let mut missing = Vec::new();
        for sensor in sensors {
            let mut lacks = BTreeSet::new();
            for block in blocks.clone() {
                let key = BlockKey { site: site.to_owned(), sensor: sensor.id.clone(), block };
                match self.kept.get(&key, now) {
                    Some(kept) => drop(found.insert((key.sensor, block), kept)),
                    None => drop(lacks.insert(block)),
                }
            }
            if !lacks.is_empty() {
                missing.push((sensor.clone(), lacks));
            }
        }
        missing
    }

    /// Asks for a part and keeps its blocks, the empty ones among them.
    async fn fetch(
        &self,
        site: &str,
        part: &QuestionPart,
        until: Instant,
        found: &mut BTreeMap<(String, i64), Arc<BlockReadings>>,
    ) -> Result<(), NotRead> {
        if self.let_be_until().is_some_and(|let_be| Instant::now() < let_be) {
            return Err(NotRead::NoAnswer);
        }
        let sensors: Vec<&str> = part.sensors.iter().map(String::as_str).collect();
        let (from, to) = (start_of(part.first), start_of(part.last + 1));
        let question = ReadBackQuestion { site, sensors: &sensors, from, to };
        let answer = self.server.ask(&question, until.min(Instant::now() + QUESTION_WAIT)).await;
        self.note(answer.as_ref().err());
        let answer = answer.map_err(|fault| match fault {
            ReadBackFault::NoAnswer(_) => NotRead::NoAnswer,
            ReadBackFault::Refused(_) => NotRead::Refused,
            ReadBackFault::TooMuch => NotRead::TooMuch,
        })?;
        let mut blocks: BTreeMap<(String, i64), BlockReadings> = BTreeMap::new();
        for sensor in &part.sensors {
            blocks.extend((part.first..=part.last).map(|block| ((sensor.clone(), block), Vec::new())));
        }
        for ReadBackSeries { sensor, quantity, points } in answer {
            for of_block in points.chunk_by(|one, next| block_of(one.at) == block_of(next.at)) {
                let block = blocks.entry((sensor.clone(), block_of(of_block[0].at))).or_default();
                block.push((quantity.clone(), of_block.to_vec()));
            }
        }
        let now = self.moment();
        for ((sensor, block), readings) in blocks {
            let points: usize = readings.iter().map(|(_, points)| points.len()).sum();
            let key = BlockKey { site: site.to_owned(), sensor: sensor.clone(), block };
            let bytes = 200 + points * size_of::<Point>();
            found.insert((sensor, block), self.kept.keep(key, now, bytes, readings));
        }
        Ok(())
    }

    fn moment(&self) -> CacheMoment {
        let age = SignedDuration::try_from(self.began.elapsed()).unwrap_or(SignedDuration::MAX);
        let at = Timestamp::UNIX_EPOCH.checked_add(age).unwrap_or(Timestamp::MAX);
        CacheMoment { at, changed: self.looked.fetch_add(1, Ordering::Relaxed) }
    }

    fn let_be_until(&self) -> Option<Instant> {
        self.server_state.lock().unwrap_or_else(PoisonError::into_inner).let_be
    }

    /// Says in the log when a fault of the server begins, changes and ends, not at each question.
    fn note(&self, fault: Option<&ReadBackFault>) {
        let mut state = self.server_state.lock().unwrap_or_else(PoisonError::into_inner);
        let no_answer = matches!(fault, Some(ReadBackFault::NoAnswer(_)));
        state.let_be = no_answer.then(|| Instant::now() + LET_BE);
        if !state.is_news(fault.map(ToString::to_string)) {
            return;
        }
        match &state.fault {
            Some(fault) => warn!("older readings are not shown: {fault}"),
            None => info!("the server of older readings answers again"),
        }
    }
}

/// A question: sensors, and the first and the last block.
#[derive(Clone, Debug, PartialEq, Eq)]
struct QuestionPart {
    sensors: Vec<String>,
    first: i64,
    last: i64,
}

/// What lacks, in questions of at most [`ASKED_MAX`] readings, as far as one block of one
/// sensor holds no more.
fn parts(missing: &[(OlderSensor, BTreeSet<i64>)]) -> Vec<QuestionPart> {
    let all: BTreeSet<i64> = missing.iter().flat_map(|(_, blocks)| blocks).copied().collect();
    let (Some(&first), Some(&last)) = (all.first(), all.last()) else { return Vec::new() };
    let quickest = missing.iter().map(|(sensor, _)| sensor.every_s.max(1)).min().unwrap_or(1);
    let in_block = (BLOCK_MS / 1000 / i64::from(quickest)).max(1);
    let blocks = (ASKED_MAX / in_block).clamp(1, last - first + 1);
    let sensors = usize::try_from(ASKED_MAX / (in_block * blocks)).unwrap_or(1).max(1);
    let mut parts = Vec::new();
    for of in missing.chunks(sensors) {
        let sensors: Vec<String> = of.iter().map(|(sensor, _)| sensor.id.clone()).collect();
        let mut begin = first;
        while begin <= last {
            let end = (begin + blocks - 1).min(last);
            parts.push(QuestionPart { sensors: sensors.clone(), first: begin, last: end });
            begin = end + 1;
        }
    }
    parts
}

fn block_of(at: Timestamp) -> i64 {
    at.as_millisecond().div_euclid(BLOCK_MS)
}

fn start_of(block: i64) -> Timestamp {
    Timestamp::from_millisecond(block.saturating_mul(BLOCK_MS)).unwrap_or(Timestamp::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lacks(
        every_s: u32,
        sensors: usize,
        blocks: std::ops::Range<i64>,
    ) -> Vec<(OlderSensor, BTreeSet<i64>)> {
        (0..sensors)
            .map(|number| (OlderSensor { id: format!("probe-{number}"), every_s }, blocks.clone().collect()))
            .collect()
    }

    #[test]
    fn a_question_asks_for_no_more_than_a_part() {
        for (every_s, sensors, blocks) in
            [(900, 10, 0..5), (60, 40, 2..7), (5, 3, 0..60), (1, 1, 0..2), (3600, 400, 0..50)]
        {
            let missing = lacks(every_s, sensors, blocks.clone());
            let parts = parts(&missing);
            let in_block = BLOCK_MS / 1000 / i64::from(every_s);
            let mut asked = BTreeSet::new();
            for part in &parts {
                let size = part.sensors.len() as i64 * (part.last - part.first + 1);
                assert!(size == 1 || size * in_block <= ASKED_MAX, "{every_s} s: {size} blocks");
                for sensor in &part.sensors {
                    for block in part.first..=part.last {
                        assert!(asked.insert((sensor.clone(), block)), "asked twice: {part:?}");
                    }
                }
            }
            assert_eq!(asked.len() as i64, sensors as i64 * (blocks.end - blocks.start));
        }
        assert_eq!(parts(&lacks(900, 10, 0..5)).len(), 1, "a bed's month is one question");
        assert!(parts(&[]).is_empty());
    }

    #[test]
    fn a_fault_is_news_once() {
        let mut state = ServerState::default();
        let refused = Some("it answers: 401 Unauthorized".to_owned());
        let told = [
            None,
            refused.clone(),
            refused.clone(),
            Some("no answer: refused".to_owned()),
            refused,
            None,
            None,
        ];
        let news: Vec<bool> = told.into_iter().map(|fault| state.is_news(fault)).collect();
        assert_eq!(news, [false, true, false, true, true, true, false]);
    }
}
