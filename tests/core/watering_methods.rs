//! Rules of watering by method: what a probe alone cannot tell accuses nobody; what a
//! program, a water meter or the log says is judged by its own method.

use garden_simulator::Scenario;
use jiff::SignedDuration;
use trug::alarms::{Kind, State};
use trug::commands::check;
use trug::garden::log::LogEvent;

use crate::support::garden::SHIPPED;
use crate::support::run::{Run, simulated};

/// Sprinklers never between 9 am and 6 pm; a can, a trigger hose and drip at any hour.
const BY_METHOD: &str = "\n[[watering.rule]]\nname = \"by day\"\nmethods = [\"drip\", \"can\", \"trigger-hose\"]\n\
    allowed = [\"00:00-24:00\"]\n";
/// Nothing may water on Wednesdays of April; 8 April 2026 is one.
const NO_WEDNESDAYS: &str = "\n[[watering.rule]]\nname = \"no Wednesdays\"\nfrom = 2026-04-01\nto = 2026-04-30\n\
    days = [\"mon\", \"tue\", \"thu\", \"fri\", \"sat\", \"sun\"]\nallowed = [\"00:00-24:00\"]\n";
const ALLOWED: &str =
    "allowed = [\"00:00-09:00\", \"18:00-24:00\"]   # local time; your water authority's rules come first\n";
const PEAS: &str = "crop = \"peas fresh\"\n";
const METER: &str = "\n[[sensor]]\nid = \"pea-meter\"\nmeasures = \"water-flow\"\nbed = \"pea-bed\"\n\
    topic = \"saltbush-gully/pea/litres\"\npayload = \"line-protocol\"\nevery_s = 900\n";

/// The demonstration's garden with these rules, the pea bed watered in this way.
fn garden(rules: &str, method: Option<&str>, more: &str) -> String {
    assert_eq!((SHIPPED.matches(ALLOWED).count(), SHIPPED.matches(PEAS).count()), (1, 1));
    let method =
        method.map_or_else(String::new, |method| format!("watering = {{ method = \"{method}\" }}\n"));
    SHIPPED.replace(ALLOWED, &format!("{ALLOWED}{rules}")).replace(PEAS, &format!("{PEAS}{method}")) + more
}

/// A dry fortnight in which the pea bed gets 90 L at noon of a Wednesday.
fn played(garden: &str) -> Run {
    let scenario = Scenario::parse(
        "title = \"Water at noon\"\nstart = 2026-04-01\ndays = 12\nseed = 4\n\
         [[climate.spell]]\nfrom = 2026-03-30\nto = 2026-04-14\nwet = false\n\
         [[event]]\nkind = \"watering\"\nbed = \"pea-bed\"\nat = 2026-04-08T12:10:00\nlitres = 90\n",
    )
    .expect("a scenario");
    let (run, _) = simulated(garden, &scenario, scenario.seed);
    assert_eq!(run.refused, 0);
    run
}

/// What was told of watering outside the hours, and what is said of the last wetting.
fn told(run: &Run) -> (Vec<String>, String) {
    let raised = run.changes.iter().filter(|change| {
        matches!(change.record.key.kind, Kind::WateringHours | Kind::WaterLeftOn)
            && change.record.state == State::Unacknowledged
    });
    let view = run.view();
    let bed = view.beds.iter().find(|bed| bed.id.as_str() == "pea-bed").expect("the bed");
    let words = bed.last_wetting.clone().expect("it was watered");
    (raised.map(|change| change.record.said.text.to_string()).collect(), words)
}

#[test]
fn where_every_method_is_forbidden_it_is_told_with_the_rule_of_the_day() {
    let (raised, words) = told(&played(&garden(NO_WEDNESDAYS, None, "")));
    let [text] = raised.as_slice() else { panic!("{raised:?}") };
    let rule = "No watering is allowed on Wednesday 8 April. The water supplier's rules come first.";
    assert!(text.contains(rule), "{text}");
    assert!(words.ends_with(", outside the allowed hours."), "{words}");
}

#[test]
fn a_probe_alone_accuses_nobody_where_a_can_is_allowed() {
    let (raised, words) = told(&played(&garden(BY_METHOD, Some("sprinkler"), "")));
    assert_eq!(raised, Vec::<String>::new());
    let unknown = ", outside the hours for a sprinkler; whether it was that or a way that is allowed then cannot be \
                   told.";
    assert!(words.ends_with(unknown), "{words}");
    let (raised, words) = told(&played(&garden(BY_METHOD, Some("drip"), "")));
    assert_eq!(raised, Vec::<String>::new());
    assert!(!words.contains("outside"), "{words}");
}

#[test]
fn a_beds_meter_is_judged_by_the_beds_own_method() {
    let (raised, _) = told(&played(&garden(BY_METHOD, Some("sprinkler"), METER)));
    let [text] = raised.as_slice() else { panic!("{raised:?}") };
    assert!(
        text.contains(
            "Watering with a sprinkler allowed on Wednesday 8 April only before 9 am or after 6 pm."
        ),
        "{text}"
    );
    for method in [Some("drip"), None] {
        let (raised, _) = told(&played(&garden(BY_METHOD, method, METER)));
        assert_eq!(raised, Vec::<String>::new(), "{method:?}");
    }
}

#[test]
fn a_program_is_judged_by_its_method() {
    let program = |method: &str| {
        format!(
            "\n[[program]]\nname = \"noon\"\nbeds = [\"pea-bed\"]\nevery_days = 60\nfrom = 2026-04-08\n\
             starts = [\"12:00\"]\nminutes = 40\nmethod = \"{method}\"\n"
        )
    };
    let (raised, _) = told(&played(&garden(BY_METHOD, Some("drip"), &program("sprinkler"))));
    let [text] = raised.as_slice() else { panic!("{raised:?}") };
    assert!(text.contains("Watering with a sprinkler allowed") && text.contains("\"noon\""), "{text}");
    let (raised, words) = told(&played(&garden(BY_METHOD, Some("sprinkler"), &program("drip"))));
    assert_eq!(raised, Vec::<String>::new());
    assert!(words.contains("by the timer"), "{words}");
}

/// By hand: with a hose that may not, or with a can that may.
#[test]
fn what_the_log_says_was_done_by_hand_is_not_judged_as_the_sprinkler() {
    let mut run = played(&garden(BY_METHOD, Some("sprinkler"), ""));
    let onset = run.view().now - SignedDuration::from_hours(107);
    run.log("pea-bed", onset, LogEvent::Watered { litres: Some(90.0) });
    let (raised, words) = told(&run);
    assert_eq!(raised, Vec::<String>::new());
    assert!(words.contains("90 L") && !words.ends_with("outside the allowed hours."), "{words}");
}

#[test]
fn the_check_tells_the_rules_and_what_cannot_be_known() {
    let folder = tempfile::tempdir().expect("a folder");
    let rules = format!("{BY_METHOD}{NO_WEDNESDAYS}methods = [\"hand\"]\n");
    std::fs::create_dir(folder.path().join("gardens")).expect("a folder");
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).expect("written");
    write("gardens/school.toml", &garden(&rules, Some("drip"), ""));
    let base = include_str!("../../config/trug.toml");
    write("trug.toml", base);
    let checked = |as_json| {
        let mut out = Vec::new();
        let config = folder.path().join("trug.toml");
        let exit =
            check::run(&config, std::iter::empty(), None, as_json, &mut out).expect("it can be written");
        assert_eq!(exit.code(), 0, "{}", String::from_utf8_lossy(&out));
        String::from_utf8(out).expect("UTF-8")
    };
    let text = checked(false);
    for line in [
        "  watering allowed 6 pm to 9 am\n",
        "  watering rule by day (drip, a can or a trigger hose): at any hour\n",
        "  watering rule no Wednesdays (a hand-held hose): on Mondays, Tuesdays, Thursdays, Fridays, Saturdays and Sundays at \
         any hour, from Wednesday 1 April 2026, to Thursday 30 April 2026\n",
        ", watered by drip\n",
        "A probe cannot tell how water came",
        "your water supplier and council, which come first",
    ] {
        assert!(text.contains(line), "{line}\n\n{text}");
    }
    let json: serde_json::Value = serde_json::from_str(&checked(true)).expect("JSON");
    let watering = &json["sites"][0]["watering"];
    assert_eq!(watering["rules"][0]["methods"], serde_json::json!(["drip", "can", "trigger-hose"]));
    assert_eq!(watering["rules"][1]["to"], "2026-04-30");
    assert_eq!(watering["allowed"], serde_json::json!(["00:00-09:00", "18:00-24:00"]));
}
