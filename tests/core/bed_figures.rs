//! A bed's figures and its dryness: each number with the equations that gave it.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use trug::alarms::Kind;
use trug::garden::log::{LogEntry, Seen};
use trug::garden::plan::Garden;
use trug::garden::record::{AlarmChange, Batch};
use trug::garden::view::{BedView, Figure};
use trug::garden::{Clock, Core};
use trug::model::Id;
use trug::model::Sample;
use trug::model::SensorIx;
use trug::settings::from_text;
use trug::why::Step;

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";

/// A bed with two probes at one depth and one below, and a thermometer; raw
/// numbers are values. BED stands for more of the bed's keys.
const GARDEN: &str = r#"
[site]
id = "school"
name = "Saltbush Gully Primary School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.93
elevation_m = 95
[watering]
allowed = ["00:00-09:00", "18:00-24:00"]
[[bed]]
id = "kitchen-bed"
name = "Kitchen bed"
area_m2 = 7.2
soil = "loamy sand"
crop = "cabbage"
irrigation = { litres_per_hour = 120, efficiency = 0.9 }
BED
[[sensor]]
id = "a"
measures = "soil-moisture"
bed = "kitchen-bed"
depth_cm = 15
topic = "school/a"
payload = "number"
every_s = 900
[[sensor]]
id = "b"
measures = "soil-moisture"
bed = "kitchen-bed"
depth_cm = 15
topic = "school/b"
payload = "number"
every_s = 900
[[sensor]]
id = "c"
measures = "soil-moisture"
bed = "kitchen-bed"
depth_cm = 30
topic = "school/c"
payload = "number"
every_s = 900
[[sensor]]
id = "air"
measures = "air-temperature"
topic = "school/air"
payload = "number"
every_s = 900
"#;

const AIR: SensorIx = SensorIx(3);

struct Run {
    core: Core,
    changes: Vec<AlarmChange>,
}

impl Run {
    fn new(bed: &str) -> Self {
        let text = GARDEN.replace("BED\n", &format!("{bed}\n"));
        let settings =
            from_text(("trug.toml", TRUG), &[("g.toml", &text)], std::iter::empty()).expect("no faults");
        let gardens: Vec<Arc<Garden>> = settings.gardens.into_iter().map(Arc::new).collect();
        Self { core: Core::new(&gardens, Clock::Readings), changes: Vec::new() }
    }

    fn take(&mut self, sensor: SensorIx, at: Timestamp, raw: f64) {
        let mut batch = Batch::default();
        self.core.take(sensor, Sample { at: Some(at), raw, battery: None }, at, &mut batch);
        self.changes.extend(batch.changes);
    }

    /// Quarters of an hour from `from` on: the probes at these contents, and air
    /// that swings from 12 to 26 degrees C through the local day.
    fn quarters(&mut self, from: &str, count: i64, contents: [f64; 3]) -> &mut Self {
        for quarter in 0..count {
            let at = local(from) + SignedDuration::from_mins(15 * quarter);
            for (sensor, content) in (0..).map(SensorIx).zip(contents) {
                // A little noise, or the probes would count as stuck.
                let noise = ((quarter * 7919 + i64::from(sensor.0) * 31) % 101) as f64 * 1e-5;
                self.take(sensor, at, content + noise);
            }
            let hour = (at.as_second() - local("2026-04-06T00:00").as_second()) as f64 / 3600.0;
            self.take(AIR, at, 19.0 - 7.0 * ((hour - 3.0) / 24.0 * std::f64::consts::TAU).cos());
        }
        self
    }

    fn bed(&self) -> BedView {
        self.core.view("school").expect("the site").beds.remove(0)
    }

    fn figure(&self, name: &str) -> Figure {
        let bed = self.bed();
        let found = bed.figures.iter().find(|f| f.name.starts_with(name));
        found.unwrap_or_else(|| panic!("no figure {name} in {:#?}", bed.figures)).clone()
    }

    fn dry(&self) -> &AlarmChange {
        self.changes.iter().find(|c| c.key.kind == Kind::DryBed).expect("the bed is dry")
    }
}

/// A time of Adelaide's clock.
fn local(text: &str) -> Timestamp {
    let local: jiff::civil::DateTime = text.parse().expect("a date-time");
    local.in_tz("Australia/Adelaide").expect("a zone").timestamp()
}

fn step<'a>(why: &'a [Step], gives: &str) -> &'a str {
    let found = why.iter().find(|s| s.gives == gives);
    &found.unwrap_or_else(|| panic!("no step {gives} in {why:#?}")).with
}

#[test]
fn figures_carry_their_equations_down_to_the_soil() {
    let mut run = Run::new("");
    run.quarters("2026-04-06T12:00", 8, [0.10, 0.11, 0.12]);
    let reach = run.figure("Water that the roots can reach");
    assert_eq!(reach.value, "42.5 mm");
    assert_eq!(step(&reach.why, "total available water"), "1000 x (0.150 - 0.065) x 0.50 m = 42.5 mm");
    let capacity = run.figure("Field capacity");
    assert_eq!(capacity.value, "0.150 m3/m3");
    assert_eq!(step(&capacity.why, "water that a texture holds"), "loamy sand: 0.11 to 0.19, so 0.150 m3/m3");
    // The two probes at 15 cm share the upper layer.
    let content = run.figure("Water in the root zone");
    let mean = step(&content.why, "mean water content of the root zone");
    assert_eq!(mean, "(0.106 x 0.225 m + 0.120 x 0.275 m) / 0.500 m = 0.114 m3/m3");
    let litres = run.figure("Water that it wants");
    assert!(
        step(&litres.why, "litres that bring the bed to field capacity").contains("mm x 7.2 m2 / 0.90 = ")
    );
    assert_eq!(run.figure("Minutes of its own watering").unit, "min");
    let stage = run.figure("Stage of growth");
    assert_eq!(stage.value, "not known: the garden file gives no date of planting (planted)");
    assert_eq!((stage.number, stage.why), (None, vec![]));
}

#[test]
fn without_probes_the_figures_say_what_is_missing() {
    let run = Run::new("");
    for name in ["Water in the root zone", "Available water", "Water stress", "Water that it wants"] {
        let figure = run.figure(name);
        assert_eq!(figure.number, None, "{name}");
        assert_eq!(figure.value, "not known: no probe here has a fresh good reading", "{name}");
    }
    assert_eq!(run.figure("Water that the roots can reach").value, "42.5 mm");
}

#[test]
fn a_bed_of_sand_and_clay_shows_where_its_limits_are_from() {
    let text = Run::new("").bed();
    assert!(!text.figures.iter().any(|f| f.name.starts_with("Saturation")));
    let garden = GARDEN.replace(
        "soil = \"loamy sand\"",
        "soil = { sand_percent = 65, clay_percent = 10, organic_percent = 2.5 }\nwilting_point = 0.06",
    );
    let settings =
        from_text(("trug.toml", TRUG), &[("g.toml", &garden.replace("BED\n", ""))], std::iter::empty());
    let gardens: Vec<Arc<Garden>> = settings.expect("no faults").gardens.into_iter().map(Arc::new).collect();
    let run = Run { core: Core::new(&gardens, Clock::Readings), changes: Vec::new() };
    let capacity = run.figure("Field capacity");
    assert_eq!(capacity.value, "0.179 m3/m3");
    assert_eq!(capacity.why[0].source, "Saxton and Rawls 2006, eq. 2");
    assert_eq!(run.figure("Saturation").value, "0.450 m3/m3");
    assert_eq!(run.figure("Water that the full soil lets through").value, "50 mm/h");
    let wilting = run.figure("Wilting point");
    assert_eq!((wilting.value.as_str(), wilting.why), ("0.060 m3/m3 (the garden file's own)", vec![]));
}

#[test]
fn a_dry_bed_says_why_and_when_to_water() {
    let mut run = Run::new("");
    run.quarters("2026-04-06T12:00", 8, [0.08, 0.08, 0.09]);
    let dry = run.dry();
    assert!(dry.text.contains("of its own watering, after 6 pm on "), "{}", dry.text);
    assert!(dry.text.contains("its plants (cabbage) suffer below 55 %"), "{}", dry.text);
    let fraction = "0.45, not adjusted for the crop's use of the day";
    assert_eq!(step(&dry.why, "part of the available water that may be used"), fraction);
    assert_eq!(step(&dry.why, "readily available water"), "0.45 x 42.5 mm = 19.1 mm");
    assert!(step(&dry.why, "whether the plants suffer").ends_with(" is above 19.1 mm"));
    assert!(step(&dry.why, "minutes of the bed's own watering").contains("/ 120 L/h x 60 = "));
}

/// 0.105 everywhere is 22.5 mm used: beyond 0.45 of 42.5 mm, but not beyond the
/// part that a cabbage in its initial stage may use after a mild autumn day.
#[test]
fn a_day_of_little_use_lets_more_of_the_water_be_used() {
    let contents = [0.105, 0.105, 0.105];
    let mut table = Run::new("");
    table.quarters("2026-04-06T00:00", 2 * 96, contents);
    assert!(table.changes.iter().any(|c| c.key.kind == Kind::DryBed));

    let mut planted = Run::new("planted = 2026-03-12");
    // The first day is judged by the table, since nothing is known of the one before.
    planted.quarters("2026-04-06T00:00", 96, [0.14, 0.14, 0.14]);
    planted.quarters("2026-04-07T00:00", 96, contents);
    assert!(!planted.changes.iter().any(|c| c.key.kind == Kind::DryBed), "{:#?}", planted.changes);
    let part = planted.figure("Part of it");
    let p = part.number.expect("known");
    assert!((0.53..0.65).contains(&p), "{p}");
    let with = step(&part.why, "part of the available water that may be used on this day");
    assert!(with.starts_with("0.45 + 0.04 x (5 - "), "{with}");
    assert!(part.why.iter().any(|s| s.source.contains("eq. 66")), "{:#?}", part.why);
    let mark = planted.bed().refill_point;
    assert!((mark - (0.15 - p * 0.085)).abs() < 1e-9, "{mark}");
}

#[test]
fn a_planting_in_the_log_moves_the_stage_and_mulch_lessens_the_use() {
    let mut run = Run::new("planted = 2026-01-05");
    run.quarters("2026-04-06T00:00", 8, [0.12, 0.12, 0.12]);
    assert!(run.figure("Stage of growth").value.starts_with("development stage, day 92 of 165"));
    let log = |run: &mut Run, at: &str, what: Seen| {
        let entry = LogEntry {
            site: Id::new("school"),
            place: Some(Id::new("kitchen-bed")),
            at: local(at),
            what,
            note: String::new(),
        };
        run.core.log(&entry, local(at), &mut Batch::default());
    };
    log(&mut run, "2026-04-01T10:00", Seen::Planted { crop: Some("lettuce".to_owned()) });
    let stage = run.figure("Stage of growth").value;
    assert!(stage.starts_with("initial stage, day 6 of "), "{stage}");
    assert_eq!(run.figure("Crop coefficient").value, "0.70");
    log(&mut run, "2026-04-02T10:00", Seen::MulchLaid { depth_mm: 100.0 });
    let below = run.figure("Crop coefficient");
    // Half of what evaporates is kept: 0.7 x (1 - 0.5).
    assert_eq!(below.value, "0.35");
    assert!(step(&below.why, "crop coefficient below an organic mulch").starts_with("r = 0.5 x 1.00 = 0.50"));
}
