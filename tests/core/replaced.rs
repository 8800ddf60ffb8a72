//! A sensor that is replaced by another one, or calibrated again: the step between the
//! two is no water and no shock, and nothing learned from the old one is held against the
//! new one.

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{Kind, State};
use trug::analysis::month::{MonthInput, month};
use trug::garden::log::{LogEntry, LogEvent};
use trug::history::Point;
use trug::model::{CalendarMonth, Id, SensorIx};
use trug::quality::Flag;

use crate::support::garden::{BED_KEYS, GardenFile, WATERING, local as t};
use crate::support::run::Run;

const PROBE: SensorIx = SensorIx(0);
const WATER: SensorIx = SensorIx(1);

fn school(of_water: &str) -> GardenFile {
    GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("bed", "Bed", BED_KEYS)
        .tank("tank", "Perch tank", "")
        .probe("probe", "bed", 15)
        .sensor("water", "water-temperature", &format!("tank = \"tank\"\n{of_water}"))
        .sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }")
}

/// A digit that moves, from -5 to 5.
fn digit(at: Timestamp) -> f64 {
    ((at.as_second() / 900 * 7919).rem_euclid(11) - 5) as f64
}

/// Every quarter of an hour from `from` to `to`: a bed that is watered to 0.30 at
/// each fifth midnight and a tank of 21 degrees, each changed by `off`; 3 mm of rain on
/// one morning, by which the gauge is known to work.
fn play(run: &mut Run, from: &str, to: &str, off: (f64, f64)) {
    let mut at = t(from);
    while at < t(to) {
        let days = at.duration_since(t("2026-03-02T00:00")).as_secs_f64() / 86_400.0;
        run.take(PROBE, at, 0.30 - 0.006 * (days % 5.0) + 2e-4 * digit(at) + off.0);
        run.take(WATER, at, 21.0 + 0.02 * digit(at) + off.1);
        run.take(SensorIx(2), at, if at == t("2026-03-03T06:00") { 15.0 } else { 0.0 });
        at += SignedDuration::from_mins(15);
    }
}

/// Both are replaced at noon by ones that show more and less.
fn swapped(logged: bool) -> Run {
    let mut run = Run::new(school("").text());
    play(&mut run, "2026-03-02T00:00", "2026-03-14T12:00", (0.0, 0.0));
    if logged {
        for sensor in ["probe", "water"] {
            run.log(sensor, t("2026-03-14T12:10"), LogEvent::ProbeReplaced);
        }
    }
    play(&mut run, "2026-03-14T12:15", "2026-03-16T12:30", (0.05, -4.0));
    run
}

#[test]
fn a_step_between_two_instruments_is_neither_water_nor_shock() {
    let silent = swapped(false);
    let told: Vec<Kind> = silent.told().into_iter().map(|(kind, ..)| kind).collect();
    assert!(told.contains(&Kind::WateringHours) && told.contains(&Kind::TankTemperatureShock), "{told:?}");

    let logged = swapped(true);
    assert_eq!(logged.told(), []);
    let new: Vec<_> = logged.rows.iter().filter(|row| row.at >= t("2026-03-14T12:15")).collect();
    assert!(new.iter().all(|row| row.flag == Flag::Pass), "the first reading has no old neighbour");
}

#[test]
fn what_was_learned_of_the_drying_goes_with_the_old_probe() {
    let outlook = |run: &Run| {
        let bed = run.view().beds.remove(0);
        bed.figures.into_iter().find(|it| it.name == "Dry, if no water comes").expect("a figure").why
    };
    for (logged, known) in [(false, true), (true, false)] {
        let mut run = Run::new(school("").text());
        play(&mut run, "2026-03-02T00:00", "2026-03-14T12:00", (0.0, 0.0));
        assert!(!outlook(&run).is_empty());
        if logged {
            run.log("probe", t("2026-03-14T12:10"), LogEvent::ProbeReplaced);
        }
        play(&mut run, "2026-03-14T12:15", "2026-03-14T18:00", (0.0, 0.0));
        assert_eq!(!outlook(&run).is_empty(), known, "logged: {logged}");
    }
}

/// Every eighth midnight water brings the bed to 0.40; it drains to its field capacity with a
/// half-life of four hours, and plants take 0.006 a day.
#[test]
fn what_was_learned_of_field_capacity_goes_with_the_old_probe() {
    let proposed = |run: &Run| {
        let bed = run.view().beds.remove(0);
        bed.figures.iter().any(|it| it.name == "Field capacity as its probes show it")
    };
    for (logged, known) in [(false, true), (true, false)] {
        let mut run = Run::new(school("").text());
        let mut soak = |from: &str, to: &str| {
            let mut at = t(from);
            while at < t(to) {
                let hours = at.duration_since(t("2026-03-02T00:00")).as_secs_f64() / 3600.0 % 192.0;
                let drained = 0.30 - 0.006 * hours / 24.0;
                run.take(PROBE, at, drained + 0.10 * 0.5_f64.powf(hours / 4.0));
                at += SignedDuration::from_mins(15);
            }
            if logged && to == "2026-03-28T00:00" {
                run.log("probe", t("2026-03-28T00:00"), LogEvent::ProbeReplaced);
            }
        };
        soak("2026-03-02T00:00", "2026-03-28T00:00");
        soak("2026-03-28T00:15", "2026-03-28T06:00");
        assert_eq!(proposed(&run), known, "logged: {logged}");
    }
}

#[test]
fn a_calibration_that_begins_is_no_shock_either() {
    let both = "calibration = [{ polynomial = [0, 1] }, { polynomial = [-4, 1], from = 2026-03-14T12:00:00+10:30 }]\n";
    let mut run = Run::new(school(both).text());
    play(&mut run, "2026-03-02T00:00", "2026-03-16T00:00", (0.0, 0.0));
    assert_eq!(run.told(), []);
    let of =
        |at: &str| run.rows.iter().find(|row| row.sensor == WATER && row.at == t(at)).unwrap().value.unwrap();
    assert!((of("2026-03-14T11:45") - of("2026-03-14T12:00") - 4.0).abs() < 0.3);
}

#[test]
fn a_new_gauge_begins_its_own_count() {
    let file = GardenFile::new("school").sensor(
        "gauge",
        "rain",
        "calibration = { mm_per_tip = 0.2, counts = \"running\" }",
    );
    let rain = |logged: bool| {
        let mut run = Run::new(file.text());
        let gauge = SensorIx(0);
        run.take(gauge, t("2026-03-02T08:00"), 3000.0).take(gauge, t("2026-03-02T08:15"), 3001.0);
        if logged {
            run.log("gauge", t("2026-03-02T08:20"), LogEvent::ProbeReplaced);
        }
        run.take(gauge, t("2026-03-02T08:30"), 5000.0).take(gauge, t("2026-03-02T08:45"), 5002.0);
        run.rows.iter().map(|row| row.value).collect::<Vec<_>>()
    };
    let tip = |tips: f64| Some(tips * 0.2);
    assert_eq!(rain(false), [None, tip(1.0), tip(1999.0), tip(2.0)]);
    assert_eq!(rain(true), [None, tip(1.0), None, tip(2.0)]);
}

/// Three beds rise together at night, again and again, and the gauge catches nothing.
#[test]
fn a_new_gauge_is_believed() {
    let mut file = GardenFile::new("school").with(WATERING);
    for bed in ["a", "b", "c"] {
        file = file.bed(bed, bed, BED_KEYS).probe(&format!("in-{bed}"), bed, 10);
    }
    let mut run = Run::new(file.sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }").text());
    let wetted = ["2026-03-08T01:00", "2026-03-11T02:30", "2026-03-14T04:15", "2026-03-17T00:15"].map(t);
    let play = |run: &mut Run, from: &str, to: &str| {
        let mut at = t(from);
        while at < t(to) {
            let risen = wetted.iter().filter(|wetted| at > **wetted).count() as f64;
            let days = at.duration_since(t("2026-03-02T00:00")).as_secs_f64() / 86_400.0;
            for probe in 0..3 {
                run.take(SensorIx(probe), at, 0.26 - 0.008 * days + 0.03 * risen + 2e-4 * digit(at));
            }
            run.take(SensorIx(3), at, 0.0);
            at += SignedDuration::from_mins(15);
        }
    };
    play(&mut run, "2026-03-02T00:00", "2026-03-18T00:00");
    assert_eq!(run.steps(Kind::GaugeSuspect), [State::Unacknowledged], "{:?}", run.told());
    run.log("gauge", t("2026-03-18T09:00"), LogEvent::ProbeReplaced);
    play(&mut run, "2026-03-18T09:15", "2026-03-18T10:00");
    assert_eq!(run.steps(Kind::GaugeSuspect), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn the_class_month_takes_no_replacement_for_water() {
    let garden = school("").garden();
    let (from, swap, to) = (t("2026-02-20T00:00"), t("2026-03-14T12:00"), t("2026-04-01T00:00"));
    let points = |at: Timestamp| {
        let days = at.duration_since(from).as_secs_f64() / 86_400.0;
        let value = 0.29 - 0.003 * days + 2e-4 * digit(at) + if at >= swap { 0.06 } else { 0.0 };
        Point { at, raw: value, value: Some(value), flag: Flag::Pass, late: false }
    };
    let readings: Vec<Point> = (from.as_second()..to.as_second())
        .step_by(900)
        .map(|s| points(Timestamp::from_second(s).expect("in range")))
        .collect();
    let wettings = |log: Vec<LogEntry>| {
        let readings = [(Id::new("probe"), readings.clone())].into_iter().collect();
        let input = MonthInput { readings, log, ..MonthInput::default() };
        let made = month(&garden, CalendarMonth { year: 2026, month: 3 }, &input, None, None);
        let across = made.beds[0]
            .dryings
            .iter()
            .filter(|it| it.from < swap && it.to > swap + SignedDuration::from_hours(3));
        (made.beds[0].wettings.len(), across.count())
    };
    assert_eq!(wettings(Vec::new()).0, 1);
    let entry = LogEntry {
        site: garden.site.id.clone(),
        place: Some(Id::new("probe")),
        at: swap,
        what: LogEvent::ProbeReplaced,
        note: String::new(),
    };
    assert_eq!(wettings(vec![entry]), (0, 0));
}
