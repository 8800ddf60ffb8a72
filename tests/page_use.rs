//! The page as people use it, in a real browser: at a phone's and a desk's width,
//! with the keyboard alone, in light and dark, and by the rules of axe-core.

mod support;

use std::path::{Path, PathBuf};

use support::browser::{Browser, DESK, PHONE};
use support::http::Served;
use support::views::{self, Fixed};

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
