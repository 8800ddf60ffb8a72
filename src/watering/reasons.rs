//! The equations by which a wetting is found and its cause told.

use super::wetting::{LAG_S, LAG_S_PER_CM, STANDING_PART};
use crate::watering::Wetting;
use crate::why::{Check, Equation, Step};

const OWN: &str = "this project's own rule, chosen on open records of soil probes beside rain gauges";
const SCORED: Check = Check::None("no publication holds it; the score over simulated months does");

/// The rise that is looked at.
pub const RISE: Equation = Equation {
    gives: "rise beyond the usual",
    form: "rise = (w(t) - w(t - h)) - median of the same hour's rises on 7 days, h = 3 h, or 9 h for a slow rise; w(t - h) the \
           median of that hour",
    source: OWN,
    check: SCORED,
};

/// The least rise that counts.
pub const LEAST_RISE: Equation = Equation {
    gives: "least rise that counts",
    form: "least = max(m, 4 x 1.4826 x median of |d - median d|), m = 0.010 over 3 h and 0.012 over 9 h, d the probe's rises \
           over such a span in 14 days; 2 m until 3 days are known",
    source: OWN,
    check: SCORED,
};

/// What must still stand two hours later.
pub const STANDING: Equation = Equation {
    gives: "part of the rise that still stood 2 h later",
    form: "part = (w(t + 2 h) - w0) / (highest - w0), at least 0.60",
    source: OWN,
    check: SCORED,
};

/// When water can have come at the earliest.
pub const ARRIVAL: Equation = Equation {
    gives: "longest time from the surface to the probe",
    form: "lag = 15 min + 4 min/cm x depth",
    source: "this project's own cautious figure; sandy beds are faster",
    check: SCORED,
};

/// Rain that explains a wetting.
pub const RAIN_BEFORE: Equation = Equation {
    gives: "rain in the day before",
    form: "P = sum of the gauge from 24 h before the rise until it was believed; from 1.0 mm it explains the wetting",
    source: OWN,
    check: SCORED,
};

/// Water by a meter.
pub const METERED: Equation = Equation {
    gives: "water through the meter",
    form: "V = sum of the meter's messages; a watering from 0.5 mm x area",
    source: "the meter; the least amount is this project's own",
    check: Check::Arithmetic,
};

/// All of them.
pub const EQUATIONS: &[Equation] =
    &[RISE, LEAST_RISE, STANDING, ARRIVAL, RAIN_BEFORE, METERED, super::RUN_SHOWN, crate::rain::EVIDENCE];

impl Wetting {
    /// How it was found, with its numbers. `depth_m` is the probe's.
    pub fn steps(&self, depth_m: f64) -> Vec<Step> {
        let net = self.found_rise - self.usual;
        let lag_min = super::probe_lag_s(depth_m) / 60;
        vec![
            LEAST_RISE.step(format!("{:.4} m3/m3 for this probe", self.least)),
            RISE.step(format!(
                "over {} h {:.4} - {:.4} = {net:.4} m3/m3, at least {:.4}; in all it rose by {:.3}",
                if self.slow { 9 } else { 3 },
                self.found_rise,
                self.usual,
                self.least,
                self.rise
            )),
            STANDING.step(format!("{:.2}, at least {STANDING_PART:.2}", self.standing)),
            ARRIVAL.step(format!(
                "{} min + {} x {:.0} cm = {lag_min} min",
                LAG_S / 60,
                LAG_S_PER_CM / 60.0,
                depth_m * 100.0
            )),
        ]
    }
}
