//! Every equation behind an alarm or a figure, room by room.

use crate::why::Equation;

/// Every equation, so that each one's check can be looked for.
pub const EQUATIONS: &[&[Equation]] = &[
    crate::calibration::EQUATIONS,
    crate::evapotranspiration::EQUATIONS,
    super::battery_rules::EQUATIONS,
    super::bed_figures::EQUATIONS,
    super::fault_rules::EQUATIONS,
    super::gateway_rules::EQUATIONS,
    super::mulch_day::EQUATIONS,
    super::own_words::EQUATIONS,
    super::silence::EQUATIONS,
    crate::outlook::EQUATIONS,
    crate::rain::EQUATIONS,
    crate::soil::EQUATIONS,
    crate::tank::EQUATIONS,
    crate::watering::DRAINAGE_EQUATIONS,
    crate::watering::EQUATIONS,
    crate::watering::IRRIGATION_EQUATIONS,
];
