//! Wettings of made-up soil, a quarter of an hour from value to value.

use super::*;

const QUARTER_S: i64 = 900;

fn t(quarter: i64) -> Timestamp {
    Timestamp::from_second(1_776_000_000 + quarter * QUARTER_S).expect("in range")
}

/// Runs `content(quarter)` for some days and lists what was believed.
fn run(days: i64, content: impl Fn(i64) -> f64) -> Vec<Wetting> {
    let mut watch = WettingWatch::default();
    (0..days * 96).filter_map(|q| watch.push(t(q), content(q))).collect()
}

fn noise(q: i64) -> f64 {
    // A fixed pattern within ±0.001, with no period of a day.
    ((q * 7919 % 101) as f64 / 101.0 - 0.5) * 0.002
}

fn drying(q: i64) -> f64 {
    0.20 - q as f64 * 2e-5 + noise(q)
}

#[test]
fn a_drying_bed_is_never_wetted() {
    assert_eq!(run(20, drying), vec![]);
}

#[test]
fn a_watering_is_seen_once_with_its_onset() {
    let watered = 10 * 96 + 48;
    let seen = run(14, |q| drying(q) + if q > watered { 0.03 } else { 0.0 });
    assert_eq!(seen.len(), 1, "{seen:?}");
    assert_eq!(seen[0].onset, t(watered));
    assert!((seen[0].rise - 0.03).abs() < 0.005, "{}", seen[0].rise);
    assert!(seconds(seen[0].onset, seen[0].seen) <= STANDING_S + 3 * HOUR_S);
}

#[test]
fn a_small_rise_is_seen_once_the_probe_is_known() {
    let rise_on = |day: i64| run(14, |q| drying(q) + if q > day * 96 { 0.016 } else { 0.0 }).len();
    assert_eq!(rise_on(1), 0, "not yet known");
    assert_eq!(rise_on(10), 1);
}

#[test]
fn a_rise_that_falls_back_is_not_believed() {
    let seen = run(14, |q| drying(q) + if (960..964).contains(&q) { 0.05 } else { 0.0 });
    assert_eq!(seen, vec![]);
}

#[test]
fn a_reading_that_falls_out_is_no_base_of_a_rise() {
    let mut watch = WettingWatch::default();
    let hourly = |q: i64| q % 4 == 0 && !(960..976).contains(&q);
    let content = |q: i64| if q == 976 { 0.14 } else { drying(q) };
    let seen: Vec<_> =
        (0..14 * 96).filter(|&q| hourly(q)).filter_map(|q| watch.push(t(q), content(q))).collect();
    assert_eq!(seen, vec![], "beside four lost messages");
}

#[test]
fn a_slow_soak_is_seen_and_said_to_be_slow() {
    // 0.016 within eight hours: too slow for three.
    let soak = |q: i64| (q - 960).clamp(0, 32) as f64 * 0.0005;
    let seen = run(14, |q| drying(q) + soak(q));
    assert_eq!(seen.len(), 1, "{seen:?}");
    assert!(seen[0].slow && seen[0].rise > 0.010, "{seen:?}");
}

#[test]
fn a_daily_swing_becomes_usual() {
    let swing = |q: i64| 0.2 + 0.012 * (q as f64 / 96.0 * std::f64::consts::TAU).sin();
    let late = run(20, swing).into_iter().filter(|w| w.seen > t(8 * 96)).count();
    assert_eq!(late, 0);
}

/// Draining by 0.02 after each morning's watering is usual, and its absence is
/// no rise.
#[test]
fn a_morning_without_the_usual_drainage_is_no_wetting() {
    let (on, off) = (10, 11);
    let content = |q: i64| {
        let (day, quarter) = (q / 96, q % 96);
        let watered = day < on && quarter >= 20;
        let drained = (quarter - 32).clamp(0, 12) as f64 * 0.0025;
        drying(q) + if watered { 0.03 - drained } else { 0.0 }
    };
    let seen = run(off + 3, content);
    assert!(seen.len() >= 9, "{}", seen.len());
    assert!(seen.iter().all(|w| w.onset < t(on * 96)), "{seen:?}");
}

#[test]
fn two_waterings_a_day_apart_are_two() {
    let step = |q: i64, at: i64| if q > at { 0.03 } else { 0.0 };
    let seen = run(14, |q| drying(q) + step(q, 960) + step(q, 1056));
    assert_eq!(seen.len(), 2, "{seen:?}");
}

#[test]
fn a_reading_taken_back_wets_nothing() {
    let mut watch = WettingWatch::default();
    let mut seen = 0;
    for q in 0..14 * 96 {
        let value = if q == 1000 { 0.5 } else { drying(q) };
        seen += usize::from(watch.push(t(q), value).is_some());
        if q == 1001 {
            watch.take_back(t(1000));
        }
    }
    assert_eq!(seen, 0);
    assert_eq!(watch.rising_since(), None);
}

#[test]
fn a_neighbours_small_rise_is_felt_and_noise_is_not() {
    let felt = |step: f64| {
        let mut watch = WettingWatch::default();
        for q in 0..=972 {
            watch.push(t(q), drying(q) + if q > 960 { step } else { 0.0 });
        }
        watch.stirred(t(960))
    };
    assert_eq!(felt(0.006), Some(true));
    assert_eq!(felt(0.0), Some(false));
    assert_eq!(WettingWatch::default().stirred(t(0)), None);
}

#[test]
fn the_lag_grows_with_depth() {
    assert_eq!(probe_lag_s(0.15), 75 * 60);
    assert_eq!(probe_lag_s(0.60), 255 * 60);
}
