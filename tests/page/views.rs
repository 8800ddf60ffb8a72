//! The page over real HTTP, with views made by hand.

use std::io::{Read, Write};
use std::time::{Duration, Instant};

use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed};
use trug::engine::daemon_health::HealthFault;

const PLACES: &str = "/site/saltbush-gully/places";

fn page_of(view: trug::garden::view::SiteView) -> String {
    page_at(view, "/")
}

fn sensors_of(view: trug::garden::view::SiteView) -> String {
    text_of(&page_at(view, "/site/saltbush-gully/sensors"))
}

fn alarms_of(view: trug::garden::view::SiteView) -> String {
    text_of(&page_at(view, "/site/saltbush-gully/alarms"))
}

fn page_at(view: trug::garden::view::SiteView, path: &str) -> String {
    let body = raw(view, path);
    assert_well_formed(&body);
    body
}

/// A page that may hold a form that only asks.
fn raw(view: trug::garden::view::SiteView, path: &str) -> String {
    let answer = Served::new(Fixed::of(vec![view]), None).get(path);
    assert_eq!(answer.status, 200, "{path}: {}", answer.body);
    answer.body
}

/// Text between tags, with runs of spaces made one.
fn text_of(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Elements close in the order in which they opened, every id is used once,
/// and nothing on the page runs, frames or fetches from elsewhere.
fn assert_well_formed(html: &str) {
    /// HTML Living Standard, void elements (those that a page like this can hold).
    const VOID: [&str; 6] = ["meta", "link", "img", "br", "hr", "input"];
    assert!(html.starts_with("<!DOCTYPE html>"), "{}", &html[..html.len().min(80)]);
    let mut open = Vec::new();
    for part in html.split('<').skip(2) {
        let tag = part.split_once('>').unwrap_or_else(|| panic!("no end of tag in {part:?}")).0;
        let name = tag.split(' ').next().unwrap_or_default().trim_end_matches('/');
        if let Some(closed) = name.strip_prefix('/') {
            assert_eq!(open.pop(), Some(closed), "closing </{closed}>");
        } else if !VOID.contains(&name) {
            open.push(name);
        }
        let own_script = tag.starts_with("script defer src=\"/script.js?v=");
        let foreign = ["script", "iframe", "style", "object", "form"].contains(&name) && !own_script;
        assert!(!foreign, "<{name}> on the page");
        // Names of attributes alone: a text may say "keep an eye on it".
        let names: String = tag.split('"').step_by(2).collect();
        assert!(!names.contains(" style=") && !names.contains(" on"), "<{tag}> on the page");
        assert!(!tag.contains("http:") && !tag.contains("https:"), "<{tag}> leads away");
    }
    assert!(open.is_empty(), "left open: {open:?}");
    let mut ids: Vec<_> = html.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count, "an id stands twice: {ids:?}");
}

#[test]
fn a_garden_not_heard_from_is_never_called_well() {
    let text = text_of(&page_of(views::unknown()));
    assert!(text.contains("Look for yourself Trug can't tell how 4 places are doing"), "{text}");
    assert!(!text.contains("All well") && !text.contains("no trouble"), "{text}");
    let text = text_of(&page_at(views::unknown(), PLACES));
    assert_eq!(text.matches("Not known").count(), 4, "{text}");
    assert_eq!(text.matches("now: not known").count(), 3, "{text}");
    assert!(sensors_of(views::unknown()).contains("no reading in the last month"));
}

#[test]
fn a_garden_without_places_is_never_called_well() {
    let mut view = views::unknown();
    (view.beds, view.tanks, view.rain) = (Vec::new(), Vec::new(), None);
    let text = text_of(&page_of(view));
    assert!(text.contains("Nothing is watched here yet"), "{text}");
}

#[test]
fn a_garden_that_is_well_says_so() {
    let text = text_of(&page_of(views::well()));
    assert!(
        text.contains("What to do today Friday 17 April 2026, 3 pm Nothing to do The sensors see no trouble"),
        "{text}"
    );
    assert_eq!(text.matches("All well").count(), 3, "{text}");
    assert!(alarms_of(views::well()).contains("No alarm is open."));
    let text = sensors_of(views::well());
    assert!(text.contains("All sensors send readings, and none is known to be wrong."), "{text}");
    assert!(
        text.contains(
            "Kitchen bed: Soil moisture kitchen-15cm 14.0 % by volume, 15 minutes ago ( today 2:45 pm )"
        ),
        "{text}"
    );
}

#[test]
fn a_silent_sensor_takes_the_plain_all_clear_away() {
    let mut view = views::well();
    view.sensors[0].silent = true;
    let text = text_of(&page_of(view.clone()));
    assert!(text.contains("1 sensor has no fresh reading. Sensors Feel the soil"), "{text}");
    assert!(text.contains("Sensors : 1 sensor has no fresh reading."), "{text}");
    let text = sensors_of(view);
    assert!(text.contains("Good No fresh reading"), "{text}");
    assert!(text.contains("Kitchen bed: Soil moisture. No fresh reading. Check its battery"), "{text}");
}

#[test]
fn a_sensors_battery_and_its_faults_stand_beside_it() {
    let mut view = views::well();
    view.sensors[0].battery = Some(3.9);
    let text = sensors_of(view.clone());
    assert!(text.contains("Good. Battery 3.9 V"), "{text}");
    view.sensors[0].battery = Some(3.31);
    view.sensors[0].battery_low = true;
    view.sensors[0].faulty = true;
    let text = sensors_of(view);
    assert!(text.contains("It reads wrong, so Trug ignores it for now. Check"), "{text}");
    assert!(text.contains("Good Reads wrong . Battery 3.31 V, change it below 3.4 V (low)"), "{text}");
}

/// One list: what is urgent and not answered, questions and jobs, then what somebody deals with.
#[test]
fn what_to_do_stands_in_order_of_urgency() {
    let mut view = views::busy();
    view.alarms.reverse();
    let text = text_of(&page_of(view.clone()));
    let order = [
        "Act now Perch tank : Water temperature changed too fast Perch tank fell 3.4 °C within an hour; its fish stand \
         2 °C. Stop the top-up and let it settle.",
        "Question Perch tank, water temperature: did somebody change or move it?",
        "Overdue Perch tank: Water test It was due on Wednesday 15 April",
        "Question Herb bed: Was the mulch laid?",
        "Question What watered Kitchen bed and Pea bed?",
        "Being dealt with Kitchen bed: Bed",
        "1 alarm is over and not answered",
        "Rain is expected",
        "The garden now",
    ];
    // Tags part words by spaces; compare without those before marks.
    let places: Vec<_> = order.iter().map(|part| place_loosely(&text, part)).collect();
    assert!(places.is_sorted(), "{places:?}: {text}");
    let text = alarms_of(view);
    for part in ["change hour -3.4 °C limit 2.0 °C", "Rule: FAO-56 eq. 82-83", "Over, not answered"] {
        assert!(text.contains(part), "{part:?} not in {text}");
    }
}

/// The first thing to do stands unfolded, with what to do first in bold; all else is folded.
#[test]
fn the_first_thing_to_do_is_open_and_the_others_are_folded() {
    let html = page_of(views::busy());
    let (_, first) = html.split_once("id=\"first-task\"").expect("a first task");
    let (first, rest) = first.split_once("</article>").expect("its end");
    assert!(first.contains(r#"<a href="/site/saltbush-gully/tank/perch-tank">Perch tank</a>"#), "{first}");
    assert!(first.contains(r#"<p class="act-first">Stop the top-up and let it settle.</p>"#), "{first}");
    assert!(!rest.contains("<details open"), "{rest}");
    let tank = raw(views::busy(), "/site/saltbush-gully/tank/perch-tank");
    let (before, _) = tank.split_once("class=\"chart\"").unwrap_or((&tank, ""));
    assert!(
        before.contains("id=\"first-task\"")
            && before.contains("<h2>Water temperature changed too fast</h2>"),
        "{tank}"
    );
    assert!(!before.contains("Kitchen bed"), "only what is to do there: {before}");
}

/// A text may hold cautions; they are set apart, and are no part of what to do.
#[test]
fn cautions_are_set_apart() {
    let mut view = views::busy();
    view.alarms[0].record.said.text =
        "Perch tank is too warm. Shade it. Open the lid. Take care: unplug the heater first.".into();
    for html in [page_of(view.clone()), page_at(view, "/site/saltbush-gully/alarms")] {
        assert!(html.contains(r#"<p class="caution">Take care: unplug the heater first.</p>"#), "{html}");
    }
}

/// What is no alarm yet is shown as waiting, with when people are told of it.
#[test]
fn what_waits_is_shown_as_waiting() {
    let mut view = views::busy();
    view.pending = vec![trug::garden::view::PendingAlarm {
        key: trug::alarms::AlarmKey {
            site: view.id.clone(),
            kind: trug::alarms::Kind::DryBed,
            place: trug::model::Id::new("pea-bed"),
        },
        place_name: "Pea bed".into(),
        priority: trug::alarms::Priority::Medium,
        since: views::at("2026-04-17T05:10:00Z"),
        due: views::at("2026-04-17T06:10:00Z"),
    }];
    for path in ["/", "/site/saltbush-gully/bed/pea-bed", "/site/saltbush-gully/alarms"] {
        let text = text_of(&raw(view.clone(), path));
        let (_, waiting) = text.split_once("Waiting ").unwrap_or_else(|| panic!("{path}: {text}"));
        let words =
            "Since 2:40 pm: Pea bed needs water. People are told at 7 am on Saturday 18 April if it stays.";
        assert!(waiting.contains(words), "{path}: {waiting}");
    }
    assert!(!raw(view, "/site/saltbush-gully/bed/herb-bed").contains("Waiting"));
}

/// The ways to the other pages: one row, where one is, how many alarms are open, and that the
/// title says so as well.
#[test]
fn every_page_has_the_ways_to_the_others() {
    let today = page_of(views::busy());
    assert!(today.contains("<title>(2) Today at Saltbush Gully Primary School</title>"), "{today}");
    assert!(today.contains(r#"<a href="/site/saltbush-gully" aria-current="page">Today</a>"#), "{today}");
    assert!(text_of(&today).contains("Today Places Class Alarms 2 open More"), "{today}");
    assert_eq!(
        text_of(&today).matches("Saltbush Gully Primary School").count(),
        2,
        "the title, and once on the page"
    );
    assert!(today.contains(r##"<a class="skip" href="#content">"##), "{today}");
    for (path, current) in [
        ("sensors", r#"<a href="/site/saltbush-gully/more" aria-current="true">More</a>"#),
        ("more", r#"aria-current="page">More</a>"#),
        ("places", r#"aria-current="page">Places</a>"#),
        ("tank/perch-tank", r#"aria-current="true">Places</a>"#),
        ("rain", r#"aria-current="true">Places</a>"#),
        ("month", r#"aria-current="page">Class</a>"#),
    ] {
        let page = raw(views::well(), &format!("/site/saltbush-gully/{path}"));
        assert!(page.contains(current), "{path}: {page}");
        let nav = page.split("</nav>").next().expect("a row");
        assert_eq!(nav.matches("aria-current").count(), 1, "{path}: {nav}");
        assert!(!page.contains("<title>("), "no alarm is open: {page}");
    }
    let more = page_at(views::busy(), "/site/saltbush-gully/more");
    for way in ["sensors", "jobs", "handover", "write", "log"] {
        assert!(more.contains(&format!(r#"href="/site/saltbush-gully/{way}""#)), "{way} not in {more}");
    }
    assert!(more.contains("href=\"/api/v1/openapi.json\""), "{more}");
    let places = page_at(views::busy(), PLACES);
    for way in ["bed/kitchen-bed", "tank/perch-tank", "rain"] {
        for page in [&today, &places] {
            assert!(page.contains(&format!(r#"href="/site/saltbush-gully/{way}""#)), "{way} not in {page}");
        }
    }
}

/// Trouble stands before what is well.
#[test]
fn places_in_trouble_come_first() {
    let mut view = views::busy();
    view.beds.reverse();
    for path in ["/", PLACES] {
        let html = page_at(view.clone(), path);
        let (_, list) = html.split_once("</figure>").expect("the drawing comes first");
        let at = |id: &str| list.find(&format!("/bed/{id}\"")).unwrap_or_else(|| panic!("{id} in {list}"));
        let order = ["kitchen-bed", "orchard-row", "pea-bed", "herb-bed"].map(at);
        assert!(order.is_sorted(), "{path}: {order:?}");
    }
}

/// Alarms and figures open onto the equation, its numbers, the source, the check.
#[test]
fn a_figure_can_be_asked_why() {
    let text = alarms_of(views::busy());
    let asked = "Why depletion 8.0 mm readily available 7.1 mm root-zone depletion Dr = 1000 (FC - theta) Zr 1000 x \
                 (0.150 - 0.094) x 0.50 m = 28.0 mm FAO-56 chapter 8; plain arithmetic.";
    assert!(text.contains(asked), "{text}");
}

fn place_loosely(text: &str, part: &str) -> usize {
    let loose = |text: &str| text.replace(" :", ":").replace(" .", ".");
    loose(text).find(&loose(part)).unwrap_or_else(|| panic!("{part:?} not in {text}"))
}

#[test]
fn every_condition_has_its_own_word_and_its_own_shape() {
    let html = page_at(views::busy(), PLACES);
    let mut shapes = std::collections::BTreeMap::new();
    for part in html.split(r#"<p class="condition">"#).skip(1) {
        let shape = part.split(" d=\"").nth(1).and_then(|d| d.split('"').next()).expect("a shape");
        let word = text_of(part.split("</p>").next().expect("an end"));
        shapes.insert(word, shape.to_owned());
    }
    let words: Vec<_> = shapes.keys().map(String::as_str).collect();
    assert_eq!(words, ["All well", "Keep an eye on it", "Needs doing", "Not known"]);
    let distinct: std::collections::BTreeSet<_> = shapes.values().collect();
    assert_eq!(distinct.len(), 4);
}

#[test]
fn the_drawing_says_in_words_what_it_shows() {
    let html = page_at(views::busy(), PLACES);
    for part in [
        r#"role="img" aria-labelledby="band-kitchen-bed-title band-kitchen-bed-description""#,
        "Water in the root zone, in percent of the soil's volume",
        "Now 9.4 %. Wilting point 6.0 %, refill point 10.9 %, field capacity 15.0 %.",
        "Now 18.0 °C. Too cold below 12.0 °C, too warm above 28.0 °C.",
    ] {
        assert!(html.contains(part), "{part:?} not in {html}");
    }
}

#[test]
fn texts_from_outside_stay_text() {
    let mut fixed = Fixed::of(vec![views::hostile()]);
    fixed.not_placed = vec![
        views::stray("a/<script>alert(1)</script>", b"<script>alert(2)</script>"),
        views::stray("b/\u{202E}evil", &[0xff, 0xfe, 0x00, b'1']),
        views::stray("c", &[b'x'; 4096]),
        views::stray("d", b""),
    ];
    let served = Served::new(fixed, Some("<script>notice</script>"));
    let today = served.get("/").body;
    let answer = served.get("/site/saltbush-gully/sensors");
    assert_eq!(answer.status, 200);
    let places = served.get(PLACES).body;
    for page in [&today, &places, &answer.body] {
        assert_well_formed(page);
        assert!(!page.contains("<script>") && !page.contains("<img"), "{page}");
        for number in ["NaN", "inf"] {
            assert!(!text_of(page).contains(number), "{number} is shown: {page}");
        }
    }
    assert!(answer.body.contains("&lt;script&gt;alert(2)&lt;/script&gt;"), "{}", answer.body);
    assert!(!answer.body.contains(&"x".repeat(121)), "a payload is shown uncut");
    assert!(text_of(&answer.body).contains("(empty)"));
}

#[test]
fn several_gardens_are_listed_and_each_has_its_page() {
    let mut other = views::well();
    other.id = trug::model::Id::new("second-garden");
    other.name = "Second garden".into();
    let mut fixed = Fixed::of(vec![views::busy(), other]);
    fixed.not_placed = vec![
        views::stray("saltbush-gully/new-probe", b"17"),
        views::stray("second-garden/new-probe", b"18"),
        views::stray("saltbush-gully-east/x", b"19"),
    ];
    let served = Served::new(fixed, None);
    let list = served.get("/").body;
    assert_well_formed(&list);
    assert!(list.contains(r#"<a href="/site/second-garden">Second garden</a>"#), "{list}");
    assert!(list.contains("saltbush-gully-east/x"), "{list}");
    assert!(text_of(&list).contains("Friday 17 April 2026, 5:20 am"), "{list}");
    let page = served.get("/site/saltbush-gully/sensors");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("saltbush-gully/new-probe"));
    assert!(!page.body.contains("second-garden/") && !page.body.contains("gully-east"), "{}", page.body);
}

#[test]
fn no_garden_at_all_is_said() {
    let answer = Served::new(Fixed::default(), None).get("/");
    assert_eq!(answer.status, 200);
    assert!(answer.body.contains("There is no garden"), "{}", answer.body);
}

#[test]
fn the_page_renews_itself_unless_held() {
    let served = Served::new(Fixed::of(vec![views::well()]), Some("Demonstration: an invented school"));
    let renewing = served.get("/").body;
    assert!(renewing.contains(r#"<meta http-equiv="refresh" content="60">"#), "{renewing}");
    assert!(renewing.contains("Demonstration: an invented school"));
    let held = served.get("/?hold=yes").body;
    assert!(!held.contains("http-equiv"), "{held}");
    assert!(renewing.contains("data-live") && !held.contains("data-live"), "the script holds it still too");
    assert!(held.contains("Updates are paused."), "{held}");
    assert!(served.get("/site/saltbush-gully").body.contains(r#"href="/site/saltbush-gully?hold=yes""#));
}

/// RFC 9110, sections 8.8.3 and 13.1.2: a page that did not change is not sent again.
#[test]
fn an_unchanged_page_is_not_sent_again() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let tag = served.get("/").header("etag").expect("a tag").to_owned();
    let again = |tag: &str| {
        let head = "Host: localhost\r\nConnection: close";
        served.ask(&format!("GET / HTTP/1.1\r\n{head}\r\nIf-None-Match: {tag}\r\n\r\n"))
    };
    let same = again(&tag);
    assert_eq!((same.status, same.body.as_str()), (304, ""));
    assert_eq!(same.header("etag"), Some(tag.as_str()));
    assert_eq!(again("\"other\"").status, 200);
}

/// What a page loads may be kept under its versioned address, and its name changes
/// with what is in it.
#[test]
fn style_and_script_are_kept_under_their_version() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let page = served.get("/").body;
    for name in ["/style.css?v=", "/script.js?v="] {
        let start = page.find(name).unwrap_or_else(|| panic!("{name} not in {page}"));
        let address = page[start..].split('"').next().expect("an end");
        assert_eq!(served.get(address).header("cache-control"), Some("public, max-age=31536000, immutable"));
        assert_eq!(served.get(&format!("{name}other")).header("cache-control"), Some("max-age=300"));
    }
    let worker = served.get("/offline.js");
    assert_eq!(worker.header("cache-control"), Some("no-cache"));
    assert_eq!(worker.header("content-type"), Some("text/javascript; charset=utf-8"));
    assert!(!worker.body.contains("_OF_TRUG"), "a name was not replaced");
}

#[test]
fn wrong_requests_get_a_plain_page_and_the_right_status() {
    let served = Served::new(Fixed::of(vec![views::well()]), Some("the notice"));
    let long = "x".repeat(300);
    let get = |path: &str| served.get(path);
    let post = |path: &str| {
        served.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: 3\r\n\r\na=b"
        ))
    };
    let cases: [(Answer, u16, &str); 11] = [
        (get("/nothing"), 404, "There is no such page"),
        (get("/site/"), 404, "There is no such page"),
        (get("/site/unknown"), 404, "There is no such page"),
        (get("/site/UPPER"), 404, "There is no such page"),
        (get("/site/%ff%00"), 404, "There is no such page"),
        (get("/site/..%2f..%2fetc"), 404, "There is no such page"),
        (get("/../../etc/passwd"), 404, "There is no such page"),
        (get(&format!("/site/{long}")), 414, "That address is too long"),
        (get(&format!("/?{long}")), 414, "That address is too long"),
        (post("/"), 405, "only for reading"),
        (post("/nothing"), 405, "only for reading"),
    ];
    for (answer, status, words) in cases {
        assert_eq!(answer.status, status, "{words}");
        assert!(answer.body.contains(words), "{status}: {}", answer.body);
        assert!(answer.body.contains("the notice"), "{status}: {}", answer.body);
        assert_well_formed(&answer.body);
        assert_safe(&answer);
        if status == 405 {
            assert_eq!(answer.header("allow"), Some("GET, HEAD"));
        }
    }
}

fn assert_safe(answer: &Answer) {
    let policy = answer.header("content-security-policy").unwrap_or_default();
    for rule in ["default-src 'none'", "style-src 'self'", "img-src 'self' data:", "frame-ancestors 'none'"] {
        assert!(policy.contains(rule), "{rule} not in {policy:?}");
    }
    assert!(!policy.contains("unsafe"), "{policy}");
    assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
    assert_eq!(answer.header("referrer-policy"), Some("same-origin"));
}

#[test]
fn every_answer_carries_the_headers() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    for (path, kind, cache) in [
        ("/", "text/html; charset=utf-8", "no-store"),
        ("/site/saltbush-gully", "text/html; charset=utf-8", "no-store"),
        ("/style.css", "text/css; charset=utf-8", "max-age=300"),
        ("/health", "text/plain; charset=utf-8", "no-store"),
    ] {
        let answer = served.get(path);
        assert_eq!(answer.status, 200, "{path}");
        assert_eq!(answer.header("content-type"), Some(kind), "{path}");
        assert_eq!(answer.header("cache-control"), Some(cache), "{path}");
        assert_safe(&answer);
    }
    let head = served.ask("HEAD / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n");
    assert_eq!((head.status, head.body.as_str()), (200, ""));
}

#[test]
fn figures_come_in_the_format_that_is_asked_for() {
    let metrics = Served::new(Fixed::default(), None);
    let asked = |accept: &str| {
        metrics.ask(&format!("GET /metrics HTTP/1.1\r\nHost: localhost\r\n{accept}Connection: close\r\n\r\n"))
    };
    let open = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    let answer = asked(&format!("Accept: {open}\r\n"));
    assert_eq!((answer.status, answer.header("content-type")), (200, Some(open)), "{}", answer.body);
    assert!(answer.body.ends_with("# EOF\n") && answer.body.contains("trug_readings_stored_total 0\n"));
    assert_eq!(asked("").header("content-type"), Some("text/plain; version=0.0.4; charset=utf-8"));
}

#[test]
fn health_tells_programs_what_is_wrong() {
    let healthy = Served::new(Fixed::default(), None).get("/health");
    assert_eq!((healthy.status, healthy.body.as_str()), (200, "ok\n"));
    let faults = ["the broker is not there", "the disk is full"].map(HealthFault::of_all).to_vec();
    let ill = Served::new(Fixed { faults, ..Fixed::default() }, None).get("/health");
    assert_eq!(ill.status, 503);
    assert_eq!(ill.body, "the broker is not there\nthe disk is full\n");
}

#[test]
fn a_garden_that_cannot_be_asked_is_a_503_that_says_so() {
    let fixed = Fixed { unavailable: true, ..Fixed::of(vec![views::well()]) };
    let answer = Served::new(fixed, None).get("/");
    assert_eq!(answer.status, 503);
    assert_eq!(answer.header("retry-after"), Some("60"));
    assert!(answer.body.contains("Trug cannot show the garden just now"), "{}", answer.body);
    assert!(!answer.body.contains("planted"), "the fault's inside is shown");
    assert_safe(&answer);
}

#[test]
fn a_panic_is_a_500_and_the_next_request_is_answered() {
    let served = Served::new(Fixed { panics: true, ..Fixed::default() }, None);
    for _ in 0..2 {
        let answer = served.get("/");
        assert_eq!(answer.status, 500);
        assert!(answer.body.contains("Something went wrong"), "{}", answer.body);
        assert!(!answer.body.contains("planted"), "the fault's inside is shown");
        assert_safe(&answer);
    }
    assert_eq!(served.get("/health").status, 200);
}

#[test]
fn nonsense_on_the_wire_disturbs_nobody() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let long_head = format!("GET / HTTP/1.1\r\nHost: localhost\r\nX: {}\r\n\r\n", "y".repeat(64 * 1024));
    for bytes in ["\0\0\0\0\r\n\r\n", "GET\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", &long_head] {
        let mut stream = served.connect();
        // The page may hang up before it has read everything.
        let _ = stream.write_all(bytes.as_bytes());
        drop(stream);
        assert_eq!(served.get("/").status, 200, "after {:?}", &bytes[..bytes.len().min(20)]);
    }
}

#[test]
fn stopping_ends_open_connections_in_time() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    assert_eq!(served.get("/").status, 200);
    let _idle = served.connect();
    let mut half = served.connect();
    half.write_all(b"GET / HTTP/1.1\r\nHo").expect("it can be sent");
    let port = served.port();
    let began = Instant::now();
    served.stop().expect("a clean end");
    assert!(began.elapsed() < Duration::from_secs(10), "{:?}", began.elapsed());
    assert!(std::net::TcpStream::connect(("127.0.0.1", port)).is_err(), "it still listens");
}

#[test]
fn more_callers_than_places_wait_and_are_answered() {
    let served = Served::new(Fixed::of(vec![views::well()]), None);
    let mut held: Vec<_> = (0..trug::page::CONNECTIONS_MAX).map(|_| served.connect()).collect();
    // Every place is taken by a caller that has sent nothing: one more connects
    // (into the system's queue) and is answered as soon as a place is free.
    let mut late = served.connect();
    late.write_all(b"GET /health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        .expect("it can be sent");
    late.set_read_timeout(Some(Duration::from_millis(200))).expect("a timeout above zero");
    assert!(late.read(&mut [0]).is_err(), "answered although every place was taken");
    late.set_read_timeout(Some(Duration::from_secs(20))).expect("a timeout above zero");
    drop(held.split_off(held.len() / 2));
    assert_eq!(Answer::read(&mut late).status, 200);
}

#[test]
fn how_the_alarms_do_stands_beside_the_targets() {
    use trug::alarms::figures::{Figures, History, Period};
    use trug::page::figures::{GroupFigures, SiteFigures};
    let view = views::well();
    let period = Period { from: views::at("2026-03-18T05:30:00Z"), to: views::at("2026-04-17T05:30:00Z") };
    let none = Figures::of(&History::default(), None, period, &view.time_zone, |key| key.kind.priority());
    let group = |figures| GroupFigures { who: "grounds".into(), figures, messages: 30, messages_most: 3 };
    let of = |all: Option<Figures>| {
        let groups = all.iter().cloned().map(group).collect();
        let figures = SiteFigures { site: view.id.clone(), all, groups, cut: false };
        let fixed = Fixed { figures: Some(figures), ..Fixed::of(vec![view.clone()]) };
        let answer = Served::new(fixed, None).get("/site/saltbush-gully/alarms");
        assert_well_formed(&answer.body);
        text_of(&answer.body)
    };
    let text = of(Some(none));
    for part in [
        "for whoever runs Trug From Wednesday 18 March 2026, 4 pm to Friday 17 April 2026, 3 pm.",
        "Alarms raised 0, which is 0 a day and 0 an hour about 6 an hour for one person, 12 at most: within",
        "Alarms raised 3 times or more in a minute none none*: within",
        "Until somebody answered none was answered; none waits It gives none.",
        "30 messages, 1.0 a day, 3 on the day with the most (within the aim of fewer than 2 a day)",
    ] {
        assert!(text.contains(part), "{part:?} not in {text}");
    }
    assert!(of(None).contains("for whoever runs Trug No reading is stored yet"), "{}", of(None));
}
