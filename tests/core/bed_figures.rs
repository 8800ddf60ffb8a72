//! A bed's figures and its dryness: each number with the equations that gave it.

use jiff::SignedDuration;
use trug::alarms::Kind;
use trug::garden::log::LogEvent;
use trug::garden::record::AlarmChange;
use trug::garden::view::{BedView, Figure};
use trug::model::SensorIx;
use trug::why::Step;

use crate::support::garden::{GardenFile, WATERING, local};
use crate::support::run::Run;

const LOAMY_SAND: &str = "soil = \"loamy sand\"\n";

/// A bed with two probes at one depth and one below, and a thermometer; raw numbers are
/// values. `keys` are more of the bed's.
fn school(keys: &str) -> Run {
    let bed = format!(
        "area_m2 = 7.2\ncrop = \"cabbage\"\nirrigation = {{ litres_per_hour = 120, efficiency = 0.9 }}\n{keys}\n"
    );
    let file = GardenFile::new("school")
        .with(WATERING)
        .bed("kitchen-bed", "Kitchen bed", &bed)
        .probe("a", "kitchen-bed", 15)
        .probe("b", "kitchen-bed", 15)
        .probe("c", "kitchen-bed", 30)
        .sensor("air", "air-temperature", "");
    Run::new(file.text())
}

/// The same on loamy sand.
fn sandy(keys: &str) -> Run {
    school(&format!("{LOAMY_SAND}{keys}"))
}

const AIR: SensorIx = SensorIx(3);

/// Quarters of an hour from `from` on: the probes at these contents, and air that swings
/// from 12 to 26 degrees C through the local day.
fn quarters(run: &mut Run, from: &str, count: i64, contents: [f64; 3]) {
    for quarter in 0..count {
        let at = local(from) + SignedDuration::from_mins(15 * quarter);
        for (sensor, content) in (0..).map(SensorIx).zip(contents) {
            // A little noise, or the probes would count as stuck.
            let noise = ((quarter * 7919 + i64::from(sensor.0) * 31) % 101) as f64 * 1e-5;
            run.take(sensor, at, content + noise);
        }
        let hour = (at.as_second() - local("2026-04-06T00:00").as_second()) as f64 / 3600.0;
        run.take(AIR, at, 19.0 - 7.0 * ((hour - 3.0) / 24.0 * std::f64::consts::TAU).cos());
    }
}

fn bed(run: &Run) -> BedView {
    run.view().beds.remove(0)
}

fn figure(run: &Run, name: &str) -> Figure {
    let bed = bed(run);
    let found = bed.figures.iter().find(|f| f.name.starts_with(name));
    found.unwrap_or_else(|| panic!("no figure {name} in {:#?}", bed.figures)).clone()
}

fn dry(run: &Run) -> &AlarmChange {
    run.first(Kind::DryBed)
}

fn step<'a>(why: &'a [Step], gives: &str) -> &'a str {
    let found = why.iter().find(|s| s.gives == gives);
    &found.unwrap_or_else(|| panic!("no step {gives} in {why:#?}")).with
}

#[test]
fn figures_carry_their_equations_down_to_the_soil() {
    let mut run = sandy("");
    quarters(&mut run, "2026-04-06T12:00", 8, [0.10, 0.11, 0.12]);
    let reach = figure(&run, "Water that the roots can reach");
    assert_eq!(reach.value, "42.5 mm");
    assert_eq!(step(&reach.why, "total available water"), "1000 x (0.150 - 0.065) x 0.50 m = 42.5 mm");
    let capacity = figure(&run, "Field capacity");
    assert_eq!(capacity.value, "0.150 m3/m3");
    assert_eq!(step(&capacity.why, "water that a texture holds"), "loamy sand: 0.11 to 0.19, so 0.150 m3/m3");
    // The two probes at 15 cm share the upper layer.
    let content = figure(&run, "Water in the root zone");
    let mean = step(&content.why, "mean water content of the root zone");
    assert_eq!(mean, "(0.106 x 0.225 m + 0.120 x 0.275 m) / 0.500 m = 0.114 m3/m3");
    let litres = figure(&run, "Water that it needs");
    assert!(
        step(&litres.why, "litres that bring the bed to field capacity").contains("mm x 7.2 m2 / 0.90 = ")
    );
    assert_eq!(figure(&run, "How long to run its watering").unit, "min");
    let stage = figure(&run, "Stage of growth");
    assert_eq!(stage.value, "not known: the garden file gives no date of planting (planted)");
    assert_eq!((stage.number, stage.why), (None, vec![]));
}

#[test]
fn without_probes_the_figures_say_what_is_missing() {
    let run = sandy("");
    for name in ["Water in the root zone", "Available water", "Water stress", "Water that it needs"] {
        let figure = figure(&run, name);
        assert_eq!(figure.number, None, "{name}");
        assert_eq!(figure.value, "not known: no probe here has a fresh good reading", "{name}");
    }
    assert_eq!(figure(&run, "Water that the roots can reach").value, "42.5 mm");
}

#[test]
fn a_bed_of_sand_and_clay_shows_where_its_limits_are_from() {
    assert!(!bed(&sandy("")).figures.iter().any(|f| f.name.starts_with("Saturation")));
    let run = school(
        "soil = { sand_percent = 65, clay_percent = 10, organic_percent = 2.5 }\nwilting_point = 0.06",
    );
    let capacity = figure(&run, "Field capacity");
    assert_eq!(capacity.value, "0.179 m3/m3");
    assert_eq!(capacity.why[0].source, "Saxton and Rawls 2006, eq. 2");
    assert_eq!(figure(&run, "Saturation").value, "0.450 m3/m3");
    assert_eq!(figure(&run, "Water that the full soil lets through").value, "50 mm/h");
    let wilting = figure(&run, "Wilting point");
    assert_eq!((wilting.value.as_str(), wilting.why), ("0.060 m3/m3 (the garden file's own)", vec![]));
}

#[test]
fn a_dry_bed_says_why_and_when_to_water() {
    let mut run = sandy("");
    quarters(&mut run, "2026-04-06T12:00", 8, [0.08, 0.08, 0.09]);
    let dry = dry(&run);
    assert!(
        dry.record.said.text.contains("run its watering for 2 h 10 min, after 6 pm on "),
        "{}",
        dry.record.said.text
    );
    assert!(
        dry.record.said.text.contains("its plants (cabbage) suffer below 55 %"),
        "{}",
        dry.record.said.text
    );
    let fraction = "0.45, not adjusted for the crop's use of the day";
    assert_eq!(step(&dry.record.said.why, "part of the available water that may be used"), fraction);
    assert_eq!(step(&dry.record.said.why, "readily available water"), "0.45 x 42.5 mm = 19.1 mm");
    assert!(step(&dry.record.said.why, "whether the plants suffer").ends_with(" is above 19.1 mm"));
    assert!(step(&dry.record.said.why, "minutes of the bed's own watering").contains("/ 120 L/h x 60 = "));
}

/// 0.105 everywhere is 22.5 mm used: beyond 0.45 of 42.5 mm, but not beyond the
/// part that a cabbage in its initial stage may use after a mild autumn day.
#[test]
fn a_day_of_little_use_lets_more_of_the_water_be_used() {
    let contents = [0.105, 0.105, 0.105];
    let mut table = sandy("");
    quarters(&mut table, "2026-04-06T00:00", 2 * 96, contents);
    assert!(table.changes.iter().any(|c| c.record.key.kind == Kind::DryBed));

    let mut planted = sandy("planted = 2026-03-12");
    // The first day is judged by the table, since nothing is known of the one before.
    quarters(&mut planted, "2026-04-06T00:00", 96, [0.14, 0.14, 0.14]);
    quarters(&mut planted, "2026-04-07T00:00", 96, contents);
    assert!(!planted.changes.iter().any(|c| c.record.key.kind == Kind::DryBed), "{:#?}", planted.changes);
    let part = figure(&planted, "Part of it");
    let p = part.number.expect("known");
    assert!((0.53..0.65).contains(&p), "{p}");
    let with = step(&part.why, "part of the available water that may be used on this day");
    assert!(with.starts_with("0.45 + 0.04 x (5 - "), "{with}");
    assert!(part.why.iter().any(|s| s.source.contains("eq. 66")), "{:#?}", part.why);
    let mark = bed(&planted).refill_point;
    assert!((mark - (0.15 - p * 0.085)).abs() < 1e-9, "{mark}");
}

#[test]
fn a_planting_in_the_log_moves_the_stage_and_mulch_lessens_the_use() {
    let mut run = sandy("planted = 2026-01-05");
    quarters(&mut run, "2026-04-06T00:00", 8, [0.12, 0.12, 0.12]);
    assert!(figure(&run, "Stage of growth").value.starts_with("development stage, day 92 of 165"));
    run.log("kitchen-bed", local("2026-04-01T10:00"), LogEvent::Planted { crop: Some("lettuce".to_owned()) });
    let stage = figure(&run, "Stage of growth").value;
    assert!(stage.starts_with("initial stage, day 6 of "), "{stage}");
    assert_eq!(figure(&run, "Crop coefficient").value, "0.70");
    run.log("kitchen-bed", local("2026-04-02T10:00"), LogEvent::MulchLaid { depth_mm: 100.0 });
    let below = figure(&run, "Crop coefficient");
    // Half of what evaporates is kept: 0.7 x (1 - 0.5).
    assert_eq!(below.value, "0.35");
    assert!(step(&below.why, "crop coefficient below an organic mulch").starts_with("r = 0.5 x 1.00 = 0.50"));
}
