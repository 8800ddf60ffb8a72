//! Why a calibration cannot be, and why a raw number has no value.

/// Why a calibration cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    #[error("a calibration by points needs at least two points, {given} given")]
    TooFewPoints { given: usize },
    #[error("a calibration by points takes at most {most} points, {given} given")]
    TooManyPoints { given: usize, most: usize },
    #[error("number {place} of the calibration is {given}: a finite number is needed")]
    NotFinite { place: usize, given: f64 },
    #[error(
        "raw number {raw} at point {place} does not go on from {before}: raw numbers must all rise or all fall"
    )]
    RawNotMonotone { place: usize, before: f64, raw: f64 },
    #[error("value {value} at point {place} does not go on from {before}: values must all rise or all fall")]
    ValueNotMonotone { place: usize, before: f64, value: f64 },
    #[error("a polynomial needs at least one coefficient")]
    NoCoefficients,
    #[error("a polynomial takes at most {most} coefficients, {given} given")]
    TooManyCoefficients { given: usize, most: usize },
    #[error("{given} mm for each tip: a number above 0 and at most {most} is needed")]
    MmPerTip { given: f64, most: f64 },
    #[error("the counter rolls over at {given}: a whole number from 2 to 9007199254740992 is needed")]
    WrapsAt { given: f64 },
    #[error("the valid range runs from {min} to {max}: two finite numbers are needed, the lower one first")]
    ValidRange { min: f64, max: f64 },
    #[error(
        "a divider of {series_ohm} ohm that counts to {full_scale}: a resistor from {} to {} ohm and a count from {} to {} are needed",
        .ohm.0, .ohm.1, .count.0, .count.1
    )]
    Divider { series_ohm: f64, full_scale: f64, ohm: (f64, f64), count: (f64, f64) },
    #[error(
        "a thermistor of {r25_ohm} ohm with a beta of {beta_k} K: {} to {} ohm and {} to {} K are needed",
        .ohm.0, .ohm.1, .kelvin.0, .kelvin.1
    )]
    Beta { r25_ohm: f64, beta_k: f64, ohm: (f64, f64), kelvin: (f64, f64) },
    #[error(
        "the constants {a}, {b}, {c} give no resistance that falls as it warms and comes to a temperature from -40 to 125 °C"
    )]
    SteinhartHart { a: f64, b: f64, c: f64 },
    #[error("a platinum thermometer of {given} ohm at 0 °C: {min} to {max} ohm are needed")]
    PlatinumAtZero { given: f64, min: f64, max: f64 },
    #[error("a soil of {given} °C: a temperature from {min} to {max} °C is needed")]
    SoilTemperature { given: f64, min: f64, max: f64 },
    #[error(
        "a soil that holds {wilting_point} m3/m3 at the wilting point, {field_capacity} at field capacity and {saturation} when saturated: three numbers that rise from above 0 to at most 1 are needed"
    )]
    Retention { wilting_point: f64, field_capacity: f64, saturation: f64 },
}

/// Why a raw number has no value.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum OutOfRange {
    #[error("no calibration holds at the reading's time")]
    NoCalibration,
    #[error("the raw number {raw} is outside the calibration, which holds from {min} to {max}")]
    Raw { raw: f64, min: f64, max: f64 },
    #[error("the raw number {raw} comes to no finite value")]
    NotFinite { raw: f64 },
    #[error(
        "the raw number {raw} comes to {what} of {value:.3} {unit}: out of range, which is {min} to {max} {unit}"
    )]
    Computed { raw: f64, what: &'static str, value: f64, unit: &'static str, min: f64, max: f64 },
    #[error("the raw number {raw} is no resistance: a number of ohms above 0 is")]
    NotAResistance { raw: f64 },
    #[error(
        "the raw number {raw} is at an end of the divider's scale, 0 to {full_scale}, or beyond: the sensor is cut off or shorted"
    )]
    DividerEnd { raw: f64, full_scale: f64 },
    #[error("the raw number {raw} is no 16-bit register: a whole number from -32768 to 65535 is")]
    NotARegister { raw: f64 },
    #[error("the raw number {raw} is the sensor's power-on value of 85 °C: it had measured nothing yet")]
    PowerOn { raw: f64 },
    #[error("{raw} is no count of tips: a whole number from 0 is")]
    NotACount { raw: f64 },
    #[error("the running count {raw} is not below {wraps_at}, where the counter rolls over")]
    BeyondRollOver { raw: f64, wraps_at: f64 },
    #[error(
        "the running count is not later than one that was taken: the amount is in the later one's already"
    )]
    NotLater,
}

/// `value`, where it is within `range`; else `what` it is and its unit, with the raw number
/// that it comes from.
pub(super) fn computed(
    raw: f64,
    value: f64,
    what: &'static str,
    unit: &'static str,
    (min, max): (f64, f64),
) -> Result<f64, OutOfRange> {
    if (min..=max).contains(&value) {
        Ok(value)
    } else {
        Err(OutOfRange::Computed { raw, what, value, unit, min, max })
    }
}

/// Whether `x` is within a range, both ends included. NaN is within nothing.
pub(super) fn within((min, max): (f64, f64), x: f64) -> bool {
    (min..=max).contains(&x)
}
