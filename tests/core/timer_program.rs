//! A timer that waters three of four beds at six: what is said of it where its program
//! is written down, and where it is not.

use std::fmt::Write as _;

use garden_simulator::Scenario;
use trug::alarms::Kind;
use trug::garden::view::SiteView;

use crate::support::garden::SHIPPED;
use crate::support::run::{Run, simulated};

const BEDS: [&str; 3] = ["kitchen-bed", "pea-bed", "herb-bed"];

/// The program that the scenario's timer has.
const PROGRAM: &str = "\n[[program]]\nname = \"morning drip\"\n\
    beds = [\"kitchen-bed\", \"pea-bed\", \"herb-bed\"]\nevery_days = 2\nfrom = 2026-04-02\nstarts = [\"06:00\"]\n\
    minutes = 30\n";

/// A dry fortnight; the timer runs every other day.
fn scenario() -> Scenario {
    let mut text = "title = \"A timer\"\nstart = 2026-04-01\ndays = 14\nseed = 4\n\
         [[climate.spell]]\nfrom = 2026-03-30\nto = 2026-04-16\nwet = false\n"
        .to_owned();
    for day in (2..=14).step_by(2) {
        for (bed, litres) in BEDS.iter().zip([90, 80, 45]) {
            let _ = write!(
                text,
                "[[event]]\nkind = \"watering\"\nbed = \"{bed}\"\nat = 2026-04-{day:02}T06:00:00\nlitres = {litres}\n"
            );
        }
    }
    Scenario::parse(&text).expect("a scenario")
}

fn without_programs() -> &'static str {
    SHIPPED.split("\n[[program]]").next().unwrap_or(SHIPPED)
}

fn played(garden: &str) -> (Run, SiteView) {
    let scenario = scenario();
    let (run, _) = simulated(garden, &scenario, scenario.seed);
    let view = run.view();
    (run, view)
}

/// What is said of the last wetting of each bed that the timer waters.
fn last_wettings(view: &SiteView) -> Vec<String> {
    let of = |id: &&str| view.beds.iter().find(|bed| bed.id.as_str() == *id);
    BEDS.iter().filter_map(of).map(|bed| bed.last_wetting.clone().unwrap_or_default()).collect()
}

#[test]
fn water_at_a_programs_time_is_the_timers_and_no_rain_that_the_gauge_missed() {
    let (run, view) = played(&format!("{}{PROGRAM}", without_programs()));
    for words in last_wettings(&view) {
        assert!(words.starts_with("Was watered by the timer at about"), "{words}");
    }
    let wrong: Vec<_> = run
        .changes
        .iter()
        .filter(|change| matches!(change.record.key.kind, Kind::GaugeSuspect | Kind::WateringHours))
        .collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    let figure = view
        .beds
        .iter()
        .flat_map(|bed| &bed.figures)
        .find(|figure| figure.name == "Last wetting" && figure.value.starts_with("watered by the timer"))
        .expect("a figure");
    let why: String = figure.why.iter().map(|step| step.with.clone()).collect();
    assert!(why.contains("the timer's program \"morning drip\" runs at 6 am"), "{why}");
}

#[test]
fn without_the_program_beds_that_rise_together_are_not_known() {
    let (_, view) = played(without_programs());
    let words = last_wettings(&view);
    assert!(words.iter().any(|words| words.contains("not known")), "{words:?}");
}
