//! How many frosts the afternoon's rule foretells, on two stations' years.
//!
//! The rule was chosen on Fallon; Holyoke was held aside. The records stand in
//! `tests/published/` with their sources. Their days run from midnight to midnight, so that
//! a day's high is whole, where a garden's is that of the hours before 3 pm.

use trug::outlook::{FROST_MARGIN_C, low_tonight_c};

/// Frost may form on the ground below this, °C in the air.
const FROST_C: f64 = 2.0;

/// Each day's low and high, °C; `None` where the record has none.
fn days(file: &str) -> Vec<Option<(f64, f64)>> {
    let path = format!("{}/tests/published/{file}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("the record is there");
    text.lines()
        .skip(1)
        .map(|line| {
            let mut columns = line.split(',').skip(1);
            let mut number = || columns.next()?.parse().ok();
            Some((number()?, number()?))
        })
        .collect()
}

/// Nights with frost that a rule tells and misses, then others that it tells and does not.
fn score(days: &[Option<(f64, f64)>], tells: impl Fn([(f64, f64); 2]) -> bool) -> [usize; 4] {
    let mut counts = [0; 4];
    for night in days.windows(3) {
        let [Some(yesterday), Some(today), Some((low_c, _))] = *night else { continue };
        let (frost, told) = (low_c < FROST_C, tells([yesterday, today]));
        counts[2 * usize::from(!frost) + usize::from(!told)] += 1;
    }
    counts
}

#[test]
fn most_frosts_are_foretold_on_the_record_that_was_held_aside() {
    let rule = |[(_, yesterday_c), (low_c, high_c)]: [(f64, f64); 2]| {
        low_tonight_c(low_c, high_c, yesterday_c) < FROST_C + FROST_MARGIN_C
    };
    // The last night's low alone, and with the whole change of the high.
    let last_night = |[_, (low_c, _)]: [(f64, f64); 2]| low_c < FROST_C + FROST_MARGIN_C;
    let whole = |[(_, yesterday_c), (low_c, high_c)]: [(f64, f64); 2]| {
        low_c + high_c - yesterday_c < FROST_C + FROST_MARGIN_C
    };
    for (station, file, expected) in [
        ("Fallon 2015 (chosen on)", "et0_fallon_2015.csv", [151, 12, 14, 186]),
        ("Holyoke 2020 (held aside)", "et0_holyoke_2020.csv", [192, 10, 14, 148]),
    ] {
        let days = days(file);
        let [told, without, with_all] = [score(&days, rule), score(&days, last_night), score(&days, whole)];
        println!(
            "{station}: [told, missed, told in vain, quiet] {told:?}; last night alone {without:?}; whole change {with_all:?}"
        );
        assert_eq!(told, expected, "{station}: what src/outlook/frost.rs says of the rule");
        let wrong = |counts: [usize; 4]| counts[1] + counts[2];
        assert!(wrong(told) < wrong(without) && wrong(told) < wrong(with_all), "{station}");
    }
}
