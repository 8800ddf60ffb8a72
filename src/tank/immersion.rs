//! A probe out of its water, told from a real change of the water.
//!
//! Water in a tank cannot change faster than sun, air and new water make it. A
//! step beyond that begins an excursion, which ends in one of three ways: the
//! readings jump back to where they were (the probe was out: what lies between
//! is set aside), they stay (the water really changed), or one of these shows
//! that the probe is out while it still is:
//!
//! - the change is beyond what a hose could make of this much water;
//! - another thermometer of the tank does not see it;
//! - the readings follow the air's own ups and downs.
//!
//! A doubt is decided for the fish: what might be a real change counts as one.
//! The bounds are this project's own, without a published source; each says why.

use jiff::Timestamp;

/// Fastest change by sun and air, °C an hour: 1,400 W/m² (full sun and a warm
/// wind) on water 0.3 m deep.
const NATURAL_C_H: f64 = 4.0;
/// A step beyond the natural one by less than this is noise or a local warm or
/// cold spot, °C.
const JUMP_C: f64 = 0.5;
/// What two garden hoses or a bucket chain bring, litres a minute.
const FILL_L_MIN: f64 = 40.0;
/// The part of the tank that a cleaning may have left, into which it runs.
const LEFT_PART: f64 = 0.5;
/// Water that comes from a tap, a rain tank or a hose, °C.
const FILL_C: (f64, f64) = (4.0, 30.0);
/// Later than this after its beginning an excursion is a change of the water.
const EXCURSION_S: i64 = 6 * 3600;
/// The bound of the hose is asked within this time only: given hours, any
/// water can be changed.
const FILLED_S: i64 = 3600;
/// After a longer silence a step says nothing.
const SILENCE_S: i64 = 3 * 3600;
/// Back at where it was: within this part of the way, and by a jump.
const BACK_PART: f64 = 0.35;
/// Another thermometer that saw less than this part of a step did not see it.
const UNSEEN_PART: f64 = 0.25;
/// Steps below this are not held against another thermometer, °C.
const UNSEEN_MIN_C: f64 = 2.0;
/// A reading this near to the air's may be of the air, °C.
const AIR_C: f64 = 1.5;
/// Water and air must have been this far apart before, °C.
const APART_C: f64 = 3.0;
/// How far the water may have drifted while its probe was out, so that readings
/// that stand there are taken for it without a jump back: °C an hour, and °C.
const DRIFT_C_H: f64 = 0.5;
const DRIFT_MOST_C: f64 = 3.0;
/// Stretches set aside that are kept; a day rarely has more than a few.
const ASIDE_MAX: usize = 16;

/// What is known about a probe's surroundings when it speaks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProbeSurroundings {
    /// Litres of the tank.
    pub volume_l: f64,
    /// The site's air, °C, if a thermometer of it is fresh.
    pub air_c: Option<f64>,
    /// The tank's other thermometers, °C: the mean of those that are in the
    /// water and fresh.
    pub other_c: Option<f64>,
}

/// Why a probe is thought to be out of the water.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Outside {
    /// Faster than any hose could change this much water.
    TooFast,
    /// Another thermometer of the tank does not see it.
    Unseen,
    /// It follows the air.
    FollowsAir,
    /// It swings as no water of the tank's volume does.
    SwingsLikeAir,
}

impl Outside {
    /// Completes "its thermometer seems to be out of the water: ...".
    pub fn words(self) -> &'static str {
        match self {
            Self::TooFast => "the reading jumped further than this much water can change in that time",
            Self::Unseen => "the tank's other thermometer did not see the jump",
            Self::FollowsAir => "after a jump the reading goes up and down with the air",
            Self::SwingsLikeAir => {
                "it goes up and down by day and night like air, further than this much water can"
            }
        }
    }
}

/// Where a probe is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Immersed {
    In,
    Out { why: Outside, since: Timestamp, before_c: f64 },
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Seen {
    at: Timestamp,
    c: f64,
    air_c: Option<f64>,
    other_c: Option<f64>,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Excursion {
    before: Seen,
    /// Nothing stands beside the reading before: it was the first one, or the first after
    /// a long silence, and may itself be the odd one.
    alone: bool,
    /// The first reading beyond what is natural.
    from: Timestamp,
    /// The same, whatever is set aside.
    second: Timestamp,
    /// Farthest from `before`, with its sign.
    peak_c: f64,
    out: Option<Outside>,
    /// Since when readings stand still, their lowest and highest, their number.
    still: (Timestamp, f64, f64, u32),
    /// Farthest that a reading was from the air, and the air's own lowest and highest.
    air: Option<(f64, f64, f64)>,
}

/// Watches one probe.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Immersion {
    last: Option<Seen>,
    /// The one before it, unless there was a long silence between.
    before_last: Option<Seen>,
    excursion: Option<Excursion>,
    aside: Vec<(Timestamp, Timestamp)>,
}

/// The furthest that `volume_l` litres of water at `from_c` can change in
/// `seconds`, up or down, °C (not below 0): by sun and air, and by a hose into a
/// tank that a cleaning has half emptied.
pub fn fastest_change_c(volume_l: f64, from_c: f64, seconds: f64, up: bool) -> f64 {
    let mixed = 1.0 - (-FILL_L_MIN * seconds / 60.0 / (LEFT_PART * volume_l)).exp();
    let way = if up { FILL_C.1 - from_c } else { from_c - FILL_C.0 };
    natural_c(seconds) + JUMP_C + mixed * way.max(0.0)
}

/// Whether a change, °C, ended where the air is, having begun far from it: either the water
/// has come to the air's temperature, and goes no farther, or its probe hangs in the air.
pub fn came_to_the_air(from_c: f64, to_c: f64, air_c: f64) -> bool {
    (from_c - air_c).abs() >= APART_C && (to_c - air_c).abs() <= AIR_C
}

fn natural_c(seconds: f64) -> f64 {
    NATURAL_C_H * seconds / 3600.0
}

impl Immersion {
    /// Takes a reading that is later than all before it.
    pub fn step(&mut self, at: Timestamp, value_c: f64, around: &ProbeSurroundings) -> Immersed {
        let now = Seen { at, c: value_c, air_c: around.air_c, other_c: around.other_c };
        if self.last.is_some_and(|last| at <= last.at) {
            return self.now();
        }
        let earlier = self.before_last.take();
        let Some(last) = self.last.replace(now) else { return Immersed::In };
        let gap_s = seconds(last.at, at);
        if at.as_second() - last.at.as_second() <= SILENCE_S {
            self.before_last = Some(last);
        }
        let moved = value_c - last.c;
        let jumped = moved.abs() > natural_c(gap_s) + JUMP_C;
        if self.excursion.is_none() {
            if !jumped || at.as_second() - last.at.as_second() > SILENCE_S {
                return Immersed::In;
            }
            self.excursion = Some(Excursion {
                before: last,
                alone: earlier.is_none(),
                from: at,
                peak_c: moved,
                out: None,
                second: at,
                still: (at, value_c, value_c, 0),
                air: None,
            });
        }
        let Some(excursion) = &mut self.excursion else { return Immersed::In };
        let away = value_c - excursion.before.c;
        if away.abs() > excursion.peak_c.abs() && away.signum() * excursion.peak_c.signum() > 0.0 {
            excursion.peak_c = away;
        }
        let jumped_back = jumped && moved * excursion.peak_c < 0.0;
        let back = jumped_back && away.abs() <= (BACK_PART * excursion.peak_c.abs()).max(JUMP_C);
        excursion.note(now);
        // After a change that no water makes, two that agree outweigh a single one before it.
        let odd = excursion.alone && excursion.out.is_some() && excursion.still.3 >= 2 && !back;
        if odd {
            excursion.from = excursion.before.at;
        }
        let end = if odd {
            ExcursionEnd::WasOdd
        } else if excursion.out.is_some() {
            excursion.end_outside(now, back)
        } else if back {
            ExcursionEnd::WasOut
        } else if at.as_second() - excursion.before.at.as_second() > EXCURSION_S {
            ExcursionEnd::Real
        } else {
            excursion.out = excursion.shown_out(now, around.volume_l);
            ExcursionEnd::NotYet
        };
        let (from, out, before_c) = (excursion.from, excursion.out, excursion.before.c);
        let second = excursion.second;
        match end {
            ExcursionEnd::NotYet => {}
            ExcursionEnd::Real => self.excursion = None,
            ExcursionEnd::WasOut => self.end_aside(from, at),
            ExcursionEnd::WasOdd => self.end_aside(from, second),
        }
        match out {
            Some(why) if matches!(end, ExcursionEnd::NotYet) => Immersed::Out { why, since: from, before_c },
            _ => Immersed::In,
        }
    }

    /// Ends the excursion and sets a stretch aside.
    fn end_aside(&mut self, from: Timestamp, to: Timestamp) {
        self.excursion = None;
        if self.aside.len() >= ASIDE_MAX {
            self.aside.remove(0);
        }
        self.aside.push((from, to));
    }

    /// Where the probe is after the last reading.
    pub fn now(&self) -> Immersed {
        match &self.excursion {
            Some(Excursion { out: Some(why), from, before, .. }) => {
                Immersed::Out { why: *why, since: *from, before_c: before.c }
            }
            _ => Immersed::In,
        }
    }

    /// Stretches during which the probe was out, oldest first, the end not included.
    pub fn aside(&self) -> &[(Timestamp, Timestamp)] {
        &self.aside
    }

    /// Takes back the reading of that time: its neighbour has shown it to be
    /// false. An excursion that it began is forgotten with it.
    pub fn take_back(&mut self, at: Timestamp) {
        if let Some(excursion) = self.excursion
            && excursion.from == at
        {
            self.last = Some(excursion.before);
            self.before_last = None;
            self.excursion = None;
        } else if self.last.is_some_and(|last| last.at == at) && self.before_last.is_some() {
            self.last = self.before_last.take();
        }
    }
}

/// How an excursion ends.
#[derive(Clone, Copy, Debug)]
enum ExcursionEnd {
    NotYet,
    /// The water really changed.
    Real,
    /// The probe was out and is back.
    WasOut,
    /// The reading before it was false.
    WasOdd,
}

impl Excursion {
    /// Keeps what later questions need.
    fn note(&mut self, now: Seen) {
        let known_air = now.air_c.is_some_and(|air| (now.c - air).abs() > AIR_C);
        let (range_c, _) = still(known_air);
        let (since, low, high, count) = self.still;
        let (low, high) = (low.min(now.c), high.max(now.c));
        self.still =
            if high - low > range_c { (now.at, now.c, now.c, 1) } else { (since, low, high, count + 1) };
        // A probe takes some minutes to reach the air's temperature.
        if let Some(air) = now.air_c
            && seconds(self.from, now.at) >= 900.0
        {
            let off = (now.c - air).abs();
            self.air = Some(match self.air {
                None => (off, air, air),
                Some((most, low, high)) => (most.max(off), low.min(air), high.max(air)),
            });
        }
    }

    fn shown_out(&self, now: Seen, volume_l: f64) -> Option<Outside> {
        let away = now.c - self.before.c;
        let elapsed_s = seconds(self.before.at, now.at);
        if now.at.as_second() - self.before.at.as_second() <= FILLED_S
            && away.abs() > fastest_change_c(volume_l, self.before.c, elapsed_s, away > 0.0)
        {
            return Some(Outside::TooFast);
        }
        if self.others_disagree(now) {
            return Some(Outside::Unseen);
        }
        let was_apart = self.before.air_c.is_some_and(|air| (air - self.before.c).abs() >= APART_C);
        if let Some((off, low, high)) = self.air
            && was_apart
            && off <= AIR_C
            && high - low >= AIR_C
        {
            return Some(Outside::FollowsAir);
        }
        None
    }

    fn others_disagree(&self, now: Seen) -> bool {
        let away = now.c - self.before.c;
        match (self.before.other_c, now.other_c) {
            (Some(before), Some(other)) => {
                away.abs() >= UNSEEN_MIN_C && (other - before).abs() < UNSEEN_PART * away.abs()
            }
            _ => false,
        }
    }

    /// A probe that is out: back by a jump or by standing still where the water
    /// may be; or standing still elsewhere, away from the air: then the water
    /// really changed.
    fn end_outside(&self, now: Seen, back: bool) -> ExcursionEnd {
        if back {
            return ExcursionEnd::WasOut;
        }
        let (since, low, high, count) = self.still;
        let apart = now.air_c.map(|air| (low - air).abs().min((high - air).abs()) > AIR_C);
        if apart == Some(false) || count < 4 || self.others_disagree(now) {
            return ExcursionEnd::NotYet;
        }
        let (_, still_s) = still(apart == Some(true));
        if seconds(since, now.at) < still_s {
            return ExcursionEnd::NotYet;
        }
        let away_s = seconds(self.before.at, now.at);
        if (now.c - self.before.c).abs() <= (1.0 + DRIFT_C_H * away_s / 3600.0).min(DRIFT_MOST_C) {
            return ExcursionEnd::WasOut;
        }
        let drift = natural_c(away_s).min(DRIFT_MOST_C);
        if now.c >= FILL_C.0.min(self.before.c - drift) && now.c <= FILL_C.1.max(self.before.c + drift) {
            ExcursionEnd::Real
        } else {
            ExcursionEnd::NotYet
        }
    }
}

/// Range and time within which readings stand still as only water does: asked
/// more of where the air is not known or near, since air stands still too.
fn still(air_is_elsewhere: bool) -> (f64, f64) {
    if air_is_elsewhere { (0.5, 1800.0) } else { (0.3, 3600.0) }
}

fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    (to.as_millisecond() - from.as_millisecond()) as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Probe {
        watch: Immersion,
        at_s: i64,
    }

    impl Probe {
        fn new() -> Self {
            Self { watch: Immersion::default(), at_s: 1_776_000_000 }
        }

        /// One reading a step; gives what was thought after each.
        fn feed(
            &mut self,
            every_s: i64,
            values: impl IntoIterator<Item = f64>,
            air: impl Fn(i64) -> Option<f64>,
            other_c: Option<f64>,
        ) -> Vec<bool> {
            values
                .into_iter()
                .map(|value| {
                    self.at_s += every_s;
                    let at = Timestamp::from_second(self.at_s).expect("in range");
                    let around = ProbeSurroundings { volume_l: 500.0, air_c: air(self.at_s), other_c };
                    self.watch.step(at, value, &around) != Immersed::In
                })
                .collect()
        }
    }

    const NO_AIR: fn(i64) -> Option<f64> = |_| None;

    /// 500 L at 20 °C; 200 L of 11 °C in 20 min: T = 11 + 9 exp(-V/500).
    fn cold_top_up(every_s: i64) -> Vec<f64> {
        (1..=1200 / every_s)
            .map(|i| 11.0 + 9.0 * (-(10.0 * (i * every_s) as f64 / 60.0) / 500.0).exp())
            .collect()
    }

    #[test]
    fn a_cold_top_up_is_a_change_of_the_water() {
        for every_s in [15, 60, 300, 600] {
            let mut probe = Probe::new();
            let mut out = probe.feed(every_s, vec![20.0; 20], NO_AIR, None);
            out.extend(probe.feed(every_s, cold_top_up(every_s), NO_AIR, None));
            let end_c = 11.0 + 9.0 * (-0.4_f64).exp();
            out.extend(probe.feed(every_s, vec![end_c; 200], NO_AIR, None));
            assert!(out.iter().all(|out| !out), "every {every_s} s");
            assert!(probe.watch.aside().is_empty());
        }
    }

    /// A lift into air of 34 °C for half an hour, warming with 4 minutes.
    fn lift(every_s: i64, from_c: f64, air_c: f64, minutes: i64) -> Vec<f64> {
        (1..=minutes * 60 / every_s)
            .map(|i| air_c + (from_c - air_c) * (-((i * every_s) as f64) / 240.0).exp())
            .collect()
    }

    #[test]
    fn a_probe_in_hot_air_is_known_at_once_and_leaves_no_trace() {
        for every_s in [60, 300, 600] {
            let mut probe = Probe::new();
            probe.feed(every_s, vec![20.0; 10], NO_AIR, None);
            let out = probe.feed(every_s, lift(every_s, 20.0, 38.0, 40), NO_AIR, None);
            assert!(out.iter().skip(2).all(|out| *out), "every {every_s} s: {out:?}");
            let back = probe.feed(every_s, vec![20.2; 10], NO_AIR, None);
            assert!(back.iter().all(|out| !out));
            assert_eq!(probe.watch.aside().len(), 1);
        }
    }

    #[test]
    fn a_lift_that_a_hose_could_have_made_is_set_aside_when_it_is_over() {
        let mut probe = Probe::new();
        probe.feed(300, vec![20.0; 10], NO_AIR, None);
        let out = probe.feed(300, lift(300, 20.0, 16.0, 40), NO_AIR, None);
        assert!(out.iter().all(|out| !out), "a doubt is decided for the fish");
        probe.feed(300, vec![19.9; 3], NO_AIR, None);
        assert_eq!(probe.watch.aside().len(), 1);
    }

    #[test]
    fn another_thermometer_tells_at_once() {
        let mut probe = Probe::new();
        probe.feed(300, vec![20.0; 10], NO_AIR, Some(20.1));
        let out = probe.feed(300, lift(300, 20.0, 15.0, 40), NO_AIR, Some(20.0));
        assert!(out[0] && out.iter().all(|out| *out));
        // It saw the same: the water changed.
        let mut probe = Probe::new();
        probe.feed(300, vec![20.0; 10], NO_AIR, Some(20.1));
        let out = probe.feed(300, cold_top_up(300), NO_AIR, Some(17.5));
        assert!(out.iter().all(|out| !out));
    }

    #[test]
    fn a_probe_that_follows_the_air_is_found_out_with_time() {
        let air = |s: i64| Some(12.0 + 2.0 * ((s - 1_776_000_000) as f64 / 3600.0 * 0.8).sin());
        let mut probe = Probe::new();
        probe.feed(600, vec![20.0; 6], air, None);
        let start = probe.at_s;
        let in_air: Vec<f64> = (1..=30).map(|i| air(start + i * 600).expect("air") + 0.3).collect();
        let out = probe.feed(600, in_air, air, None);
        assert_eq!(out.last(), Some(&true), "{out:?}");
    }

    #[test]
    fn water_that_really_changed_beyond_the_bound_is_believed_once_it_stands() {
        let mut probe = Probe::new();
        probe.feed(60, vec![20.0; 10], NO_AIR, None);
        // A probe in the stream of the hose: far below the bound within a minute.
        let out = probe.feed(60, vec![12.0; 5], NO_AIR, None);
        assert!(out.iter().all(|out| *out));
        let out = probe.feed(60, vec![15.5; 90], NO_AIR, None);
        assert!(out[0] && !out[89]);
        assert!(probe.watch.aside().is_empty(), "nothing is set aside: the change is judged");
    }

    /// The first reading, or the first after a long silence, is off by six degrees.
    #[test]
    fn an_odd_first_reading_is_set_aside_after_one_interval() {
        for (before, silence_s) in [(0, 0), (10, 4 * 3600)] {
            let mut probe = Probe::new();
            probe.feed(60, vec![20.0; before], NO_AIR, None);
            probe.at_s += silence_s;
            let out = probe.feed(60, [26.0, 20.0, 20.1, 20.0], NO_AIR, None);
            assert_eq!(out, [false, true, false, false]);
            let &[(from, to)] = probe.watch.aside() else { panic!("{:?}", probe.watch.aside()) };
            assert_eq!(to.as_second() - from.as_second(), 60, "the odd reading alone");
        }
    }

    /// A change that a hose can make counts, whatever stands before it.
    #[test]
    fn a_real_change_after_a_single_reading_counts() {
        let mut probe = Probe::new();
        let out = probe.feed(600, [20.0, 16.0, 16.0, 16.1], NO_AIR, None);
        assert!(out.iter().all(|out| !out) && probe.watch.aside().is_empty());
    }

    #[test]
    fn what_no_tank_reaches_is_never_believed() {
        let mut probe = Probe::new();
        probe.feed(900, vec![31.0; 10], NO_AIR, None);
        let out = probe.feed(900, vec![50.0; 700], NO_AIR, None);
        assert!(out.iter().all(|out| *out));
        let out = probe.feed(900, vec![28.8; 4], NO_AIR, None);
        assert_eq!(out.last(), Some(&false), "{out:?}");
    }
}
