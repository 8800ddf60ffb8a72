//! The page on which the places of the garden's drawing are moved.

use crate::support::browser::{Browser, PHONE};
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
