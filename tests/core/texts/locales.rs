//! Every text where people read British or American English: figures stand beside customary
//! units, no authority of Australia is named, and no word is spelled the Australian way.

use std::path::Path;

use trug::settings::from_text;
use trug::text::locale::Locale;

use crate::support::garden::GardenFile;
use crate::support::locale::{australian, bare_figures, spelled_otherwise, wrong_temperatures};

fn kept(page: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(page);
    std::fs::read_to_string(path).expect("the page of texts")
}

#[test]
fn american_texts_have_no_figure_without_its_pair() {
    let page = kept(super::PAGE_US);
    let mut found = Vec::new();
    for line in page.lines() {
        found.extend(bare_figures(line).into_iter().chain(wrong_temperatures(line)));
        found.extend(australian(line).into_iter().chain(spelled_otherwise(line)));
    }
    assert!(page.contains("°F") && page.contains("US gal") && page.contains(" in)"), "nothing was turned");
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn british_texts_name_no_authority_of_australia_and_are_otherwise_the_same() {
    let (british, _) = super::written(Locale::EnGb);
    let found: Vec<String> = british.lines().flat_map(australian).collect();
    assert!(found.is_empty(), "{}", found.join("\n"));
    let ours = kept(super::PAGE);
    assert_eq!(british.lines().count(), ours.lines().count());
    let changed = british.lines().zip(ours.lines()).filter(|(one, other)| one != other);
    for (theirs, ours) in changed {
        assert!(!australian(ours).is_empty(), "changed without need: {ours}\nto: {theirs}");
    }
}

#[test]
fn planted_faults_are_found() {
    for line in [
        "It is 30.3 °C.",
        "Give 580 L.",
        "mulch 100 mm deep",
        "at 15 cm",
        "Give 64 litres",
        "roots to 0.4 m.",
    ] {
        assert_eq!(bare_figures(line).len(), 1, "{line}");
    }
    assert!(bare_figures("30.3 °C (86.5 °F), 0.3 mg/L, (40 mm [1.6 in]), 15 minutes, 12 m³/m³").is_empty());
    for line in [
        "It is 30.0 °C (54.0 °F).",
        "It fell 2.0 °C (35.6 °F) within an hour.",
        "no faster than 2 °C (35.6 °F) an hour",
        "from 22.0 to 18.0 °C (71.6 to 65.0 °F)",
    ] {
        assert_eq!(wrong_temperatures(line).len(), 1, "{line}");
    }
    assert!(wrong_temperatures("It fell 2.0 °C (3.6 °F) to 30.0 °C (86.0 °F).").is_empty());
    assert_eq!(australian("by the Bureau of Meteorology").len(), 1);
    assert_eq!(spelled_otherwise("10 litres of grey water").len(), 2);
}

#[test]
fn a_garden_says_how_its_people_read_and_is_refused_with_what_is_accepted() {
    let read = |tag: &str| {
        let garden = GardenFile::new("creek").with(&format!("locale = \"{tag}\"\n"));
        let trug = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"trug.db\"\n";
        from_text(("trug.toml", trug), &[("creek.toml", garden.text())], std::iter::empty())
    };
    for locale in Locale::ALL {
        let settings = read(locale.tag()).unwrap_or_else(|faults| panic!("{faults}"));
        assert_eq!(settings.gardens[0].site.locale, locale);
    }
    for wrong in ["en-NZ", "en_US", "EN-US", "", "de"] {
        let faults = read(wrong).err().unwrap_or_else(|| panic!("{wrong:?} is taken"));
        let words = faults.to_string();
        assert_eq!(faults.as_slice()[0].key, "site.locale", "{words}");
        assert!(Locale::ALL.iter().all(|locale| words.contains(locale.tag())), "{words}");
    }
    let without = GardenFile::new("creek").garden();
    assert_eq!(without.site.locale, Locale::EnAu, "a garden that says nothing");
}
