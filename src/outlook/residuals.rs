//! How far off this bed's past forecasts were, and the interval that follows.
//!
//! A residual is kept as a ratio: what truly fell over what was forecast to
//! fall. Ratios are alike near the beginning and near the end of a drydown,
//! where plain differences are not. The interval runs from the 10th to the 90th
//! percentile of the bed's own latest ratios (the idea of conformal prediction),
//! mixed with a few stated ones so that a bed with no past has one too. Moving
//! the forecast by their median was tried and made it worse.
//!
//! The stated ratios are log-normal around 1 with a spread of [`SPREAD`]: chosen
//! on simulated gardens (seeds that no figure is reported on) and on one open
//! record of a forest's soil; no publication gives it.

use std::collections::VecDeque;

use super::paths::{Path, STEPS, days};

/// Spread of the natural logarithm of the stated ratios.
pub(crate) const SPREAD: f64 = 0.33;
/// Own ratios that are kept for each group of leads.
const KEPT: usize = 30;
/// Leads at which forecasts are looked back on, days.
pub(crate) const LEADS: [i32; 5] = [1, 2, 3, 5, 7];
/// The group of each lead, and each group's middle on the clock, days.
const GROUP: [usize; 5] = [0, 1, 1, 2, 2];
const MIDDLES: [f64; 3] = [1.0, 2.5, 6.0];
/// A forecast fall below this is no measure of anything, m³/m³.
const FALL_MIN: f64 = 0.002;
/// Uncertainty of the present level itself, m³/m³.
const LEVEL: f64 = 0.0005;
/// Ratios beyond these say no more than that the forecast failed.
const RATIO: (f64, f64) = (-1.0, 4.0);

/// The ratios by group of leads.
#[derive(Clone, Debug, Default)]
pub(crate) struct Residuals {
    groups: [VecDeque<f32>; 3],
}

impl Residuals {
    /// Adds what truly fell after `LEADS[lead]` days beside what was forecast.
    pub(crate) fn add(&mut self, lead: usize, fell: f64, forecast: f64) {
        if forecast < FALL_MIN {
            return;
        }
        let group = &mut self.groups[GROUP[lead]];
        if group.len() == KEPT {
            group.pop_front();
        }
        group.push_back((fell / forecast).clamp(RATIO.0, RATIO.1) as f32);
    }

    /// How many own ratios the interval stands on.
    pub(crate) fn known(&self) -> usize {
        self.groups.iter().map(VecDeque::len).sum()
    }

    /// The slow and the fast side of a forecast, 80 % between them.
    pub(crate) fn sides(&self, path: &Path) -> [Path; 2] {
        beside(path, &std::array::from_fn(|group| self.quantiles(group)))
    }

    /// The 10th and 90th percentile of a group's ratios, own and stated.
    fn quantiles(&self, group: usize) -> [f64; 2] {
        let own = &self.groups[group];
        // The stated ones fade as the bed's own come in, and are gone with the last.
        let stated = (KEPT - own.len()) as f64 / KEPT as f64;
        let mut all: Vec<(f64, f64)> = own.iter().map(|r| (f64::from(*r), 1.0)).collect();
        all.extend(STATED.iter().flat_map(|z| [((SPREAD * z).exp(), stated), ((-SPREAD * z).exp(), stated)]));
        all.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        [0.1, 0.9].map(|part| percentile(&all, part))
    }
}

/// The sides of a straight line, for a bed of which nothing else is known: what
/// truly fell was so many times what the line said (10th and 90th percentile by
/// group, on simulated gardens). Drying slows, so that a line says too much.
const LINE: [[f64; 2]; 3] = [[0.45, 1.40], [0.38, 1.45], [0.32, 1.40]];

/// The sides of a forecast that is a straight line.
pub(crate) fn line_sides(path: &Path) -> [Path; 2] {
    beside(path, &LINE)
}

/// The sides by the groups' ratios.
fn beside(path: &Path, groups: &[[f64; 2]; 3]) -> [Path; 2] {
    let mut sides = [[0.0; STEPS]; 2];
    for i in 1..STEPS {
        // The ratios hold it already for a day and longer.
        let level = LEVEL * (1.0 - days(i)).max(0.0);
        let ratios = between(groups, days(i));
        for (side, (ratio, level)) in sides.iter_mut().zip(ratios.into_iter().zip([-level, level])) {
            // Falls never shrink with time, whatever the groups say of each other.
            side[i] = (ratio * path[i] + level).max(side[i - 1]);
        }
    }
    sides
}

/// Upper half of the standard normal's quantiles at (i + 1/2)/12: a distribution
/// in twelve equal parts.
const STATED: [f64; 6] = [1.7317, 1.1503, 0.8122, 0.5485, 0.3186, 0.1046];

/// A percentile of sorted (value, weight), by straight lines between the values.
///
/// Of `n` values of one weight the i-th stands at i/(n + 1): a new value of the
/// same kind lies below it with that chance.
fn percentile(sorted: &[(f64, f64)], part: f64) -> f64 {
    let sum: f64 = sorted.iter().map(|v| v.1).sum::<f64>();
    let wanted = part * (sum + 1.0);
    let (mut reached, mut before) = (0.0, None);
    for &(value, weight) in sorted {
        let next = reached + weight;
        if next >= wanted {
            return before.map_or(value, |before: f64| {
                before + (wanted - reached) / weight.max(f64::MIN_POSITIVE) * (value - before)
            });
        }
        (reached, before) = (next, Some(value));
    }
    before.unwrap_or(1.0)
}

/// The groups' quantiles at a lead, by straight lines between their middles.
fn between(groups: &[[f64; 2]; 3], days: f64) -> [f64; 2] {
    let i = usize::from(days > MIDDLES[1]);
    let part = ((days - MIDDLES[i]) / (MIDDLES[i + 1] - MIDDLES[i])).clamp(0.0, 1.0);
    std::array::from_fn(|q| groups[i][q] + part * (groups[i + 1][q] - groups[i][q]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn path(a_day: f64) -> Path {
        std::array::from_fn(|i| a_day * days(i))
    }

    fn at(path: &Path, days: f64) -> f64 {
        super::super::paths::fall_at(path, days)
    }

    /// The normal's 90th percentile is 1.2816 (any table); an interval that stands
    /// on twelve values is a little wider than that.
    #[test]
    fn a_bed_without_a_past_has_the_stated_spread() {
        let [slow, fast] = Residuals::default().sides(&path(0.01));
        let spreads = [(at(&fast, 3.0) / 0.03).ln(), -(at(&slow, 3.0) / 0.03).ln()];
        for spread in spreads.map(|ln| ln / SPREAD) {
            assert!((1.2816..1.7).contains(&spread), "{spread}");
        }
    }

    #[test]
    fn the_beds_own_past_takes_over() {
        let mut residuals = Residuals::default();
        for i in 0..KEPT {
            for lead in 0..LEADS.len() {
                residuals.add(lead, 0.010 * (0.9 + 0.2 * (i * 7 % 15) as f64 / 14.0), 0.010);
            }
        }
        let [slow, fast] = residuals.sides(&path(0.01));
        // The 10th and 90th percentile of an even spread from 0.9 to 1.1.
        for days in [1.0, 3.0, 7.0] {
            assert!((at(&slow, days) / (0.01 * days) - 0.92).abs() < 0.015);
            assert!((at(&fast, days) / (0.01 * days) - 1.08).abs() < 0.015);
        }
        assert_eq!(residuals.known(), 3 * KEPT, "bounded");
    }

    #[test]
    fn a_percentile_leaves_room_for_a_new_value() {
        let nine: Vec<(f64, f64)> = (1..=9).map(|i| (f64::from(i), 1.0)).collect();
        // Of nine values the first stands at a tenth.
        assert!((percentile(&nine, 0.1) - 1.0).abs() < 1e-12);
        assert!((percentile(&nine, 0.5) - 5.0).abs() < 1e-12);
        assert!((percentile(&nine, 0.9) - 9.0).abs() < 1e-12);
    }
}
