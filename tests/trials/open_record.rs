//! Wettings found in an open record of soil water beside a rain gauge: how many had
//! rain, and how many would have been called watering though nobody watered.
//!
//! `SOIL_RECORD=FILE cargo test --test trials open_record -- --ignored --nocapture`, with a
//! CSV of `time_utc,vwc_m3m3,rain_mm`. With `SOIL_DEPTH_CM` it also says of how many rains
//! the soil above the probe gained more than fell, which on soil that nobody waters is
//! false: `cause.rs` takes that for watering beside the rain.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use trug::rain::{Gauge, GaugeMessage};
use trug::watering::{Wetting, WettingWatch};

const PATIENCE_S: i64 = 3600;

/// Of wettings with 1 mm of rain in the day before, how many gained clearly more than fell
/// and no earlier wetting took, by several limits.
fn beyond_rain(depth_cm: f64, wettings: &[Wetting], rains: &[(Timestamp, f64)]) {
    const SAME_WETTING_S: i64 = 6 * 3600;
    let sum = |from: Timestamp, to: Timestamp| -> f64 {
        rains.iter().filter(|(at, _)| *at > from && *at <= to).map(|(_, mm)| mm).sum()
    };
    let mut rained = Vec::new();
    for (number, wetting) in wettings.iter().enumerate() {
        let day_before = wetting.onset - SignedDuration::from_hours(24);
        let earlier = wettings[..number]
            .iter()
            .rfind(|it| wetting.onset.as_second() - it.onset.as_second() > SAME_WETTING_S);
        let left_from = earlier.map_or(day_before, |it| it.seen.max(day_before));
        if sum(day_before, wetting.seen) >= 1.0 {
            rained.push((10.0 * depth_cm * wetting.rise, sum(left_from, wetting.seen)));
        }
    }
    println!("{} wettings with rain; more than so many times the rain and so many mm more:", rained.len());
    for times in [1.0, 1.25, 1.5, 2.0] {
        let share = |mm: f64| {
            let beyond = rained.iter().filter(|(gained, left)| *gained > times * left + mm).count();
            format!("{mm} mm {:.1} %", 100.0 * beyond as f64 / rained.len().max(1) as f64)
        };
        println!("  {times}: {}, {}, {}, {}", share(0.0), share(2.0), share(4.0), share(8.0));
    }
}

#[test]
#[ignore = "needs a record: SOIL_RECORD=FILE.csv cargo test --test trials open_record -- --ignored --nocapture"]
fn wettings_of_an_open_record_have_rain() {
    let file = std::env::var_os("SOIL_RECORD").expect("SOIL_RECORD names a file");
    let text = std::fs::read_to_string(&file).expect("SOIL_RECORD can be read");
    let (mut watch, mut gauge) = (WettingWatch::default(), Gauge::default());
    let (mut wettings, mut rains) = (Vec::new(), Vec::<(Timestamp, f64)>::new());
    let (mut first, mut last) = (None, None);
    let mut readings = 0;
    for line in text.lines().skip(1) {
        let mut cells = line.split(',');
        let mut cell = || cells.next().unwrap_or("").trim();
        let at: Timestamp = cell().parse().expect("a time of the record");
        let (water, rain) = (cell().parse::<f64>().ok(), cell().parse::<f64>().ok());
        first.get_or_insert(at);
        last = Some(at);
        if let Some(mm) = rain {
            gauge.push(GaugeMessage { at, mm, count: None }, PATIENCE_S, &TimeZone::UTC);
            if mm > 0.0 {
                rains.push((at, mm));
            }
        }
        if let Some(water) = water {
            readings += 1;
            if let Some(wetting) = watch.push(at, water) {
                let before = |hours: i64| {
                    gauge.sum_mm(wetting.onset - SignedDuration::from_hours(hours), wetting.seen)
                };
                wettings.push((wetting, before(24), before(12), before(6), before(3)));
            }
        }
    }
    let (first, last) = (first.expect("a record with lines"), last.expect("a record with lines"));
    let years = last.duration_since(first).as_secs_f64() / (365.25 * 86_400.0);
    println!(
        "{readings} readings over {years:.2} years, {:.0} mm of rain",
        rains.iter().map(|r| r.1).sum::<f64>()
    );
    println!("{} wettings found, {:.0} a year", wettings.len(), wettings.len() as f64 / years);
    for (name, index) in [("24", 0), ("12", 1), ("6", 2), ("3", 3)] {
        let without = wettings
            .iter()
            .filter(|(_, day, half, quarter, few)| [*day, *half, *quarter, *few][index] < 1.0)
            .count();
        println!(
            "  less than 1 mm from {name} h before until it was believed: {without} ({:.2} a year)",
            without as f64 / years
        );
    }
    for (wetting, day, ..) in wettings.iter().filter(|w| w.1 < 1.0) {
        println!("  no rain: {} by {:.3}, {day:.1} mm in the day before", wetting.onset, wetting.rise);
    }
    if let Some(depth_cm) = std::env::var("SOIL_DEPTH_CM").ok().and_then(|cm| cm.parse::<f64>().ok()) {
        beyond_rain(depth_cm, &wettings.iter().map(|it| it.0).collect::<Vec<_>>(), &rains);
    }
    // Rains, parted by six dry hours, by their size: which of them were felt.
    let mut events: Vec<(Timestamp, Timestamp, f64)> = Vec::new();
    for &(at, mm) in &rains {
        match events.last_mut() {
            Some(event) if at.duration_since(event.1) < SignedDuration::from_hours(6) => {
                *event = (event.0, at, event.2 + mm);
            }
            _ => events.push((at, at, mm)),
        }
    }
    for (from, to) in
        [(0.0, 1.0), (1.0, 3.0), (3.0, 5.0), (5.0, 8.0), (8.0, 12.0), (12.0, 20.0), (20.0, f64::INFINITY)]
    {
        let class: Vec<_> = events.iter().filter(|e| (from..to).contains(&e.2)).collect();
        let felt = class
            .iter()
            .filter(|e| {
                wettings.iter().any(|(w, ..)| {
                    w.onset >= e.0 - SignedDuration::from_hours(1)
                        && w.onset <= e.1 + SignedDuration::from_hours(6)
                })
            })
            .count();
        println!("  rains of {from:>2.0} to {to:<3.0} mm: {felt} of {} felt", class.len());
    }
    assert!(readings > 0 && !wettings.is_empty(), "nothing was found in the record");
}
