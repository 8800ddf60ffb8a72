//! The weather of a simulated school with all four weather sensors, from the
//! simulator's own messages to the page's figure.

use std::sync::Arc;

use garden_simulator::{Scenario, School, Simulation};
use jiff::tz::TimeZone;
use trug::garden::record::Batch;
use trug::garden::{Clock, Core};
use trug::model::Sample;
use trug::model::SensorIx;
use trug::settings::from_text;

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";

const GARDEN: &str = r#"
[site]
id = "saltbush-gully"
name = "Saltbush Gully Primary School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.93
elevation_m = 95
[watering]
allowed = ["00:00-09:00", "18:00-24:00"]
[[bed]]
id = "pea-bed"
name = "Pea bed"
area_m2 = 5
soil = "sandy loam"
crop = "peas fresh"
[[sensor]]
id = "pea-15cm"
measures = "soil-moisture"
bed = "pea-bed"
depth_cm = 15
topic = "saltbush-gully/pea-bed/moisture-15cm"
payload = "number"
every_s = 900
[[sensor]]
id = "air"
measures = "air-temperature"
topic = "saltbush-gully/air"
payload = "number"
every_s = 900
[[sensor]]
id = "humidity"
measures = "relative-humidity"
topic = "saltbush-gully/humidity"
payload = "number"
every_s = 900
[[sensor]]
id = "sun"
measures = "solar-radiation"
topic = "saltbush-gully/sun"
payload = "number"
every_s = 900
[[sensor]]
id = "wind"
measures = "wind-speed"
topic = "saltbush-gully/wind"
payload = "number"
every_s = 900
"#;

const MONTH: &str = "title = \"a month\"\nstart = 2026-04-01\ndays = 30\nseed = 1\n";

/// For each day its figure by all sensors and by temperature alone. The days
/// hold the end of summer time. Bounds: ET0 of an autumn at 35 degrees south
/// lies between 1 and 9 mm a day (common experience, no publication); that the
/// two methods go together is what the year at two stations shows in
/// `tests/published/evapotranspiration.rs`.
#[test]
fn a_month_of_simulated_weather_has_a_figure_for_every_day() {
    let by_all = figures(GARDEN);
    let (with_air_only, _) = GARDEN.split_once("[[sensor]]\nid = \"humidity\"").expect("it is there");
    let by_air = figures(with_air_only);
    assert_eq!((by_all.len(), by_air.len()), (29, 29));
    let mut apart = 0.0;
    for ((words, mm), (words_air, mm_air)) in by_all.iter().zip(&by_air) {
        assert!(words.contains("(Penman-Monteith)"), "{words}");
        assert!(words_air.contains("Hargreaves"), "{words_air}");
        assert!((0.5..9.0).contains(mm) && (0.5..9.0).contains(mm_air), "{words} {words_air}");
        apart += (mm - mm_air).abs();
    }
    assert!(apart / 29.0 < 1.0, "mean distance of the methods: {} mm", apart / 29.0);
}

/// Figure and number of each day but the first, asked for at noon of the next.
fn figures(garden: &str) -> Vec<(String, f64)> {
    let settings =
        from_text(("trug.toml", TRUG), &[("g.toml", garden)], std::iter::empty()).expect("no faults");
    let gardens: Vec<_> = settings.gardens.into_iter().map(Arc::new).collect();
    let index = |id: &str| {
        let at = gardens[0].sensors.iter().position(|s| s.id.as_str() == id).expect("a sensor");
        SensorIx(u32::try_from(at).expect("few sensors"))
    };
    let school = School::parse(garden).expect("a school");
    let scenario = Scenario::parse(MONTH).expect("a scenario");
    let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
    let mut core = Core::new(&gardens, Clock::Readings);
    let mut found = Vec::new();
    let mut noon = zone.to_timestamp(jiff::civil::date(2026, 4, 2).at(12, 0, 0, 0)).expect("a moment");
    for emission in Simulation::new(&school, &scenario, 1) {
        if emission.at >= noon {
            let view = core.view("saltbush-gully").expect("the site");
            let figure = &view.weather[0];
            assert_eq!(figure.name, "Reference evapotranspiration yesterday");
            found.push((figure.value.clone(), figure.number.unwrap_or(f64::NAN)));
            let next = zone.to_datetime(noon).date().tomorrow().expect("a date");
            noon = zone.to_timestamp(next.at(12, 0, 0, 0)).expect("a moment");
        }
        let sample = Sample { at: Some(emission.at), raw: emission.raw, battery: None };
        core.take(index(&emission.sensor), sample, emission.at, &mut Batch::default());
    }
    found
}
