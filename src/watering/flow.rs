//! What a water meter counted: when water ran, and how much.
//!
//! A meter's message carries the litres since the message before, so that water
//! ran at some moment between the two. Messages with water that follow each
//! other within half an hour are one run: a hose is put down and taken up again.

use std::collections::VecDeque;

use jiff::{SignedDuration, Timestamp};

use crate::model::HeardSpan;

/// A pause this long ends a run, seconds.
const PAUSE_S: i64 = 1800;
/// How long messages with water are kept, seconds: two days.
const KEPT_S: i64 = 2 * 86_400;
/// Messages with water that are kept: two days of one every minute. When it is
/// full the two oldest become one.
const KEPT_MAX: usize = 2_900;

/// Water that ran.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FlowRun {
    /// The message before the first with water: it did not run sooner.
    pub from: Timestamp,
    /// The last message with water: it did not run later.
    pub to: Timestamp,
    pub litres: f64,
}

/// Watches one meter.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct FlowWatch {
    counted: VecDeque<FlowRun>,
    run: Option<FlowRun>,
    /// The run before the present one, or the last where none goes on.
    ended: Option<FlowRun>,
    heard: HeardSpan,
}

impl FlowWatch {
    /// Adds a good message, later than all before it: litres since the message
    /// before. `every_s` is how often it speaks, `patience_s` how long it may
    /// say nothing. Returns the current run, where water ran.
    pub fn push(&mut self, at: Timestamp, litres: f64, every_s: i64, patience_s: i64) -> Option<FlowRun> {
        let before =
            self.heard.last_at().unwrap_or_else(|| at.saturating_sub(seconds(every_s)).unwrap_or(at));
        self.heard.hear(at, patience_s);
        while self.counted.front().is_some_and(|run| at.as_second() - run.to.as_second() > KEPT_S) {
            self.counted.pop_front();
        }
        // What is not a number counts for nothing.
        if litres.is_nan() || litres <= 0.0 {
            if self.run.is_some_and(|run| at.as_second() - run.to.as_second() > PAUSE_S) {
                self.ended = self.run.take();
            }
            return None;
        }
        let message = FlowRun { from: before, to: at, litres };
        if self.counted.len() >= KEPT_MAX
            && let Some(oldest) = self.counted.pop_front()
            && let Some(next) = self.counted.front_mut()
        {
            next.from = oldest.from;
            next.litres += oldest.litres;
        }
        self.counted.push_back(message);
        let joined = match self.run {
            Some(run) if before.as_second() - run.to.as_second() <= PAUSE_S => {
                FlowRun { from: run.from, to: at, litres: run.litres + litres }
            }
            _ => message,
        };
        self.run = Some(joined);
        self.run
    }

    /// A message of that time could not be counted: until past it nothing is
    /// known of water that did not run.
    pub fn miss(&mut self, at: Timestamp) {
        self.heard.miss(at);
    }

    /// The run that goes on, or ended less than half an hour ago.
    pub fn running(&self) -> Option<FlowRun> {
        self.run
    }

    /// The run that goes on, else the last one that ended.
    pub fn last_run(&self) -> Option<FlowRun> {
        self.run.or(self.ended)
    }

    /// The last message with water in it.
    pub fn last_message(&self) -> Option<FlowRun> {
        self.counted.back().copied()
    }

    /// The messages with water of the last two days, oldest first.
    pub fn messages(&self) -> impl Iterator<Item = &FlowRun> {
        self.counted.iter()
    }

    /// Time of the last good message.
    pub fn last_at(&self) -> Option<Timestamp> {
        self.heard.last_at()
    }

    /// Litres of the messages that can have run within `from` to `to`.
    pub fn litres(&self, from: Timestamp, to: Timestamp) -> f64 {
        self.counted.iter().filter(|run| run.from < to && run.to > from).map(|run| run.litres).sum()
    }

    /// Whether every message since `from` was heard, so that no water is no water.
    pub fn whole_since(&self, from: Timestamp) -> bool {
        self.heard.is_whole_since(from)
    }
}

fn seconds(s: i64) -> SignedDuration {
    SignedDuration::from_secs(s)
}

#[cfg(test)]
mod tests {
    use super::*;

    const QUARTER_S: i64 = 900;

    fn t(quarter: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_600 + quarter * QUARTER_S).expect("in range")
    }

    fn watch(litres: &[f64]) -> FlowWatch {
        let mut watch = FlowWatch::default();
        for (quarter, litres) in (0..).zip(litres) {
            watch.push(t(quarter), *litres, QUARTER_S, 3000);
        }
        watch
    }

    #[test]
    fn a_run_begins_at_the_message_before_and_adds_up() {
        let run = watch(&[0.0, 0.0, 12.0, 30.0, 5.0]).running().expect("it runs");
        assert_eq!((run.from, run.to), (t(1), t(4)));
        assert!((run.litres - 47.0).abs() < 1e-9);
    }

    #[test]
    fn a_short_pause_is_one_run_and_a_long_one_two() {
        assert_eq!(watch(&[0.0, 10.0, 0.0, 0.0, 10.0]).running().map(|r| r.from), Some(t(0)));
        let after = watch(&[0.0, 10.0, 0.0, 0.0, 0.0, 10.0]);
        assert_eq!(after.running().map(|r| r.from), Some(t(4)));
        let over = watch(&[0.0, 10.0, 5.0, 0.0, 0.0, 0.0]);
        assert_eq!(over.running(), None);
        assert_eq!(over.last_run().map(|run| (run.from, run.to)), Some((t(0), t(2))));
        assert!((over.last_run().expect("it ran").litres - 15.0).abs() < 1e-9);
    }

    #[test]
    fn litres_are_those_that_can_have_run_between_two_times() {
        let watch = watch(&[0.0, 10.0, 20.0, 0.0, 40.0]);
        assert!((watch.litres(t(0), t(4)) - 70.0).abs() < 1e-9);
        assert!((watch.litres(t(2), t(4)) - 40.0).abs() < 1e-9);
        assert!(watch.litres(t(2), t(3)).abs() < 1e-9);
        assert!(watch.litres(t(4), t(9)).abs() < 1e-9);
    }

    #[test]
    fn a_silence_or_a_lost_message_leaves_no_water_unknown() {
        let mut quiet = watch(&[0.0, 0.0, 0.0]);
        assert!(quiet.whole_since(t(0)) && !quiet.whole_since(t(-1)));
        quiet.push(t(8), 0.0, QUARTER_S, 3000);
        assert!(!quiet.whole_since(t(1)) && quiet.whole_since(t(8)));
        let mut bad = watch(&[0.0, 0.0, 0.0]);
        bad.miss(t(3));
        assert!(!bad.whole_since(t(1)));
        assert_eq!(bad.push(t(4), f64::NAN, QUARTER_S, 3000), None);
    }

    #[test]
    fn years_of_water_stay_bounded_and_whole() {
        let mut watch = FlowWatch::default();
        let second = |i: i64| Timestamp::from_second(1_776_000_000 + i).expect("in range");
        for i in 0..10_000 {
            watch.push(second(i * 10), 0.5, 10, 300);
        }
        assert!(watch.counted.len() <= KEPT_MAX);
        assert!((watch.running().expect("it runs").litres - 5000.0).abs() < 1e-6);
    }
}
