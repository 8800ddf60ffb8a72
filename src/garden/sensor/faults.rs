//! Sensors that speak and cannot be believed, by the flags of their readings.
//!
//! A reading is bad where it has no value (its raw number is out of the
//! calibration) or a test of `quality` doubts it. Places are judged by good readings
//! alone, so whoever relies on the sensor has to know. Single bad readings are
//! everybody's: a fault is a run of them, or more than half over some hours.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::alarms::{Input, Kind};
use crate::calibration::{Calibrated, OutOfRange};
use crate::garden::alarm_slot::{Of, Said};
use crate::garden::plan::Sensor;
use crate::garden::record::Batch;
use crate::garden::sensor::silence::{place_name, sensor_name};
use crate::garden::site::{Last, Memory, SiteState};
use crate::model::{Place, Quantity};
use crate::quality::{Flag, Judged, Test};
use crate::tank::Immersed;
use crate::text::spoken;
use crate::why::{Check, Equation};

const SOURCE: &str = "flags of the quality tests (QARTOD); how many are too many is our own rule";

/// When a sensor counts as faulty.
const FAULT: Equation = Equation {
    gives: "when a sensor counts as faulty",
    form: "8 bad readings in a row over an hour or more, or more than half of at least 12 readings in 6 h (in 12 \
           intervals, where they are longer than half an hour)",
    source: "this project's own rule on QARTOD flags",
    check: Check::None("no publication gives the numbers; the scenarios with faulty sensors try them"),
};

/// The equations of this file.
pub(crate) const EQUATIONS: &[Equation] = &[FAULT];

/// Bad readings in a row. At the usual quarter of an hour it is two hours: longer
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
pub(crate) enum Bad {
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

impl Bad {
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
#[derive(Clone, Copy, Debug)]
struct Piece {
    from_s: i64,
    good: u32,
    /// By the number of [`Bad`].
    bad: [u32; 3],
}

/// By what a sensor was found faulty: it decides what ends it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum By {
    Run,
    Share,
}

/// One sensor's last hours.
#[derive(Clone, Debug, Default)]
pub(crate) struct FaultWatch {
    /// At most [`PIECES`].
    pieces: VecDeque<Piece>,
    bad_run: u32,
    bad_since: Option<Timestamp>,
    good_run: u32,
    /// `bad_run` and `bad_since` as they were before the last reading, which its
    /// neighbour may show to be a spike.
    before_last: (u32, Option<Timestamp>),
    /// The last reading has just been shown to be a spike.
    spike: bool,
    /// When the present bad time began, for the words.
    since: Option<Timestamp>,
    by: Option<By>,
}

/// Bad readings of the last hours, by the number of [`Bad`], and all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Tally {
    bad: [u32; 3],
    all: u32,
}

impl Tally {
    fn bad(&self) -> u32 {
        self.bad.iter().fold(0, |sum, n| sum.saturating_add(*n))
    }

    /// What most of the bad ones are.
    fn mostly(&self) -> Bad {
        let [range, stuck, jumping] = self.bad;
        if stuck > range && stuck > jumping {
            Bad::Stuck
        } else if jumping > range {
            Bad::Jumping
        } else {
            Bad::Range
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
            self.pieces.push_back(Piece { from_s, good: 0, bad: [0; 3] });
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
        let jumping = &mut piece.bad[Bad::Jumping as usize];
        *jumping = jumping.saturating_add(1);
        let (run, since) = self.before_last;
        self.bad_run = run.saturating_add(1);
        self.bad_since = since.or(Some(at));
        self.good_run = 0;
        self.spike = true;
    }

    /// Takes the next reading and says how the sensor stands.
    pub(crate) fn push(&mut self, at: Timestamp, bad: Option<Bad>, every_s: u32) -> Input {
        if bad == Some(Bad::Edge) {
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
                Some(By::Run)
            } else if share {
                Some(By::Share)
            } else {
                None
            };
            if self.by.is_some() {
                self.since = since.filter(|_| run).or_else(|| self.begun());
            }
        }
        let over = match self.by {
            Some(By::Share) => tally.all >= GOOD_RUN && 4 * u64::from(tally.bad()) < u64::from(tally.all),
            Some(By::Run) | None => self.good_run >= GOOD_RUN,
        };
        if over {
            if self.by == Some(By::Run) {
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

    fn tally(&self) -> Tally {
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

impl SiteState {
    /// Judges a sensor by its last reading, whose fault is `bad`.
    pub(crate) fn judge_fault(&mut self, index: u16, at: Timestamp, bad: Option<Bad>, batch: &mut Batch) {
        let garden = std::sync::Arc::clone(&self.garden);
        let sensor = &garden.sensors[usize::from(index)];
        let state = &mut self.sensors[usize::from(index)];
        let Some(last) = state.last else { return };
        // A thermometer known to hang in the air is the tank's own matter. What it
        // cannot mean there either is a fault all the same.
        if let Memory::Water(thermometer) = &state.memory
            && matches!(thermometer.immersion.now(), Immersed::Out { .. })
            && (bad == Some(Bad::Jumping) || (bad == Some(Bad::Range) && last.flag == Flag::Suspect))
        {
            return;
        }
        let input = state.faults.push(at, bad, sensor.every_s);
        let of = Of { garden: &garden, kind: Kind::SensorFault, place: &sensor.id };
        let (tally, run) = (state.faults.tally(), state.faults.bad_run);
        let since = state.faults.since;
        let still = state.watch.still_since();
        state.fault.step(&of, at, input, garden.rules.sensor_fault, batch, |active| {
            let who = sensor_name(&garden, sensor);
            if !active {
                return Said::new(format!("{who} gives good values again."), &[], SOURCE);
            }
            let zone = &garden.site.time_zone;
            let when = |at: Option<Timestamp>| {
                at.map_or_else(String::new, |from| {
                    format!(" since {}", spoken::moment_seen_from(from, at_or(from, last.at), zone))
                })
            };
            let kind = bad.unwrap_or_else(|| tally.mostly());
            let shown = shown(sensor.measures, &last);
            let (what, look) = match kind {
                Bad::Range | Bad::Edge => (
                    format!("{who} gives values that are out of range{}: {shown}.", when(since)),
                    places_to_look(sensor),
                ),
                Bad::Stuck => (
                    format!("{who} repeats one value{}: {shown}.", when(still.or(since))),
                    "switch it off and on again; if that does not help, look at its cable and at water in its plug",
                ),
                Bad::Jumping => (
                    format!(
                        "{who} jumps about: {} of its last {} readings stand out from their neighbours{}; {shown}.",
                        tally.bad(),
                        tally.all,
                        when(since)
                    ),
                    "look for a loose plug, a chafed cable and water in the plug",
                ),
            };
            let place = place_name(&garden, sensor);
            let (when, then) = match sensor.place {
                Place::Tank(_) => (
                    "Today",
                    format!(
                        "Until it is mended it says nothing about {place}: look at the fish and measure by hand."
                    ),
                ),
                Place::Bed(_) => {
                    ("Within a week", format!("Until it is mended {place} is not judged by it."))
                }
                Place::Site => ("Within a week", "Until it is mended nothing is judged by it.".to_owned()),
            };
            let values = [
                ("raw", last.raw),
                ("bad_readings", f64::from(tally.bad())),
                ("readings", f64::from(tally.all)),
                ("bad_in_a_row", f64::from(run)),
            ];
            let step = FAULT.step(format!(
                "{run} bad readings in a row; {} of the last {} are bad",
                tally.bad(),
                tally.all
            ));
            Said::new(format!("{what} {when} {look}. {then}"), &values, SOURCE).because(vec![step])
        });
    }
}

fn at_or(from: Timestamp, last: Timestamp) -> Timestamp {
    last.max(from)
}

fn places_to_look(sensor: &Sensor) -> &'static str {
    match sensor.measures {
        Quantity::SoilMoisture | Quantity::SoilTemperature => {
            "look at its cable, at water in its plug, and whether the probe still stands in the soil"
        }
        Quantity::WaterTemperature | Quantity::DissolvedOxygen | Quantity::Ph => {
            "look at its cable, at water in its plug, and whether the probe hangs in the water"
        }
        Quantity::AirTemperature | Quantity::RelativeHumidity => {
            "look at its cable, at water in its plug, and whether it hangs in the shade"
        }
        Quantity::Rain | Quantity::WaterFlow | Quantity::SolarRadiation | Quantity::WindSpeed => {
            "look at its cable and at water in its plug"
        }
    }
}

/// "the last is 0.79 m3/m3 (raw number 0)".
fn shown(measures: Quantity, last: &Last) -> String {
    let raw = if last.raw != 0.0 && !(1e-4..1e9).contains(&last.raw.abs()) {
        format!("{:e}", last.raw)
    } else {
        last.raw.to_string()
    };
    match last.value {
        Some(value) => {
            let decimals = if measures == Quantity::SoilMoisture { 3 } else { 1 };
            // Far out of every range the digits say nothing.
            if value.abs() < 1e6 {
                format!("the last is {value:.decimals$} {} (raw number {raw})", measures.unit())
            } else {
                format!("the last is {value:e} {} (raw number {raw})", measures.unit())
            }
        }
        None => format!("the last raw number, {raw}, is none that the calibration knows"),
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
            .map(|(n, what)| watch.push(at(15 * n), (what == 'x').then_some(Bad::Range), 900))
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
        let first = (2000..3000).find(|n| watch.push(step(*n), Some(Bad::Stuck), 10) == Input::Breach);
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
            assert_eq!(watch.push(at(15 * n), Some(Bad::Edge), 900), Input::Unknown);
        }
        assert_eq!(watch.tally().all, 0);
        let out = |raw| Calibrated::OutOfRange(OutOfRange::Raw { raw, min: 1305.0, max: 3045.0 });
        let judged = Judged { flag: Flag::Missing, tests: crate::quality::Tests::default(), previous: None };
        for (raw, expected) in [
            (1304.0, Bad::Edge),
            (1132.0, Bad::Edge),
            (1130.0, Bad::Range),
            (0.0, Bad::Range),
            (4095.0, Bad::Range),
        ] {
            assert_eq!(Bad::of(out(raw), &judged), Some(expected), "{raw}");
        }
    }

    #[test]
    fn seldom_sensors_are_judged_by_twelve_of_their_intervals() {
        let mut watch = FaultWatch::default();
        let inputs: Vec<Input> =
            (0..30).map(|n| watch.push(at(1440 * n), (n % 3 != 0).then_some(Bad::Jumping), 86_400)).collect();
        assert_eq!(inputs.iter().position(|i| *i == Input::Breach), Some(11));
    }
}
