//! Drydowns of soil.

use trug::outlook::{Bounds, EXPONENTIAL, fit, half_life_d, water_content};

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![exponential()]
}

/// The series are of one value a day, printed to six decimals where they are of
/// the equation, and to three where noise was added and the fit is another
/// program's.
fn exponential() -> Checks {
    let mut checks = Checks::of("drydown_exponential.csv");
    assert_eq!(EXPONENTIAL.check, trug::why::Check::Table("drydown_exponential.csv"));
    for row in table(checks.table) {
        let series: Vec<f64> = row.json("theta_series_0_to_10d").as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
        let points: Vec<(f64, f64)> = (0..series.len()).map(|day| day as f64).zip(series.iter().copied()).collect();
        let (theta0, theta_w, tau_d) =
            (row.number("theta0_m3_m3"), row.number("theta_w_m3_m3"), row.number("tau_d"));
        let found = fit(&points, Bounds::default()).unwrap();
        checks.printed(&row, "tau_fit_d", found.tau_d);
        checks.printed(&row, "half_life_d", found.half_life_d());
        if let Some(amplitude) = row.maybe("fit_amplitude") {
            checks.near(&row, "amplitude", found.theta0 - found.theta_w, amplitude, row.tolerance("fit_amplitude"));
            checks.printed(&row, "fit_theta_w", found.theta_w);
            checks.printed(&row, "fit_tau_error_d", found.tau_error_d.unwrap());
        } else {
            for &(day, theta) in &points {
                let got = water_content(theta0 - theta_w, theta_w, tau_d, day);
                checks.near(&row, "the equation", got, theta, 0.5e-6);
            }
            checks.printed(&row, "half_life_d", half_life_d(tau_d));
            // Values of six decimals give the parameters back to four.
            checks.near(&row, "theta0", found.theta0, theta0, 0.5e-4);
            checks.near(&row, "theta_w", found.theta_w, theta_w, 0.5e-4);
        }
    }
    checks
}
