//! Who is told what, when, and how long after it was true: scenarios played through a
//! real daemon, and one table of them.
//!
//! `cargo test --test trials told_table -- --nocapture` prints it; `TOLD=NAME` plays one
//! scenario only. Nobody answers in any of them.

use jiff::tz::TimeZone;

use crate::support::told_table::{
    PlayedThrough, ToldRow, ToldTable, garden_with_ways, play_through, rows_of,
};
use crate::told_blind;

/// One scenario of the table: what it is about, and what must be so.
struct Told {
    scenario: &'static str,
    about: (&'static str, &'static str),
    check: fn(&[ToldRow], &PlayedThrough),
}

const TOLD: [Told; 4] = [
    Told { scenario: "hot-fortnight", about: ("tank-too-warm", "perch-tank"), check: |_, _| {} },
    Told { scenario: "night-dips", about: ("tank-too-cold", "perch-tank"), check: |_, _| {} },
    Told { scenario: "hose-at-three", about: ("water-left-on", "pea-bed"), check: |_, _| {} },
    Told { scenario: "noon-watering", about: ("watering-hours", "pea-bed"), check: |_, _| {} },
];

/// Scenarios with readings of their own; each checks who was told.
const BLIND: [(&str, fn() -> Vec<ToldRow>); 4] = [
    ("dead-broker", told_blind::dead_broker),
    ("floor", told_blind::thermometer_on_the_floor),
    ("wrong-clock", told_blind::wrong_clock),
    ("three-weeks", told_blind::alarm_of_three_weeks_ago),
];

/// The garden of the table: its tank's limits are its own, so that the scenarios stay
/// what they are where the table of species changes.
fn garden() -> String {
    let usual = "#limits = { cold_c = 14, warm_c = 28, change_hour_c = 2, change_day_c = 5 }";
    let text = garden_with_ways();
    assert!(text.contains(usual), "the shipped garden has {usual}");
    text.replace(usual, "limits = { cold_c = 12.9, warm_c = 30, change_hour_c = 3, change_day_c = 8 }")
}

#[test]
fn told_table_of_scenarios() {
    let only = std::env::var("TOLD").ok();
    let garden = garden();
    let zone = TimeZone::get("Australia/Adelaide").expect("a zone");
    let mut rows = Vec::new();
    for told in TOLD.iter().filter(|it| only.as_deref().is_none_or(|only| only == it.scenario)) {
        let played = play_through(told.scenario, &garden, 0);
        let of = rows_of(told.scenario, &played.truth.events, &played.messages, told.about);
        println!("{}", ToldTable { rows: &of, zone: &zone });
        (told.check)(&of, &played);
        rows.extend(of);
    }
    for (scenario, play) in BLIND.iter().filter(|it| only.as_deref().is_none_or(|only| only == it.0)) {
        let of = play();
        println!("{}", ToldTable { rows: &of, zone: &zone });
        assert!(of.iter().all(|row| row.scenario == *scenario), "{scenario}");
        rows.extend(of);
    }
    println!("{}", ToldTable { rows: &rows, zone: &zone });
    assert!(!rows.is_empty(), "no scenario of that name");
}
