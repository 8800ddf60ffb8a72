//! Answers that come late: to what ran and is over by now, and to an alarm of three weeks
//! ago after a restart; each by every way that people have.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, Kind, State};
use trug::answering::Links;
use trug::model::Id;
use trug::password::PasswordHash;
use trug::store::{AlarmRow, Reader};

use crate::support::daemon::Daemon;
use crate::support::garden::{BED_KEYS, GardenFile, WATERING, local as t};
use crate::support::http::Answer;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::rejects;
use crate::support::sender::{Post, send};
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(60);
const SECRET: &str = "thirty-two bytes of a test's own";
const PASSWORD: &str = "a-password-of-this-test";
const BEDS: [&str; 3] = ["pea", "bean", "kale"];

/// Three beds, each with a probe and a water meter that say when they measured.
struct School {
    broker: Mosquitto,
    daemon: Daemon,
    reader: Reader,
    sent: usize,
    /// Of a browser that has entered.
    cookie: String,
}

impl School {
    fn start() -> Self {
        let mut file = GardenFile::new("school").with(WATERING);
        for id in BEDS {
            let timed = "payload = { json = { value = \"/v\", time = \"/t\" } }";
            let bed = format!("bed = \"{id}-bed\"\n{timed}");
            file = file
                .bed(&format!("{id}-bed"), &format!("The {id} bed"), BED_KEYS)
                .sensor(&format!("{id}-probe"), "soil-moisture", &format!("{bed}\ndepth_cm = 15"))
                .sensor(&format!("{id}-meter"), "water-flow", &bed);
        }
        let broker = Mosquitto::start();
        let mut daemon = Daemon::new(broker.port(), &[("school", file.text())]);
        daemon.set("TRUG__ANSWERS__MQTT", "true");
        daemon.set("TRUG__ANSWERS__PAGE_URL", "http://127.0.0.1:8470");
        daemon.set("TRUG__ANSWERS__LINK_SECRET", SECRET);
        let hash = PasswordHash::of(PASSWORD).expect("a hash");
        daemon.set("TRUG__PAGE__PASSWORD", hash.as_str());
        daemon.start_with_page();
        // Before the daemon listens the broker has nobody to keep messages for.
        Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/school/status", "online");
        let reader = daemon.reader();
        Self { broker, daemon, reader, sent: 0, cookie: String::new() }
    }

    /// A browser's request with its session; with a form it is a POST.
    fn browse(&self, path: &str, form: Option<&str>) -> Answer {
        let (verb, form) = (if form.is_some() { "POST" } else { "GET" }, form.unwrap_or_default());
        let request = format!(
            "{verb} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{}\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{form}",
            self.cookie,
            form.len()
        );
        self.daemon.request(&request).expect("the page answers")
    }

    fn enter(&mut self) {
        let entered = self.browse("/enter", Some(&format!("password={PASSWORD}")));
        let set = entered.header("set-cookie").unwrap_or_else(|| panic!("no session: {}", entered.body));
        self.cookie = format!("Cookie: {}\r\n", set.split(';').next().expect("a name and a value"));
    }

    /// A value of each bed's sensor of a kind, each quarter of an hour.
    fn play(&mut self, sensor: &str, from: Timestamp, to: Timestamp, value: impl Fn(Timestamp) -> f64) {
        let mut posts = Vec::new();
        let mut at = from;
        while at < to {
            for bed in BEDS {
                let payload = format!(r#"{{"v":{},"t":{}}}"#, value(at), at.as_second());
                posts.push(Post::new(&format!("school/{bed}-{sensor}"), payload.as_bytes()));
            }
            at += SignedDuration::from_mins(15);
        }
        self.sent += posts.len();
        send(self.broker.port(), posts);
        self.reader = self.daemon.wait_for(self.sent, LIMIT);
    }

    fn present(&self, kind: Kind, bed: &str) -> Option<AlarmRow> {
        let present = self.reader.alarms_present().expect("the store can be read");
        present.into_iter().find(|it| it.record.key.kind == kind && it.record.key.place.as_str() == bed)
    }

    /// Waits until an alarm is in a state, and returns when it began.
    fn wait_for(&self, kind: Kind, bed: &str, state: State) -> Timestamp {
        wait_until(&format!("{} of {bed} to be {}", kind.name(), state.name()), LIMIT, || {
            self.present(kind, bed).filter(|it| it.record.state == state).map(|it| it.record.since)
        })
    }

    /// The last step of an alarm: its state, when it began, how that came, and the note.
    fn last(&self, kind: Kind, bed: &str) -> (State, Timestamp, Option<String>, Option<String>) {
        let key = AlarmKey { site: Id::new("school"), kind, place: Id::new(bed) };
        let all =
            self.reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the store can be read");
        let last = all.into_iter().rfind(|it| it.record.key == key).expect("it was told");
        let notes = self.reader.notes(Timestamp::MIN, Timestamp::MAX, None).expect("the store can be read");
        let note = notes.into_iter().rfind(|it| it.key == key).map(|it| it.note);
        (last.record.state, last.record.since, last.how, note)
    }

    /// Waits until an answer has made a step, and checks it.
    fn expect(&self, kind: Kind, bed: &str, state: State, since: Timestamp, how: &str, note: Option<&str>) {
        wait_until(&format!("the answer to {} of {bed}", kind.name()), LIMIT, || {
            (self.last(kind, bed).2.as_deref() == Some(how)).then_some(())
        });
        let expected = (state, since, Some(how.to_owned()), note.map(str::to_owned));
        assert_eq!(self.last(kind, bed), expected, "{} of {bed}", kind.name());
    }

    /// Presses a button of an alarm's card on the page of alarms.
    fn press(&self, kind: Kind, bed: &str, label: &str) {
        let page = self.browse("/site/school/alarms", None).body;
        let card = page
            .split("<form class=\"answer\"")
            .skip(1)
            .find(|card| {
                let card = card.split("</form>").next().unwrap_or(card);
                card.contains(&format!("value=\"{}\"", kind.name()))
                    && card.contains(&format!("value=\"{bed}\""))
            })
            .unwrap_or_else(|| panic!("no answer for {} of {bed} on {page}", kind.name()));
        let card = card.split("</form>").next().expect("the form");
        let value = |start: &str| {
            let (_, rest) = card.split_once(start).unwrap_or_else(|| panic!("{start} in {card}"));
            rest.split('"').next().expect("its end")
        };
        let mut form = url::form_urlencoded::Serializer::new(String::new());
        for field in card.split("<input type=\"hidden\" name=\"").skip(1) {
            let (name, rest) = field.split_once("\" value=\"").expect("a value");
            form.append_pair(name, rest.split('"').next().expect("its end"));
        }
        let (before, _) =
            card.split_once(&format!(">{label}<")).unwrap_or_else(|| panic!("{label} in {card}"));
        let (_, word) = before.rsplit_once("name=\"do\" value=\"").expect("a button");
        form.append_pair("do", word.trim_end_matches('"')).append_pair("note", "");
        assert_eq!(value("name=\"place\" value=\""), bed);
        let answer = self.browse("/site/school/alarms/answer", Some(&form.finish()));
        assert_eq!(answer.status, 303, "{}", answer.body);
    }

    fn ask(&self, arguments: &[&str]) -> (Option<i32>, String) {
        let output = self.daemon.ask(arguments);
        let said = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
        (output.status.code(), said.into_owned())
    }

    /// An answer over MQTT.
    fn order(&self, kind: Kind, bed: &str, since: Timestamp, rest: &str) -> Post {
        let payload = format!(r#"{{"alarm":"{}/{bed}","since":"{since}",{rest}}}"#, kind.name());
        let post = Post::new("trug/school/answer", payload.as_bytes());
        send(self.broker.port(), vec![post.clone()]);
        post
    }

    fn wait_for_reject(&self, words: &str) {
        wait_until(&format!("to be refused: {words}"), LIMIT, || {
            let rejects = rejects(&self.reader, 100);
            rejects.iter().any(|it| it.reason.contains(words)).then_some(())
        });
    }
}

/// A hose ran at each bed for an hour one day and for a quarter of an hour the next, and is
/// off: what it was is asked, and each way of answering says so.
#[test]
fn what_ran_and_is_over_by_now_is_answered_with_what_it_was_by_every_way() {
    let mut school = School::start();
    let ran =
        [(t("2026-03-10T15:00"), t("2026-03-10T16:00")), (t("2026-03-11T12:00"), t("2026-03-11T12:15"))];
    school.play("meter", t("2026-03-10T14:00"), t("2026-03-12T08:00"), |at| {
        if ran.iter().any(|(from, to)| at > *from && at <= *to) { 30.0 } else { 0.0 }
    });
    for kind in [Kind::WateringHours, Kind::WaterLeftOn] {
        for bed in BEDS {
            school.wait_for(kind, &format!("{bed}-bed"), State::ReturnedUnacknowledged);
        }
    }
    school.enter();
    let over = |kind, bed| school.present(kind, bed).expect("it waits").record.since;

    // The page's three buttons.
    for (bed, label) in [
        ("pea-bed", "Found it: the timer is set right"),
        ("bean-bed", "Found it: it was a hose"),
        ("kale-bed", "Not found"),
    ] {
        let since = over(Kind::WaterLeftOn, bed);
        school.press(Kind::WaterLeftOn, bed, label);
        school.expect(Kind::WaterLeftOn, bed, State::Normal, since, "page", Some(&format!("{label}.")));
    }

    // A command, with words of one's own.
    let since = over(Kind::WateringHours, "pea-bed");
    let (code, said) = school.ask(&["alarms", "ack", "watering-hours/pea-bed", "--found", "a-snake"]);
    assert!(code == Some(2) && said.contains("timer") && said.contains("no-idea"), "{said}");
    let hose = ["alarms", "ack", "watering-hours/pea-bed", "--found", "hose", "--note", "By the gate."];
    let (code, said) = school.ask(&hose);
    assert_eq!(code, Some(0), "{said}");
    let note = "Found it: it was a hose. By the gate.";
    school.expect(Kind::WateringHours, "pea-bed", State::Normal, since, "command", Some(note));
    let (code, said) = school.ask(&["alarms", "ack", "dry-bed/pea-bed", "--found", "hose"]);
    assert!(code == Some(2) && said.contains("--found goes with"), "{said}");

    // MQTT.
    let since = over(Kind::WateringHours, "bean-bed");
    school.order(Kind::WateringHours, "bean-bed", since, r#""answer":"acknowledge","found":"frog""#);
    school.wait_for_reject("found \"frog\": accepted is timer, hose or no-idea");
    school.order(Kind::WateringHours, "bean-bed", since, r#""answer":"shelve","for":"2h","found":"hose""#);
    school.wait_for_reject("found \"hose\": accepted is");
    school.order(Kind::WateringHours, "bean-bed", since, r#""answer":"acknowledge","found":"timer""#);
    let note = "Found it: the timer is set right.";
    school.expect(Kind::WateringHours, "bean-bed", State::Normal, since, "mqtt", Some(note));

    // What nobody has answered still waits.
    assert!(school.present(Kind::WateringHours, "kale-bed").is_some());
    school.daemon.assert_alive();
}

/// Older than what is replayed at a start (fifteen days): each way of answering works on
/// it, and it keeps when it began.
#[test]
fn an_alarm_of_three_weeks_ago_is_answered_after_a_restart_by_link_page_and_mqtt() {
    let mut school = School::start();
    let start = t("2026-03-01T09:00");
    let now = start + SignedDuration::from_hours(22 * 24);
    school.play("probe", start, now, |at| {
        let days = at.duration_since(start).as_secs_f64() / 86_400.0;
        // A real probe's last digit moves.
        0.21 - 0.001_7 * days + if at.as_second() % 1800 == 0 { 0.0003 } else { -0.0003 }
    });
    for bed in BEDS {
        let began = school.wait_for(Kind::DryBed, &format!("{bed}-bed"), State::Unacknowledged);
        assert_eq!(began, start, "{bed}");
    }
    school.daemon.terminate();
    school.daemon.start_with_page();
    school.reader = school.daemon.reader();

    let links = Links::new("http://127.0.0.1:8470", SECRET.as_bytes(), 72);
    let key = AlarmKey { site: Id::new("school"), kind: Kind::DryBed, place: Id::new("pea-bed") };
    let token = links.token(&key, start, "grounds", computer_now());
    let page = school.daemon.post("/answer", &format!("t={token}&note=")).expect("the page");
    assert!(
        page.status == 200 && page.body.contains("everybody can see that somebody is dealing with it"),
        "{}",
        page.body
    );
    school.expect(Kind::DryBed, "pea-bed", State::Acknowledged, start, "link", None);

    school.order(Kind::DryBed, "bean-bed", start, r#""answer":"acknowledge""#);
    school.expect(Kind::DryBed, "bean-bed", State::Acknowledged, start, "mqtt", None);

    school.enter();
    school.press(Kind::DryBed, "kale-bed", "I'll deal with this");
    school.expect(Kind::DryBed, "kale-bed", State::Acknowledged, start, "page", None);

    // And after one more start they are still answered.
    school.daemon.terminate();
    school.daemon.start_with_page();
    school.reader = school.daemon.reader();
    for bed in BEDS {
        let began = school.wait_for(Kind::DryBed, &format!("{bed}-bed"), State::Acknowledged);
        assert_eq!(began, start, "{bed}");
    }
}

#[expect(clippy::disallowed_methods, reason = "the daemon under test checks links by the computer's clock")]
fn computer_now() -> Timestamp {
    Timestamp::now()
}
