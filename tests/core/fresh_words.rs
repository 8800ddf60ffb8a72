//! The words of an alarm that stands are those of now, and the garden's own
//! conduct of its alarms holds.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, Answer, Answered};
use trug::alarms::{Input, Kind, Priority, State};
use trug::garden::plan::Garden;
use trug::garden::record::{AlarmChange, Batch};
use trug::garden::{Clock, Core, StoredAlarm};
use trug::model::Id;
use trug::model::Sample;
use trug::model::SensorIx;
use trug::settings::from_text;

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";

/// One bed and one tank; raw numbers are values. `MORE` stands for what a test adds.
const SMALL: &str = r#"
[site]
id = "school"
name = "School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.9
elevation_m = 50
[watering]
allowed = ["00:00-09:00", "18:00-24:00"]
[[bed]]
id = "bed"
name = "Bed"
area_m2 = 10
field_capacity = 0.30
wilting_point = 0.10
root_depth_m = 0.5
depletion_fraction = 0.4
irrigation = { litres_per_hour = 240, efficiency = 0.8 }
[[tank]]
id = "tank"
name = "Tank"
volume_l = 500
limits = { cold_c = 10, warm_c = 30 }
[[sensor]]
id = "probe"
measures = "soil-moisture"
bed = "bed"
depth_cm = 15
topic = "school/probe"
payload = "number"
every_s = 900
[[sensor]]
id = "thermometer"
measures = "water-temperature"
tank = "tank"
topic = "school/thermometer"
payload = "number"
every_s = 900
MORE
"#;

const PROBE: SensorIx = SensorIx(0);
const THERMOMETER: SensorIx = SensorIx(1);

struct Run {
    core: Core,
    changes: Vec<AlarmChange>,
}

impl Run {
    fn new(more: &str) -> Self {
        let text = SMALL.replace("MORE", more);
        let settings =
            from_text(("trug.toml", TRUG), &[("g.toml", &text)], std::iter::empty()).expect("no faults");
        let gardens: Vec<Arc<Garden>> = settings.gardens.into_iter().map(Arc::new).collect();
        Self { core: Core::new(&gardens, Clock::Readings), changes: vec![] }
    }

    /// Every quarter of an hour from `from` to `to`, moving evenly between two values
    /// with a last digit that wobbles as a real sensor's does.
    fn moves(&mut self, sensor: SensorIx, from: &str, to: &str, values: (f64, f64)) -> &mut Self {
        let (start, end) = (t(from), t(to));
        let length_s = (end.as_second() - start.as_second()) as f64;
        let (mut at, mut wobble) = (start, 0.0004);
        while at < end {
            let part = (at.as_second() - start.as_second()) as f64 / length_s;
            let raw = values.0 + part * (values.1 - values.0) + wobble;
            let mut batch = Batch::default();
            self.core.take(sensor, Sample { at: Some(at), raw, battery: None }, at, &mut batch);
            self.changes.extend(batch.changes);
            wobble = -wobble;
            at += SignedDuration::from_mins(15);
        }
        self
    }

    fn answer(&mut self, alarm: &AlarmKey, input: Input) {
        let mut batch = Batch::default();
        let answer = Answer {
            key: alarm.clone(),
            at: Timestamp::UNIX_EPOCH,
            input: Some(input),
            how: "command".to_owned(),
            since: None,
            note: None,
        };
        assert_eq!(self.core.answer(&answer, &mut batch), Answered::Done);
        self.changes.extend(batch.changes);
    }

    /// What the page says of the one alarm that is not normal, and when it changed.
    fn shown(&self) -> (String, Timestamp) {
        let view = self.core.view("school").expect("the site");
        let [alarm] = view.alarms.as_slice() else { panic!("one alarm: {:#?}", view.alarms) };
        (alarm.text.clone(), alarm.at)
    }
}

fn key(kind: Kind, place: &str) -> AlarmKey {
    AlarmKey { site: Id::new("school"), kind, place: Id::new(place) }
}

/// A local time of Adelaide.
fn t(local: &str) -> Timestamp {
    let zone = jiff::tz::TimeZone::get("Australia/Adelaide").expect("bundled");
    zone.to_timestamp(local.parse::<jiff::civil::DateTime>().expect("a date-time")).expect("a moment")
}

#[test]
fn a_bed_dry_since_yesterday_says_what_to_do_this_morning() {
    let mut run = Run::new("");
    run.moves(PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    let [told] = run.changes.as_slice() else { panic!("one change: {:?}", run.changes) };
    assert!(told.text.contains("after 6 pm on Tuesday 10 March"), "{}", told.text);
    let told = told.clone();

    // The night goes by, and the bed dries on.
    run.moves(PROBE, "2026-03-10T14:00", "2026-03-11T07:00", (0.20, 0.18));
    let (text, at) = run.shown();
    assert!(text.contains("before 9 am on Wednesday 11 March"), "{text}");
    // 60 mm are gone at 0.18: 60 mm x 10 m2 / 0.8 = 750 L; an hour before, a little less.
    assert!(text.contains("about 740 L") && told.text.contains("570 L"), "{text} {}", told.text);
    let to_do = &run.core.view("school").expect("the site").to_do[0];
    assert_eq!(to_do.text, text);
    let standing = run.core.standing(&key(Kind::DryBed, "bed")).expect("it stands");
    assert_eq!((standing.text, standing.since), (text, told.since));
    // The change keeps its time, and nothing was told anew.
    assert_eq!(at, told.at);
    assert_eq!(run.changes.len(), 1);

    // Past nine the words have moved on again, by the edge of the allowed hours.
    run.moves(PROBE, "2026-03-11T07:00", "2026-03-11T09:30", (0.18, 0.18));
    let (text, _) = run.shown();
    assert!(text.contains("after 6 pm on Wednesday 11 March"), "{text}");
    assert_eq!(run.changes.len(), 1);
}

#[test]
fn words_follow_at_once_when_the_hours_begin_or_end() {
    let mut run = Run::new("");
    run.moves(PROBE, "2026-03-10T09:00", "2026-03-10T17:59", (0.21, 0.19));
    assert!(run.shown().0.contains(", after 6 pm on Tuesday 10 March"), "{}", run.shown().0);
    run.moves(PROBE, "2026-03-10T18:00", "2026-03-10T18:01", (0.19, 0.19));
    assert!(run.shown().0.contains("now, before 9 am on Wednesday 11 March"), "{}", run.shown().0);
}

#[test]
fn a_bed_that_is_nearly_moist_again_is_not_called_dry() {
    let mut run = Run::new("");
    run.moves(PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    // Readily available water is used up at 0.22, and the deadband ends at 0.228.
    run.moves(PROBE, "2026-03-10T14:00", "2026-03-11T07:00", (0.224, 0.224));
    let (text, _) = run.shown();
    assert!(text.starts_with("Bed is still nearly dry: 62 %"), "{text}");
    assert_eq!(run.changes.len(), 1);
}

#[test]
fn after_a_restart_the_stored_words_stand_until_the_next_judgement() {
    let mut run = Run::new("");
    run.moves(PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    let told = run.changes.remove(0);
    let mut again = Run::new("");
    again.core.restore_alarms(vec![StoredAlarm {
        key: told.key,
        state: told.to,
        since: told.since,
        at: told.at,
        shelf: None,
        text: told.text.clone(),
        values: told.values,
        source: told.source,
        why: told.why,
    }]);
    assert_eq!(again.shown().0, told.text);
    again.moves(PROBE, "2026-03-11T06:45", "2026-03-11T07:00", (0.20, 0.20));
    let (text, at) = again.shown();
    assert!(text.contains("before 9 am on Wednesday 11 March"), "{text}");
    assert_eq!((at, again.changes.len()), (told.at, 0));
}

#[test]
fn what_is_shown_again_says_how_it_stands_now() {
    let mut run = Run::new("");
    run.moves(PROBE, "2026-03-10T09:00", "2026-03-10T14:00", (0.21, 0.20));
    let bed = key(Kind::DryBed, "bed");
    run.answer(&bed, Input::Shelve { until: t("2026-04-01T00:00"), one_shot: false });
    run.moves(PROBE, "2026-03-10T14:00", "2026-03-12T07:00", (0.20, 0.18));
    run.answer(&bed, Input::Unshelve);
    let told = run.changes.last().expect("a change");
    assert_eq!(told.to, State::Unacknowledged);
    assert!(told.text.contains("before 9 am on Thursday 12 March"), "{}", told.text);
}

/// An alarm whose condition began while the plan kept it quiet.
#[test]
fn what_the_plan_kept_quiet_says_what_is_wrong_when_it_may_speak() {
    let mut run =
        Run::new("[[holiday]]\nfrom = 2026-03-10\nto = 2026-03-11\nquiet = [\"dry-bed\", \"tank-too-warm\"]");
    run.moves(PROBE, "2026-03-10T09:00", "2026-03-12T07:00", (0.21, 0.20));
    let told: Vec<_> = run.changes.iter().filter(|c| c.key.kind == Kind::DryBed).collect();
    let [quiet, told] = told.as_slice() else { panic!("two changes: {:?}", run.changes) };
    assert_eq!((quiet.to, told.to), (State::Suppressed, State::Unacknowledged));
    assert!(told.text.starts_with("Bed is dry"), "{}", told.text);
}

#[test]
fn a_gardens_own_conduct_holds() {
    let own = "[alarms.tank-too-warm]\nagain_h = 3\nlatching = true\npriority = \"low\"";
    for more in ["", own] {
        let mut run = Run::new(more);
        run.moves(THERMOMETER, "2026-03-10T09:00", "2026-03-10T12:00", (31.0, 31.0));
        run.answer(&key(Kind::TankTooWarm, "tank"), Input::Acknowledge);
        run.moves(THERMOMETER, "2026-03-10T12:00", "2026-03-10T16:00", (31.0, 31.0));
        run.moves(THERMOMETER, "2026-03-10T16:00", "2026-03-10T19:00", (29.0, 29.0));
        let warm = run.changes.iter().filter(|c| c.key.kind == Kind::TankTooWarm);
        let steps: Vec<_> = warm.map(|c| (c.priority, c.to)).collect();
        use State::{Acknowledged, LatchedUnacknowledged, Normal, Unacknowledged};
        if more.is_empty() {
            let high = |to| (Priority::High, to);
            assert_eq!(steps, [high(Unacknowledged), high(Acknowledged), high(Normal)]);
        } else {
            let low = |to| (Priority::Low, to);
            let all =
                [low(Unacknowledged), low(Acknowledged), low(Unacknowledged), low(LatchedUnacknowledged)];
            assert_eq!(steps, all);
            let view = run.core.view("school").expect("the site");
            let shown = view.alarms.iter().find(|a| a.kind == Kind::TankTooWarm).expect("it is latched");
            assert_eq!(shown.priority, Priority::Low);
        }
    }
}
