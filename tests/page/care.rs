//! Cautions stand where work is told, and every way to them arrives.

use std::collections::BTreeSet;

use trug::page::access::Rules;

use super::access::hash;
use crate::support::http::Served;
use crate::support::views::{self, Fixed};

const SITE: &str = "/site/saltbush-gully";

/// Addresses on the page of cautions that a page leads to.
fn ways(page: &str) -> BTreeSet<String> {
    let link = format!("href=\"{SITE}/care#");
    page.split(&link).skip(1).filter_map(|rest| rest.split('"').next()).map(str::to_owned).collect()
}

#[test]
fn each_page_that_tells_work_leads_to_its_cautions() {
    let mut view = views::busy();
    view.now = views::at("2026-04-17T05:30:00Z");
    let served = Served::new(Fixed { now: view.now, ..Fixed::of(vec![view]) }, None);
    let care = served.get(&format!("{SITE}/care"));
    assert_eq!(care.status, 200);
    for (path, subjects) in [
        ("/bed/kitchen-bed", &["watering-rules", "food", "soil", "chemicals", "lifting"][..]),
        ("/tank/perch-tank", &["fish", "electricity", "small-children", "chemicals", "lifting", "food"][..]),
        ("/rain", &["climbing"]),
        ("/places", &["soil", "watering-rules", "fish", "electricity", "small-children"]),
        ("/alarms", &["fish", "electricity"]),
        ("", &["fish", "electricity"]),
    ] {
        let page = served.get(&format!("{SITE}{path}")).body;
        let found = ways(&page);
        for subject in subjects {
            assert!(found.contains(*subject), "{path} does not lead to {subject}: {found:?}");
        }
        for subject in found {
            assert!(
                care.body.contains(&format!("id=\"{subject}\"")),
                "{path} leads to {subject}, which is not there"
            );
        }
        assert!(page.contains(&format!("href=\"{SITE}/care\"")), "{path} does not lead to all cautions");
    }
    assert!(served.get(&format!("{SITE}/more")).body.contains(&format!("href=\"{SITE}/care\"")));
}

/// What the form of an entry says before anybody begins.
#[test]
fn entries_of_work_that_can_hurt_say_how_nobody_is_hurt() {
    let mut view = views::busy();
    view.now = views::at("2026-04-17T05:30:00Z");
    let rules = Rules { password: Some(hash()), ..Rules::default() };
    let served = Served::ruled(Fixed { now: view.now, ..Fixed::of(vec![view]) }, rules, None);
    for (kind, words) in [
        ("mulch", "Legionella"),
        ("compost", "Legionella"),
        ("worm-castings", "worm liquid"),
        ("wetting-agent", "An adult handles it"),
        ("ethanol-drop", "away from flames"),
        ("watered", "water supplier and council"),
        ("harvest", "drinking water"),
        ("water-test", "skin and eyes"),
        ("carbonate-hardness", "small steps"),
        ("bag", "lift heavy bags"),
        ("fish-added", "creek or dam"),
        ("tank-cleaning", "Unplug pump and heater"),
        ("water-change", "Unplug pump and heater"),
        ("filter-cleaned", "Unplug the pump"),
        ("probe", "pipes and cables"),
        ("sensor-cleaned", "ladders"),
        ("battery", "deadly when swallowed"),
        ("pests", "never near a fish tank"),
        ("fish-lost", "gloves"),
    ] {
        let form = served.get(&format!("{SITE}/write?kind={kind}")).body;
        let care = form.split("<p class=\"caution\">").skip(1).any(|it| {
            it.split("</p>").next().is_some_and(|caution| caution.replace("&#39;", "'").contains(words))
        });
        assert!(care, "{kind}: no caution with {words:?}");
    }
}
