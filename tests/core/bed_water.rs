//! Beds as a careful gardener sees them: young roots, what the soil holds, a timer that
//! gives too much.

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{Kind, State};
use trug::garden::log::LogEvent;
use trug::garden::view::{BedView, Figure};
use trug::model::SensorIx;

use crate::support::garden::{GardenFile, WATERING, local};
use crate::support::run::Run;

/// A bed on loamy sand (field capacity 0.15, wilting point 0.065 by FAO-56 Table 19) with
/// probes at 10 and 40 cm and a thermometer; raw numbers are values.
fn school(crop: &str, program: &str) -> Run {
    let bed = format!(
        "area_m2 = 7.2\nsoil = \"loamy sand\"\n{crop}\nirrigation = {{ litres_per_hour = 120, efficiency = 0.9 }}\n"
    );
    let file = GardenFile::new("school")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", &bed)
        .probe("a", "kitchen-bed", 10)
        .probe("b", "kitchen-bed", 40)
        .sensor("air", "air-temperature", "")
        .with(program);
    Run::new(file.text())
}

/// Quarters of an hour of local days from `from` on, the probes as `contents` has them by
/// the hour, and air that swings from 12 to 26 degrees C.
fn hours(run: &mut Run, from: &str, days: i64, contents: impl Fn(f64) -> [f64; 2]) {
    for quarter in 0..days * 96 {
        let at: Timestamp = local(from) + SignedDuration::from_mins(15 * quarter);
        let hour = quarter as f64 / 4.0;
        for (sensor, content) in (0..).map(SensorIx).zip(contents(hour)) {
            let noise = ((quarter * 7919 + i64::from(sensor.0) * 31) % 101) as f64 * 1e-6;
            run.take(sensor, at, content + noise);
        }
        run.take(SensorIx(2), at, 19.0 - 7.0 * ((hour - 3.0) / 24.0 * std::f64::consts::TAU).cos());
    }
}

fn bed(run: &Run) -> BedView {
    run.view().beds.remove(0)
}

fn figure(run: &Run, name: &str) -> Option<Figure> {
    bed(run).figures.into_iter().find(|figure| figure.name.starts_with(name))
}

fn standing(run: &Run, kind: Kind) -> Option<String> {
    let last = run.changes.iter().rev().find(|it| it.record.key.kind == kind)?;
    (last.record.state != State::Normal).then(|| last.record.said.text.clone())
}

/// 0.085 above 25 cm and 0.14 below: of 0.5 m a third is used, of a seedling's 0.2 m three
/// quarters.
#[test]
fn seedlings_are_judged_by_the_soil_that_their_roots_reach() {
    let dry_above = |_| [0.085, 0.14];
    let mut grown = school("crop = \"carrots\"", "");
    hours(&mut grown, "2026-04-06T00:00", 1, dry_above);
    assert_eq!((figure(&grown, "Depth of its young roots"), bed(&grown).root_depth_m), (None, 0.5));
    let left = bed(&grown).available_left.expect("known");
    assert!((left - 0.558).abs() < 0.01, "(0.085 x 0.25 + 0.14 x 0.25) / 0.5 is 0.1125: {left}");

    let mut sown = school("crop = \"carrots\"\nplanted = 2026-03-30", "");
    hours(&mut sown, "2026-04-06T00:00", 1, dry_above);
    let left = bed(&sown).available_left.expect("known");
    assert!((left - 0.235).abs() < 0.01, "0.085 alone: {left}");
    let told = standing(&sown, Kind::DryBed).expect("it is too dry");
    assert!(told.starts_with("Kitchen bed is too dry: "), "{told}");
    let roots = figure(&sown, "Depth of its young roots").expect("they are young");
    assert_eq!(roots.value, "0.20 m, and 0.50 m when they are grown");
    assert!(roots.why[0].source.contains("annex 8"), "{:?}", roots.why);

    // The log tells of a planting as the file does.
    let mut logged = school("crop = \"carrots\"", "");
    logged.log("kitchen-bed", local("2026-03-30T10:00"), LogEvent::Planted { crop: None });
    hours(&mut logged, "2026-04-06T00:00", 1, dry_above);
    assert!((bed(&logged).root_depth_m - 0.2).abs() < 1e-9);
    // Half-way through the development stage of 30 days.
    let mut half = school("crop = \"carrots\"\nplanted = 2026-03-01\nstage_days = [20, 32, 30, 20]", "");
    hours(&mut half, "2026-04-05T12:00", 1, dry_above);
    let depth_m = bed(&half).root_depth_m;
    assert!((depth_m - (0.2 + 0.3 * 17.0 / 32.0)).abs() < 1e-9, "day 37: {depth_m}");
}

#[test]
fn a_probe_below_young_roots_is_named() {
    let bed_keys = "area_m2 = 2\nsoil = \"loamy sand\"\ncrop = \"carrots\"\nplanted = 2026-03-30\n";
    let file = GardenFile::new("school").with(WATERING).bed("kitchen-bed", "Kitchen bed", bed_keys);
    let mut run = Run::new(file.probe("a", "kitchen-bed", 30).text());
    for quarter in 0..8 {
        run.take(SensorIx(0), local("2026-04-06T00:00") + SignedDuration::from_mins(15 * quarter), 0.14);
    }
    let words = bed(&run).words;
    assert!(words.contains("roots to about 20 cm, probe at 30 cm"), "{words}");
}

/// Cabbage suffers below 55 % here: no weather of a day before is known.
#[test]
fn just_below_the_limit_is_due_for_water_and_not_too_dry() {
    let told = |content: f64| {
        let mut run = school("crop = \"cabbage\"", "");
        hours(&mut run, "2026-04-06T00:00", 1, |_| [content, content]);
        (standing(&run, Kind::DryBed), bed(&run).words)
    };
    // 54 %.
    let (alarm, words) = told(0.1109);
    let alarm = alarm.expect("it is due");
    assert!(
        alarm.starts_with(
            "Kitchen bed is due for water: 54 % of its available water is left, just below the 55 %"
        ),
        "{alarm}"
    );
    assert!(words.starts_with("Due for water: 54 %"), "{words}");
    let (alarm, words) = told(0.10);
    assert!(alarm.expect("it is dry").starts_with("Kitchen bed is too dry: 41 %"));
    assert!(words.starts_with("Too dry: 41 %"), "{words}");
    // 57 %.
    let (alarm, words) = told(0.1135);
    assert_eq!(alarm, None);
    assert!(words.starts_with("Getting dry: 57 %") && words.contains("suffer below 55 %"), "{words}");
}

/// Soil that is soaked to 0.28 each sixth day, drains to 0.19 within hours and loses 0.005
/// a day beside.
#[test]
fn the_probes_propose_a_field_capacity_beside_the_texture_s() {
    let mut run = school("crop = \"cabbage\"", "");
    let soaked = |hour: f64| {
        let since = hour.rem_euclid(144.0);
        let content = 0.19 + 0.09 * 0.5_f64.powf(since / 4.0) - 0.005 * since / 24.0;
        [content, content]
    };
    hours(&mut run, "2026-04-06T00:00", 5, soaked);
    assert_eq!(figure(&run, "Field capacity as its probes show it"), None, "one soaking is not enough");
    let mut run = school("crop = \"cabbage\"", "");
    hours(&mut run, "2026-04-06T00:00", 16, soaked);
    let shown = figure(&run, "Field capacity as its probes show it").expect("two soakings agree");
    let number = shown.number.expect("known");
    // What it holds a day after: 0.09 / 64 still drain, 0.005 are gone.
    assert!((number - (0.19 + 0.09 / 64.0 - 0.005)).abs() < 0.0005, "{number}");
    assert!(shown.value.contains("0.150 is in use"), "{}", shown.value);
    assert!(shown.value.contains("write field_capacity = 0.19 into the garden file"), "{}", shown.value);
}

const EACH_DAY: &str = "[[program]]\nname = \"tap\"\nbeds = [\"kitchen-bed\"]\nevery_days = 1\nfrom = 2026-04-01\n\
                        starts = [\"06:00\"]\nminutes = 30\n";
const EACH_FOURTH: &str = "[[program]]\nname = \"tap\"\nbeds = [\"kitchen-bed\"]\nevery_days = 4\nfrom = 2026-04-01\n\
                           starts = [\"06:00\"]\nminutes = 30\n";

/// 60 L a day are 7.5 mm; a cabbage in April uses half of that.
#[test]
fn a_bed_that_never_dries_is_told_how_to_set_its_timer() {
    // The soil rises a little each morning at half past six and falls back through the day.
    let moist = |hour: f64| {
        let since = (hour - 6.5).rem_euclid(24.0);
        let content = 0.145 + 0.02 * 0.5_f64.powf(since / 5.0);
        [content, content]
    };
    let mut run = school("crop = \"cabbage\"", EACH_DAY);
    hours(&mut run, "2026-04-06T00:00", 9, moist);
    assert_eq!(standing(&run, Kind::WateredTooMuch), None, "ten days are not known yet");
    hours(&mut run, "2026-04-15T00:00", 4, moist);
    let told = standing(&run, Kind::WateredTooMuch).expect("it gets too much");
    assert!(
        told.starts_with("Kitchen bed gets more water than it uses: in 10 days its timer gave about 600 L"),
        "{told}"
    );
    let last = run.changes.iter().rev().find(|it| it.record.key.kind == Kind::WateredTooMuch).expect("told");
    let value =
        |name: &str| last.record.said.values.iter().find(|it| it.0 == name).map(|it| it.1).expect("a value");
    // By hand: N minutes every M days give what is used, up to whole fives.
    let (minutes, every, used_l) = (value("minutes"), value("every_days"), value("used_l"));
    let a_day_l = minutes / every * 2.0;
    assert!(
        a_day_l >= used_l / 10.0 && a_day_l <= used_l / 10.0 + 10.0 / every,
        "{a_day_l} L a day of {used_l} L"
    );
    assert!((2.0..=14.0).contains(&every), "{every}");
    assert!(told.contains("Set the timer to 1 h 15 min every 5 days"), "{told}");

    // A timer by need says nothing, and neither does one in soil that dries between.
    let mut by_need = school("crop = \"cabbage\"", EACH_FOURTH);
    hours(&mut by_need, "2026-04-06T00:00", 13, moist);
    let mut dries = school("crop = \"cabbage\"", EACH_DAY);
    hours(&mut dries, "2026-04-06T00:00", 13, |hour| {
        let content = if hour.rem_euclid(96.0) > 90.0 { 0.12 } else { 0.148 };
        [content, content]
    });
    for run in [&by_need, &dries] {
        assert!(!run.changes.iter().any(|it| it.record.key.kind == Kind::WateredTooMuch));
    }
}
