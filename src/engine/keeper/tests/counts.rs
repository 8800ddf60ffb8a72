//! The kinds of world, and how often each fault came.

use std::fmt;
use std::time::Duration;

/// What is held against what.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum WorldKind {
    /// The readings' own times are the clock: record, alarms and messages are those of an
    /// engine to which nothing happens.
    SameAsCalm,
    /// The computer's clock, which jumps; the network reorders, and the broker forgets.
    ClockJumps,
}

/// How often each fault came.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FaultCounts {
    pub(super) crashes: u64,
    pub(super) torn: u64,
    pub(super) stops: u64,
    pub(super) failed: u64,
    pub(super) cuts: u64,
    pub(super) repeated: u64,
    pub(super) jumps: u64,
    pub(super) forgotten: u64,
    pub(super) resumed: u64,
    pub(super) sent: u64,
    pub(super) alarms: u64,
    pub(super) messages: u64,
    pub(super) slowest_steps: u64,
}

impl FaultCounts {
    pub(super) fn add(&mut self, it: &Self) {
        self.crashes += it.crashes;
        self.torn += it.torn;
        self.stops += it.stops;
        self.failed += it.failed;
        self.cuts += it.cuts;
        self.repeated += it.repeated;
        self.jumps += it.jumps;
        self.forgotten += it.forgotten;
        self.resumed += it.resumed;
        self.sent += it.sent;
        self.alarms += it.alarms;
        self.messages += it.messages;
        self.slowest_steps = self.slowest_steps.max(it.slowest_steps);
    }

    /// A row of the table of `tests/faults`. A seed that loses anything ends the test, so
    /// whoever comes so far has lost nothing.
    pub(super) fn row(&self, kind: WorldKind, seeds: u64, took: Duration) -> String {
        let name = match kind {
            WorldKind::SameAsCalm => "simulated: as without faults",
            WorldKind::ClockJumps => "simulated: clock jumps, disorder",
        };
        let faults =
            self.crashes + self.stops + self.failed + self.cuts + self.repeated + self.jumps + self.forgotten;
        format!(
            "{name}\t{seeds} seeds, {faults}\t{}\t0\t0\t0\t0\t-\t{} steps ({:.0} s in all)\n",
            self.sent,
            self.slowest_steps,
            took.as_secs_f64()
        )
    }
}

impl fmt::Display for FaultCounts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} readings, {} alarm steps, {} messages; {} crashes ({} within a write), {} stops, {} failed writes, \
             {} lost connections, {} repeats, {} jumps of the clock, {} sessions forgotten; {} starts from a kept \
             state; all there after at most {} calm steps",
            self.sent,
            self.alarms,
            self.messages,
            self.crashes,
            self.torn,
            self.stops,
            self.failed,
            self.cuts,
            self.repeated,
            self.jumps,
            self.forgotten,
            self.resumed,
            self.slowest_steps,
        )
    }
}
