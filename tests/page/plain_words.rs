//! The words of the pages: what is out of the house style stands on none of them.

use trug::page::access::Rules;

use super::access::hash;
use crate::support::http::Served;
use crate::support::plain_words::words_out;
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

/// What a page says to people, without what the garden's file or a program reads.
fn words_of(html: &str) -> String {
    let (_, body) = html.split_once("<body").expect("a body");
    let mut words = String::new();
    for part in body.split('<').skip(1) {
        let Some((tag, text)) = part.split_once('>') else { continue };
        // A label that is heard only is read as well.
        for attribute in ["aria-label=\"", "data-label=\"", "title=\""] {
            if let Some((_, label)) = tag.split_once(attribute) {
                words += label.split('"').next().unwrap_or_default();
                words += ". ";
            }
        }
        let code =
            tag.starts_with("code") || tag.starts_with("script") || tag.starts_with("p class=\"source\"");
        words += if code { " " } else { text };
        words.push(' ');
    }
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn no_page_of_a_busy_school_says_a_word_that_is_out() {
    let mut view = views::busy();
    view.now = views::at("2026-04-17T05:30:00Z");
    let fixed = Fixed { now: view.now, ..Fixed::of(vec![view]) };
    let rules = Rules { password: Some(hash()), ..Rules::default() };
    let served = Served::ruled(fixed, rules, None);
    let mut found = Vec::new();
    for path in [
        "/",
        "/?hold=yes",
        "/enter",
        "/site/saltbush-gully/places",
        "/site/saltbush-gully/more",
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
        "/site/saltbush-gully/drawing",
        "/site/saltbush-gully/placing",
        "/site/saltbush-gully/probe?sensor=kitchen-15cm&dry=2900&wet=1450",
        "/site/saltbush-gully/probe?ring=100&r1=2900&w1=205&d1=200&r2=1400&w2=235&d2=200",
        "/site/saltbush-gully/soil-test?sand=52&silt=20&clay=8",
        "/site/saltbush-gully/new-sensor?topic=a",
        "/site/saltbush-gully/keys",
    ] {
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
