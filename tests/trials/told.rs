//! Who is told what, when, and how long after it was true: scenarios played through a
//! real daemon, and one table of them.
//!
//! `cargo test --test trials told_table -- --nocapture` prints it; `TOLD=NAME` plays one
//! scenario only. Nobody answers in any of them.

use jiff::tz::TimeZone;

use crate::support::told_table::{
    PlayedThrough, ToldCell, ToldRow, ToldTable, garden_with_ways, play_through, rows_of,
};
use crate::told_blind;

/// Minutes within which a hose is told of where the soil alone tells: an hour and a half
/// until the soil holds more than it can keep, and 75 minutes in which it does not drain.
const HOSE_MOST_MIN: i64 = 3 * 60;

/// One scenario of the table: what it is about, and what must be so.
struct Told {
    scenario: &'static str,
    about: (&'static str, &'static str),
    check: fn(&[ToldRow], &PlayedThrough),
}

const TOLD: [Told; 4] = [
    Told { scenario: "hot-fortnight", about: ("tank-too-warm", "perch-tank"), check: heat },
    Told { scenario: "night-dips", about: ("tank-too-cold", "perch-tank"), check: dips },
    Told { scenario: "hose-at-three", about: ("water-left-on", "pea-bed"), check: hose },
    Told { scenario: "noon-watering", about: ("watering-hours", "pea-bed"), check: noon },
];

/// A scenario with readings of its own, which checks who was told.
type OwnScenario = (&'static str, fn() -> Vec<ToldRow>);

const BLIND: [OwnScenario; 4] = [
    ("dead-broker", told_blind::dead_broker),
    ("floor", told_blind::thermometer_on_the_floor),
    ("wrong-clock", told_blind::wrong_clock),
    ("three-weeks", told_blind::alarm_of_three_weeks_ago),
];

/// What a group was told, oldest first.
fn told_to<'a>(rows: &'a [ToldRow], who: &str) -> Vec<(&'a ToldRow, &'a ToldCell)> {
    let told = rows.iter().filter_map(|row| Some((row, row.told.as_ref()?)));
    told.filter(|(_, told)| told.who == who).collect()
}

/// Twelve days above the limit: told soon, each further degree, and never a day without.
fn heat(rows: &[ToldRow], _: &PlayedThrough) {
    for (who, soon_min) in [("teacher", 75), ("office", 120)] {
        let told = told_to(rows, who);
        let first = told.first().expect("it is told");
        assert!(first.0.after().unwrap().as_mins() <= soon_min, "{first:?}");
        let stands: Vec<_> = told.iter().take_while(|(_, told)| !told.words.starts_with("Over")).collect();
        for pair in stands.windows(2) {
            let gap = pair[1].1.at.duration_since(pair[0].1.at);
            assert!(gap.as_hours() <= 24, "{who} heard nothing for {gap:?}: {pair:?}");
        }
        for degree in 31..=37 {
            let words = format!("Getting worse: Perch tank is too warm: {degree}");
            assert!(stands.iter().any(|(_, told)| told.words.starts_with(&words)), "{who}: {words}");
        }
        assert!(stands.iter().all(|(_, told)| told.priority == "high"));
    }
    let both = told_to(rows, "teacher").into_iter().filter(|(_, told)| told.way.contains("+teacher-home"));
    assert!(both.count() > 10, "what nobody answers goes by the other way, too");
}

/// Eleven nights below the limit are one alarm with a count: told the first, second, fourth
/// and eighth time, and when it is worse or stays.
fn dips(rows: &[ToldRow], _: &PlayedThrough) {
    let told = told_to(rows, "teacher");
    let raised = |told: &&(&ToldRow, &ToldCell)| {
        !told.1.words.starts_with("Not answered yet") && !told.1.words.starts_with("Over")
    };
    let raised: Vec<&str> = told.iter().filter(raised).map(|(_, told)| told.words.as_str()).collect();
    assert!(raised.len() <= 6, "{raised:?}");
    assert!(raised[1].starts_with("The 2nd time since 9 May: Perch tank is too cold"), "{raised:?}");
    assert!(raised.iter().any(|words| words.starts_with("The 8th time since 9 May")), "{raised:?}");
}

/// A hose that runs from three in the afternoon is told the same day, as urgent.
fn hose(rows: &[ToldRow], _: &PlayedThrough) {
    let told = told_to(rows, "grounds");
    let (row, told) = told.first().expect("it is told");
    assert_eq!(told.priority, "high");
    assert!(told.words.starts_with("Water seems to be running onto Pea bed"), "{}", told.words);
    let after = row.after().expect("it is told");
    assert!(after.as_mins() <= HOSE_MOST_MIN, "told after {after:?}");
}

/// A watering at noon is over by evening, and in the morning's summary all the same.
fn noon(rows: &[ToldRow], _: &PlayedThrough) {
    let told = told_to(rows, "grounds");
    let [(_, told)] = told.as_slice() else { panic!("{told:?}") };
    // At 7 am of the next day, as soon as a reading has come after it.
    let seven: jiff::Timestamp = "2026-04-09T21:30:00Z".parse().unwrap();
    let late = told.at.duration_since(seven).as_mins();
    assert!((0..5).contains(&late), "{late} minutes after seven");
    assert_eq!(told.priority, "low");
    assert!(told.words.starts_with("Pea bed was watered outside the allowed hours"), "{}", told.words);
    assert!(told.words.contains("has stopped"), "{}", told.words);
}

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
