//! The faults of a sensor's last readings, and when they are too many.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::alarms::Input;
use crate::calibration::{Calibrated, OutOfRange};
use crate::model::push_tight;
use crate::quality::{Flag, Judged, Test};

/// ReadingFault readings in a row. At the usual quarter of an hour it is two hours: longer
/// than a cable that somebody moves, a cleaning or a restart.
const RUN: u32 = 8;
/// For sensors that speak often: the same works take as long.
const RUN_S: i64 = 3600;
/// Good readings in a row that end a run.
const GOOD_RUN: u32 = 4;
/// Readings that a share wants, and pieces of time over which it is taken.
const SHARE_OF: u32 = 12;
const PIECES: i64 = 12;
/// Shortest piece, seconds: twelve are six hours.
const PIECE_S: i64 = 1800;

/// A raw number beyond the calibration by no more than this part of its range may be
/// true; our own number.
const EDGE_PART: f64 = 0.1;

/// What is wrong with a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum ReadingFault {
    /// It has no value, or one that cannot be or hardly can.
    Range = 0,
    /// It is the same as before for too long.
    Stuck = 1,
    /// It stands out from its neighbours.
    Jumping = 2,
    /// Its raw number is little beyond the calibration: soil wetter than anybody has
    /// measured for it. It speaks neither for the sensor nor against it.
    Edge = 3,
}

impl ReadingFault {
    /// What is wrong, if anything is. The first running count and one that an
    /// hour's later one has overtaken are nobody's fault.
    pub(crate) fn of(calibrated: Calibrated, judged: &Judged) -> Option<Self> {
        match calibrated {
            Calibrated::NotYet | Calibrated::OutOfRange(OutOfRange::NotLater) => None,
            Calibrated::OutOfRange(OutOfRange::Raw { raw, min, max })
                if (min - raw).max(raw - max) <= EDGE_PART * (max - min) =>
            {
                Some(Self::Edge)
            }
            Calibrated::OutOfRange(_) => Some(Self::Range),
            Calibrated::Value(_) => {
                let doubted =
                    |test| matches!(judged.tests.get(test), Flag::Suspect | Flag::Fail | Flag::Missing);
                let of = [
                    (Test::GrossRange, Self::Range),
                    (Test::FlatLine, Self::Stuck),
                    (Test::Spike, Self::Jumping),
                    (Test::RateOfChange, Self::Jumping),
                ];
                of.into_iter().find(|(test, _)| doubted(*test)).map(|(_, bad)| bad)
            }
        }
    }
}

/// Readings of one piece of time.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Piece {
    from_s: i64,
    good: u32,
    /// By the number of [`ReadingFault`].
    bad: [u32; 3],
}

/// By what a sensor was found faulty: it decides what ends it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
enum FoundBy {
    Run,
    Share,
}

/// One sensor's last hours.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct FaultWatch {
    /// At most [`PIECES`].
    pieces: VecDeque<Piece>,
    pub(crate) bad_run: u32,
    bad_since: Option<Timestamp>,
    good_run: u32,
    /// `bad_run` and `bad_since` as they were before the last reading, which its
    /// neighbour may show to be a spike.
    before_last: (u32, Option<Timestamp>),
    /// The last reading has just been shown to be a spike.
    spike: bool,
    /// When the present bad time began, for the words.
    pub(crate) since: Option<Timestamp>,
    by: Option<FoundBy>,
    /// When it was last faulty.
    stood_at: Option<Timestamp>,
}

/// ReadingFault readings of the last hours, by the number of [`ReadingFault`], and all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tally {
    bad: [u32; 3],
    pub(crate) all: u32,
}

impl Tally {
    pub(crate) fn bad(&self) -> u32 {
        self.bad.iter().fold(0, |sum, n| sum.saturating_add(*n))
    }

    /// What most of the bad ones are.
    pub(crate) fn mostly(&self) -> ReadingFault {
        let [range, stuck, jumping] = self.bad;
        if stuck > range && stuck > jumping {
            ReadingFault::Stuck
        } else if jumping > range {
            ReadingFault::Jumping
        } else {
            ReadingFault::Range
        }
    }
}

impl FaultWatch {
    fn piece_s(every_s: u32) -> i64 {
        PIECE_S.max(i64::from(every_s))
    }

    fn piece(&mut self, at: Timestamp, every_s: u32) -> &mut Piece {
        let piece_s = Self::piece_s(every_s);
        let from_s = at.as_second().div_euclid(piece_s) * piece_s;
        while self.pieces.front().is_some_and(|piece| from_s - piece.from_s >= PIECES * piece_s) {
            self.pieces.pop_front();
        }
        if self.pieces.back().is_none_or(|piece| piece.from_s < from_s) {
            push_tight(&mut self.pieces, Piece { from_s, good: 0, bad: [0; 3] });
        }
        let last = self.pieces.len() - 1;
        &mut self.pieces[last]
    }

    /// The reading before, good until now, was a spike.
    pub(crate) fn take_back(&mut self, at: Timestamp) {
        let at_s = at.as_second();
        let Some(piece) = self.pieces.iter_mut().rev().find(|piece| piece.from_s <= at_s && piece.good > 0)
        else {
            return;
        };
        piece.good -= 1;
        let jumping = &mut piece.bad[ReadingFault::Jumping as usize];
        *jumping = jumping.saturating_add(1);
        let (run, since) = self.before_last;
        self.bad_run = run.saturating_add(1);
        self.bad_since = since.or(Some(at));
        self.good_run = 0;
        self.spike = true;
    }

    /// Takes the next reading and says how the sensor stands.
    pub(crate) fn push(&mut self, at: Timestamp, bad: Option<ReadingFault>, every_s: u32) -> Input {
        if bad == Some(ReadingFault::Edge) {
            return Input::Unknown;
        }
        let before = (self.bad_run, self.bad_since);
        let spike = std::mem::take(&mut self.spike);
        self.before_last = before;
        let piece = self.piece(at, every_s);
        match bad {
            Some(bad) => {
                piece.bad[bad as usize] = piece.bad[bad as usize].saturating_add(1);
                self.bad_run = self.bad_run.saturating_add(1);
                self.bad_since.get_or_insert(at);
                self.good_run = 0;
            }
            None => {
                piece.good = piece.good.saturating_add(1);
                self.bad_run = 0;
                self.bad_since = None;
                self.good_run = self.good_run.saturating_add(1);
            }
        }
        let tally = self.tally();
        // The reading before may be the last of a run that has only now been shown.
        let (length, since) = if bad.is_none() && spike { before } else { (self.bad_run, self.bad_since) };
        let run = length >= RUN && since.is_some_and(|since| at.as_second() - since.as_second() >= RUN_S);
        let share = tally.all >= SHARE_OF && 2 * u64::from(tally.bad()) > u64::from(tally.all);
        if self.by.is_none() {
            self.by = if run {
                Some(FoundBy::Run)
            } else if share {
                Some(FoundBy::Share)
            } else {
                None
            };
            if self.by.is_some() {
                self.since = since.filter(|_| run).or_else(|| self.begun());
            }
        }
        if self.by.is_some() {
            self.stood_at = Some(at);
        }
        let over = match self.by {
            Some(FoundBy::Share) => {
                tally.all >= GOOD_RUN && 4 * u64::from(tally.bad()) < u64::from(tally.all)
            }
            Some(FoundBy::Run) | None => self.good_run >= GOOD_RUN,
        };
        if over {
            if self.by == Some(FoundBy::Run) {
                // What the run left behind is no share of what comes now.
                self.pieces.clear();
            }
            self.by = None;
            Input::Clear
        } else {
            match (self.by, bad.is_some() || spike) {
                (Some(_), true) => Input::Breach,
                (None, true) => Input::Deadband,
                // A good reading among bad ones decides nothing.
                (_, false) => Input::Unknown,
            }
        }
    }

    /// When the sensor was last faulty: its last reading while the fault stands.
    pub(crate) fn stood_at(&self) -> Option<Timestamp> {
        self.stood_at
    }

    /// Whether the fault stands.
    pub(crate) fn stands(&self) -> bool {
        self.by.is_some()
    }

    pub(crate) fn tally(&self) -> Tally {
        let mut tally = Tally { bad: [0; 3], all: 0 };
        for piece in &self.pieces {
            for (sum, bad) in tally.bad.iter_mut().zip(piece.bad) {
                *sum = sum.saturating_add(bad);
            }
            let bad = piece.bad.iter().fold(0u32, |sum, n| sum.saturating_add(*n));
            tally.all = tally.all.saturating_add(piece.good).saturating_add(bad);
        }
        tally
    }

    /// The beginning of the first piece with a bad reading.
    fn begun(&self) -> Option<Timestamp> {
        let piece = self.pieces.iter().find(|piece| piece.bad.iter().any(|n| *n > 0))?;
        Timestamp::from_second(piece.from_s).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp::from_second(1_776_403_800 + 60 * minutes).unwrap()
    }

    /// Inputs of readings every quarter of an hour.
    fn inputs(readings: &str) -> (FaultWatch, Vec<Input>) {
        let mut watch = FaultWatch::default();
        let inputs = (0..).zip(readings.chars());
        let inputs = inputs
            .map(|(n, what)| watch.push(at(15 * n), (what == 'x').then_some(ReadingFault::Range), 900))
            .collect();
        (watch, inputs)
    }

    fn first_breach(readings: &str) -> Option<usize> {
        inputs(readings).1.iter().position(|input| *input == Input::Breach)
    }

    #[test]
    fn eight_in_a_row_are_a_fault_and_seven_are_not() {
        let before = ".".repeat(24);
        assert_eq!(first_breach(&format!("{before}xxxxxxx......")), None);
        assert_eq!(first_breach(&format!("{before}xxxxxxxx.....")), Some(31));
        // At the very beginning too.
        assert_eq!(first_breach("xxxxxxxx"), Some(7));
    }

    #[test]
    fn more_than_half_is_a_fault_and_two_in_five_are_not() {
        assert_eq!(first_breach(&"x.x..".repeat(80)), None);
        assert_eq!(first_breach(&"xx.".repeat(20)), Some(12));
        // Too few to tell.
        assert_eq!(first_breach("xxx.xxx.xxx"), None);
    }

    #[test]
    fn four_good_ones_end_a_run_and_a_share_ends_below_a_quarter() {
        let (_, run) = inputs("xxxxxxxxxx...x....");
        assert_eq!(run.iter().position(|i| *i == Input::Clear), Some(17));
        let readings = format!("{}{}", "xx.".repeat(16), ".".repeat(30));
        let (_, share) = inputs(&readings);
        let clear = share.iter().position(|i| *i == Input::Clear).unwrap();
        // 22 to 24 readings in six hours: five of them bad are below a quarter, and the
        // last eight of those with two bad in three hold five.
        assert!((48 + 14..=48 + 16).contains(&clear), "{clear}");
        assert!(share[clear..].iter().all(|i| *i != Input::Breach));
    }

    /// What speaks every ten seconds is not faulty for a minute's work on it.
    #[test]
    fn a_run_takes_an_hour_at_least() {
        let mut watch = FaultWatch::default();
        let step = |n: i64| Timestamp::from_second(1_776_403_800 + 10 * n).unwrap();
        for n in 0..2000 {
            assert_ne!(watch.push(step(n), None, 10), Input::Breach);
        }
        let first =
            (2000..3000).find(|n| watch.push(step(*n), Some(ReadingFault::Stuck), 10) == Input::Breach);
        assert_eq!(first, Some(2360));
        assert!(watch.pieces.len() <= 12);
    }

    #[test]
    fn a_spike_is_a_bad_reading_once_its_neighbour_has_shown_it() {
        let mut watch = FaultWatch::default();
        let mut first = None;
        for n in 0..40 {
            if n > 0 {
                watch.take_back(at(15 * (n - 1)));
            }
            if watch.push(at(15 * n), None, 900) == Input::Breach {
                first.get_or_insert(n);
            }
        }
        // The eighth spike is known with the ninth reading.
        assert_eq!(first, Some(8));
        assert_eq!(watch.tally(), Tally { bad: [0, 0, watch.tally().all - 1], all: watch.tally().all });
    }

    #[test]
    fn a_little_beyond_the_calibration_speaks_neither_for_nor_against() {
        let mut watch = FaultWatch::default();
        for n in 0..100 {
            assert_eq!(watch.push(at(15 * n), Some(ReadingFault::Edge), 900), Input::Unknown);
        }
        assert_eq!(watch.tally().all, 0);
        let out = |raw| Calibrated::OutOfRange(OutOfRange::Raw { raw, min: 1305.0, max: 3045.0 });
        let judged = Judged { flag: Flag::Missing, tests: crate::quality::Tests::default(), previous: None };
        for (raw, expected) in [
            (1304.0, ReadingFault::Edge),
            (1132.0, ReadingFault::Edge),
            (1130.0, ReadingFault::Range),
            (0.0, ReadingFault::Range),
            (4095.0, ReadingFault::Range),
        ] {
            assert_eq!(ReadingFault::of(out(raw), &judged), Some(expected), "{raw}");
        }
    }

    #[test]
    fn seldom_sensors_are_judged_by_twelve_of_their_intervals() {
        let mut watch = FaultWatch::default();
        let inputs: Vec<Input> = (0..30)
            .map(|n| watch.push(at(1440 * n), (n % 3 != 0).then_some(ReadingFault::Jumping), 86_400))
            .collect();
        assert_eq!(inputs.iter().position(|i| *i == Input::Breach), Some(11));
    }
}
