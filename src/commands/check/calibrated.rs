//! What a sensor's calibration does, said at both its ends, and what is odd about it.

use crate::calibration::{Calibration, Curve};
use crate::garden::plan::Sensor;
use crate::model::Quantity;
use crate::text::labels::{self, written};

/// The raw numbers of a probe that says per cent itself.
const PERCENT: (f64, f64) = (0.0, 100.0);

/// "raw 1450 is 40.0 % by volume, raw 2900 is 2.0 % by volume: a higher raw number is drier".
/// `None` where the calibration is none or has no ends.
pub(super) fn ends(sensor: &Sensor) -> Option<String> {
    let now = &sensor.calibrations.last()?.calibration;
    let soil = sensor.measures == Quantity::SoilMoisture;
    if soil && *now.curve() == Curve::Identity {
        return Some("no calibration: the raw number is m3/m3, so raw 0.25 is 25.0 % by volume".to_owned());
    }
    let ((low, at_low), (high, at_high)) = values(now, soil)?;
    let shown =
        |raw: f64, value: f64| format!("raw {} is {}", written(raw), labels::value(sensor.measures, value));
    let way = match (at_high > at_low, soil) {
        (true, true) => "wetter",
        (false, true) => "drier",
        (true, false) => "more",
        (false, false) => "less",
    };
    Some(format!("{}, {}: a higher raw number is {way}", shown(low, at_low), shown(high, at_high)))
}

/// Both ends with their values: those of the calibration, or 0 and 100 of one for a probe
/// that says per cent.
fn values(calibration: &Calibration, soil: bool) -> Option<((f64, f64), (f64, f64))> {
    let straight =
        matches!(calibration.curve(), Curve::Polynomial { coefficients } if coefficients.len() <= 2);
    let (low, high) = calibration.ends().or((soil && straight).then_some(PERCENT))?;
    Some(((low, calibration.convert(low).ok()?), (high, calibration.convert(high).ok()?)))
}

/// What is no fault and yet hardly meant: numbers of a pair that are swapped, a probe whose
/// per cent are taken for m3/m3, or run the wrong way.
pub(super) fn doubt(sensor: &Sensor) -> Option<String> {
    let id = &sensor.id;
    let now = &sensor.calibrations.last()?.calibration;
    let soil = sensor.measures == Quantity::SoilMoisture;
    if soil && *now.curve() == Curve::Identity && !sensor.unit_said {
        return Some(format!(
            "sensor {id} has no calibration: its raw number is taken for m3/m3. Write unit = \"percent\" where it \
             sends per cent, unit = \"m3/m3\" where that is right, and a calibration where it sends counts"
        ));
    }
    // Whoever writes the unit has thought of it; no soil comes to its 100 per cent.
    let ((low, at_low), (high, at_high)) = values(now, soil).filter(|_| !sensor.unit_said)?;
    let (least, most) = sensor.quality.gross_fail;
    let possible = |value: f64| (least..=most).contains(&value);
    let says = ends(sensor)?;
    if !possible(at_low) && !possible(at_high) {
        return Some(format!(
            "the calibration of sensor {id} gives values that no {} has ({} to {}): {says}. Are the two numbers of each \
             point swapped? It is [RAW, VALUE], in {}",
            sensor.measures.name(),
            written(least),
            written(most),
            sensor.measures.unit(),
        ));
    }
    if !possible(at_low) || !possible(at_high) {
        return Some(format!(
            "the calibration of sensor {id} gives at one end a value that no {} has ({} to {}): {says}",
            sensor.measures.name(),
            written(least),
            written(most),
        ));
    }
    let of_percent = low >= PERCENT.0 && high <= PERCENT.1 && high - low > 1.0;
    if soil && of_percent && at_high < at_low {
        return Some(format!(
            "the calibration of sensor {id} runs the wrong way for a probe that says per cent: {says}. Are its points \
             reversed?"
        ));
    }
    None
}
