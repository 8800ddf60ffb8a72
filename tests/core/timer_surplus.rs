//! A timer that gives a bed more than its plants use is told, and one that gives less than
//! even young plants use is not; held against the simulator's own judgement.

use garden_simulator::Scenario;
use trug::alarms::Kind;

use crate::support::garden::SHIPPED;
use crate::support::run::simulated;
use crate::support::score::{Score, told};

const GENEROUS: &str = include_str!("../../simulator/scenarios/generous-timer.toml");

/// What was true and told of the kitchen bed (true, found, false, borderline), and the rain, mm.
fn score(garden: &str, scenario: &str) -> ([usize; 4], f64) {
    let scenario = Scenario::parse(scenario).expect("a scenario");
    let (run, truth) = simulated(garden, &scenario, scenario.seed);
    let score = Score::of(&truth, &told(&run.changes));
    let line = score.kinds.get(Kind::WateredTooMuch.name()).cloned().unwrap_or_default();
    let rain_mm = truth.rain.iter().map(|day| day.mm).sum();
    ([line.must, line.found, line.false_alarms.len(), line.borderline], rain_mm)
}

#[test]
fn twice_what_a_bed_uses_in_winter_is_told() {
    assert_eq!(score(SHIPPED, GENEROUS).0, [1, 1, 0, 0]);
}

/// 20 L each second day are 1.25 mm a day where April's reference evapotranspiration is
/// above 3 mm; the rain of each week keeps the soil moist all the same.
#[test]
fn a_third_of_it_in_autumn_is_not_told_though_rain_keeps_the_soil_moist() {
    let garden = SHIPPED.replace("minutes = 30", "minutes = 10");
    assert_ne!(garden, SHIPPED);
    let mut scenario = GENEROUS.replace("litres = 60", "litres = 20").replace("2026-06", "2026-04");
    // The file's timer runs every two days from 29 March: on the 2nd.
    scenario = scenario.replace("first = 2026-04-01", "first = 2026-04-02");
    for day in [3, 8, 13, 18, 23] {
        scenario.push_str(&format!(
            "\n[[climate.spell]]\nfrom = 2026-04-{day:02}\nto = 2026-04-{day:02}\nrain_mm = 14\n"
        ));
    }
    let (told, rain_mm) = score(&garden, &scenario);
    assert!(rain_mm > 60.0, "{rain_mm} mm");
    assert_eq!(told, [0, 0, 0, 0]);
}
