use super::*;

const START: i64 = 1_776_000_000;

fn t(hour: f64) -> Timestamp {
    Timestamp::from_second(START - START % 86_400 + (hour * 3600.0) as i64).expect("in range")
}

fn noise(quarter: i64) -> f64 {
    ((quarter * 7919 % 101) as f64 / 101.0 - 0.5) * 0.001
}

/// A bed that is filled to 0.30 every `every` days and dries exponentially
/// with a time constant of eight days towards 0.05, by the quarter-hour.
fn content(every: f64, hour: f64) -> f64 {
    let days = (hour / 24.0).rem_euclid(every);
    0.05 + 0.25 * (-days / 8.0).exp()
}

fn grown(days: i64, every: f64) -> Outlook {
    let mut outlook = Outlook::new(DryingLimits::default());
    for quarter in 0..days * 96 {
        let hour = quarter as f64 / 4.0;
        outlook.push(t(hour), content(every, hour) + noise(quarter), 1.0);
    }
    outlook
}

/// Expected: the equation of the bed itself, 8 ln(0.25 / (x - 0.05)) days.
#[test]
fn a_bed_that_is_known_is_forecast_to_half_a_day() {
    // Four days into the fourth drydown of nine days.
    let (days, every) = (31, 9.0);
    let outlook = grown(days, every);
    let now = t(days as f64 * 24.0);
    for threshold in [0.18, 0.16] {
        let expected_d = 27.0 + 8.0 * (0.25_f64 / (threshold - 0.05)).ln();
        let got = outlook.forecast(now, threshold).expect("known");
        let at = got.at.expect("within ten days");
        let got_d = (at.as_second() - t(0.0).as_second()) as f64 / 86_400.0;
        assert!((got_d - expected_d).abs() < 0.5, "{threshold}: {got_d} {expected_d} {got:?}");
        assert!(got.from.expect("sooner") <= at && got.to.is_none_or(|to| at <= to));
        assert_eq!(got.basis.method, ForecastMethod::Blend);
        assert_eq!(got.basis.drydowns, 3);
    }
    let never = outlook.forecast(now, 0.06).expect("known");
    assert_eq!(never.at, None, "not within ten days");
    let already = outlook.forecast(now, 0.25).expect("known");
    assert_eq!((already.at, already.from, already.to), (Some(now), Some(now), Some(now)));
}

#[test]
fn the_first_drydown_has_the_line_and_a_wide_interval() {
    let outlook = grown(3, 9.0);
    let now = t(72.0);
    let got = outlook.forecast(now, 0.20).expect("three days are known");
    assert_eq!(got.basis.method, ForecastMethod::Line);
    let ahead = outlook.ahead(now, 3.0, ForecastMethod::Blend).expect("known");
    let truth = content(9.0, 144.0);
    assert!(ahead.low < truth && truth < ahead.high, "{ahead:?} {truth}");
    assert!(ahead.theta < truth, "a line dries too fast");
}

#[test]
fn what_is_not_known_is_said() {
    let mut outlook = Outlook::new(DryingLimits::default());
    assert_eq!(outlook.forecast(t(0.0), 0.1), Err(Unknown::NoReadings));
    outlook.push(t(0.0), 0.3, 1.0);
    assert_eq!(outlook.forecast(t(0.5), 0.1), Err(Unknown::TooEarly { hours: 0 }));
    let outlook = grown(1, 9.0);
    assert!(matches!(outlook.forecast(t(24.0), 0.1), Err(Unknown::TooEarly { .. })));
    let outlook = grown(3, 9.0);
    assert_eq!(outlook.forecast(t(72.0 + 12.0), 0.1), Err(Unknown::Stale { hours: 13 }));
}

#[test]
fn a_wetting_begins_anew_whether_told_or_seen() {
    let mut seen = grown(9, 9.0);
    assert!(seen.forecast(t(216.0), 0.1).is_ok());
    let mut told = seen.clone();
    for quarter in 0..4 * 5 {
        let hour = 216.0 + quarter as f64 / 4.0;
        seen.push(t(hour), 0.30, 1.0);
        // So little that only the caller can know.
        told.push(t(hour), content(9.0, 215.9) + 0.002, 1.0);
    }
    assert!(matches!(seen.forecast(t(221.0), 0.1), Err(Unknown::TooEarly { .. })));
    assert!(told.forecast(t(221.0), 0.1).is_ok());
    told.wetted(t(216.0));
    assert!(matches!(told.forecast(t(221.0), 0.1), Err(Unknown::TooEarly { .. })));
    for outlook in [&seen, &told] {
        assert_eq!(outlook.drydowns, 1);
        let ended = outlook.finished().expect("it has come to its end");
        let tau_d = ended.fit.expect("exponential by make").tau_d;
        assert!((tau_d - 8.0).abs() < 1.0, "{tau_d}");
    }
}

#[test]
fn a_long_silence_begins_anew_and_a_short_one_does_not() {
    for (silence_h, known) in [(10.0, true), (14.0, false)] {
        let mut outlook = grown(5, 9.0);
        let back = 120.0 + silence_h;
        for quarter in 0..8 {
            let hour = back + quarter as f64 / 4.0;
            outlook.push(t(hour), content(9.0, hour), 1.0);
        }
        assert_eq!(outlook.forecast(t(back + 2.0), 0.1).is_ok(), known, "{silence_h}");
    }
}

#[test]
fn a_daily_swing_is_no_wetting() {
    let mut outlook = Outlook::new(DryingLimits::default());
    for quarter in 0..96 * 12 {
        let hour = quarter as f64 / 4.0;
        let swing = 0.001 * (hour / 24.0 * std::f64::consts::TAU).sin();
        outlook.push(t(hour), 0.30 - 0.0001 * hour + swing, 1.0);
    }
    let got = outlook.forecast(t(12.0 * 24.0), 0.2).expect("one drydown");
    assert!((got.basis.fall_a_day - 0.0024).abs() < 0.0006, "{got:?}");
}

#[test]
fn no_input_panics_and_memory_stays_bounded() {
    let mut outlook = Outlook::new(DryingLimits::default());
    let odd = [f64::NAN, f64::INFINITY, -1.0, 0.0, 1e300, 0.3, 0.9];
    let mut at = t(0.0);
    for i in 0..20_000_usize {
        outlook.push(at, odd[i * 31 % odd.len()], odd[i * 17 % odd.len()]);
        if i % 7 == 0 {
            outlook.wetted(at);
            outlook.rained();
        }
        let _ = outlook.forecast(at, odd[i % odd.len()]);
        let step_s = if i % 1000 == 999 { -5000 } else { 1234 };
        at = at.saturating_add(SignedDuration::from_secs(step_s)).expect("in range");
    }
    let _ = outlook.forecast(Timestamp::MAX, 0.1);
    outlook.push(Timestamp::MAX, 0.3, 1.0);
    let _ = outlook.forecast(Timestamp::MIN, 0.1);
    assert!(outlook.hours.len() <= KEPT_HOURS && outlook.waiting.len() <= 8);
}
