//! Rain that a roof brings to its tank.

use super::range::{RAIN, RainOutOfRange, RainRange};
use crate::why::{Check, Equation};

/// Litres from a roof.
pub const ROOF_YIELD: Equation = Equation {
    gives: "water that runs off the roof",
    form: "L = A (rain - B) area",
    source: "enHealth, Guidance on use of rainwater tanks (2011), appendix B, after Martin (1980); \
             A 0.80 to 0.85, B 2 mm a month",
    check: Check::Table("rain_roof_yield.csv"),
};

/// Part of the rain that runs off where nothing else is said: the lower end of
/// the source's 0.80 to 0.85, and the one that its table is made with.
pub const RUNOFF: f64 = 0.80;

/// Rain of a month that only wets the roof, mm.
pub const MONTH_LOSS_MM: f64 = 2.0;

const AREA: RainRange = RainRange { what: "a roof", min: 0.01, max: 1_000_000.0, unit: "m2" };
const PART: RainRange = RainRange { what: "a runoff", min: 0.01, max: 1.0, unit: "of the rain" };

/// A roof that fills a tank.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Roof {
    /// As seen from above, m².
    pub area_m2: f64,
    /// Part of the rain that runs off, above 0 to 1.
    pub runoff: f64,
}

impl Roof {
    /// Litres of `rain_mm` with `loss_mm` lost first ([`ROOF_YIELD`]). The source
    /// takes [`MONTH_LOSS_MM`] for each month; for a year that is twelve times as
    /// much. Rain that does not exceed the loss yields nothing.
    ///
    /// # Errors
    /// When rain or loss is not 0 to 30,000 mm, the area not 0.01 to 1,000,000 m²
    /// or the runoff not 0.01 to 1.
    pub fn litres(self, rain_mm: f64, loss_mm: f64) -> Result<f64, RainOutOfRange> {
        let wet_mm = RAIN.check(rain_mm)? - RAIN.check(loss_mm)?;
        Ok(PART.check(self.runoff)? * wet_mm.max(0.0) * AREA.check(self.area_m2)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_roof_takes_its_share_first_and_never_gives_it_back() {
        let roof = Roof { area_m2: 100.0, runoff: RUNOFF };
        for (rain_mm, litres) in [(0.0, 0.0), (2.0, 0.0), (1.0, 0.0), (12.0, 800.0)] {
            assert!((roof.litres(rain_mm, MONTH_LOSS_MM).unwrap() - litres).abs() < 1e-9, "{rain_mm}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let roof = Roof { area_m2: 100.0, runoff: RUNOFF };
        assert_eq!(
            roof.litres(-1.0, 2.0).unwrap_err().to_string(),
            "a rainfall of -1 mm is out of range, which is 0 to 30000 mm"
        );
        assert!(roof.litres(10.0, -2.0).is_err());
        assert!(Roof { area_m2: 0.0, ..roof }.litres(10.0, 2.0).is_err());
        assert!(Roof { runoff: 1.1, ..roof }.litres(10.0, 2.0).is_err());
        assert!(Roof { runoff: f64::NAN, ..roof }.litres(10.0, 2.0).is_err());
    }
}
