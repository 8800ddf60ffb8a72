//! What a crop takes of the reference. Its coefficient is [`crate::soil`]'s.

use super::range::{WeatherOutOfRange, within};
use crate::why::{Check, Equation, Step};

/// Largest coefficients of the tables, after a wetting, stay below.
const COEFFICIENT: (f64, f64) = (0.0, 1.5);

pub(super) const CROP: Equation = Equation {
    gives: "evapotranspiration of the crop",
    form: "ETc = Kc ET0",
    source: "FAO-56 eq. 58",
    check: Check::Arithmetic,
};

/// The coefficient that stands in where the growth stage is not known: the
/// largest of the season, so that a bed is not thought wetter than it is.
pub const MID_SEASON: Equation = Equation {
    gives: "crop coefficient, as in mid-season because the growth stage is not known",
    form: "Kc = Kc mid",
    source: "FAO-56 table 12; that it stands in for the other stages is our own rule",
    check: Check::Table("fao56_table12.csv"),
};

/// A crop's evapotranspiration of a day, mm, from the reference and the crop's
/// coefficient (0 to 1.5), with its step.
///
/// # Errors
///
/// For a coefficient outside that range.
pub fn crop_evapotranspiration(
    reference_mm: f64,
    coefficient: f64,
) -> Result<(f64, Step), WeatherOutOfRange> {
    let mm = within("the crop coefficient", coefficient, COEFFICIENT, "")? * reference_mm;
    Ok((mm, CROP.step(format!("{coefficient:.2} x {reference_mm:.2} mm = {mm:.2} mm"))))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_crop_takes_its_share_and_no_coefficient_beyond_the_tables() {
        let (mm, step) = crop_evapotranspiration(5.0, 0.6).unwrap();
        assert!((mm - 3.0).abs() < 1e-12);
        assert_eq!(step.with, "0.60 x 5.00 mm = 3.00 mm");
        assert_eq!(crop_evapotranspiration(5.0, 1.6).unwrap_err().what, "the crop coefficient");
        assert!(crop_evapotranspiration(5.0, f64::NAN).is_err());
    }
}
