//! Pages and interface over a record whose old single readings have gone into their days'
//! figures: days are what they were, and what is not known any more is said.

use std::path::Path;
use std::sync::Arc;

use crate::support::http::{Answer, Served};
use crate::support::month::{self, at};
use crate::support::plain_words::{assert_plain, words_of_page};
use crate::support::views::{Fixed, unknown};
use serde_json::Value;
use trug::garden::plan::Garden;
use trug::page::RecordReader;
use trug::store::{Reader, Store, ThinProgress};

/// The end of the record.
const NOW: &str = "2026-04-30T03:00:00Z";
const SAID: &str = "Only daily figures are kept from before 10 April 2026.";

fn served(path: &Path, garden: &Garden) -> Served {
    let mut view = unknown();
    view.now = at(NOW);
    let views = Fixed { now: at(NOW), ..Fixed::of(vec![view]) };
    let reader = Reader::open(path).unwrap();
    Served::over(views, RecordReader::new(reader, vec![Arc::new(garden.clone())].into()), None)
}

fn page(served: &Served, path: &str) -> Answer {
    for _ in 0..240 {
        let answer = served.get(&format!("/site/saltbush-gully/{path}"));
        if answer.status != 503 {
            return answer;
        }
        std::thread::sleep(std::time::Duration::from_millis(250));
    }
    panic!("{path} is never made");
}

fn main_of(answer: &Answer) -> &str {
    let body = answer.body.split_once("<main").map_or(answer.body.as_str(), |(_, main)| main);
    body.split_once("</main>").map_or(body, |(main, _)| main)
}

/// Two months of readings each hour; of before 10 April only daily figures are left.
fn thinned(path: &Path, garden: &Garden, look: impl FnOnce(&Served)) {
    drop(month::store(path, garden, month::hourly(garden, at("2026-03-01T13:30:00Z"), at(NOW))));
    look(&served(path, garden));
    let gardens = std::slice::from_ref(garden);
    let mut store = Store::open(path, gardens).unwrap();
    store.set_keep_readings(Some(20), gardens);
    let mut gone = 0;
    while let ThinProgress::More { readings } = store.thin_now(at(NOW)).unwrap() {
        gone += readings;
    }
    assert!(gone > 5000, "{gone}");
    let before = Reader::open(path).unwrap().single_readings_from("saltbush-gully").unwrap();
    assert_eq!(before, Some(at("2026-04-09T14:30:00Z")));
}

#[test]
fn pages_show_days_as_they_were_and_say_what_is_not_known_any_more() {
    let (folder, garden) = (tempfile::tempdir().unwrap(), month::garden());
    let path = folder.path().join("trug.db");
    const YEARS: [&str; 3] =
        ["bed/kitchen-bed?span=year", "tank/perch-tank?span=year", "bed/kitchen-bed?span=week&to=2026-04-29"];
    let mut years = Vec::new();
    thinned(&path, &garden, |served| years.extend(YEARS.map(|path| page(served, path))));
    let served = served(&path, &garden);
    for (path, before) in YEARS.iter().zip(&years) {
        let now = page(&served, path);
        assert_eq!(main_of(&now), main_of(before), "{path}");
        assert!(now.body.contains("<svg") && !now.body.contains(SAID), "{path}");
    }
    for path in [
        "bed/kitchen-bed?span=day&to=2026-04-05",
        "bed/kitchen-bed?span=week&to=2026-04-05",
        "bed/kitchen-bed?span=week&to=2026-04-12",
        "bed/kitchen-bed?span=month&to=2026-04-29",
        "tank/perch-tank?span=week&to=2026-04-05",
        "tank/perch-tank?span=day&to=2026-03-20",
        "rain?span=day&to=2026-03-20",
        "rain?span=week&to=2026-04-12",
        "rain?span=month&to=2026-04-05",
        "rain?span=year",
    ] {
        let answer = page(&served, path);
        assert_eq!(answer.status, 200, "{path}");
        let main = main_of(&answer);
        assert!(main.contains(SAID), "{path}: {main}");
        for wrong in [
            "Nothing was recorded",
            "before the first reading",
            "no probe sent readings",
            "did not get wetter",
        ] {
            assert!(!main.contains(wrong), "{path} says {wrong:?}: {main}");
        }
        // The view is made by hand, and says so in words of its own.
        let words = words_of_page(&answer.body).replace("Nothing has been heard from its sensors yet.", "");
        assert_plain(&words);
    }
    // The rain of whole months of before is not made of parts of days.
    let rain = page(&served, "rain?span=year");
    assert!(
        rain.body.contains("Rain days run from 9 am to 9 am, so those of before are not known."),
        "{}",
        rain.body
    );
    assert!(!rain.body.contains("<th scope=\"row\">March 2026</th>"), "{}", rain.body);
    // After it nothing is said.
    assert!(!page(&served, "rain?span=week&to=2026-04-29").body.contains(SAID));
}

#[test]
fn a_month_of_before_is_shown_by_its_days_and_a_term_is_refused_with_words() {
    let (folder, garden) = (tempfile::tempdir().unwrap(), month::garden());
    let path = folder.path().join("trug.db");
    thinned(&path, &garden, |served| assert_eq!(page(served, "month/2026-03").status, 200));
    let served = served(&path, &garden);
    let list = page(&served, "month");
    assert!(list.body.contains(SAID), "{}", list.body);
    assert!(list.body.contains("/month/2026-03\"") && list.body.contains("(by its days)"), "{}", list.body);
    for month in ["2026-03", "2026-04"] {
        let first = page(&served, &format!("month/{month}"));
        assert_eq!(first.status, 200, "{month}");
        let places = first.body.matches("?place=").count();
        assert!(places >= 3, "{month}: {places} other places");
        let mut drawn = 0;
        for place in 0..=places {
            let of_place = page(&served, &format!("month/{month}?place={place}"));
            assert!(of_place.body.contains(SAID) && of_place.body.len() < 100_000, "{month} {place}");
            drawn += of_place.body.matches("<svg").count();
            assert_plain(&words_of_page(&of_place.body));
        }
        assert!(drawn >= garden.beds.len() + garden.tanks.len(), "{month}: {drawn} charts");
        assert_eq!(page(&served, &format!("month/{month}?place={}", places + 1)).status, 404);
        let csv = page(&served, &format!("month/{month}/daily.csv"));
        assert_eq!(csv.status, 200);
        assert!(csv.body.contains(&format!("{month}-08,kitchen-15cm")), "{}", csv.body);
    }
    let said = page(&served, "month/2026-03").body;
    assert!(said.contains("Hours, waterings, dryings"), "{said}");
    for path in ["month/2026-03/worksheet", "month/term?from=2026-03-20&to=2026-04-20", "month/2026"] {
        let answer = page(&served, path);
        assert_eq!(answer.status, 410, "{path}: {}", answer.body);
        assert!(answer.body.contains("Only daily figures are kept of that time"), "{path}: {}", answer.body);
        assert_plain(&words_of_page(&answer.body));
    }
    // Days from then on are there, though their month begins before.
    assert_eq!(page(&served, "month/term?from=2026-04-10&to=2026-04-20").status, 200);
}

#[test]
fn the_interface_gives_days_and_says_from_when_single_readings_are_kept() {
    let (folder, garden) = (tempfile::tempdir().unwrap(), month::garden());
    let path = folder.path().join("trug.db");
    let sensor = "/api/v1/sites/saltbush-gully/sensors/kitchen-15cm/readings";
    let json = |answer: &Answer| -> Value {
        assert_eq!(answer.status, 200, "{}", answer.body);
        serde_json::from_str(&answer.body).unwrap()
    };
    let days = format!("{sensor}?step=day&from=2026-03-01&to=2026-05-01&limit=100");
    let mut before = Value::Null;
    thinned(&path, &garden, |served| before = json(&served.get(&days)));
    let served = served(&path, &garden);
    let now = json(&served.get(&days));
    let rounded = |record: &Value| -> Vec<String> {
        let figure = |bin: &Value, name: &str| bin[name].as_f64().map(|it| (it * 1e9).round());
        let bins = record["bins"].as_array().unwrap().iter();
        bins.map(|bin| {
            let figures = ["mean", "min", "max", "total"].map(|name| figure(bin, name));
            format!("{} {} {} {} {figures:?}", bin["start"], bin["end"], bin["readings"], bin["good"])
        })
        .collect()
    };
    assert_eq!(rounded(&now), rounded(&before));
    assert_eq!(rounded(&now).len(), 60);
    assert!(now.get("single_readings_from").is_none());
    for step in ["raw", "hour"] {
        let record = json(&served.get(&format!("{sensor}?step={step}&from=2026-03-15&to=2026-03-16")));
        assert_eq!(record["single_readings_from"], "2026-04-09T14:30:00Z", "{step}");
        let csv = served.get(&format!("{sensor}.csv?step={step}&from=2026-03-15&to=2026-03-16"));
        assert_eq!(csv.header("single-readings-from"), Some("2026-04-09T14:30:00Z"), "{step}");
        let record = json(&served.get(&format!("{sensor}?step={step}&from=2026-04-15&to=2026-04-16")));
        assert!(record.get("single_readings_from").is_none(), "{step}");
    }
}
