//! A core that goes on from bytes is as one that nobody has stopped.

use std::collections::HashMap;
use std::sync::Arc;

use garden_simulator::{Scenario, School, Simulation};
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;

use super::*;
use crate::alarms::{AlarmKey, AlarmRecord};
use crate::garden::Clock;
use crate::garden::log::{LogEntry, LogEvent, WaterTest};
use crate::garden::plan::Garden;
use crate::garden::record::Batch;
use crate::model::{Id, Place, Quantity, Sample, SensorIx};
use crate::settings::from_text;

const SCHOOL: &str = include_str!("../../../config/gardens/saltbush-gully.toml");

fn school() -> Arc<Garden> {
    let trug = include_str!("../../../config/trug.toml");
    let settings = from_text(("trug.toml", trug), &[("school.toml", SCHOOL)], std::iter::empty());
    Arc::new(settings.unwrap_or_else(|faults| panic!("{faults}")).gardens.remove(0))
}

fn core(garden: &Arc<Garden>, clock: Clock) -> Core {
    Core::new(std::slice::from_ref(garden), clock)
}

/// What the store keeps of the alarms: whole milliseconds.
#[derive(Default)]
struct StoredAlarms(HashMap<AlarmKey, AlarmRecord>);

impl StoredAlarms {
    fn take(&mut self, batch: &Batch) {
        let whole = |at: Timestamp| Timestamp::from_millisecond(at.as_millisecond()).expect("a time");
        for change in &batch.changes {
            let it = &change.record;
            let stored = AlarmRecord { since: whole(it.since), at: whole(it.at), ..it.clone() };
            self.0.insert(it.key.clone(), stored);
        }
    }

    fn all(&self) -> Vec<AlarmRecord> {
        self.0.values().cloned().collect()
    }
}

/// One core that runs on, and one that is stopped now and then.
struct Pair {
    garden: Arc<Garden>,
    clock: Clock,
    whole: Core,
    stopped: Core,
    stored: StoredAlarms,
}

impl Pair {
    fn new(garden: Arc<Garden>, clock: Clock) -> Self {
        let (whole, stopped) = (core(&garden, clock), core(&garden, clock));
        Self { garden, clock, whole, stopped, stored: StoredAlarms::default() }
    }

    fn both(&mut self, act: impl Fn(&mut Core, &mut Batch)) {
        let (mut whole, mut stopped) = (Batch::default(), Batch::default());
        act(&mut self.whole, &mut whole);
        act(&mut self.stopped, &mut stopped);
        assert_eq!(stopped, whole);
        self.stored.take(&whole);
    }

    fn stop_and_start(&mut self) {
        let bytes = self.stopped.state_bytes(0);
        assert!(bytes == self.whole.state_bytes(0), "they have parted before");
        self.stopped = core(&self.garden, self.clock);
        self.stopped.resume(0, &bytes).expect("its own bytes");
        assert!(self.stopped.state_bytes(0) == bytes, "something is lost on the way");
        self.stopped.restore_alarms(self.stored.all());
        assert!(self.stopped.state_bytes(0) == bytes, "the stored alarms change what stands");
    }

    fn check(&self) {
        assert!(self.stopped.state_bytes(0) == self.whole.state_bytes(0));
        let site = self.garden.site.id.as_str();
        let view = |core: &Core| format!("{:?}", core.view(site));
        assert_eq!(view(&self.stopped), view(&self.whole));
    }

    fn log(&mut self, place: Option<&Id>, at: Timestamp, what: LogEvent) {
        let site = self.garden.site.id.clone();
        let entry = LogEntry { site, place: place.cloned(), at, what, note: String::new() };
        self.both(|core, batch| core.log(&entry, at, batch));
    }
}

/// What a sensor may send: around what its quantity has, and at times beyond it.
fn raw(garden: &Garden, sensor: usize, walk: f64, odd: bool) -> f64 {
    let plan = &garden.sensors[sensor];
    let middle = match plan.measures {
        Quantity::Rain | Quantity::WaterFlow => {
            return if odd { 40.0 } else { (walk * 3.0).floor().max(0.0) };
        }
        Quantity::SoilMoisture => 2200.0 + 600.0 * walk,
        Quantity::Ph => 7.2 + 0.4 * walk,
        Quantity::RelativeHumidity => 60.0 + 30.0 * walk,
        _ => 22.0 + 6.0 * walk,
    };
    if odd { middle * 3.0 } else { middle }
}

/// A month is drawn of so many moments: what is heard in each, and whether it is stopped.
#[derive(Clone, Debug)]
struct Moment {
    minutes: i64,
    /// One of the sensors, or all of them.
    sensor: Option<usize>,
    walk: f64,
    kind: u8,
    stops: bool,
}

fn moments() -> impl Strategy<Value = Vec<Moment>> {
    let one = (
        prop_oneof![8 => 1_i64..40, 1 => 40_i64..3000],
        proptest::option::weighted(0.3, 0_usize..100),
        -1.0_f64..1.0,
        0_u8..40,
        proptest::bool::weighted(0.1),
    );
    let moment =
        one.prop_map(|(minutes, sensor, walk, kind, stops)| Moment { minutes, sensor, walk, kind, stops });
    proptest::collection::vec(moment, 20..400)
}

fn play(clock: Clock, moments: &[Moment]) {
    let garden = school();
    let mut pair = Pair::new(Arc::clone(&garden), clock);
    // Not a whole millisecond: the computer's clock shows more than the store keeps.
    let mut now = Timestamp::new(1_772_000_000, 123_456_789).expect("a time");
    let mut walk = 0.0;
    for it in moments {
        now += SignedDuration::from_mins(it.minutes);
        walk = (walk + it.walk / 4.0).clamp(-1.0, 1.0);
        let chosen = it.sensor.map(|sensor| sensor % garden.sensors.len());
        for sensor in (0..garden.sensors.len()).filter(|it| chosen.is_none_or(|one| one == *it)) {
            let at = match it.kind {
                // It gives no time, or one of a while ago.
                0..=3 => None,
                4 => Some(now - SignedDuration::from_mins(90)),
                _ => Some(Timestamp::from_second(now.as_second()).expect("a time")),
            };
            let raw = raw(&garden, sensor, walk + sensor as f64 / 97.0, it.kind == 5);
            let battery = (it.kind == 6).then_some(2.0);
            let number = SensorIx(u32::try_from(sensor).expect("few"));
            pair.both(|core, batch| core.take(number, Sample { at, raw, battery }, now, batch));
        }
        let bed = garden.beds.first().map(|bed| bed.id.clone());
        let tank = garden.tanks.first().map(|tank| tank.id.clone());
        match it.kind {
            7 => pair.both(|core, batch| core.tick(now, batch)),
            8 => pair.log(bed.as_ref(), now, LogEvent::Watered { litres: Some(20.0) }),
            9 => pair.log(None, now, LogEvent::RainExpected { hours: 12.0 }),
            10 => {
                let test = WaterTest { ph: Some(6.0), ammonia_mg_l: Some(2.5), ..WaterTest::default() };
                pair.log(tank.as_ref(), now, LogEvent::WaterTest(test));
            }
            11 => {
                let replaced = garden.sensors[chosen.unwrap_or(0)].id.clone();
                pair.log(Some(&replaced), now, LogEvent::ProbeReplaced);
            }
            12 => pair.log(bed.as_ref(), now, LogEvent::WaterDrop { seconds: 80.0 }),
            // The clock was ahead.
            13 => now -= SignedDuration::from_hours(2),
            _ => {}
        }
        if it.stops {
            pair.stop_and_start();
        }
    }
    pair.check();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    #[test]
    fn whatever_was_heard_it_goes_on_as_it_stood(moments in moments(), live in any::<bool>()) {
        play(if live { Clock::Arrival } else { Clock::Readings }, &moments);
    }

    /// No bytes make it panic, and none change a site that refuses them.
    #[test]
    fn spoiled_bytes_are_refused_or_are_a_state(at in any::<prop::sample::Index>(), bit in 0_u8..8, cut in any::<prop::sample::Index>()) {
        static BYTES: std::sync::LazyLock<Vec<u8>> = std::sync::LazyLock::new(|| {
            let mut pair = Pair::new(school(), Clock::Readings);
            simulated(&mut pair, 1, 2);
            pair.whole.state_bytes(0)
        });
        let mut spoiled = BYTES.clone();
        spoiled[at.index(BYTES.len())] ^= 1 << bit;
        spoiled.truncate(cut.index(BYTES.len() * 2));
        let garden = school();
        let mut fresh = core(&garden, Clock::Readings);
        let before = fresh.state_bytes(0);
        if fresh.resume(0, &spoiled).is_err() {
            prop_assert_eq!(fresh.state_bytes(0), before);
        }
    }
}

/// Days of the simulated school, with a stop each so many hours.
fn simulated(pair: &mut Pair, seed: u64, days: i64) {
    let school = School::parse(SCHOOL).expect("the school");
    let scenario = Scenario::troubled_month(&school, seed);
    let mut router = crate::engine::Router::new(std::slice::from_ref(&pair.garden), pair.clock);
    let mut stop_at: Option<Timestamp> = None;
    let mut end: Option<Timestamp> = None;
    for it in Simulation::new(&school, &scenario, seed) {
        let end = *end.get_or_insert(it.send_at + SignedDuration::from_hours(24 * days));
        if it.send_at > end {
            break;
        }
        let next = *stop_at.get_or_insert(it.send_at + SignedDuration::from_hours(5));
        if it.send_at >= next {
            pair.stop_and_start();
            stop_at = Some(next + SignedDuration::from_hours(17));
        }
        let message = crate::engine::RawMessage {
            topic: it.topic.as_bytes(),
            payload: &it.payload,
            retained: false,
            arrival: it.send_at,
        };
        let (mut whole, mut stopped) = (Batch::default(), Batch::default());
        std::mem::swap(&mut router.core, &mut pair.whole);
        router.open(message, &mut whole);
        std::mem::swap(&mut router.core, &mut pair.whole);
        std::mem::swap(&mut router.core, &mut pair.stopped);
        router.open(message, &mut stopped);
        std::mem::swap(&mut router.core, &mut pair.stopped);
        assert_eq!(stopped.readings, whole.readings);
        assert_eq!(stopped.changes, whole.changes);
        pair.stored.take(&whole);
    }
}

#[test]
fn a_simulated_school_goes_on_as_it_stood() {
    for clock in [Clock::Arrival, Clock::Readings] {
        let mut pair = Pair::new(school(), clock);
        simulated(&mut pair, 3, 9);
        pair.check();
        assert!(!pair.stored.0.is_empty(), "nothing has happened");
    }
}

#[test]
fn a_state_of_another_garden_is_refused() {
    let garden = school();
    let bytes = core(&garden, Clock::Arrival).state_bytes(0);
    let mut other = Garden::clone(&garden);
    let probe = other.sensors.iter().position(|it| matches!(it.place, Place::Bed(_))).expect("a probe");
    other.sensors[probe].measures = Quantity::WaterFlow;
    let mut of_other = core(&Arc::new(other), Clock::Arrival);
    let before = of_other.state_bytes(0);
    assert!(matches!(of_other.resume(0, &bytes), Err(StateUnfit::OtherPlan(_))));
    let mut longer = bytes.clone();
    longer.push(0);
    assert!(matches!(of_other.resume(0, &longer), Err(StateUnfit::Unreadable(_))));
    assert_eq!(of_other.resume(1, &bytes), Err(StateUnfit::NoSuchSite));
    assert_eq!(of_other.state_bytes(0), before);
    assert_eq!(of_other.resume(0, &before), Ok(()));
}
