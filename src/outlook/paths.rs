//! Ways that a bed's water content may go from here, and the blend of them.
//!
//! Each is the fall from now, m³/m³, at equal steps of days on the bed's drying
//! clock, with no water coming.

use super::clock::DryingClock;
use super::curve::{DryingCurve, PACE};
use super::moment::SETTLE_H;

/// Steps a day, and days that are looked ahead.
pub(crate) const STEPS_A_DAY: usize = 8;
pub(crate) const DAYS: usize = 12;
pub(crate) const STEPS: usize = STEPS_A_DAY * DAYS + 1;

/// Days that a drydown's own pace looks back, and the fall that it counts as seen at
/// pace 1, m³/m³.
const PACE_DAYS: i32 = 4;
const PACE_FALL: f64 = 0.03;
/// Days within which the curve's bend is left out.
pub const STRAIGHT_DAYS: f64 = 5.0;
/// Falls a day below this are not told apart, m³/m³: usual loggers resolve 0.001.
pub const RESOLUTION: f64 = 0.001;

/// Falls from now at each step.
pub(crate) type Path = [f64; STEPS];

/// One hour's mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Hour {
    /// Hours since the epoch.
    pub(crate) hour: i32,
    /// m³/m³.
    pub(crate) theta: f32,
}

/// What the forecasts start from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Now<'a> {
    /// The present drydown's hours, oldest first; not empty.
    pub(crate) hours: &'a [Hour],
    pub(crate) begun: i32,
    pub(crate) clock: &'a DryingClock,
    /// Lowest water content that drying can reach, m³/m³.
    pub(crate) floor: f64,
}

impl Now<'_> {
    fn last(&self) -> Hour {
        self.hours.last().copied().unwrap_or(Hour { hour: 0, theta: 0.0 })
    }

    fn x(&self, hour: Hour) -> f64 {
        self.clock.days(f64::from(hour.hour))
    }

    /// The present water content, m³/m³: the last day's line read at the last hour
    /// where it is known, so that one hour's noise does not shift the whole.
    pub(crate) fn level(&self) -> f64 {
        let last = &self.hours[self.hours.len().saturating_sub(3)..];
        let mean = last.iter().map(|h| f64::from(h.theta)).sum::<f64>() / last.len().max(1) as f64;
        let x = last.iter().map(|h| self.x(*h)).sum::<f64>() / last.len().max(1) as f64;
        mean - self.rate().unwrap_or(0.0).max(0.0) * (self.x(self.last()) - x)
    }

    /// Fall a day over the last 24 hours, m³/m³; `None` where they are not known.
    ///
    /// The same hours of two days are compared, since a probe's daily swing bends
    /// a line of least squares by as much as the bed dries.
    pub(crate) fn rate(&self) -> Option<f64> {
        let last = self.last();
        let mean = |from: i32, to: i32| {
            let start = self.hours.partition_point(|h| h.hour < last.hour + from);
            let end = self.hours.partition_point(|h| h.hour <= last.hour + to);
            let part = &self.hours[start..end.max(start)];
            let n = part.len() as f64;
            let x = part.iter().map(|h| self.x(*h) - self.x(last)).sum::<f64>() / n;
            (!part.is_empty()).then(|| (x, part.iter().map(|h| f64::from(h.theta)).sum::<f64>() / n))
        };
        let (x0, theta0) = mean(-26, -22)?;
        let (x, theta) = mean(-2, 0)?;
        (x > x0).then(|| (theta0 - theta) / (x - x0))
    }

    /// The line through the last day.
    pub(crate) fn line(&self) -> Option<Path> {
        let (rate, room) = (self.rate()?.max(0.0), (self.level() - self.floor).max(0.0));
        Some(std::array::from_fn(|i| (rate * days(i)).min(room)))
    }

    /// How fast this drydown is beside the bed's own curve: what fell over what
    /// the curve would have made fall in the last four days, drawn towards 1
    /// while little has fallen.
    pub(crate) fn pace(&self, curve: &DryingCurve, demand: f64) -> f64 {
        let (fell, would) = self.beside(curve, demand);
        ((fell + PACE_FALL) / (would + PACE_FALL)).clamp(PACE.0, PACE.1)
    }

    /// The bed's own curve, `scale` times as fast.
    pub(crate) fn along(&self, curve: &DryingCurve, scale: f64) -> Path {
        let mut theta = self.level();
        let start = theta;
        let step_d = 1.0 / STEPS_A_DAY as f64;
        let mut path = [0.0; STEPS];
        for fall in path.iter_mut().skip(1) {
            // Midpoint rule.
            let half = theta - 0.5 * step_d * scale * curve.fall(theta);
            theta -= step_d * scale * curve.fall(half);
            theta = theta.max(self.floor.min(start));
            *fall = start - theta;
        }
        path
    }

    /// What fell over the last days and what the curve would have made fall, m³/m³.
    fn beside(&self, curve: &DryingCurve, demand: f64) -> (f64, f64) {
        let last = self.last();
        // A drydown of just a day has to do with its first hours.
        let settled = self.begun + SETTLE_H.min(last.hour - self.begun - 18);
        let from = self.hours.partition_point(|h| h.hour < (last.hour - 24 * PACE_DAYS).max(settled));
        let part = &self.hours[from..];
        let end = part.len().min(3);
        let mean = |hours: &[Hour]| {
            hours.iter().map(|h| f64::from(h.theta)).sum::<f64>() / hours.len().max(1) as f64
        };
        let fell = mean(&part[..end]) - mean(&part[part.len() - end..]);
        let would: f64 = part
            .windows(2)
            .map(|pair| curve.fall(f64::from(pair[0].theta)) * (self.x(pair[1]) - self.x(pair[0])))
            .sum();
        // Means of three hours lie three hours less apart than the ends.
        (fell, demand * would * (part.len() - end) as f64 / part.len().max(1) as f64)
    }

    fn settled_from(&self) -> usize {
        self.hours.partition_point(|h| h.hour < self.begun + SETTLE_H)
    }

    /// The drydown after its first day as at most `count` means: days on the
    /// clock, m³/m³.
    pub(crate) fn settled(&self, count: usize) -> Vec<(f64, f64)> {
        let hours = &self.hours[self.settled_from()..];
        let Some(first) = hours.first().map(|h| self.x(*h)) else { return Vec::new() };
        let size = hours.len().div_ceil(count).max(1);
        hours
            .chunks(size)
            .map(|part| {
                let n = part.len() as f64;
                (
                    part.iter().map(|h| self.x(*h) - first).sum::<f64>() / n,
                    part.iter().map(|h| f64::from(h.theta)).sum::<f64>() / n,
                )
            })
            .collect()
    }
}

/// Mean fall a day over the next [`STRAIGHT_DAYS`], m³/m³.
pub(crate) fn chord(path: &Path) -> f64 {
    fall_at(path, STRAIGHT_DAYS) / STRAIGHT_DAYS
}

/// The line through the last day and the bed's own curve, put together: the
/// weighted geometric mean of their falls (`part` is the line's say), each a day's [`RESOLUTION`] higher, so
/// that a fall too small to be measured does not pull the whole to nothing.
///
/// The geometric mean, since members are wrong by so many times, not by so much.
/// It lies between the two and never goes back.
///
/// Within [`STRAIGHT_DAYS`] the curve is its chord: asked when a water content is
/// reached, the weather to come decides more than the curve's bend, and a bent path
/// makes the slow half of the weather much later than the fast half is earlier.
pub(crate) fn blend(line: &Path, own: &Path, part: f64) -> Path {
    let chord = chord(own);
    std::array::from_fn(|i| {
        let unseen = RESOLUTION * days(i);
        let own = own[i].min(chord * days(i));
        ((line[i] + unseen).powf(part) * (own + unseen).powf(1.0 - part) - unseen).max(0.0)
    })
}

/// Days at a step.
pub(crate) fn days(step: usize) -> f64 {
    step as f64 / STEPS_A_DAY as f64
}

/// The fall after some days on the clock, between the steps; the last beyond them.
pub(crate) fn fall_at(path: &Path, days: f64) -> f64 {
    let position = (days * STEPS_A_DAY as f64).clamp(0.0, (STEPS - 1) as f64);
    let i = (position as usize).min(STEPS - 2);
    path[i] + (position - i as f64) * (path[i + 1] - path[i])
}

/// Days on the clock until the path has fallen so far; `None`: not within it.
pub(crate) fn days_until(path: &Path, fall: f64) -> Option<f64> {
    if fall <= 0.0 {
        return Some(0.0);
    }
    let i = path.iter().position(|f| *f >= fall)?;
    // The first step's fall is 0, so that i is at least 1.
    let (before, after) = (path[i - 1], path[i]);
    Some(days(i - 1) + (fall - before) / (after - before) / STEPS_A_DAY as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_blend_lies_between_its_members_and_never_goes_back() {
        let line: Path = std::array::from_fn(|i| (0.02 * days(i)).min(0.05));
        let flat: Path = [0.0; STEPS];
        let own: Path = std::array::from_fn(|i| 0.1 * (1.0 - (-days(i) / 8.0).exp()));
        for (line, own) in [(&line, &own), (&own, &line), (&line, &flat), (&flat, &line), (&flat, &flat)] {
            for part in [0.0, 0.3, 1.0] {
                let both = blend(line, own, part);
                for i in 0..STEPS {
                    let straight = own[i].min(chord(own) * days(i));
                    let (low, high) = (line[i].min(straight), line[i].max(straight));
                    assert!((low - 1e-12..=high + 1e-12).contains(&both[i]), "{i} {part}");
                    assert!(i == 0 || both[i] >= both[i - 1] - 1e-12, "{i} {part}");
                }
            }
        }
        let near = |a: &Path, b: &Path| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-12);
        assert!(near(&blend(&line, &own, 1.0), &line), "the line alone");
    }

    /// (0.01 + 0.001)^(1/3) x (0.02 + 0.001)^(2/3) - 0.001 = 0.01593, by hand.
    #[test]
    fn the_blend_is_the_geometric_mean() {
        let (line, own): (Path, Path) =
            (std::array::from_fn(|i| 0.01 * days(i)), std::array::from_fn(|i| 0.02 * days(i)));
        let both = blend(&line, &own, 1.0 / 3.0);
        assert!((fall_at(&both, 1.0) - 0.01593).abs() < 1e-5, "{}", fall_at(&both, 1.0));
        assert!((fall_at(&both, 3.0) - 3.0 * 0.01593).abs() < 3e-5);
    }
}
