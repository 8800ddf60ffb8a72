//! A bed with a water meter, one with none, and the garden's own meter: what is
//! told of water that ran, and that nothing is inferred where a meter tells.

use garden_simulator::{Scenario, Truth};
use jiff::{SignedDuration, Timestamp};
use trug::alarms::{Kind, State};
use trug::garden::record::AlarmChange;
use trug::garden::view::SiteView;

use crate::support::garden::SHIPPED;
use crate::support::run::simulated;

fn meter(bed: Option<&str>) -> String {
    let place = bed.map_or_else(String::new, |bed| format!("bed = \"{bed}\"\n"));
    let name = bed.unwrap_or("garden");
    format!(
        "\n[[sensor]]\nid = \"{name}-meter\"\nmeasures = \"water-flow\"\n{place}topic = \"saltbush-gully/{name}/litres\"\n\
         payload = \"line-protocol\"\nevery_s = 900\n"
    )
}

/// A dry month in which somebody waters the pea bed at noon, and nothing else.
fn scenario(gauge: &str, watering: &str) -> Scenario {
    Scenario::parse(&format!(
        "title = \"Water at noon\"\nstart = 2026-04-01\ndays = 12\nseed = 4\n\
         [[climate.spell]]\nfrom = 2026-03-30\nto = 2026-04-14\nwet = false\n{gauge}{watering}"
    ))
    .expect("a scenario")
}

const DEAD_GAUGE: &str = "[[event]]\nkind = \"gauge-clogged\"\nsensor = \"yard-gauge\"\nfrom = 2026-04-02T00:00:00\nto = 2026-04-13T00:00:00\n";
const NOON: &str =
    "[[event]]\nkind = \"watering\"\nbed = \"pea-bed\"\nat = 2026-04-08T12:10:00\nlitres = 90\n";
const RAIN: &str = "[[event]]\nkind = \"shower\"\nat = 2026-04-08T12:10:00\nmm = 16\nminutes = 60\n";

fn play(meters: &[Option<&str>], scenario: &Scenario) -> (Vec<AlarmChange>, SiteView, Truth) {
    let text = meters.iter().fold(SHIPPED.to_owned(), |text, bed| text + &meter(*bed));
    let (run, truth) = simulated(&text, scenario, scenario.seed);
    assert_eq!(run.refused, 0);
    let view = run.view();
    (run.changes, view, truth)
}

fn raised(changes: &[AlarmChange]) -> Vec<&AlarmChange> {
    changes
        .iter()
        .filter(|c| c.record.key.kind == Kind::WateringHours && c.record.state == State::Unacknowledged)
        .collect()
}

fn value(change: &AlarmChange, name: &str) -> Option<f64> {
    change.record.said.values.iter().find(|(n, _)| n == name).map(|(_, v)| *v)
}

#[test]
fn a_beds_meter_tells_within_four_messages_and_with_litres_even_with_a_dead_gauge() {
    let (changes, view, truth) = play(&[Some("pea-bed")], &scenario(DEAD_GAUGE, NOON));
    // It runs for longer than half an hour, so it is told as water that is left on.
    assert_eq!(raised(&changes), Vec::<&AlarmChange>::new());
    let of_left_on = |it: &&AlarmChange| {
        it.record.key.kind == Kind::WaterLeftOn && it.record.state == State::Unacknowledged
    };
    let told: Vec<&AlarmChange> = changes.iter().filter(of_left_on).collect();
    assert_eq!(told.len(), 1, "{told:?}");
    let began = truth.waterings[0].from;
    let delay = told[0].record.at.duration_since(began);
    assert!(delay <= SignedDuration::from_mins(61), "{delay:?}");
    assert!(
        told[0].record.said.text.contains("outside the allowed hours") && value(told[0], "run_l").is_some(),
        "{}",
        told[0].record.said.text
    );
    assert!(!told[0].record.said.why.is_empty());
    let bed = view.beds.iter().find(|b| b.id.as_str() == "pea-bed").expect("the bed");
    let words = bed.last_wetting.as_deref().expect("it was watered");
    assert!(words.contains("90 L") && words.contains("outside the allowed hours"), "{words}");
}

#[test]
fn a_rise_that_the_beds_meter_did_not_count_is_unknown_and_no_alarm() {
    let (changes, view, _) = play(&[Some("pea-bed")], &scenario(DEAD_GAUGE, RAIN));
    assert_eq!(raised(&changes), Vec::<&AlarmChange>::new());
    let bed = view.beds.iter().find(|b| b.id.as_str() == "pea-bed").expect("the bed");
    let words = bed.last_wetting.as_deref().expect("it rained on it");
    assert!(words.contains("water meter counted nothing"), "{words}");
}

#[test]
fn the_gardens_meter_confirms_a_rise_and_refutes_one() {
    let (changes, view, _) = play(&[None], &scenario(DEAD_GAUGE, NOON));
    let told = raised(&changes);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].record.said.text.contains("the garden's water meter counted 90 L"),
        "{}",
        told[0].record.said.text
    );
    let bed = view.beds.iter().find(|b| b.id.as_str() == "pea-bed").expect("the bed");
    assert!(
        bed.last_wetting.as_deref().is_some_and(|words| words.contains("90 L")),
        "{:?}",
        bed.last_wetting
    );

    let (changes, _, _) = play(&[None], &scenario(DEAD_GAUGE, RAIN));
    assert_eq!(raised(&changes), Vec::<&AlarmChange>::new());
}

#[test]
fn without_a_meter_no_litres_are_ever_said() {
    let (changes, view, _) = play(&[], &scenario("", NOON));
    let told = raised(&changes);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(value(told[0], "litres"), None);
    assert!(told[0].record.said.text.contains("cannot tell how many litres"), "{}", told[0].record.said.text);
    let bed = view.beds.iter().find(|b| b.id.as_str() == "pea-bed").expect("the bed");
    assert!(!bed.last_wetting.as_deref().unwrap_or_default().contains(" L"), "{:?}", bed.last_wetting);
}

#[test]
fn water_inside_the_hours_is_noted_with_litres_and_raises_nothing() {
    let early = NOON.replace("T12:10:00", "T05:10:00");
    let (changes, view, _) = play(&[Some("pea-bed")], &scenario("", &early));
    assert_eq!(raised(&changes), Vec::<&AlarmChange>::new());
    let bed = view.beds.iter().find(|b| b.id.as_str() == "pea-bed").expect("the bed");
    let words = bed.last_wetting.as_deref().expect("it was watered");
    assert!(words.contains("90 L") && !words.contains("outside"), "{words}");
    let _: Timestamp = view.now;
}
