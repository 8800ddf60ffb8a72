//! What the daemon measures of itself: its record, its disk, its queues, its
//! clocks and its messages.

use std::collections::VecDeque;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use crate::alarms::Priority;
use crate::garden::plan::Channel;

/// One look at everything. `None` is what was not looked at or could not be
/// measured; it changes nothing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SystemHealth {
    pub limits: HealthLimits,
    pub store: Option<StoreHealth>,
    /// Each forwarder's queue.
    pub queues: Option<Vec<QueueHealth>>,
    pub disk: Option<DiskHealth>,
    pub record: Option<RecordHealth>,
    pub broker: Option<BrokerHealth>,
    pub clock: Option<ClockHealth>,
    pub messages: Option<MessageHealth>,
    /// What was dropped in the last day because too much waited.
    pub dropped: Option<Vec<Dropped>>,
}

/// From where on something is the matter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HealthLimits {
    /// Rows that may wait for a forwarder.
    pub forward_rows: u64,
    /// How old the oldest of them may be, seconds.
    pub forward_age_s: u32,
    /// Bytes that must be free; `None`: see [`HealthLimits::free_bytes`].
    pub disk_free_bytes: Option<u64>,
    /// Bytes that the record may take; `None`: any.
    pub record_bytes: Option<u64>,
    /// A step of the computer's clock that is still taken for setting it right, seconds.
    pub clock_jump_s: u32,
    /// For how long a broker that is connected may send nothing, seconds. A garden whose
    /// sensors send more seldom is given more; see [`HealthLimits::silent_s`].
    pub broker_silent_s: u32,
}

impl Default for HealthLimits {
    fn default() -> Self {
        Self {
            forward_rows: 100_000,
            forward_age_s: 3600,
            disk_free_bytes: None,
            record_bytes: None,
            clock_jump_s: 60,
            broker_silent_s: 3600,
        }
    }
}

impl HealthLimits {
    /// The least that may be free where nothing else is said, and the most that is
    /// asked of a large disk, bytes.
    const FREE: std::ops::RangeInclusive<u64> = 500_000_000..=10_000_000_000;

    /// Bytes that must be free on a disk of this size: what was set, or a twentieth of
    /// it, but at least 500 MB and at most 10 GB. Common practice, without a source.
    pub fn free_bytes(&self, total_bytes: u64) -> u64 {
        self.disk_free_bytes.unwrap_or((total_bytes / 20).clamp(*Self::FREE.start(), *Self::FREE.end()))
    }

    /// For how long a broker may send nothing where the quickest sensor sends every
    /// `every_s` seconds: what was set, and at least three of its intervals and five
    /// minutes, after which that sensor itself counts as silent.
    pub fn silent_s(&self, every_s: u32) -> i64 {
        i64::from(self.broker_silent_s).max(3 * i64::from(every_s) + 300)
    }
}

/// Whether the record can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StoreHealth {
    Written,
    /// Nothing that was begun since this moment could be kept.
    Failing {
        since: Timestamp,
    },
}

/// What waits for one forwarder, and what its server refused.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct QueueHealth {
    pub name: String,
    pub rows: u64,
    /// The time of the oldest reading that waits.
    pub oldest: Option<Timestamp>,
    /// What it waits for, in the server's words; `None` where it goes on.
    pub waits_for: Option<String>,
    /// Readings that the server refused for good and has not taken since.
    pub refused: u64,
    /// What it said of the newest of them; empty where there is none.
    pub refused_why: String,
}

/// What was dropped because too much waited to be delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dropped {
    pub what: DroppedKind,
    /// How many were ever dropped.
    pub count: u64,
    /// When the last of them was.
    pub last: Timestamp,
}

/// What can be dropped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DroppedKind {
    /// Messages to people.
    Messages,
    /// States of alarms for the broker.
    Publications,
    /// Readings for other servers; they stay in the record.
    Readings,
}

impl DroppedKind {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Messages => "messages to people",
            Self::Publications => "states of alarms for the broker",
            Self::Readings => "readings for other servers",
        }
    }
}

/// The disk that holds the record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DiskHealth {
    /// What a program that is not root may still write.
    pub free_bytes: u64,
    pub total_bytes: u64,
    /// By how much the record grew in the last day, where that is known.
    pub grown_bytes_a_day: Option<f64>,
}

/// What the record takes on the disk.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RecordHealth {
    /// With its log of recent writes.
    pub bytes: u64,
    /// Bytes in it that nothing is in: they are used again before it grows.
    pub unused_bytes: u64,
    /// By how much it grew in the last day, where that is known.
    pub grown_bytes_a_day: Option<f64>,
}

impl RecordHealth {
    /// Whether it takes more than is planned for it.
    pub fn is_large(&self, limits: &HealthLimits) -> bool {
        limits.record_bytes.is_some_and(|limit| self.bytes > limit)
    }
}

/// Whether readings come from the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BrokerHealth {
    /// The session stands; the last message came, or the session began, at `heard`.
    Listening { heard: Timestamp },
    /// No session stands.
    Away(BrokerAway),
}

/// A broker without a session.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BrokerAway {
    /// When the session ended, or the first try failed.
    pub since: Timestamp,
    pub fault: BrokerFault,
    /// What the other side or the network said last.
    pub reason: String,
}

/// Why no session stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BrokerFault {
    /// Nothing answers, or the connection breaks.
    Unreachable,
    /// It answers, and refuses the user or what is subscribed to.
    Refused,
}

/// The computer's clock since the look before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockHealth {
    Steady,
    Jumped(Jump),
}

/// A step of the computer's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Jump {
    /// What the clock would have shown.
    pub from: Timestamp,
    /// What it shows.
    pub to: Timestamp,
}

impl Jump {
    /// Seconds, below 0 where the clock went back.
    pub fn by_s(&self) -> i64 {
        self.to.as_second() - self.from.as_second()
    }
}

/// Whether messages reach their groups.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MessageHealth {
    /// No group waits for a message that was given up.
    Reached,
    NotSent(NotSent),
}

/// The newest message that was given up and whose group has had none since.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotSent {
    /// The garden's name.
    pub garden: String,
    pub who: String,
    pub channel: Channel,
    /// What the other side said last.
    pub reason: String,
    pub at: Timestamp,
    /// The highest of what was lost.
    pub priority: Priority,
    /// Other groups of which the same is true.
    pub others: usize,
}

/// The computer's clocks at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clocks {
    /// What people read.
    pub wall: Timestamp,
    /// Since the computer was started, its sleep counted; nobody can set it.
    pub since_boot: Duration,
}

impl Clocks {
    /// By how much the wall clock was set since `before`, where that is more than
    /// `limit_s` seconds either way. A computer that slept has not had its clock set:
    /// both clocks went on.
    pub fn jump_since(&self, before: &Self, limit_s: u32) -> Option<Jump> {
        let passed = self.since_boot.saturating_sub(before.since_boot);
        let passed = SignedDuration::try_from(passed).unwrap_or(SignedDuration::MAX);
        let from = before.wall.saturating_add(passed).unwrap_or(before.wall);
        let by_ms = self.wall.as_millisecond().saturating_sub(from.as_millisecond());
        (by_ms.unsigned_abs() > u64::from(limit_s) * 1000).then_some(Jump { from, to: self.wall })
    }
}

/// How the record grows: its size about once an hour, for a day.
#[derive(Clone, Debug, Default)]
pub struct Growth {
    sizes: VecDeque<(Duration, u64)>,
}

impl Growth {
    const EVERY: Duration = Duration::from_secs(3600);
    const DAY: Duration = Duration::from_secs(86_400);
    /// Shorter than this says nothing about a day.
    const SHORTEST: Duration = Duration::from_secs(20 * 3600);

    /// Takes the size at a moment, told by a clock that nobody sets, and gives the
    /// growth in a day (bytes), where enough of a day was seen.
    pub fn take(&mut self, at: Duration, bytes: u64) -> Option<f64> {
        if self.sizes.back().is_none_or(|(last, _)| at.saturating_sub(*last) >= Self::EVERY) {
            self.sizes.push_back((at, bytes));
        }
        while self.sizes.get(1).is_some_and(|(second, _)| at.saturating_sub(*second) >= Self::DAY) {
            self.sizes.pop_front();
        }
        let &(first, before) = self.sizes.front()?;
        let seen = at.saturating_sub(first);
        (seen >= Self::SHORTEST).then(|| {
            let grown = bytes as f64 - before as f64;
            grown * Self::DAY.as_secs_f64() / seen.as_secs_f64()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clocks(wall_s: i64, boot_s: u64) -> Clocks {
        Clocks {
            wall: Timestamp::from_second(1_776_403_800 + wall_s).expect("a time of this century"),
            since_boot: Duration::from_secs(boot_s),
        }
    }

    #[test]
    fn a_clock_that_is_set_jumps_and_one_that_sleeps_does_not() {
        let before = clocks(0, 500);
        let by = |now: Clocks| now.jump_since(&before, 60).map(|jump| jump.by_s());
        assert_eq!(by(clocks(2, 502)), None);
        // Eight hours of sleep count on both.
        assert_eq!(by(clocks(28_800, 29_300)), None);
        // Set within the limit, exactly at it, and beyond it either way.
        assert_eq!(by(clocks(62, 502)), None);
        assert_eq!(by(clocks(63, 502)), Some(61));
        assert_eq!(by(clocks(-58, 502)), None);
        assert_eq!(by(clocks(-59, 502)), Some(-61));
        assert_eq!(by(clocks(-7200, 502)), Some(-7202));
        // Asleep for an hour, then set forward by two.
        assert_eq!(by(clocks(10_800, 4100)), Some(7200));
        let jump = clocks(10_800, 4100).jump_since(&before, 60).expect("it jumped");
        assert_eq!((jump.from, jump.to), (clocks(3600, 0).wall, clocks(10_800, 0).wall));
    }

    #[test]
    fn clocks_at_the_ends_of_time_do_no_harm() {
        let ends = [
            Clocks { wall: Timestamp::MIN, since_boot: Duration::ZERO },
            Clocks { wall: Timestamp::MAX, since_boot: Duration::MAX },
            Clocks { wall: Timestamp::UNIX_EPOCH, since_boot: Duration::MAX },
        ];
        for before in ends {
            assert!(before.jump_since(&before, 0).is_none(), "{before:?}");
            for now in ends {
                let jump = now.jump_since(&before, u32::MAX);
                assert!(jump.is_none_or(|jump| jump.to == now.wall), "from {before:?} to {now:?}");
            }
        }
    }

    #[test]
    fn growth_is_known_after_most_of_a_day() {
        let mut growth = Growth::default();
        let hour = |n: u64| Duration::from_secs(n * 3600);
        for n in 0..20 {
            assert_eq!(growth.take(hour(n), 1_000_000 + n * 1000), None, "hour {n}");
        }
        assert_eq!(growth.take(hour(20), 1_020_000), Some(24_000.0));
        // Looked at each minute, it holds no more than a day's hours.
        for minute in 0..(3 * 1440) {
            growth.take(hour(20) + Duration::from_secs(minute * 60), 1_020_000 + minute * 100);
        }
        assert!(growth.sizes.len() <= 26, "{}", growth.sizes.len());
        let a_day = growth.take(hour(92), 1_020_000 + 4320 * 100).expect("known");
        // 100 bytes a minute.
        assert!((a_day - 144_000.0).abs() < 1.0, "{a_day}");
    }

    #[test]
    fn the_usual_limit_of_a_disk_is_a_twentieth_of_it_within_bounds() {
        let limits = HealthLimits::default();
        assert_eq!(limits.free_bytes(8_000_000_000), 500_000_000);
        assert_eq!(limits.free_bytes(32_000_000_000), 1_600_000_000);
        assert_eq!(limits.free_bytes(4_000_000_000_000), 10_000_000_000);
        let set = HealthLimits { disk_free_bytes: Some(7), ..limits };
        assert_eq!(set.free_bytes(32_000_000_000), 7);
    }
}
