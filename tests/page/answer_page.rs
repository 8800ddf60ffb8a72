//! The page on which alarms are answered, over real HTTP, with views made by hand.

use std::io::Write;

use crate::support::http::{Answer, Served};
use crate::support::views::{self, Fixed, at};
use jiff::SignedDuration;
use trug::alarms::{AlarmKey, Answered};
use trug::alarms::{Kind, State};
use trug::answering::{Claim, Links};
use trug::garden::view::SiteView;
use trug::model::Id;
use trug::page::AlarmStep;

pub(super) const SHOCK: (Kind, &str) = (Kind::TankTemperatureShock, "perch-tank");

fn links() -> Links {
    Links::new("http://127.0.0.1", b"thirty-two bytes of a test's own", 72)
}

fn key((kind, place): (Kind, &str)) -> AlarmKey {
    AlarmKey { site: Id::new("saltbush-gully"), kind, place: Id::new(place) }
}

fn now() -> jiff::Timestamp {
    at("2026-04-17T05:30:00Z")
}

/// The link's token for the alarm as it stands in the view, or for the time given.
pub(super) fn token(alarm: (Kind, &str), since: Option<&str>) -> String {
    let view = views::busy();
    let standing =
        view.alarms.iter().find(|a| a.record.key.kind == alarm.0 && a.record.key.place.as_str() == alarm.1);
    let since = since.map(at).or(standing.map(|alarm| alarm.record.since)).expect("an alarm of the view");
    links().token(&key(alarm), since, "grounds", now())
}

pub(super) fn fixed(view: SiteView) -> Fixed {
    Fixed { links: Some(links()), now: now(), outcome: Some(Answered::Done), ..Fixed::of(vec![view]) }
}

fn with_state(state: State) -> SiteView {
    let mut view = views::busy();
    for alarm in view.alarms.iter_mut().filter(|alarm| alarm.record.key.kind == SHOCK.0) {
        alarm.record.state = state;
    }
    view
}

fn get(served: &Served, token: &str) -> Answer {
    served.get(&format!("/answer?t={token}"))
}

/// The one script that a page may have.
const OWN_SCRIPT: &str = "<script defer src=\"/script.js?v=";

fn assert_headers(answer: &Answer) {
    for (name, value) in [
        ("cache-control", "no-store"),
        ("referrer-policy", "no-referrer"),
        ("x-robots-tag", "noindex, nofollow"),
        ("x-content-type-options", "nosniff"),
    ] {
        assert_eq!(answer.header(name), Some(value), "{name}");
    }
    let policy = answer.header("content-security-policy").unwrap_or_default();
    for rule in ["default-src 'none'", "form-action 'self'", "frame-ancestors 'none'"] {
        assert!(policy.contains(rule), "{policy}");
    }
    assert_eq!(answer.body.matches("<script").count(), answer.body.matches(OWN_SCRIPT).count());
    for bad in ["<script>", "http-equiv", " onclick", "planted"] {
        assert!(!answer.body.contains(bad), "{bad} in {}", answer.body);
    }
}

#[test]
fn opening_a_link_shows_the_alarm_and_changes_nothing() {
    let fixed = fixed(views::busy());
    let given = fixed.given.clone();
    let served = Served::new(fixed, Some("A demonstration."));
    let token = token(SHOCK, None);
    let page = get(&served, &token);
    assert_eq!(page.status, 200, "{}", page.body);
    assert_headers(&page);
    for text in [
        "Perch tank: Water temperature changed too fast",
        "Saltbush Gully Primary School",
        "A demonstration.",
        "Act now",
        "today 2:35 pm",
        "Still happening, not answered.",
        "Perch tank fell 3.4",
        r#"<form class="answer" method="post" action="/answer">"#,
        "I'll deal with this",
        "Enter no child's name",
        "Change a tank's water a little at a time",
        "The rules of your school and council come first",
    ] {
        assert!(page.body.contains(text), "{text:?} not in {}", page.body);
    }
    assert!(page.body.contains(&format!(r#"<input type="hidden" name="t" value="{token}">"#)));
    let head =
        served.ask(&format!("HEAD /answer?t={token} HTTP/1.1\r\nHost: g\r\nConnection: close\r\n\r\n"));
    assert_eq!((head.status, head.body.as_str()), (200, ""));
    assert_eq!(*given.lock().unwrap(), [], "a mail scanner's fetch has answered");
}

#[test]
fn the_button_takes_the_alarm_on() {
    let fixed = fixed(with_state(State::Acknowledged));
    let given = fixed.given.clone();
    let served = Served::new(fixed, None);
    let token = token(SHOCK, None);
    let page = served.post("/answer", &format!("t={token}&note=I+am+on+my%0D%0Away+%C3%A4"));
    assert_eq!(page.status, 200, "{}", page.body);
    assert_headers(&page);
    assert!(page.body.contains("<h1>Thank you</h1>") && !page.body.contains("<form"), "{}", page.body);
    let claim = Claim {
        key: key(SHOCK),
        since: at("2026-04-17T05:05:00Z"),
        who: "grounds".into(),
        rehearsal: false,
        expires: now() + SignedDuration::from_hours(72),
    };
    assert_eq!(*given.lock().unwrap(), [(claim, Some("I am on my  way ä".to_owned()))]);
}

/// Each way in which an alarm can stand, opened and answered: status, heading.
#[test]
fn the_page_says_how_the_alarm_stands() {
    let step = |when, to, how: Option<&str>| AlarmStep { at: at(when), to, how: how.map(str::to_owned) };
    let began = step("2026-04-17T05:05:00Z", State::Unacknowledged, None);
    let seen = step("2026-04-17T05:10:00Z", State::Acknowledged, Some("mqtt"));
    let over = step("2026-04-17T05:20:00Z", State::Normal, None);
    let mut none = views::busy();
    none.alarms.clear();
    type Case = (SiteView, Vec<AlarmStep>, Option<&'static str>, Answered, u16, &'static [&'static str]);
    let cases: [Case; 7] = [
        (
            with_state(State::Acknowledged),
            vec![began.clone(), seen.clone()],
            None,
            Answered::NotWaiting,
            200,
            &["Somebody is dealing with it", "answered already, ", "today 2:40 pm", "by MQTT"],
        ),
        (
            with_state(State::LatchedAcknowledged),
            vec![],
            None,
            Answered::NotWaiting,
            200,
            &["Somebody is dealing with it", "answered already. "],
        ),
        (
            with_state(State::Shelved),
            vec![began.clone()],
            None,
            Answered::NotWaiting,
            200,
            &["It is paused", "is paused and needs no answer now"],
        ),
        (
            none.clone(),
            vec![began.clone(), seen, over.clone()],
            None,
            Answered::Over,
            410,
            &["It is over", "Perch tank: Water temperature", "today 2:50 pm", "answered, ", "by MQTT"],
        ),
        (none.clone(), vec![began, over], None, Answered::Over, 410, &["It is over", "today 2:50 pm"]),
        (none, vec![], None, Answered::NoSuchAlarm, 410, &["It is over"]),
        (
            views::busy(),
            vec![],
            Some("2026-04-16T05:05:00Z"),
            Answered::OtherOccurrence,
            409,
            &["It has come again", "about an earlier time", "Perch tank fell 3.4"],
        ),
    ];
    for (view, steps, since, outcome, status, words) in cases {
        let token = token(SHOCK, since);
        let served = Served::new(Fixed { steps, outcome: Some(outcome), ..fixed(view) }, None);
        for page in [get(&served, &token), served.post("/answer", &format!("t={token}"))] {
            assert_eq!(page.status, status, "{words:?}: {}", page.body);
            assert_headers(&page);
            let text = page.body.replace("<strong>", "").replace("</strong>", "");
            for word in words {
                assert!(text.contains(word), "{word:?} not in {text}");
            }
            assert!(!page.body.contains("<form"), "nothing is left to answer: {}", page.body);
        }
    }
}

#[test]
fn what_has_passed_unseen_can_be_marked_as_seen() {
    for state in [State::ReturnedUnacknowledged, State::LatchedUnacknowledged] {
        let page = get(&Served::new(fixed(with_state(state)), None), &token(SHOCK, None));
        assert_eq!(page.status, 200);
        assert!(page.body.contains("I have seen this"), "{}", page.body);
    }
}

#[test]
fn a_wrong_link_is_told_so() {
    let fixed = fixed(views::busy());
    let given = fixed.given.clone();
    let served = Served::new(fixed, None);
    let good = token(SHOCK, None);
    let old = links().token(&key(SHOCK), now(), "grounds", now() - SignedDuration::from_hours(72));
    let mut altered = good.clone().into_bytes();
    altered[20] = if altered[20] == b'A' { b'B' } else { b'A' };
    let altered = String::from_utf8(altered).expect("ASCII");
    let forged = Links::new("http://127.0.0.1", b"another thirty-two bytes of text", 72).token(
        &key(SHOCK),
        now(),
        "grounds",
        now(),
    );
    for (token, status, words) in [
        (altered.as_str(), 403, "not one of ours"),
        (forged.as_str(), 403, "not one of ours"),
        (old.as_str(), 410, "has expired"),
        ("", 400, "not a whole link"),
        (&good[..40], 400, "not a whole link"),
        ("%00%ff.%3Cscript%3E", 400, "not a whole link"),
    ] {
        for page in [get(&served, token), served.post("/answer", &format!("t={token}"))] {
            assert_eq!(page.status, status, "{token}: {}", page.body);
            assert!(page.body.contains(words), "{token}: {}", page.body);
            assert_headers(&page);
        }
    }
    for path in ["/answer", "/answer?x=1"] {
        assert_eq!(served.get(path).status, 400, "{path}");
    }
    assert_eq!(*given.lock().unwrap(), []);
}

#[test]
fn after_many_wrong_links_only_right_ones_are_answered() {
    let served = Served::new(fixed(views::busy()), None);
    let statuses: Vec<u16> = (0..40).map(|_| get(&served, "a.b").status).collect();
    assert_eq!(statuses[..30], [403; 30]);
    assert_eq!(statuses[30..], [429; 10]);
    let refused = get(&served, "a.b");
    assert_eq!(refused.header("retry-after"), Some("60"));
    assert!(refused.body.contains("Too many wrong links"), "{}", refused.body);
    assert_eq!(get(&served, &token(SHOCK, None)).status, 200);
}

#[test]
fn what_is_no_form_is_refused() {
    let fixed = fixed(views::busy());
    let given = fixed.given.clone();
    let served = Served::new(fixed, None);
    let token = token(SHOCK, None);
    let send = |kind: &str, body: &str| {
        served.ask(&format!(
            "POST /answer HTTP/1.1\r\nHost: g\r\nConnection: close\r\n{kind}Content-Length: {}\r\n\r\n{body}",
            body.len()
        ))
    };
    let form = format!("t={token}");
    for kind in
        ["", "Content-Type: application/json\r\n", "Content-Type: multipart/form-data; boundary=x\r\n"]
    {
        assert_eq!(send(kind, &form).status, 415, "{kind}");
    }
    let long = served.post("/answer", &format!("{form}&note={}", "x".repeat(17 * 1024)));
    assert_eq!(long.status, 413);
    assert!(long.body.contains("too long"), "{}", long.body);
    // Without a length in front, the end is found by counting.
    let mut stream = served.connect();
    stream
        .write_all(
            b"POST /answer HTTP/1.1\r\nHost: g\r\nConnection: close\r\nTransfer-Encoding: chunked\r\n\
              Content-Type: application/x-www-form-urlencoded\r\n\r\n",
        )
        .expect("it can be sent");
    for _ in 0..20 {
        // The page may hang up before it has read everything.
        let _ = write!(stream, "400\r\n{}\r\n", "x".repeat(1024));
    }
    assert_eq!(Answer::read(&mut stream).status, 413);
    let put = served.ask("PUT /answer HTTP/1.1\r\nHost: g\r\nConnection: close\r\nContent-Length: 0\r\n\r\n");
    assert_eq!((put.status, put.header("allow")), (405, Some("GET, HEAD, POST")));
    assert_eq!(served.get(&format!("/answer?t={}", "x".repeat(1100))).status, 414);
    // A token in the address of a form is not in the form.
    assert_eq!(served.post(&format!("/answer?t={token}"), "note=x").status, 400);
    assert_eq!(*given.lock().unwrap(), []);
}

#[test]
fn a_note_that_cannot_be_kept_comes_back_for_mending() {
    let fixed = fixed(views::busy());
    let given = fixed.given.clone();
    let served = Served::new(fixed, None);
    let token = token(SHOCK, None);
    for (note, why) in [("x".repeat(501), "501 characters"), ("a%00%3Cb%3E".to_owned(), "control character")]
    {
        let page = served.post("/answer", &format!("t={token}&note={note}"));
        assert_eq!(page.status, 400);
        assert!(page.body.contains("The note was not saved: ") && page.body.contains(why), "{}", page.body);
        assert!(page.body.contains("deal with this") && !page.body.contains("<b>"), "{}", page.body);
    }
    assert_eq!(*given.lock().unwrap(), []);
    let page = served.post("/answer", &format!("t={token}&note={}", "%F0%9F%8C%BB".repeat(500)));
    assert_eq!(page.status, 200, "500 characters of four bytes fit: {}", page.body);
}

#[test]
fn a_busy_daemon_says_that_nothing_is_sure() {
    let served = Served::new(Fixed { outcome: None, ..fixed(views::busy()) }, None);
    let page = served.post("/answer", &format!("t={}", token(SHOCK, None)));
    assert_eq!((page.status, page.header("retry-after")), (503, Some("60")));
    assert!(page.body.contains("The answer may not be saved"), "{}", page.body);
    assert_headers(&page);
    let away = Served::new(Fixed { unavailable: true, ..fixed(views::busy()) }, None);
    assert_eq!(get(&away, &token(SHOCK, None)).status, 503);
}

#[test]
fn without_links_there_is_no_such_page() {
    let served = Served::new(Fixed::of(vec![views::busy()]), None);
    assert_eq!(get(&served, &token(SHOCK, None)).status, 404);
    assert_eq!(served.post("/answer", &format!("t={}", token(SHOCK, None))).status, 404);
    // Everything else stays for reading only.
    let links = Served::new(fixed(views::busy()), None);
    assert_eq!(links.post("/", "t=x").status, 405);
}

#[test]
fn texts_from_outside_stay_text() {
    let mut view = views::busy();
    view.name = "<img src=x>".into();
    for alarm in &mut view.alarms {
        alarm.record.said.text = "<script>alert(1)</script>".into();
        alarm.place_name = "\"><b>".into();
    }
    let page = get(&Served::new(fixed(view), None), &token(SHOCK, None));
    assert_eq!(page.status, 200);
    assert_eq!(page.body.matches("<script").count(), page.body.matches(OWN_SCRIPT).count());
    for bad in ["<script>", "<img", "<b>"] {
        assert!(!page.body.contains(bad), "{bad} in {}", page.body);
    }
}
