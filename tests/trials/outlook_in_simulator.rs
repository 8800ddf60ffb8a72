//! How well the outlook tells when a bed will be dry, in simulated gardens.
//!
//! `SEEDS=10 cargo test --test trials outlook_in_simulator -- --nocapture` prints the
//! errors beside those of a plain line; `FIRST_SEED` for other seeds. The method
//! was chosen on a record of real soil (`src/outlook/mod.rs`): here it is only shown
//! that nothing is broken.

use std::collections::BTreeMap;

use garden_simulator::{Scenario, Truth};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use trug::evapotranspiration::extraterrestrial_mj_m2;
use trug::garden::plan::Garden;
use trug::model::{Place, Quantity};
use trug::outlook::DryingLimits;
use trug::quality::Flag;
use trug::soil::mean_water_content;
use trug::watering::WettingWatch;

use crate::support::garden::{SHIPPED, garden_of};
use crate::support::outlook_score::{Heard, LEADS, Record, Score};
use crate::support::run::simulated;

/// Half a year from spring and half a year from autumn; each bed is watered well
/// and then left until it has dried.
const SEASONS: [(&str, &str, [u16; 4]); 2] =
    [("summer half", "2025-10-01", [9, 7, 8, 12]), ("winter half", "2025-04-01", [15, 13, 11, 20])];
const BEDS: [(&str, f64); 4] =
    [("kitchen-bed", 150.0), ("pea-bed", 120.0), ("herb-bed", 70.0), ("orchard-row", 900.0)];
const DAYS: u16 = 180;

/// Rain that may fall in all on the local days of a forecast, mm: too little for
/// any probe to feel.
const RAIN_MM: f64 = 1.0;

fn number(name: &str, other: u64) -> u64 {
    std::env::var(name).map_or(other, |n| n.parse().expect("SEEDS and FIRST_SEED are numbers"))
}

fn scenario(start: &str, every_days: [u16; 4]) -> Scenario {
    let mut text = format!("title = \"half a year\"\nstart = {start}\ndays = {DAYS}\nseed = 1\n");
    for ((bed, litres), every_days) in BEDS.iter().zip(every_days) {
        text += &format!(
            "[[watering]]\nbed = \"{bed}\"\nfirst = {start}\nevery_days = {every_days}\nat = \"05:30\"\nlitres = {litres}\n"
        );
    }
    Scenario::parse(&text).expect("a scenario")
}

/// What each bed's probes and the gauge told, as the garden takes them.
fn play(scenario: &Scenario, seed: u64) -> (Vec<Vec<(Timestamp, Heard)>>, Truth) {
    let (run, truth) = simulated(SHIPPED, scenario, seed);
    let garden = &run.garden;
    let mut beds: Vec<Vec<(Timestamp, Heard)>> = garden.beds.iter().map(|_| Vec::new()).collect();
    let mut last: BTreeMap<usize, f64> = BTreeMap::new();
    let mut watches: BTreeMap<usize, WettingWatch> = BTreeMap::new();
    for reading in run.rows.iter().filter(|r| r.flag == Flag::Pass && !r.late) {
        let (number, Some(value)) = (reading.sensor.0 as usize, reading.value) else { continue };
        let sensor = &garden.sensors[number];
        match (sensor.measures, sensor.place) {
            (Quantity::Rain, _) if value > 0.0 => {
                beds.iter_mut().for_each(|bed| bed.push((reading.at, Heard::Rain)));
            }
            (Quantity::SoilMoisture, Place::Bed(bed)) => {
                last.insert(number, value);
                let heard = &mut beds[usize::from(bed)];
                if let Some(theta) = mean(garden, bed, &last) {
                    heard.push((reading.at, Heard::Water(theta)));
                }
                if let Some(wetting) = watches.entry(number).or_default().push(reading.at, value) {
                    heard.push((reading.at, Heard::Wetting(wetting.onset)));
                }
            }
            _ => {}
        }
    }
    (beds, truth)
}

/// The root zone's mean once every probe of the bed has spoken.
fn mean(garden: &Garden, bed: u16, last: &BTreeMap<usize, f64>) -> Option<f64> {
    let probes = garden
        .sensors
        .iter()
        .enumerate()
        .filter(|(_, s)| s.measures == Quantity::SoilMoisture && s.place == Place::Bed(bed))
        .map(|(number, sensor)| Some((sensor.depth_m?, *last.get(&number)?)))
        .collect::<Option<Vec<_>>>()?;
    mean_water_content(&probes, garden.beds[usize::from(bed)].root_depth_m)
}

/// Whether a bed truly got no water worth a word between two times.
fn dry(truth: &Truth, bed: &str, zone: &TimeZone, from: Timestamp, to: Timestamp) -> bool {
    let hour = SignedDuration::from_hours(1);
    let watered = truth.waterings.iter().any(|w| w.bed == bed && w.from > from - hour && w.from < to);
    let (first, last) = (zone.to_datetime(from).date(), zone.to_datetime(to).date());
    let rain_mm: f64 =
        truth.rain.iter().filter(|day| (first..=last).contains(&day.date)).map(|day| day.mm).sum();
    !watered && rain_mm <= RAIN_MM
}

#[test]
fn drying_is_forecast_better_than_by_a_line_and_intervals_hold() {
    let garden = garden_of(SHIPPED);
    let zone = &garden.site.time_zone;
    let sun = |at: Timestamp| {
        let day = TimeZone::UTC.to_datetime(at).day_of_year().unsigned_abs();
        extraterrestrial_mj_m2(garden.site.latitude_deg, day).expect("a latitude and a day")
    };
    let first = number("FIRST_SEED", 100);
    let mut all = Score::default();
    for (name, start, every_days) in SEASONS {
        let scenario = scenario(start, every_days);
        let mut season = Score::default();
        for seed in first..first + number("SEEDS", 1) {
            let (beds, truth) = play(&scenario, seed);
            for (bed, heard) in garden.beds.iter().zip(beds) {
                let record = Record {
                    heard,
                    sun: &sun,
                    dry: &|from, to| dry(&truth, bed.id.as_str(), zone, from, to),
                    limits: DryingLimits { floor: 0.5 * bed.wilting_point, ..DryingLimits::default() },
                };
                season.add(&record);
                all.add(&record);
            }
        }
        println!("{name}:\n{season}");
    }
    println!("both:\n{all}");
    for (lead_at, lead_d) in LEADS.iter().enumerate() {
        assert!(all.count(lead_at) > 100, "{lead_d} days: too few to judge by");
        assert!(
            all.median_days(lead_at) < all.line_median_days(lead_at),
            "{lead_d} days: no better than a line"
        );
        let coverage = all.coverage(lead_at);
        assert!(
            (0.70..=0.92).contains(&coverage),
            "{lead_d} days: the interval held {coverage:.2} of the time"
        );
    }
    assert!(all.median_days(1) < 0.8, "median error at three days: {:.2} days", all.median_days(1));
}
