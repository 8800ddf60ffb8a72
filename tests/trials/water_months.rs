//! The three rules on water that is too much or does not soak in, over random
//! months: what was found, what was missed, what was false, and how late.
//!
//! `TRIAL_SEEDS=100` plays so many months of each kind.

use std::collections::BTreeMap;

use garden_simulator::{GaugeState, Scenario, School};

use crate::support::garden::SHIPPED;
use crate::support::run::simulated;
use crate::support::score::{Line, Score, told};

const FEW_SEEDS: u64 = 4;
const RULES: [&str; 3] = ["water-left-on", "waterlogged", "water-repellent-soil"];
const PROBES: f64 = 7.0;
const YEARS_A_MONTH: f64 = 30.0 / 365.25;

fn seeds() -> u64 {
    std::env::var("TRIAL_SEEDS").map_or(FEW_SEEDS, |n| n.parse().expect("TRIAL_SEEDS is a number"))
}

fn score(months: impl Fn(u64) -> Scenario) -> BTreeMap<String, Line> {
    let mut all = Score::default();
    for seed in 1..=seeds() {
        let (run, truth) = simulated(SHIPPED, &months(seed), seed);
        all.add(Score::of(&truth, &told(&run.changes)));
    }
    all.kinds.retain(|kind, _| RULES.contains(&kind.as_str()));
    all.kinds
}

fn print(what: &str, kinds: &BTreeMap<String, Line>) {
    let sensor_years = seeds() as f64 * PROBES * YEARS_A_MONTH;
    for rule in RULES {
        let line = kinds.get(rule).cloned().unwrap_or_default();
        println!(
            "{rule:<22}{what:<26}{:>5} true {:>5} found {:>4} false ({:.3} a sensor-year) {:>4} borderline, longest \
             delay {} h",
            line.must,
            line.found,
            line.false_alarms.len(),
            line.false_alarms.len() as f64 / sensor_years,
            line.borderline,
            line.delay_max.as_hours()
        );
        for event in &line.missed {
            println!("    missed {} {} to {}: {}", event.place, event.from, event.to, event.note);
        }
        for alarm in &line.false_alarms {
            println!("    false {} at {}", alarm.place, alarm.at);
        }
    }
}

#[test]
fn ordinary_months_raise_none_of_them_falsely() {
    let school = School::parse(SHIPPED).expect("the demonstration school");
    for gauge in GaugeState::ALL {
        let kinds = score(|seed| Scenario::random_month(&school, seed, gauge));
        print(gauge.name(), &kinds);
        assert!(kinds.values().all(|line| line.false_alarms.is_empty() && line.missed.is_empty()));
    }
}

#[test]
fn troubled_months_are_told() {
    let school = School::parse(SHIPPED).expect("the demonstration school");
    let kinds = score(|seed| Scenario::troubled_month(&school, seed));
    print("troubled months", &kinds);
    for rule in RULES {
        let line = kinds.get(rule).cloned().unwrap_or_default();
        assert!(line.must > 0, "{rule}: nothing to be told");
        assert!(line.missed.is_empty() && line.false_alarms.is_empty(), "{rule}");
    }
}
