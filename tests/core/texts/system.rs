//! What the program raises about itself.

use trug::alarms::{Kind, Priority};
use trug::garden::Clock;
use trug::garden::plan::Channel;
use trug::garden::system::health::{
    BrokerAway, BrokerFault, BrokerHealth, ClockHealth, DiskHealth, Dropped, DroppedKind, HealthLimits, Jump,
    MessageHealth, NotSent, QueueHealth, RecordHealth, StoreHealth, SystemHealth,
};

use super::school::school;
use super::story::Story;
use crate::support::garden::{BED_KEYS, at};
use crate::support::run::Run;

fn run() -> Run {
    let file = school().bed("kitchen-bed", "Kitchen bed", BED_KEYS).probe("kitchen-15cm", "kitchen-bed", 15);
    Run::by(Clock::Arrival, file.text())
}

/// What is found at each look, minutes after the start.
fn look(run: &mut Run, minutes: &[i64], health: &SystemHealth) {
    for minute in minutes {
        run.health(health, at(minute * 60_000));
    }
}

/// One alarm of the program: what is found while it stands, and what ends it.
fn found(kind: Kind, what: &'static str, wrong: SystemHealth, well: SystemHealth) -> Story {
    Story::new(kind, "trug", what, run, move |run| look(run, &[0, 1, 2, 11], &wrong))
        .end(move |run| look(run, &[12, 13, 18, 80], &well))
}

fn disk(free_bytes: u64) -> SystemHealth {
    let disk = DiskHealth { free_bytes, total_bytes: 32_000_000_000, grown_bytes_a_day: Some(1e8) };
    SystemHealth { disk: Some(disk), ..SystemHealth::default() }
}

fn queue(rows: u64) -> SystemHealth {
    let oldest = (rows > 0).then(|| at(-7_200_000));
    let queues = vec![QueueHealth { name: "school".to_owned(), rows, oldest, ..QueueHealth::default() }];
    SystemHealth { queues: Some(queues), ..SystemHealth::default() }
}

fn refused(refused: u64) -> SystemHealth {
    let refused_why = "400 Bad Request: field type conflict on \"raw\"".to_owned();
    let queue = QueueHealth { name: "school".to_owned(), refused, refused_why, ..QueueHealth::default() };
    SystemHealth { queues: Some(vec![queue]), ..SystemHealth::default() }
}

fn clock(clock: ClockHealth) -> SystemHealth {
    SystemHealth { clock: Some(clock), ..SystemHealth::default() }
}

fn broker(broker: BrokerHealth) -> SystemHealth {
    SystemHealth { broker: Some(broker), ..SystemHealth::default() }
}

fn away(fault: BrokerFault) -> SystemHealth {
    let reason = "connection refused".to_owned();
    broker(BrokerHealth::Away(BrokerAway { since: at(-3_600_000), fault, reason }))
}

fn listening(heard_min: i64) -> SystemHealth {
    broker(BrokerHealth::Listening { heard: at(heard_min * 60_000) })
}

fn overflow(counts: &[u64]) -> SystemHealth {
    let kinds = [DroppedKind::Messages, DroppedKind::Publications, DroppedKind::Readings];
    let dropped = kinds.iter().zip(counts).map(|(&what, &count)| Dropped { what, count, last: at(0) });
    SystemHealth { dropped: Some(dropped.collect()), ..SystemHealth::default() }
}

fn record(mb: u64) -> SystemHealth {
    let grown_bytes_a_day = Some(6_000_000.0);
    let record = RecordHealth { bytes: mb * 1_000_000, unused_bytes: 400_000_000, grown_bytes_a_day };
    let limits = HealthLimits { record_bytes: Some(2_000_000_000), ..HealthLimits::default() };
    SystemHealth { limits, record: Some(record), ..SystemHealth::default() }
}

fn messages(messages: MessageHealth) -> SystemHealth {
    SystemHealth { messages: Some(messages), ..SystemHealth::default() }
}

fn store(store: StoreHealth) -> SystemHealth {
    SystemHealth { store: Some(store), ..SystemHealth::default() }
}

pub(super) fn stories() -> Vec<Story> {
    let not_sent = NotSent {
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "grounds".to_owned(),
        channel: Channel::Email,
        reason: "550 mailbox unknown".to_owned(),
        at: at(-3_600_000),
        priority: Priority::Medium,
        others: 0,
    };
    let jump = Jump { from: at(0), to: at(-7_200_000) };
    vec![
        found(
            Kind::StoreFailing,
            "the record cannot be written",
            store(StoreHealth::Failing { since: at(0) }),
            store(StoreHealth::Written),
        ),
        found(Kind::BrokerLost, "the broker does not answer", away(BrokerFault::Unreachable), listening(80)),
        found(Kind::BrokerLost, "the broker refuses the password", away(BrokerFault::Refused), listening(80)),
        found(Kind::BrokerLost, "the broker brings nothing", listening(-600), listening(80)),
        found(Kind::ForwardingBehind, "another server does not take the readings", queue(120_000), queue(0)),
        found(Kind::ForwardingRefused, "another server refuses readings", refused(20_000), refused(0)),
        found(Kind::QueueOverflow, "more waits than is kept", overflow(&[3, 250, 40_000]), overflow(&[])),
        found(Kind::DiskNearlyFull, "the disk fills", disk(900_000_000), disk(9_000_000_000)),
        found(Kind::RecordLarge, "the record outgrows its plan", record(2_100), record(1_500)),
        found(
            Kind::ClockJumped,
            "the computer's clock is set back",
            clock(ClockHealth::Jumped(jump)),
            clock(ClockHealth::Steady),
        ),
        found(
            Kind::MessageNotSent,
            "a message is given up",
            messages(MessageHealth::NotSent(not_sent)),
            messages(MessageHealth::Reached),
        ),
    ]
}
