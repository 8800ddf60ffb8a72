//! The page as people use it, in a real browser: at a phone's and a desk's width,
//! with the keyboard alone, in light and dark, and by the rules of axe-core.

use std::path::{Path, PathBuf};

use crate::answer_page;
use crate::support::browser::{Browser, DESK, PHONE};
use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::http::Served;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::school;
use crate::support::sender::{Post, send};
use crate::support::views::{self, Fixed};
use jiff::{SignedDuration, Timestamp};
use trug::model::Id;
use trug::password::PasswordHash;

/// Bytes of a page and of all that it loads.
const PAGE_MAX: u64 = 100_000;

/// A tablet that stands upright, CSS pixels.
const TABLET: (u32, u32) = (768, 1024);

/// Height of a page of the class month on a desk, CSS pixels.
const MONTH_HIGH: u64 = 6000;

/// The time axes of a chart's further panels that do not look as the first one's: its rules do
/// not reach what is drawn again.
const AXES_APART: &str = "
    return [...document.querySelectorAll('.chart use')].filter(use => {
        const drawn = document.querySelector(use.getAttribute('href')).getBoundingClientRect();
        const again = use.getBoundingClientRect();
        return again.width > 0 && drawn.width > 0
            && (Math.abs(drawn.width - again.width) > 2 || Math.abs(drawn.height - again.height) > 2);
    }).map(use => use.getAttribute('href'));";

/// Tables that stand as tables and leave a cell out: what follows it stands below another head.
const CELLS_GONE: &str = "
    const shown = element => getComputedStyle(element).display;
    return [...document.querySelectorAll('table')].filter(table =>
        [...table.rows].some(row =>
            shown(row) === 'table-row' && [...row.cells].some(cell => shown(cell) !== 'table-cell'))
    ).map(table => table.caption ? table.caption.textContent : table.className);";

fn pictures() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("page")
}

/// Opens a page at both widths and in both colours, takes a picture of each, and
/// asks for all that every page must hold to.
fn look_at(browser: &Browser, name: &str, url: &str) {
    browser.size(TABLET);
    browser.open(url);
    assert_eq!(browser.overflow(), 0, "{name} is wider than a tablet's view");
    for (width, size) in [("phone", PHONE), ("desk", DESK)] {
        browser.size(size);
        for (colour, dark) in [("light", false), ("dark", true)] {
            browser.dark(dark);
            browser.open(url);
            let what = format!("{name} ({width}, {colour})");
            browser.accessible(&what);
            assert_eq!(browser.overflow(), 0, "{what} is wider than the view");
            let faults = browser.faults();
            assert!(faults.is_empty(), "{what}: {faults:?}");
            let axes = browser.run(AXES_APART);
            assert_eq!(axes.as_array().map(Vec::len), Some(0), "{what}: time axes differ: {axes}");
            let gone = browser.run(CELLS_GONE);
            assert_eq!(
                gone.as_array().map(Vec::len),
                Some(0),
                "{what}: tables that leave a cell out: {gone}"
            );
            browser.picture(&pictures().join(format!("{name}-{width}-{colour}.png")));
        }
    }
}

#[test]
fn every_page_can_be_read_by_everybody() {
    let browser = Browser::start();
    let served = Served::new(Fixed::of(vec![views::busy()]), Some("Demonstration: an invented school."));
    look_at(&browser, "today", &served.url("/"));
    let served = Served::new(answer_page::fixed(views::busy()), None);
    let token = answer_page::token(answer_page::SHOCK, None);
    look_at(&browser, "answer", &served.url(&format!("/answer?t={token}")));
    // The list of a district: with things to do and without, more than fit on one page.
    let garden = |number: usize| {
        let mut view = if number < 4 { views::busy() } else { views::well() };
        view.id = Id::new(&format!("school-{number}"));
        view.name = format!("School {number} with a garden of its own");
        view
    };
    let district = Served::new(Fixed::of((0..60).map(garden).collect()), None);
    for (name, path) in [("gardens", "/"), ("gardens-found", "/?find=school+5"), ("gardens-on", "/?from=51")]
    {
        look_at(&browser, name, &district.url(path));
        let weight = browser.weight();
        assert!(weight < PAGE_MAX, "{name} weighs {weight} bytes with all that it loads");
    }
}

/// The demonstration school, a month old, with its daemon and its page.
struct Lived {
    daemon: Daemon,
    broker: Mosquitto,
    /// The moment up to which its month is filled.
    end: Timestamp,
}

/// What opens the page to changes in these tests.
const PASSWORD: &str = "a password of these tests";

impl Lived {
    fn start() -> Self {
        let broker = Mosquitto::start();
        let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
        let (_, end) = school::fill(&daemon.store(), "demonstration");
        let hash = PasswordHash::of(PASSWORD).expect("a hash");
        daemon.set("TRUG__PAGE__PASSWORD", hash.as_str());
        daemon.start_with_page();
        Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
        Self { daemon, broker, end }
    }

    /// The tank's water grows warmer by 5 degrees an hour from 18 degrees on, for an
    /// hour after the month's end.
    fn warm_the_tank(&self) {
        let posts = (1..=12).map(|step| {
            let at = self.end + SignedDuration::from_mins(5 * step);
            let celsius = 18.0 + 5.0 * step as f64 / 12.0;
            let payload = format!(r#"{{"raw":{:.0},"t":{}}}"#, celsius * 16.0, at.as_second());
            Post::new("saltbush-gully/perch-tank/temperature", payload.as_bytes())
        });
        send(self.broker.port(), posts.collect());
    }
}

#[test]
fn every_page_of_a_month_old_school_can_be_read_by_everybody() {
    let school = Lived::start();
    let browser = Browser::start();
    for (name, path) in [
        ("school-today", "/"),
        ("school-bed", "/site/saltbush-gully/bed/kitchen-bed?span=month"),
        ("school-bed-day", "/site/saltbush-gully/bed/herb-bed?span=day&to=2026-04-24"),
        ("school-bed-year", "/site/saltbush-gully/bed/pea-bed?span=year"),
        ("school-tank", "/site/saltbush-gully/tank/perch-tank?span=week"),
        ("school-rain", "/site/saltbush-gully/rain"),
        ("school-alarms", "/site/saltbush-gully/alarms"),
        ("school-places", "/site/saltbush-gully/places"),
        ("school-more", "/site/saltbush-gully/more"),
        ("school-care", "/site/saltbush-gully/care"),
        ("school-drawing", "/site/saltbush-gully/drawing"),
        ("school-placing", "/site/saltbush-gully/placing"),
        ("school-probe", "/site/saltbush-gully/probe?sensor=kitchen-15cm&dry=2900&wet=1450"),
        ("school-soil-test", "/site/saltbush-gully/soil-test?sand=52&silt=20&clay=8"),
        ("school-new-sensor", "/site/saltbush-gully/new-sensor"),
        ("school-keys", "/site/saltbush-gully/keys"),
        ("school-write", "/site/saltbush-gully/write"),
        ("school-form", "/site/saltbush-gully/write?kind=water-test&place=perch-tank"),
        ("school-jobs", "/site/saltbush-gully/jobs"),
        ("school-handover", "/site/saltbush-gully/handover?from=2026-05-02&to=2026-05-17"),
        ("school-log", "/site/saltbush-gully/log"),
        ("school-enter", "/enter"),
        ("school-sensors", "/site/saltbush-gully/sensors"),
        ("school-months", "/site/saltbush-gully/month"),
        ("school-month", "/site/saltbush-gully/month/2026-04"),
        ("school-month-young", "/site/saltbush-gully/month/2026-04?level=7-9"),
        ("school-month-older", "/site/saltbush-gully/month/2026-04?level=older"),
        ("school-month-sheet", "/site/saltbush-gully/month/2026-04/worksheet"),
        ("school-month-answers", "/site/saltbush-gully/month/2026-04/answers"),
        ("school-month-term", "/site/saltbush-gully/month/term?from=2026-04-05&to=2026-04-20"),
        ("school-month-year", "/site/saltbush-gully/month/2026?level=older"),
        ("school-month-figures", "/site/saltbush-gully/month/2026-04/figures"),
        ("school-month-figures-rain", "/site/saltbush-gully/month/2026-04/figures?part=rain"),
        ("school-month-figures-beds", "/site/saltbush-gully/month/2026-04/figures?part=beds"),
        ("school-month-figures-beds-2", "/site/saltbush-gully/month/2026-04/figures?part=beds-2"),
        ("school-month-figures-bands", "/site/saltbush-gully/month/2026-04/figures?part=bands"),
        ("school-month-figures-tanks", "/site/saltbush-gully/month/2026-04/figures?part=tanks"),
        ("school-month-figures-alarms", "/site/saltbush-gully/month/2026-04/figures?part=alarms"),
    ] {
        look_at(&browser, name, &school.daemon.url(path));
        let weight = browser.weight();
        println!("{name}: {weight} bytes");
        if name.starts_with("school-month") && !name.starts_with("school-months") {
            browser.size(DESK);
            browser.open(&school.daemon.url(path));
            let height = browser.run("return document.documentElement.scrollHeight;").as_u64();
            println!("{name}: {height:?} pixels high");
            assert!(height.is_some_and(|height| height < MONTH_HIGH), "{name} is {height:?} pixels high");
            // Folded parts hold to the same rules.
            browser.run("document.querySelectorAll('main details').forEach(it => it.open = true); return 1;");
            browser.accessible(&format!("{name}, unfolded"));
            assert_eq!(browser.overflow(), 0, "{name} unfolded is wider than the view");
        }
        assert!(weight < PAGE_MAX, "{name} weighs {weight} bytes with all that it loads");
    }
}

/// The page stays where it is: what was unfolded stays so, and it is never loaded anew.
#[test]
fn an_alarm_appears_without_loading_the_page_anew() {
    let school = Lived::start();
    let browser = Browser::start();
    browser.size(PHONE);
    browser.open(&school.daemon.url("/"));
    let alarms = "return Number(document.querySelector('.ways').dataset.alarms);";
    assert_eq!(browser.run(alarms).as_i64(), Some(0));
    browser.run("window.loadedOnce = true; document.querySelector('main details').open = true; return 1;");
    school.warm_the_tank();
    browser.wait_for(
        "the alarm on the page",
        "return Number(document.querySelector('.ways').dataset.alarms) > 0;",
    );
    assert_eq!(browser.run("return window.loadedOnce;"), true, "the page was loaded anew");
    let page = browser.text("main");
    assert!(page.contains("Water temperature changed too fast"), "{page}");
    let said = browser.text(".connection");
    assert!(said.contains("new alarm"), "{said}");
    let faults = browser.faults();
    assert!(faults.is_empty(), "{faults:?}");
}

#[test]
fn out_of_reach_the_page_says_so_and_shows_the_last_copy() {
    let mut school = Lived::start();
    let browser = Browser::start();
    browser.size(PHONE);
    let today = school.daemon.url("/");
    browser.open(&today);
    browser.wait_for("the copy-keeper to be at work", "return navigator.serviceWorker.controller !== null;");
    // Kept from the next look on.
    browser.open(&today);
    browser.wait_for(
        "the copy to be kept",
        "return caches.match(location.href).then(found => found !== undefined);",
    );
    school.daemon.kill();
    browser.wait_for("the bar", "return document.querySelector('.connection').dataset.says === 'lost';");
    let said = browser.text(".connection");
    assert!(said.contains("cannot be reached. This page is as it was at"), "{said}");
    browser.picture(&pictures().join("out-of-reach-open.png"));

    browser.open(&today);
    let said = browser.text(".offline");
    assert!(
        said.starts_with(
            "The garden's computer cannot be reached. This is how it stood at Sunday 26 April 2026"
        ),
        "{said}"
    );
    assert!(browser.text("main").contains("What to do today"));
    assert_eq!(browser.count("form"), 0, "no form is sent from an old copy");
    browser.accessible("a kept copy");
    browser.picture(&pictures().join("out-of-reach-kept.png"));
    browser.open(&school.daemon.url("/site/saltbush-gully/sensors"));
    assert_eq!(browser.text("h1"), "Out of reach");
    browser.accessible("a page that was never read");
    browser.picture(&pictures().join("out-of-reach-never-read.png"));

    // On the same port: the page comes back by itself.
    browser.open(&today);
    school.daemon.start();
    browser.wait_for(
        "the page to be fresh again",
        "return document.querySelector('.connection') !== null && document.querySelector('.connection').hidden \
         && document.querySelector('.offline') === null;",
    );
}

#[test]
fn the_keyboard_alone_is_enough_to_read() {
    let school = Lived::start();
    let browser = Browser::start();
    browser.size(DESK);
    browser.open(&school.daemon.url("/"));
    browser.press("\u{E004}");
    assert_eq!(browser.focused(), "Skip to content");
    browser.press("\u{E007}");
    assert_eq!(browser.run("return document.activeElement.id;"), "content");
    // On through the page: whatever has the focus is seen, and nothing holds it.
    let mut seen = Vec::new();
    for _ in 0..200 {
        browser.press("\u{E004}");
        let seen_now = browser.run(
            "const e = document.activeElement, b = e.getBoundingClientRect(); \
             return [e.outerHTML.slice(0, 200), b.width > 0 && b.height > 0 && \
             getComputedStyle(e).outlineStyle !== 'none', e === document.body];",
        );
        if seen_now[2] == true {
            break;
        }
        assert_eq!(seen_now[1], true, "the focus cannot be seen on {}", seen_now[0]);
        seen.push(seen_now[0].as_str().unwrap_or_default().to_owned());
    }
    assert!(seen.len() > 5 && seen.len() < 200, "{} places have the focus: {seen:?}", seen.len());
}

/// With the keyboard alone: the password, an alarm that is taken on, and a form whose
/// bad values come back with what is wrong, until it is written.
#[test]
fn an_alarm_is_taken_on_and_a_form_put_right_by_the_keyboard_alone() {
    const TAB: char = '\u{E004}';
    const ENTER: &str = "\u{E007}";
    let school = Lived::start();
    let browser = Browser::start();
    browser.size(PHONE);
    // Tabs until something has the focus that the test looks for.
    let reach = |what: &str| {
        for _ in 0..150 {
            browser.press(&TAB.to_string());
            if browser.focused().contains(what) {
                return;
            }
        }
        panic!("{what:?} is not reached by tabs on {}", browser.address());
    };
    browser.open(&school.daemon.url("/enter?to=/site/saltbush-gully/alarms"));
    browser.run("document.querySelector('#password').focus(); return 1;");
    browser.press("not the password");
    browser.press(ENTER);
    browser.wait_for("the refusal", "return document.querySelector('[aria-invalid]') !== null;");
    browser.accessible("the password's page with a refusal");
    browser.run("document.querySelector('#password').focus(); return 1;");
    browser.press(PASSWORD);
    browser.press(ENTER);
    browser.wait_for("the alarms", "return location.pathname.endsWith('/alarms');");
    browser.picture(&pictures().join("alarms-entered.png"));
    browser.accessible("the alarms of whoever may answer");

    let waiting = browser.count("button[value=seen]");
    assert!(waiting > 0, "an alarm waits in the month");
    let words = browser.text("button[value=seen]");
    reach(&words);
    browser.press(ENTER);
    browser.wait_for(
        "the alarm to be answered",
        &format!("return document.querySelectorAll('button[value=seen]').length === {};", waiting - 1),
    );
    assert!(browser.address().contains("/alarms"), "{}", browser.address());

    browser.open(&school.daemon.url("/site/saltbush-gully/write?kind=watered&place=pea-bed"));
    browser.run("document.querySelector('#litres').focus(); return 1;");
    browser.press("a few");
    browser.press(ENTER);
    browser.wait_for("what is wrong", "return document.querySelector('#litres[aria-invalid]') !== null;");
    assert_eq!(browser.run("return document.querySelector('#litres').value;"), "a few");
    let said = browser.text("main");
    assert!(said.contains("is not a number"), "{said}");
    browser.picture(&pictures().join("form-with-faults.png"));
    browser.accessible("a form with faults");
    browser.run("const e = document.querySelector('#litres'); e.focus(); e.select(); return 1;");
    browser.press("60");
    reach("Save");
    browser.press(ENTER);
    browser.wait_for(
        "the entry on the page",
        "return document.body.innerText.includes('watered by hand with 60 L');",
    );
    // A refusal has its status, which the browser writes down; nothing else is amiss.
    let mut faults = browser.faults();
    faults.retain(|fault| !fault.contains("responded with a status of 4"));
    assert!(faults.is_empty(), "{faults:?}");
}
