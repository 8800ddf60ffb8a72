//! The program's alarms about itself, by what it measured of its own health.

use std::sync::Arc;

use jiff::Timestamp;

use crate::alarms::{AlarmCondition, AlarmText, Delays, Input, Kind, Priority, State};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::alarm::slot::AlarmSlot;
use crate::garden::core::{Clock, Core};
use crate::garden::plan::Garden;
use crate::garden::record::{AlarmChange, Batch};
use crate::garden::system::health::{
    BrokerHealth, ClockHealth, HealthLimits, MessageHealth, QueueHealth, StoreHealth, SystemHealth,
};
use crate::garden::system::words;
use crate::model::add_seconds;

/// The `store-failing` alarms as they stand, for the engine, which has to tell of them
/// while the core waits for the disk.
#[derive(Clone, Debug, Default)]
pub struct StoreAlarms(Vec<(Arc<Garden>, AlarmSlot)>);

impl StoreAlarms {
    /// The gardens at which they stand.
    pub fn gardens(&self) -> Vec<Arc<Garden>> {
        self.0.iter().map(|(garden, _)| Arc::clone(garden)).collect()
    }

    /// The steps that the core will take as soon as it can if nothing has been stored
    /// since `since`: those whose time has come at `now`.
    pub fn failing(&self, since: Timestamp, now: Timestamp) -> Vec<AlarmChange> {
        let mut batch = Batch::default();
        for (garden, slot) in &self.0 {
            judge_store(garden, &mut slot.clone(), StoreHealth::Failing { since }, now, &mut batch);
        }
        batch.changes.retain(|change| change.record.state == State::Unacknowledged);
        batch.changes
    }
}

impl Core {
    /// Judges what the program measured of itself. With [`Clock::Readings`] it does
    /// nothing: a simulated garden says nothing of this computer.
    pub fn judge_health(&mut self, health: &SystemHealth, now: Timestamp, batch: &mut Batch) {
        if self.clock() != Clock::Arrival {
            return;
        }
        for site in self.site_states_mut() {
            let silence_told = site.is_silence_told();
            let garden = &site.garden;
            for slot in site.alarms.of_program_mut() {
                match (slot.subject.kind, &health.broker) {
                    (Kind::BrokerLost, Some(broker)) => {
                        let limits = &health.limits;
                        judge_broker(garden, slot, (broker, limits, silence_told), now, batch);
                    }
                    _ => judge(garden, slot, health, now, batch),
                }
            }
        }
    }

    /// The alarms about the record as they stand; none with [`Clock::Readings`].
    pub fn store_alarms(&self) -> StoreAlarms {
        let sites = self.site_states().filter(|_| self.clock() == Clock::Arrival);
        let subject = AlarmPlace::System.alarm(Kind::StoreFailing);
        let slots =
            sites.filter_map(|site| Some((Arc::clone(&site.garden), site.alarms.get(subject)?.clone())));
        StoreAlarms(slots.collect())
    }
}

/// Judges one alarm by the part of `health` that it is about.
fn judge(garden: &Garden, slot: &mut AlarmSlot, health: &SystemHealth, now: Timestamp, batch: &mut Batch) {
    let kind = slot.subject.kind;
    let delays = garden.rules[kind].delays;
    let (limits, zone) = (&health.limits, &garden.site.time_zone);
    let mut step = |input, words: &dyn Fn(bool) -> AlarmText| {
        slot.step(garden, now, input, delays, batch, words);
    };
    match kind {
        Kind::StoreFailing => {
            if let Some(store) = health.store {
                judge_store(garden, slot, store, now, batch);
            }
        }
        Kind::ForwardingBehind => {
            let Some(queues) = &health.queues else { return };
            let worst = queues.iter().max_by(|a, b| used(a, limits, now).total_cmp(&used(b, limits, now)));
            let input = Input::above(worst.map_or(0.0, |it| used(it, limits, now)), 1.0, delays.deadband);
            step(input, &|active| match worst.filter(|_| active) {
                Some(queue) => words::forwarding_behind(queue, age_s(queue, now), limits),
                None => words::forwarding_well(),
            });
        }
        Kind::ForwardingRefused => {
            let Some(queues) = &health.queues else { return };
            let most = queues.iter().filter(|it| it.refused > 0).max_by_key(|it| it.refused);
            let input = if most.is_some() { Input::Breach } else { Input::Clear };
            step(input, &|_| most.map_or_else(words::forwarding_accepted, words::forwarding_refused));
        }
        Kind::QueueOverflow => {
            let Some(dropped) = &health.dropped else { return };
            let input = if dropped.is_empty() { Input::Clear } else { Input::Breach };
            step(input, &|active| if active { words::dropped(dropped) } else { words::nothing_dropped() });
        }
        Kind::DiskNearlyFull => {
            let Some(disk) = &health.disk else { return };
            let limit = limits.free_bytes(disk.total_bytes);
            let input = Input::below(disk.free_bytes as f64, limit as f64, delays.deadband * limit as f64);
            step(input, &|active| words::disk(active, disk, limit));
        }
        Kind::RecordLarge => {
            let Some(record) = &health.record else { return };
            let input = match limits.record_bytes {
                Some(limit) => {
                    Input::above(record.bytes as f64, limit as f64, delays.deadband * limit as f64)
                }
                None => Input::Clear,
            };
            step(input, &|active| words::record(active, record, limits.record_bytes));
        }
        Kind::ClockJumped => match health.clock {
            None => {}
            Some(ClockHealth::Steady) => step(Input::Clear, &|_| words::clock_steady(delays.off_s)),
            Some(ClockHealth::Jumped(jump)) => {
                step(Input::Breach, &|_| words::clock_jumped(&jump, zone, limits));
            }
        },
        Kind::MessageNotSent => match &health.messages {
            None => {}
            Some(MessageHealth::Reached) => step(Input::Clear, &|_| words::messages_reach()),
            Some(MessageHealth::NotSent(it)) => {
                // As urgent as the message that was lost.
                let severity = match it.priority {
                    Priority::Low => 0,
                    Priority::Medium => 1,
                    Priority::High => 2,
                };
                let words = |_| words::message_not_sent(it, zone);
                slot.step_graded(severity, garden, now, Input::Breach, delays, batch, words);
            }
        },
        // Not the program's.
        _ => {}
    }
}

/// Judges whether readings come from the broker. A breach counts from the moment at
/// which the broker was last there. Where it is connected and sends nothing, and every
/// silence that this makes has been told as that of sensors or gateways, nothing is
/// judged: one cause is told once.
fn judge_broker(
    garden: &Garden,
    slot: &mut AlarmSlot,
    (broker, limits, silence_told): (&BrokerHealth, &HealthLimits, bool),
    now: Timestamp,
    batch: &mut Batch,
) {
    let delays = garden.rules[Kind::BrokerLost].delays;
    match broker {
        BrokerHealth::Away(away) => {
            let begun = (slot.life().condition() == AlarmCondition::Clear).then_some(away.since.min(now));
            for at in begun.into_iter().chain([now]) {
                slot.step(garden, at, Input::Breach, delays, batch, |active| {
                    if active { words::broker_away(garden, away) } else { words::broker_back() }
                });
            }
        }
        BrokerHealth::Listening { heard } => {
            let quickest_s = garden.sensors.iter().map(|sensor| sensor.every_s).min();
            let silent_s = now.as_second() - heard.as_second();
            let limit_s = quickest_s.map(|every_s| limits.silent_s(every_s));
            let input = match limit_s {
                Some(limit_s) if silent_s > limit_s && silence_told && !slot.life().holds() => Input::Unknown,
                Some(limit_s) if silent_s > limit_s => Input::Breach,
                _ => Input::Clear,
            };
            // The limit has waited already.
            let delays = Delays { on_s: 0, ..delays };
            slot.step(garden, now, input, delays, batch, |active| {
                if active {
                    words::broker_silent(garden, *heard, quickest_s.unwrap_or_default(), silent_s, now)
                } else {
                    words::broker_back()
                }
            });
        }
    }
}

/// Age of the oldest that waits in a queue, seconds.
fn age_s(queue: &QueueHealth, now: Timestamp) -> i64 {
    queue.oldest.map_or(0, |oldest| (now.as_second() - oldest.as_second()).max(0))
}

/// How much of its limits a queue has used: the larger of rows and age.
fn used(queue: &QueueHealth, limits: &HealthLimits, now: Timestamp) -> f64 {
    let rows = queue.rows as f64 / limits.forward_rows.max(1) as f64;
    rows.max(age_s(queue, now) as f64 / f64::from(limits.forward_age_s.max(1)))
}

/// The steps carry the times at which they were due, which may have gone by while
/// nothing could be written.
fn judge_store(garden: &Garden, slot: &mut AlarmSlot, store: StoreHealth, now: Timestamp, batch: &mut Batch) {
    let delays = garden.rules[Kind::StoreFailing].delays;
    match store {
        StoreHealth::Written => {
            slot.step(garden, now, Input::Clear, delays, batch, |_| words::store_written());
        }
        StoreHealth::Failing { since } => {
            let due = [since, add_seconds(since, i64::from(delays.on_s))];
            for at in due.into_iter().filter(|at| *at <= now) {
                slot.step(garden, at, Input::Breach, delays, batch, |_| {
                    words::store_failing(garden, since, delays.on_s)
                });
            }
        }
    }
}
