//! What a gauge or a water meter counted, and when it was heard.

use jiff::Timestamp;

use super::span::seconds;
use crate::history::Point;

/// One message with something in it.
#[derive(Clone, Copy, Debug)]
struct CountedMessage {
    /// The message before: it did not come sooner.
    from: Timestamp,
    at: Timestamp,
    amount: f64,
}

/// The record of one sensor whose values add up.
#[derive(Clone, Debug, Default)]
pub(super) struct Counted {
    messages: Vec<CountedMessage>,
    /// Stretches of which not all is known.
    breaks: Vec<(Timestamp, Timestamp)>,
    heard: Option<(Timestamp, Timestamp)>,
    patience_s: i64,
}

impl Counted {
    /// Takes readings in order of time.
    pub(super) fn new(points: &[Point], every_s: u32, patience_s: i64) -> Self {
        let mut found = Self { patience_s, ..Self::default() };
        let mut before: Option<Timestamp> = None;
        for point in points {
            let every = jiff::SignedDuration::from_secs(i64::from(every_s));
            let from = before.unwrap_or_else(|| point.at.saturating_sub(every).unwrap_or(point.at));
            let good = point.good().filter(|amount| *amount >= 0.0);
            if good.is_none() || seconds(from, point.at) > patience_s {
                found.breaks.push((from, point.at));
            }
            if let Some(amount) = good.filter(|amount| *amount > 0.0) {
                found.messages.push(CountedMessage { from, at: point.at, amount });
            }
            found.heard = Some((found.heard.map_or(from, |heard| heard.0), point.at));
            before = Some(point.at);
        }
        found
    }

    /// Whether it spoke all the time from `from` to `to`.
    pub(super) fn whole(&self, from: Timestamp, to: Timestamp) -> bool {
        let Some((first, last)) = self.heard else { return false };
        let after = self.breaks.partition_point(|broken| broken.1 <= from);
        first <= from
            && seconds(last, to) <= self.patience_s
            && self.breaks.get(after).is_none_or(|broken| broken.0 >= to)
    }

    /// Whether it was heard as long ago as that.
    pub(super) fn heard_since(&self, at: Timestamp) -> bool {
        self.heard.is_some_and(|(first, _)| first <= at)
    }

    /// What was counted by messages after `from` and up to `to`.
    pub(super) fn sum(&self, from: Timestamp, to: Timestamp) -> f64 {
        let first = self.messages.partition_point(|message| message.at <= from);
        self.messages[first..].iter().take_while(|it| it.at <= to).fold(0.0, |sum, it| sum + it.amount)
    }

    /// What can have come within `from` to `to`: also of messages that reach beyond.
    pub(super) fn touching(&self, from: Timestamp, to: Timestamp) -> f64 {
        let first = self.messages.partition_point(|message| message.at <= from);
        self.messages[first..].iter().take_while(|it| it.from < to).fold(0.0, |sum, it| sum + it.amount)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::Flag;

    fn t(minute: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + minute * 60).expect("in range")
    }

    fn point(minute: i64, value: f64, flag: Flag) -> Point {
        Point { at: t(minute), raw: 0.0, value: Some(value), flag, late: false }
    }

    #[test]
    fn a_pause_and_a_bad_reading_are_breaks_and_sums_are_half_open() {
        let points: Vec<Point> = [(15, 0.0), (30, 0.2), (45, 0.4), (60, 0.0), (200, 0.2), (215, 0.0)]
            .map(|(minute, mm)| point(minute, mm, Flag::Pass))
            .to_vec();
        let gauge = Counted::new(&points, 900, 3000);
        assert!((gauge.sum(t(30), t(45)) - 0.4).abs() < 1e-12);
        assert!((gauge.sum(t(29), t(45)) - 0.6).abs() < 1e-12);
        assert!((gauge.touching(t(20), t(31)) - 0.6).abs() < 1e-12);
        assert!(gauge.whole(t(0), t(60)) && !gauge.whole(t(-1), t(60)));
        assert!(!gauge.whole(t(30), t(100)) && gauge.whole(t(200), t(220)));
        assert!(!gauge.whole(t(200), t(300)), "it has fallen silent");
        let mut bad = points.clone();
        bad[2].flag = Flag::Fail;
        let gauge = Counted::new(&bad, 900, 3000);
        assert!(gauge.whole(t(0), t(30)) && !gauge.whole(t(0), t(31)));
        assert!(!Counted::default().whole(t(0), t(1)));
    }
}
