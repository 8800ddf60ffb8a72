//! The words of an alarm that stands are those of now, and the garden's own
//! conduct of its alarms holds.

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{Input, Kind, Priority, State};
use trug::model::SensorIx;

use crate::support::garden::{BED_KEYS, GardenFile, WATERING, local as t};
use crate::support::run::Run;

/// One bed and one tank; raw numbers are values. `more` is what a test adds.
fn small(more: &str) -> Run {
    let bed = format!("{BED_KEYS}irrigation = {{ litres_per_hour = 240, efficiency = 0.8 }}\n");
    let file = GardenFile::new("school")
        .with(WATERING)
        .bed("bed", "Bed", &bed)
        .with("[[tank]]\nid = \"tank\"\nname = \"Tank\"\nvolume_l = 500\nlimits = { cold_c = 10, warm_c = 30 }\n")
        .probe("probe", "bed", 15)
        .sensor("thermometer", "water-temperature", "tank = \"tank\"")
        .with(more);
    Run::new(file.text())
}

const PROBE: SensorIx = SensorIx(0);
const THERMOMETER: SensorIx = SensorIx(1);

/// Every quarter of an hour from `from` to `to`, moving evenly between two values with a
/// last digit that wobbles as a real sensor's does.
fn moves(run: &mut Run, sensor: SensorIx, from: &str, to: &str, values: (f64, f64)) {
    let (start, end) = (t(from), t(to));
    let length_s = (end.as_second() - start.as_second()) as f64;
    let (mut at, mut wobble) = (start, 0.0004);
    while at < end {
        let part = (at.as_second() - start.as_second()) as f64 / length_s;
        run.take(sensor, at, values.0 + part * (values.1 - values.0) + wobble);
        wobble = -wobble;
        at += SignedDuration::from_mins(15);
    }
}

/// What the page says of the one alarm that is not normal, and when it changed.
fn shown(run: &Run) -> (String, Timestamp) {
    let view = run.view();
    let [alarm] = view.alarms.as_slice() else { panic!("one alarm: {:#?}", view.alarms) };
    (alarm.record.said.text.clone(), alarm.record.at)
}

/// What the page says of an alarm beside others.
fn said(run: &Run, kind: Kind) -> String {
    let view = run.view();
    let alarm = view.alarms.iter().find(|it| it.record.key.kind == kind).expect("it stands");
    alarm.record.said.text.clone()
}

#[test]
fn a_bed_dry_since_yesterday_says_what_to_do_this_morning() {
    let mut run = small("");
    moves(&mut run, PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    let [told] = run.changes.as_slice() else { panic!("one change: {:?}", run.changes) };
    assert!(told.record.said.text.contains("after 6 pm on Tuesday 10 March"), "{}", told.record.said.text);
    let told = told.clone();

    // The night goes by, and the bed dries on.
    moves(&mut run, PROBE, "2026-03-10T14:00", "2026-03-11T07:00", (0.20, 0.18));
    let (text, at) = shown(&run);
    assert!(text.contains("before 9 am on Wednesday 11 March"), "{text}");
    // 60 mm are gone at 0.18: 60 mm x 10 m2 / 0.8 = 750 L; an hour before, a little less.
    assert!(
        text.contains("about 720 L") && told.record.said.text.contains("570 L"),
        "{text} {}",
        told.record.said.text
    );
    let to_do = &run.view().to_do[0];
    assert_eq!(to_do.text, text);
    let standing = run.core().snapshot(&run.key(Kind::DryBed, "bed")).expect("it stands");
    assert_eq!((standing.said.text, standing.since), (text, told.record.since));
    // The change keeps its time, and nothing was told anew.
    assert_eq!(at, told.record.at);
    assert_eq!(run.changes.len(), 1);

    // Past nine the words have moved on again, by the edge of the allowed hours.
    moves(&mut run, PROBE, "2026-03-11T07:00", "2026-03-11T09:30", (0.18, 0.18));
    let (text, _) = shown(&run);
    assert!(text.contains("after 6 pm on Wednesday 11 March"), "{text}");
    assert_eq!(run.changes.len(), 1);
}

/// The words stay, since nothing newer is known; page, messages and commands say how old they are.
#[test]
fn what_a_silent_sensor_raised_ends_with_its_last_reading() {
    let mut run = small("");
    moves(&mut run, PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    moves(&mut run, THERMOMETER, "2026-03-10T14:00", "2026-03-10T14:30", (20.0, 20.0));
    assert!(!said(&run, Kind::DryBed).contains("Last reading"), "fresh: {}", said(&run, Kind::DryBed));
    moves(&mut run, THERMOMETER, "2026-03-10T14:30", "2026-03-10T19:00", (20.0, 20.0));
    let text = said(&run, Kind::DryBed);
    assert!(run.view().to_do.iter().any(|it| it.text == text), "{text}");
    assert!(text.ends_with("Last reading: 20.0 % by volume, 5 hours ago."), "{text}");
    let standing = run.core().snapshot(&run.key(Kind::DryBed, "bed")).expect("it stands");
    assert_eq!(standing.said.text, text);
    moves(&mut run, PROBE, "2026-03-10T19:00", "2026-03-10T19:15", (0.20, 0.20));
    assert!(!said(&run, Kind::DryBed).contains("Last reading"), "{}", said(&run, Kind::DryBed));
}

/// The cautions stay last.
#[test]
fn a_last_reading_stands_before_the_cautions() {
    let mut run = small("");
    moves(&mut run, THERMOMETER, "2026-03-10T09:00", "2026-03-10T12:00", (31.0, 31.0));
    moves(&mut run, PROBE, "2026-03-10T12:00", "2026-03-10T16:00", (0.28, 0.28));
    let text = said(&run, Kind::TankTooWarm);
    let (last, care) = (text.find("Last reading: 31.0 °C, 4 hours ago. Take care:"), text.find("Take care:"));
    assert!(last.is_some() && last < care, "{text}");
}

/// A shock of days ago that nobody has answered comes behind what is to be done now.
#[test]
fn what_has_been_over_for_days_comes_behind_what_holds() {
    let mut run = small("");
    moves(&mut run, THERMOMETER, "2026-03-10T09:00", "2026-03-10T12:00", (20.0, 20.0));
    moves(&mut run, THERMOMETER, "2026-03-10T12:00", "2026-03-10T13:00", (20.0, 16.0));
    moves(&mut run, THERMOMETER, "2026-03-10T13:00", "2026-03-11T20:00", (16.0, 16.0));
    moves(&mut run, PROBE, "2026-03-11T20:00", "2026-03-11T23:00", (0.20, 0.20));
    let kinds = |run: &Run| -> Vec<Kind> {
        let kinds = run.view().alarms.into_iter().map(|it| it.record.key.kind);
        kinds.filter(|kind| matches!(kind, Kind::TankTemperatureShock | Kind::DryBed)).collect()
    };
    assert_eq!(kinds(&run), [Kind::TankTemperatureShock, Kind::DryBed], "it was over this noon");
    moves(&mut run, PROBE, "2026-03-11T23:00", "2026-03-13T23:00", (0.20, 0.19));
    assert!(run.view().alarms.iter().any(|it| it.record.state == State::LatchedUnacknowledged));
    assert_eq!(kinds(&run), [Kind::DryBed, Kind::TankTemperatureShock]);
}

#[test]
fn words_follow_at_once_when_the_hours_begin_or_end() {
    let mut run = small("");
    moves(&mut run, PROBE, "2026-03-10T09:00", "2026-03-10T17:59", (0.21, 0.19));
    assert!(shown(&run).0.contains(", after 6 pm on Tuesday 10 March"), "{}", shown(&run).0);
    moves(&mut run, PROBE, "2026-03-10T18:00", "2026-03-10T18:01", (0.19, 0.19));
    assert!(shown(&run).0.contains("now, before 9 am on Wednesday 11 March"), "{}", shown(&run).0);
}

#[test]
fn a_bed_that_is_nearly_moist_again_is_not_called_dry() {
    let mut run = small("");
    moves(&mut run, PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    // Readily available water is used up at 0.22, and the deadband ends at 0.228.
    moves(&mut run, PROBE, "2026-03-10T14:00", "2026-03-11T07:00", (0.224, 0.224));
    let (text, _) = shown(&run);
    assert!(text.starts_with("Bed is nearly due for water: 62 %"), "{text}");
    assert_eq!(run.changes.len(), 1);
}

#[test]
fn after_a_restart_the_stored_words_stand_until_the_next_judgement() {
    let mut run = small("");
    moves(&mut run, PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    let told = run.changes.remove(0);
    let mut again = small("");
    again.router.core.restore_alarms(vec![told.record.clone()]);
    assert_eq!(shown(&again).0, told.record.said.text);
    moves(&mut again, PROBE, "2026-03-11T06:45", "2026-03-11T07:00", (0.20, 0.20));
    let (text, at) = shown(&again);
    assert!(text.contains("before 9 am on Wednesday 11 March"), "{text}");
    assert_eq!((at, again.changes.len()), (told.record.at, 0));
}

#[test]
fn what_is_shown_again_says_how_it_stands_now() {
    let mut run = small("");
    moves(&mut run, PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    let until = t("2026-04-01T00:00");
    assert!(run.answer(Kind::DryBed, "bed", Input::Shelve { until, one_shot: false }));
    moves(&mut run, PROBE, "2026-03-10T14:00", "2026-03-12T07:00", (0.20, 0.18));
    assert!(run.answer(Kind::DryBed, "bed", Input::Unshelve));
    let told = run.changes.last().expect("a change");
    assert_eq!(told.record.state, State::Unacknowledged);
    assert!(told.record.said.text.contains("before 9 am on Thursday 12 March"), "{}", told.record.said.text);
}

/// An alarm whose condition began while the plan kept it quiet.
#[test]
fn what_the_plan_kept_quiet_says_what_is_wrong_when_it_may_speak() {
    let mut run =
        small("[[holiday]]\nfrom = 2026-03-10\nto = 2026-03-11\nquiet = [\"dry-bed\", \"tank-too-warm\"]");
    moves(&mut run, PROBE, "2026-03-10T09:00", "2026-03-12T07:00", (0.21, 0.20));
    let told: Vec<_> = run.changes.iter().filter(|c| c.record.key.kind == Kind::DryBed).collect();
    let [quiet, told] = told.as_slice() else { panic!("two changes: {:?}", run.changes) };
    assert_eq!((quiet.record.state, told.record.state), (State::Suppressed, State::Unacknowledged));
    assert!(told.record.said.text.starts_with("Bed is too dry"), "{}", told.record.said.text);
}

#[test]
fn a_gardens_own_conduct_holds() {
    let own = "[alarms.tank-too-warm]\nagain_h = 3\nlatching = true\npriority = \"low\"";
    for more in ["", own] {
        let mut run = small(more);
        moves(&mut run, THERMOMETER, "2026-03-10T09:00", "2026-03-10T12:00", (31.0, 31.0));
        assert!(run.answer(Kind::TankTooWarm, "tank", Input::Acknowledge));
        moves(&mut run, THERMOMETER, "2026-03-10T12:00", "2026-03-10T16:00", (31.0, 31.0));
        moves(&mut run, THERMOMETER, "2026-03-10T16:00", "2026-03-10T19:00", (29.0, 29.0));
        let warm = run.changes.iter().filter(|c| c.record.key.kind == Kind::TankTooWarm);
        let steps: Vec<_> = warm.map(|c| (c.priority, c.record.state)).collect();
        use State::{Acknowledged, LatchedUnacknowledged, Normal, Unacknowledged};
        if more.is_empty() {
            let high = |to| (Priority::High, to);
            assert_eq!(steps, [high(Unacknowledged), high(Acknowledged), high(Normal)]);
        } else {
            let low = |to| (Priority::Low, to);
            let all =
                [low(Unacknowledged), low(Acknowledged), low(Unacknowledged), low(LatchedUnacknowledged)];
            assert_eq!(steps, all);
            let view = run.view();
            let shown =
                view.alarms.iter().find(|a| a.record.key.kind == Kind::TankTooWarm).expect("it is latched");
            assert_eq!(shown.priority, Priority::Low);
        }
    }
}
