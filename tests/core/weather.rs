//! The weather of a simulated school with all four weather sensors, from the
//! simulator's own messages to the page's figure.

use garden_simulator::{Scenario, School, Simulation};
use jiff::tz::TimeZone;
use trug::model::SensorIx;

use crate::support::garden::{GardenFile, WATERING};
use crate::support::run::Run;

const MONTH: &str = "title = \"a month\"\nstart = 2026-04-01\ndays = 30\nseed = 1\n";

/// For each day its figure by all sensors and by temperature alone. The days
/// hold the end of summer time. Bounds: ET0 of an autumn at 35 degrees south
/// lies between 1 and 9 mm a day (common experience, no publication); that the
/// two methods go together is what the year at two stations shows in
/// `tests/published/evapotranspiration.rs`.
#[test]
fn a_month_of_simulated_weather_has_a_figure_for_every_day() {
    let bed = "area_m2 = 5\nsoil = \"sandy loam\"\ncrop = \"peas fresh\"\n";
    let with_air_only = GardenFile::new("saltbush-gully")
        .with(WATERING)
        .bed("pea-bed", "Pea bed", bed)
        .probe("pea-15cm", "pea-bed", 15)
        .sensor("air", "air-temperature", "");
    let by_air = figures(with_air_only.text());
    let with_all = with_air_only
        .sensor("humidity", "relative-humidity", "")
        .sensor("sun", "solar-radiation", "")
        .sensor("wind", "wind-speed", "");
    let by_all = figures(with_all.text());
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
    let mut run = Run::new(garden);
    let sensors: Vec<String> = run.garden.sensors.iter().map(|sensor| sensor.id.to_string()).collect();
    let index = |id: &str| {
        let at = sensors.iter().position(|sensor| sensor == id).expect("a sensor");
        SensorIx(u32::try_from(at).expect("few sensors"))
    };
    let school = School::parse(garden).expect("a school");
    let scenario = Scenario::parse(MONTH).expect("a scenario");
    let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
    let mut found = Vec::new();
    let mut noon = zone.to_timestamp(jiff::civil::date(2026, 4, 2).at(12, 0, 0, 0)).expect("a moment");
    for emission in Simulation::new(&school, &scenario, 1) {
        if emission.at >= noon {
            let view = run.view();
            let figure = &view.weather[0];
            assert_eq!(figure.name, "Reference evapotranspiration yesterday");
            found.push((figure.value.clone(), figure.number.unwrap_or(f64::NAN)));
            let next = zone.to_datetime(noon).date().tomorrow().expect("a date");
            noon = zone.to_timestamp(next.at(12, 0, 0, 0)).expect("a moment");
        }
        run.take(index(&emission.sensor), emission.at, emission.raw);
    }
    found
}
