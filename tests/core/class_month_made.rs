//! Class months of made readings with known answers, of any readings at all, and of very
//! many.

use std::time::Instant;

use jiff::Timestamp;
use jiff::civil::date;
use proptest::prelude::*;
use trug::analysis::Pairing;
use trug::analysis::month::{
    ActionKind, Month, MonthInput, PairReason, WaterBand, WaterSource, month, term_water,
};
use trug::garden::log::{LogEntry, LogEvent};
use trug::garden::plan::Garden;
use trug::history::Point;
use trug::model::{CalendarMonth, Id};
use trug::quality::Flag;

use crate::support::garden::GardenFile;

/// Field capacity 0.30, wilting point 0.10, half a metre: 100 mm can be used, half of it
/// without suffering.
const BED: &str = "area_m2 = 5.0\nfield_capacity = 0.30\nwilting_point = 0.10\nroot_depth_m = 0.5\n\
    depletion_fraction = 0.5\n";

const PERCENT: &str = "calibration = { points = [[0, 0.0], [1000, 1.0]] }";

fn beds(ids: &[&str]) -> GardenFile {
    let new = GardenFile::new("saltbush-gully");
    ids.iter().fold(new, |file, id| file.bed(id, &format!("Bed {id}"), BED))
}

fn with_probe(file: GardenFile, bed: &str, depth_cm: u32, every_s: u32) -> GardenFile {
    let keys = format!("bed = \"{bed}\"\ndepth_cm = {depth_cm}\nevery_s = {every_s}\n{PERCENT}");
    file.sensor(&format!("{bed}-{depth_cm}"), "soil-moisture", &keys)
}

/// Two beds, a tank, a gauge and a thermometer.
fn school() -> Garden {
    let tank =
        "[[tank]]\nid = \"tank\"\nname = \"Tank\"\nvolume_l = 500\nlimits = { cold_c = 14, warm_c = 28 }\n";
    let file = with_probe(beds(&["a", "b"]).with(tank), "a", 15, 900);
    with_probe(with_probe(file, "a", 30, 900), "b", 15, 900)
        .sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }")
        .sensor("air", "air-temperature", "")
        .sensor("water", "water-temperature", "tank = \"tank\"")
        .garden()
}

fn good(at: Timestamp, value: f64) -> Point {
    Point { at, raw: value, value: Some(value), flag: Flag::Pass, late: false }
}

fn t(text: &str) -> Timestamp {
    text.parse().expect("a time")
}

/// Every quarter of an hour from one moment to another.
fn quarters(from: &str, to: &str, value: impl Fn(f64) -> f64) -> Vec<Point> {
    let (from, to) = (t(from).as_second(), t(to).as_second());
    (from..to)
        .step_by(900)
        .map(|s| good(Timestamp::from_second(s).expect("in range"), value((s - from) as f64 / 86_400.0)))
        .collect()
}

fn near(got: f64, expected: f64, by: f64) {
    assert!((got - expected).abs() <= by, "{got} is not {expected} to {by}");
}

const FROM: &str = "2026-02-18T00:00:00+10:30";
const TO: &str = "2026-04-01T00:00:00+10:30";
const MARCH: CalendarMonth = CalendarMonth { year: 2026, month: 3 };

/// Beds that are filled to 0.34 every six days, at 6 am, and dry exponentially towards 0.12:
/// one with a time constant of 8 days, the other of 4.
fn filled(days: f64, tau_d: f64) -> f64 {
    let since = (days - 0.25).rem_euclid(6.0);
    0.12 + 0.22 * (-since / tau_d).exp()
}

fn made() -> (Garden, MonthInput) {
    let garden = school();
    let mut readings = std::collections::BTreeMap::new();
    for (id, tau) in [("a-15", 8.0), ("a-30", 8.0), ("b-15", 4.0)] {
        readings.insert(Id::new(id), quarters(FROM, TO, |days| filled(days, tau)));
    }
    // 2 mm in the quarter to 5 am on each tenth day, of the first the night before a filling.
    readings.insert(
        Id::new("gauge"),
        quarters(FROM, TO, |days| {
            let since = days.rem_euclid(6.0);
            if (12.0..13.0).contains(&days) && (since - 0.2083).abs() < 0.005 { 2.0 } else { 0.0 }
        }),
    );
    readings.insert(Id::new("air"), quarters(FROM, TO, |d| 22.0 - 8.0 * (d * std::f64::consts::TAU).cos()));
    readings.insert(Id::new("water"), quarters(FROM, TO, |d| 26.0 - 4.0 * (d * std::f64::consts::TAU).cos()));
    let log = vec![
        LogEntry {
            site: garden.site.id.clone(),
            place: Some(Id::new("a")),
            at: t("2026-03-08T06:10:00+10:30"),
            what: LogEvent::Watered { litres: Some(60.0) },
            note: String::new(),
        },
        LogEntry {
            site: garden.site.id.clone(),
            place: Some(Id::new("a")),
            at: t("2026-02-20T10:00:00+10:30"),
            what: LogEvent::MulchLaid { depth_mm: 75.0 },
            note: String::new(),
        },
    ];
    (garden, MonthInput { readings, log, ..MonthInput::default() })
}

/// Expected: the curves that the readings were made from.
#[test]
fn a_made_month_gives_back_what_it_was_made_from() {
    let (garden, input) = made();
    let month = month(&garden, MARCH, &input, None, Some((&Id::new("a"), &Id::new("b"))));
    let (a, b) = (&month.beds[0], &month.beds[1]);
    assert_eq!(
        (a.dryings.len(), b.dryings.len()),
        (6, 6),
        "filled on the 2nd, 8th, 14th, 20th and 26th, and before"
    );
    for (bed, tau_d) in [(a, 8.0), (b, 4.0)] {
        for drying in &bed.dryings {
            near(drying.time_constant_days.expect("bent"), tau_d, 0.1 * tau_d);
            near(drying.dries_towards.expect("bent"), 0.12, 0.02);
            assert!(drying.error.expect("bent") < 0.001);
            // Whole days after the first two, in which water drains: of days 2 to 5 at most.
            let lost = |from: f64, to: f64| 500.0 * 0.22 * ((-from / tau_d).exp() - (-to / tau_d).exp());
            if drying.loss_days == 3 {
                near(drying.loss_mm_day.expect("known"), lost(2.0, 5.0) / 3.0, 0.15);
            }
        }
    }
    // Filled from what six days leave to 0.34, in a root zone of 500 mm.
    let gain = 500.0 * 0.22 * (1.0 - (-6.0_f64 / 8.0).exp());
    assert_eq!(a.wettings.len(), 5);
    for wetting in &a.wettings {
        // Hours are means: the wettest one has already lost half an hour's water.
        near(wetting.gain_mm.expect("both probes were heard"), gain, 1.0);
        let minutes = (wetting.from.as_second() - t("2026-03-02T06:00:00+10:30").as_second()) / 60;
        assert!(
            minutes.rem_euclid(6 * 1440) >= 6 * 1440 - 60 || minutes.rem_euclid(6 * 1440) < 30,
            "{wetting:?}"
        );
    }
    let causes: Vec<WaterSource> = a.wettings.iter().map(|it| it.cause).collect();
    // It keeps coming at 6 am, so a timer does it: on the 2nd beside 2 mm of rain. The log
    // tells of the 8th.
    assert_eq!(
        causes,
        [
            WaterSource::Both,
            WaterSource::Watering,
            WaterSource::Watering,
            WaterSource::Watering,
            WaterSource::Watering
        ]
    );
    // 0.116 x 150 mm.
    assert!(a.wettings[0].why.contains("gained at least 17."), "{}", a.wettings[0].why);
    assert!(a.wettings[0].inferred && !a.wettings[1].inferred);
    // Only the 60 L of the log are known.
    let reason = a.got_unknown.as_deref().expect("litres are missing");
    assert!(reason.starts_with("of 4 waterings the litres are not known"), "{reason}");
    assert_eq!((a.got_mm, a.balance_days), (None, 0));
    near(a.wettings[0].rain_mm.expect("heard"), 2.0, 1e-9);
    let day = &a.days[7];
    assert_eq!((day.date, day.watering_mm), (date(2026, 3, 8), Some(12.0)), "60 L on 5 m2");
    // The first midnight more than two days after the filling, to the next.
    let lost = 500.0 * 0.22 * ((-2.75_f64 / 8.0).exp() - (-3.75_f64 / 8.0).exp());
    near(a.days[10].loss_mm.expect("a dry day"), lost, 0.1);
    assert_eq!(
        a.days[7..10].iter().filter_map(|it| it.loss_mm).count(),
        0,
        "wetted, and two days of drainage"
    );
    // The band is the mean's: 0.30 and 0.20 part them.
    for (day, bed) in
        [(a, &a.days), (b, &b.days)].into_iter().flat_map(|(bed, days)| days.iter().map(move |d| (d, bed)))
    {
        let water = day.water_content.expect("a whole day");
        let expected = if water > 0.30 {
            WaterBand::Wet
        } else if water >= bed.refill_point {
            WaterBand::Moist
        } else {
            WaterBand::Dry
        };
        assert_eq!(day.band, Some(expected), "{day:?}");
    }
    near(a.refill_point, 0.20, 1e-9);

    let rain = month.rain.as_ref().expect("there is a gauge");
    near(rain.total_mm, 2.0, 1e-9);
    assert_eq!((rain.days_of_1mm, rain.days.len()), (1, 31));
    assert_eq!(rain.wettest.map(|it| it.0), Some(date(2026, 3, 2)));
    assert_eq!(rain.longest_dry, Some((date(2026, 3, 3), 29)));

    let tank = &month.tanks[0];
    near(tank.widest.expect("it swings").1, 8.0, 0.1);
    // Above 28 °C for a third of the day: cos below -1/2.
    assert!(
        tank.days.iter().all(|day| (7..=9).contains(&day.hours_warm) && day.hours_known == 24),
        "{tank:?}"
    );

    // One has mulch and dries slower, in each pair of dryings.
    let losses = &month.comparisons[0];
    assert_eq!((losses.first.as_str(), losses.second.as_str()), ("a", "b"));
    let effect = losses.outcome.expect("six pairs");
    assert_eq!(effect.pairing, Pairing::Events);
    near(effect.cliffs_delta, -1.0, 1e-12);
    assert!(effect.interval.high < 0.0 && effect.permutation_p < 0.05, "{effect:?}");
    assert!(losses.says.contains("do not prove"), "{}", losses.says);
    assert!(losses.caution.contains("autocorrelated"), "{}", losses.caution);
    // The same data, the same figures.
    let again =
        trug::analysis::month::month(&garden, MARCH, &input, None, Some((&Id::new("a"), &Id::new("b"))));
    assert_eq!(format!("{:?}", again.comparisons), format!("{:?}", month.comparisons));
    let named =
        trug::analysis::month::month(&garden, MARCH, &input, None, Some((&Id::new("b"), &Id::new("a"))));
    assert_eq!(named.comparisons[0].first.as_str(), "b");
    let nobody =
        trug::analysis::month::month(&garden, MARCH, &input, None, Some((&Id::new("b"), &Id::new("x"))));
    assert!(nobody.comparisons.is_empty());
}

/// Apples are not put beside pears unless somebody asks for it, and then it is said.
#[test]
fn only_beds_that_are_alike_are_compared_unasked() {
    let (garden, mut input) = made();
    let unlike = month(&garden, MARCH, &input, None, None);
    assert!(unlike.comparisons.is_empty(), "one has two probes, the other has one");
    let PairReason::NoneAlike { nearest: Some(nearest) } = &unlike.pair else { panic!("{:?}", unlike.pair) };
    assert_eq!((nearest.first.as_str(), nearest.second.as_str()), ("a", "b"));
    assert_eq!(nearest.differ, ["depth of the probes"]);
    let named = month(&garden, MARCH, &input, None, Some((&nearest.first, &nearest.second)));
    assert_eq!(named.pair, PairReason::Named { differ: vec!["depth of the probes".to_owned()] });
    assert!(named.comparisons[0].caution.contains("differ in depth of the probes"));

    // Two beds alike and a third of another soil: the two, the mulched one first.
    let other = BED.replace("0.30", "0.25");
    let file = GardenFile::new("saltbush-gully").bed("c", "C", &other).bed("b", "B", BED).bed("a", "A", BED);
    let alike = ["a", "b", "c"].iter().fold(file, |file, id| with_probe(file, id, 15, 900)).garden();
    input.readings.insert(Id::new("c-15"), quarters(FROM, TO, |days| filled(days, 6.0)));
    let twins = month(&alike, MARCH, &input, None, None);
    assert_eq!(twins.pair, PairReason::Alike);
    let it = &twins.comparisons[0];
    assert_eq!((it.first.as_str(), it.second.as_str()), ("a", "b"), "mulched and bare");
    assert!(it.plain.starts_with("A had less than B: on average "), "{}", it.plain);
}

#[test]
fn one_bed_is_compared_before_and_after_its_mulch() {
    let (_, mut input) = made();
    let garden = with_probe(beds(&["a"]), "a", 15, 900).garden();
    input.log[1].at = t("2026-03-17T10:00:00+10:30");
    let month = month(&garden, MARCH, &input, None, None);
    assert_eq!(month.pair, PairReason::BeforeAndAfterMulch);
    let it = &month.comparisons[0];
    assert_eq!(
        (it.first_name.as_str(), it.second_name.as_str()),
        ("Bed a under mulch", "Bed a before mulch")
    );
    let laid = input.log[1].at;
    assert!(!it.first_at.is_empty() && it.first_at.iter().all(|at| laid <= *at), "{it:?}");
    assert!(!it.second_at.is_empty() && it.second_at.iter().all(|at| *at < laid), "{it:?}");
    assert!(it.caution.contains("It is one bed with the same soil and probes"), "{}", it.caution);
    // Mulch that was laid before the month leaves nothing to put beside it.
    input.log[1].at = t("2026-02-17T10:00:00+10:30");
    let before = trug::analysis::month::month(&garden, MARCH, &input, None, None);
    assert_eq!((before.pair, before.comparisons.len()), (PairReason::NoneAlike { nearest: None }, 0));
}

/// The one thing to do follows from the record: fish first, then thirst, then waste.
#[test]
fn a_month_ends_with_the_one_thing_that_its_record_asks_for() {
    let garden = school();
    let steady = |water: f64, tank: f64| {
        let mut input = MonthInput::default();
        for id in ["a-15", "a-30", "b-15"] {
            input.readings.insert(Id::new(id), quarters(FROM, TO, |_| water));
        }
        input.readings.insert(Id::new("water"), quarters(FROM, TO, |_| tank));
        input
    };
    let act = |garden: &Garden, input: &MonthInput| {
        let action = month(garden, MARCH, input, None, None).action;
        assert!(!action.steps.is_empty() && !action.why.is_empty(), "{action:?}");
        for step in &action.steps {
            assert!(step.split_whitespace().count() <= 25, "{step}");
        }
        (action.kind, action.place.map(|id| id.to_string()), action.steps.concat())
    };
    let a = Some("a".to_owned());
    // The refill point is 0.20.
    let (kind, place, steps) = act(&garden, &steady(0.15, 20.0));
    assert_eq!((kind, place), (ActionKind::Mulch, a.clone()));
    assert!(steps.starts_with("Mulch Bed a."), "{steps}");
    assert_eq!(act(&garden, &steady(0.28, 20.0)).0, ActionKind::NothingToChange);
    let (kind, place, _) = act(&garden, &steady(0.15, 29.0));
    assert_eq!((kind, place.as_deref()), (ActionKind::AskAboutTank, Some("tank")), "fish come first");
    let mut mulched = steady(0.15, 20.0);
    let laid = |bed: &str| LogEntry {
        site: garden.site.id.clone(),
        place: Some(Id::new(bed)),
        at: t("2026-02-20T10:00:00+10:30"),
        what: LogEvent::MulchLaid { depth_mm: 75.0 },
        note: String::new(),
    };
    mulched.log = vec![laid("a"), laid("b")];
    assert_eq!(act(&garden, &mulched).0, ActionKind::WaterMore);
    assert_eq!(act(&garden, &MonthInput::default()).0, ActionKind::Wait);
    // Five days of March: too few to tell.
    let mut silent = steady(0.28, 20.0);
    silent
        .readings
        .values_mut()
        .for_each(|points| points.retain(|it| it.at < t("2026-03-06T00:00:00+10:30")));
    silent.readings.remove(&Id::new("water"));
    let (kind, place, steps) = act(&garden, &silent);
    assert_eq!((kind, place.is_some()), (ActionKind::LookAtSensor, true), "{steps}");
}

/// A timer that gives too little or too much is set by what the plants need.
#[test]
fn a_timer_is_changed_by_the_month_s_need() {
    let timed = |minutes: u16| {
        let bed = format!(
            "{BED}crop = \"cabbage\"\nplanted = 2026-01-10\nirrigation = {{ litres_per_hour = 60, efficiency = 0.9 }}\n"
        );
        let program = format!(
            "[[program]]\nname = \"daily\"\nbeds = [\"a\"]\nevery_days = 1\nfrom = 2026-01-01\nstarts = [\"06:00\"]\n\
             minutes = {minutes}\n"
        );
        let file = with_probe(GardenFile::new("saltbush-gully").bed("a", "A", &bed), "a", 15, 900);
        let file = file.with(&program).sensor("air", "air-temperature", "");
        file.sensor("gauge", "rain", "calibration = { mm_per_tip = 0.2 }").garden()
    };
    let act = |minutes: u16, water: f64| {
        let mut input = MonthInput::default();
        let air = quarters(FROM, TO, |d| 24.0 - 8.0 * (d * std::f64::consts::TAU).cos());
        input.readings.insert(Id::new("air"), air);
        input.readings.insert(Id::new("gauge"), quarters(FROM, TO, |_| 0.0));
        // The timer's water shows each morning.
        input.readings.insert(
            Id::new("a-15"),
            quarters(FROM, TO, |days| water + 0.05 * (-4.0 * (days - 0.25).rem_euclid(1.0)).exp()),
        );
        month(&timed(minutes), MARCH, &input, None, None)
    };
    let dry = act(5, 0.14);
    assert!(dry.beds[0].days[9].need_mm.is_some(), "{:?}", dry.beds[0].need_unknown);
    assert_eq!(dry.action.kind, ActionKind::ChangeTimer, "{:?}", dry.action);
    assert!(dry.action.why.contains("was dry on"), "{:?}", dry.action);
    let wet = act(120, 0.27);
    assert_eq!(wet.action.kind, ActionKind::ChangeTimer, "{:?} {:?}", wet.action, wet.beds[0].got_unknown);
    assert!(wet.action.why.contains("the rest ran through"), "{:?}", wet.action);
    let minutes = |month: &Month| -> f64 {
        let step = &month.action.steps[0];
        step.split(": ")
            .nth(1)
            .and_then(|it| it.split(' ').next())
            .and_then(|it| it.parse().ok())
            .expect("minutes")
    };
    assert!(minutes(&dry) > 0.0 && minutes(&wet) > 0.0);
    // Enough is given and it is dry all the same: the water does not arrive.
    let lost = act(120, 0.14);
    assert_eq!(lost.action.kind, ActionKind::CheckWatering, "{:?}", lost.action);
}

/// Clocks went back on 5 April 2026 and go on on 4 October (IANA time zone database).
#[test]
fn months_with_a_clock_change_have_an_hour_more_or_less() {
    let garden = school();
    for (which, hours, odd) in
        [((2026, 4), 721, (4, 25)), ((2026, 10), 743, (3, 23)), ((2026, 3), 744, (0, 24))]
    {
        let which = CalendarMonth { year: which.0, month: which.1 };
        let mut input = MonthInput::default();
        let all = quarters("2026-02-20T00:00:00Z", "2026-11-05T00:00:00Z", |_| 20.0);
        input.readings.insert(Id::new("air"), all);
        let month = month(&garden, which, &input, None, None);
        let air = month.sensors.iter().find(|it| it.id.as_str() == "air").expect("the sensor");
        assert_eq!((air.expected, air.good, air.longest_gap), (4 * hours, 4 * hours, None), "{which:?}");
        assert_eq!(air.days[odd.0].good, 4 * odd.1);
        assert_eq!(air.hours.len(), hours as usize);
    }
}

#[test]
fn a_month_that_is_not_over_promises_what_has_passed() {
    let garden = school();
    let mut input = MonthInput::default();
    input.readings.insert(Id::new("air"), quarters("2026-03-01T00:00:00+10:30", TO, |_| 20.0));
    let until = t("2026-03-11T12:00:00+10:30");
    let month = month(&garden, MARCH, &input, Some(until), None);
    let air = month.sensors.iter().find(|it| it.id.as_str() == "air").expect("the sensor");
    // Ten and a half days; the reading of the moment itself is known too.
    assert_eq!((air.expected, air.readings, air.days.len()), (1008, 1009, 11));
    assert_eq!(month.until, Some(until));
    let water = month.sensors.iter().find(|it| it.id.as_str() == "water").expect("the sensor");
    assert_eq!((water.expected, water.readings, water.summary), (1008, 0, None));
    assert_eq!(water.longest_gap, Some((month.from, until)));
    let before = trug::analysis::month::month(&garden, MARCH, &input, Some(t("2026-02-01T00:00:00Z")), None);
    assert!(before.sensors.iter().all(|it| it.expected == 0 && it.readings == 0 && it.days.is_empty()));
}

/// Who was not there cannot say that no water came.
#[test]
fn a_day_without_known_hours_is_no_day_without_water() {
    let (garden, mut input) = made();
    // The bed that has one probe, and is filled on the 8th; the 11th loses water by day.
    let dry = |month: &trug::analysis::month::Month| {
        let day = &month.beds[1].days[10];
        (day.loss_mm.is_some(), day.watering_mm)
    };
    assert_eq!(dry(&month(&garden, MARCH, &input, None, None)), (true, Some(0.0)));
    let (from, to) = (t("2026-03-11T10:00:00+10:30"), t("2026-03-11T14:00:00+10:30"));
    let silent = |points: &mut Vec<Point>| points.retain(|it| it.at < from || to <= it.at);
    let probe = input.readings.get_mut(&Id::new("b-15")).expect("the probe");
    let whole = probe.clone();
    silent(probe);
    assert_eq!(dry(&month(&garden, MARCH, &input, None, None)), (false, None), "four hours are missing");
    input.readings.insert(Id::new("b-15"), whole);
    silent(input.readings.get_mut(&Id::new("gauge")).expect("the gauge"));
    assert_eq!(dry(&month(&garden, MARCH, &input, None, None)), (false, Some(0.0)), "it may have rained");
}

#[test]
fn a_bed_with_one_dead_probe_is_known_by_the_other() {
    let (garden, mut input) = made();
    input.readings.remove(&Id::new("a-30"));
    let month = month(&garden, MARCH, &input, None, None);
    assert_eq!(month.beds[0].probes.len(), 1);
    assert!(month.beds[0].days.iter().all(|day| day.water_content.is_some()));
}

/// What must hold of any month.
fn holds(month: &Month) -> Result<(), TestCaseError> {
    for it in &month.sensors {
        prop_assert_eq!(it.readings, it.good + it.suspect + it.bad);
        prop_assert_eq!(it.readings, it.days.iter().map(|day| day.readings).sum::<u32>());
        prop_assert_eq!(it.good, it.days.iter().map(|day| day.good).sum::<u32>());
        prop_assert_eq!(it.readings, it.hours.iter().map(|bin| bin.readings).sum::<u32>());
        prop_assert_eq!(it.summary.map_or(0, |summary| summary.count), it.good as usize);
        prop_assert!((0.0..=1.0).contains(&it.complete()));
    }
    for bed in &month.beds {
        let banded: u32 = bed.days_in_bands().iter().map(|band| band.1).sum();
        prop_assert!(banded as usize <= bed.days.len() && bed.days.len() <= 31);
        prop_assert!(bed.balance_days as usize <= bed.days.len());
        for day in &bed.days {
            prop_assert!(day.hours_known <= 25);
        }
    }
    for tank in &month.tanks {
        for day in &tank.days {
            prop_assert!(day.hours_cold + day.hours_warm <= day.hours_known && day.hours_known <= 26);
        }
    }
    for it in &month.comparisons {
        prop_assert_eq!(it.first_values.len(), it.first_at.len());
        prop_assert_eq!(it.second_values.len(), it.second_at.len());
        prop_assert!(!it.says.is_empty() && !it.caution.is_empty());
        prop_assert!(!it.says.contains("NaN"), "{}", it.says);
    }
    prop_assert!(month.questions.len() <= 10);
    Ok(())
}

/// Odd values among plain ones.
fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => 0.0..0.5_f64,
        1 => -50.0..150.0_f64,
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -0.0, 1e300]),
    ]
}

fn flag() -> impl Strategy<Value = Flag> {
    prop::sample::select(vec![
        Flag::Pass,
        Flag::Pass,
        Flag::Pass,
        Flag::NotEvaluated,
        Flag::Suspect,
        Flag::Fail,
        Flag::Missing,
    ])
}

/// Readings of one sensor in April 2026 and before: steps from none to two days, some
/// twice, some out of order.
fn readings() -> impl Strategy<Value = Vec<Point>> {
    let step = prop_oneof![6 => 300..2000_i64, 1 => 0..2_i64, 1 => 3600..200_000_i64, 1 => -5000..0_i64];
    let point = (step, value(), flag(), any::<bool>(), prop::bool::weighted(0.95));
    (1_773_500_000..1_776_000_000_i64, prop::collection::vec(point, 0..400)).prop_map(|(start, points)| {
        let mut at = start;
        points
            .into_iter()
            .map(|(step, value, flag, late, there)| {
                at += step;
                let at = Timestamp::from_second(at).expect("in range");
                Point { at, raw: value, value: there.then_some(value), flag, late }
            })
            .collect()
    })
}

fn logged() -> impl Strategy<Value = Vec<LogEntry>> {
    let seen = prop_oneof![
        prop::option::of(value()).prop_map(|litres| LogEvent::Watered { litres }),
        value().prop_map(|depth_mm| LogEvent::MulchLaid { depth_mm }),
        value().prop_map(|kg| LogEvent::Harvest { kg, crop: Some("cabbage".to_owned()) }),
        Just(LogEvent::Planted { crop: Some("cabbage".to_owned()) }),
    ];
    let one = (1_770_000_000..1_777_600_000_i64, prop::sample::select(vec!["a", "b", "nowhere"]), seen);
    prop::collection::vec(one, 0..12).prop_map(|entries| {
        entries
            .into_iter()
            .map(|(at, place, what)| LogEntry {
                site: Id::new("saltbush-gully"),
                place: Some(Id::new(place)),
                at: Timestamp::from_second(at).expect("in range"),
                what,
                note: String::new(),
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn no_readings_panic_and_counts_add_up(
        all in prop::collection::vec(readings(), 6),
        log in logged(),
        until in prop::option::of(1_774_000_000..1_778_000_000_i64),
        named in any::<bool>(),
    ) {
        let garden = school();
        let readings = garden.sensors.iter().map(|it| it.id.clone()).zip(all).collect();
        let input = MonthInput { readings, log, ..MonthInput::default() };
        let until = until.map(|s| Timestamp::from_second(s).expect("in range"));
        let (a, b) = (Id::new("a"), Id::new("b"));
        let month = month(&garden, CalendarMonth { year: 2026, month: 4 }, &input, until, named.then_some((&a, &b)));
        holds(&month)?;
    }

    #[test]
    fn any_month_of_any_year_is_some_month(year in any::<i16>(), number in any::<i8>()) {
        let which = CalendarMonth { year, month: number };
        let month = month(&school(), which, &MonthInput::default(), None, None);
        prop_assert!(month.from < month.to);
        holds(&month)?;
    }
}

#[test]
fn one_reading_or_only_bad_ones_make_a_month() {
    let garden = school();
    let one = t("2026-04-10T12:00:00Z");
    for points in [
        vec![good(one, 0.2)],
        quarters("2026-03-25T00:00:00Z", "2026-05-02T00:00:00Z", |_| 0.2)
            .into_iter()
            .map(|point| Point { flag: Flag::Fail, ..point })
            .collect(),
    ] {
        let readings = garden.sensors.iter().map(|it| (it.id.clone(), points.clone())).collect();
        let input = MonthInput { readings, ..MonthInput::default() };
        let month = month(&garden, CalendarMonth { year: 2026, month: 4 }, &input, None, None);
        holds(&month).expect("it adds up");
        assert!(month.comparisons.iter().all(|it| it.outcome.is_err()));
        assert!(month.beds.iter().all(|bed| bed.need_mm.is_none() && bed.need_unknown.is_some()));
    }
}

/// 40 sensors at one minute for a month and the fortnight before: prints how long it takes.
/// `POINTS=1` for all of it; the default is a tenth of the readings.
#[test]
fn a_month_of_many_readings_is_worked_out_in_time() {
    let step = if std::env::var_os("POINTS").is_some() { 60 } else { 600 };
    let ids: Vec<String> = (0..12).map(|number| format!("bed-{number}")).collect();
    let mut file = beds(&ids.iter().map(String::as_str).collect::<Vec<_>>());
    for id in &ids {
        file = with_probe(with_probe(file, id, 15, step), id, 30, step);
    }
    let every = format!("every_s = {step}\n");
    file = file.sensor("gauge", "rain", &format!("{every}calibration = {{ mm_per_tip = 0.2 }}"));
    for number in 0..15 {
        file = file.sensor(&format!("air-{number}"), "air-temperature", &every);
    }
    let garden = file.garden();
    assert_eq!(garden.sensors.len(), 40);
    let (from, to) = (t("2026-02-14T00:00:00+10:30").as_second(), t(TO).as_second());
    let mut input = MonthInput::default();
    for (number, sensor) in garden.sensors.iter().enumerate() {
        let points = (from..to)
            .step_by(step as usize)
            .map(|s| {
                let days = (s - from) as f64 / 86_400.0;
                let value = if sensor.id.as_str() == "gauge" {
                    0.0
                } else {
                    filled(days, 4.0 + number as f64 / 10.0)
                };
                good(Timestamp::from_second(s).expect("in range"), value)
            })
            .collect();
        input.readings.insert(sensor.id.clone(), points);
    }
    let count: usize = input.readings.values().map(Vec::len).sum();
    let begun = Instant::now();
    let month = month(&garden, MARCH, &input, None, None);
    println!("{count} readings of 40 sensors: {:.2} s", begun.elapsed().as_secs_f64());
    holds(&month).expect("it adds up");
    assert!(month.sensors.iter().all(|it| it.longest_gap.is_none() && it.good == it.expected));
}

/// 60 L on 5 m² by the log and nothing else; then the same with a timer that was set to less.
#[test]
fn a_term_s_water_is_what_was_given_beside_what_was_needed() {
    let (garden, input) = made();
    let months = [month(&garden, MARCH, &input, None, None)];
    let span = (date(2026, 3, 1), date(2026, 3, 31));
    let unknown = term_water(&garden, &months, 0, span);
    assert_eq!((unknown.days, unknown.given_mm), (31, None));
    assert!(unknown.unknown.expect("a reason").contains("the litres are not known"));

    // Three days of which all is known: the log's litres on the 8th.
    let mut known = months[0].clone();
    known.beds[0].got_unknown = None;
    for (day, watering_mm) in known.beds[0].days[6..9].iter_mut().zip([0.0, 12.0, 0.0]) {
        (day.need_mm, day.rain_mm) = (Some(4.0), Some(1.0));
        (day.watering_mm, day.unknown_mm) = (Some(watering_mm), 0.0);
    }
    // The month before it, of which nothing is known, takes nothing from that.
    let february = CalendarMonth { year: 2026, month: 2 };
    let before = month(&garden, february, &MonthInput::default(), None, None);
    assert!(before.beds[0].got_unknown.is_some());
    let months = [before, known];
    let water = term_water(&garden, &months, 0, (date(2026, 2, 20), date(2026, 3, 9)));
    assert_eq!((water.days, water.days_known, water.given_mm), (18, 3, Some(12.0)), "{:?}", water.unknown);
    let nothing = term_water(&garden, &months, 0, (date(2026, 2, 20), date(2026, 2, 28)));
    assert_eq!((nothing.days_known, nothing.given_mm), (0, None));
    assert_eq!(nothing.unknown, months[0].beds[0].got_unknown);

    let water = term_water(&garden, &months, 0, (date(2026, 3, 7), date(2026, 3, 9)));
    assert_eq!((water.days, water.days_known, water.given_mm), (3, 3, Some(12.0)));
    near(water.wanted_mm(), 9.0, 1e-9);
    assert_eq!((water.timer_saved_l, water.timer_changed), (None, false));

    // Each day 30 minutes at 60 L an hour up to the 10th, and 10 minutes after that: 21 days
    // of 20 L less.
    let program = |name: &str, minutes: u16, from: &str, to: &str| {
        format!(
            "[[program]]\nname = \"{name}\"\nbeds = [\"a\"]\nevery_days = 1\nfrom = {from}\nto = {to}\nstarts = [\"06:00\"]\n\
             minutes = {minutes}\n"
        )
    };
    let bed = format!("{BED}irrigation = {{ litres_per_hour = 60, efficiency = 0.9 }}\n");
    let file = GardenFile::new("school").bed("a", "A", &bed).probe("in-a", "a", 15);
    let file = file.with(&program("before", 30, "2026-01-01", "2026-03-10"));
    let timed = file.with(&program("after", 10, "2026-03-11", "2026-12-31")).garden();
    let water = term_water(&timed, &[], 0, span);
    assert_eq!((water.timer_saved_l, water.timer_changed), (Some(420.0), true));
}
