//! Gardens as bad as the field: what its scenarios show is what they say.

use std::collections::BTreeMap;

use garden_simulator::{Emission, Scenario, School, Simulation};
use jiff::Timestamp;

use crate::common::play;

fn of<'a>(emissions: &'a [Emission], sensor: &'a str) -> impl Iterator<Item = &'a Emission> {
    emissions.iter().filter(move |e| e.sensor == sensor)
}

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// Largest number of hours over which a sensor sent one number.
fn stood_still_h(emissions: &[Emission], sensor: &str) -> f64 {
    let (mut since, mut most): (Option<&Emission>, f64) = (None, 0.0);
    for e in of(emissions, sensor) {
        let first = *since.get_or_insert(e);
        if (first.raw - e.raw).abs() > 1e-9 {
            since = Some(e);
        } else {
            most = most.max(e.at.duration_since(first.at).as_secs_f64() / 3600.0);
        }
    }
    most
}

/// An open record of grassland soil at this resolution stands still for a day and more
/// at depth, with healthy loggers.
#[test]
fn coarse_sensors_send_steps_and_stand_still_for_long() {
    let (emissions, _) = play("coarse-sensors", 51);
    for (sensors, step) in
        [(&["north-10cm", "north-30cm", "bean-40cm"][..], 0.001), (&["tank-ph", "tank-temp"], 0.1)]
    {
        for sensor in sensors {
            for e in of(&emissions, sensor).filter(|e| (e.raw - 85.0).abs() > 1e-9) {
                let steps = e.raw / step;
                assert!((steps - steps.round()).abs() < 1e-6, "{e:?}");
            }
        }
    }
    assert!(stood_still_h(&emissions, "bean-40cm") > 12.0);
    assert!(stood_still_h(&emissions, "tank-ph") > 5.0);
}

#[test]
fn one_timer_waters_all_beds_at_six() {
    let (_, truth) = play("one-timer", 52);
    let zone = crate::common::school_of("one-timer").time_zone;
    let mut days: BTreeMap<jiff::civil::Date, usize> = BTreeMap::new();
    for watering in truth.waterings.iter().filter(|w| w.scheduled) {
        let local = watering.from.to_zoned_datetime(zone.clone());
        assert_eq!((local.hour(), local.minute()), (6, 0));
        *days.entry(local.date()).or_default() += 1;
    }
    assert!(days.values().all(|beds| *beds == 5), "{days:?}");
    // Every third day of thirty, less three on which it fails.
    assert_eq!(days.len(), 7, "{days:?}");
}

/// The form of Spaans and Baker 1996: below zero a probe shows less, by far more than
/// roots take, and the same again after the thaw.
#[test]
fn frozen_soil_shows_less_water_until_it_thaws() {
    for seed in [53, 1, 2] {
        let (emissions, _) = play("thaw", seed);
        let warmth: BTreeMap<i64, f64> =
            of(&emissions, "north-soil-temp").map(|e| (e.at.as_second() / 900, e.raw)).collect();
        let water: Vec<(f64, f64)> = of(&emissions, "north-10cm")
            .filter_map(|e| warmth.get(&(e.at.as_second() / 900)).map(|c| (*c, e.raw)))
            .collect();
        let coldest = water.iter().copied().min_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
        let falls = water.iter().filter(|(c, _)| *c < -0.5).map(|(_, w)| *w).fold(1.0, f64::min);
        let thawed = water.iter().filter(|(c, _)| *c > 1.0).map(|(_, w)| *w).fold(1.0, f64::min);
        assert!(coldest.0 < -0.5, "seed {seed}: {coldest:?}");
        assert!(falls < thawed - 0.02, "seed {seed}: frozen {falls}, never below {thawed} else");
        // It hangs near zero: the heat of freezing holds it there.
        let near = water.iter().filter(|(c, _)| (-0.3..=0.3).contains(c)).count();
        assert!(near > 100, "seed {seed}: {near}");
    }
}

#[test]
fn a_half_clogged_gauge_counts_about_half() {
    let (emissions, truth) = play("half-clogged-gauge", 54);
    let tips: f64 = of(&emissions, "yard-gauge").map(|e| e.raw).sum();
    let rain: f64 = truth.rain.iter().map(|day| day.mm).sum();
    let caught = 0.2 * tips / rain;
    assert!((0.45..0.65).contains(&caught), "{caught}");
}

/// With one seed, water comes down at another pace where soil is slow, and the pace
/// changes from day to day.
#[test]
fn slow_soil_shows_a_watering_hours_later_at_depth() {
    let (emissions, truth) = play("slow-soil", 56);
    let mut lags = Vec::new();
    for watering in truth.waterings.iter().filter(|w| w.bed == "bean-bed") {
        let hours = |e: &&Emission| e.at.duration_since(watering.from).as_secs_f64() / 3600.0;
        let after: Vec<&Emission> =
            of(&emissions, "bean-40cm").filter(|e| (0.0..30.0).contains(&hours(e))).collect();
        let first = after.first().map_or(0.0, |e| e.raw);
        lags.extend(after.iter().find(|e| e.raw >= first + 0.003).map(hours));
    }
    lags.sort_by(f64::total_cmp);
    assert!(lags.len() >= 4, "{lags:?}");
    assert!(lags[lags.len() - 1] - lags[0] > 1.5, "{lags:?}");
}

#[test]
fn a_changed_probe_reads_differently_beside_a_gap() {
    let (emissions, truth) = play("swapped-sensors", 57);
    let (out, back) = (at("2026-04-08T10:00:00+10:00"), at("2026-04-08T13:00:00+10:00"));
    let own: Vec<&Emission> = of(&emissions, "north-10cm").collect();
    assert!(own.iter().all(|e| e.at < out || e.at >= back));
    let before = own.iter().rev().find(|e| e.at < out).unwrap().raw;
    let after = own.iter().find(|e| e.at >= back).unwrap().raw;
    assert!((after - before - 0.035).abs() < 0.012, "{before} {after}");
    assert!(truth.events.iter().all(|e| e.kind != "watering-hours" || e.place != "north-bed"));
    // Readings that fall to zero, each with others lost beside it now and then.
    let zeros = of(&emissions, "bean-10cm").filter(|e| e.raw.abs() < 1e-9).count();
    assert!((5..60).contains(&zeros), "{zeros}");
    assert_eq!(of(&emissions, "bean-40cm").filter(|e| e.raw.abs() < 1e-9).count(), 0);
}

#[test]
fn a_thermometer_that_fails_hot_says_nothing_of_the_water() {
    let (emissions, truth) = play("hot-thermometers", 58);
    let most = |from: &str, to: &str| {
        let (from, to) = (at(from), at(to));
        of(&emissions, "tank-temp").filter(|e| from < e.at && e.at < to).map(|e| e.raw).fold(0.0, f64::max)
    };
    assert!(most("2026-04-08T14:00:00+10:00", "2026-04-10T08:00:00+10:00") > 54.0);
    let early = most("2026-04-21T08:00:00+10:00", "2026-04-21T09:00:00+10:00");
    let late = most("2026-04-26T08:00:00+10:00", "2026-04-26T09:00:00+10:00");
    assert!(early < 40.0 && late > 55.0, "{early} {late}");
    assert!(truth.events.iter().all(|e| !e.must || e.kind == "sensor-fault"), "{:#?}", truth.events);
}

#[test]
fn peat_rises_and_falls_without_water() {
    let (emissions, truth) = play("peat-bed", 59);
    let own: Vec<f64> = of(&emissions, "bog-10cm").map(|e| e.raw).collect();
    let (least, most) = own.iter().fold((1.0_f64, 0.0_f64), |(l, m), raw| (l.min(*raw), m.max(*raw)));
    assert!(least > 0.5 && most < 0.93 && most - least > 0.08, "{least} {most}");
    let told = truth.events.iter().any(|e| e.place == "bog-bed" && e.kind == "watering-hours" && e.must);
    assert!(!told);
}

/// Without the keys of the field nothing is drawn that was not drawn before.
#[test]
fn what_is_not_asked_for_changes_nothing() {
    let school = School::parse(include_str!("../garden.toml")).unwrap();
    let plain = Scenario::named("midday-watering").unwrap();
    let text = include_str!("../../scenarios/midday-watering.toml");
    // A distance of nothing, no wandering and a dropout never: all as without them.
    let asked = format!(
        "{text}\n[[instrument]]\nsensor = \"yard-gauge\"\nkm_off = 0\n\n[[instrument]]\nmeasures = \"soil-moisture\"\n\
         wanders = 0\n\n[[event]]\nkind = \"dropouts\"\nsensor = \"pea-15cm\"\npart = 0.0\n\
         from = 2026-03-28T00:00:00\nto = 2026-04-30T00:00:00\n"
    );
    let asked = Scenario::parse(&asked).unwrap();
    let (mut a, mut b) = (Simulation::new(&school, &plain, 3), Simulation::new(&school, &asked, 3));
    assert!(a.by_ref().eq(b.by_ref()));
    assert_eq!(a.truth().events, b.truth().events);
}
