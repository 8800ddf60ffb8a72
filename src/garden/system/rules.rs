//! The daemon's alarms about itself.
//!
//! They stand at each garden in which some group is concerned by the kind, and at
//! the first garden where no group of any is, so that page and history show them.

use crate::alarms::OWN_PLACE;
use std::sync::Arc;

use jiff::Timestamp;

use crate::alarms::{Delays, Input, Kind, State};
use crate::garden::alarm_slot::{Of, Standing};
use crate::garden::plan::Garden;
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::site::{SiteState, plus};
use crate::garden::system::health::{
    ClockSign, DiskSign, MessagesSign, OwnLimits, OwnSigns, QueueSign, RecordSign,
};
use crate::garden::system::words as say;
use crate::garden::{Clock, Core};
use crate::model::Id;

/// The daemon's own kinds.
pub(crate) const OWN: [Kind; 5] = [
    Kind::StoreFailing,
    Kind::ForwardingBehind,
    Kind::DiskNearlyFull,
    Kind::ClockJumped,
    Kind::MessageNotSent,
];

/// One garden's alarms about the daemon.
#[derive(Clone, Debug)]
pub(crate) struct OwnState {
    pub(crate) place: Id,
    pub(crate) alarms: Vec<(Kind, Standing)>,
}

impl Default for OwnState {
    fn default() -> Self {
        Self { place: Id::new(OWN_PLACE), alarms: Vec::new() }
    }
}

impl OwnState {
    /// Has an alarm of this kind.
    pub(crate) fn carry(&mut self, kind: Kind) {
        if !self.alarms.iter().any(|(known, _)| *known == kind) {
            self.alarms.push((kind, Standing::default()));
        }
    }
}

/// Gives each of the daemon's own kinds its gardens.
pub(crate) fn place_own(sites: &mut [SiteState]) {
    for kind in OWN {
        let mut told = false;
        for site in &mut *sites {
            if site.garden.tell.iter().any(|group| group.concerns(kind, &site.own.place)) {
                site.own.carry(kind);
                told = true;
            }
        }
        if !told && let Some(first) = sites.first_mut() {
            first.own.carry(kind);
        }
    }
}

/// The `store-failing` alarms as they stand, for whoever has to tell of them while
/// the core waits for the disk.
#[derive(Clone, Debug, Default)]
pub struct StoreAlarms {
    gardens: Vec<(Arc<Garden>, OwnState)>,
}

impl StoreAlarms {
    /// The gardens at which they stand.
    pub fn gardens(&self) -> Vec<Arc<Garden>> {
        self.gardens.iter().map(|(garden, _)| Arc::clone(garden)).collect()
    }

    /// The steps that the core will take as soon as it can if the record has not been
    /// written since `since`: those whose time has come at `now`.
    pub fn failing(&self, since: Timestamp, now: Timestamp) -> Vec<AlarmChange> {
        let mut batch = Batch::default();
        for (garden, own) in &self.gardens {
            for (_, standing) in own.alarms.iter().filter(|(kind, _)| *kind == Kind::StoreFailing) {
                let sign = RecordSign::Failing { since };
                judge_record(garden, &own.place, &mut standing.clone(), sign, now, &mut batch);
            }
        }
        batch.changes.retain(|change| change.to == State::Unacknowledged);
        batch.changes
    }
}

impl Core {
    /// Judges what the daemon measured of itself. With [`Clock::Readings`] it does
    /// nothing: a simulated garden says nothing of this computer.
    pub fn own(&mut self, signs: &OwnSigns, now: Timestamp, batch: &mut Batch) {
        if self.clock() == Clock::Arrival {
            for site in self.site_states_mut() {
                site.judge_own(signs, now, batch);
            }
        }
    }

    /// The alarms about the record as they stand; none with [`Clock::Readings`].
    pub fn store_alarms(&self) -> StoreAlarms {
        let mut gardens = Vec::new();
        if self.clock() == Clock::Arrival {
            for site in self.site_states() {
                let mut own = site.own.clone();
                own.alarms.retain(|(kind, _)| *kind == Kind::StoreFailing);
                if !own.alarms.is_empty() {
                    gardens.push((Arc::clone(&site.garden), own));
                }
            }
        }
        StoreAlarms { gardens }
    }
}

impl SiteState {
    fn judge_own(&mut self, signs: &OwnSigns, now: Timestamp, batch: &mut Batch) {
        let garden = Arc::clone(&self.garden);
        let place = self.own.place.clone();
        for (kind, standing) in &mut self.own.alarms {
            match kind {
                Kind::StoreFailing => {
                    if let Some(sign) = signs.record {
                        judge_record(&garden, &place, standing, sign, now, batch);
                    }
                }
                Kind::ForwardingBehind => {
                    if let Some(queues) = &signs.queues {
                        judge_queues(&garden, &place, standing, queues, &signs.limits, now, batch);
                    }
                }
                Kind::DiskNearlyFull => {
                    if let Some(disk) = &signs.disk {
                        judge_disk(&garden, &place, standing, disk, &signs.limits, now, batch);
                    }
                }
                Kind::ClockJumped => {
                    if let Some(clock) = signs.clock {
                        judge_clock(&garden, &place, standing, clock, &signs.limits, now, batch);
                    }
                }
                Kind::MessageNotSent => {
                    if let Some(messages) = &signs.messages {
                        judge_messages(&garden, &place, standing, messages, now, batch);
                    }
                }
                // Not the daemon's.
                _ => {}
            }
        }
    }
}

fn of<'a>(garden: &'a Garden, kind: Kind, place: &'a Id) -> Of<'a> {
    Of { garden, kind, place }
}

/// The steps carry the times at which they were due, which may have gone by while
/// nothing could be written.
fn judge_record(
    garden: &Garden,
    place: &Id,
    standing: &mut Standing,
    sign: RecordSign,
    now: Timestamp,
    batch: &mut Batch,
) {
    let of = of(garden, Kind::StoreFailing, place);
    let delays = garden.rules.store_failing;
    match sign {
        RecordSign::Written => {
            standing.step(&of, now, Input::Clear, delays, batch, |_| say::record_written());
        }
        RecordSign::Failing { since } => {
            for at in [since, plus(since, i64::from(delays.on_s))].into_iter().filter(|at| *at <= now) {
                standing.step(&of, at, Input::Breach, delays, batch, |_| {
                    say::record_failing(garden, since, delays.on_s)
                });
            }
        }
    }
}

fn judge_queues(
    garden: &Garden,
    place: &Id,
    standing: &mut Standing,
    queues: &[QueueSign],
    limits: &OwnLimits,
    now: Timestamp,
    batch: &mut Batch,
) {
    let age_s =
        |queue: &QueueSign| queue.oldest.map_or(0, |oldest| (now.as_second() - oldest.as_second()).max(0));
    // How much of its limits each has used; the worst counts.
    let used = |queue: &QueueSign| {
        let rows = queue.rows as f64 / limits.forward_rows.max(1) as f64;
        rows.max(age_s(queue) as f64 / f64::from(limits.forward_age_s.max(1)))
    };
    let worst = queues.iter().max_by(|a, b| used(a).total_cmp(&used(b)));
    let delays = garden.rules.forwarding_behind;
    let input = Input::above(worst.map_or(0.0, used), 1.0, delays.deadband);
    let of = of(garden, Kind::ForwardingBehind, place);
    standing.step(&of, now, input, delays, batch, |active| match worst.filter(|_| active) {
        Some(queue) => say::forwarding_behind(queue, age_s(queue), limits),
        None => say::forwarding_well(),
    });
}

fn judge_disk(
    garden: &Garden,
    place: &Id,
    standing: &mut Standing,
    disk: &DiskSign,
    limits: &OwnLimits,
    now: Timestamp,
    batch: &mut Batch,
) {
    let delays = garden.rules.disk_nearly_full;
    let limit = limits.free_bytes(disk.total_bytes);
    let input = Input::below(disk.free_bytes as f64, limit as f64, delays.deadband * limit as f64);
    let of = of(garden, Kind::DiskNearlyFull, place);
    standing.step(&of, now, input, delays, batch, |active| say::disk(active, disk, limit));
}

fn judge_clock(
    garden: &Garden,
    place: &Id,
    standing: &mut Standing,
    clock: ClockSign,
    limits: &OwnLimits,
    now: Timestamp,
    batch: &mut Batch,
) {
    let of = of(garden, Kind::ClockJumped, place);
    let delays: Delays = garden.rules.clock_jumped;
    match clock {
        ClockSign::Steady => {
            standing.step(&of, now, Input::Clear, delays, batch, |_| say::clock_steady(delays.off_s));
        }
        ClockSign::Jumped(jump) => {
            standing.step(&of, now, Input::Breach, delays, batch, |_| {
                say::clock_jumped(&jump, &garden.site.time_zone, limits)
            });
        }
    }
}

fn judge_messages(
    garden: &Garden,
    place: &Id,
    standing: &mut Standing,
    messages: &MessagesSign,
    now: Timestamp,
    batch: &mut Batch,
) {
    let of = of(garden, Kind::MessageNotSent, place);
    let delays = garden.rules.message_not_sent;
    match messages {
        MessagesSign::Reached => {
            standing.step(&of, now, Input::Clear, delays, batch, |_| say::messages_reach());
        }
        MessagesSign::NotSent(message) => {
            standing.step(&of, now, Input::Breach, delays, batch, |_| {
                say::message_not_sent(message, &garden.site.time_zone)
            });
        }
    }
}
