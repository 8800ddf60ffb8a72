//! Customary units of the United States beside SI.

use trug::text::locale::figures::{FAHRENHEIT_AT_ZERO_CELSIUS, FAHRENHEIT_IN_CELSIUS, UNITS};

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![factors(), temperatures()]
}

fn factors() -> Checks {
    let mut checks = Checks::of("us_customary_units.csv");
    for row in table(checks.table) {
        let unit = UNITS.iter().find(|unit| unit.si == row.text("unit")).unwrap();
        checks.same(&row, row.text("unit"), &unit.customary, &row.text("customary"));
        checks.printed(&row, "si_in_one_customary", 1.0 / unit.factor);
    }
    checks
}

fn temperatures() -> Checks {
    let mut checks = Checks::of("us_customary_temperatures.csv");
    for row in table(checks.table) {
        let celsius = (row.number("fahrenheit") - FAHRENHEIT_AT_ZERO_CELSIUS) / FAHRENHEIT_IN_CELSIUS;
        checks.near(&row, "celsius", celsius, row.number("celsius"), row.tolerance("celsius").min(0.00005));
    }
    checks
}
