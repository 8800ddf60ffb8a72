//! Water in the root zone: what it holds, what is gone, what it takes to fill it.
//!
//! ```text
//! TAW = 1000 (FC - WP) Zr       total available water, mm         (eq. 82)
//! RAW = p TAW                   readily available water, mm       (eq. 83)
//! Dr  = 1000 (FC - theta) Zr    root-zone depletion, mm
//! ```
//!
//! FC and WP are volumetric water contents at field capacity and at the wilting
//! point (m³/m³), Zr the rooting depth (m), p the depletion fraction, theta the
//! mean water content of the root zone. Beyond RAW the crop is stressed.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (1998), chapter 8.
//!
//! # Where it stops holding
//!
//! `p` is the table's value at a crop evapotranspiration of 5 mm a day; it is
//! not yet adjusted for the day's own. `Dr` is negative above field capacity,
//! and is not clamped: wetter than field capacity is worth knowing.

/// What a bed's root zone can hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RootZone {
    /// m³/m³.
    pub field_capacity: f64,
    /// m³/m³.
    pub wilting_point: f64,
    /// Metres.
    pub root_depth_m: f64,
    /// 0 to 1.
    pub depletion_fraction: f64,
}

impl RootZone {
    /// Total available water, mm.
    pub fn total_available_mm(&self) -> f64 {
        1000.0 * (self.field_capacity - self.wilting_point) * self.root_depth_m
    }

    /// Readily available water, mm.
    pub fn readily_available_mm(&self) -> f64 {
        self.depletion_fraction * self.total_available_mm()
    }

    /// Depletion at a mean water content, mm; negative above field capacity.
    pub fn depletion_mm(&self, water_content: f64) -> f64 {
        1000.0 * (self.field_capacity - water_content) * self.root_depth_m
    }

    /// The water content at which readily available water is used up, m³/m³.
    pub fn refill_point(&self) -> f64 {
        self.field_capacity - self.depletion_fraction * (self.field_capacity - self.wilting_point)
    }

    /// Part of total available water that is left; above 1 beyond field
    /// capacity, below 0 beyond the wilting point.
    pub fn available_left(&self, water_content: f64) -> f64 {
        1.0 - self.depletion_mm(water_content) / self.total_available_mm()
    }
}

/// Litres that bring a bed to field capacity: 1 mm on 1 m² is 1 L.
/// `efficiency` is the part of the water that reaches the root zone (0 to 1).
pub fn litres_to_fill(depletion_mm: f64, area_m2: f64, efficiency: f64) -> f64 {
    depletion_mm.max(0.0) * area_m2 / efficiency
}

/// Mean water content of the root zone from probes at several depths, m³/m³.
///
/// Each probe speaks for a layer that reaches half-way to its neighbours; the
/// top one's layer reaches to the surface and the bottom one's to the root
/// depth. `probes` are (depth in metres, water content), sorted by depth.
/// `None` without probes.
pub fn mean_water_content(probes: &[(f64, f64)], root_depth_m: f64) -> Option<f64> {
    let (mut sum, mut depth_m) = (0.0, 0.0);
    for (i, &(at_m, water_content)) in probes.iter().enumerate() {
        let top_m = if i == 0 { 0.0 } else { f64::midpoint(probes[i - 1].0, at_m) };
        let bottom_m = probes.get(i + 1).map_or(f64::INFINITY, |next| f64::midpoint(at_m, next.0));
        let thickness_m = (bottom_m.min(root_depth_m) - top_m).max(0.0);
        sum += thickness_m * water_content;
        depth_m += thickness_m;
    }
    (depth_m > 0.0).then(|| sum / depth_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(fc: f64, wp: f64, zr: f64, p: f64) -> RootZone {
        RootZone { field_capacity: fc, wilting_point: wp, root_depth_m: zr, depletion_fraction: p }
    }

    /// Expected values: FAO-56 chapter 8, example 36, tomato rows (as quoted in
    /// a public unit test). Printed in whole millimetres.
    #[test]
    fn available_water_matches_fao56_example_36() {
        for (fc, wp, taw_mm, raw_mm) in
            [(0.15, 0.06, 72.0, 29.0), (0.32, 0.15, 136.0, 54.0), (0.35, 0.23, 96.0, 38.0)]
        {
            let tomato = zone(fc, wp, 0.8, 0.4);
            assert!((tomato.total_available_mm() - taw_mm).abs() <= 0.5);
            assert!((tomato.readily_available_mm() - raw_mm).abs() <= 0.5);
        }
    }

    #[test]
    fn the_refill_point_is_where_depletion_reaches_readily_available_water() {
        let bed = zone(0.15, 0.065, 0.5, 0.45);
        assert!((bed.depletion_mm(bed.refill_point()) - bed.readily_available_mm()).abs() < 1e-12);
        assert!((bed.available_left(0.15) - 1.0).abs() < 1e-12);
        assert!(bed.available_left(0.065).abs() < 1e-12);
    }

    #[test]
    fn layers_meet_half_way_and_end_at_the_roots() {
        let mean = |probes: &[(f64, f64)], zr| mean_water_content(probes, zr).expect("there are probes");
        assert!((mean(&[(0.15, 0.1)], 0.5) - 0.1).abs() < 1e-12);
        // 0 to 0.225 m and 0.225 to 0.5 m.
        let expected = (0.225 * 0.1 + 0.275 * 0.2) / 0.5;
        assert!((mean(&[(0.15, 0.1), (0.30, 0.2)], 0.5) - expected).abs() < 1e-12);
        // A probe whose layer begins below the roots has no say.
        assert!((mean(&[(0.15, 0.1), (0.60, 0.9)], 0.3) - 0.1).abs() < 1e-12);
        assert_eq!(mean_water_content(&[], 0.5), None);
    }

    /// 8.0 mm on 7.2 m² at nine tenths is 64 L: exact arithmetic.
    #[test]
    fn litres_follow_area_depletion_and_efficiency() {
        assert!((litres_to_fill(8.0, 7.2, 0.9) - 64.0).abs() < 1e-9);
        assert!(litres_to_fill(-3.0, 7.2, 0.9).abs() < 1e-12);
    }
}
