//! The forms of the page: writing down what was done, and answering alarms.

use std::sync::{Arc, Mutex, OnceLock};

use jiff::Timestamp;
use trug::alarms::Answered;
use trug::alarms::{Input, Kind, State};
use trug::garden::log::LogEvent;
use trug::garden::log_entry::{About, KINDS};
use trug::garden::plan::Garden;
use trug::page::RecordReader;
use trug::page::access::Rules;
use trug::password::PasswordHash;
use trug::store::{LogRow, Reader, Store};
use trug::text::locale::Locale;

use crate::support::garden::shipped;
use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed};

const PASSWORD: &str = "wattle & saltbush 1";
const WRITE: &str = "/site/saltbush-gully/write";
const ALARMS: &str = "/site/saltbush-gully/alarms";
const ANSWER: &str = "/site/saltbush-gully/alarms/answer";

fn hash() -> PasswordHash {
    static HASH: OnceLock<PasswordHash> = OnceLock::new();
    HASH.get_or_init(|| PasswordHash::of(PASSWORD).expect("a hash")).clone()
}

/// A garden's page with somebody who has entered.
struct School {
    served: Served,
    garden: Arc<Garden>,
    reader: Reader,
    cookie: String,
    token: String,
    answers: Arc<Mutex<Vec<trug::alarms::Answer>>>,
    _folder: tempfile::TempDir,
}

impl School {
    fn new(now: &str, outcome: Option<Answered>) -> Self {
        Self::of(now, outcome, Locale::EnAu)
    }

    fn of(now: &str, outcome: Option<Answered>, locale: Locale) -> Self {
        let mut view = views::busy();
        view.now = views::at(now);
        let fixed = Fixed { now: view.now, outcome, ..Fixed::of(vec![view]) };
        let answers = Arc::clone(&fixed.answers);
        let folder = tempfile::tempdir().expect("a folder for the store");
        let path = folder.path().join("trug.db");
        let mut settings = shipped();
        settings.gardens[0].site.locale = locale;
        drop(Store::open(&path, &settings.gardens).expect("a new store"));
        let reader = Reader::open(&path).expect("the store can be read");
        let gardens: Vec<_> = settings.gardens.into_iter().map(Arc::new).collect();
        let garden = Arc::clone(&gardens[0]);
        let rules = Rules { password: Some(hash()), ..Rules::default() };
        let record = RecordReader::new(reader.clone(), gardens.into());
        let served = Served::over_ruled(fixed, record, rules, None);
        let form = format!("password={}", encoded(PASSWORD));
        let entered = served.post("/enter", &form);
        let set = entered.header("set-cookie").expect("a session");
        let cookie = format!("Cookie: {}\r\n", set.split(';').next().expect("a name and a value"));
        let mut school =
            Self { served, garden, reader, cookie, token: String::new(), answers, _folder: folder };
        school.token = hidden(&school.get(ALARMS).body, "token").to_owned();
        school
    }

    fn get(&self, path: &str) -> Answer {
        let cookie = &self.cookie;
        self.served
            .ask(&format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{cookie}\r\n"))
    }

    /// Sends a form with the session's cookie and token.
    fn post(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let mut form = url::form_urlencoded::Serializer::new(String::new());
        form.append_pair("token", &self.token).extend_pairs(fields);
        self.send(path, &form.finish())
    }

    fn send(&self, path: &str, form: &str) -> Answer {
        self.served.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{}\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{form}",
            self.cookie,
            form.len()
        ))
    }

    /// Writes an entry; every form comes once.
    fn write(&self, once: &str, fields: &[(&str, &str)]) -> Answer {
        let mut all = vec![("once", once)];
        all.extend_from_slice(fields);
        self.post(WRITE, &all)
    }

    fn log(&self) -> Vec<LogRow> {
        self.reader.log(0).expect("the log can be read")
    }
}

fn encoded(text: &str) -> String {
    url::form_urlencoded::byte_serialize(text.as_bytes()).collect()
}

/// The value of the first hidden field of a name.
fn hidden<'a>(page: &'a str, name: &str) -> &'a str {
    let start = format!("name=\"{name}\" value=\"");
    let (_, rest) = page.split_once(&start).unwrap_or_else(|| panic!("no field {name} in {page}"));
    rest.split('"').next().expect("the value's end")
}

const NOW: &str = "2026-04-17T05:30:00Z";

#[test]
fn every_kind_of_entry_can_be_written_from_its_own_form() {
    let school = School::new(NOW, None);
    let steps = school.get(WRITE).body;
    for kind in &KINDS {
        assert!(steps.contains(&format!("{WRITE}?kind={}\"", kind.name)), "{}", kind.name);
        let page = school.get(&format!("{WRITE}?kind={}", kind.name));
        assert_eq!(page.status, 200, "{}", kind.name);
        let first = kind.about.places(&school.garden).first().map(|(place, _)| (*place).clone());
        let job = &school.garden.jobs[0];
        let place = first.or(job.place.clone()).expect("a place");
        let once = hidden(&page.body, "once").to_owned();
        let offered = hidden(&page.body, "offered").to_owned();
        assert_eq!(offered, NOW);
        // A kit reads the nitrogen or the ion, never both.
        let values: Vec<(&str, String)> = kind
            .numbers
            .iter()
            .filter(|number| !number.name.contains("_ion_"))
            .map(|number| (number.name, number.most.to_string()))
            .collect();
        let values = &values[..if kind.one_only { 1 } else { values.len() }];
        let mut fields = vec![("kind", kind.name), ("place", place.as_str()), ("offered", &offered)];
        fields.extend([("at", "2026-04-17T15:00"), ("note", "by the\r\nsecond row")]);
        if kind.job {
            fields.push(("job", &job.name));
        }
        for (name, value) in values {
            assert!(page.body.contains(&format!("id=\"{name}\"")), "{name} of {}", kind.name);
            fields.push((name, value));
        }
        let answer = school.write(&once, &fields);
        assert_eq!(answer.status, 303, "{}: {}", kind.name, answer.body);
        let shown = match kind.about {
            About::Tank | About::Job => format!("tank/{place}"),
            // The bed in which the first sensor stands.
            About::Sensor => format!("bed/{}", school.garden.beds[0].id),
            About::Bed | About::BedOrGarden | About::Any => format!("bed/{place}"),
        };
        assert_eq!(answer.header("location"), Some(format!("/site/saltbush-gully/{shown}").as_str()));
        let row = school.log().pop().expect("an entry");
        assert_eq!(row.entry.what.name(), kind.name);
        assert_eq!(row.entry.what.numbers().len(), values.len());
        assert_eq!(row.entry.at, views::at(NOW), "the moment that was offered");
        assert_eq!(row.entry.note, "by the\nsecond row");
        assert_eq!(row.entry.place.as_ref(), Some(&place));
        // It is said once, on the next page.
        let said = school.get(ALARMS).body;
        assert!(said.contains("Saved in the Garden log."), "{}: {said}", kind.name);
        assert!(!school.get(ALARMS).body.contains("Saved in the Garden log."), "{}", kind.name);
    }
    assert_eq!(school.log().len(), KINDS.len());
    let both = [("kind", "water-test"), ("place", "perch-tank"), ("at", "2026-04-17T09:00")];
    for (nitrogen, ion) in [("nitrite_mg_l", "nitrite_ion_mg_l"), ("nitrate_mg_l", "nitrate_ion_mg_l")] {
        let answer = school.write("both", &[&both[..], &[(nitrogen, "0.1"), (ion, "0.3")]].concat());
        assert_eq!(answer.status, 422);
        assert!(answer.body.contains("give only what the kit reads"), "{}", answer.body);
        let answer = school.write(ion, &[&both[..], &[(ion, "0.3")]].concat());
        assert_eq!(answer.status, 303, "{}", answer.body);
        let row = school.log().pop().expect("an entry");
        assert!(row.entry.what.words().ends_with("0.3 mg/L as the ion"), "{}", row.entry.what.words());
    }
    let whole = [("kind", "note"), ("place", ""), ("at", "2026-04-17T09:00"), ("note", "gate left open")];
    let answer = school.write("whole", &whole);
    assert_eq!((answer.status, answer.header("location")), (303, Some("/site/saltbush-gully")));
    let row = school.log().pop().expect("an entry");
    // Adelaide is at UTC+9:30 in April (IANA time zone database).
    assert_eq!((row.entry.place, row.entry.at), (None, views::at("2026-04-16T23:30:00Z")));
}

/// Conversions: NIST Special Publication 811 (2008), appendix B.8.
#[test]
fn where_people_read_customary_units_they_enter_them() {
    let school = School::of(NOW, None, Locale::EnUs);
    let asked = school.get(&format!("{WRITE}?kind=mulch&place=kitchen-bed"));
    let list = |chosen: &str| format!("<option value=\"{chosen}\" selected>");
    assert!(asked.body.contains(&list("inches")), "{}", asked.body);
    assert!(asked.body.contains(">How deep</label>"), "{}", asked.body);
    for (once, kind, place, number, unit, kept) in [
        ("a", "mulch", "kitchen-bed", ("depth_mm", "4"), "inches", 101.6),
        ("b", "watered", "kitchen-bed", ("litres", "10"), "US gallons", 37.854),
        ("c", "fed", "perch-tank", ("grams", "0.5"), "ounces", 14.175),
        ("d", "harvest", "kitchen-bed", ("kg", "2.5"), "pounds", 1.134),
        ("e", "water-test", "perch-tank", ("temperature_c", "77"), "°F", 25.0),
        // The log's own unit, chosen or taken for granted.
        ("f", "mulch", "pea-bed", ("depth_mm", "100"), "mm", 100.0),
        ("g", "mulch", "herb-bed", ("depth_mm", "90"), "", 90.0),
    ] {
        let of_unit = format!("{}-unit", number.0);
        let fields = [
            ("kind", kind),
            ("place", place),
            number,
            (of_unit.as_str(), unit),
            ("when", "now"),
            ("note", ""),
        ];
        let answer = school.write(once, &fields);
        assert_eq!(answer.status, 303, "{kind}: {}", answer.body);
        let log = school.log();
        let numbers = log.last().expect("an entry").entry.what.numbers();
        let held = numbers.iter().find(|(name, _)| *name == number.0).expect("its number").1;
        assert!((held - kept).abs() < 1e-9, "{kind}: {held}");
    }
    // What is wrong comes back as it was entered, in its unit.
    let fields =
        [("kind", "mulch"), ("place", "kitchen-bed"), ("depth_mm", "40"), ("depth_mm-unit", "inches")];
    let refused = school.write("h", &fields);
    assert_eq!(refused.status, 422);
    assert!(
        refused.body.contains(&list("inches")) && refused.body.contains("value=\"40\""),
        "{}",
        refused.body
    );
    // Where people read SI units there is no choice.
    let plain = School::new(NOW, None).get(&format!("{WRITE}?kind=mulch&place=kitchen-bed"));
    assert!(!plain.body.contains("-unit") && plain.body.contains("How deep, mm"), "{}", plain.body);
}

#[test]
fn bad_values_come_back_with_what_is_wrong_beside_them() {
    let school = School::new(NOW, None);
    let long = "x".repeat(2001);
    let when = ("at", "2026-04-17T09:00");
    /// Fields of the form, the field that is wrong, and what is said of it.
    type Case<'a> = (&'a [(&'a str, &'a str)], &'a str, &'a str);
    let cases: [Case<'_>; 17] = [
        (&[("kind", "fed"), ("place", "perch-tank"), ("grams", ""), when], "grams", "this number is needed"),
        (&[("kind", "fed"), ("place", "perch-tank"), ("grams", "a few"), when], "grams", "is not a number"),
        (&[("kind", "fed"), ("place", "perch-tank"), ("grams", "NaN"), when], "grams", "is not a number"),
        (&[("kind", "fed"), ("place", "perch-tank"), ("grams", "1e3"), when], "grams", "is not a number"),
        (
            &[("kind", "fed"), ("place", "perch-tank"), ("grams", "0"), when],
            "grams",
            "more than 0, 1000000 grams at most",
        ),
        (&[("kind", "fed"), ("place", "kitchen-bed"), ("grams", "5"), when], "place", "Choose a tank"),
        (&[("kind", "fed"), ("place", ""), ("grams", "5"), when], "place", "Choose a tank"),
        (
            &[("kind", "fish-lost"), ("place", "perch-tank"), ("count", "1.5"), when],
            "count",
            "1 to 1000000 fish",
        ),
        (
            &[("kind", "water-test"), ("place", "perch-tank"), when],
            "temperature_c",
            "at least one of the values",
        ),
        (&[("kind", "water-test"), ("place", "perch-tank"), ("ph", "15"), when], "ph", "0 to 14"),
        (
            &[("kind", "ethanol-drop"), ("place", "kitchen-bed"), ("molarity", "0.1"), when],
            "molarity",
            "two ratings",
        ),
        (
            &[("kind", "planted"), ("place", "kitchen-bed"), ("crop", "pineapple"), when],
            "crop",
            "not in the table",
        ),
        (&[("kind", "note"), ("place", ""), ("note", "  "), when], "note", "needs words"),
        (&[("kind", "note"), ("place", ""), ("note", &long), when], "note", "2000 at most"),
        (&[("kind", "watered"), ("place", "pea-bed"), ("at", "2026-04-17T15:01")], "at", "has not come yet"),
        (
            &[("kind", "watered"), ("place", "pea-bed"), ("at", "2006-04-17T15:01")],
            "at",
            "more than ten years ago",
        ),
        (&[("kind", "watered"), ("place", "pea-bed"), ("at", "yesterday")], "at", "not a date and a time"),
    ];
    for (n, (fields, field, words)) in cases.iter().enumerate() {
        let answer = school.write(&format!("form {n}"), fields);
        assert_eq!(answer.status, 422, "{fields:?}");
        let body = &answer.body;
        assert!(body.contains(words), "{words} for {fields:?} in {body}");
        for expected in [
            format!("<a href=\"#{field}\">"),
            format!("id=\"{field}-fault\""),
            format!("id=\"{field}\" name=\"{field}\""),
            "aria-invalid=\"true\"".to_owned(),
            format!("aria-describedby=\"{field}-fault"),
        ] {
            assert!(body.contains(&expected), "{expected} for {fields:?} in {body}");
        }
        assert_eq!(hidden(body, "once"), format!("form {n}"), "the same form comes back");
    }
    assert_eq!(school.log(), []);

    // What was typed stands in the form again, as text.
    let evil = "\"><script>alert(1)</script>";
    let fields = [("kind", "fed"), ("place", "perch-tank"), ("grams", evil), ("note", evil), ("at", evil)];
    let body = school.write("evil", &fields).body;
    assert!(!body.contains("<script>alert"), "{body}");
    assert_eq!(
        body.matches("&lt;script&gt;").count(),
        5,
        "the list, the number, its fault, time and note: {body}"
    );
}

/// Adelaide's clock went back on 5 April 2026 at 3:00 and forward on 5 October 2025 at
/// 2:00 (IANA time zone database).
#[test]
fn a_time_that_never_was_or_came_twice_is_told() {
    let school = School::new(NOW, None);
    let write = |once: &str, more: &[(&str, &str)]| {
        let mut fields = vec![("kind", "watered"), ("place", "pea-bed")];
        fields.extend_from_slice(more);
        school.write(once, &fields)
    };
    let gap = write("a", &[("at", "2025-10-05T02:30")]);
    assert_eq!(gap.status, 422);
    assert!(gap.body.contains("There was no 2:30 am on that day"), "{}", gap.body);
    let fold = write("b", &[("at", "2026-04-05T02:30")]);
    assert_eq!(fold.status, 422);
    assert!(fold.body.contains("two times 2:30 am") && fold.body.contains("name=\"turn\""), "{}", fold.body);
    for (once, turn, at) in [("b", "first", "2026-04-04T16:00:00Z"), ("c", "second", "2026-04-04T17:00:00Z")]
    {
        assert_eq!(write(once, &[("at", "2026-04-05T02:30"), ("turn", turn)]).status, 303, "{turn}");
        assert_eq!(school.log().pop().expect("an entry").entry.at, views::at(at), "{turn}");
    }
    // Within that hour the time that was offered is meant, without a question.
    let school = School::new("2026-04-04T17:10:00Z", None);
    let page = school.get(&format!("{WRITE}?kind=watered&place=pea-bed")).body;
    assert!(page.contains("value=\"2026-04-05T02:40\""), "{page}");
    let offered = hidden(&page, "offered").to_owned();
    let fields = [
        ("kind", "watered"),
        ("place", "pea-bed"),
        ("at", "2026-04-05T02:40"),
        ("offered", offered.as_str()),
    ];
    assert_eq!(school.write("d", &fields).status, 303);
    assert_eq!(school.log().pop().expect("an entry").entry.at, views::at("2026-04-04T17:10:00Z"));
}

#[test]
fn what_watered_a_bed_is_answered_on_today() {
    let school = School::new("2026-04-17T05:30:00Z", None);
    let today = school.get("/site/saltbush-gully");
    let question = "What watered Kitchen bed and Pea bed?";
    assert!(today.body.contains(question), "{}", today.body);
    for label in ["Rain", "The timer", "A hose or can", "Nobody knows"] {
        assert!(today.body.contains(&format!(">{label}</button>")), "{label}");
    }
    let (_, asked) = today.body.split_once("What watered it?").expect("its form");
    let given = |name: &'static str| (name, hidden(asked, name));
    let fields =
        [given("once"), given("place"), given("at"), given("offered"), ("then", "today"), ("kind", "rained")];
    let answer = school.post(WRITE, &fields);
    assert_eq!(answer.status, 303, "{}", answer.body);
    assert_eq!(answer.header("location"), Some("/site/saltbush-gully"));
    assert_eq!(school.post(WRITE, &fields).status, 303, "a second press");
    let log = school.log();
    assert_eq!(log.len(), 1);
    assert_eq!((&log[0].entry.what, log[0].entry.at), (&LogEvent::Rained, views::at("2026-04-16T05:30:00Z")));
    assert!(school.get("/site/saltbush-gully").body.contains("rain wetted it"), "it says so");
}

#[test]
fn whether_a_thermometer_was_changed_is_answered_on_today() {
    let school = School::new("2026-04-17T05:30:00Z", None);
    let today = school.get("/site/saltbush-gully").body;
    let words = "It read 20.0 °C before a break and 17.0 °C after it, at 1 pm.";
    let (_, asked) = today.split_once(words).expect("asked");
    assert!(asked.contains(">Yes, it was changed</button>"), "{asked}");
    let given = |name: &'static str| (name, hidden(asked, name));
    let fields =
        [given("once"), given("place"), given("at"), given("offered"), ("then", "today"), ("kind", "probe")];
    let answer = school.post(WRITE, &fields);
    assert_eq!(answer.status, 303, "{}", answer.body);
    assert_eq!(answer.header("location"), Some("/site/saltbush-gully"));
    let log = school.log();
    assert_eq!(log.len(), 1);
    let entry = &log[0].entry;
    assert_eq!((&entry.what, entry.at), (&LogEvent::ProbeReplaced, views::at("2026-04-17T03:30:00Z")));
    assert_eq!(entry.place.as_ref().map(|place| place.as_str()), Some("perch-water-temp"));
}

#[test]
fn whether_planned_mulch_was_laid_is_answered_on_today() {
    for (kind, expected) in
        [("mulch", LogEvent::MulchLaid { depth_mm: 80.0 }), ("mulch-not-laid", LogEvent::MulchNotLaid)]
    {
        let school = School::new("2026-04-17T05:30:00Z", None);
        let today = school.get("/site/saltbush-gully").body;
        let (_, asked) = today.split_once("Mulch was planned for Wednesday 15 April.").expect("asked");
        assert!(
            asked.contains(">Yes, about 80 mm deep</button>") && asked.contains(">No</button>"),
            "{asked}"
        );
        let given = |name: &'static str| (name, hidden(asked, name));
        let fields = [
            given("once"),
            given("place"),
            given("at"),
            given("offered"),
            given("depth_mm"),
            ("then", "today"),
            ("kind", kind),
        ];
        let answer = school.post(WRITE, &fields);
        assert_eq!(answer.status, 303, "{}", answer.body);
        let log = school.log();
        assert_eq!(log.len(), 1);
        assert_eq!(log[0].entry.what, expected);
        assert_eq!(log[0].entry.at, views::at("2026-04-15T02:30:00Z"), "noon of the planned day");
        assert_eq!(log[0].entry.place.as_ref().map(|place| place.as_str()), Some("herb-bed"));
    }
}

#[test]
fn an_entry_is_put_right_or_struck_from_the_list() {
    const LOG: &str = "/site/saltbush-gully/log";
    let school = School::new(NOW, None);
    let watered = [("kind", "watered"), ("place", "pea-bed"), ("litres", "300"), ("at", "2026-04-17T09:00")];
    assert_eq!(school.write("a", &watered).status, 303);
    assert_eq!(
        school
            .write(
                "b",
                &[("kind", "fed"), ("place", "perch-tank"), ("grams", "5"), ("at", "2026-04-17T09:05")]
            )
            .status,
        303
    );
    let list = school.get(LOG).body;
    assert!(
        list.contains("watered by hand with 300 L") && list.contains(&format!("{WRITE}?corrects=1")),
        "{list}"
    );

    let form = school.get(&format!("{WRITE}?corrects=1"));
    assert!(form.body.contains("You correct: Pea bed: watered by hand with 300 L"), "{}", form.body);
    assert!(
        form.body.contains("value=\"300\"") && form.body.contains("value=\"2026-04-17T09:00\""),
        "{}",
        form.body
    );
    let once = hidden(&form.body, "once").to_owned();
    let mut right = watered.to_vec();
    right[2] = ("litres", "much");
    right.push(("corrects", "1"));
    let answer = school.write(&once, &right);
    assert_eq!(answer.status, 422);
    assert!(answer.body.contains("name=\"corrects\" value=\"1\""), "{}", answer.body);
    assert_eq!(school.log().len(), 2);
    right[2] = ("litres", "30");
    assert_eq!(school.write(&once, &right).status, 303);
    let log = school.log();
    assert_eq!(log.iter().map(|row| (row.seq, row.corrects)).collect::<Vec<_>>(), [(2, None), (3, Some(1))]);

    let form = school.get(&format!("{WRITE}?strike=2"));
    assert!(form.body.contains("Why is it wrong?") && form.body.contains("fed 5 g"), "{}", form.body);
    let once = hidden(&form.body, "once").to_owned();
    let bare = school.write(&once, &[("strike", "2"), ("why", "  "), ("then", "log")]);
    assert_eq!(bare.status, 422);
    assert!(bare.body.contains("Enter why it is wrong."), "{}", bare.body);
    let answer = school.write(&once, &[("strike", "2"), ("why", "twice"), ("then", "log")]);
    assert_eq!((answer.status, answer.header("location")), (303, Some(LOG)));
    assert_eq!(school.log().len(), 1);
    let list = school.get(LOG).body;
    assert!(
        list.contains("The entry is struck.") && list.contains("<del>Perch tank: fed 5 g</del>"),
        "{list}"
    );
    assert!(!list.contains(&format!("{WRITE}?strike=2")), "{list}");
    // What is struck, is none, or is not ours has no form.
    for gone in ["corrects=1", "strike=2", "strike=99", "corrects=x"] {
        assert_eq!(school.get(&format!("{WRITE}?{gone}")).status, 404, "{gone}");
    }
    assert_eq!(school.write("late", &[("strike", "1"), ("why", "again")]).status, 404);
}

#[test]
fn a_job_is_done_by_one_press_on_today() {
    let school = School::new(NOW, None);
    let today = school.get("/site/saltbush-gully").body;
    assert!(today.contains("It was due on Wednesday 15 April, 2 days ago."), "{today}");
    // A water test wants values, so its button leads to the form.
    assert!(today.contains("?kind=water-test&amp;place=perch-tank"), "{today}");
    let (_, gate) = today.split_once("Check the gate</span>").expect("the job");
    let field = |name: &'static str| (name, hidden(gate, name));
    let mut fields = vec![field("once"), field("then"), field("kind"), field("place"), field("when")];
    assert_eq!(field("job").1, "Check the gate");
    fields.push(("job", "Look at the batteries"));
    let answer = school.post(WRITE, &fields);
    assert_eq!(
        (answer.status, answer.header("location")),
        (303, Some("/site/saltbush-gully")),
        "{}",
        answer.body
    );
    assert_eq!(school.post(WRITE, &fields).status, 303, "a second press");
    let log = school.log();
    assert_eq!(log.len(), 1);
    assert_eq!(log[0].entry.what, LogEvent::JobDone { job: "Look at the batteries".to_owned() });
    assert_eq!((&log[0].entry.place, log[0].entry.at), (&None, views::at(NOW)));
    let unknown = school.write("x", &[("kind", "job-done"), ("job", "Sing"), ("when", "now")]);
    assert_eq!(unknown.status, 422);
    assert!(unknown.body.contains("Choose a job of the list."), "{}", unknown.body);
    let jobs = school.get("/site/saltbush-gully/jobs").body;
    for words in
        ["To do now", "Later", "Every week.", "Last done on Wednesday 8 April.", "Due on Monday 4 May."]
    {
        assert!(jobs.contains(words), "{words}: {jobs}");
    }
}

#[test]
fn the_page_for_the_holidays_says_what_to_do_by_date() {
    let school = School::new(NOW, None);
    let page = school.get("/site/saltbush-gully/handover?from=2026-05-02&to=2026-05-12").body;
    for words in [
        "From <strong>Saturday 2 May 2026</strong> to <strong>Tuesday 12 May 2026</strong>",
        "Whom to call",
        "Monday 4 May",
        "Clean the filter, Perch tank",
        "Clean the rain gauge",
        "If the fish are in trouble",
        "12 silver perch in 500 L",
        "Fill it in by hand",
        "A timer (kitchen tap timer) waters it every 2 days at 6:30 am for 30 minutes",
        "Please do not",
        "Water temperature changed too fast",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(!page.contains("Holiday handover"), "not due in these days");
    let wrong = school.get("/site/saltbush-gully/handover?from=2026-05-12&to=2026-05-02");
    assert!(
        wrong.status == 200 && wrong.body.contains("The last day lies before the first one."),
        "{}",
        wrong.body
    );
}

#[test]
fn a_form_that_is_sent_twice_is_written_once() {
    let school = School::new(NOW, None);
    let fields = [("kind", "harvest"), ("place", "pea-bed"), ("kg", "1,5"), ("at", "2026-04-17T09:00")];
    let first = school.write("once", &fields);
    // Ten presses at one moment, and a page that is loaded again later.
    std::thread::scope(|scope| {
        let again: Vec<_> = (0..10).map(|_| scope.spawn(|| school.write("once", &fields))).collect();
        for answer in again {
            let answer = answer.join().expect("an answer");
            assert_eq!((answer.status, answer.header("location")), (303, first.header("location")));
        }
    });
    let log = school.log();
    assert_eq!(log.len(), 1);
    assert_eq!(log[0].entry.what, LogEvent::Harvest { kg: 1.5, crop: None });
    // The next form is another one.
    assert_eq!(school.write("twice", &fields).status, 303);
    assert_eq!(school.log().len(), 2);
    for once in ["", &"x".repeat(65)] {
        assert_eq!(school.write(once, &fields).status, 403, "a form without its own text");
    }
}

#[test]
fn nobody_writes_or_answers_without_the_password_and_the_forms_token() {
    let school = School::new(NOW, Some(Answered::Done));
    let form = "kind=watered&place=pea-bed&at=2026-04-17T09:00&once=x&do=seen&since=2026-04-17T05:05:00Z";
    for path in [WRITE, ANSWER] {
        let without = school.served.post(path, form);
        assert_eq!(without.status, 403, "{path}");
        assert!(without.body.contains("Enter the password to save"), "{}", without.body);
        let with_token_alone = school.served.post(path, &format!("{form}&token={}", school.token));
        assert_eq!(with_token_alone.status, 403, "{path}");
        for token in
            ["", "x", &"A".repeat(43), &school.token[1..], &school.token.to_ascii_lowercase(), "%ff%00"]
        {
            let forged = school.send(path, &format!("{form}&token={token}"));
            assert_eq!(forged.status, 403, "{path} {token}");
            assert!(forged.body.contains("That form has expired"), "{}", forged.body);
        }
        let huge = format!("{form}&token={}&note={}", school.token, "x".repeat(40_000));
        assert_eq!(school.send(path, &huge).status, 413, "{path}");
        assert_eq!(
            school
                .served
                .ask(&format!("PUT {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"))
                .status,
            405
        );
    }
    assert_eq!(school.log(), []);
    assert!(school.answers.lock().expect("no panic").is_empty());
    // Whoever only reads sees the forms, and that the password is asked for.
    for path in [&format!("{WRITE}?kind=watered"), ALARMS, "/site/saltbush-gully"] {
        let page = school.served.get(path);
        assert_eq!(page.status, 200, "{path}");
        let body = &page.body;
        assert!(
            body.contains("/enter?to=") && body.contains("The password is asked for when you save."),
            "{body}"
        );
        assert!(body.contains("method=\"post\"") && !body.contains("name=\"token\""), "{body}");
    }
    for path in [
        "/site/unknown/write",
        "/site/UPPER/write",
        "/site/%ff/alarms",
        "/site/unknown/alarms",
        "/site/saltbush-gully/write?kind=nothing",
        "/site/saltbush-gully/alarms?month=2026-05",
        "/site/saltbush-gully/alarms?month=2026-13",
        "/site/saltbush-gully/alarms?month=99999-01",
        "/site/saltbush-gully/alarms?month=%00",
        "/site/saltbush-gully/alarms?month=1999-12",
    ] {
        assert_eq!(school.get(path).status, 404, "{path}");
    }
}

#[test]
fn an_alarm_is_answered_with_its_occurrence_and_what_came_of_it_is_said() {
    const SINCE: &str = "2026-04-17T05:05:00Z";
    let to = |school: &School, kind: &'static str, place: &'static str, more: &[(&str, &str)]| {
        let mut fields = vec![("kind", kind), ("place", place), ("since", SINCE)];
        fields.extend_from_slice(more);
        school.post(ANSWER, &fields)
    };
    let with =
        |school: &School, more: &[(&str, &str)]| to(school, "tank-temperature-shock", "perch-tank", more);
    let school = School::new(NOW, Some(Answered::Done));
    let page = school.get(ALARMS).body;
    for expected in ["I'll deal with this", "I have seen this", "Pause for 2 hours", "Rule: "] {
        assert!(page.contains(expected), "{expected} in {page}");
    }
    // A bed may wait for a week, fish for two hours: one alarm of the list is about fish.
    let buttons = |words: &str| page.matches(words).count();
    assert_eq!(buttons("Pause for a week") + 1, buttons("Pause for 2 hours"));
    assert!(page.contains("Only the person who looks after the fish pauses this"));
    // Tomorrow at seven in Adelaide, UTC+9:30; a day and a week on the same clock.
    for (word, until, said) in [
        ("aside-morning", "2026-04-17T21:30:00Z", "is paused until Saturday 18 April 2026, 7 am"),
        ("aside-day", "2026-04-18T05:30:00Z", "is paused until Saturday"),
        ("aside-week", "2026-04-24T05:30:00Z", "is paused until Friday 24 April"),
    ] {
        assert_eq!(with(&school, &[("do", word)]).status, 404, "{word}: not for fish");
        assert_eq!(to(&school, "dry-bed", "kitchen-bed", &[("do", word)]).status, 303, "{word}");
        let given = school.answers.lock().expect("no panic").pop().expect("an answer");
        assert_eq!((given.key.kind, given.input), (Kind::DryBed, Some(shelve(until))), "{word}");
        assert!(school.get(ALARMS).body.contains(said), "{said}");
    }
    for (word, input, said) in [
        ("seen", Some(Input::Acknowledge), "everybody can see that you answered"),
        ("aside-2h", Some(shelve("2026-04-17T07:30:00Z")), "is paused until Friday 17 April 2026, 5 pm"),
        ("note", None, "The note to Perch tank: Water temperature changed too fast is saved"),
    ] {
        let answer = with(&school, &[("do", word), ("note", "pump is off\r\nagain")]);
        assert_eq!((answer.status, answer.header("location")), (303, Some(ALARMS)), "{word}");
        let given = school.answers.lock().expect("no panic").pop().expect("an answer");
        assert_eq!((given.key.kind, given.key.place.as_str()), (Kind::TankTemperatureShock, "perch-tank"));
        assert_eq!(given.input, input, "{word}");
        assert_eq!((given.since, given.how.as_str()), (Some(views::at(SINCE)), "page"), "{word}");
        assert_eq!(given.note.as_deref(), Some("pump is off  again"), "{word}");
        let next = school.get(ALARMS).body;
        assert!(next.contains(said), "{said} in {next}");
        assert!(!school.get(ALARMS).body.contains(said), "it is said once");
    }
    for (outcome, said) in [
        (Answered::NotWaiting, "was answered already"),
        (Answered::Over, "is over. Nobody needs"),
        (Answered::OtherOccurrence, "has come again since"),
        (Answered::NoSuchAlarm, "There is no such alarm any more"),
        (Answered::TooManyNotes, "has too many notes"),
    ] {
        let school = School::new(NOW, Some(outcome));
        assert_eq!(with(&school, &[("do", "seen")]).status, 303);
        let next = school.get(ALARMS).body;
        assert!(next.contains(said), "{said} in {next}");
    }
    let away = School::new(NOW, None);
    assert_eq!(with(&away, &[("do", "seen")]).status, 503);

    // Notes that cannot be kept come back; buttons and alarms that do not exist do not.
    let before = school.answers.lock().expect("no panic").len();
    for (note, words) in [("x".repeat(501), "501 characters"), ("\u{7}".to_owned(), "control character")] {
        let answer = with(&school, &[("do", "seen"), ("note", &note)]);
        assert_eq!(answer.status, 422);
        for expected in [words, "href=\"#tank-temperature-shock-perch-tank-note\"", "aria-invalid=\"true\""] {
            assert!(answer.body.contains(expected), "{expected} in {}", answer.body);
        }
    }
    assert_eq!(with(&school, &[("do", "note"), ("note", " ")]).status, 422, "a note needs words");
    for wrong in [vec![("do", "explode")], vec![("do", "")]] {
        assert_eq!(with(&school, &wrong).status, 404, "{wrong:?}");
    }
    for (kind, place, since) in [
        ("no-alarm", "perch-tank", SINCE),
        ("dry-bed", "NO PLACE", SINCE),
        ("dry-bed", "kitchen-bed", "yesterday"),
        ("", "", ""),
    ] {
        let fields = [("kind", kind), ("place", place), ("since", since), ("do", "seen")];
        assert_eq!(school.post(ANSWER, &fields).status, 404, "{fields:?}");
    }
    assert_eq!(school.answers.lock().expect("no panic").len(), before);
}

fn shelve(until: &str) -> Input {
    Input::Shelve { until: views::at(until), one_shot: false }
}

#[test]
fn an_alarm_that_is_paused_can_be_resumed() {
    let mut view = views::busy();
    view.alarms[0].record.state = State::Shelved;
    view.alarms[0].record.shelf = Some((views::at("2026-04-17T09:00:00Z"), false));
    view.alarms[1].record.state = State::LatchedAcknowledged;
    let fixed = Fixed { now: view.now, ..Fixed::of(vec![view]) };
    let rules = Rules { password: Some(hash()), ..Rules::default() };
    let served = Served::ruled(fixed, rules, None);
    let entered = served.post("/enter", &format!("password={}", encoded(PASSWORD)));
    let cookie =
        entered.header("set-cookie").and_then(|set| set.split(';').next()).expect("a session").to_owned();
    let page = served
        .ask(&format!(
            "GET {ALARMS} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nCookie: {cookie}\r\n\r\n"
        ))
        .body;
    for expected in ["Paused until", "today 6:30 pm</time>", ">Resume</button>", "Checked: close"] {
        assert!(page.contains(expected), "{expected} in {page}");
    }
}

#[test]
fn any_bytes_in_a_form_get_an_answer() {
    use proptest::prelude::*;
    let school = School::new(NOW, Some(Answered::Done));
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig::with_cases(100));
    let field = prop_oneof!["[a-z_]{1,12}", any::<String>()];
    let pairs = prop::collection::vec((field, any::<String>()), 0..12);
    runner
        .run(&(pairs, 0..KINDS.len(), any::<i64>()), |(pairs, kind, at)| {
            let at = Timestamp::from_second(at % 253_402_207_200)
                .map_or_else(|_| String::new(), |at| at.to_string());
            let mut fields =
                vec![("kind", KINDS[kind].name), ("at", at.as_str()), ("once", "any"), ("since", &at)];
            fields.extend(pairs.iter().map(|(name, value)| (name.as_str(), value.as_str())));
            for path in [WRITE, ANSWER] {
                let answer = school.post(path, &fields);
                prop_assert!(matches!(answer.status, 303 | 403 | 404 | 422), "{} {}", path, answer.status);
            }
            Ok(())
        })
        .unwrap_or_else(|fault| panic!("{fault}"));
}

/// Somebody who has not signed in fills in a form: the password is asked for, and nothing of
/// what was typed is lost, until it is saved in one go.
#[test]
fn a_form_that_was_filled_in_waits_for_the_password() {
    let school = School::new(NOW, Some(Answered::Done));
    let note = "by the\r\nsecond \"row\" <b>";
    let mut form = url::form_urlencoded::Serializer::new(String::new());
    form.extend_pairs([("once", "o"), ("kind", "watered"), ("place", "pea-bed"), ("litres", "60")]);
    let form = form.extend_pairs([("at", "2026-04-17T09:00"), ("note", note)]).finish();
    let asked = school.served.post(WRITE, &form);
    assert_eq!(asked.status, 403);
    for kept in [
        "name=\"litres\" value=\"60\"",
        "second &quot;row&quot; &lt;b&gt;",
        "action=\"/site/saltbush-gully/write\"",
    ] {
        assert!(asked.body.contains(kept), "{kept} in {}", asked.body);
    }
    let wrong = school.served.post(WRITE, &format!("{form}&password=no+such&name=Ms+Lee"));
    assert_eq!((wrong.status, wrong.header("set-cookie")), (403, None));
    for kept in ["That is not the password", "name=\"litres\" value=\"60\"", "value=\"Ms Lee\""] {
        assert!(wrong.body.contains(kept), "{kept} in {}", wrong.body);
    }
    assert!(!wrong.body.contains("no such"), "a wrong password is not given back: {}", wrong.body);
    assert_eq!(school.log(), []);

    let right = format!("{form}&password={}&name=Ms+Lee", encoded(PASSWORD));
    let saved = school.served.post(WRITE, &right);
    assert_eq!(
        (saved.status, saved.header("location")),
        (303, Some("/site/saltbush-gully/bed/pea-bed")),
        "{}",
        saved.body
    );
    let log = school.log();
    assert_eq!((log.len(), log[0].entry.note.as_str()), (1, "by the\nsecond \"row\" <b>"));
    // The session that began says what came of it, and signs answers with the name.
    let cookie = saved.header("set-cookie").and_then(|set| set.split(';').next()).expect("a session");
    let head = format!("Host: localhost\r\nConnection: close\r\nCookie: {cookie}\r\n");
    let next = school.served.ask(&format!("GET {ALARMS} HTTP/1.1\r\n{head}\r\n")).body;
    assert!(next.contains("Saved in the Garden log.") && next.contains("Sign out, Ms Lee"), "{next}");
    let answer = format!(
        "token={}&kind=tank-temperature-shock&place=perch-tank&since=2026-04-17T05:05:00Z&do=seen&then=/site/saltbush-gully",
        hidden(&next, "token")
    );
    let answered = school.served.ask(&format!(
        "POST {ANSWER} HTTP/1.1\r\n{head}Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{answer}",
        answer.len()
    ));
    assert_eq!((answered.status, answered.header("location")), (303, Some("/site/saltbush-gully")));
    let given = school.answers.lock().expect("no panic").pop().expect("an answer");
    assert_eq!(given.how, "page: Ms Lee");

    // From elsewhere, where nothing is read without the password, a form waits as well.
    let elsewhere = school.served.ask(&format!(
        "POST {WRITE} HTTP/1.1\r\nHost: 192.168.1.5\r\nConnection: close\r\nContent-Type: \
         application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{form}",
        form.len()
    ));
    assert_eq!(elsewhere.status, 403);
    assert!(
        elsewhere.body.contains("name=\"litres\" value=\"60\"") && !elsewhere.body.contains("Pea bed"),
        "{}",
        elsewhere.body
    );
}

/// An answer leads back to the page that it was given on, and to no other address.
#[test]
fn an_answer_leads_back_to_its_own_page_only() {
    let school = School::new(NOW, Some(Answered::Done));
    for (then, to) in [
        ("/site/saltbush-gully/tank/perch-tank", "/site/saltbush-gully/tank/perch-tank"),
        ("/site/saltbush-gully/rain", "/site/saltbush-gully/rain"),
        ("//evil.example/", ALARMS),
        ("/site/saltbush-gully.evil", ALARMS),
        ("/site/saltbush-gully/bed/../../x", ALARMS),
        ("", ALARMS),
    ] {
        let fields = [
            ("kind", "tank-temperature-shock"),
            ("place", "perch-tank"),
            ("since", "2026-04-17T05:05:00Z"),
            ("do", "seen"),
            ("then", then),
        ];
        assert_eq!(school.post(ANSWER, &fields).header("location"), Some(to), "{then}");
    }
}

/// Who answered is said, where a name was given.
#[test]
fn who_answered_an_alarm_is_said() {
    for (how, said) in [("page: Ms Lee", "Ms Lee answered this <time"), ("link", "Answered <time")] {
        let view = views::busy();
        let step = trug::page::AlarmStep {
            at: views::at("2026-04-16T22:00:00Z"),
            to: State::Acknowledged,
            how: Some(how.into()),
        };
        let served = Served::new(Fixed { now: view.now, steps: vec![step], ..Fixed::of(vec![view]) }, None);
        for path in ["/", ALARMS, "/site/saltbush-gully/bed/kitchen-bed"] {
            let page = served.get(path).body;
            let at = page.find(said).unwrap_or_else(|| panic!("{said} not on {path}: {page}"));
            assert!(page[at..].contains("today 7:30 am</time>"), "{path}: {page}");
        }
    }
}
