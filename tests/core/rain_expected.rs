//! Rain that somebody expects holds what is said of a dry bed, until a stated time.

use jiff::SignedDuration;
use trug::alarms::{Kind, State};
use trug::garden::log::LogEvent;
use trug::garden::view::SiteView;
use trug::model::{Id, SensorIx};

use crate::support::garden::{BED_KEYS, GardenFile, WATERING, local as t};
use crate::support::run::Run;

const PROBE: SensorIx = SensorIx(0);
const GAUGE: SensorIx = SensorIx(1);

/// Readily available water is used up at 0.22 m3/m3; at 0.16 Ks is 0.5.
fn school() -> Run {
    let file = GardenFile::new("school")
        .with(WATERING)
        .bed("bed", "Bed", BED_KEYS)
        .probe("probe", "bed", 15)
        .sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }");
    Run::new(file.text())
}

fn play(run: &mut Run, from: &str, to: &str, water: f64) {
    let (mut at, to) = (t(from), t(to));
    while at < to {
        let wobble = 0.0003 * ((at.as_second() / 900) % 3 - 1) as f64;
        run.take(PROBE, at, water + wobble);
        run.take(GAUGE, at, 0.0);
        at += SignedDuration::from_mins(15);
    }
}

fn expect(run: &mut Run, place: Option<&str>, at: &str, hours: f64) {
    run.log_of(place.map(Id::new), t(at), LogEvent::RainExpected { hours });
}

fn words(view: &SiteView) -> &str {
    &view.beds[0].words
}

#[test]
fn a_bed_that_grows_dry_while_rain_is_expected_is_told_at_the_end() {
    for place in [None, Some("bed")] {
        let mut run = school();
        play(&mut run, "2026-03-09T09:00", "2026-03-10T09:00", 0.25);
        expect(&mut run, place, "2026-03-10T09:00", 24.0);
        play(&mut run, "2026-03-10T09:00", "2026-03-11T08:45", 0.20);
        assert_eq!(run.steps(Kind::DryBed), [], "{place:?}");
        let view = run.view();
        let hold = "Rain is expected (Garden log, 9 am on Tuesday 10 March): hold the water until 9 am on \
                    Wednesday 11 March. If none has come by then, give it about 500 L.";
        assert!(words(&view).starts_with("Too dry: ") && words(&view).contains(hold), "{}", words(&view));
        let [held] = view.rain_holds.as_slice() else { panic!("{:?}", view.rain_holds) };
        assert!(held.contains("only after 9 am on Wednesday 11 March") && held.contains("0 hours"), "{held}");

        play(&mut run, "2026-03-11T08:45", "2026-03-11T11:00", 0.20);
        assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
        let text = run.first(Kind::DryBed).record.said.text.to_string();
        let over = "Rain was expected until 9 am on Wednesday 11 March; the gauge has caught 0.0 mm since that entry.";
        assert!(text.contains("Give it about 500 L") && text.ends_with(over), "{text}");
        assert_eq!(run.view().rain_holds, Vec::<String>::new());
    }
}

#[test]
fn an_alarm_that_stands_stays_and_says_so() {
    let mut run = school();
    play(&mut run, "2026-03-10T09:00", "2026-03-10T12:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    expect(&mut run, None, "2026-03-10T12:00", 48.0);
    play(&mut run, "2026-03-10T12:00", "2026-03-10T15:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    let view = run.view();
    assert!(
        view.to_do[0].text.contains("hold the water until midday on Thursday 12 March"),
        "{:?}",
        view.to_do
    );
}

#[test]
fn a_bed_that_gets_very_dry_waits_for_no_rain() {
    let mut run = school();
    play(&mut run, "2026-03-09T09:00", "2026-03-10T09:00", 0.25);
    expect(&mut run, None, "2026-03-10T09:00", 72.0);
    play(&mut run, "2026-03-10T09:00", "2026-03-10T12:00", 0.165);
    assert_eq!(run.steps(Kind::DryBed), []);
    play(&mut run, "2026-03-10T12:00", "2026-03-10T15:00", 0.155);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    let text = run.first(Kind::DryBed).record.said.text.to_string();
    assert!(text.ends_with("Rain is expected, but it is too dry to wait for that."), "{text}");
}

#[test]
fn no_hours_end_a_hold() {
    let mut run = school();
    play(&mut run, "2026-03-09T09:00", "2026-03-10T09:00", 0.25);
    expect(&mut run, None, "2026-03-10T09:00", 72.0);
    play(&mut run, "2026-03-10T09:00", "2026-03-10T12:00", 0.20);
    expect(&mut run, Some("bed"), "2026-03-10T12:00", 0.0);
    play(&mut run, "2026-03-10T12:00", "2026-03-10T15:00", 0.20);
    assert_eq!(run.steps(Kind::DryBed), [State::Unacknowledged]);
    assert!(!run.first(Kind::DryBed).record.said.text.contains("Rain"), "nothing is held");
}
