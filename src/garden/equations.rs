//! Every equation behind an alarm or a figure, room by room.

use crate::why::Equation;

/// Every equation, so that each one's check can be looked for.
pub const EQUATIONS: &[&[Equation]] = &[
    crate::calibration::EQUATIONS,
    crate::evapotranspiration::EQUATIONS,
    crate::garden::sensor::battery::EQUATIONS,
    crate::garden::bed::figures::EQUATIONS,
    crate::garden::sensor::clock::EQUATIONS,
    crate::garden::bed::overwatering::EQUATIONS,
    crate::garden::sensor::faults::EQUATIONS,
    crate::garden::sensor::stuck::EQUATIONS,
    crate::garden::tank::instrument::EQUATIONS,
    crate::garden::sensor::gateway::EQUATIONS,
    crate::garden::bed::mulch_day::EQUATIONS,
    crate::garden::system::words::EQUATIONS,
    crate::garden::sensor::silence::EQUATIONS,
    crate::outlook::EQUATIONS,
    crate::rain::EQUATIONS,
    crate::soil::EQUATIONS,
    crate::tank::EQUATIONS,
    crate::watering::DRAINAGE_EQUATIONS,
    crate::watering::EQUATIONS,
    crate::watering::IRRIGATION_EQUATIONS,
];
