//! When a soil probe grew wetter.
//!
//! A candidate is a rise over three hours, less the usual rise at this hour of
//! the day (median of the last seven days, never below zero), of at least
//!
//! ```text
//! max(0.010 m³/m³, 4 robust standard deviations of the probe's own
//!     three-hour differences over the last 14 days)
//! ```
//!
//! or, more slowly, one over nine hours of at least 0.012 m³/m³ by the same rule with
//! the probe's own nine-hour differences. Each starts from the median of an hour, not
//! from a single reading, and 60 % of it must still stand two hours later. Until three
//! days are known the rise must be twice as high. The rule and its numbers were chosen
//! on open records of soil probes beside rain gauges; they are not a standard's.
//!
//! # Where it stops holding
//!
//! Light water is not seen: 1 to 3 mm of rain hardly ever shows at 5 cm. The
//! rise does not tell how many litres were given. Soil near freezing and peaty
//! mixes rise without water; the caller has to leave those out.

use jiff::Timestamp;

use super::hourly_history::{HISTORY_HOURS, HourlyHistory};
use crate::model::{KeptTime, RecentContents, TimedValue};

const HOUR_S: i64 = 3600;
/// Spans of the differences that are watched, with the smallest rise, m³/m³.
const FAST: Span = Span { over_s: 3 * HOUR_S, least: 0.010 };
const SLOW: Span = Span { over_s: 9 * HOUR_S, least: 0.012 };
/// Readings this far from a span's beginning are its base, to either side.
const BASE_S: i64 = HOUR_S / 2;
/// How long a rise must stand before it is believed.
const STANDING_S: i64 = 2 * HOUR_S;
/// Readings closer together than this are not kept.
const SPACING_S: i64 = 240;
/// The most readings that a base can have.
const BASE_READINGS: usize = (2 * BASE_S / SPACING_S) as usize + 1;
/// Kept readings: from before a rise until it is believed, and some more.
const KEPT_S: i64 = 12 * HOUR_S;
/// The smallest rise of a probe that is not known yet, in smallest rises of one that is.
const UNKNOWN_TIMES: f64 = 2.0;
/// Hours of history that make a probe known.
const KNOWN_HOURS: u16 = 3 * 24;
/// Part of the rise that must still stand.
pub(super) const STANDING_PART: f64 = 0.6;
/// The smallest change that shows a neighbour's rise, once the probe is known and
/// before, m³/m³: about four standard deviations of a median of four readings.
const STIR_MIN: f64 = 0.003;
const STIR_MIN_UNKNOWN: f64 = 0.006;
/// Three of the four standard deviations of the rule above.
const STIR_PART: f64 = 0.75;
/// Longest way of water to the surface's own probe, seconds, and for each centimetre below.
pub(super) const LAG_S: i64 = 900;
pub(super) const LAG_S_PER_CM: f64 = 240.0;

/// A believed rise.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Wetting {
    /// When the probe began to rise.
    pub onset: Timestamp,
    /// When it was believed.
    pub seen: Timestamp,
    /// How far it rose, m³/m³.
    pub rise: f64,
    /// The rise by which it was found, m³/m³.
    pub found_rise: f64,
    /// Whether it was found over nine hours; else over three.
    pub slow: bool,
    /// The usual rise at that hour, which was taken off, m³/m³.
    pub usual: f64,
    /// The least rise that counted, m³/m³.
    pub least: f64,
    /// The part of the rise that still stood when it was believed.
    pub standing: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct Candidate {
    onset: Timestamp,
    found: Timestamp,
    slow: bool,
    difference: f32,
    usual: f32,
    least: f64,
    base: f32,
    peak: f32,
    peak_at: Timestamp,
}

/// A span over which rises are looked for.
#[derive(Clone, Copy, Debug)]
struct Span {
    over_s: i64,
    /// Smallest rise once the probe is known, m³/m³.
    least: f64,
}

/// A probe's differences over one span.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Differences {
    /// One an hour.
    history: HourlyHistory,
    last_hour: i32,
    known_hours: u16,
    /// Over nine hours; else over three.
    slow: bool,
}

/// Watches one probe.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct WettingWatch {
    recent: RecentContents,
    /// The lowest of them; `None`: it is to be looked for.
    #[serde(skip)]
    lowest: Option<f32>,
    fast: Differences,
    slow: Differences,
    candidate: Option<Box<Candidate>>,
    /// No new rise is looked for before this: it would be the old one's tail.
    quiet_until: Option<KeptTime>,
}

impl Default for WettingWatch {
    fn default() -> Self {
        Self {
            recent: RecentContents::default(),
            lowest: None,
            fast: Differences::default(),
            slow: Differences { slow: true, ..Differences::default() },
            candidate: None,
            quiet_until: None,
        }
    }
}

impl WettingWatch {
    /// Adds a good reading, later than all before it. Returns a rise once it
    /// has stood for two hours.
    pub fn push(&mut self, at: Timestamp, water_content: f64) -> Option<Wetting> {
        let (at, value) = (whole_second(at), water_content as f32);
        if self.recent.last().is_some_and(|last| seconds(last.at(), at) < SPACING_S) {
            return None;
        }
        while let Some(first) = self.recent.first().filter(|first| seconds(first.at(), at) > KEPT_S) {
            self.recent.pop_first();
            self.lowest = self.lowest.filter(|lowest| first.value() > *lowest);
        }
        self.drop_dip(value);
        self.recent.push(at, value, KEPT_S);
        // As they are kept, so that one that goes on from a kept state finds the same.
        let kept = self.recent.last().map_or(value, |last| last.value());
        let recent = &self.recent;
        let lowest =
            self.lowest.unwrap_or_else(|| recent.iter().map(|it| it.value()).fold(kept, f32::min)).min(kept);
        self.lowest = Some(lowest);

        let believed = self.settle(at, value);
        for slow in [false, true] {
            // No base is lower. Mostly nothing rises, and one difference an hour is enough.
            let differences = if slow { &self.slow } else { &self.fast };
            if f64::from(value - lowest) >= differences.span().least || !differences.remembers(at) {
                self.look_over(slow, at, value);
            }
        }
        believed
    }

    /// Whether what was read of it can be one.
    pub fn is_sound(&self) -> bool {
        [&self.fast, &self.slow].iter().all(|it| it.history.is_sound())
    }

    /// Takes back the newest reading where it fell out and `value` is back where the
    /// reading before it was: soil does not do that, and the way back up is no rise. A
    /// dip that is too small for the quality tests is one still.
    fn drop_dip(&mut self, value: f32) {
        let newest = |back| self.recent.iter().rev().nth(back).map(|it| it.value());
        let (Some(dip), Some(before)) = (newest(0), newest(1)) else { return };
        let fell = before - dip;
        let least = FAST.least as f32;
        if fell >= least && value - dip >= least && (value - before).abs() <= fell / 2.0 {
            self.recent.pop_last();
            self.lowest = None;
        }
    }

    /// Looks for a rise over one of the spans, and remembers its difference.
    fn look_over(&mut self, slow: bool, at: Timestamp, value: f32) {
        if self.candidate.is_some() {
            // A rise of water would make the next one look usual, for as long as the
            // difference holds a part of it.
            return;
        }
        let differences = if slow { &self.slow } else { &self.fast };
        let Some(mut before) = self.base(at, differences.span().over_s) else { return };
        let base_at = before.at;
        if self.quiet_until.is_some_and(|until| base_at < until.at()) {
            // As above, of one that was believed.
            return;
        }
        if f64::from(value - before.lowest()) < differences.span().least && differences.remembers(at) {
            return;
        }
        let base = before.median();
        let difference = value - base;
        // What is usual is never below zero, and the least rise never below its span's: most
        // differences are seen to be none without them.
        let rises = (f64::from(difference) >= differences.span().least)
            .then(|| (differences.usual(at), differences.least_rise()))
            .filter(|(usual, least)| f64::from(difference - usual) >= *least);
        if let Some((usual, least)) = rises {
            let onset = self.onset(base_at, base, difference);
            let (found, peak, peak_at) = (at, value, at);
            self.candidate = Some(Box::new(Candidate {
                onset,
                found,
                slow,
                difference,
                usual,
                least,
                base,
                peak,
                peak_at,
            }));
            return;
        }
        let differences = if slow { &mut self.slow } else { &mut self.fast };
        differences.remember(at, difference);
    }

    /// Takes back the newest reading if it is of that time: its neighbour has
    /// shown it to be false.
    pub fn take_back(&mut self, at: Timestamp) {
        let at = whole_second(at);
        let found = self.recent.iter().rposition(|it| it.at() == at);
        if let Some(i) = found {
            self.recent.remove(i);
            self.lowest = None;
            if self.candidate.as_deref().is_some_and(|c| c.peak_at == at || c.found == at) {
                self.candidate = None;
            }
        }
    }

    /// The rise that is looked at but not yet believed: when it began.
    pub fn rising_since(&self) -> Option<Timestamp> {
        self.candidate.as_deref().map(|c| c.onset)
    }

    /// The rise that is looked at but not yet believed, as it stands at `at`.
    pub fn rising(&self, at: Timestamp) -> Option<Wetting> {
        self.candidate.as_deref().map(|it| Wetting {
            onset: it.onset,
            seen: at,
            rise: f64::from(it.peak - it.base),
            found_rise: f64::from(it.difference),
            slow: it.slow,
            usual: f64::from(it.usual),
            least: it.least,
            standing: 1.0,
        })
    }

    /// Follows the candidate; believes or drops it when its two hours are over.
    fn settle(&mut self, at: Timestamp, value: f32) -> Option<Wetting> {
        let candidate = self.candidate.as_mut()?;
        if value > candidate.peak {
            (candidate.peak, candidate.peak_at) = (value, at);
        }
        if seconds(candidate.found, at) < STANDING_S {
            return None;
        }
        let Candidate { onset, slow, base, peak, peak_at, difference, usual, least, .. } = **candidate;
        self.candidate = None;
        let rise = f64::from(peak - base);
        let standing = f64::from(value - base) / rise;
        // What is not a number is not believed.
        if standing.is_nan() || standing < STANDING_PART {
            return None;
        }
        self.quiet_until = Some(peak_at.into());
        Some(Wetting {
            onset,
            seen: at,
            rise,
            found_rise: f64::from(difference),
            slow,
            usual: f64::from(usual),
            least,
            standing,
        })
    }

    /// Whether the probe stirred while a neighbour rose: the median of its last
    /// hour is above that of the hour and a quarter before `onset`, less what is
    /// usual, by more than its noise. It sees a rise too small to be a wetting;
    /// that several beds stir at once is a sign of rain. `None` where it has too
    /// few readings to tell.
    pub fn stirred(&self, onset: Timestamp) -> Option<bool> {
        let last = self.recent.last()?.at();
        let median_of = |from_s: i64, to_s: i64| {
            let mut values: Vec<f32> = self
                .recent
                .iter()
                .filter(|it| (from_s..=to_s).contains(&it.at().as_second()))
                .map(|it| it.value())
                .collect();
            (!values.is_empty()).then(|| median(&mut values))
        };
        let onset_s = onset.as_second();
        let before = median_of(onset_s - HOUR_S - 900, onset_s)?;
        let after = median_of(last.as_second() - HOUR_S, last.as_second())?;
        // The usual change was learned over three hours.
        let span = seconds(onset, last) as f32 / FAST.over_s as f32;
        let net = f64::from(after - before - self.fast.usual(last) * span);
        let least = if self.fast.known_hours < KNOWN_HOURS {
            STIR_MIN_UNKNOWN
        } else {
            STIR_MIN.max(STIR_PART * f64::from(self.fast.threshold()))
        };
        Some(net >= least)
    }

    /// What the probe read a span before, where a reading is within an hour of it.
    fn base(&self, at: Timestamp, over_s: i64) -> Option<SpanBase> {
        let wanted_s = at.as_second() - over_s;
        let off = |it: &TimedValue| (it.second() - wanted_s).abs();
        let first = self.recent.before(wanted_s - BASE_S);
        // In order of time, the nearest is the last before or the first from there on.
        let mut nearest = first.checked_sub(1).and_then(|place| self.recent.get(place));
        let (mut hour, mut count) = ([0.0; BASE_READINGS], 0);
        for it in self.recent.range(first) {
            let (before, near) = (it.second() < wanted_s, off(&it) <= BASE_S);
            if before || nearest.is_none_or(|other| off(&it) < off(&other)) {
                nearest = Some(it);
            }
            if near && count < BASE_READINGS {
                hour[count] = it.value();
                count += 1;
            }
            if !near {
                break;
            }
        }
        let nearest = nearest.filter(|it| off(it) <= HOUR_S)?;
        if count == 0 {
            // The nearest stands for the hour.
            (hour[0], count) = (nearest.value(), 1);
        }
        Some(SpanBase { at: nearest.at(), hour, count })
    }

    /// The last reading that was still near the base before the rise.
    fn onset(&self, base_at: Timestamp, base: f32, rise: f32) -> Timestamp {
        self.recent
            .iter()
            .rev()
            .map(|it| it.pair())
            .take_while(|(t, _)| *t >= base_at)
            .find(|(_, v)| v - base <= 0.15 * rise)
            .map_or(base_at, |(t, _)| t)
    }
}

/// What a probe read a span before.
struct SpanBase {
    /// The time of the nearest reading.
    at: Timestamp,
    /// The readings of the hour about it.
    hour: [f32; BASE_READINGS],
    count: usize,
}

impl SpanBase {
    /// The median of the hour.
    fn median(&mut self) -> f32 {
        median(&mut self.hour[..self.count])
    }

    /// The lowest of the hour: no median is below it.
    fn lowest(&self) -> f32 {
        self.hour[..self.count].iter().copied().fold(f32::INFINITY, f32::min)
    }
}

impl Differences {
    fn span(&self) -> Span {
        if self.slow { SLOW } else { FAST }
    }

    /// The smallest rise that counts now, m³/m³.
    fn least_rise(&self) -> f64 {
        if self.known_hours < KNOWN_HOURS {
            UNKNOWN_TIMES * self.span().least
        } else {
            self.span().least.max(f64::from(self.threshold()))
        }
    }

    /// The usual rise at this hour, 0 or more. A usual fall is not taken off: soil
    /// that drains each morning after its timer would seem to rise on the morning
    /// when it does not.
    fn usual(&self, at: Timestamp) -> f32 {
        if self.history.is_empty() {
            return 0.0;
        }
        let hour = at.as_second().div_euclid(HOUR_S);
        let mut same_hour: Vec<f32> = Vec::with_capacity(7);
        let days = (1..=7).map(|day| self.history.get(index(hour - 24 * day)));
        same_hour.extend(days.filter(|v| !v.is_nan()));
        if same_hour.len() < 3 { 0.0 } else { median(&mut same_hour).max(0.0) }
    }

    /// Whether the difference of this hour is known.
    fn remembers(&self, at: Timestamp) -> bool {
        at.as_second().div_euclid(HOUR_S) == i64::from(self.last_hour)
    }

    fn remember(&mut self, at: Timestamp, difference: f32) {
        if self.remembers(at) {
            return;
        }
        let hour = at.as_second().div_euclid(HOUR_S);
        if !self.history.is_empty() {
            // Hours that were missed hold what was there 14 days before.
            for missed in (i64::from(self.last_hour) + 1).max(hour - HISTORY_HOURS as i64 + 1)..hour {
                self.set(missed, f32::NAN);
            }
        }
        self.set(hour, difference);
        // Its number has room to the year 246,000.
        self.last_hour = hour as i32;
    }

    fn set(&mut self, hour: i64, difference: f32) {
        let was_known = !self.history.get(index(hour)).is_nan();
        self.history.set(index(hour), difference);
        self.known_hours += u16::from(!difference.is_nan());
        self.known_hours = self.known_hours.saturating_sub(u16::from(was_known));
    }

    /// Four robust standard deviations of what is known. It is seldom asked for.
    fn threshold(&self) -> f32 {
        let mut known: Vec<f32> = self.history.known().collect();
        let middle = median(&mut known);
        for v in &mut known {
            *v = (*v - middle).abs();
        }
        // 1.4826 makes the median absolute deviation of normal noise its
        // standard deviation.
        4.0 * 1.4826 * median(&mut known)
    }
}

/// Longest time that water may take from the surface to a probe, seconds: a
/// quarter of an hour and four minutes for each centimetre. This is this
/// project's own cautious figure; a sandy bed is faster.
pub fn probe_lag_s(depth_m: f64) -> i64 {
    LAG_S + (depth_m * 100.0 * LAG_S_PER_CM).round() as i64
}

fn seconds(from: Timestamp, to: Timestamp) -> i64 {
    to.as_second() - from.as_second()
}

/// The time as it is kept of a reading.
fn whole_second(at: Timestamp) -> Timestamp {
    Timestamp::from_second(at.as_second()).unwrap_or(at)
}

fn index(hour: i64) -> usize {
    hour.rem_euclid(HISTORY_HOURS as i64) as usize
}

/// The middle value; 0 of none.
fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    let (_, m, _) = values.select_nth_unstable_by(middle, f32::total_cmp);
    *m
}

#[cfg(test)]
mod tests;
