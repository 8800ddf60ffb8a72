//! What an intensity is called. The schemes of the trade differ, so a class is
//! never named without its scheme.

use super::range::{RainOutOfRange, RainRange};
use crate::why::{Check, Equation};

/// The classes of the World Meteorological Organization.
pub const CLASS_WMO: Equation = Equation {
    gives: "class of the intensity (WMO)",
    form: "light, from 2.5 mm/h moderate, from 10 heavy, from 50 violent",
    source: "WMO classes, read in a secondary table; the primary text was not seen",
    check: Check::Table("rain_intensity_classes.csv"),
};

/// A class and the intensity from which on it applies, mm/h.
const CLASSES: [(&str, f64); 4] = [("light", 0.0), ("moderate", 2.5), ("heavy", 10.0), ("violent", 50.0)];

const MM_H: RainRange = RainRange { what: "an intensity", min: 0.0, max: 10_000.0, unit: "mm/h" };

/// The class of an intensity in mm/h ([`CLASS_WMO`]); `None` where no rain falls.
///
/// # Errors
/// When the intensity is not 0 to 10,000 mm/h.
pub fn class_wmo(mm_h: f64) -> Result<Option<&'static str>, RainOutOfRange> {
    let mm_h = MM_H.check(mm_h)?;
    let found = CLASSES.iter().rev().find(|(_, from)| *from <= mm_h);
    Ok(found.filter(|_| mm_h > 0.0).map(|(name, _)| *name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_rain_has_no_class_and_no_sense_is_refused() {
        assert_eq!(class_wmo(0.0), Ok(None));
        assert_eq!(class_wmo(f64::MIN_POSITIVE), Ok(Some("light")));
        for mm_h in [-0.1, f64::NAN, f64::INFINITY, 10_000.1] {
            assert!(class_wmo(mm_h).is_err(), "{mm_h}");
        }
    }
}
