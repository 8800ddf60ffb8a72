//! The simulator's scenarios that are as bad as the field: coarse sensors, one timer, a
//! thaw, gauges that see half of the rain, changed probes, peat; and random months of
//! all that. What was told is held against what truly happened.
//!
//! `TRIAL_SEEDS=100 cargo test --release --test trials field -- --nocapture` for a hundred
//! seeds of each; `TRIAL=NAME` plays one scenario only, `SHOW=1` lists what was missed and
//! what was false. Where no program is written down, the timer is the rules' to guess.

use garden_simulator::{FIELD_GARDEN, FIELD_SCENARIOS, Scenario, School};

use crate::support::run::simulated;
use crate::support::score::{Line, Score, told};

/// Seeds of each scenario beside its own: the first, and how many.
const FIRST_SEED: u64 = 100;
const MORE_SEEDS: u64 = 1;
const MONTHS: u64 = 3;

/// What is not right yet over the usual seeds: scenario, kind of alarm, how many events
/// are missed and how many alarms are false at most. All else is told, and nothing false.
const NOT_YET: &[(&str, &str, usize, usize)] = &[
    // Some waterings at noon are left unknown.
    ("half-clogged-gauge", "watering-hours", 1, 0),
    ("peat-bed", "watering-hours", 1, 0),
    ("field months", "watering-hours", 1, 0),
    // The first run that fails is not noticed with one of two seeds.
    ("one-timer", "watering-missed", 1, 0),
    // With one of two seeds.
    ("swapped-sensors", "dry-bed", 0, 1),
];

/// What of a score is worse than is expected over the usual seeds.
fn worse(name: &str, score: &Score) -> Vec<String> {
    if std::env::var_os("TRIAL_SEEDS").is_some() {
        return Vec::new();
    }
    let beyond = |(kind, line): (&String, &Line)| {
        let row = NOT_YET.iter().find(|row| row.0 == name && row.1 == kind);
        let (missed, false_alarms) = row.map_or((0, 0), |row| (row.2, row.3));
        (line.missed.len() > missed || line.false_alarms.len() > false_alarms)
            .then(|| format!("{name}, {kind}: missed {:?}, false {:?}", line.missed, line.false_alarms))
    };
    score.kinds.iter().filter_map(beyond).collect()
}

fn seeds(usual: u64) -> u64 {
    std::env::var("TRIAL_SEEDS").map_or(usual, |n| n.parse().expect("TRIAL_SEEDS is a number"))
}

/// A scenario's score, with its timers' programs in the garden's file or without.
fn played(scenario: &Scenario, seed: u64, program: bool) -> Score {
    let text =
        if program { format!("{FIELD_GARDEN}{}", scenario.programs()) } else { FIELD_GARDEN.to_owned() };
    let (run, mut truth) = simulated(&text, scenario, seed);
    assert_eq!(run.refused, 0, "messages that could not be read or placed");
    // A program that nobody wrote down cannot be missed.
    truth.events.retain(|event| program || event.kind != "watering-missed");
    Score::of(&truth, &told(&run.changes))
}

fn print(name: &str, score: &Score) {
    let text = score.to_string();
    let shown = std::env::var_os("SHOW").is_some();
    println!("{name}:");
    for line in text.lines().filter(|line| shown || !line.starts_with("  ")) {
        println!("{line}");
    }
    println!();
}

#[test]
fn field_scenarios_are_told_as_they_are() {
    let only = std::env::var("TRIAL").ok();
    let more = seeds(MORE_SEEDS);
    let mut faults = Vec::new();
    for (name, _) in FIELD_SCENARIOS.iter().filter(|(name, _)| only.as_deref().is_none_or(|o| o == *name)) {
        let scenario = Scenario::named(name).expect("a scenario of the list");
        for program in [true, false] {
            // The timer is the matter of this one; elsewhere it is known.
            if !program && *name != "one-timer" {
                continue;
            }
            let mut all = Score::default();
            for seed in std::iter::once(scenario.seed).chain(FIRST_SEED..FIRST_SEED + more) {
                all.add(played(&scenario, seed, program));
            }
            let name = if program { (*name).to_owned() } else { format!("{name}, no program written down") };
            print(&name, &all);
            faults.extend(worse(&name, &all));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn field_months_are_told_as_they_are() {
    let school = School::parse(FIELD_GARDEN).expect("a garden that can be simulated");
    let programs: &[bool] = if std::env::var_os("TRIAL_SEEDS").is_some() { &[true, false] } else { &[true] };
    let mut faults = Vec::new();
    for program in programs {
        let mut all = Score::default();
        for seed in 1..=seeds(MONTHS) {
            all.add(played(&Scenario::field_month(&school, seed), seed, *program));
        }
        print(if *program { "field months" } else { "field months, no program written down" }, &all);
        faults.extend(worse("field months", &all));
    }
    assert!(faults.is_empty(), "{faults:#?}");
}
