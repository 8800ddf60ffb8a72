//! Water in the root zone: what it holds, what is gone, what it takes to fill it.
//!
//! ```text
//! TAW = 1000 (FC - WP) Zr       total available water, mm         (eq. 82)
//! RAW = p TAW                   readily available water, mm       (eq. 83)
//! Dr  = 1000 (FC - theta) Zr    root-zone depletion, mm           (eq. 87)
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
//! `Dr` is negative above field capacity and can pass TAW, and is not clamped:
//! wetter than field capacity and drier than the wilting point are both worth
//! knowing. The depth of young roots is in `roots`.

use crate::why::{Check, Equation, Step};

/// Total available water.
pub(super) const TOTAL_AVAILABLE: Equation = Equation {
    gives: "total available water",
    form: "TAW = 1000 (FC - WP) Zr",
    source: "FAO-56 eq. 82",
    check: Check::Table("fao56_example_36.csv"),
};

/// Readily available water.
pub(super) const READILY_AVAILABLE: Equation = Equation {
    gives: "readily available water",
    form: "RAW = p TAW",
    source: "FAO-56 eq. 83",
    check: Check::Table("fao56_example_36.csv"),
};

/// Root-zone depletion.
pub(super) const DEPLETION: Equation = Equation {
    gives: "water used out of the root zone",
    form: "Dr = 1000 (FC - theta) Zr",
    source: "FAO-56 eq. 87",
    check: Check::Arithmetic,
};

/// Mean water content from probes at several depths.
pub(super) const MEAN_WATER_CONTENT: Equation = Equation {
    gives: "mean water content of the root zone",
    form: "theta = sum of each probe's water content x its layer, through the depth of all layers",
    source: "this project's own: a probe speaks for the layer half-way to its neighbours",
    check: Check::None("no publication; the layers' sums are tested"),
};

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

    /// The step to total available water.
    pub fn total_available_step(&self) -> Step {
        TOTAL_AVAILABLE.step(format!(
            "1000 x ({:.3} - {:.3}) x {:.2} m = {:.1} mm",
            self.field_capacity,
            self.wilting_point,
            self.root_depth_m,
            self.total_available_mm()
        ))
    }

    /// The step to readily available water.
    pub fn readily_available_step(&self) -> Step {
        READILY_AVAILABLE.step(format!(
            "{:.2} x {:.1} mm = {:.1} mm",
            self.depletion_fraction,
            self.total_available_mm(),
            self.readily_available_mm()
        ))
    }

    /// The step to the depletion at a mean water content.
    pub fn depletion_step(&self, water_content: f64) -> Step {
        DEPLETION.step(format!(
            "1000 x ({:.3} - {water_content:.3}) x {:.2} m = {:.1} mm",
            self.field_capacity,
            self.root_depth_m,
            self.depletion_mm(water_content)
        ))
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

/// Probes nearer to each other than this are at one depth, metres.
const SAME_DEPTH_M: f64 = 0.005;

/// The layer that the probes of one depth speak for.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Layer {
    thickness_m: f64,
    /// Mean of its probes.
    water_content: f64,
}

/// The probes' layers from the top down, above the root depth.
///
/// Probes at one depth share one layer: their order says nothing. A layer
/// reaches half-way to its neighbours; the top one's reaches to the surface and
/// the bottom one's to the root depth. `probes` are (depth in metres, water
/// content), sorted by depth.
fn layers(probes: &[(f64, f64)], root_depth_m: f64) -> impl Iterator<Item = Layer> + '_ {
    // Sorted, depths that are no number stand at an end.
    let numbers = |it: &&(f64, f64)| !it.0.is_nan();
    let from = probes.iter().take_while(|it| !numbers(it)).count();
    let known = probes[from..].iter().take_while(numbers).count();
    let (mut top_m, mut rest) = (0.0, &probes[from..from + known]);
    std::iter::from_fn(move || {
        let &(at_m, _) = rest.first()?;
        // The first is at its own depth: each round takes one at least.
        let count = 1 + rest[1..].iter().take_while(|(depth_m, _)| depth_m - at_m < SAME_DEPTH_M).count();
        let (here, below) = rest.split_at(count);
        rest = below;
        let bottom_m = below.first().map_or(root_depth_m, |(next_m, _)| f64::midpoint(at_m, *next_m));
        let thickness_m = (bottom_m.min(root_depth_m) - top_m).max(0.0);
        top_m = bottom_m;
        let water_content = here.iter().map(|(_, w)| w).sum::<f64>() / count as f64;
        Some(Layer { thickness_m, water_content })
    })
}

/// Mean water content of the root zone from probes at several depths, m³/m³.
///
/// Each depth's probes speak for a layer that reaches half-way to its
/// neighbours; the top one's layer reaches to the surface and the bottom one's
/// to the root depth. `probes` are (depth in metres, water content), sorted by
/// depth. One whose depth is no number has no layer. `None` without probes.
pub fn mean_water_content(probes: &[(f64, f64)], root_depth_m: f64) -> Option<f64> {
    let (mut sum, mut depth_m) = (0.0, 0.0);
    for layer in layers(probes, root_depth_m) {
        sum += layer.thickness_m * layer.water_content;
        depth_m += layer.thickness_m;
    }
    (depth_m > 0.0).then(|| sum / depth_m)
}

/// The step to `mean`, which [`mean_water_content`] gave.
pub fn mean_water_content_step(probes: &[(f64, f64)], root_depth_m: f64, mean: f64) -> Step {
    let (mut parts, mut depth_m) = (Vec::new(), 0.0);
    for layer in layers(probes, root_depth_m).filter(|layer| layer.thickness_m > 0.0) {
        parts.push(format!("{:.3} x {:.3} m", layer.water_content, layer.thickness_m));
        depth_m += layer.thickness_m;
    }
    MEAN_WATER_CONTENT.step(format!("({}) / {depth_m:.3} m = {mean:.3} m3/m3", parts.join(" + ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(fc: f64, wp: f64, zr: f64, p: f64) -> RootZone {
        RootZone { field_capacity: fc, wilting_point: wp, root_depth_m: zr, depletion_fraction: p }
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

    #[test]
    fn a_probe_whose_depth_is_no_number_has_no_layer() {
        let mean = |probes: &[(f64, f64)]| mean_water_content(probes, 0.5);
        let (known, odd) = ((0.15, 0.1), (f64::NAN, 0.9));
        assert_eq!(mean(&[odd]), None);
        assert_eq!(mean(&[known, odd]), mean(&[known]));
        assert_eq!(mean(&[(-f64::NAN, 0.9), known]), mean(&[known]));
        assert_eq!(mean(&[known, (f64::INFINITY, 0.9)]), mean(&[known]));
        assert!(mean(&[(f64::INFINITY, 0.9), (f64::INFINITY, 0.1)]).is_some());
        assert!(mean_water_content_step(&[known, odd], 0.5, 0.1).with.starts_with("(0.100 x 0.500 m)"));
    }

    #[test]
    fn probes_at_one_depth_share_a_layer_whatever_their_order() {
        let mean = |probes: &[(f64, f64)]| mean_water_content(probes, 0.5).expect("there are probes");
        let expected = (0.225 * 0.15 + 0.275 * 0.3) / 0.5;
        for twins in [[(0.15, 0.1), (0.15, 0.2)], [(0.15, 0.2), (0.15, 0.1)]] {
            let probes = [twins[0], twins[1], (0.30, 0.3)];
            assert!((mean(&probes) - expected).abs() < 1e-12, "{probes:?}");
            assert!((mean(&[(0.15, 0.15), (0.30, twins[0].1), (0.30, twins[1].1)]) - 0.15).abs() < 1e-12);
        }
        assert!((mean(&[(0.15, 0.1), (0.15, 0.2)]) - 0.15).abs() < 1e-12);
    }

    #[test]
    fn steps_carry_the_numbers_that_were_put_in() {
        let bed = zone(0.15, 0.065, 0.5, 0.45);
        assert_eq!(bed.total_available_step().with, "1000 x (0.150 - 0.065) x 0.50 m = 42.5 mm");
        assert_eq!(bed.readily_available_step().with, "0.45 x 42.5 mm = 19.1 mm");
        assert_eq!(bed.depletion_step(0.1).with, "1000 x (0.150 - 0.100) x 0.50 m = 25.0 mm");
        let probes = [(0.15, 0.1), (0.30, 0.2)];
        let mean = mean_water_content(&probes, 0.5).expect("there are probes");
        assert_eq!(
            mean_water_content_step(&probes, 0.5, mean).with,
            "(0.100 x 0.225 m + 0.200 x 0.275 m) / 0.500 m = 0.155 m3/m3"
        );
    }

    /// 8.0 mm on 7.2 m² at nine tenths is 64 L: exact arithmetic.
    #[test]
    fn litres_follow_area_depletion_and_efficiency() {
        assert!((litres_to_fill(8.0, 7.2, 0.9) - 64.0).abs() < 1e-9);
        assert!(litres_to_fill(-3.0, 7.2, 0.9).abs() < 1e-12);
    }
}
