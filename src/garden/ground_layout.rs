//! A garden's drawing: what its file places stays there, and the rest is laid out in rows.

use super::ground::{GroundRect, Landmark};
use super::plan::{Bed, Garden, Tank};
use crate::model::{Id, Quantity};

/// A garden's drawing: every place somewhere, nothing outside.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GroundLayout {
    /// Metres, above 0 where anything is drawn.
    pub width_m: f64,
    pub height_m: f64,
    pub outline: Vec<(f64, f64)>,
    pub beds: Vec<(Id, GroundRect)>,
    pub tanks: Vec<(Id, GroundRect)>,
    pub gauge: Option<GroundRect>,
    pub landmarks: Vec<Landmark>,
    /// Whether some places lie where the file says, and not where there was room.
    pub measured: bool,
}

/// Metres between two things that are laid out in rows, and round everything: beside
/// each other, and below, where words may stand.
const GAP_M: f64 = 0.7;
const BELOW_M: f64 = 1.4;
/// Width of a row for each square root of what lies in it: about three by two.
const ROW_WIDTH: f64 = 1.5;
/// A bed in rows is so many times as wide as high.
const BED_SHAPE: f64 = 1.9;
/// In rows nothing is drawn smaller than this part of the largest bed.
const LEAST_PART: f64 = 0.3;
/// Water of a tank stands this high, metres (common practice for school tanks).
const WATER_DEPTH_M: f64 = 0.6;

/// Lays out a garden.
pub fn lay_out(garden: &Garden) -> GroundLayout {
    let ground = &garden.ground;
    let gauged = garden.sensors.iter().any(|it| it.measures == Quantity::Rain);
    let own = |list: &[Option<GroundRect>], number: usize| list.get(number).copied().flatten();
    let beds: Vec<Option<GroundRect>> = (0..garden.beds.len()).map(|n| own(&ground.beds, n)).collect();
    let tanks: Vec<Option<GroundRect>> = (0..garden.tanks.len()).map(|n| own(&ground.tanks, n)).collect();
    let placed: Vec<GroundRect> = beds
        .iter()
        .chain(&tanks)
        .chain(std::iter::once(&ground.gauge))
        .flatten()
        .copied()
        .chain(ground.landmarks.iter().map(|it| it.rect))
        .collect();
    let corners =
        || ground.outline.iter().copied().chain(placed.iter().map(|rect| (rect.right(), rect.bottom())));
    let right = corners().map(|(x, _)| x).fold(0.0, f64::max);
    let bottom = corners().map(|(_, y)| y).fold(0.0, f64::max);

    // What has no place of its own, in the file's order, below what has one.
    let largest = garden.beds.iter().map(|bed| bed.area_m2).fold(1.0, f64::max);
    let at_least = |area: f64| area.max(largest * LEAST_PART * LEAST_PART);
    let bed_size = |bed: &Bed| {
        let width = (at_least(bed.area_m2) * BED_SHAPE).sqrt();
        (width, width / BED_SHAPE)
    };
    let tank_size = |tank: &Tank| {
        let side = at_least(tank.volume_l / 1000.0 / WATER_DEPTH_M).sqrt();
        (side * 1.4, side)
    };
    let unplaced: Vec<(f64, f64)> = garden
        .beds
        .iter()
        .zip(&beds)
        .filter(|(_, rect)| rect.is_none())
        .map(|(bed, _)| bed_size(bed))
        .chain(
            garden
                .tanks
                .iter()
                .zip(&tanks)
                .filter(|(_, rect)| rect.is_none())
                .map(|(tank, _)| tank_size(tank)),
        )
        .chain((gauged && ground.gauge.is_none()).then(|| {
            let side = at_least(0.5).sqrt();
            (side * 0.8, side)
        }))
        .collect();
    let area: f64 = unplaced.iter().map(|(w, h)| (w + GAP_M) * (h + BELOW_M)).sum();
    let widest = unplaced.iter().map(|(w, _)| *w).fold(0.0, f64::max);
    let row_m = (area.sqrt() * ROW_WIDTH).max(widest + 2.0 * GAP_M).max(right);
    let (mut x, mut y, mut row_height) = (GAP_M, bottom + GAP_M, 0.0_f64);
    let mut found = unplaced.into_iter().map(|(width, height)| {
        if x > GAP_M && x + width + GAP_M > row_m {
            (x, y, row_height) = (GAP_M, y + row_height + BELOW_M, 0.0);
        }
        let rect = GroundRect { x_m: x, y_m: y, width_m: width, height_m: height };
        x += width + GAP_M;
        row_height = row_height.max(height);
        rect
    });
    let mut place = |rect: Option<GroundRect>| {
        rect.or_else(|| found.next()).unwrap_or(GroundRect {
            x_m: 0.0,
            y_m: 0.0,
            width_m: 1.0,
            height_m: 1.0,
        })
    };
    let mut layout = GroundLayout {
        outline: ground.outline.clone(),
        beds: garden.beds.iter().zip(beds).map(|(bed, rect)| (bed.id.clone(), place(rect))).collect(),
        tanks: garden.tanks.iter().zip(tanks).map(|(tank, rect)| (tank.id.clone(), place(rect))).collect(),
        gauge: gauged.then(|| place(ground.gauge)),
        landmarks: ground.landmarks.clone(),
        measured: !placed.is_empty(),
        ..GroundLayout::default()
    };
    let drawn = layout.beds.iter().chain(&layout.tanks).map(|(_, rect)| rect);
    let drawn = drawn.chain(&layout.gauge).chain(layout.landmarks.iter().map(|it| &it.rect));
    let ends = drawn.map(|rect| (rect.right() + GAP_M, rect.bottom() + BELOW_M));
    let (width, height) = ends
        .chain(layout.outline.iter().copied())
        .fold((0.0, 0.0), |(w, h): (f64, f64), (x, y)| (w.max(x), h.max(y)));
    (layout.width_m, layout.height_m) = (width, height);
    layout
}
