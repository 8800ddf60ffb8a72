//! The page on which the places of the garden's drawing are moved.

use std::fs;
use std::sync::Arc;

use trug::page::RecordReader;
use trug::page::access::Rules;
use trug::settings::load;
use trug::store::{Reader, Store};

use super::access::{PASSWORD, hash};
use crate::support::browser::{Browser, PHONE};
use crate::support::garden::{SHIPPED, SHIPPED_TRUG};
use crate::support::http::Served;
use crate::support::views::{self, Fixed};

const DRAWING: &str = "/site/saltbush-gully/drawing";

#[test]
fn the_page_writes_the_lines_of_the_garden_s_file() {
    let served = Served::new(Fixed::of(vec![views::busy()]), None);
    let page = served.get(DRAWING).body;
    // As the garden's own file has it.
    let line = "# [[bed]], id = &quot;kitchen-bed&quot;\nplan = { x = 0.8, y = 0.8, w = 4, h = 1.8 }\n";
    assert!(page.contains(line), "{page}");
    let moved = served.get(&format!("{DRAWING}?b0x=6.3&b0w=2,5&b1y=oops"));
    assert_eq!(moved.status, 200);
    assert!(moved.body.contains("plan = { x = 6.3, y = 0.8, w = 2.5, h = 1.8 }"), "{}", moved.body);
    assert!(moved.body.contains("Pea bed, from the top: oops is not a number"), "{}", moved.body);
    assert!(moved.body.contains("Pea bed lies over Kitchen bed."), "{}", moved.body);
    // The line is one that the settings take.
    let plan = "plan = { x = 6.3, y = 0.8, w = 2.5, h = 1.8 }";
    let read: toml::Table = plan.parse().expect("TOML");
    assert_eq!(read["plan"]["w"].as_float(), Some(2.5));
    let evil = served.get(&format!("{DRAWING}?b0x=%3Cscript%3E")).body;
    assert!(!evil.contains("<script>"), "{evil}");
}

/// With the keyboard alone, and by a pointer.
#[test]
fn a_bed_is_moved_and_sized_by_keys_and_pointer() {
    let browser = Browser::start();
    browser.size(PHONE);
    let served = Served::new(Fixed::of(vec![views::busy()]), None);
    browser.open(&served.url(DRAWING));
    browser.accessible("the page that moves places");
    assert_eq!(browser.overflow(), 0, "nothing is cut off");
    browser.run("document.querySelector('[data-key=b0]').focus(); return 1;");
    // Right three times, down once (WebDriver, section 17.4.2).
    browser.press("\u{E014}\u{E014}\u{E014}\u{E015}");
    let lines = browser.text("#lines");
    assert!(lines.contains("plan = { x = 1.1, y = 0.9, w = 4, h = 1.8 }"), "{lines}");
    assert!(browser.focused().starts_with("Kitchen bed: 1.1 m from the left"), "{}", browser.focused());
    let drag = "const g = document.querySelector('[data-key=b0]'), grip = g.querySelector('.grip'); \
                const m = document.querySelector('svg.mover').getScreenCTM(); \
                const b = grip.getBoundingClientRect(); \
                const send = (type, x, y, on) => on.dispatchEvent(new PointerEvent(type, { bubbles: true, clientX: x, clientY: y })); \
                send('pointerdown', b.left, b.top, grip); send('pointermove', b.left + m.a, b.top - m.d / 2, g); \
                send('pointerup', b.left + m.a, b.top, g); return 1;";
    browser.run(drag);
    let lines = browser.text("#lines");
    assert!(lines.contains("plan = { x = 1.1, y = 0.9, w = 5, h = 1.3 }"), "{lines}");
    assert_eq!(browser.run("return document.querySelector('[name=b0w]').value;"), "5");
    let faults = browser.faults();
    assert!(faults.is_empty(), "{faults:?}");
}

/// With the password the file itself is written: one value in it, and only while nobody else
/// has changed it.
#[test]
fn with_the_password_the_garden_s_file_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let (config, file) = (folder.path().join("trug.toml"), folder.path().join("gardens/saltbush-gully.toml"));
    fs::create_dir(folder.path().join("gardens")).expect("a folder");
    fs::write(&config, SHIPPED_TRUG).expect("a file");
    fs::write(&file, SHIPPED).expect("a file");
    let settings = load(&config, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}"));
    let path = folder.path().join("trug.db");
    drop(Store::open(&path, &settings.gardens).expect("a new store"));
    let reader = Reader::open(&path).expect("the store can be read");
    let gardens: Vec<_> = settings.gardens.into_iter().map(Arc::new).collect();
    let record = RecordReader::new(reader, gardens.into());
    let rules = Rules { password: Some(hash()), ..Rules::default() };
    let views = Fixed::of(vec![views::busy()]);
    let served = Served::over_files(views, record, rules, None, settings.garden_files);

    let page = served.get(DRAWING).body;
    assert!(
        page.contains("Save in the garden's file") && page.contains("value=\"b0 0.8 0.8 4 1.8;b1 "),
        "{page}"
    );
    // Without the password nothing is written, and what was sent is kept.
    let asked = served.post(DRAWING, "plan=b0+1+0.9+4+1.8");
    assert_eq!(asked.status, 403);
    assert!(
        asked.body.contains("value=\"b0 1 0.9 4 1.8\"") && asked.body.contains("type=\"password\""),
        "{}",
        asked.body
    );
    assert_eq!(fs::read_to_string(&file).expect("the file"), SHIPPED);

    let password: String = url::form_urlencoded::byte_serialize(PASSWORD.as_bytes()).collect();
    let save = |plan: &str| served.post(DRAWING, &format!("password={password}&plan={plan}"));
    let saved = save("b0+1+0.9+4+1.8");
    assert_eq!((saved.status, saved.header("location")), (303, Some(DRAWING)), "{}", saved.body);
    let now = fs::read_to_string(&file).expect("the file");
    let expected =
        SHIPPED.replacen("{ x = 0.8, y = 0.8, w = 4.0, h = 1.8 }", "{ x = 1, y = 0.9, w = 4, h = 1.8 }", 1);
    assert!(now == expected, "one value of the file changes, and no other byte");
    // The page shows what the file has.
    let page = served.get(DRAWING).body;
    assert!(page.contains("value=\"b0 1 0.9 4 1.8;b1 "), "{page}");

    for (plan, words) in [
        ("b0+5.7+0.9+4+1.8", "The check of the garden's file would refuse this"),
        ("b0+x", "These are no numbers of places."),
        ("b77+1+1+1+1", "These are no numbers of places."),
    ] {
        let refused = save(plan);
        assert_eq!(refused.status, 422, "{plan}");
        assert!(refused.body.contains(words), "{plan}: {}", refused.body);
        assert_eq!(fs::read_to_string(&file).expect("the file"), now);
    }
    fs::write(&file, format!("{now}# by hand\n")).expect("a file");
    let refused = save("b0+1.1+0.9+4+1.8");
    assert_eq!(refused.status, 422);
    assert!(refused.body.contains("Somebody changed the garden's file"), "{}", refused.body);
    assert!(fs::read_to_string(&file).expect("the file").ends_with("# by hand\n"));
}
