//! Who is told what, and when: each rule, with the garden's clock on UTC unless a
//! test says otherwise.

use std::sync::Arc;

use jiff::Timestamp;

use crate::support::telling::{World, garden, garden_in, heads, later, time};
use trug::alarms::{Kind, Priority, State};
use trug::telling::{GivenUp, Message, Purpose};

const GROUNDS: &str = r#"
[[tell]]
who = "grounds"
alarms = ["dry-bed", "watering-hours", "sensor-silent", "mulch-on-dry-soil"]
email = ["grounds@school.example"]
"#;
const TEACHER: &str = r#"
[[tell]]
who = "teacher"
alarms = ["low-oxygen", "tank-too-warm", "ph"]
email = ["teacher@school.example"]
quiet = ["21:00-06:30"]
"#;
const MORNING: &str = "summary = \"07:00\"\n";
const QUIET: &str = "quiet = [\"21:00-06:30\"]\n";
const NEXT: &str = "next = { who = \"office\", after_min = 30 }\n";
const OFFICE: &str = r#"
[[tell]]
who = "office"
alarms = ["store-failing"]
email = ["office@school.example"]
"#;

const NOON: &str = "2026-06-10T12:00:00Z";
const NIGHT: &str = "2026-06-10T22:00:00Z";

fn world(tell: &[&str]) -> World {
    World::new(garden(&tell.concat()))
}

/// The subjects of what is told within these hours.
fn told_in(world: &mut World, from: &str, hours: i64) -> Vec<String> {
    let told: Vec<Message> = world.wait(time(from), hours * 3600).into_iter().map(|(_, m)| m).collect();
    heads(&told)
}

/// The same without what is told again because nobody answers.
fn news_in(world: &mut World, from: &str, hours: i64) -> Vec<String> {
    told_in(world, from, hours)
        .into_iter()
        .filter(|head| !head.contains(" again: Not answered yet"))
        .collect()
}

#[test]
fn high_priority_goes_at_once_through_quiet_hours_and_summary() {
    for extra in ["", MORNING, "summary = \"07:00\"\ninstead = { email = [\"x@y.example\"] }\n"] {
        let mut world = world(&[TEACHER, extra]);
        let now = time(NIGHT);
        let told = world.raise(now, Kind::LowOxygen, "perch-tank");
        assert_eq!(
            heads(&told),
            ["teacher news: perch-tank: low-oxygen stands. Do something about it today."],
            "{extra}"
        );
        assert_eq!(told[0].priority, Priority::High);
        assert_eq!(told[0].made_at, now);
        assert_eq!(told[0].items[0].since_local, "9:50 pm on Wednesday 10 June");
        assert_eq!(news_in(&mut world, NIGHT, 48), [""; 0]);
    }
}

#[test]
fn high_ones_of_one_commit_are_one_message() {
    let mut world = world(&[TEACHER]);
    let told = world.steps(
        time(NIGHT),
        &[
            (Kind::TankTooWarm, "perch-tank", State::Unacknowledged),
            (Kind::LowOxygen, "perch-tank", State::Unacknowledged),
            (Kind::LowOxygen, "eel-tank", State::Unacknowledged),
            (Kind::DryBed, "pea-bed", State::Unacknowledged),
        ],
    );
    assert_eq!(
        heads(&told),
        ["teacher news: Perch tank is too warm; 2 tanks are short of oxygen: Eel tank and Perch tank"]
    );
    assert_eq!(told[0].items.len(), 3);
}

#[test]
fn what_comes_within_a_minute_is_one_message() {
    let mut world = world(&[GROUNDS]);
    let noon = time(NOON);
    assert!(world.raise(noon, Kind::DryBed, "kitchen-bed").is_empty());
    assert!(world.raise(later(noon, 20), Kind::DryBed, "pea-bed").is_empty());
    assert!(world.raise(later(noon, 59), Kind::DryBed, "herb-bed").is_empty());
    assert!(world.tick(later(noon, 59)).is_empty());
    let told = world.tick(later(noon, 60));
    assert_eq!(heads(&told), ["grounds news: 3 beds need water: Kitchen bed, Pea bed and Herb bed"]);
    assert_eq!(told[0].opening, "");
    assert!(told[0].items.iter().all(|item| item.text.contains("dry-bed stands. Do something")));
    assert_eq!(told_in(&mut world, NOON, 48), [""; 0]);
}

#[test]
fn what_is_over_answered_or_put_aside_before_its_time_is_not_told() {
    for to in [
        State::ReturnedUnacknowledged,
        State::Acknowledged,
        State::Shelved,
        State::Suppressed,
        State::OutOfService,
    ] {
        for extra in ["", MORNING, QUIET] {
            let mut world = world(&[GROUNDS, extra]);
            world.raise(time(NIGHT), Kind::DryBed, "kitchen-bed");
            world.step(later(time(NIGHT), 30), Kind::DryBed, "kitchen-bed", to);
            assert_eq!(told_in(&mut world, NIGHT, 48), [""; 0], "{to:?} {extra}");
            assert_eq!(world.waiting.values().flatten().count(), 0, "{to:?} {extra}");
        }
    }
}

#[test]
fn in_quiet_hours_the_rest_waits_for_their_end() {
    let mut world = world(&[GROUNDS, QUIET]);
    let night = time(NIGHT);
    world.raise(night, Kind::DryBed, "kitchen-bed");
    world.raise(later(night, 3600), Kind::WateringHours, "pea-bed");
    world.raise(later(night, 7200), Kind::DryBed, "herb-bed");
    world.step(later(night, 7300), Kind::DryBed, "herb-bed", State::ReturnedUnacknowledged);
    let told = world.wait(night, 48 * 3600);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].0, time("2026-06-11T06:30:00Z"));
    assert_eq!(
        heads(&[told[0].1.clone()]),
        ["grounds news: Kitchen bed needs water; Pea bed was watered outside the allowed hours"]
    );
}

#[test]
fn a_daemon_that_comes_up_in_quiet_hours_waits_too() {
    let mut world = world(&[GROUNDS, QUIET]);
    world.raise(time("2026-06-10T20:30:00Z"), Kind::DryBed, "kitchen-bed");
    world.restart();
    let told = world.wait(time("2026-06-10T21:10:00Z"), 24 * 3600);
    assert_eq!(told.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [time("2026-06-11T06:30:00Z")]);
}

/// Frost that threatens tonight is told today, and does not bring the summary forward; in the
/// night the summary is soon enough.
#[test]
fn frost_waits_for_no_summary_by_day() {
    let frost = GROUNDS.replace("\"dry-bed\"", "\"frost\", \"dry-bed\"") + MORNING;
    let noon = time(NOON);
    let mut by_day = world(&[&frost]);
    by_day.raise(noon, Kind::DryBed, "kitchen-bed");
    by_day.raise(later(noon, 60), Kind::Frost, "school");
    let told = by_day.wait(noon, 24 * 3600);
    let at: Vec<_> =
        told.iter().map(|(at, message)| (*at, heads(std::slice::from_ref(message)).concat())).collect();
    assert_eq!(at.len(), 2, "{at:?}");
    assert_eq!(at[0].0, later(noon, 120));
    assert!(at[0].1.starts_with("grounds news: ") && at[0].1.contains("frost"), "{at:?}");
    assert_eq!(at[1].0, time("2026-06-11T07:00:00Z"));
    assert!(at[1].1.contains("dry-bed") && !at[1].1.contains("frost"), "{at:?}");

    let mut by_night = world(&[&frost]);
    by_night.raise(time(NIGHT), Kind::Frost, "school");
    let told = by_night.wait(time(NIGHT), 24 * 3600);
    assert_eq!(told.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [time("2026-06-11T07:00:00Z")]);
}

#[test]
fn a_summary_is_one_message_in_the_morning() {
    let mut world = world(&[GROUNDS, MORNING]);
    let noon = time(NOON);
    world.raise(noon, Kind::SensorSilent, "pea-15cm");
    world.raise(later(noon, 3600), Kind::DryBed, "kitchen-bed");
    world.raise(later(noon, 7200), Kind::DryBed, "herb-bed");
    let told = world.wait(noon, 86_400);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].0, time("2026-06-11T07:00:00Z"));
    assert_eq!(told[0].1.purpose, Purpose::Summary);
    assert_eq!(
        told[0].1.subject,
        "2 beds need water: Kitchen bed and Herb bed; Sensor pea-15cm (Pea bed) is silent"
    );
    // Nothing new, all of it standing: no nagging.
    assert!(world.wait(later(noon, 86_400), 3 * 86_400).is_empty());
    // Something new: what still stands is said in short, and what was answered is not.
    let day = later(noon, 4 * 86_400);
    world.step(day, Kind::DryBed, "herb-bed", State::Acknowledged);
    world.raise(day, Kind::WateringHours, "pea-bed");
    let told = world.wait(day, 86_400);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].1.subject, "pea-bed: watering-hours stands. Do something about it today.");
    assert_eq!(
        told[0].1.opening,
        "Told before and not answered yet: Kitchen bed needs water and Sensor pea-15cm (Pea bed) is silent."
    );
}

#[test]
fn a_summary_that_was_missed_comes_late_or_with_the_next() {
    for (up_at, told_at) in [
        ("2026-06-11T08:00:00Z", "2026-06-11T08:00:10Z"),
        ("2026-06-11T18:59:00Z", "2026-06-11T18:59:10Z"),
        ("2026-06-11T19:01:00Z", "2026-06-12T07:00:00Z"),
        ("2026-06-14T20:00:00Z", "2026-06-15T07:00:00Z"),
    ] {
        let mut world = world(&[GROUNDS, MORNING]);
        world.raise(time(NOON), Kind::DryBed, "kitchen-bed");
        world.restart();
        let told = world.wait(time(up_at), 86_400);
        assert_eq!(told.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [time(told_at)], "{up_at}");
    }
}

/// Adelaide's clock: 2026-04-05 03:00 became 02:00, 2026-10-04 02:00 becomes 03:00
/// (IANA time zone database).
#[test]
fn summaries_keep_to_the_clock_on_days_of_25_and_23_hours() {
    for (raised, minute, told_at) in [
        ("2026-04-04T02:00:00Z", "07:00", "2026-04-04T21:30:00Z"),
        ("2026-10-03T02:00:00Z", "07:00", "2026-10-03T20:30:00Z"),
        // Shown twice: the first time, and not again an hour later.
        ("2026-04-04T02:00:00Z", "02:30", "2026-04-04T16:00:00Z"),
        // Never shown.
        ("2026-10-03T02:00:00Z", "02:30", "2026-10-03T17:00:00Z"),
    ] {
        let tell = format!("{GROUNDS}summary = \"{minute}\"\n");
        let mut world = World::new(garden_in("Australia/Adelaide", &tell));
        world.raise(time(raised), Kind::DryBed, "kitchen-bed");
        let told = world.wait(time(raised), 30 * 3600);
        assert_eq!(told.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [time(told_at)], "{raised} {minute}");
    }
    // One that comes between the two 02:30 waits for the next day.
    let mut world = World::new(garden_in("Australia/Adelaide", &format!("{GROUNDS}summary = \"02:30\"\n")));
    let between = time("2026-04-04T16:30:00Z");
    world.raise(between, Kind::DryBed, "kitchen-bed");
    let told = world.wait(between, 30 * 3600);
    assert_eq!(told.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [time("2026-04-05T17:00:00Z")]);
}

#[test]
fn what_was_taken_on_and_does_not_go_away_is_told_as_a_reminder() {
    for (tell, kind, place, wait_s) in [
        (TEACHER.to_owned(), Kind::LowOxygen, "perch-tank", 0),
        (GROUNDS.to_owned(), Kind::DryBed, "kitchen-bed", 60),
        (format!("{GROUNDS}{MORNING}"), Kind::DryBed, "kitchen-bed", 19 * 3600),
    ] {
        let mut world = World::new(garden(&tell));
        let noon = time(NOON);
        world.raise(noon, kind, place);
        world.wait(noon, 86_400);
        world.step(later(noon, 86_400), kind, place, State::Acknowledged);
        let again = later(noon, 2 * 86_400);
        let mut told = world.raise(again, kind, place);
        let waited = world.wait(again, 86_400).into_iter();
        told.extend(waited.filter(|(_, message)| message.purpose != Purpose::Again).map(|(at, message)| {
            assert_eq!(at, later(again, wait_s));
            message
        }));
        assert_eq!(told.len(), 1, "{told:?}");
        let subject = format!("Reminder: {place}: {} stands. Do something about it today.", kind.name());
        assert_eq!(told[0].subject, subject);
        assert_eq!(told[0].opening, "You were told of this before, and it has not gone away.");
    }
}

#[test]
fn only_what_is_high_is_told_to_be_over() {
    let mut world = world(&[GROUNDS, TEACHER]);
    let noon = time(NOON);
    world.steps(
        noon,
        &[
            (Kind::LowOxygen, "perch-tank", State::Unacknowledged),
            (Kind::TankTooWarm, "perch-tank", State::Unacknowledged),
            (Kind::Ph, "perch-tank", State::Unacknowledged),
            (Kind::DryBed, "pea-bed", State::Unacknowledged),
            (Kind::WateringHours, "pea-bed", State::Unacknowledged),
        ],
    );
    world.wait(noon, 3600);
    let told = world.steps(
        later(noon, 3600),
        &[
            (Kind::LowOxygen, "perch-tank", State::LatchedUnacknowledged),
            (Kind::TankTooWarm, "perch-tank", State::ReturnedUnacknowledged),
            (Kind::Ph, "perch-tank", State::ReturnedUnacknowledged),
            (Kind::DryBed, "pea-bed", State::ReturnedUnacknowledged),
            (Kind::WateringHours, "pea-bed", State::ReturnedUnacknowledged),
        ],
    );
    assert_eq!(heads(&told), ["teacher over: Over: water too warm (Perch tank), low oxygen (Perch tank)"]);
    assert!(told[0].items[0].text.contains("Nobody has answered yet"), "{}", told[0].items[0].text);
    // Saying that it was seen is no news to anybody.
    let told = world.steps(
        later(noon, 3700),
        &[
            (Kind::LowOxygen, "perch-tank", State::LatchedAcknowledged),
            (Kind::TankTooWarm, "perch-tank", State::Normal),
        ],
    );
    assert_eq!(heads(&told), [""; 0]);
    assert_eq!(told_in(&mut world, NOON, 48), [""; 0]);
    // Answered, then over.
    world.raise(later(noon, 7200), Kind::TankTooWarm, "perch-tank");
    world.step(later(noon, 7300), Kind::TankTooWarm, "perch-tank", State::Acknowledged);
    let told = world.step(later(noon, 7400), Kind::TankTooWarm, "perch-tank", State::Normal);
    assert_eq!(heads(&told), ["teacher over: Over: perch-tank is well again."]);
}

#[test]
fn putting_an_alarm_aside_tells_nobody() {
    let mut world = world(&[TEACHER, NEXT, OFFICE]);
    let noon = time(NOON);
    for hidden in [State::Shelved, State::Suppressed, State::OutOfService] {
        world.raise(noon, Kind::TankTooWarm, "perch-tank");
        assert!(world.step(later(noon, 10), Kind::TankTooWarm, "perch-tank", hidden).is_empty());
        assert!(world.wait(noon, 4 * 3600).is_empty(), "{hidden:?}");
        let told = world.step(later(noon, 5 * 3600), Kind::TankTooWarm, "perch-tank", State::Normal);
        // Who was told before the shelf is told that it is over.
        let expected: &[&str] = if hidden == State::Shelved {
            &["teacher over: Over: Perch tank is too warm: that is over."]
        } else {
            &[]
        };
        assert_eq!(heads(&told), expected, "{hidden:?}");
    }
    // Back from the shelf it is a reminder, back from the rest it is news.
    for (hidden, subject) in [(State::Shelved, "Reminder: perch-tank"), (State::Suppressed, "perch-tank")] {
        world.raise(noon, Kind::TankTooWarm, "perch-tank");
        world.step(later(noon, 10), Kind::TankTooWarm, "perch-tank", hidden);
        let told = world.raise(later(noon, 7200), Kind::TankTooWarm, "perch-tank");
        assert!(told[0].subject.starts_with(subject), "{}", told[0].subject);
        world.step(later(noon, 7300), Kind::TankTooWarm, "perch-tank", State::Normal);
    }
}

#[test]
fn what_nobody_answers_goes_to_the_next_group() {
    let mut world = world(&[TEACHER, NEXT, OFFICE]);
    let night = time(NIGHT);
    world.steps(
        night,
        &[
            (Kind::LowOxygen, "perch-tank", State::Unacknowledged),
            (Kind::LowOxygen, "eel-tank", State::Unacknowledged),
        ],
    );
    // Over or not, somebody has to look.
    world.step(later(night, 600), Kind::LowOxygen, "eel-tank", State::LatchedUnacknowledged);
    let mut told = world.wait(night, 86_400);
    told.retain(|(_, message)| message.purpose != Purpose::Again);
    assert_eq!(told.len(), 1, "{told:?}");
    let (at, message) = &told[0];
    assert_eq!(*at, later(night, 1800));
    assert_eq!(message.purpose, Purpose::NotAnswered { by: "teacher".to_owned() });
    assert_eq!(message.who, "office");
    assert_eq!(
        message.subject,
        "teacher has not answered: 2 tanks are short of oxygen: Eel tank and Perch tank"
    );
    assert_eq!(message.opening, "teacher was told and has not answered within 30 minutes.");
    // The office was told too, so it is told that it is over.
    let told = world.step(later(night, 90_000), Kind::LowOxygen, "perch-tank", State::LatchedUnacknowledged);
    let who: Vec<&str> = told.iter().map(|m| m.who.as_str()).collect();
    assert_eq!(who, ["teacher", "office"]);
}

#[test]
fn an_answer_ends_the_wait_for_one() {
    for (kind, place, to) in [
        (Kind::LowOxygen, "perch-tank", State::Acknowledged),
        (Kind::LowOxygen, "perch-tank", State::Shelved),
        (Kind::Ph, "perch-tank", State::Acknowledged),
        // Of medium priority only what still stands.
        (Kind::Ph, "perch-tank", State::ReturnedUnacknowledged),
    ] {
        let mut world = world(&[TEACHER, NEXT, OFFICE]);
        world.raise(time(NOON), kind, place);
        world.wait(time(NOON), 1000);
        world.step(later(time(NOON), 1000), kind, place, to);
        assert_eq!(told_in(&mut world, "2026-06-10T12:20:00Z", 48), [""; 0], "{kind:?} {to:?}");
    }
}

#[test]
fn of_low_priority_nothing_is_passed_on() {
    let mut world = world(&[GROUNDS, NEXT, OFFICE]);
    world.raise(time(NOON), Kind::SensorSilent, "pea-15cm");
    world.raise(time(NOON), Kind::DryBed, "pea-bed");
    assert_eq!(
        told_in(&mut world, NOON, 48),
        [
            "grounds news: Pea bed needs water; Sensor pea-15cm (Pea bed) is silent",
            "office not-answered: grounds has not answered: pea-bed: dry-bed stands. Do something about it today."
        ]
    );
}

#[test]
fn the_wait_for_an_answer_begins_with_the_message() {
    let mut world = world(&[GROUNDS, QUIET, NEXT, OFFICE]);
    world.raise(time(NIGHT), Kind::DryBed, "pea-bed");
    let told = world.wait(time(NIGHT), 86_400);
    let at: Vec<_> = told.iter().map(|(at, message)| (*at, message.who.as_str())).collect();
    assert_eq!(at, [(time("2026-06-11T06:30:00Z"), "grounds"), (time("2026-06-11T07:00:00Z"), "office")]);
}

#[test]
fn a_chain_goes_on_to_its_end() {
    let second = "next = { who = \"head\", after_min = 10 }\n";
    let head = "[[tell]]\nwho = \"head\"\nplaces = [\"saltbush-gully\"]\nemail = [\"head@school.example\"]\n";
    let mut world = world(&[TEACHER, NEXT, OFFICE, second, head]);
    world.raise(time(NIGHT), Kind::LowOxygen, "perch-tank");
    let mut told = world.wait(time(NIGHT), 2 * 86_400);
    told.retain(|(_, message)| message.purpose != Purpose::Again);
    let who: Vec<_> = told.iter().map(|(at, m)| (*at, m.who.as_str(), m.purpose.clone())).collect();
    assert_eq!(
        who,
        [
            (later(time(NIGHT), 1800), "office", Purpose::NotAnswered { by: "teacher".to_owned() }),
            (later(time(NIGHT), 2400), "head", Purpose::NotAnswered { by: "office".to_owned() }),
        ]
    );
}

#[test]
fn the_next_groups_quiet_hours_and_summary_hold_but_for_what_is_high() {
    let summary = format!("{OFFICE}{MORNING}");
    let quiet = format!("{OFFICE}{QUIET}");
    for (office, evening_at) in [(&summary, "2026-06-11T07:00:00Z"), (&quiet, "2026-06-11T06:30:00Z")] {
        let teacher = TEACHER.replace("quiet = [\"21:00-06:30\"]\n", "");
        let mut world = world(&[&teacher, NEXT, office]);
        let night = time(NIGHT);
        world.raise(night, Kind::Ph, "perch-tank");
        world.raise(night, Kind::LowOxygen, "perch-tank");
        let mut told = world.wait(night, 86_400);
        told.retain(|(_, message)| message.purpose != Purpose::Again);
        let office: Vec<_> = told.iter().filter(|(_, m)| m.who == "office").collect();
        assert_eq!(office.len(), 2, "{told:?}");
        assert_eq!((office[0].0, office[0].1.items[0].key.kind), (later(night, 1800), Kind::LowOxygen));
        assert_eq!((office[1].0, office[1].1.items[0].key.kind), (time(evening_at), Kind::Ph));
        let said = format!("{} {}", office[1].1.opening, office[1].1.items[0].text);
        assert!(said.contains("teacher was told and has not answered"), "{said}");
    }
}

#[test]
fn a_group_that_two_others_lead_to_is_told_once() {
    let mut world = world(&[GROUNDS, NEXT, &GROUNDS.replace("grounds", "caretaker"), NEXT, OFFICE]);
    world.raise(time(NOON), Kind::DryBed, "pea-bed");
    assert_eq!(
        told_in(&mut world, NOON, 48),
        [
            "grounds news: pea-bed: dry-bed stands. Do something about it today.",
            "caretaker news: pea-bed: dry-bed stands. Do something about it today.",
            "office not-answered: grounds has not answered: pea-bed: dry-bed stands. Do something about it today."
        ]
    );
}

#[test]
fn a_group_without_an_address_is_followed_all_the_same() {
    let silent = GROUNDS.replace("email = [\"grounds@school.example\"]\n", "");
    let mut world = world(&[&silent, NEXT, OFFICE]);
    world.raise(time(NOON), Kind::DryBed, "pea-bed");
    let told = told_in(&mut world, NOON, 48);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with("office not-answered: grounds has not answered"), "{told:?}");
}

#[test]
fn a_group_of_places_is_told_of_them_only() {
    let tell = "[[tell]]\nwho = \"pea team\"\nplaces = [\"pea-bed\", \"pea-15cm\"]\nemail = [\"p@school.example\"]\n";
    let mut world = world(&[tell]);
    world.raise(time(NOON), Kind::DryBed, "pea-bed");
    world.raise(time(NOON), Kind::DryBed, "kitchen-bed");
    world.raise(time(NOON), Kind::SensorSilent, "pea-15cm");
    assert_eq!(
        told_in(&mut world, NOON, 1),
        ["pea team news: Pea bed needs water; Sensor pea-15cm (Pea bed) is silent"]
    );
}

const INSTEAD: &str = "instead = { email = [\"backup@school.example\", \"backup2@school.example\"] }\n";

/// Every message that fails is answered for, until nothing more comes.
fn failing(world: &mut World, first: Message, at: &str) -> Vec<String> {
    let mut open = vec![first];
    let mut told = Vec::new();
    for _ in 0..100 {
        let Some(message) = open.pop() else { return told };
        let more = world.not_sent(&message, time(at));
        told.extend(more.iter().map(|m| format!("{} {} {}", m.who, m.address.to, m.purpose.name())));
        open.extend(more);
    }
    panic!("no end: {told:?}");
}

#[test]
fn what_cannot_be_delivered_goes_elsewhere_and_comes_to_an_end() {
    let others =
        &["grounds grounds@school.example not-delivered", "teacher teacher@school.example not-delivered"];
    let watch =
        "[[tell]]\nwho = \"watch\"\nalarms = [\"tank-too-cold\"]\nemail = [\"watch@school.example\"]\n";
    for (extra, expected) in [
        (
            format!("{INSTEAD}{NEXT}"),
            [
                &[
                    "watch backup@school.example not-delivered",
                    "watch backup2@school.example not-delivered",
                    "office office@school.example not-delivered",
                ][..],
                others,
            ]
            .concat(),
        ),
        (NEXT.to_owned(), [&["office office@school.example not-delivered"][..], others].concat()),
        (String::new(), [others, &["office office@school.example not-delivered"][..]].concat()),
    ] {
        let mut world = world(&[watch, &extra, GROUNDS, TEACHER, OFFICE]);
        let told = world.raise(time(NIGHT), Kind::TankTooCold, "perch-tank");
        assert_eq!(told.len(), 1, "{told:?}");
        let told = failing(&mut world, told[0].clone(), NIGHT);
        assert_eq!(told, expected, "{extra}");
    }
}

#[test]
fn a_failed_message_says_whom_it_was_for() {
    let mut world = world(&[TEACHER, INSTEAD, NEXT, OFFICE]);
    let told = world.raise(time(NIGHT), Kind::LowOxygen, "perch-tank");
    let instead = world.not_sent(&told[0], time(NIGHT));
    assert_eq!(instead[0].purpose, Purpose::NotDelivered { to: "teacher".to_owned() });
    assert_eq!(instead[0].opening, "This could not be delivered to your usual address.");
    let next = world.not_sent(&instead[0], time(NIGHT));
    assert_eq!(
        heads(&next),
        [
            "office not-delivered: Not delivered to teacher: perch-tank: low-oxygen stands. Do something about it today."
        ]
    );
    assert_eq!(
        next[0].opening,
        "This was for teacher and could not be delivered there. This could not be delivered to your usual address."
    );
    // The office knows: nobody tells it again that the teacher has not answered.
    assert_eq!(news_in(&mut world, NIGHT, 48), [""; 0]);
}

#[test]
fn what_was_delivered_otherwise_is_over_or_known_goes_nowhere() {
    let tell = &[TEACHER, NEXT, OFFICE];
    let mut world = world(tell);
    let told = world.raise(time(NIGHT), Kind::LowOxygen, "perch-tank").remove(0);
    let given_up = |reached_otherwise, message: &Message| GivenUp {
        message: message.clone(),
        reached_otherwise,
        reason: "refused".to_owned(),
        at: later(time(NIGHT), 1800),
    };
    assert!(world.given_up(&given_up(true, &told)).is_empty());
    // The office was told that the teacher has not answered.
    let passed_on = world.tick(later(time(NIGHT), 1800));
    assert_eq!(passed_on.len(), 1);
    assert!(world.given_up(&given_up(false, &told)).is_empty());
    world.step(later(time(NIGHT), 1900), Kind::LowOxygen, "perch-tank", State::Acknowledged);
    assert!(world.given_up(&given_up(false, &passed_on[0])).is_empty());
    let over =
        world.step(later(time(NIGHT), 2000), Kind::LowOxygen, "perch-tank", State::LatchedAcknowledged);
    assert!(world.given_up(&given_up(false, &over[0])).is_empty());
}

#[test]
fn what_is_not_high_keeps_to_the_quiet_hours_of_others_too() {
    let mut world = world(&[GROUNDS, NEXT, OFFICE, QUIET]);
    world.raise(time(NOON), Kind::DryBed, "pea-bed");
    world.raise(time(NOON), Kind::SensorSilent, "pea-15cm");
    let told = world.tick(later(time(NOON), 60)).remove(0);
    assert!(world.not_sent(&told, time(NIGHT)).is_empty());
    world.restart();
    let told = world.wait(time(NIGHT), 86_400);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].0, time("2026-06-11T06:30:00Z"));
    assert_eq!(
        told[0].1.subject,
        "Not delivered to grounds: Pea bed needs water; Sensor pea-15cm (Pea bed) is silent"
    );
    // The other addresses of the group itself keep to its quiet hours, not to its summary.
    let mut world = self::world(&[GROUNDS, QUIET, MORNING, INSTEAD]);
    world.raise(time(NOON), Kind::DryBed, "pea-bed");
    let told = world.tick(time("2026-06-11T07:00:00Z")).remove(0);
    world.raise(time("2026-06-11T09:00:00Z"), Kind::DryBed, "kitchen-bed");
    let at_day: Vec<_> = world.not_sent(&told, time("2026-06-11T12:00:00Z"));
    assert_eq!(
        at_day.iter().map(|m| m.address.to.as_str()).collect::<Vec<_>>(),
        ["backup@school.example", "backup2@school.example"]
    );
    assert!(world.not_sent(&told, time("2026-06-11T22:00:00Z")).is_empty());
    let told = world.wait(time("2026-06-11T22:00:00Z"), 86_400);
    let at: Vec<_> = told.iter().map(|(at, m)| (*at, m.purpose.name(), m.address.to.as_str())).collect();
    assert_eq!(
        at,
        [
            (time("2026-06-12T06:30:00Z"), "not-delivered", "backup@school.example"),
            (time("2026-06-12T06:30:00Z"), "not-delivered", "backup2@school.example"),
            (time("2026-06-12T07:00:00Z"), "summary", "grounds@school.example"),
        ]
    );
}

#[test]
fn two_addresses_that_fail_make_one_message() {
    let two = TEACHER.replace("\"teacher@", "\"aide@school.example\", \"teacher@");
    let mut world = world(&[&two, NEXT, OFFICE]);
    let told = world.raise(time(NIGHT), Kind::LowOxygen, "perch-tank");
    assert_eq!(told.len(), 2);
    assert_eq!(world.not_sent(&told[0], time(NIGHT)).len(), 1);
    assert_eq!(world.not_sent(&told[1], time(NIGHT)).len(), 0);
}

#[test]
fn thousands_at_once_are_one_message_of_bounded_size() {
    let mut garden = garden(&[GROUNDS, TEACHER].concat());
    let (bed, tank) = (garden.beds[0].clone(), garden.tanks[0].clone());
    let long = "é".repeat(100);
    for n in 0..3000 {
        let id = trug::model::Id::new(&format!("{n:0>64}"));
        garden.beds.push(trug::garden::plan::Bed { id: id.clone(), name: long.clone(), ..bed.clone() });
        garden.tanks.push(trug::garden::plan::Tank { id, name: long.clone(), ..tank.clone() });
    }
    let ids: Vec<String> = garden.beds[3..].iter().map(|bed| bed.id.to_string()).collect();
    let mut world = World::new(garden);
    for kind in [Kind::LowOxygen, Kind::DryBed] {
        let steps: Vec<_> = ids.iter().map(|id| (kind, id.as_str(), State::Unacknowledged)).collect();
        let mut told = world.steps(time(NOON), &steps);
        told.extend(world.wait(time(NOON), 120).into_iter().map(|(_, message)| message));
        assert_eq!(told.len(), 1);
        assert_eq!(told[0].items.len(), 20);
        assert!(told[0].subject.contains("3000"), "{}", told[0].subject);
        assert!(told[0].opening.contains("2980 more"), "{}", told[0].opening);
    }
}

#[test]
fn no_name_breaks_out_of_a_subject() {
    let mut garden = garden(&[GROUNDS, TEACHER, NEXT, OFFICE].concat());
    garden.beds[0].name = "Bed\r\nBcc: thief@example.org\r\n\r\nSend money".to_owned();
    garden.tanks[0].name = "Tank\u{0}\u{202e}\u{2028}\u{7f}".to_owned();
    garden.site.name = "Name\nFrom: x".to_owned();
    let mut world = World::new(garden);
    // `check` in the world looks for control characters.
    let mut told = world.steps(
        time(NOON),
        &[
            (Kind::DryBed, "kitchen-bed", State::Unacknowledged),
            (Kind::DryBed, "pea-bed", State::Unacknowledged),
            (Kind::LowOxygen, "perch-tank", State::Unacknowledged),
            (Kind::TankTooWarm, "perch-tank", State::Unacknowledged),
        ],
    );
    told.extend(world.wait(time(NOON), 120).into_iter().map(|(_, message)| message));
    assert_eq!(
        heads(&told),
        [
            "teacher news: Tank is too warm; Tank is short of oxygen",
            "grounds news: 2 beds need water: Bed Bcc: thief@example.org Send money and Pea bed"
        ]
    );
    assert_eq!(told[0].garden, "Name From: x");
}

#[test]
fn a_message_made_again_after_a_restart_has_the_same_key() {
    let mut world = world(&[GROUNDS, MORNING, NEXT, TEACHER, NEXT, OFFICE]);
    let noon = time(NOON);
    let mut told = world.raise(noon, Kind::LowOxygen, "perch-tank").len();
    world.raise(noon, Kind::DryBed, "pea-bed");
    for hour in 1..=48 {
        // The process ends before the commit, and does all of it again a little later.
        let lost = world.tick_in_vain(later(noon, hour * 3600));
        world.restart();
        let kept = world.tick(later(noon, hour * 3600 + 7));
        let keys = |messages: &[Message]| messages.iter().map(|m| m.key.clone()).collect::<Vec<_>>();
        let (lost, all) = (keys(&lost), keys(&kept));
        assert!(lost.iter().all(|key| all.contains(key)), "hour {hour}: {lost:?} of {all:?}");
        told += kept.iter().filter(|message| message.purpose != Purpose::Again).count();
    }
    // The teacher, the office, grounds in the morning, the office again.
    assert_eq!(told, 4);
}

#[test]
fn what_nothing_is_known_of_after_a_restart_is_forgotten() {
    let mut world = world(&[GROUNDS, QUIET, TEACHER, NEXT, OFFICE]);
    world.raise(time(NIGHT), Kind::LowOxygen, "perch-tank");
    world.raise(time(NIGHT), Kind::DryBed, "pea-bed");
    // Teacher: told, waited for, told again; grounds in the morning.
    assert_eq!(world.waiting.values().flatten().count(), 4);
    // The grounds group and the tank are no more; the bed's alarm began anew.
    let mut other = garden(&[TEACHER, OFFICE].concat());
    other.tanks.remove(0);
    let key = world.key(Kind::LowOxygen, "perch-tank");
    world.forget(&key);
    world.restart_with(Arc::new(other));
    assert_eq!(told_in(&mut world, NIGHT, 48), [""; 0]);
    assert_eq!(world.waiting.values().flatten().count(), 0);
}

#[test]
fn a_clock_that_was_ahead_holds_nothing_back() {
    let mut world = world(&[GROUNDS, NEXT, OFFICE]);
    let ahead = time("2031-01-01T12:00:00Z");
    world.raise(ahead, Kind::DryBed, "pea-bed");
    world.tick(ahead);
    // Set right, with the daemon running; then restarted.
    assert!(world.tick(time(NOON)).is_empty());
    assert_eq!(world.tick(later(time(NOON), 60)).len(), 1);
    world.raise(ahead, Kind::DryBed, "kitchen-bed");
    world.restart();
    let told = world.wait(time(NOON), 3600);
    let who: Vec<_> = told.iter().map(|(_, m)| (m.who.as_str(), m.items[0].key.place.to_string())).collect();
    assert_eq!(
        who,
        [
            ("grounds", "kitchen-bed".to_owned()),
            ("office", "pea-bed".to_owned()),
            ("office", "kitchen-bed".to_owned())
        ]
    );
}

/// When a group is told by an address, in minutes after `from`.
fn minutes_told(told: &[(Timestamp, Message)], from: Timestamp, to: &str, purpose: &Purpose) -> Vec<i64> {
    told.iter()
        .filter(|(_, message)| message.address.to == to && message.purpose == *purpose)
        .map(|(at, _)| (at.as_second() - from.as_second()) / 60)
        .collect()
}

const HOME: &str = "teacher@home.example";
const AT_HOME: &str = "instead = { email = [\"teacher@home.example\"] }\n";

#[test]
fn what_is_high_and_unanswered_is_told_again_at_growing_distance_by_both_ways() {
    let often: Vec<i64> = [5, 15].into_iter().chain((35..=5760).step_by(30)).collect();
    for (extra, expected) in [
        ("", vec![60, 180, 420, 900, 1860, 3300, 4740]),
        ("unanswered = { again_min = 5, most_min = 30 }\n", often),
        ("unanswered = { again_min = 1440, most_min = 1440 }\n", vec![1440, 2880, 4320, 5760]),
    ] {
        let mut world = world(&[TEACHER, AT_HOME, extra]);
        let night = time(NIGHT);
        world.raise(night, Kind::LowOxygen, "perch-tank");
        let told = world.wait(night, 96 * 3600);
        for to in ["teacher@school.example", HOME] {
            assert_eq!(minutes_told(&told, night, to, &Purpose::Again), expected, "{extra} {to}");
        }
        let first = &told[0].1;
        assert_eq!(
            first.subject,
            "Not answered yet: perch-tank: low-oxygen stands. Do something about it today."
        );
        assert_eq!(
            first.opening,
            "You were told of this at 10 pm on Wednesday 10 June, nobody has answered, and it has not gone away. You \
             are told again until somebody answers."
        );
    }
}

#[test]
fn an_answer_or_its_end_ends_the_telling_again() {
    for to in [
        State::Acknowledged,
        State::Shelved,
        State::Suppressed,
        State::OutOfService,
        State::LatchedUnacknowledged,
    ] {
        let mut world = world(&[TEACHER, AT_HOME]);
        world.raise(time(NIGHT), Kind::LowOxygen, "perch-tank");
        world.step(later(time(NIGHT), 3000), Kind::LowOxygen, "perch-tank", to);
        let told = world.wait(time(NIGHT), 48 * 3600);
        assert_eq!(minutes_told(&told, time(NIGHT), HOME, &Purpose::Again), [0; 0], "{to:?}");
    }
    // What is not of high priority waits as it did.
    let mut world = world(&[TEACHER, AT_HOME]);
    world.raise(time(NOON), Kind::Ph, "perch-tank");
    let told = world.wait(time(NOON), 48 * 3600);
    assert!(told.iter().all(|(_, message)| message.purpose == Purpose::News), "{told:?}");
}

#[test]
fn what_grows_worse_is_told_at_once_to_all_who_know_of_it() {
    let mut world = world(&[TEACHER, AT_HOME, NEXT, OFFICE]);
    let night = time(NIGHT);
    world.raise(night, Kind::LowOxygen, "perch-tank");
    world.wait(night, 2400);
    // The office was told after half an hour.
    let worse = world.worsen(later(night, 2500), Kind::LowOxygen, "perch-tank");
    let who: Vec<_> =
        worse.iter().map(|m| (m.who.as_str(), m.address.to.as_str(), m.purpose.name())).collect();
    assert_eq!(
        who,
        [
            ("teacher", "teacher@school.example", "worse"),
            ("teacher", HOME, "worse"),
            ("office", "office@school.example", "worse")
        ]
    );
    assert_eq!(
        worse[0].opening,
        "It has grown worse since it was told. Look at it now, also if you did before."
    );
    // The hours begin again with it.
    let told = world.wait(later(night, 2500), 4 * 3600);
    assert_eq!(minutes_told(&told, later(night, 2500), HOME, &Purpose::Again), [60, 180]);
    // Taken on, and worse all the same: the wait for an answer begins again, too.
    world.step(later(night, 20_000), Kind::LowOxygen, "perch-tank", State::Acknowledged);
    let worse = world.worsen(later(night, 20_100), Kind::LowOxygen, "perch-tank");
    assert_eq!(worse.len(), 3, "{worse:?}");
    let told = world.wait(later(night, 20_100), 2000);
    let purposes: Vec<_> = told.iter().map(|(_, m)| (m.who.as_str(), m.purpose.name())).collect();
    assert_eq!(purposes, [("office", "not-answered")]);
}

/// pH waits for the end of the quiet hours; below 6 it does not, and is not told again by what
/// had waited.
#[test]
fn what_becomes_urgent_is_told_at_once_and_no_second_time() {
    let mut world = world(&[TEACHER]);
    let night = time(NIGHT);
    assert!(world.raise(night, Kind::Ph, "perch-tank").is_empty());
    let now = later(night, 3600);
    let told = world.worsen(now, Kind::Ph, "perch-tank");
    assert_eq!(heads(&told), ["teacher news: perch-tank: ph stands. Do something about it today."]);
    assert_eq!((told[0].priority, told[0].items[0].priority), (Priority::High, Priority::High));
    // Until somebody answers, like everything urgent; the morning brings nothing more.
    let told = world.wait(now, 12 * 3600);
    assert!(
        !told.is_empty() && told.iter().all(|(_, message)| message.purpose == Purpose::Again),
        "{told:?}"
    );
    // Told by day while it was less urgent, it has grown worse.
    let mut world = self::world(&[TEACHER]);
    let noon = time(NOON);
    world.raise(noon, Kind::Ph, "perch-tank");
    assert_eq!(world.tick(later(noon, 60)).len(), 1);
    let told = world.worsen(later(noon, 600), Kind::Ph, "perch-tank");
    assert_eq!(told.iter().map(|m| &m.purpose).collect::<Vec<_>>(), [&Purpose::Worse]);
    // And that it is over is told.
    let told = world.step(later(noon, 1200), Kind::Ph, "perch-tank", State::ReturnedUnacknowledged);
    assert!(told.is_empty() || told[0].purpose == Purpose::Over, "{told:?}");
}

#[test]
fn a_group_that_was_not_reached_yet_is_still_passed_to_while_it_grows_worse() {
    let mut world = world(&[TEACHER, NEXT, OFFICE]);
    let night = time(NIGHT);
    world.raise(night, Kind::LowOxygen, "perch-tank");
    let worse = world.worsen(later(night, 1200), Kind::LowOxygen, "perch-tank");
    assert_eq!(worse.iter().map(|m| m.who.as_str()).collect::<Vec<_>>(), ["teacher"]);
    // Half an hour after the first message, not after the second.
    let told = world.wait(later(night, 1200), 3000);
    assert_eq!(told[0].1.who, "office");
    assert_eq!(told[0].0, later(night, 1800));
}

#[test]
fn what_comes_back_each_night_is_told_ever_more_rarely_unless_it_stays() {
    let mut world = world(&[TEACHER, AT_HOME]);
    let (mut news, mut again) = (Vec::new(), Vec::new());
    for night in 1..=19_u32 {
        let at = later(time(NIGHT), i64::from(night) * 86_400);
        let told = world.come_back(at, Kind::TankTooWarm, "perch-tank", night);
        news.extend(told.iter().map(|_| night));
        let end = later(at, 8 * 3600);
        let waited = world.wait(at, 8 * 3600);
        again.extend(waited.iter().filter(|(_, m)| m.purpose == Purpose::Again).map(|_| night));
        world.step(end, Kind::TankTooWarm, "perch-tank", State::ReturnedUnacknowledged);
    }
    assert_eq!(news, [1, 2, 4, 8, 16]);
    // After one, three and seven hours, by two ways, the first night alone.
    assert_eq!(again, [1; 6]);
    // The twentieth night it does not go away.
    let at = later(time(NIGHT), 20 * 86_400);
    assert!(world.come_back(at, Kind::TankTooWarm, "perch-tank", 20).is_empty());
    let told = world.wait(at, 14 * 3600);
    assert_eq!(minutes_told(&told, at, HOME, &Purpose::Again), [720, 780]);
    assert_eq!(told[0].1.opening, "This has come back as before, and this time it stays.");
}

#[test]
fn what_ran_outside_the_hours_is_in_the_summary_as_over() {
    for (extra, told_at) in
        [(MORNING, "2026-06-11T07:00:00Z"), (QUIET, "2026-06-11T06:30:00Z"), ("", "2026-06-10T22:01:00Z")]
    {
        let mut world = world(&[GROUNDS, extra]);
        world.raise(time(NIGHT), Kind::WateringHours, "pea-bed");
        world.raise(time(NIGHT), Kind::DryBed, "kitchen-bed");
        world.raise(time(NIGHT), Kind::SensorSilent, "pea-15cm");
        world.step(later(time(NIGHT), 30), Kind::WateringHours, "pea-bed", State::ReturnedUnacknowledged);
        world.step(later(time(NIGHT), 40), Kind::SensorSilent, "pea-15cm", State::ReturnedUnacknowledged);
        world.restart();
        let told = world.wait(time(NIGHT), 86_400);
        assert_eq!(told.len(), 1, "{told:?}");
        assert_eq!(told[0].0, time(told_at));
        let message = &told[0].1;
        assert_eq!(
            message.subject,
            "Kitchen bed needs water; over by now: watering outside the allowed hours (Pea bed)"
        );
        assert_eq!(message.opening, "Over by now, but somebody ought to find out what it was: Pea bed.");
        assert_eq!(message.items.len(), 2);
        // Told once; an answer ends it.
        assert!(world.wait(later(time(NIGHT), 86_400), 86_400).is_empty());
        world.step(later(time(NIGHT), 200_000), Kind::WateringHours, "pea-bed", State::Normal);
        world.step(later(time(NIGHT), 200_000), Kind::DryBed, "kitchen-bed", State::Normal);
        assert_eq!(world.waiting.values().flatten().count(), 0);
    }
    // Answered before its time it is nobody's business any more.
    let mut world = world(&[GROUNDS, MORNING]);
    world.raise(time(NIGHT), Kind::WateringHours, "pea-bed");
    world.step(later(time(NIGHT), 30), Kind::WateringHours, "pea-bed", State::ReturnedUnacknowledged);
    world.step(later(time(NIGHT), 60), Kind::WateringHours, "pea-bed", State::Normal);
    assert!(world.wait(time(NIGHT), 86_400).is_empty());
}
