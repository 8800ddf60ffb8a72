//! The page as people use it, in a real browser: at a phone's and a desk's width,
//! with the keyboard alone, in light and dark, and by the rules of axe-core.

mod support;

use std::path::{Path, PathBuf};

use support::browser::{Browser, DESK, PHONE};
use support::daemon::{Daemon, GARDEN};
use support::http::Served;
use support::listener::Listener;
use support::mosquitto::Mosquitto;
use support::school;
use support::views::{self, Fixed};

/// Bytes of a page and of all that it loads.
const PAGE_MAX: u64 = 100_000;

fn pictures() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("page")
}

/// Opens a page at both widths and in both colours, takes a picture of each, and
/// asks for all that every page must hold to.
fn look_at(browser: &Browser, name: &str, url: &str) {
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
            browser.picture(&pictures().join(format!("{name}-{width}-{colour}.png")));
        }
    }
}

#[test]
fn every_page_can_be_read_by_everybody() {
    let browser = Browser::start();
    let served = Served::new(Fixed::of(vec![views::busy()]), Some("Demonstration: an invented school."));
    look_at(&browser, "today", &served.url("/"));
}

/// The demonstration school, a month old, with its daemon and its page.
struct Lived {
    daemon: Daemon,
    _broker: Mosquitto,
}

impl Lived {
    fn start() -> Self {
        let broker = Mosquitto::start();
        let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", GARDEN)]);
        school::fill(&daemon.store(), "demonstration");
        daemon.start_with_page();
        Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
        Self { daemon, _broker: broker }
    }
}

#[test]
fn every_page_of_a_month_old_school_can_be_read_by_everybody() {
    let school = Lived::start();
    let browser = Browser::start();
    for (name, path) in [
        ("school-today", "/"),
        ("school-sensors", "/site/saltbush-gully/sensors"),
        ("school-months", "/site/saltbush-gully/month"),
        ("school-month", "/site/saltbush-gully/month/2026-04"),
    ] {
        look_at(&browser, name, &school.daemon.url(path));
        let weight = browser.weight();
        println!("{name}: {weight} bytes");
        assert!(weight < PAGE_MAX, "{name} weighs {weight} bytes with all that it loads");
    }
}
