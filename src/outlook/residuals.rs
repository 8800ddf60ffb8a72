//! How far off this bed's past forecasts were, and the interval that follows.
//!
//! A residual is kept as a ratio: what truly fell over what was forecast to
//! fall. Ratios are alike near the beginning and near the end of a drydown,
//! where plain differences are not. The interval runs from the 10th to the 90th
//! percentile of the bed's own ratios (the idea of conformal prediction).
//!
//! Forecasts of one drydown share its weather and are wrong together: thirty of
//! them are no thirty proofs. Therefore each of the latest [`KEPT`] drydowns has
//! one vote, spread over its ratios. A few stated ratios make up for the votes
//! that are not there yet, so that a bed with no past has an interval too.
//! Moving the forecast by the ratios' median was tried and made it worse.
//!
//! The stated ratios are log-normal around 1 with a spread of [`SPREAD`], about
//! what four stations of an open record of grassland soil showed; no
//! publication gives it.

use std::collections::VecDeque;

use super::paths::{Path, STEPS, days};

/// Spread of the natural logarithm of the stated ratios.
pub(crate) const SPREAD: f64 = 0.3;
/// Drydowns that vote: a year of them and more.
const KEPT: usize = 40;
/// Ratios that a drydown keeps for each lead, spread over its length.
const RATIOS: usize = 4;
/// Leads at which forecasts are looked back on, days.
pub(crate) const LEADS: [i32; 3] = [1, 3, 7];
/// A forecast fall below this is no measure of anything, m³/m³.
const FALL_MIN: f64 = 0.002;
/// Uncertainty of the present level itself, m³/m³.
const LEVEL: f64 = 0.0005;
/// Ratios beyond these say no more than that the forecast failed.
const RATIO: (f64, f64) = (-1.0, 4.0);
/// A ratio is kept to this step: bands are told to a whole percent at best.
const RATIO_STEP: f64 = 0.0002;

/// One drydown's ratios at one lead: every `stride`-th of all.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Vote {
    /// In steps of [`RATIO_STEP`].
    ratios: [i16; RATIOS],
    kept: u8,
    stride: u16,
    /// Ratios passed over since the last that was kept.
    skipped: u16,
}

impl Vote {
    fn add(&mut self, ratio: f64) {
        self.stride = self.stride.max(1);
        self.skipped += 1;
        if self.kept > 0 && self.skipped < self.stride {
            return;
        }
        if usize::from(self.kept) == RATIOS {
            // Half of them make room, and from now on half as many come.
            for i in 0..RATIOS / 2 {
                self.ratios[i] = self.ratios[2 * i + 1];
            }
            self.kept = (RATIOS / 2) as u8;
            self.stride = self.stride.saturating_mul(2);
        }
        self.ratios[usize::from(self.kept)] = (ratio / RATIO_STEP).round() as i16;
        self.kept += 1;
        self.skipped = 0;
    }

    fn known(&self) -> impl ExactSizeIterator<Item = f64> + '_ {
        self.ratios[..usize::from(self.kept)].iter().map(|steps| f64::from(*steps) * RATIO_STEP)
    }
}

/// The votes of the latest drydowns, oldest first; one for each lead.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Residuals {
    drydowns: VecDeque<[Vote; LEADS.len()]>,
    /// Whether the last of them still goes on.
    open: bool,
}

impl Residuals {
    /// Adds what truly fell after `LEADS[lead]` days beside what was forecast.
    pub(crate) fn add(&mut self, lead: usize, fell: f64, forecast: f64) {
        if forecast < FALL_MIN {
            return;
        }
        if !self.open {
            if self.drydowns.len() == KEPT {
                self.drydowns.pop_front();
            }
            // A drydown takes weeks: each has its own room.
            self.drydowns.reserve_exact(1);
            self.drydowns.push_back(Default::default());
            self.open = true;
        }
        if let Some(drydown) = self.drydowns.back_mut() {
            drydown[lead].add((fell / forecast).clamp(RATIO.0, RATIO.1));
        }
    }

    /// Whether what was read of them can be some.
    pub(crate) fn is_sound(&self) -> bool {
        self.drydowns.len() <= KEPT
            && self.drydowns.iter().flatten().all(|vote| usize::from(vote.kept) <= RATIOS)
    }

    /// The drydown has come to its end: what is added next is another's.
    pub(crate) fn end_drydown(&mut self) {
        self.open = false;
    }

    /// How many drydowns the interval stands on.
    pub(crate) fn known(&self) -> usize {
        self.drydowns.len()
    }

    /// The slow and the fast side of a forecast, 80 % between them.
    pub(crate) fn sides(&self, path: &Path) -> [Path; 2] {
        beside(path, &std::array::from_fn(|lead| self.quantiles(lead, [0.1, 0.9])))
    }

    /// The same with half of all between them.
    pub(crate) fn inner_sides(&self, path: &Path) -> [Path; 2] {
        beside(path, &std::array::from_fn(|lead| self.quantiles(lead, [0.25, 0.75])))
    }

    /// Two percentiles of a lead's ratios, own and stated.
    fn quantiles(&self, lead: usize, parts: [f64; 2]) -> [f64; 2] {
        let votes: Vec<&Vote> =
            self.drydowns.iter().map(|drydown| &drydown[lead]).filter(|vote| vote.kept > 0).collect();
        let mut all: Vec<(f64, f64)> = votes
            .iter()
            .flat_map(|vote| vote.known().map(|ratio| (ratio, 1.0 / f64::from(vote.kept))))
            .collect();
        // The stated ones fade as the bed's own come in, and are gone with the last.
        let stated = (KEPT - votes.len()) as f64 / KEPT as f64;
        all.extend(STATED.iter().flat_map(|z| [((SPREAD * z).exp(), stated), ((-SPREAD * z).exp(), stated)]));
        all.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        parts.map(|part| percentile(&all, part))
    }
}

/// The sides of a straight line, for a bed of which nothing else is known: what
/// truly fell was so many times what the line said (10th and 90th percentile by
/// lead, on simulated gardens). Drying slows, so that a line says too much.
const LINE: [[f64; 2]; 3] = [[0.45, 1.40], [0.38, 1.45], [0.32, 1.40]];

/// The sides of a forecast that is a straight line.
pub(crate) fn line_sides(path: &Path) -> [Path; 2] {
    beside(path, &LINE)
}

/// The inner sides of such a forecast: as if the logarithms of the ratios were normal on
/// either side of 1, so that the quartile lies at 0.6745 / 1.2816 of the 10th or 90th
/// percentile (any table of the normal distribution). An assumption of this project's own.
pub(crate) fn line_inner_sides(path: &Path) -> [Path; 2] {
    const PART: f64 = 0.6745 / 1.2816;
    beside(path, &LINE.map(|ratios| ratios.map(|ratio| ratio.powf(PART))))
}

/// The sides by the leads' ratios.
fn beside(path: &Path, leads: &[[f64; 2]; LEADS.len()]) -> [Path; 2] {
    let mut sides = [[0.0; STEPS]; 2];
    for i in 1..STEPS {
        // The ratios hold it already for a day and longer.
        let level = LEVEL * (1.0 - days(i)).max(0.0);
        let ratios = between(leads, days(i));
        for (side, (ratio, level)) in sides.iter_mut().zip(ratios.into_iter().zip([-level, level])) {
            // Falls never shrink with time, whatever the leads say of each other.
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

/// The quantiles at some days ahead, by straight lines between the leads.
fn between(leads: &[[f64; 2]; LEADS.len()], days: f64) -> [f64; 2] {
    let i = usize::from(days > f64::from(LEADS[1]));
    let (from, to) = (f64::from(LEADS[i]), f64::from(LEADS[i + 1]));
    let part = ((days - from) / (to - from)).clamp(0.0, 1.0);
    std::array::from_fn(|q| leads[i][q] + part * (leads[i + 1][q] - leads[i][q]))
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

    /// Half lies within four in five, for a bed with a past and for one without.
    #[test]
    fn the_inner_interval_lies_within_the_outer_one() {
        let mut known = Residuals::default();
        for drydown in 0..20 {
            (0..LEADS.len())
                .for_each(|lead| known.add(lead, 0.010 * (0.6 + 0.04 * f64::from(drydown)), 0.010));
            known.end_drydown();
        }
        let path = path(0.01);
        let both = |of: &Residuals| (of.sides(&path), of.inner_sides(&path));
        let line = (line_sides(&path), line_inner_sides(&path));
        for (outer, inner) in [both(&known), both(&Residuals::default()), line] {
            for days in [0.5, 1.0, 3.0, 7.0] {
                let [slow, fast] = outer.map(|side| at(&side, days));
                let [inner_slow, inner_fast] = inner.map(|side| at(&side, days));
                assert!(slow < inner_slow && inner_slow < inner_fast && inner_fast < fast, "{days} days");
            }
        }
    }

    #[test]
    fn the_beds_own_past_takes_over() {
        let mut residuals = Residuals::default();
        for i in 0..2 * KEPT {
            for lead in 0..LEADS.len() {
                residuals.add(lead, 0.010 * (0.9 + 0.2 * (i * 7 % 40) as f64 / 39.0), 0.010);
            }
            residuals.end_drydown();
        }
        let [slow, fast] = residuals.sides(&path(0.01));
        // The 10th and 90th percentile of an even spread from 0.9 to 1.1.
        for days in [1.0, 3.0, 7.0] {
            assert!((at(&slow, days) / (0.01 * days) - 0.92).abs() < 0.015);
            assert!((at(&fast, days) / (0.01 * days) - 1.08).abs() < 0.015);
        }
        assert_eq!(residuals.known(), KEPT, "bounded");
    }

    #[test]
    fn a_long_drydown_has_no_more_to_say_than_a_short_one() {
        let mut residuals = Residuals::default();
        for drydown in 0..KEPT {
            // Every fourth is long, and slow throughout.
            let (count, ratio) =
                if drydown % 4 == 0 { (100, 0.5) } else { (1, 1.0 + drydown as f64 / 100.0) };
            for _ in 0..count {
                residuals.add(1, 0.010 * ratio, 0.010);
            }
            residuals.end_drydown();
        }
        let [slow, fast] = residuals.sides(&path(0.01));
        assert!((at(&slow, 3.0) / 0.03 - 0.5).abs() < 1e-6, "a quarter of the votes");
        // Of the thirty short ones the four with the highest ratios lie above.
        assert!((at(&fast, 3.0) / 0.03 - 1.34).abs() < 0.02, "{}", at(&fast, 3.0));
    }

    #[test]
    fn a_drydown_keeps_ratios_of_its_whole_length() {
        let mut vote = Vote::default();
        for i in 0..64_u8 {
            vote.add(f64::from(i) / 16.0);
            assert!((1..=RATIOS).contains(&vote.known().len()));
            assert!(vote.known().is_sorted(), "{vote:?}");
        }
        let (first, last) = (vote.known().next(), vote.known().last());
        assert!(first.is_some_and(|it| it < 2.0) && last.is_some_and(|it| it >= 2.0), "{vote:?}");
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
