//! Sensors that show the same for a long time: which of them are stuck.

use std::collections::BTreeMap;

use jiff::Timestamp;
use trug::alarms::{AlarmKey, AlarmRecord, Kind, State};
use trug::garden::record::Batch;
use trug::garden::{Clock, restore_from};
use trug::model::SensorIx;

use crate::support::garden::{BED_KEYS, GardenFile, at};
use crate::support::run::Run;

const DAY_H: i64 = 24;

fn hour(hour: i64) -> Timestamp {
    at(hour * 3_600_000)
}

/// One bed for each probe, all at 20 cm, heard every hour.
fn beds(count: u32) -> Run {
    let mut file = GardenFile::new("school");
    for n in 0..count {
        let bed = format!("bed{n}");
        let keys = format!("bed = \"{bed}\"\ndepth_cm = 20\nevery_s = 3600");
        file = file.bed(&bed, &bed, BED_KEYS).sensor(&format!("s{n}"), "soil-moisture", &keys);
    }
    Run::new(file.text())
}

/// Soil that is wetted on some days and dries with a time of six days in between, by a
/// probe that resolves `step` m3/m3 and has a noise of 0.0002.
fn soil(hour: i64, wetted: &[i64], step: f64) -> f64 {
    let days = |from: i64| (hour - from * DAY_H) as f64 / 24.0;
    let since = wetted.iter().filter(|day| **day * DAY_H <= hour).map(|day| days(*day)).fold(1e9, f64::min);
    let noise = ((hour * 7919 % 101) as f64 / 50.0 - 1.0) * 0.0002;
    ((0.20 + 0.10 * (-since / 6.0).exp() + noise) / step).round() * step
}

fn faults(run: &Run) -> Vec<(String, State)> {
    let of = |it: &&trug::garden::record::AlarmChange| it.record.key.kind == Kind::SensorFault;
    run.changes.iter().filter(of).map(|it| (it.record.key.place.to_string(), it.record.state)).collect()
}

fn told_after_h(run: &Run, from: i64) -> i64 {
    let told = run.first(Kind::SensorFault);
    assert!(told.record.said.text.contains("repeats one value since"), "{}", told.record.said.text);
    (told.record.at.as_second() - hour(from).as_second()) / 3600
}

/// Watered now and then, dry for weeks in between, in thousandths: the same number for days.
#[test]
fn probes_of_a_thousandth_are_well_for_a_dry_season() {
    let mut run = beds(2);
    let mut longest = (0, f64::NAN, 0);
    for h in 0..150 * DAY_H {
        for (n, wetted) in [(0, [0, 12, 30, 70]), (1, [0, 13, 31, 69])] {
            let value = soil(h, &wetted, 0.001);
            run.take(SensorIx(n), hour(h), value);
            if n == 0 {
                longest = if (value - longest.1).abs() < 1e-9 {
                    (longest.0 + 1, value, longest.2.max(longest.0 + 1))
                } else {
                    (0, value, longest.2)
                };
            }
        }
    }
    assert!(longest.2 > 10 * DAY_H, "it does stand still: {} h", longest.2);
    assert_eq!(faults(&run), []);
}

/// The same garden, and one of them sticks. Its own past says for how long it may.
#[test]
fn a_stuck_probe_of_a_thousandth_is_told_within_days() {
    let mut run = beds(1);
    let stuck = 16 * DAY_H;
    for h in 0..40 * DAY_H {
        run.take(SensorIx(0), hour(h), soil(h.min(stuck), &[0, 12], 0.001));
    }
    assert_eq!(faults(&run), [("s0".to_owned(), State::Unacknowledged)]);
    let after = told_after_h(&run, stuck);
    assert!((DAY_H..5 * DAY_H).contains(&after), "{after} h");
    let text = &run.first(Kind::SensorFault).record.said.text;
    assert!(text.contains("Before that it moved about every"), "{text}");
}

/// All rest, and one of them is stuck: nobody can know, and it does no harm. Water shows it.
#[test]
fn a_probe_that_misses_the_water_of_its_neighbours_is_told() {
    for sticks in [false, true] {
        let mut run = beds(3);
        let (stuck, wet) = (60 * DAY_H, 80);
        for h in 0..100 * DAY_H {
            for n in 0..3 {
                let seen = if sticks && n == 0 { h.min(stuck) } else { h };
                run.take(SensorIx(n), hour(h), soil(seen, &[0, wet], 0.001));
            }
        }
        if !sticks {
            assert_eq!(faults(&run), []);
            continue;
        }
        assert_eq!(faults(&run), [("s0".to_owned(), State::Unacknowledged)]);
        let after = told_after_h(&run, wet * DAY_H);
        assert!((0..2 * DAY_H).contains(&after), "{after} h after the water");
    }
}

/// A probe whose steps are fine moves with each reading: half a day is enough, whatever
/// its neighbours do.
#[test]
fn a_fine_probe_is_told_after_half_a_day() {
    let mut run = beds(3);
    let stuck = 20 * DAY_H;
    for h in 0..22 * DAY_H {
        for n in 0..3 {
            run.take(SensorIx(n), hour(h), soil(if n == 1 { h.min(stuck) } else { h }, &[0], 0.000_01));
        }
    }
    assert_eq!(faults(&run), [("s1".to_owned(), State::Unacknowledged)]);
    assert_eq!(told_after_h(&run, stuck), 12 + 6, "seven suspect readings of twelve");
}

/// Whoever names the times in the garden's file gets them.
#[test]
fn times_of_the_file_hold_as_they_are() {
    let keys = "bed = \"bed\"\ndepth_cm = 20\nevery_s = 3600\nquality = { flat = { suspect_s = 21600, fail_s = 43200 } }";
    let file = GardenFile::new("school").bed("bed", "Bed", BED_KEYS).sensor("s0", "soil-moisture", keys);
    let mut run = Run::new(file.text());
    for h in 0..DAY_H {
        run.take(SensorIx(0), hour(h), 0.2);
    }
    assert_eq!(told_after_h(&run, 0), 6 + 6);
}

/// What a daemon knows after a start: the readings of fifteen days, and of pH meters two months.
fn restarted(run: &mut Run) {
    let latest = run.rows.last().expect("readings").at;
    let from = restore_from(latest);
    let ph = run.garden.sensors[0].measures == trug::model::Quantity::Ph;
    run.router = trug::engine::Router::new(std::slice::from_ref(&run.garden), Clock::Readings);
    let mut scratch = Batch::default();
    for row in &run.rows {
        if row.at >= from {
            run.router.core.restore_reading(row, &mut scratch);
        } else if let Some(value) = row.value.filter(|_| ph) {
            run.router.core.restore_still(row.sensor, row.at, value);
        }
    }
    let present: BTreeMap<&AlarmKey, AlarmRecord> =
        run.changes.iter().map(|it| (&it.record.key, it.record.clone())).collect();
    run.router.core.restore_alarms(present.into_values().collect());
}

fn ph_meter(value: impl Fn(i64) -> f64, days: i64, restart_at: &[i64]) -> Run {
    let file = GardenFile::new("school").tank("tank", "Perch tank", "").sensor(
        "ph",
        "ph",
        "tank = \"tank\"\nevery_s = 3600",
    );
    let mut run = Run::new(file.text());
    for h in 0..days * DAY_H {
        if restart_at.contains(&h) {
            restarted(&mut run);
        }
        run.take(SensorIx(0), hour(h), value(h));
    }
    run
}

/// Buffered water at 7.4, by a meter that shows tenths.
#[test]
fn a_ph_meter_of_a_tenth_may_show_the_same_for_weeks() {
    let buffered = |h: i64| if h < 3 * DAY_H && h / 7 % 2 == 0 { 7.5 } else { 7.4 };
    for restarts in [&[][..], &[10 * DAY_H, 25 * DAY_H]] {
        assert_eq!(faults(&ph_meter(buffered, 30, restarts)), []);
        let run = ph_meter(buffered, 40, restarts);
        assert_eq!(faults(&run), [("ph".to_owned(), State::Unacknowledged)]);
        assert!((30 * DAY_H..31 * DAY_H).contains(&told_after_h(&run, 3 * DAY_H)));
    }
    // One that swings by day and night is stuck after some days.
    let swings = |h: i64| 7.4 + ((h.min(20 * DAY_H) % 24 - 12).abs() as f64 / 2.0 - 3.0).round() / 10.0;
    let run = ph_meter(swings, 30, &[]);
    let after = told_after_h(&run, 20 * DAY_H);
    assert!((2 * DAY_H..4 * DAY_H).contains(&after), "{after} h");
}

/// A fault that stands goes on over a start that shows only still readings.
#[test]
fn a_restart_forgets_no_stuck_probe() {
    let mut run = beds(3);
    let (stuck, wet) = (60 * DAY_H, 80);
    let feed = |run: &mut Run, from: i64, to: i64| {
        for h in from..to {
            for n in 0..3 {
                let seen = if n == 0 { h.min(stuck) } else { h };
                run.take(SensorIx(n), hour(h), soil(seen, &[0, wet], 0.001));
            }
        }
    };
    feed(&mut run, 0, 180 * DAY_H);
    assert_eq!(faults(&run).len(), 1);
    restarted(&mut run);
    feed(&mut run, 180 * DAY_H, 200 * DAY_H);
    assert_eq!(faults(&run), [("s0".to_owned(), State::Unacknowledged)]);
    for h in 200 * DAY_H..201 * DAY_H {
        run.take(SensorIx(0), hour(h), soil(h, &[0, wet, 200], 0.001));
    }
    assert_eq!(faults(&run).last(), Some(&("s0".to_owned(), State::ReturnedUnacknowledged)));
}
