//! Faults in scenario and garden files are errors that name what is wrong.

use garden_simulator::{Scenario, School, Simulation};

use crate::common::{names, school, school_of};

const GOOD: &str = "title = \"t\"\nstart = 2026-04-01\ndays = 3\nseed = 1\n";

#[test]
fn a_scenario_fault_names_the_key() {
    let cases = [
        ("wether = 1", "wether"),
        ("start_available = 1.5", "start_available"),
        ("start_available = nan", "start_available"),
        ("[climate]\nhotter_c = 2", "hotter_c"),
        ("[climate]\nwarmer_c = \"much\"", "warmer_c"),
        ("[climate]\nwarmer_c = 99", "climate.warmer_c"),
        ("[[climate.spell]]\nfrom = 2026-04-01\nto = 2026-04-02\ndry = true", "dry"),
        ("[[climate.spell]]\nfrom = 2026-04-01", "to"),
        ("[[climate.spell]]\nfrom = 2026-04-01\nto = 2026-04-02\nrain_mm = -1", "climate.spell.rain_mm"),
        (
            "[[watering]]\nbed = \"b\"\nfirst = 2026-04-01\nevery_days = 0\nat = \"06:00\"\nlitres = 9",
            "every_days",
        ),
        (
            "[[watering]]\nbed = \"b\"\nfirst = 2026-04-01\nevery_days = 1\nat = \"26:00\"\nlitres = 9",
            "26:00",
        ),
        ("[[watering]]\nbed = \"b\"\nfirst = 2026-04-01\nevery_days = 1\nat = \"06:00\"\nlitre = 9", "litre"),
        ("[[timer]]\nfirst = 2026-04-01\nevery_days = 1\nat = \"06:00\"\nminutes = 0", "timer.minutes"),
        ("[[instrument]]\nresolution = 0.1", "instrument.sensor"),
        ("[[instrument]]\nmeasures = \"moisture\"", "moisture"),
        ("[[instrument]]\nsensor = \"s\"\nresolution = 0", "instrument.resolution"),
        ("[[instrument]]\nsensor = \"s\"\nkm_off = -1", "instrument.km_off"),
        ("[soil]\nfront_m_per_h = [0.6, 0.06]", "soil.front_m_per_h"),
        (
            "[[event]]\nkind = \"fails-hot\"\nsensor = \"s\"\nreads_c = 20\nfrom = 2026-04-01T00:00:00\nto = 2026-04-02T00:00:00",
            "event.reads_c",
        ),
        (
            "[[event]]\nkind = \"dropouts\"\nsensor = \"s\"\npart = 0.9\nfrom = 2026-04-01T00:00:00\nto = 2026-04-02T00:00:00",
            "event.part",
        ),
        (
            "[[event]]\nkind = \"swapped\"\nsensor = \"s\"\nat = 2026-04-01T00:00:00\nhours = 0\noffset = 1",
            "event.hours",
        ),
        ("[[event]]\nkind = \"flood\"", "flood"),
        ("[[event]]\nkind = \"watering\"\nbed = \"b\"\nat = 2026-04-01T12:00:00\nlitres = 5\nmm = 4", "mm"),
        (
            "[[event]]\nkind = \"watering\"\nbed = \"b\"\nat = 2026-04-01T12:00:00\nlitres = inf",
            "event.litres",
        ),
        (
            "[[event]]\nkind = \"watering\"\nbed = \"b\"\nat = 2026-04-01T12:00:00Z\nlitres = 5",
            "2026-04-01T12:00:00Z",
        ),
        ("[[event]]\nkind = \"watering\"\nbed = \"b\"\nat = 2026-04-01\nlitres = 5", "2026-04-01"),
        ("[[event]]\nkind = \"mulch\"\nat = 2026-04-01T12:00:00", "bed"),
        (
            "[[event]]\nkind = \"silent\"\nsensor = \"s\"\nfrom = 2026-04-02T00:00:00\nto = 2026-04-01T00:00:00",
            "event.to",
        ),
        (
            "[[event]]\nkind = \"top-up\"\ntank = \"t\"\nat = 2026-04-01T12:00:00\nlitres = 5\nwater_c = 12\nminutes = 0",
            "event.minutes",
        ),
    ];
    Scenario::parse(GOOD).unwrap();
    for (fault, named) in cases {
        let error = Scenario::parse(&format!("{GOOD}{fault}\n")).unwrap_err().to_string();
        assert!(error.contains(named), "{fault}\n{error}");
    }
    let error = Scenario::parse("title = \"t\"\nstart = 2026-04-01\ndays = 0\nseed = 1").unwrap_err();
    assert!(error.to_string().contains("days"), "{error}");
    let error = Scenario::named("wet-week").unwrap_err().to_string();
    assert!(error.contains("wet-week") && error.contains("ordinary-month"), "{error}");
}

#[test]
fn a_garden_fault_names_the_place() {
    let good = include_str!("../garden.toml");
    let cases = [
        ("time_zone = \"Australia/Adelaide\"", "time_zone = \"Australia/Woop\"", "Australia/Woop"),
        ("latitude_deg = -34.93", "latitude_deg = -134.93", "-134.93"),
        ("area_m2 = 7.2", "area_m2 = 0", "kitchen-bed"),
        ("soil = \"sandy loam\"", "soil = \"sandy lome\"", "sandy lome"),
        ("crop = \"mint\"", "crop = \"mynt\"", "mynt"),
        ("species = \"silver perch\"", "species = \"silver fish\"", "silver fish"),
        ("\"00:00-09:00\"", "\"09:00-00:00\"", "09:00-00:00"),
        ("bed = \"herb-bed\"", "bed = \"herbs\"", "herbs"),
        ("calibration = \"topp\"", "calibration = \"top\"", "orchard-20cm"),
        ("[[2910, 0.02], [1460, 0.40]]", "[[2910, 0.02]]", "pea-15cm"),
        ("payload = \"line-protocol\"", "payload = \"lines\"", "lines"),
        ("value = \"/raw\", time = \"/t\"", "value = \"/t\", time = \"/t\"", "kitchen-15cm"),
        ("every_s = 300", "every_s = 0", "perch-water-temp"),
    ];
    School::parse(good).unwrap();
    for (was, becomes, named) in cases {
        assert!(good.contains(was), "{was}");
        let error = School::parse(&good.replacen(was, becomes, 1)).unwrap_err().to_string();
        assert!(error.contains(named), "{becomes}\n{error}");
    }
}

#[test]
fn every_scenario_fits_its_school() {
    for name in names() {
        let school = school_of(name);
        let scenario = Scenario::named(name).unwrap();
        assert_eq!(scenario.name, name);
        let simulation = Simulation::new(&school, &scenario, scenario.seed);
        assert!(simulation.unplaced().is_empty(), "{name}: {:?}", simulation.unplaced());
    }
    let other = Scenario::parse(&format!(
        "{GOOD}[[watering]]\nbed = \"rose-bed\"\nfirst = 2026-04-01\nevery_days = 1\nat = \"06:00\"\nlitres = 9"
    ));
    let simulation = Simulation::new(&school(), &other.unwrap(), 1);
    assert_eq!(simulation.unplaced(), ["rose-bed"]);
    let other = Scenario::parse(&format!(
        "{GOOD}[[timer]]\nbeds = [\"rose-bed\"]\nfirst = 2026-04-01\nevery_days = 1\nat = \"06:00\"\nminutes = 9\n\
         [[instrument]]\nsensor = \"rose-10cm\"\nresolution = 0.1\n\
         [[event]]\nkind = \"fails-hot\"\nsensor = \"yard-gauge\"\nreads_c = 60\n\
         from = 2026-04-02T00:00:00\nto = 2026-04-03T00:00:00"
    ));
    let simulation = Simulation::new(&school(), &other.unwrap(), 1);
    assert_eq!(simulation.unplaced(), ["rose-bed", "yard-gauge", "rose-10cm"]);
}
