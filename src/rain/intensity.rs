//! What an intensity is called. The schemes of the trade differ, so a class is
//! never named without its scheme.

use super::range::{OutOfRange, Range};
use crate::why::{Check, Equation};

/// The classes of [`Scheme::Wmo`], by which figures are named here.
pub const CLASS_WMO: Equation = Equation {
    gives: "class of the intensity (WMO)",
    form: "light, from 2.5 mm/h moderate, from 10 heavy, from 50 violent",
    source: "WMO classes, read in a secondary table; the primary text was not seen",
    check: Check::Table("rain_intensity_classes.csv"),
};

/// Who draws the lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scheme {
    MetOfficeRain,
    MetOfficeShowers,
    Wmo,
    NwsAms,
}

/// A class of a scheme and the intensity at which it begins, mm/h.
type Class = (&'static str, f64);

impl Scheme {
    /// Every scheme.
    pub const ALL: [Self; 4] = [Self::MetOfficeRain, Self::MetOfficeShowers, Self::Wmo, Self::NwsAms];

    /// The scheme's name.
    pub fn name(self) -> &'static str {
        match self {
            Self::MetOfficeRain => "Met Office rain",
            Self::MetOfficeShowers => "Met Office showers",
            Self::Wmo => "WMO",
            Self::NwsAms => "US NWS / AMS",
        }
    }

    /// Where the scheme was read.
    pub fn source(self) -> &'static str {
        match self {
            Self::MetOfficeRain | Self::MetOfficeShowers => {
                "Met Office classes, read in two pages that quote them"
            }
            Self::Wmo => "WMO classes, read in a secondary table; the primary text was not seen",
            Self::NwsAms => "AMS Glossary, \"rain\", read; the US National Weather Service uses it",
        }
    }

    /// Its classes, lightest first, each with the intensity at which it begins
    /// (mm/h). An intensity on a line belongs to the class above it: the sources
    /// do not all say, and those of WMO and AMS can be read the other way.
    pub fn classes(self) -> &'static [Class] {
        match self {
            Self::MetOfficeRain => &[("slight", 0.0), ("moderate", 0.5), ("heavy", 4.0)],
            Self::MetOfficeShowers => {
                &[("slight", 0.0), ("moderate", 2.0), ("heavy", 10.0), ("violent", 50.0)]
            }
            Self::Wmo => &[("light", 0.0), ("moderate", 2.5), ("heavy", 10.0), ("violent", 50.0)],
            Self::NwsAms => &[("light", 0.0), ("moderate", 2.5), ("heavy", 7.6)],
        }
    }

    /// The class of an intensity in mm/h; `None` where no rain falls.
    ///
    /// # Errors
    /// When the intensity is not 0 to 10,000 mm/h.
    pub fn class(self, mm_h: f64) -> Result<Option<&'static str>, OutOfRange> {
        let mm_h = MM_H.check(mm_h)?;
        let found = self.classes().iter().rev().find(|(_, from)| *from <= mm_h);
        Ok(found.filter(|_| mm_h > 0.0).map(|(name, _)| *name))
    }
}

const MM_H: Range = Range { what: "an intensity", min: 0.0, max: 10_000.0, unit: "mm/h" };

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_intensity_has_several_names() {
        let names = Scheme::ALL.map(|scheme| scheme.class(5.0).unwrap().unwrap());
        assert_eq!(names, ["heavy", "moderate", "moderate", "moderate"]);
    }

    #[test]
    fn no_rain_has_no_class_and_no_sense_is_refused() {
        for scheme in Scheme::ALL {
            assert_eq!(scheme.class(0.0), Ok(None));
            assert!(scheme.class(f64::MIN_POSITIVE).unwrap().is_some());
            for mm_h in [-0.1, f64::NAN, f64::INFINITY, 10_000.1] {
                assert!(scheme.class(mm_h).is_err(), "{mm_h}");
            }
        }
    }
}
