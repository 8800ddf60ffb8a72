//! What a crop takes of the reference, and what mulch spares.

use super::range::{OutOfRange, within};
use crate::why::{Check, Equation, Why};

/// Crop coefficients of the tables lie well inside.
const COEFFICIENT: (f64, f64) = (0.0, 1.5);

pub(super) const MULCHED: Equation = Equation {
    gives: "crop coefficient under organic mulch",
    form: "Kc - 0.5 cover (Kc - Kcb): 5 % less evaporation from the soil for each 10 % of it covered",
    source: "FAO-56 chapters 10 and 11, organic mulch",
    check: Check::None(
        "the 5 % for each 10 % was read in quotations of chapter 11; how chapter 10 applies it is from memory",
    ),
};
pub(super) const CROP: Equation = Equation {
    gives: "evapotranspiration of the crop",
    form: "ETc = Kc ET0",
    source: "FAO-56 eq. 58",
    check: Check::Arithmetic,
};

/// A crop's evapotranspiration, with the steps that lead to it.
#[derive(Clone, Debug, PartialEq)]
pub struct CropWater {
    /// Millimetres a day.
    pub mm: f64,
    /// The coefficient that was used, after mulch.
    pub coefficient: f64,
    pub why: Why,
}

/// The crop coefficient of a bed with organic mulch on `cover` of its surface
/// (0 to 1).
///
/// `basal` is the coefficient of the plants alone, without evaporation from the
/// soil between them (Kcb); before they cover the ground it is next to nothing,
/// and the whole coefficient is the soil's.
///
/// # Errors
///
/// Where a coefficient is outside 0 to 1.5, `basal` is above `coefficient`, or
/// the cover is outside 0 to 1.
pub fn mulched_coefficient(coefficient: f64, basal: f64, cover: f64) -> Result<f64, OutOfRange> {
    let coefficient = within("the crop coefficient", coefficient, COEFFICIENT, "")?;
    let basal = within("the basal crop coefficient", basal, (0.0, coefficient), "")?;
    let cover = within("the mulch's cover", cover, (0.0, 1.0), "of the surface")?;
    Ok(coefficient - 0.5 * cover * (coefficient - basal))
}

/// A crop's evapotranspiration of a day: `ETc = Kc ET0`. `mulch` is the basal
/// coefficient and the part of the surface that organic mulch covers.
///
/// # Errors
///
/// As [`mulched_coefficient`].
pub fn crop_evapotranspiration(
    reference_mm: f64,
    coefficient: f64,
    mulch: Option<(f64, f64)>,
) -> Result<CropWater, OutOfRange> {
    let mut why = Why::new();
    let bare = within("the crop coefficient", coefficient, COEFFICIENT, "")?;
    let coefficient = match mulch {
        Some((basal, cover)) => {
            let mulched = mulched_coefficient(bare, basal, cover)?;
            why.push(
                MULCHED
                    .step(format!("{bare:.2} - 0.5 x {cover:.2} x ({bare:.2} - {basal:.2}) = {mulched:.2}")),
            );
            mulched
        }
        None => bare,
    };
    let mm = coefficient * reference_mm;
    why.push(CROP.step(format!("{coefficient:.2} x {reference_mm:.2} mm = {mm:.2} mm")));
    Ok(CropWater { mm, coefficient, why })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half the surface covered spares a quarter of the soil's evaporation: the
    /// rule of FAO-56 chapter 11 (5 % for each 10 %), read in quotations.
    #[test]
    fn half_a_cover_spares_a_quarter_of_the_soils_evaporation() {
        for (kc, kcb, cover, expected) in
            [(0.6, 0.0, 0.5, 0.45), (0.6, 0.0, 1.0, 0.30), (1.15, 1.10, 0.5, 1.1375), (1.15, 1.10, 0.0, 1.15)]
        {
            let got = mulched_coefficient(kc, kcb, cover).unwrap();
            assert!((got - expected).abs() < 1e-12, "{kc} {kcb} {cover}: {got}");
        }
    }

    #[test]
    fn mulch_spares_and_says_so() {
        let bare = crop_evapotranspiration(5.0, 0.6, None).unwrap();
        let mulched = crop_evapotranspiration(5.0, 0.6, Some((0.15, 0.8))).unwrap();
        assert!((bare.mm - 3.0).abs() < 1e-12 && bare.why.len() == 1);
        assert!(mulched.mm < bare.mm && mulched.why.len() == 2);
        assert_eq!(bare.why[0].with, "0.60 x 5.00 mm = 3.00 mm");
    }

    #[test]
    fn what_cannot_be_is_out_of_range() {
        assert_eq!(mulched_coefficient(1.6, 0.0, 0.5).unwrap_err().what, "the crop coefficient");
        assert_eq!(mulched_coefficient(1.0, 1.1, 0.5).unwrap_err().what, "the basal crop coefficient");
        assert_eq!(mulched_coefficient(1.0, 0.9, 1.1).unwrap_err().what, "the mulch's cover");
        assert!(crop_evapotranspiration(5.0, f64::NAN, None).is_err());
    }
}
