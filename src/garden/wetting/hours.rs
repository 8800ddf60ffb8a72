//! Whether a bed was watered when water may not run.
//!
//! A probe feels water, not how it came: a sprinkler that is forbidden and a can that
//! is allowed look the same to it. So a watering is outside the hours only where every
//! method that can have been used was forbidden. A program of the timer and an entry of
//! the log say more about the method than a probe does; a bed's own meter counts what
//! runs through the bed's own watering.

use jiff::Timestamp;

use crate::garden::plan::Garden;
use crate::garden::wetting::program::ProgramRun;
use crate::watering::{WateringMethods, wholly_outside};

/// How a watering lies to the hours of the garden's file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub(crate) enum WateringTime {
    /// It can have run when the bed's own watering may run.
    Within,
    /// Outside the hours of the bed's own watering; whether of the method that was used
    /// cannot be told, since another one was allowed.
    OutsideForOwn,
    /// Outside the hours of every method that can have been used.
    Outside,
}

impl WateringTime {
    /// Of water that ran at some moment between two, by one of `methods`.
    pub(crate) fn between(
        garden: &Garden,
        bed: u16,
        methods: WateringMethods,
        from: Timestamp,
        to: Timestamp,
    ) -> Self {
        let bed = garden.bed(bed);
        let (rules, zone) = (garden.watering_rules(bed), &garden.site.time_zone);
        if wholly_outside(rules.any(methods), zone, from, to) {
            Self::Outside
        } else if wholly_outside(rules.all(bed.own_methods()), zone, from, to) {
            Self::OutsideForOwn
        } else {
            Self::Within
        }
    }

    /// Of a rise whose water can have run from `earliest` to its onset. Where the timer
    /// is known, it tells better than the probe when water ran.
    pub(crate) fn of_rise(
        garden: &Garden,
        bed: u16,
        logged: bool,
        program: Option<ProgramRun>,
        (earliest, onset): (Timestamp, Timestamp),
    ) -> Self {
        let (from, to) = program.map_or((earliest, onset), |it| (it.run.start, it.run.end));
        Self::between(garden, bed, methods_of(garden, bed, logged, program), from, to)
    }
}

/// The methods that can have watered a bed.
pub(crate) fn methods_of(
    garden: &Garden,
    bed: u16,
    logged: bool,
    program: Option<ProgramRun>,
) -> WateringMethods {
    let program = program.and_then(|it| garden.programs.get(usize::from(it.program)));
    match program {
        _ if logged => WateringMethods::BY_HAND,
        Some(program) => garden.program_methods(program, garden.bed(bed)),
        None => WateringMethods::ANY,
    }
}
