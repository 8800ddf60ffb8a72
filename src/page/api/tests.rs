//! The description beside what is served.

use std::collections::BTreeSet;

use serde_json::Value;

use super::DESCRIPTION;
use super::call::{LIMIT, LIMIT_MAX};
use super::door::{PATH_MAX, QUERY_MAX};
use super::resource::{self, Resource};
use super::stream::RAW_DAYS_MAX;
use crate::alarms::{Priority, State};
use crate::history::BinWidth;
use crate::model::Condition;
use crate::model::Quantity;
use crate::quality::Flag;

/// How a place can be, as the description says it.
const CONDITIONS: [Condition; 4] = [Condition::Well, Condition::Watch, Condition::Act, Condition::Unknown];

fn description() -> Value {
    serde_json::from_str(DESCRIPTION).expect("the description is JSON")
}

fn names(value: &Value) -> BTreeSet<&str> {
    value.as_object().expect("an object").keys().map(String::as_str).collect()
}

/// What a `$ref` names, or the value itself.
fn meant<'a>(all: &'a Value, value: &'a Value) -> &'a Value {
    match value["$ref"].as_str() {
        Some(place) => all.pointer(place.trim_start_matches('#')).unwrap_or_else(|| panic!("no {place}")),
        None => value,
    }
}

#[test]
fn every_address_and_parameter_is_described_and_no_other() {
    let all = description();
    let served: BTreeSet<&str> = Resource::ALL.iter().map(|it| it.path).collect();
    assert_eq!(names(&all["paths"]), served);
    for it in Resource::ALL {
        let methods = &all["paths"][it.path];
        assert_eq!(names(methods), BTreeSet::from(["get"]), "{it:?}");
        let parameters = methods["get"]["parameters"].as_array().expect("a list");
        let of = |place: &str| -> Vec<&str> {
            parameters
                .iter()
                .map(|parameter| meant(&all, parameter))
                .filter(|parameter| parameter["in"] == place)
                .map(|parameter| parameter["name"].as_str().expect("a name"))
                .collect()
        };
        assert_eq!(of("query"), it.parameters, "{it:?}");
        let in_path: Vec<&str> =
            it.path.split('{').skip(1).filter_map(|rest| rest.split('}').next()).collect();
        assert_eq!(of("path"), in_path, "{it:?}");
        let formats: BTreeSet<&str> = it.formats.iter().map(|format| format.name()).collect();
        assert_eq!(names(&methods["get"]["responses"]["200"]["content"]), formats, "{it:?}");
    }
}

#[test]
fn every_answer_is_described() {
    let all = description();
    for it in Resource::ALL {
        let mut expected = BTreeSet::from(["200", "400", "401", "406", "414", "421", "500"]);
        // The description stands in the program; the rest is asked of the garden.
        if it.path != resource::DESCRIPTION {
            expected.insert("503");
        }
        if it.path.contains('{') {
            expected.insert("404");
        }
        if it.path != resource::READINGS_CSV {
            expected.insert("304");
        }
        assert_eq!(names(&all["paths"][it.path]["get"]["responses"]), expected, "{it:?}");
    }
}

#[test]
fn names_and_limits_are_those_of_the_program() {
    let all = description();
    let schemas = &all["components"]["schemas"];
    let words = |value: &Value| -> Vec<String> {
        value["enum"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|it| it.as_str().expect("a name").to_owned())
            .collect()
    };
    assert_eq!(words(&schemas["Sensor"]["properties"]["quantity"]), Quantity::ALL.map(Quantity::name));
    assert_eq!(words(&schemas["Alarm"]["properties"]["state"]), State::ALL.map(State::name));
    assert_eq!(words(&schemas["Alarm"]["properties"]["priority"]), Priority::ALL.map(Priority::name));
    assert_eq!(words(&schemas["Reading"]["properties"]["flag_name"]), Flag::ALL.map(Flag::name));
    assert_eq!(words(&schemas["Bed"]["properties"]["condition"]), CONDITIONS.map(Condition::name));
    let parameters = &all["components"]["parameters"];
    assert_eq!(words(&parameters["step"]["schema"]), BinWidth::ALL.map(BinWidth::name));
    let limit = &parameters["limit"]["schema"];
    assert_eq!((&limit["default"], &limit["maximum"]), (&Value::from(LIMIT), &Value::from(LIMIT_MAX)));
    for (number, place) in [
        (PATH_MAX.to_string(), &all["info"]["description"]),
        (QUERY_MAX.to_string(), &all["info"]["description"]),
        (LIMIT_MAX.to_string(), &all["info"]["description"]),
        (RAW_DAYS_MAX.to_string(), &all["paths"][resource::READINGS_CSV]["get"]["description"]),
    ] {
        assert!(place.as_str().is_some_and(|text| text.contains(&number)), "{number} in {place}");
    }
}
