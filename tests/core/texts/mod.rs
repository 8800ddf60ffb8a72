//! Every text that people are told, on one page: `tests/texts/texts.md`. Each kind of
//! alarm is raised by readings, answered, and ended; the words of each state, and the
//! line that heads the message, are written down as the core and the notifier give them.
//!
//! The page is kept so that a change of words is seen as one, and so that somebody who
//! keeps fish or a garden can read it from end to end. `TEXTS=write` writes it.

mod advice;
mod air;
mod beds;
mod house_style;
mod jobs;
mod locales;
mod page;
mod school;
mod sensors;
mod story;
mod system;
mod tanks;

use std::collections::BTreeSet;
use std::path::Path;

use trug::alarms::Kind;
use trug::text::locale::Locale;

use advice::Shown;
use page::Page;

/// Beside the tests, so that it is read like any other file.
const PAGE: &str = "tests/texts/texts.md";
/// The same school where people read American English.
const PAGE_US: &str = "tests/texts/texts_en_us.md";

const OPENING: &str = "# What people are told\n\n\
    Made by `TEXTS=write cargo nextest run --test core texts`; a test fails where it differs from what the program \
    says. The school, its sensors and all numbers are invented. Each alarm is shown in the states that it can be in \
    (ISA-18.2 and IEC 62682 names), with the subject of the message and the source of its rule.\n";

/// Every text as the people of a locale are told it, and the kinds of alarm that were shown.
fn written(locale: Locale) -> (String, BTreeSet<Kind>) {
    school::read_as(locale);
    let mut page = Page::new(OPENING);
    page.heading(1, "Alarms");
    let mut shown = BTreeSet::new();
    let mut seen = Shown::default();
    let stories = [
        beds::stories(),
        tanks::stories(),
        air::stories(),
        sensors::stories(),
        jobs::stories(),
        system::stories(),
    ];
    for story in stories.into_iter().flatten() {
        shown.insert(story.kind);
        story.tell(&mut page, &mut seen);
    }
    advice::write(seen, &mut page);
    school::read_as(Locale::EnAu);
    (page.into_text(), shown)
}

/// Holds the kept page against what is made now, or writes it where that is asked for.
fn hold(kept_at: &str, made: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(kept_at);
    if std::env::var("TEXTS").is_ok_and(|it| it == "write") {
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("a folder that can be made");
        std::fs::write(&path, made).expect("a file that can be written");
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    let differs = made.lines().zip(kept.lines()).find(|(made, kept)| made != kept);
    assert!(
        made == kept,
        "{kept_at} is not what people are told now. First difference:\nnow:  {}\nkept: {}\nIf the new words are \
         right, write the page: TEXTS=write cargo nextest run --workspace --test core texts",
        differs.map_or("(one is longer)", |(made, _)| made),
        differs.map_or("(one is longer)", |(_, kept)| kept),
    );
}

#[test]
fn the_page_of_texts_is_what_people_are_told() {
    let (made, shown) = written(Locale::EnAu);
    let missing: Vec<&str> =
        Kind::ALL.iter().filter(|kind| !shown.contains(kind)).map(|kind| kind.name()).collect();
    assert!(missing.is_empty(), "kinds of alarm without a story in tests/core/texts: {missing:?}");
    hold(PAGE, &made);
}

#[test]
fn the_page_of_texts_in_american_english_is_what_people_are_told() {
    hold(PAGE_US, &written(Locale::EnUs).0);
}
