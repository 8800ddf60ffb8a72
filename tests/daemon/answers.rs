//! Alarms answered by MQTT and by links, through Mosquitto and a running daemon.

use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::{BED_KEYS, GardenFile};
use crate::support::http::Answer;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::rejects;
use crate::support::sender::{Post, send};
use crate::support::wait_until;
use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, AlarmNote};
use trug::alarms::{Kind, State};
use trug::answering::Links;
use trug::model::Id;
use trug::store::{AlarmRow, Reader};

const LIMIT: Duration = Duration::from_secs(60);
const SECRET: &str = "thirty-two bytes of a test's own";
const ANSWERS: &str = "trug/school/answer";

/// Two beds whose raw numbers are water contents, with the times of the probes.
fn garden() -> String {
    let mut file = GardenFile::new("school").with("[watering]\nallowed = [\"00:00-24:00\"]\n");
    for id in ["pea", "bean"] {
        let payload = "payload = { json = { value = \"/v\", time = \"/t\" } }";
        let keys = format!("bed = \"{id}-bed\"\ndepth_cm = 15\ntopic = \"school/{id}\"\n{payload}");
        file = file.bed(&format!("{id}-bed"), &format!("The {id} bed"), BED_KEYS).sensor(
            &format!("{id}-probe"),
            "soil-moisture",
            &keys,
        );
    }
    file.text().to_owned()
}

fn t(local: &str) -> Timestamp {
    format!("{local}+10:30").parse().expect("a time")
}

/// A school with a broker, a daemon and its page.
struct School {
    broker: Mosquitto,
    daemon: Daemon,
    reader: Reader,
    sent: usize,
}

impl School {
    fn start(configure: impl FnOnce(&mut Daemon)) -> Self {
        let broker = Mosquitto::start();
        let mut daemon = Daemon::new(broker.port(), &[("school", &garden())]);
        daemon.set("TRUG__ANSWERS__MQTT", "true");
        daemon.set("TRUG__ANSWERS__PAGE_URL", "http://127.0.0.1:8470");
        daemon.set("TRUG__ANSWERS__LINK_SECRET", SECRET);
        configure(&mut daemon);
        daemon.start_with_page();
        // Before the daemon listens the broker has nobody to keep messages for.
        Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/school/status", "online");
        let reader = daemon.reader();
        Self { broker, daemon, reader, sent: 0 }
    }

    /// Sends the same water contents every quarter of an hour, with a last digit
    /// that moves as a real probe's does, and waits until they are stored.
    fn hold(&mut self, from: &str, to: &str, pea: f64, bean: f64) {
        let (mut at, to) = (t(from), t(to));
        let mut posts = Vec::new();
        while at < to {
            let moving = if at.as_second() % 1800 == 0 { 0.0004 } else { -0.0004 };
            for (probe, water) in [("pea", pea), ("bean", bean)] {
                let payload = format!(r#"{{"v":{},"t":{}}}"#, water + moving, at.as_second());
                posts.push(Post::new(&format!("school/{probe}"), payload.as_bytes()));
            }
            at += SignedDuration::from_mins(15);
        }
        self.sent += posts.len();
        send(self.broker.port(), posts);
        self.reader = self.daemon.wait_for(self.sent, LIMIT);
    }

    fn key(bed: &str) -> AlarmKey {
        AlarmKey { site: Id::new("school"), kind: Kind::DryBed, place: Id::new(bed) }
    }

    fn state(&self, bed: &str) -> State {
        let present = self.reader.alarms_present().expect("the store can be read");
        present.iter().find(|a| a.record.key == Self::key(bed)).map_or(State::Normal, |a| a.record.state)
    }

    fn wait_for(&self, bed: &str, state: State) {
        wait_until(&format!("{bed} to be {}", state.name()), LIMIT, || {
            (self.state(bed) == state).then_some(())
        });
    }

    /// Every step of a bed's alarm, and how it came.
    fn history(&self, bed: &str) -> Vec<(State, Option<String>)> {
        let all = self.changes();
        all.into_iter()
            .filter(|it| it.record.key == Self::key(bed))
            .map(|it| (it.record.state, it.how))
            .collect()
    }

    fn changes(&self) -> Vec<AlarmRow> {
        self.reader.alarm_changes(Timestamp::MIN, Timestamp::MAX, None).expect("the store can be read")
    }

    fn notes(&self) -> Vec<AlarmNote> {
        self.reader.notes(Timestamp::MIN, Timestamp::MAX, None).expect("the store can be read")
    }

    fn reasons(&self) -> Vec<String> {
        let rejects = rejects(&self.reader, 1000);
        rejects.into_iter().map(|it| format!("{}: {}", it.topic, it.reason)).collect()
    }

    /// Sends an answer and waits until it is refused for this reason, once more
    /// than before.
    fn refused(&self, post: Post, words: &str) {
        let count = || self.reasons().iter().filter(|it| it.contains(words)).count();
        let before = count();
        let shown = String::from_utf8_lossy(&post.payload).into_owned();
        send(self.broker.port(), vec![post]);
        wait_until(&format!("{shown} to be refused: {words}"), LIMIT, || {
            (count() == before + 1).then_some(())
        });
    }

    fn token(&self, bed: &str, since: Timestamp, made_at: Timestamp) -> String {
        Links::new("http://127.0.0.1:8470", SECRET.as_bytes(), 72).token(
            &Self::key(bed),
            since,
            "grounds",
            made_at,
        )
    }

    fn open(&self, token: &str) -> Answer {
        self.daemon.get(&format!("/answer?t={token}")).expect("the page answers")
    }

    fn press(&self, token: &str, note: &str) -> Answer {
        self.daemon.post("/answer", &format!("t={token}&note={note}")).expect("the page answers")
    }
}

fn order(bed: &str, since: &str, rest: &str) -> Post {
    let payload = format!(r#"{{"alarm":"dry-bed/{bed}","since":"{}",{rest}}}"#, t(since));
    Post::new(ANSWERS, payload.as_bytes())
}

#[expect(clippy::disallowed_methods, reason = "the daemon under test checks links by the computer's clock")]
fn now() -> Timestamp {
    Timestamp::now()
}

fn some(how: &str) -> Option<String> {
    Some(how.to_owned())
}

#[test]
fn an_alarm_is_answered_once_by_link_and_by_mqtt_whatever_comes_again() {
    let mut school = School::start(|_| {});
    school.hold("2026-03-10T10:00", "2026-03-10T13:00", 0.20, 0.20);
    school.wait_for("pea-bed", State::Unacknowledged);
    school.wait_for("bean-bed", State::Unacknowledged);
    let began = t("2026-03-10T10:00");
    let changes = school.changes();

    // A mail scanner follows every link, again and again.
    let token = school.token("pea-bed", began, now());
    for _ in 0..3 {
        let page = school.open(&token);
        assert_eq!(page.status, 200, "{}", page.body);
        assert!(
            page.body.contains("The pea bed: Bed needs water") && page.body.contains("<form"),
            "{}",
            page.body
        );
    }
    // Links that are changed, signed by others, or too old.
    let day = |hours| now() - SignedDuration::from_hours(hours);
    let forged = Links::new("x", b"another thirty-two bytes of text", 72);
    let forged = forged.token(&School::key("pea-bed"), began, "grounds", now());
    for (token, status) in [
        (forged, 403),
        (token.replace('.', "A."), 403),
        (format!("{token}A"), 403),
        (token[..token.len() - 50].to_owned(), 400),
        (school.token("pea-bed", began, day(73)), 410),
        (school.token("pea-bed", began + SignedDuration::from_hours(1), now()), 409),
        (school.token("no-such-bed", began, now()), 410),
    ] {
        assert_eq!(school.open(&token).status, status, "{token}");
        assert_eq!(school.press(&token, "x").status, status, "{token}");
    }
    assert_eq!(school.changes(), changes, "none of this may change anything");
    assert_eq!(school.notes(), []);

    // Two tabs at once, and a third press later: one answer.
    let pages: Vec<Answer> = std::thread::scope(|scope| {
        let press = || scope.spawn(|| school.press(&token, "I+am+on+my+way"));
        let tabs = [press(), press(), press()];
        tabs.into_iter().map(|tab| tab.join().expect("a tab")).collect()
    });
    let taken = |page: &&Answer| page.body.contains("everybody can see that somebody is dealing with it");
    assert_eq!(pages.iter().filter(taken).count(), 1, "one tab of three has taken it on");
    let again = school.press(&token, "once+more");
    for page in pages.iter().chain([&again, &school.open(&token)]) {
        assert_eq!(page.status, 200, "{}", page.body);
        let told =
            page.body.contains("somebody is dealing with it") || page.body.contains("was answered already");
        assert!(told, "{}", page.body);
    }
    let by_link = [(State::Unacknowledged, None), (State::Acknowledged, some("link"))];
    assert_eq!(school.history("pea-bed"), by_link);
    let notes = school.notes();
    assert_eq!(notes.len(), 1, "{notes:?}");
    let note = &notes[0];
    assert_eq!((note.note.as_str(), note.how.as_str(), note.since), ("I am on my way", "link", began));

    // By MQTT, with a note; sent twice, as a gateway does that heard no acknowledgement.
    let seen = order("bean-bed", "2026-03-10T10:00", r#""answer":"acknowledge","note":"Tomorrow at seven.""#);
    send(school.broker.port(), vec![seen.clone()]);
    school.wait_for("bean-bed", State::Acknowledged);
    school.refused(seen.clone(), "dry-bed/bean-bed does not wait for this answer");
    let by_mqtt = [(State::Unacknowledged, None), (State::Acknowledged, some("mqtt"))];
    assert_eq!(school.history("bean-bed"), by_mqtt);
    assert_eq!(school.notes().len(), 2);

    // A power cut, and everything once more.
    school.daemon.kill();
    send(school.broker.port(), vec![seen.clone()]);
    school.daemon.start_with_page();
    let refused =
        || school.reasons().iter().filter(|it| it.contains("does not wait for this answer")).count();
    wait_until("what came meanwhile to be refused", LIMIT, || (refused() == 2).then_some(()));
    school.refused(seen.clone(), "dry-bed/bean-bed does not wait for this answer");
    assert!(school.press(&token, "x").body.contains("by the link in a message"));
    assert_eq!((school.history("pea-bed"), school.history("bean-bed")), (by_link.to_vec(), by_mqtt.to_vec()));
    assert_eq!(school.notes().len(), 2);

    // Watered: both are over, and answers come too late.
    school.hold("2026-03-10T13:00", "2026-03-11T10:00", 0.29, 0.29);
    school.wait_for("pea-bed", State::Normal);
    school.wait_for("bean-bed", State::Normal);
    let page = school.press(&token, "x");
    assert_eq!(page.status, 410);
    assert!(page.body.contains("is over") && page.body.contains("by the link"), "{}", page.body);
    school.refused(seen.clone(), "dry-bed/bean-bed is over");

    // Dry again: another occurrence, which the old answers do not touch.
    school.hold("2026-03-11T10:00", "2026-03-11T13:00", 0.20, 0.20);
    school.wait_for("pea-bed", State::Unacknowledged);
    school.wait_for("bean-bed", State::Unacknowledged);
    assert_eq!((school.open(&token).status, school.press(&token, "x").status), (409, 409));
    school.refused(seen, "dry-bed/bean-bed has another since now");
    assert_eq!(school.state("pea-bed"), State::Unacknowledged);
    assert_eq!(school.state("bean-bed"), State::Unacknowledged);
    assert_eq!(school.notes().len(), 2);

    let log = school.daemon.log();
    for secret in [SECRET, &token[..60], &token[token.len() - 40..]] {
        assert!(!log.contains(secret), "a secret or a token is in the log");
    }
    school.daemon.assert_alive();
}

#[test]
fn every_answer_comes_by_mqtt_and_what_is_none_is_listed() {
    // The filters leave the answers out: the daemon asks for them by itself.
    let mut school = School::start(|daemon| daemon.set("TRUG__BROKER__TOPICS", "school/#"));
    school.hold("2026-03-10T10:00", "2026-03-10T13:00", 0.20, 0.29);
    school.wait_for("pea-bed", State::Unacknowledged);
    let since = "2026-03-10T10:00";
    // The garden's time goes on by its readings.
    let mut time = ["13:00", "13:15", "13:30", "13:45", "14:00", "14:15", "14:30", "14:45"].windows(2);
    for (rest, state) in [
        (r#""answer":"shelve","for":"2h","note":"The tap is being mended.""#, State::Shelved),
        (r#""answer":"unshelve""#, State::Unacknowledged),
        (r#""answer":"off""#, State::OutOfService),
        (r#""answer":"on""#, State::Unacknowledged),
        (r#""answer":"shelve","for":"1d","once":true"#, State::Shelved),
        (r#""answer":"unshelve""#, State::Unacknowledged),
        (r#""answer":"acknowledge""#, State::Acknowledged),
    ] {
        send(school.broker.port(), vec![order("pea-bed", since, rest)]);
        school.wait_for("pea-bed", state);
        let [from, to] = time.next().expect("a quarter of an hour for each") else { unreachable!() };
        school.hold(&format!("2026-03-10T{from}"), &format!("2026-03-10T{to}"), 0.20, 0.29);
    }
    let history = school.history("pea-bed");
    assert_eq!(history.len(), 8, "{history:?}");
    assert!(history[1..].iter().all(|(_, how)| how.as_deref() == Some("mqtt")), "{history:?}");
    send(school.broker.port(), vec![order("pea-bed", since, r#""answer":"note","note":"It is mended.""#)]);
    wait_until("the note to be kept", LIMIT, || (school.notes().len() == 2).then_some(()));

    let whole = |text: &str| Post::new(ANSWERS, text.as_bytes());
    let seen = r#""answer":"acknowledge""#;
    for (post, words) in [
        (whole(""), "is not the JSON that is wanted"),
        (Post::new(ANSWERS, &[0xff, 0x00, b'{']), "is not the JSON that is wanted"),
        (whole(&"x".repeat(20_000)), "an answer of 20000 bytes is longer than 8192"),
        (order("pea-bed", since, r#""answer":"water""#), "answer \"water\" is not known"),
        (order("pea-bed", since, r#""answer":"reset""#), "does not wait for this answer"),
        (order("pea-bed", "2026-03-09T10:00", seen), "has another since now"),
        (order("bean-bed", since, seen), "dry-bed/bean-bed is over"),
        (order("cabbage-bed", since, seen), "dry-bed/cabbage-bed is no alarm of this garden"),
        (order("pea-bed", since, seen).retained(), "dry-bed/pea-bed does not wait for this answer"),
    ] {
        school.refused(post, words);
    }
    // The broker has kept the last one, and brings it at the next start.
    school.daemon.kill();
    school.daemon.start_with_page();
    wait_until("the kept answer to be refused", LIMIT, || {
        school.reasons().iter().any(|it| it.contains("publish it without the retain flag")).then_some(())
    });
    assert_eq!(school.history("pea-bed"), history);
    school.daemon.assert_alive();
}

#[test]
fn answers_by_mqtt_are_not_taken_unless_allowed() {
    let mut school = School::start(|daemon| daemon.set("TRUG__ANSWERS__MQTT", "false"));
    school.hold("2026-03-10T10:00", "2026-03-10T13:00", 0.20, 0.29);
    school.wait_for("pea-bed", State::Unacknowledged);
    let seen = order("pea-bed", "2026-03-10T10:00", r#""answer":"acknowledge""#);
    school.refused(seen, "set mqtt = true in the section [answers] of trug.toml");
    assert_eq!(school.history("pea-bed"), [(State::Unacknowledged, None)]);
    // Another garden's: it may be another daemon's, and is only listed.
    send(school.broker.port(), vec![Post::new("trug/annex/answer", b"{}")]);
    wait_until("the topic to be listed", LIMIT, || {
        let topics = school.reader.unplaced(10).expect("the store can be read");
        topics.iter().any(|it| it.topic == "trug/annex/answer").then_some(())
    });
}
