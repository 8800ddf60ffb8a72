//! Frost and hot days by the site's own air temperature.

use garden_simulator::Scenario;
use jiff::SignedDuration;
use trug::alarms::{Kind, Priority, State};
use trug::model::SensorIx;

use crate::support::garden::{BED_KEYS, GardenFile, SHIPPED, WATERING, local as t};
use crate::support::run::{Run, simulated};

const AIR: SensorIx = SensorIx(0);
const OTHER: SensorIx = SensorIx(1);
const PROBE: SensorIx = SensorIx(2);

fn school(other: &str) -> Run {
    let file = GardenFile::new("school")
        .with(WATERING)
        .sensor("air", "air-temperature", "")
        .sensor("other", "air-temperature", other)
        .bed("bed", "Bed", BED_KEYS)
        .probe("probe", "bed", 15);
    Run::new(file.text())
}

/// Two thermometers every quarter of an hour.
fn play(run: &mut Run, from: &str, to: &str, air_c: f64, other_c: f64) {
    let (mut at, to) = (t(from), t(to));
    while at < to {
        let moving = 0.05 * ((at.as_second() / 900) % 3 - 1) as f64;
        run.take(PROBE, at, 0.28);
        run.take(AIR, at, air_c + moving);
        run.take(OTHER, at, other_c - moving);
        at += SignedDuration::from_mins(15);
    }
}

#[test]
fn frost_is_told_below_two_degrees_and_over_when_it_is_past_three_for_hours() {
    let mut run = school("");
    play(&mut run, "2026-07-10T00:00", "2026-07-10T03:00", 2.3, 2.4);
    assert_eq!(run.steps(Kind::Frost), []);
    play(&mut run, "2026-07-10T03:00", "2026-07-10T04:00", 2.3, 1.4);
    assert_eq!(run.steps(Kind::Frost), [State::Unacknowledged], "the colder one counts");
    let told = run.first(Kind::Frost);
    assert_eq!(told.record.key.place.as_str(), "school");
    let text = told.record.said.text.to_string();
    assert!(text.contains("frost may form on the ground") && text.contains("Cover tender plants"), "{text}");
    play(&mut run, "2026-07-10T04:00", "2026-07-10T09:00", 2.6, 2.7);
    assert_eq!(run.steps(Kind::Frost).len(), 1, "within the deadband");
    play(&mut run, "2026-07-10T09:00", "2026-07-10T13:00", 6.0, 6.4);
    assert_eq!(run.steps(Kind::Frost), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    assert_eq!(run.steps(Kind::Heat), []);
}

#[test]
fn a_hot_day_is_told_and_one_thermometer_in_the_sun_makes_none() {
    let mut run = school("");
    play(&mut run, "2026-01-10T10:00", "2026-01-10T13:00", 34.0, 41.0);
    assert_eq!(run.steps(Kind::Heat), []);
    play(&mut run, "2026-01-10T13:00", "2026-01-10T14:00", 36.2, 41.0);
    assert_eq!(run.steps(Kind::Heat), [State::Unacknowledged]);
    let text = run.first(Kind::Heat).record.said.text.to_string();
    assert!(
        text.contains("°C over 35 °C. People come first") && text.contains("school's heat rules"),
        "{text}"
    );
    assert!(!text.contains("fish"), "it has no tank: {text}");
}

/// The air of a clear day every quarter of an hour: coldest at 6 am, warmest at 3 pm.
fn clear_day(run: &mut Run, date: &str, (low_c, high_c): (f64, f64), hours: std::ops::Range<i64>) {
    let start = t(&format!("{date}T00:00"));
    for quarter in 4 * hours.start..4 * hours.end {
        let at = start + SignedDuration::from_mins(15 * quarter);
        let hour = quarter as f64 / 4.0;
        let warmth = 0.5 - 0.5 * (std::f64::consts::TAU * (hour - 6.0) / 18.0).cos();
        let warmth = if (6.0..24.0).contains(&hour) { warmth } else { 0.03 * (6.0 - hour) };
        let air_c = low_c + (high_c - low_c) * warmth;
        run.take(PROBE, at, 0.28);
        run.take(AIR, at, air_c);
        run.take(OTHER, at, air_c + 0.2);
    }
}

#[test]
fn frost_is_told_in_the_afternoon_before_the_night_that_it_threatens() {
    let mut run = school("");
    clear_day(&mut run, "2026-07-10", (5.0, 16.0), 0..24);
    // 3.6 and half of what the day is cooler: 2.1.
    clear_day(&mut run, "2026-07-11", (3.6, 13.0), 0..15);
    assert_eq!(run.steps(Kind::Frost), []);
    clear_day(&mut run, "2026-07-11", (3.6, 13.0), 15..16);
    assert_eq!(run.steps(Kind::Frost), [State::Unacknowledged]);
    let told = run.first(Kind::Frost);
    assert_eq!(told.priority, Priority::Medium);
    assert_eq!(told.record.since, t("2026-07-11T15:00"));
    let text = told.record.said.text.to_string();
    assert!(
        text.contains("frost may come in the night to Sunday 12 July, with about 2 °C in the air"),
        "{text}"
    );
    assert!(text.contains("Cover tender plants before dark"), "{text}");
    clear_day(&mut run, "2026-07-11", (3.6, 13.0), 16..24);
    assert_eq!(run.steps(Kind::Frost).len(), 1, "it stands through the evening, though the air is mild");
    // A mild night after all: it is over by midday, and the next afternoon is mild as well.
    clear_day(&mut run, "2026-07-12", (5.5, 16.0), 0..24);
    assert_eq!(run.steps(Kind::Frost), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

/// A thermometer that was silent for much of yesterday has not seen its high.
#[test]
fn without_a_whole_yesterday_no_night_is_foretold() {
    let mut run = school("");
    clear_day(&mut run, "2026-07-10", (5.0, 16.0), 0..11);
    clear_day(&mut run, "2026-07-11", (3.0, 13.0), 0..20);
    assert_eq!(run.steps(Kind::Frost), []);
}

/// A glasshouse is not the garden's air.
#[test]
fn a_thermometer_in_a_bed_makes_no_frost_and_no_heat() {
    let mut run = school("bed = \"bed\"");
    play(&mut run, "2026-01-10T10:00", "2026-01-10T12:00", 24.0, 44.0);
    play(&mut run, "2026-01-11T10:00", "2026-01-11T12:00", 24.0, 0.0);
    assert_eq!((run.steps(Kind::Heat), run.steps(Kind::Frost)), (vec![], vec![]));
}

/// A silent thermometer neither raises nor clears.
#[test]
fn silence_does_not_end_a_frost() {
    let mut run = school("");
    play(&mut run, "2026-07-10T00:00", "2026-07-10T02:00", 1.0, 1.0);
    assert_eq!(run.steps(Kind::Frost), [State::Unacknowledged]);
    let (mut at, to) = (t("2026-07-10T03:00"), t("2026-07-10T12:00"));
    while at < to {
        run.take(AIR, at, 8.0 + 0.05 * ((at.as_second() / 900) % 3) as f64);
        at += SignedDuration::from_mins(15);
    }
    assert_eq!(run.steps(Kind::Frost), [State::Unacknowledged], "the other one is silent");
}

#[test]
fn scenarios_of_heat_and_cold_speak_and_an_ordinary_month_does_not() {
    let told = |name: &str| {
        let scenario = Scenario::named(name).expect("a scenario");
        let (run, _) = simulated(SHIPPED, &scenario, scenario.seed);
        [Kind::Frost, Kind::Heat].map(|kind| run.steps(kind).contains(&State::Unacknowledged))
    };
    assert_eq!(told("cold-snap"), [true, false]);
    assert_eq!(told("heat-week"), [false, true]);
    assert_eq!(told("ordinary-month"), [false, false]);
}
