//! Water content from permittivity.

use jiff::Timestamp;
use trug::calibration::{Calibrated, Calibration, Calibrator, DatedCalibration, topp};

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![topp_1980()]
}

fn topp_1980() -> Checks {
    let mut checks = Checks::of("topp_1980.csv");
    let held = [DatedCalibration { from: None, calibration: Calibration::topp() }];
    for row in table(checks.table) {
        let ka = row.number("permittivity_dimensionless");
        let expected = row.number("vwc_m3_m3");
        let tolerance = row.tolerance("vwc_m3_m3");
        checks.near(&row, "equation 7", topp::water_content(ka), expected, tolerance);
        match Calibrator::new().value(&held, Timestamp::UNIX_EPOCH, ka) {
            Calibrated::Value(value) => checks.near(&row, "calibration", value, expected, tolerance),
            // The table starts at 2, below the range of the fit.
            other => assert!(ka < topp::FITTED.0, "permittivity {ka}: {other:?}"),
        }
    }
    checks
}
