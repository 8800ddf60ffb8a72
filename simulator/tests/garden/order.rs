//! The same seed gives the same garden, and time runs forward.

use garden_simulator::{Scenario, Simulation};

use crate::common::{names, play, school};

#[test]
fn one_seed_gives_the_same_bytes_and_another_seed_does_not() {
    for name in ["midday-watering", "late-gateway", "swapped-sensors", "slow-soil"] {
        let (first, truth) = play(name, 5);
        let (again, truth_again) = play(name, 5);
        assert!(first == again, "{name}: the messages differ");
        assert_eq!(truth.to_json(), truth_again.to_json());
        let (other, _) = play(name, 6);
        assert!(first != other, "{name}: another seed gives the same messages");
    }
}

#[test]
fn messages_come_strictly_in_the_order_of_sending_and_never_before_they_are_measured() {
    for name in names() {
        let (emissions, truth) = play(name, 1);
        assert!(emissions.len() > 5000, "{name}: {}", emissions.len());
        for pair in emissions.windows(2) {
            assert!(pair[0].send_at < pair[1].send_at, "{name}: {:?}", pair);
        }
        for e in &emissions {
            assert!(e.at < e.send_at && truth.from <= e.at && e.send_at <= truth.to, "{name}: {e:?}");
        }
    }
}

#[test]
fn a_sensor_never_gives_one_moment_two_readings() {
    for name in names() {
        let (emissions, _) = play(name, 2);
        let mut keys: Vec<_> = emissions.iter().map(|e| (&e.sensor, e.at)).collect();
        keys.sort();
        let all = keys.len();
        keys.dedup();
        assert_eq!(keys.len(), all, "{name}");
    }
}

#[test]
fn an_endless_garden_lives_the_scenario_and_then_goes_on() {
    let scenario = Scenario::named("cold-top-up").unwrap();
    let ordinary = Simulation::new(&school(), &scenario, 4);
    let end = ordinary.end();
    let mut endless = Simulation::new(&school(), &scenario, 4).endless();
    for expected in ordinary {
        assert_eq!(endless.next(), Some(expected));
    }
    let two_days = end.saturating_add(jiff::SignedDuration::from_hours(48)).unwrap();
    let later = endless.by_ref().take_while(|e| e.send_at < two_days).count();
    assert!(later > 2000, "{later}");
    assert!(endless.truth().to >= two_days);
}

#[test]
fn a_late_gateway_sends_what_it_kept_at_once_oldest_first() {
    let (emissions, _) = play("late-gateway", 3);
    let hour = jiff::SignedDuration::from_hours(1);
    let burst: Vec<_> = emissions.iter().filter(|e| e.send_at.duration_since(e.at) > hour).collect();
    // Two days of five sensors, four an hour.
    assert!((900..=960).contains(&burst.len()), "{}", burst.len());
    assert!(burst.windows(2).all(|w| w[0].at <= w[1].at));
    assert!(burst.iter().all(|e| e.topic.contains("/kitchen-bed/") || e.topic.contains("/pea-bed/")));
    let (first, last) = (burst[0], burst[burst.len() - 1]);
    assert!(last.send_at.duration_since(first.send_at) < jiff::SignedDuration::from_mins(2));
    let herb_meanwhile = emissions
        .iter()
        .filter(|e| e.sensor == "herb-15cm" && first.at < e.send_at && e.send_at < first.send_at)
        .count();
    assert!(herb_meanwhile > 180, "{herb_meanwhile}");
}

#[test]
fn a_frozen_sensor_repeats_one_number() {
    let (emissions, _) = play("frozen-sensor", 3);
    let from: jiff::Timestamp = "2026-04-11T09:00:00+09:30".parse().unwrap();
    let to: jiff::Timestamp = "2026-04-13T09:00:00+09:30".parse().unwrap();
    let mut frozen = emissions.iter().filter(|e| e.sensor == "herb-15cm" && from < e.at && e.at < to);
    let first = frozen.next().unwrap().raw;
    assert!(frozen.all(|e| (e.raw - first).abs() < 1e-12));
    let after = emissions.iter().filter(|e| e.sensor == "herb-15cm" && to < e.at).map(|e| e.raw);
    assert!(after.clone().any(|raw| (raw - first).abs() > 20.0));
}

#[test]
fn timers_keep_the_wall_clock_when_daylight_saving_ends() {
    let (_, truth) = play("ordinary-month", 1);
    let zone = school().time_zone;
    let at: Vec<_> = truth
        .waterings
        .iter()
        .filter(|w| w.scheduled && w.bed == "pea-bed")
        .map(|w| w.from.to_zoned_datetime(zone.clone()).datetime())
        .collect();
    assert_eq!(at.len(), 15);
    assert!(at.iter().all(|a| (a.hour(), a.minute()) == (19, 30)), "{at:?}");
    assert!(at[0].date() < jiff::civil::date(2026, 4, 5) && at[14].date() > jiff::civil::date(2026, 4, 5));
}
