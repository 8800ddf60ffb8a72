//! Whether a gauge is to be believed: the beds are asked.
//!
//! When several beds grow wetter at once and nobody is likely to have watered
//! them, it rained. Each such event is evidence: less than a millimetre in the
//! gauge weighs ln(0.95/0.1) against it, a catch takes off ln(0.9/0.1). The sum
//! never falls below zero, and two net misses make the gauge suspect. The
//! weights were tried on open records of soil and rain, where they found eight
//! of eight dead gauges; they are this project's own, not a standard's.
//!
//! Misses that come again at the same time of the day weigh nothing: rain keeps
//! no timetable, a tap timer does.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::why::{Check, Equation, Step};

/// GaugeEvidence that is remembered; the oldest goes first.
const KEPT_MAX: usize = 16;
/// Testimonies that can still be taken back.
const HEARD_MAX: usize = 64;
/// Misses whose times of day lie this close together look like a timer's, minutes.
const SAME_TIME_MIN: u16 = 40;
/// And they must be this far apart, and no farther, seconds.
const APART_S: std::ops::RangeInclusive<i64> = 43_200..=9 * 86_400;
const DAY_MIN: u16 = 1440;
/// What people write down within this of an event is about it, seconds.
const SAME_EVENT_S: i64 = 3 * 3600;

/// What the evidence against a gauge comes to.
pub const EVIDENCE: Equation = Equation {
    gives: "evidence against the rain gauge",
    form: "L = L + a ln(0.95/0.1) for a miss (a 1, or 0.7 where timers may run), max(0, L - ln(0.9/0.1)) for a catch; suspect \
           from 2 ln(0.95/0.1)",
    source: "this project's own rule, chosen on open records of soil probes beside rain gauges",
    check: Check::None("no publication holds it; the score over simulated months does"),
};

/// Several beds grew wetter at once.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct GaugeEvidence {
    /// When the first of them began.
    pub at: Timestamp,
    /// Minute of the local day, 0 to 1439.
    pub minute: u16,
    /// Whether the gauge caught enough to explain it.
    pub caught: bool,
    /// How much a miss counts, above 0 to 1: less where a timer may have opened
    /// the beds.
    pub weight: f64,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct KeptEvidence {
    evidence: GaugeEvidence,
    /// The same time of day came again without rain.
    timer: bool,
}

/// What was brought forward about a gauge.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
enum GaugeTestimony {
    Beds(GaugeEvidence),
    People { at: Timestamp, minute: u16, rain: bool, missed: bool },
}

/// GaugeEvidence about one gauge.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct GaugeReliability {
    kept: VecDeque<KeptEvidence>,
    /// The last testimonies in their order, so that one of them can be taken back, and
    /// what was kept before the first of them.
    heard: VecDeque<GaugeTestimony>,
    before: VecDeque<KeptEvidence>,
}

/// How a gauge stands.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GaugeVerdict {
    /// GaugeEvidence against it, natural logarithm of the odds, 0 or more.
    pub against: f64,
    /// Misses since it was last trusted in full.
    pub missed: u32,
    /// Catches among them.
    pub caught: u32,
    /// The first of these misses.
    pub since: Option<Timestamp>,
}

impl GaugeVerdict {
    /// Whether the gauge's readings are ignored.
    pub fn suspect(&self) -> bool {
        self.against >= GaugeReliability::SUSPECT
    }

    /// The evidence with its numbers.
    pub fn step(&self) -> Step {
        EVIDENCE.step(format!(
            "{} missed and {} caught since it was last trusted in full: L = {:.2}, suspect from {:.2}",
            self.missed,
            self.caught,
            self.against,
            GaugeReliability::SUSPECT
        ))
    }
}

impl GaugeReliability {
    /// Natural logarithm of 0.95/0.1.
    const MISS: f64 = 2.251_291_798_606_495;
    /// Natural logarithm of 0.9/0.1.
    const HIT: f64 = 2.197_224_577_336_219_4;
    /// Two net misses, less a rounding margin.
    const SUSPECT: f64 = 2.0 * Self::MISS - 1e-9;
    /// GaugeEvidence is not piled up for ever, so that a mended gauge is believed
    /// again after two or three rains.
    const MOST: f64 = 3.0 * Self::MISS;

    /// Several beds grew wetter at once; the gauge caught it or did not.
    pub fn beds_rose(&mut self, evidence: GaugeEvidence) {
        self.hear(GaugeTestimony::Beds(evidence));
    }

    fn hear(&mut self, testimony: GaugeTestimony) {
        testimony.weigh(&mut self.kept);
        self.heard.push_back(testimony);
        if self.heard.len() > HEARD_MAX
            && let Some(oldest) = self.heard.pop_front()
        {
            oldest.weigh(&mut self.before);
        }
    }

    fn weigh_again(&mut self) {
        self.kept.clone_from(&self.before);
        for testimony in &self.heard {
            testimony.weigh(&mut self.kept);
        }
    }

    /// Somebody says what wetted the beds at about a time: rain, which the gauge missed,
    /// or watering, which says nothing about it. `missed`: whether the gauge was heard
    /// then and caught nothing. It overrules what the beds alone made likely.
    pub fn people_said(&mut self, at: Timestamp, minute: u16, rain: bool, missed: bool) {
        self.hear(GaugeTestimony::People { at, minute, rain, missed });
    }

    /// What somebody said of a time is taken back.
    pub fn people_unsaid(&mut self, at: Timestamp, rain: bool) {
        let is_it = |it: &GaugeTestimony| matches!(it, GaugeTestimony::People { at: of, rain: said, .. } if *of == at && *said == rain);
        if let Some(place) = self.heard.iter().rposition(is_it) {
            self.heard.remove(place);
            self.weigh_again();
        }
    }

    /// What the evidence comes to.
    pub fn verdict(&self) -> GaugeVerdict {
        let mut verdict = GaugeVerdict::default();
        for KeptEvidence { evidence, timer } in &self.kept {
            if evidence.caught {
                verdict.against = (verdict.against - Self::HIT).max(0.0);
                if verdict.against <= 0.0 {
                    verdict = GaugeVerdict::default();
                } else {
                    verdict.caught += 1;
                }
            } else if !timer {
                verdict.against = (verdict.against + evidence.weight * Self::MISS).min(Self::MOST);
                verdict.missed += 1;
                verdict.since.get_or_insert(evidence.at);
            }
        }
        verdict
    }

    /// Whether the gauge's readings are ignored.
    pub fn suspect(&self) -> bool {
        self.verdict().suspect()
    }

    /// What was noted after `limit` is forgotten: the clock was wrong.
    pub fn forget_after(&mut self, limit: Timestamp) {
        self.before.retain(|kept| kept.evidence.at <= limit);
        self.heard.retain(|heard| heard.at() <= limit);
        self.weigh_again();
    }
}

impl GaugeTestimony {
    /// When it was.
    fn at(&self) -> Timestamp {
        match self {
            Self::Beds(evidence) => evidence.at,
            Self::People { at, .. } => *at,
        }
    }

    /// Puts it to what is kept.
    fn weigh(&self, all: &mut VecDeque<KeptEvidence>) {
        match *self {
            Self::Beds(evidence) => beds_rose(all, evidence),
            Self::People { at, minute, rain, missed } => people_said(all, at, minute, rain, missed),
        }
    }
}

fn beds_rose(all: &mut VecDeque<KeptEvidence>, evidence: GaugeEvidence) {
    let mut timer = false;
    if !evidence.caught {
        let again = all.iter().position(|kept| {
            let apart_s = evidence.at.as_second() - kept.evidence.at.as_second();
            !kept.evidence.caught
                && APART_S.contains(&apart_s)
                && minutes_apart(kept.evidence.minute, evidence.minute) <= SAME_TIME_MIN
        });
        // One entry stands for all that came at that time of day.
        timer = again.and_then(|i| all.remove(i)).is_some();
    }
    if all.len() >= KEPT_MAX {
        all.pop_front();
    }
    all.push_back(KeptEvidence { evidence, timer });
}

fn people_said(all: &mut VecDeque<KeptEvidence>, at: Timestamp, minute: u16, rain: bool, missed: bool) {
    let near = |kept: &KeptEvidence| (kept.evidence.at.as_second() - at.as_second()).abs() <= SAME_EVENT_S;
    match all.iter().position(near) {
        Some(i) if all[i].evidence.caught => {}
        Some(i) if rain => {
            all[i].evidence.weight = 1.0;
            all[i].timer = false;
        }
        Some(i) => {
            all.remove(i);
        }
        None if rain && missed => {
            let place = all.partition_point(|kept| kept.evidence.at <= at);
            let evidence = GaugeEvidence { at, minute, caught: false, weight: 1.0 };
            all.insert(place, KeptEvidence { evidence, timer: false });
            if all.len() > KEPT_MAX {
                all.pop_front();
            }
        }
        None => {}
    }
}

/// Minutes between two times of day, the shorter way round.
pub fn minutes_apart(a: u16, b: u16) -> u16 {
    let apart = a.abs_diff(b) % DAY_MIN;
    apart.min(DAY_MIN - apart)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An event on a day at a minute of the day.
    fn event(day: i64, minute: u16, caught: bool) -> GaugeEvidence {
        let at_s = 1_776_000_000 + day * 86_400 + i64::from(minute) * 60;
        GaugeEvidence { at: Timestamp::from_second(at_s).expect("in range"), minute, caught, weight: 1.0 }
    }

    fn reliability(events: &[(i64, u16, bool)]) -> GaugeReliability {
        let mut reliability = GaugeReliability::default();
        for &(day, minute, caught) in events {
            reliability.beds_rose(event(day, minute, caught));
        }
        reliability
    }

    #[test]
    fn two_net_misses_make_a_gauge_suspect_and_a_catch_restores_it() {
        let mut events = vec![(0, 100, true)];
        assert_eq!(reliability(&events).verdict(), GaugeVerdict::default(), "trust is not saved up");
        events.push((1, 300, false));
        assert!(!reliability(&events).suspect());
        events.push((2, 700, true));
        events.push((3, 900, false));
        assert!(!reliability(&events).suspect(), "one net miss");
        events.push((4, 1200, false));
        let verdict = reliability(&events).verdict();
        assert!(verdict.suspect());
        assert_eq!((verdict.missed, verdict.since), (3, Some(event(1, 300, false).at)));
        events.push((5, 1300, true));
        assert!(!reliability(&events).suspect());
    }

    #[test]
    fn a_mended_gauge_is_believed_again() {
        let mut reliability = GaugeReliability::default();
        for day in 0..100 {
            reliability.beds_rose(event(day, (day * 109 % 1440) as u16, false));
        }
        assert!(reliability.suspect());
        for day in 100..103 {
            reliability.beds_rose(event(day, 0, true));
        }
        assert!(!reliability.suspect());
        assert!(reliability.kept.len() <= KEPT_MAX);
    }

    #[test]
    fn what_people_say_overrules_what_the_beds_made_likely() {
        let mut reliability = reliability(&[(0, 330, false), (1, 700, false)]);
        let said = |day: i64, minute: u16| (event(day, minute, false).at, minute);
        assert!(reliability.suspect());
        let (at, minute) = said(1, 760);
        reliability.people_said(at, minute, false, true);
        assert!(!reliability.suspect(), "the second was watering");
        let (at, minute) = said(3, 60);
        reliability.people_said(at, minute, true, true);
        assert!(reliability.suspect(), "rain that the beds said nothing of");
        let (at, minute) = said(4, 1200);
        reliability.people_said(at, minute, true, false);
        assert_eq!(reliability.verdict().missed, 2, "the gauge was not heard");
        // A catch stays a catch.
        reliability.beds_rose(event(5, 600, true));
        let caught = reliability.verdict();
        let (at, minute) = said(5, 600);
        reliability.people_said(at, minute, false, true);
        assert_eq!(reliability.verdict(), caught);
    }

    #[test]
    fn what_people_said_can_be_taken_back() {
        let mut reliability = reliability(&[(0, 330, false), (1, 700, false)]);
        let said = event(1, 760, false).at;
        reliability.people_said(said, 760, false, true);
        reliability.beds_rose(event(2, 900, false));
        assert!(reliability.suspect(), "the first and the third");
        assert_eq!(reliability.verdict().missed, 2);
        reliability.people_unsaid(said, true);
        assert_eq!(reliability.verdict().missed, 2, "nobody said that it was rain");
        reliability.people_unsaid(said, false);
        assert_eq!(reliability.verdict().missed, 3);
        reliability.people_unsaid(said, false);
        assert_eq!(reliability.verdict().missed, 3, "taken back twice is taken back once");
        // What lies too far back stays as it was weighed.
        for day in 3..100 {
            reliability.beds_rose(event(day, 0, true));
        }
        assert!(reliability.heard.len() <= HEARD_MAX && reliability.kept.len() <= KEPT_MAX);
        let before = reliability.verdict();
        reliability.weigh_again();
        assert_eq!(reliability.verdict(), before);
    }

    #[test]
    fn what_comes_at_the_same_time_of_day_is_a_timer() {
        let daily: Vec<_> = (0..10).map(|day| (day, 330 + (day % 3) as u16 * 15, false)).collect();
        let verdict = reliability(&daily).verdict();
        assert_eq!((verdict.missed, verdict.suspect()), (0, false));
        // Across midnight.
        assert!(!reliability(&[(0, 1435, false), (2, 10, false), (3, 700, false)]).suspect());
        assert!(reliability(&[(0, 330, false), (1, 700, false)]).suspect());
    }
}
