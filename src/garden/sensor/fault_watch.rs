//! The faults of a sensor's last readings, and when they are too many.

use jiff::Timestamp;

use crate::alarms::Input;
use crate::calibration::{Calibrated, OutOfRange};
use crate::model::KeptTime;
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
const PIECES: usize = 12;
/// Shortest piece, seconds: twelve are six hours.
const PIECE_S: u32 = 1800;

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

/// By what a sensor was found faulty: it decides what ends it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
enum FoundBy {
    Run,
    Share,
}

/// One sensor's last hours. Of one that is well there are only counts of good readings.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct FaultWatch {
    /// Good readings of the last [`PIECES`] pieces of time, by the piece's number modulo that.
    good: [u16; PIECES],
    /// Length of a piece, seconds; 0: there was none yet.
    piece_s: u32,
    /// The newest piece's number since 1970.
    newest: i32,
    good_run: u32,
    bad: Option<Box<BadReadings>>,
}

/// The bad readings of a sensor, and what they led to.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
struct BadReadings {
    /// As the good ones, by the number of [`ReadingFault`].
    counts: [[u16; 3]; PIECES],
    run: u32,
    run_since: Option<KeptTime>,
    /// The run and its beginning as they were before the last reading, which its
    /// neighbour may show to be a spike.
    before_last: (u32, Option<KeptTime>),
    /// The last reading has just been shown to be a spike.
    spike: bool,
    /// When the present bad time began, for the words.
    since: Option<KeptTime>,
    by: Option<FoundBy>,
    /// When it was last faulty.
    stood_at: Option<KeptTime>,
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
    /// Makes the piece of `at` the newest one, if it is later than that. Returns its place.
    fn piece(&mut self, at: Timestamp, every_s: u32) -> usize {
        let begun = self.piece_s != 0;
        self.piece_s = PIECE_S.max(every_s);
        // Its number has room to the year 5800.
        let number = at.as_second().div_euclid(i64::from(self.piece_s)) as i32;
        if !begun || i64::from(number) - i64::from(self.newest) >= PIECES as i64 {
            self.forget_pieces();
            self.newest = number;
        }
        while self.newest < number {
            self.newest += 1;
            let place = place(self.newest);
            self.good[place] = 0;
            if let Some(bad) = &mut self.bad {
                bad.counts[place] = [0; 3];
            }
        }
        place(self.newest)
    }

    fn forget_pieces(&mut self) {
        self.good = [0; PIECES];
        if let Some(bad) = &mut self.bad {
            bad.counts = [[0; 3]; PIECES];
        }
    }

    /// The places of the pieces and when each begins, seconds since 1970; newest first.
    fn pieces(&self) -> impl Iterator<Item = (usize, i64)> + use<> {
        let (newest, piece_s) = (self.newest, i64::from(self.piece_s));
        (0..PIECES as i32).map(move |back| (place(newest - back), i64::from(newest - back) * piece_s))
    }

    fn bad_mut(&mut self) -> &mut BadReadings {
        self.bad.get_or_insert_default()
    }

    /// The reading before, good until now, was a spike.
    pub(crate) fn take_back(&mut self, at: Timestamp) {
        let at_s = at.as_second();
        let found = self.pieces().find(|(place, from_s)| *from_s <= at_s && self.good[*place] > 0);
        let Some((place, _)) = found else { return };
        self.good[place] -= 1;
        self.good_run = 0;
        let it = self.bad_mut();
        let jumping = &mut it.counts[place][ReadingFault::Jumping as usize];
        *jumping = jumping.saturating_add(1);
        let (run, since) = it.before_last;
        it.run = run.saturating_add(1);
        it.run_since = since.or(Some(at.into()));
        it.spike = true;
    }

    /// Takes the next reading and says how the sensor stands.
    pub(crate) fn push(&mut self, at: Timestamp, bad: Option<ReadingFault>, every_s: u32) -> Input {
        if bad == Some(ReadingFault::Edge) {
            return Input::Unknown;
        }
        let place = self.piece(at, every_s);
        let (before, spike) = match &mut self.bad {
            Some(it) => ((it.run, it.run_since), std::mem::take(&mut it.spike)),
            None => ((0, None), false),
        };
        match bad {
            Some(bad) => {
                let it = self.bad_mut();
                it.before_last = before;
                it.counts[place][bad as usize] = it.counts[place][bad as usize].saturating_add(1);
                it.run = it.run.saturating_add(1);
                it.run_since.get_or_insert(at.into());
                self.good_run = 0;
            }
            None => {
                if let Some(it) = &mut self.bad {
                    it.before_last = before;
                    (it.run, it.run_since) = (0, None);
                }
                self.good[place] = self.good[place].saturating_add(1);
                self.good_run = self.good_run.saturating_add(1);
            }
        }
        self.judged(at, bad.is_some(), spike.then_some(before))
    }

    /// How the sensor stands after a reading. `spike`: the run before it, where the reading
    /// before has been shown to be a spike.
    fn judged(&mut self, at: Timestamp, is_bad: bool, spike: Option<(u32, Option<KeptTime>)>) -> Input {
        let (tally, begun, good_run) = (self.tally(), self.begun(), self.good_run);
        let Some(it) = &mut self.bad else {
            return if good_run >= GOOD_RUN { Input::Clear } else { Input::Unknown };
        };
        // The reading before may be the last of a run that has only now been shown.
        let (length, since) = spike.filter(|_| !is_bad).unwrap_or((it.run, it.run_since));
        let long = |since: KeptTime| at.as_second() - since.at().as_second() >= RUN_S;
        let run = length >= RUN && since.is_some_and(long);
        let share = tally.all >= SHARE_OF && 2 * u64::from(tally.bad()) > u64::from(tally.all);
        if it.by.is_none() {
            it.by = if run {
                Some(FoundBy::Run)
            } else if share {
                Some(FoundBy::Share)
            } else {
                None
            };
            if it.by.is_some() {
                it.since = since.filter(|_| run).or(begun);
            }
        }
        if it.by.is_some() {
            it.stood_at = Some(at.into());
        }
        let over = match it.by {
            Some(FoundBy::Share) => {
                tally.all >= GOOD_RUN && 4 * u64::from(tally.bad()) < u64::from(tally.all)
            }
            Some(FoundBy::Run) | None => good_run >= GOOD_RUN,
        };
        let by = it.by;
        if over {
            it.by = None;
            if by == Some(FoundBy::Run) {
                // What the run left behind is no share of what comes now.
                self.forget_pieces();
            }
            self.settle();
            return Input::Clear;
        }
        match (by, is_bad || spike.is_some()) {
            (Some(_), true) => Input::Breach,
            (None, true) => Input::Deadband,
            // A good reading among bad ones decides nothing.
            (_, false) => Input::Unknown,
        }
    }

    /// Frees the room of bad readings that are all forgotten.
    fn settle(&mut self) {
        if self.bad.as_deref().is_some_and(|it| *it == BadReadings::default()) {
            self.bad = None;
        }
    }

    /// Bad readings in a row, the last one included.
    pub(crate) fn bad_run(&self) -> u32 {
        self.bad.as_deref().map_or(0, |it| it.run)
    }

    /// When the present bad time began, for the words.
    pub(crate) fn since(&self) -> Option<Timestamp> {
        self.bad.as_deref().and_then(|it| it.since).map(KeptTime::at)
    }

    /// When the sensor was last faulty: its last reading while the fault stands.
    pub(crate) fn stood_at(&self) -> Option<Timestamp> {
        self.bad.as_deref().and_then(|it| it.stood_at).map(KeptTime::at)
    }

    /// Whether the fault stands.
    pub(crate) fn stands(&self) -> bool {
        self.bad.as_deref().is_some_and(|it| it.by.is_some())
    }

    pub(crate) fn tally(&self) -> Tally {
        let mut tally = Tally { bad: [0; 3], all: 0 };
        tally.all = self.good.iter().map(|good| u32::from(*good)).sum();
        for counts in self.bad.iter().flat_map(|it| &it.counts) {
            for (sum, bad) in tally.bad.iter_mut().zip(counts) {
                *sum += u32::from(*bad);
                tally.all += u32::from(*bad);
            }
        }
        tally
    }

    /// The beginning of the first piece with a bad reading.
    fn begun(&self) -> Option<KeptTime> {
        let bad = self.bad.as_deref()?;
        let pieces = self.pieces().filter(|(place, _)| bad.counts[*place].iter().any(|n| *n > 0));
        pieces.last().and_then(|(_, from_s)| Timestamp::from_second(from_s).ok()).map(KeptTime::from)
    }
}

/// Where a piece of this number stands.
fn place(number: i32) -> usize {
    number.rem_euclid(PIECES as i32) as usize
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
