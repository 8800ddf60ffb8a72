//! The words of the pages: what is out of the house style stands on none of them.

use trug::page::access::Rules;
use trug::text::locale::{LocalText, Locale};

use super::access::hash;
use crate::support::http::Served;
use crate::support::locale::{australian, bare_figures, spelled_otherwise, wrong_temperatures};
use crate::support::plain_words::{words_of_page, words_out};
use crate::support::views::{self, Fixed};

/// What the page alone once said, and what it says now.
const OUT_OF_THE_PAGE: [(&str, &str); 14] = [
    ("as the garden stood", "the day and the hour"),
    ("as it was heard", "the last reading"),
    ("to the content", "Skip to content"),
    ("stands still", "Updates are paused"),
    ("renews itself", "This page updates itself"),
    ("by the rule of", "Rule"),
    ("marked as seen", "answered"),
    ("taken on", "Somebody is dealing with it"),
    ("put aside", "paused"),
    ("never heard", "no reading yet"),
    ("believed", "reads wrong; Trug ignores it for now"),
    ("thrive at", "Safe range"),
    ("speaks", "sends readings"),
    ("grew wetter", "got wetter"),
];

/// The pages of the busy school.
const PAGES: [&str; 17] = [
    "/",
    "/?hold=yes",
    "/enter",
    "/site/saltbush-gully/places",
    "/site/saltbush-gully/more",
    "/site/saltbush-gully/care",
    "/site/saltbush-gully/alarms",
    "/site/saltbush-gully/sensors",
    "/site/saltbush-gully/jobs",
    "/site/saltbush-gully/log",
    "/site/saltbush-gully/write",
    "/site/saltbush-gully/write?kind=water-test",
    "/site/saltbush-gully/write?kind=planted",
    "/site/saltbush-gully/handover",
    "/site/saltbush-gully/bed/kitchen-bed",
    "/site/saltbush-gully/tank/perch-tank",
    "/site/saltbush-gully/rain",
];

/// What a page says to people, on one line.
fn words_of(html: &str) -> String {
    words_of_page(html).split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn no_page_of_a_busy_school_says_a_word_that_is_out() {
    let mut view = views::busy();
    view.now = views::at("2026-04-17T05:30:00Z");
    let fixed = Fixed { now: view.now, ..Fixed::of(vec![view]) };
    let rules = Rules { password: Some(hash()), ..Rules::default() };
    let served = Served::ruled(fixed, rules, None);
    let mut found = Vec::new();
    let later = [
        "/site/saltbush-gully/drawing",
        "/site/saltbush-gully/placing",
        "/site/saltbush-gully/probe?sensor=kitchen-15cm&dry=2900&wet=1450",
        "/site/saltbush-gully/probe?ring=100&r1=2900&w1=205&d1=200&r2=1400&w2=235&d2=200",
        "/site/saltbush-gully/soil-test?sand=52&silt=20&clay=8",
        "/site/saltbush-gully/new-sensor?topic=a",
        "/site/saltbush-gully/keys",
    ];
    for path in PAGES.into_iter().chain(later) {
        let answer = served.get(path);
        assert_eq!(answer.status, 200, "{path}");
        let words = words_of(&answer.body);
        found.extend(words_out(&words).into_iter().map(|it| format!("{path}: {it}")));
        let lower = words.to_lowercase();
        let page = OUT_OF_THE_PAGE.iter().filter(|(out, _)| lower.contains(out));
        found.extend(page.map(|(out, instead)| format!("{path}: {out:?} is out: {instead}")));
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// Each page where people read American English. What the garden's own people wrote stays.
#[test]
fn the_pages_of_an_american_school_have_customary_units_beside_si() {
    let mut view = views::busy();
    view.now = views::at("2026-04-17T05:30:00Z");
    view.local = LocalText::new(Locale::EnUs, ["Kitchen bed", "Perch tank"]);
    let fixed = Fixed { now: view.now, ..Fixed::of(vec![view]) };
    let rules = Rules { password: Some(hash()), ..Rules::default() };
    let served = Served::ruled(fixed, rules, None);
    let mut found = Vec::new();
    for path in PAGES.iter().filter(|path| path.starts_with("/site/")) {
        let answer = served.get(path);
        assert_eq!(answer.status, 200, "{path}");
        assert!(answer.body.contains("<html lang=\"en-US\">"), "{path}");
        for line in words_of_page(&answer.body).lines() {
            let these = bare_figures(line).into_iter().chain(wrong_temperatures(line));
            let these = these.chain(australian(line)).chain(spelled_otherwise(line));
            found.extend(these.map(|it| format!("{path}: {it}")));
        }
    }
    assert!(served.get("/site/saltbush-gully/tank/perch-tank").body.contains("°F"));
    assert!(found.is_empty(), "{}", found.join("\n"));
}
