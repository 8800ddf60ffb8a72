//! What sensors and gateways raise.

use jiff::SignedDuration;
use trug::alarms::Kind;
use trug::garden::Clock;
use trug::garden::log::LogEvent;

use super::school::{play, school, sensor};
use super::story::Story;
use crate::support::garden::{BED_KEYS, GardenFile, local};
use crate::support::run::Run;

const PROBE: &str = "kitchen-15cm";
const WATER: &str = "perch-water";
const GAUGE: &str = "gauge";
const ALL: &[&str] = &[PROBE, "kitchen-30cm", WATER, GAUGE];

fn garden() -> Run {
    let gateway = "gateway = \"shed\"\n";
    Run::by(
        Clock::Arrival,
        school()
            .bed("kitchen-bed", "Kitchen bed", BED_KEYS)
            .tank("perch-tank", "Perch tank", "fish = 12\n")
            .sensor(PROBE, "soil-moisture", &format!("bed = \"kitchen-bed\"\ndepth_cm = 15\n{gateway}"))
            .sensor(
                "kitchen-30cm",
                "soil-moisture",
                &format!("bed = \"kitchen-bed\"\ndepth_cm = 30\n{gateway}"),
            )
            .sensor(WATER, "water-temperature", &format!("tank = \"perch-tank\"\n{gateway}"))
            .sensor(GAUGE, "rain", &format!("calibration = {{ mm_per_tip = 0.2 }}\n{gateway}"))
            .with("[[gateway]]\nid = \"shed\"\nname = \"Shed gateway\"\n")
            .text(),
    )
}

fn usual(id: &str, hours: f64) -> f64 {
    match id {
        WATER => 20.0 + (hours / 24.0 * std::f64::consts::TAU).sin(),
        GAUGE => 0.0,
        _ => 0.27 - 0.0002 * hours,
    }
}

fn ticks(run: &mut Run, from: &str, to: &str) {
    let mut at = local(from);
    while at < local(to) {
        run.tick(at);
        at += SignedDuration::from_mins(1);
    }
}

/// All sensors for a day and a half, from 9 March.
fn well(run: &mut Run) {
    play(run, ALL, "2026-03-09T00:00", "2026-03-10T12:00", usual);
}

fn without(silent: &'static str) -> Vec<&'static str> {
    ALL.iter().copied().filter(|id| *id != silent).collect()
}

fn silent(id: &'static str, what: &'static str) -> Story {
    Story::new(Kind::SensorSilent, id, what, garden, move |run| {
        well(run);
        play(run, &without(id), "2026-03-10T12:00", "2026-03-10T16:00", |id, hours| usual(id, hours + 36.0));
    })
    .end(|run| play(run, ALL, "2026-03-10T16:00", "2026-03-10T20:00", |id, hours| usual(id, hours + 40.0)))
}

/// All sensors, and one of them as it is told.
fn odd(id: &'static str, what: &'static str, value: impl Fn(f64) -> f64 + 'static) -> Story {
    Story::new(Kind::SensorFault, id, what, garden, move |run| {
        well(run);
        play(run, ALL, "2026-03-10T12:00", "2026-03-11T12:00", |it, hours| {
            if it == id { value(hours) } else { usual(it, hours + 36.0) }
        });
    })
    .end(|run| play(run, ALL, "2026-03-11T12:00", "2026-03-12T12:00", |id, hours| usual(id, hours + 60.0)))
}

fn with_battery() -> Run {
    Run::new(battery_garden().text())
}

fn live_battery() -> Run {
    Run::by(Clock::Arrival, battery_garden().text())
}

fn battery_garden() -> GardenFile {
    school().bed("kitchen-bed", "Kitchen bed", BED_KEYS).sensor(
        PROBE,
        "soil-moisture",
        "bed = \"kitchen-bed\"\ndepth_cm = 15\nbattery_low = 3.4\nbattery_unit = \"V\"\n\
                 payload = { json = { value = \"/raw\", time = \"/t\", battery = \"/battery\" } }\n",
    )
}

fn reports(run: &mut Run, from: &str, to: &str, volts: f64) {
    speaks(run, from, to, volts, 0);
}

/// The probe with a battery speaks; its clock is so many seconds behind.
fn speaks(run: &mut Run, from: &str, to: &str, volts: f64, behind_s: i64) {
    let mut at = local(from);
    while at < local(to) {
        let body = format!(
            "{{\"raw\": 0.27{}, \"t\": {}, \"battery\": {volts}}}",
            at.as_second() / 900 % 5,
            at.as_second() - behind_s
        );
        run.open("saltbush-gully/kitchen-15cm", body.as_bytes(), at);
        at += SignedDuration::from_mins(15);
    }
}

fn three_beds() -> Run {
    let mut file = school();
    for (id, name) in [("kitchen-bed", "Kitchen bed"), ("pea-bed", "Pea bed"), ("herb-bed", "Herb bed")] {
        file = file.bed(id, name, BED_KEYS).probe(&format!("{id}-10cm"), id, 10);
    }
    Run::new(file.sensor(GAUGE, "rain", "calibration = { mm_per_tip = 0.2 }").text())
}

/// Three beds that rise together at night, again and again, and the gauge catches nothing.
fn rain_that_the_gauge_misses(run: &mut Run) {
    let wetted = ["2026-03-08T01:00", "2026-03-11T02:30", "2026-03-14T04:15", "2026-03-17T00:15"].map(local);
    let from = local("2026-03-02T00:00");
    let ids = ["kitchen-bed-10cm", "pea-bed-10cm", "herb-bed-10cm", GAUGE];
    play(run, &ids, "2026-03-02T00:00", "2026-03-18T00:00", |id, hours| {
        let risen =
            wetted.iter().filter(|at| at.duration_since(from).as_secs_f64() / 3600.0 < hours).count() as f64;
        if id == GAUGE { 0.0 } else { 0.26 - 0.008 * hours / 24.0 + 0.03 * risen }
    });
}

pub(super) fn stories() -> Vec<Story> {
    let jumps = |hours: f64| if (hours * 4.0) as i64 % 2 == 0 { 0.27 } else { 0.05 };
    vec![
        silent(PROBE, "a probe of a bed sends nothing"),
        silent(WATER, "a tank's only thermometer sends nothing"),
        silent(GAUGE, "the rain gauge sends nothing"),
        odd("kitchen-30cm", "a probe's readings are impossible", |_| 0.95),
        odd("kitchen-30cm", "a probe's readings jump", jumps),
        odd(WATER, "a tank's only thermometer reads what water cannot be", |_| 60.0),
        odd(WATER, "a tank's only thermometer hangs in the air", |hours| {
            32.0 - 12.0 * (1.0 - (hours / 24.0 * std::f64::consts::TAU).cos()) / 2.0 + (hours * 3.1).sin()
        }),
        Story::new(Kind::GatewaySilent, "shed", "everything behind one gateway is silent", garden, |run| {
            well(run);
            ticks(run, "2026-03-10T12:00", "2026-03-10T14:00");
        })
        .end(|run| {
            play(run, ALL, "2026-03-10T14:00", "2026-03-10T18:00", |id, hours| usual(id, hours + 38.0))
        }),
        Story::new(Kind::BatteryLow, PROBE, "a battery sinks", with_battery, |run| {
            reports(run, "2026-03-09T00:00", "2026-03-10T00:00", 3.7);
            reports(run, "2026-03-10T00:00", "2026-03-11T00:00", 3.3);
        })
        .end(|run| reports(run, "2026-03-11T00:00", "2026-03-13T00:00", 3.9)),
        Story::new(Kind::DeviceClock, PROBE, "a device's clock is two hours behind", live_battery, |run| {
            speaks(run, "2026-03-09T00:00", "2026-03-10T00:00", 3.7, 0);
            speaks(run, "2026-03-10T00:00", "2026-03-11T00:00", 3.7, 7200);
        })
        .end(|run| speaks(run, "2026-03-11T00:00", "2026-03-13T00:00", 3.7, 0)),
        Story::new(
            Kind::GaugeSuspect,
            GAUGE,
            "beds grow wet at night and the gauge catches nothing",
            three_beds,
            |run| {
                rain_that_the_gauge_misses(run);
            },
        )
        .end(|run| {
            run.log(GAUGE, local("2026-03-18T09:00"), LogEvent::ProbeReplaced);
            run.take(sensor(run, GAUGE), local("2026-03-18T09:15"), 0.0);
        }),
    ]
}
