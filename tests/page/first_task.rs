//! What to do stands first: on a phone's screen without scrolling, in each state that a
//! garden can be in, on Today and on the place's own page.

use trug::alarms::{AlarmCourse, AlarmKey, AlarmRecord, AlarmText, Kind, Priority, State};
use trug::garden::view::{AlarmView, SiteView};
use trug::model::Id;
use trug::page::AlarmStep;
use trug::page::access::Rules;

use super::access::hash;
use crate::support::browser::{Browser, PHONE};
use crate::support::http::Served;
use crate::support::views::{self, Fixed};

/// Height of a phone's screen, CSS pixels.
const SCREEN_PX: f64 = 844.0;

fn alarm(kind: Kind, place: &str, name: &str, state: State, priority: Priority, text: &str) -> AlarmView {
    let since = views::at("2026-04-17T04:35:00Z");
    AlarmView {
        record: AlarmRecord {
            key: AlarmKey { site: Id::new("saltbush-gully"), kind, place: Id::new(place) },
            state,
            since,
            at: since,
            shelf: None,
            course: AlarmCourse::default(),
            said: AlarmText::new(text, &[], "this test"),
        },
        place_name: name.into(),
        priority,
    }
}

fn with(alarms: Vec<AlarmView>) -> SiteView {
    SiteView { alarms, ..views::well() }
}

fn dry(state: State) -> AlarmView {
    let text = "Kitchen bed is too dry: 54 % of its available water is left, and its plants suffer below 60 %. Give it \
                about 580 L after 6 pm today: run the dripper for 2 h 25 min. Look whether every dripper drips.";
    alarm(Kind::DryBed, "kitchen-bed", "Kitchen bed", state, Priority::Medium, text)
}

fn job_due() -> SiteView {
    let mut view = views::busy();
    view.jobs.retain(|job| job.is_due());
    SiteView { jobs: view.jobs, ..views::well() }
}

/// Each state by its name, with the page of the place that it is about. Its texts are as long
/// as the house style lets them be.
fn states() -> Vec<(&'static str, SiteView, Option<&'static str>)> {
    use Priority::{High, Low, Medium};
    let (kitchen, perch) = (Some("bed/kitchen-bed"), Some("tank/perch-tank"));
    let new = State::Unacknowledged;
    let warm = "Perch tank is too warm: 30.3 °C at 2:05 pm, 2.3 °C above the 28 °C that silver perch can take, and still \
                rising by 0.4 °C an hour. Start the air pump now and look whether the water moves. Shade the tank. Float \
                closed bottles of ice. Take care: unplug heater and pump before a hand goes in.";
    let left_on = "Water is running onto Kitchen bed, or was left on: there was no rain for a day, and its soil at 15 cm \
                   has held more than 36 % of water by volume for 6 hours. Look now for an open tap, a hose or a valve \
                   that sticks, and shut it. If none is open, look for a burst pipe.";
    let silent = "No reading from the moisture probe of Kitchen bed for 50 minutes; one should come every 15 minutes. Check \
                  its battery today.";
    let failing = "Trug cannot store readings: the disk is full. Ask whoever runs Trug to make room today.";
    vec![
        ("quiet", views::well(), None),
        ("first hour, nothing measured", views::unknown(), None),
        ("one dry bed", with(vec![dry(new)]), kitchen),
        (
            "tank too warm",
            with(vec![alarm(Kind::TankTooWarm, "perch-tank", "Perch tank", new, High, warm)]),
            perch,
        ),
        (
            "water left on",
            with(vec![alarm(Kind::WaterLeftOn, "kitchen-bed", "Kitchen bed", new, High, left_on)]),
            kitchen,
        ),
        (
            "sensor silent",
            with(vec![alarm(Kind::SensorSilent, "kitchen-15cm", "Kitchen bed", new, Low, silent)]),
            kitchen,
        ),
        ("several alarms", views::busy(), perch),
        ("an answered alarm", with(vec![dry(State::Acknowledged)]), kitchen),
        ("over, not answered", with(vec![dry(State::ReturnedUnacknowledged)]), kitchen),
        ("a job due", job_due(), perch),
        (
            "store failing",
            with(vec![alarm(Kind::StoreFailing, "trug", "Trug", new, Medium, failing), dry(new)]),
            None,
        ),
    ]
}

#[test]
fn the_first_task_and_its_button_stand_on_a_phone_s_first_screen() {
    let browser = Browser::start();
    browser.size(PHONE);
    for (state, view, place) in states() {
        let failing = state == "store failing";
        let answered = state == "an answered alarm";
        let step = AlarmStep { at: view.now, to: State::Acknowledged, how: Some("page: Ms Lee".into()) };
        let fixed = Fixed {
            now: view.now,
            not_kept_since: failing.then_some(view.now),
            steps: vec![step],
            ..Fixed::of(vec![view])
        };
        let rules = Rules { password: Some(hash()), ..Rules::default() };
        let served = Served::ruled(fixed, rules, None);
        let own = place.map(|place| format!("/site/saltbush-gully/{place}"));
        for path in ["/"].into_iter().map(str::to_owned).chain(own) {
            let what = format!("{state}, {path}");
            browser.open(&served.url(&path));
            browser.accessible(&what);
            assert_eq!(browser.overflow(), 0, "{what} is wider than the view");
            let box_of = |css: &str| {
                let script = format!(
                    "const e = document.querySelector('{css}'); if (!e) return null; \
                     const b = e.getBoundingClientRect(); return [b.top, b.bottom, b.height];"
                );
                let found = browser.run(&script);
                let number = |at: usize| found[at].as_f64();
                number(0).zip(number(1)).zip(number(2))
            };
            assert_eq!(browser.run("return window.scrollY;").as_f64(), Some(0.0), "{what}");
            let ((top, bottom), height) =
                box_of("#first-task").unwrap_or_else(|| panic!("{what}: no first task"));
            assert!(
                0.0 <= top && bottom <= SCREEN_PX && height > 80.0,
                "{what}: the first task ends at {bottom} px"
            );
            // An answered alarm waits for nothing: it says who deals with it.
            if answered {
                assert!(browser.text("#first-task .by").contains("Ms Lee answered this"), "{what}");
                continue;
            }
            let button = box_of("#first-task form button, #first-task a.button");
            let ((_, bottom), height) =
                button.unwrap_or_else(|| panic!("{what}: the first task has no button"));
            assert!(bottom <= SCREEN_PX, "{what}: its button ends at {bottom} px");
            assert!(height >= 44.0, "{what}: its button is {height} px high");
        }
    }
}

/// One row on a phone; on the narrowest screen, and where letters are twice as large, no way
/// stands on another. It needs no script.
#[test]
fn the_ways_stand_in_one_row() {
    let browser = Browser::start();
    browser.scripts(false);
    let mut view = views::busy();
    let more: Vec<AlarmView> = (0..10).map(|_| dry(State::Unacknowledged)).collect();
    view.alarms.extend(more);
    let served = Served::new(Fixed::of(vec![view]), None);
    for (width, rows_most) in [(390, 1), (320, 2), (195, 3)] {
        browser.size((width, 844));
        browser.open(&served.url("/site/saltbush-gully/places"));
        browser.scripts(true);
        let boxes = browser.run(
            "return Array.from(document.querySelectorAll('.ways a')).map(e => { \
             const b = e.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom, e.scrollWidth > e.clientWidth]; });",
        );
        browser.scripts(false);
        let boxes = boxes.as_array().expect("boxes");
        assert_eq!(boxes.len(), 5, "{width} px");
        let side = |it: &serde_json::Value, at: usize| it[at].as_f64().expect("a number");
        let mut rows: Vec<i64> = boxes.iter().map(|it| side(it, 1) as i64).collect();
        rows.dedup();
        assert!(rows.len() <= rows_most, "{width} px: {} rows", rows.len());
        for (at, one) in boxes.iter().enumerate() {
            assert!(side(one, 0) >= 0.0 && side(one, 2) <= f64::from(width), "{width} px: {one}");
            assert_eq!(one[4], false, "{width} px: a word is cut");
            for other in &boxes[at + 1..] {
                let apart = side(one, 2) <= side(other, 0) + 0.5 || side(one, 3) <= side(other, 1) + 0.5;
                assert!(apart, "{width} px: {one} stands on {other}");
            }
        }
    }
}
