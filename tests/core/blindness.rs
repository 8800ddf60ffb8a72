//! What the garden's own blindness has people told: a tank without a thermometer, a
//! device with a wrong clock, kinds that reach nobody, and alarms that are older than
//! what a restart reads again.

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{Answered, Input, Kind, Priority, State};
use trug::garden::{Clock, possible_alarms, unreached_groups, untold_kinds};
use trug::model::{Id, SensorIx};
use trug::settings::Settings;

use crate::support::garden::{BED_KEYS, GardenFile, SHIPPED, WATERING, local as t, settings};
use crate::support::run::Run;

const TANK: &str = "tank = \"tank\"";
const TELL: &str = "[[tell]]\nwho = \"grounds\"\nalarms = [\"sensor-silent\", \"sensor-fault\"]\n\
                    email = [\"grounds@school.example\"]\n\
                    [[tell]]\nwho = \"fish\"\nalarms = [\"tank-too-warm\"]\nemail = [\"fish@school.example\"]\n";

fn tank(thermometers: &[&str]) -> GardenFile {
    let file = GardenFile::new("school").bed("bed", "Bed", BED_KEYS).probe("probe", "bed", 15);
    let file = file.tank("tank", "Tank", "");
    let with = |file: GardenFile, id: &&str| file.sensor(id, "water-temperature", TANK);
    thermometers.iter().fold(file, with)
}

#[test]
fn the_only_thermometer_of_a_tank_is_high_and_goes_to_whoever_has_the_fish() {
    let of = |thermometers: &[&str], more: &str| tank(thermometers).with(TELL).with(more).garden();
    let one = of(&["float"], "");
    let two = of(&["float", "spare"], "");
    let own = of(&["float"], "[alarms.sensor-fault]\npriority = \"medium\"\n");
    let groups = |garden: &trug::garden::plan::Garden, kind, place: &str| -> Vec<String> {
        let place = Id::new(place);
        let told = garden.tell.iter().filter(|group| garden.concerns(group, kind, &place));
        told.map(|group| group.who.clone()).collect()
    };
    for kind in [Kind::SensorSilent, Kind::SensorFault] {
        let place = Id::new("float");
        assert_eq!(one.priority_at(kind, &place), Priority::High);
        assert_eq!(groups(&one, kind, "float"), ["grounds", "fish"]);
        assert_eq!(two.priority_at(kind, &place), Priority::Low);
        assert_eq!(groups(&two, kind, "float"), ["grounds"]);
        // A bed's probe stays what it is.
        assert_eq!(one.priority_at(kind, &Id::new("probe")), Priority::Low);
        assert_eq!(groups(&one, kind, "probe"), ["grounds"]);
    }
    assert_eq!(
        own.priority_at(Kind::SensorFault, &Id::new("float")),
        Priority::Medium,
        "the garden's own word"
    );
    // What belongs to no gateway falls silent as the site, the thermometer with it.
    assert_eq!(one.priority_at(Kind::GatewaySilent, &Id::new("school")), Priority::High);
    assert_eq!(groups(&one, Kind::GatewaySilent, "school"), ["fish"]);
    assert_eq!(one.priority_at(Kind::DryBed, &Id::new("bed")), Priority::Medium);
}

/// Twenty minutes behind the tank is still watched; a day behind nothing is judged.
#[test]
fn a_wrong_clock_of_a_tank_s_only_thermometer_is_high_where_nothing_can_be_judged() {
    for (behind_min, priority) in [(20, Priority::Low), (26 * 60, Priority::High)] {
        let timed = format!(
            "{TANK}\ntopic = \"school/float\"\npayload = {{ json = {{ value = \"/raw\", time = \"/t\" }} }}\nevery_s = 900\n"
        );
        let file = GardenFile::new("school").bed("bed", "Bed", BED_KEYS).probe("probe", "bed", 15);
        let file = file.tank("tank", "Tank", "").sensor("float", "water-temperature", &timed).with(TELL);
        let (mut run, start) = (Run::by(Clock::Arrival, file.text()), t("2026-03-10T09:00"));
        for quarter in 0..10 {
            let arrival = start + SignedDuration::from_mins(15 * quarter);
            let given = arrival - SignedDuration::from_mins(if quarter < 4 { 0 } else { behind_min });
            let raw = 20.0 + 0.05 * (quarter % 2) as f64;
            let payload = format!(r#"{{"raw":{raw},"t":{}}}"#, given.as_second());
            run.open("school/float", payload.as_bytes(), arrival);
        }
        assert_eq!(run.first(Kind::DeviceClock).priority, priority, "{behind_min} minutes");
    }
}

#[test]
fn words_of_a_silent_thermometer_say_fish_first_and_now() {
    let mut run = Run::by(Clock::Arrival, tank(&["float"]).with(TELL).text());
    let start = t("2026-03-10T09:00");
    for quarter in 0..8 {
        let at = start + SignedDuration::from_mins(15 * quarter);
        run.take(SensorIx(0), at, 0.2 + 0.001 * (quarter % 2) as f64);
        run.take(SensorIx(1), at, 18.0 + 0.1 * (quarter % 2) as f64);
    }
    // The probe goes on; the thermometer does not.
    for quarter in 8..14 {
        let at = start + SignedDuration::from_mins(15 * quarter);
        run.take(SensorIx(0), at, 0.2 + 0.001 * (quarter % 2) as f64);
        run.tick(at + SignedDuration::from_secs(30));
    }
    let told = run.first(Kind::SensorSilent);
    assert_eq!((told.priority, told.record.key.place.as_str()), (Priority::High, "float"));
    assert_eq!(told.tell, ["grounds", "fish"]);
    let text = &told.record.said.text;
    assert!(
        text.contains("Look at the fish now, and measure their water with a hand-held thermometer."),
        "{text}"
    );
    assert!(!text.contains("today"), "{text}");
}

/// A probe that says when it measured, and one arrival after another.
struct Device {
    run: Run,
    start: Timestamp,
}

impl Device {
    fn new() -> Self {
        let payload = "payload = { json = { value = \"/raw\", time = \"/t\" } }\n";
        let probe = format!("bed = \"bed\"\ndepth_cm = 15\n{payload}");
        let file =
            GardenFile::new("school").bed("bed", "Bed", BED_KEYS).sensor("probe", "soil-moisture", &probe);
        let text = file.with(TELL).text().to_owned();
        Self { run: Run::by(Clock::Arrival, &text), start: t("2026-03-10T09:00") }
    }

    /// One message each quarter of an hour whose time is so many minutes behind.
    fn send(&mut self, quarters: std::ops::Range<i64>, behind_min: i64) -> &mut Self {
        for quarter in quarters {
            let arrival = self.start + SignedDuration::from_mins(15 * quarter);
            let given = arrival - SignedDuration::from_mins(behind_min);
            let raw = 0.2 + 0.001 * (quarter % 2) as f64;
            let payload = format!(r#"{{"raw":{raw},"t":{}}}"#, given.as_second());
            self.run.open("school/probe", payload.as_bytes(), arrival);
        }
        self
    }
}

#[test]
fn a_device_clock_that_is_wrong_is_an_alarm_of_its_own() {
    for (behind_min, words) in [
        (20, ["20 minutes behind", "judged under that wrong time"]),
        (26 * 60, ["26 hours behind", "too late to be judged"]),
        (-40, ["40 minutes ahead", "under the time of its arrival"]),
        (20_000_000, ["behind", "1988"]),
    ] {
        let mut device = Device::new();
        device.send(0..4, 0).send(4..6, behind_min);
        assert_eq!(device.run.steps(Kind::DeviceClock), [], "{behind_min}: two are too few");
        device.send(6..9, behind_min);
        let told = device.run.first(Kind::DeviceClock).clone();
        assert_eq!((told.record.state, told.priority), (State::Unacknowledged, Priority::Low));
        assert_eq!(told.record.at, device.start + SignedDuration::from_mins(90));
        let text = &told.record.said.text;
        for words in words {
            assert!(text.contains(words), "{behind_min}: {words:?} in {text}");
        }
        assert!(text.contains("Set its clock or its time service by Tuesday 17 March."), "{text}");
        device.send(9..10, 0);
        assert_eq!(device.run.steps(Kind::DeviceClock).last(), Some(&State::ReturnedUnacknowledged));
    }
}

#[test]
fn a_clock_within_ten_minutes_and_a_burst_of_old_readings_are_no_wrong_clock() {
    let mut device = Device::new();
    device.send(0..20, 9).send(20..40, -4);
    assert_eq!(device.run.steps(Kind::DeviceClock), []);
    // A gateway was away for five hours, and sends what it kept within a minute.
    let back = device.start + SignedDuration::from_hours(15);
    for quarter in 40..60 {
        let given = device.start + SignedDuration::from_mins(15 * quarter);
        let payload = format!(r#"{{"raw":0.2,"t":{}}}"#, given.as_second());
        device.run.open("school/probe", payload.as_bytes(), back + SignedDuration::from_secs(quarter));
    }
    device.send(61..70, 0);
    assert_eq!(device.run.steps(Kind::DeviceClock), []);
}

#[test]
fn a_condition_that_has_not_held_for_long_enough_can_be_seen() {
    let probe = SensorIx(0);
    let file = GardenFile::new("school")
        .with(WATERING)
        .bed("bed", "Bed", &format!("{BED_KEYS}irrigation = {{ litres_per_hour = 240, efficiency = 0.8 }}\n"))
        .probe("probe", "bed", 15)
        .with("[[tell]]\nwho = \"grounds\"\nalarms = [\"dry-bed\"]\nemail = [\"grounds@school.example\"]\n");
    let mut run = Run::new(file.text());
    let (since, step) = (t("2026-03-10T09:40"), SignedDuration::from_mins(15));
    run.take(probe, since - step, 0.24).take(probe, since, 0.21).take(probe, since + step, 0.2095);
    let view = run.view();
    let [pending] = view.pending.as_slice() else { panic!("{:#?}", view.pending) };
    assert_eq!((pending.key.kind, pending.since), (Kind::DryBed, since));
    assert_eq!((pending.due, pending.priority), (t("2026-03-10T10:40"), Priority::Medium));
    assert_eq!(run.changes, []);
    // A restart forgets none of it.
    run.restart();
    assert_eq!(run.view().pending, view.pending);
    for quarter in 2..6 {
        run.take(probe, since + step * quarter, 0.2095 - 0.0004 * f64::from(quarter));
    }
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    assert_eq!(run.view().pending, []);
    assert_eq!(run.first(Kind::DryBed).record.since, since);
}

/// Readings of a bed that stays dry for so many days, one each quarter of an hour.
fn dry_for(run: &mut Run, days: i64) -> Timestamp {
    let start = t("2026-03-01T09:00");
    let quarters = days * 96;
    for quarter in 0..quarters {
        let at = start + SignedDuration::from_mins(15 * quarter);
        let value = 0.21 - 0.04 * quarter as f64 / quarters as f64 + 0.0003 * (quarter % 2) as f64;
        run.take(SensorIx(0), at, value);
    }
    start
}

#[test]
fn an_alarm_of_three_weeks_ago_keeps_its_since_and_can_be_answered_after_a_restart() {
    let bed = format!("{BED_KEYS}irrigation = {{ litres_per_hour = 240, efficiency = 0.8 }}\n");
    let file = GardenFile::new("school").with(WATERING).bed("bed", "Bed", &bed).probe("probe", "bed", 15);
    let mut run = Run::new(file.text());
    let start = dry_for(&mut run, 22);
    let told = run.first(Kind::DryBed).record.clone();
    assert_eq!((told.since, run.changes.len()), (start, 1));
    let before = run.view().alarms[0].record.clone();
    assert_ne!(before.said.text, told.said.text, "the words have moved on");

    // The store gives back fifteen days.
    let from = trug::garden::restore_from(run.core().latest().expect("readings"));
    run.rows.retain(|row| row.at >= from);
    run.restart();
    let after = run.view().alarms[0].record.clone();
    assert_eq!((after.since, after.at, after.state), (told.since, told.at, State::Unacknowledged));
    let litres = |text: &str| {
        let words: Vec<&str> = text.split(' ').collect();
        words.windows(2).find(|it| it[1].starts_with('L')).map(|it| it[0].to_owned()).expect("litres")
    };
    assert_eq!(litres(&after.said.text), litres(&before.said.text), "{}", after.said.text);
    assert_ne!(litres(&after.said.text), litres(&told.said.text));
    assert_eq!(run.view().to_do[0].text, after.said.text);

    // By its own since, as command, link, page and MQTT give it.
    let mut answer = run.reply(Kind::DryBed, "bed", Some(Input::Acknowledge));
    answer.since = Some(told.since);
    assert_eq!(run.answered(&answer), Answered::Done);
    let last = run.changes.last().expect("a step");
    assert_eq!((last.record.state, last.record.since), (State::Acknowledged, told.since));
    assert_eq!(run.answered(&answer), Answered::NotWaiting);
}

/// Out of sight its condition goes on, and it began when it began.
#[test]
fn one_put_aside_keeps_its_since_where_its_beginning_was_not_read_again() {
    let file = GardenFile::new("school").with(WATERING).bed("bed", "Bed", BED_KEYS).probe("probe", "bed", 15);
    let mut run = Run::new(file.text());
    let start = dry_for(&mut run, 20);
    let until = t("2026-04-20T09:00");
    assert!(run.answer(Kind::DryBed, "bed", Input::Shelve { until, one_shot: false }));
    let from = trug::garden::restore_from(run.core().latest().expect("readings"));
    run.rows.retain(|row| row.at >= from);
    run.restart();
    assert_eq!(run.view().alarms[0].record.since, start);
    assert!(run.answer(Kind::DryBed, "bed", Input::Unshelve));
    let last = run.changes.last().expect("a step");
    assert_eq!((last.record.state, last.record.since), (State::Unacknowledged, start));
}

fn shipped_with(more: &str) -> Settings {
    settings(&format!("{SHIPPED}\n{more}"))
}

#[test]
fn kinds_that_reach_nobody_and_groups_that_nothing_reaches_are_known() {
    let shipped = shipped_with("");
    assert_eq!(untold_kinds(&shipped.gardens), [vec![]], "somebody is told of everything that ships");
    assert_eq!(unreached_groups(&shipped.gardens[0]).len(), 0);
    // Every kind that it can have stands among its possible alarms.
    let possible = possible_alarms(&shipped.gardens[0]);
    for kind in [Kind::DryBed, Kind::SensorSilent, Kind::GatewaySilent, Kind::BrokerLost, Kind::StoreFailing]
    {
        assert!(possible.iter().any(|(it, _)| *it == kind), "{}", kind.name());
    }

    let lost = shipped_with(
        "[[tell]]\nwho = \"nobody\"\nalarms = [\"low-oxygen\"]\nplaces = [\"kitchen-bed\"]\nemail = [\"x@school.example\"]\n",
    );
    let unreached = unreached_groups(&lost.gardens[0]);
    assert_eq!(unreached.iter().map(|group| group.who.as_str()).collect::<Vec<_>>(), ["nobody"]);

    let file = tank(&["float"]).bed("two", "Two", BED_KEYS).probe("deep", "two", 15);
    let some = "[[tell]]\nwho = \"grounds\"\nalarms = [\"dry-bed\", \"sensor-silent\"]\nplaces = [\"bed\", \"probe\"]\n\
                email = [\"g@school.example\"]\n[[tell]]\nwho = \"mute\"\nalarms = [\"waterlogged\"]\n";
    let small = settings(file.with(some).text());
    let untold = untold_kinds(&small.gardens).remove(0);
    let at = |kind| untold.iter().find(|it| it.kind == kind);
    let dry = at(Kind::DryBed).expect("the other bed");
    assert_eq!((dry.places.as_slice(), dry.everywhere), ([Id::new("two")].as_slice(), false));
    // A group without an address is told nothing.
    assert!(at(Kind::Waterlogged).is_some_and(|it| it.everywhere));
    assert!(at(Kind::BrokerLost).is_some_and(|it| it.everywhere && it.places == [Id::new("trug")]));
    assert!(at(Kind::GaugeSuspect).is_none(), "it has no gauge");
}
