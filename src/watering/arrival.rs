//! Whether the water of a timer's run has shown at the beds' probes.
//!
//! Each bed's top probe is followed from two hours before a run until a rise must
//! have been believed: the run, the longest way to the probe, and five hours. Its
//! readings are put together by the hour, as medians:
//!
//! ```text
//! rise = largest (hour's median - least median before it, from before the run on)
//! ```
//!
//! From 0.010 m³/m³ on, or by a believed rise, water came. Below 0.006 none was
//! felt. That proves something only where the same program's water has shown
//! before in soil as wet as now, or where it should by its amount. The two limits are
//! those by which soil that sheds water is found; all of it is this project's own
//! rule.
//!
//! # Where it stops holding
//!
//! A probe that swings with the sun's warmth by more than the lower limit hides a
//! run that did not come: then nothing is said.

use std::collections::VecDeque;

use jiff::Timestamp;

use super::program::Timetable;
use crate::model::add_seconds;
use crate::why::{Check, Equation, Step};

/// What a run of a timer has shown.
pub const RUN_SHOWN: Equation = Equation {
    gives: "rise after a run of the timer",
    form: "rise = largest (an hour's median - least median before it) until the run, the probe's lag and 5 h are over; none \
           was felt below 0.006 m3/m3",
    source: "this project's own rule",
    check: Check::None("no publication holds it; simulated gardens with timers that fail try it"),
};

const HOUR_S: i64 = 3600;
/// A rise that says that water came, and one that says that it did not, m³/m³.
const CAME: f64 = 0.010;
const UNFELT: f64 = 0.006;
/// A rise is found within three hours and believed two hours later.
const BELIEVED_S: i64 = 5 * HOUR_S;
/// A run is followed from so long before it.
const BEFORE_S: i64 = 2 * HOUR_S;
/// A clock that was not set at its change is off by so much.
const CLOCK_CHANGE_S: i64 = HOUR_S;
/// Longest pause between two runs that is looked across, days.
const AHEAD_DAYS: i64 = 62;
/// Readings of a run that are kept for a bed; a minute apart they hold a day and more.
const READINGS_MAX: usize = 1800;
/// Water that has shown and is remembered for a bed.
const SHOWN_MAX: usize = 8;
/// How many times it must have shown.
const SHOWN_LEAST: usize = 2;
/// Soil this much wetter than when the water showed is as wet, m³/m³.
const AS_WET: f64 = 0.005;

/// A bed's top probe, for which a run is followed.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RunProbe {
    /// The bed's number.
    pub bed: u16,
    /// Longest way of water to the probe, seconds.
    pub lag_s: i64,
    /// How long the probe may say nothing, seconds.
    pub patience_s: i64,
}

/// What one bed's probe showed of a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RunTrace {
    /// Water came. `before`: the water content before the run, where it is known, m³/m³.
    Came { before: Option<f64> },
    /// Nothing was felt: the water content before, and how far it rose all the same.
    Unfelt { before: f64, rise: f64 },
    /// Too little was heard, or it rose by too little to tell.
    Unknown,
}

/// A run whose time is over.
#[derive(Clone, Debug, PartialEq)]
pub struct FinishedRun {
    pub start: Timestamp,
    pub end: Timestamp,
    /// Every bed that was followed.
    pub beds: Vec<(u16, RunTrace)>,
}

#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct FollowedBed {
    probe: RunProbe,
    readings: Vec<(Timestamp, f32)>,
    /// A rise was believed.
    rose: bool,
}

#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct OpenRun {
    start: Timestamp,
    end: Timestamp,
    beds: Vec<FollowedBed>,
}

/// Follows the runs of one program.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct RunWatch {
    /// The next run that is not followed yet, or when to look for one again.
    next: Option<(Timestamp, bool)>,
    open: Vec<OpenRun>,
    /// Water contents before runs whose water showed, bed by bed.
    shown: Vec<(u16, VecDeque<f32>)>,
}

impl RunWatch {
    /// Begins to follow the runs that are near at `at`. `probes` are the beds' own.
    pub fn open(
        &mut self,
        table: &Timetable,
        zone: &jiff::tz::TimeZone,
        at: Timestamp,
        probes: impl Fn() -> Vec<RunProbe>,
    ) {
        let (mut next, mut is_run) = self.next.unwrap_or((at, false));
        while next <= add_seconds(at, if is_run { BEFORE_S } else { 0 }) {
            if is_run {
                let end = add_seconds(next, i64::from(table.minutes) * 60);
                let follow = |probe| FollowedBed { probe, readings: Vec::new(), rose: false };
                let beds = probes().into_iter().map(follow).collect();
                // Readings after a long silence begin in the midst of a run: it is not followed.
                if next >= add_seconds(at, -HOUR_S) {
                    self.open.push(OpenRun { start: next, end, beds });
                }
            }
            let from = add_seconds(next, i64::from(is_run)).max(add_seconds(at, -HOUR_S));
            (next, is_run) = match table.next_start(zone, from, AHEAD_DAYS) {
                Some(start) => (start, true),
                None => (add_seconds(at, 86_400), false),
            };
        }
        self.next = Some((next, is_run));
    }

    /// The beds that it knows, some more than once.
    pub fn beds(&self) -> impl Iterator<Item = u16> {
        let open = self.open.iter().flat_map(|run| run.beds.iter().map(|it| it.probe.bed));
        open.chain(self.shown.iter().map(|(bed, _)| *bed))
    }

    /// Takes a good reading of a bed's top probe.
    pub fn push(&mut self, bed: u16, at: Timestamp, water_content: f64) {
        for run in &mut self.open {
            let near = at >= add_seconds(run.start, -BEFORE_S);
            for followed in run.beds.iter_mut().filter(|it| near && it.probe.bed == bed) {
                if followed.readings.len() < READINGS_MAX {
                    followed.readings.push((at, water_content as f32));
                }
            }
        }
    }

    /// Takes back a reading that its neighbour has shown to be false.
    pub fn take_back(&mut self, bed: u16, at: Timestamp) {
        for followed in self.open.iter_mut().flat_map(|run| &mut run.beds) {
            if followed.probe.bed == bed {
                followed.readings.retain(|(when, _)| *when != at);
            }
        }
    }

    /// A rise of one of a bed's probes, that began at `onset`, is believed.
    pub fn rose(&mut self, bed: u16, onset: Timestamp) {
        for run in &mut self.open {
            let from = add_seconds(run.start, -CLOCK_CHANGE_S);
            for followed in run.beds.iter_mut().filter(|it| it.probe.bed == bed) {
                let FollowedBed { probe, rose, .. } = followed;
                *rose |= (from..=add_seconds(run.end, probe.lag_s + CLOCK_CHANGE_S)).contains(&onset);
            }
        }
    }

    /// The runs whose time is over at `at`.
    pub fn finished(&mut self, at: Timestamp) -> Vec<FinishedRun> {
        if self.open.iter().all(|run| at < run.until()) {
            return Vec::new();
        }
        let (over, open): (Vec<OpenRun>, Vec<OpenRun>) =
            std::mem::take(&mut self.open).into_iter().partition(|run| at >= run.until());
        self.open = open;
        let finish = |run: OpenRun| FinishedRun {
            start: run.start,
            end: run.end,
            beds: run.beds.iter().map(|it| (it.probe.bed, it.trace(run.start, run.until()))).collect(),
        };
        over.into_iter().map(finish).collect()
    }

    /// The program's water showed in a bed.
    pub fn remember(&mut self, bed: u16, before: f64) {
        let at = self.shown.iter().position(|(known, _)| *known == bed).unwrap_or_else(|| {
            self.shown.push((bed, VecDeque::new()));
            self.shown.len() - 1
        });
        let shown = &mut self.shown[at].1;
        if shown.len() >= SHOWN_MAX {
            shown.pop_front();
        }
        shown.push_back(before as f32);
    }

    /// Whether the program's water has shown in this bed before, in soil as wet.
    pub fn has_shown(&self, bed: u16, before: f64) -> bool {
        let shown = self.shown.iter().filter(|(known, _)| *known == bed).flat_map(|(_, shown)| shown);
        shown.filter(|wet| before <= f64::from(**wet) + AS_WET).count() >= SHOWN_LEAST
    }

    /// Forgets what a bed's top probe has shown: it is another one now.
    pub fn forget_bed(&mut self, bed: u16) {
        self.shown.retain(|(known, _)| *known != bed);
        for followed in self.open.iter_mut().flat_map(|run| &mut run.beds) {
            if followed.probe.bed == bed {
                followed.readings.clear();
            }
        }
    }

    /// What was noted after `limit` is forgotten: the clock was wrong.
    pub fn forget_after(&mut self, limit: Timestamp) {
        self.next = None;
        self.open.retain(|run| run.start <= limit);
        for followed in self.open.iter_mut().flat_map(|run| &mut run.beds) {
            followed.readings.retain(|(at, _)| *at <= limit);
        }
    }
}

impl OpenRun {
    /// When every rise of its beds must have been believed.
    fn until(&self) -> Timestamp {
        let longest = self.beds.iter().map(|it| it.probe.lag_s + it.probe.patience_s / 2).max().unwrap_or(0);
        add_seconds(self.end, longest + BELIEVED_S)
    }
}

impl FollowedBed {
    fn trace(&self, start: Timestamp, until: Timestamp) -> RunTrace {
        let before = self.median(add_seconds(start, -BEFORE_S), start);
        if self.rose {
            return RunTrace::Came { before };
        }
        let Some(before) = before.filter(|_| self.is_whole(start, until)) else { return RunTrace::Unknown };
        let (mut least, mut rise) = (before, 0.0_f64);
        let mut from = add_seconds(start, 1);
        while from < until {
            let to = add_seconds(from, HOUR_S - 1);
            if let Some(median) = self.median(from, to) {
                rise = rise.max(median - least);
                least = least.min(median);
            }
            from = add_seconds(to, 1);
        }
        if rise >= CAME {
            RunTrace::Came { before: Some(before) }
        } else if rise < UNFELT {
            RunTrace::Unfelt { before, rise }
        } else {
            RunTrace::Unknown
        }
    }

    /// Whether the probe was heard without a break from the start on.
    fn is_whole(&self, start: Timestamp, until: Timestamp) -> bool {
        let mut last = start;
        let after = self.readings.iter().map(|(at, _)| *at).filter(|at| (start..=until).contains(at));
        for at in after.chain([until]) {
            if at.as_second() - last.as_second() > self.probe.patience_s {
                return false;
            }
            last = at;
        }
        true
    }

    /// The middle of the readings from `from` to `to`; `None` of none.
    fn median(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let within = self.readings.iter().filter(|(at, _)| (from..=to).contains(at));
        let mut values: Vec<f32> = within.map(|(_, value)| *value).collect();
        if values.is_empty() {
            return None;
        }
        values.sort_by(f32::total_cmp);
        let middle = values.len() / 2;
        let median = if values.len() % 2 == 1 {
            f64::from(values[middle])
        } else {
            f64::midpoint(f64::from(values[middle - 1]), f64::from(values[middle]))
        };
        Some(median)
    }
}

/// The step to what a probe showed of a run; `bed` names it.
pub fn run_shown_step(bed: &str, before: f64, rise: f64) -> Step {
    RUN_SHOWN.step(format!("{bed}: from {before:.3} m3/m3 it rose by {rise:.3}, less than {UNFELT}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watering::ProgramDays;
    use jiff::tz::TimeZone;

    const LAG_S: i64 = 75 * 60;

    fn table() -> Timetable {
        let days = ProgramDays::Week([true; 7]);
        Timetable { days, starts: vec![360], minutes: 30, from: None, to: None, off: Vec::new() }
    }

    fn minute(minute: i64) -> Timestamp {
        // Midnight of a day, UTC.
        Timestamp::from_second(1_776_211_200 + minute * 60).expect("in range")
    }

    /// What a day's readings, every quarter of an hour, show of the run at six.
    fn traced(content: impl Fn(i64) -> Option<f64>) -> RunTrace {
        let mut watch = RunWatch::default();
        let probe = RunProbe { bed: 3, lag_s: LAG_S, patience_s: 3000 };
        for quarter in 0..96 {
            let at = minute(quarter * 15);
            watch.open(&table(), &TimeZone::UTC, at, || vec![probe]);
            if let Some(content) = content(quarter * 15) {
                watch.push(3, at, content);
            }
            if let Some(run) = watch.finished(at).pop() {
                assert_eq!((run.start, run.end), (minute(360), minute(390)));
                // 6:30, the lag, five hours and half of the patience.
                assert_eq!(at, minute(795), "12:45, half of fifty minutes, and the next reading");
                return run.beds[0].1;
            }
        }
        panic!("the run is never over");
    }

    /// A probe that is replaced in the midst of a run shows nothing of it, however far its
    /// values lie from those before, nor does what the old one showed hold for it.
    #[test]
    fn a_replaced_probe_knows_nothing_of_the_run_before() {
        for (forgets, expected) in [(false, true), (true, false)] {
            let mut watch = RunWatch::default();
            let probe = RunProbe { bed: 3, lag_s: LAG_S, patience_s: 3000 };
            (0..3).for_each(|_| watch.remember(3, 0.15));
            let mut over = None;
            for quarter in 0..96 {
                let at = minute(quarter * 15);
                watch.open(&table(), &TimeZone::UTC, at, || vec![probe]);
                if forgets && quarter == 28 {
                    watch.forget_bed(3);
                }
                watch.push(3, at, drying(quarter * 15) + if quarter < 28 { 0.0 } else { 0.03 });
                over = over.or(watch.finished(at).pop());
            }
            let trace = over.expect("the run is over").beds[0].1;
            assert_eq!(matches!(trace, RunTrace::Came { .. }), expected, "{trace:?}");
            assert_eq!(trace == RunTrace::Unknown, forgets, "{trace:?}");
            assert_eq!(watch.has_shown(3, 0.15), !forgets);
        }
    }

    fn drying(minute: i64) -> f64 {
        0.15 - 0.00001 * minute as f64
    }

    #[test]
    fn a_rise_shows_that_water_came_and_none_that_none_was_felt() {
        let RunTrace::Unfelt { before, rise } = traced(|t| Some(drying(t))) else { panic!("dry") };
        assert!((before - 0.147).abs() < 0.001 && rise < 1e-6, "{before} {rise}");
        let risen = |by: f64| traced(move |t| Some(drying(t) + if t > 400 { by } else { 0.0 }));
        assert!(matches!(risen(0.02), RunTrace::Came { before: Some(_) }));
        assert_eq!(risen(0.009), RunTrace::Unknown, "too little to tell");
        assert!(matches!(risen(0.004), RunTrace::Unfelt { .. }));
        // One reading that jumps is no water.
        let spike = traced(|t| Some(drying(t) + if t == 480 { 0.1 } else { 0.0 }));
        assert!(matches!(spike, RunTrace::Unfelt { .. }));
    }

    #[test]
    fn a_probe_that_was_not_heard_shows_nothing() {
        assert_eq!(traced(|t| (!(420..=480).contains(&t)).then(|| drying(t))), RunTrace::Unknown);
        assert_eq!(traced(|t| (t > 360).then(|| drying(t))), RunTrace::Unknown, "not before the run");
        assert_eq!(traced(|t| (t < 700).then(|| drying(t))), RunTrace::Unknown, "it fell silent");
    }

    #[test]
    fn a_believed_rise_counts_an_hour_either_side() {
        let came = |onset: i64| {
            let mut watch = RunWatch::default();
            let probe = RunProbe { bed: 3, lag_s: LAG_S, patience_s: 3000 };
            watch.open(&table(), &TimeZone::UTC, minute(300), || vec![probe]);
            watch.rose(2, minute(onset));
            watch.rose(3, minute(onset));
            watch.finished(minute(900)).remove(0).beds[0].1
        };
        for (onset, expected) in [(299, false), (300, true), (525, true), (526, false)] {
            assert_eq!(came(onset) == RunTrace::Came { before: None }, expected, "{onset}");
        }
    }

    #[test]
    fn what_has_shown_twice_in_soil_as_wet_is_expected_again() {
        let mut watch = RunWatch::default();
        watch.remember(1, 0.12);
        assert!(!watch.has_shown(1, 0.12), "once may be chance");
        watch.remember(1, 0.14);
        assert!(watch.has_shown(1, 0.12) && watch.has_shown(1, 0.124));
        assert!(!watch.has_shown(1, 0.13), "wetter than all but one");
        assert!(!watch.has_shown(2, 0.12), "another bed");
    }

    #[test]
    fn a_run_that_readings_meet_half_way_is_not_followed() {
        let mut watch = RunWatch::default();
        let probe = || vec![RunProbe { bed: 0, lag_s: LAG_S, patience_s: 3000 }];
        watch.open(&table(), &TimeZone::UTC, minute(0), probe);
        // Silence until the next day's noon.
        watch.open(&table(), &TimeZone::UTC, minute(1440 + 720), probe);
        assert_eq!(watch.finished(minute(1440 + 1400)), Vec::new());
        watch.open(&table(), &TimeZone::UTC, minute(2 * 1440 + 300), probe);
        assert_eq!(watch.finished(minute(2 * 1440 + 900)).len(), 1);
    }
}
