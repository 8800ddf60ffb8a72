//! One bed as it dries: the present drydown, and what past ones taught.

use jiff::{SignedDuration, Timestamp};

use crate::model::HourlyContents;

use super::clock::{DryingClock, HourlyFalls};
use super::curve::{DryingDay, OwnDays};
use super::exponential::{Bounds, Exponential, Unfit, fit};
use super::forecast::{AHEAD_DAYS, Ahead, Basis, CurveBasis, Forecast, ForecastMethod, Unknown};
use super::members::MemberErrors;
use super::moment::{HOUR_S, SETTLE_H, View, hour_of, time_of};
use super::paths::{Hour, Now, Path, blend, chord, days_until, fall_at};
use super::residuals::{LEADS, Residuals, line_inner_sides, line_sides};
use super::swing::DailySwing;

/// How the demand for water goes with the sun above the air. Where the sun is high it
/// is also warm and leaves are out: published reference evapotranspiration of two
/// stations at 40 degrees north goes with its powers 1.2 and 1.8 from month to month,
/// and drying of grassland with 1.8.
const DEMAND_POWER: i32 = 2;
/// Hours of the present drydown that are kept.
const KEPT_HOURS: usize = 10 * 24;
/// Longest silence within a drydown, hours: longer, and water may have come unseen.
const GAP_H: i32 = 12;
/// A rise in that time beyond this begins a new drydown, m³/m³: noise.
const NOISE: f32 = 0.0005;
/// Length (hours) and fall (m³/m³) of a drydown that counts.
const COUNTS_H: i32 = 48;
const COUNTS_FALL: f32 = 0.008;
/// Forecasts from older readings than this are none, hours.
const STALE_H: i64 = 6;
/// Hours after which a wetting would have been noticed.
const NOTICED_H: i32 = 6;
/// Lead at which line and curve are held against what came, one of [`LEADS`], days.
const MEMBERS_LEAD: i32 = 3;

/// Within which water contents a bed's drying is followed, m³/m³.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DryingLimits {
    /// Drying ends here at the latest.
    pub floor: f64,
    /// Above this the soil is full of water, and no drydown has begun.
    pub ceiling: f64,
}

impl Default for DryingLimits {
    /// Dry sand, and about the pore space of loose loam.
    fn default() -> Self {
        Self { floor: 0.02, ceiling: 0.6 }
    }
}

/// A drydown that has come to its end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drydown {
    pub from: Timestamp,
    pub to: Timestamp,
    /// Water contents at its beginning and end, m³/m³.
    pub theta: (f64, f64),
    /// The exponential fitted to it after its first day, or why there is none.
    pub fit: Result<Exponential, Unfit>,
}

/// The same as it is kept, in the hours and to the digits that it was made of.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct KeptDrydown {
    hours: (i32, i32),
    theta: (f32, f32),
    fit: Result<KeptFit, Box<Unfit>>,
}

/// An [`Exponential`] to seven digits.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct KeptFit {
    theta0: f32,
    theta_w: f32,
    tau_d: f32,
    /// NaN: none.
    tau_error_d: f32,
    rms: f32,
}

impl From<Exponential> for KeptFit {
    fn from(it: Exponential) -> Self {
        Self {
            theta0: it.theta0 as f32,
            theta_w: it.theta_w as f32,
            tau_d: it.tau_d as f32,
            tau_error_d: it.tau_error_d.map_or(f32::NAN, |error| error as f32),
            rms: it.rms as f32,
        }
    }
}

impl KeptDrydown {
    fn open(&self) -> Drydown {
        let fit = self.fit.as_ref().map_err(|why| **why).map(|it| Exponential {
            theta0: it.theta0.into(),
            theta_w: it.theta_w.into(),
            tau_d: it.tau_d.into(),
            tau_error_d: (!it.tau_error_d.is_nan()).then(|| it.tau_error_d.into()),
            rms: it.rms.into(),
        });
        Drydown {
            from: time_of(f64::from(self.hours.0)),
            to: time_of(f64::from(self.hours.1)),
            theta: (self.theta.0.into(), self.theta.1.into()),
            fit,
        }
    }
}

/// Follows one bed. It holds a bounded memory: about 5 kB.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Outlook {
    limits: DryingLimits,
    filling: Option<Filling>,
    /// The present drydown, oldest first.
    hours: HourlyContents,
    begun: i32,
    swing: DailySwing,
    demand: f64,
    falls: HourlyFalls,
    own: OwnDays,
    drydowns: u32,
    /// The last one that has come to its end.
    finished: Option<Box<KeptDrydown>>,
    waiting: Vec<PendingForecast>,
    residuals: Residuals,
    errors: MemberErrors,
}

/// The hour whose mean is being made.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Filling {
    hour: i32,
    sum: f64,
    count: u32,
    demand: f64,
}

/// A forecast that waits for what truly comes.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct PendingForecast {
    hour: i32,
    theta: f32,
    falls: [f32; LEADS.len()],
    /// Falls a day by the line and by the bed's own curve.
    members: (f32, f32),
}

impl Outlook {
    /// An outlook that knows nothing yet.
    pub fn new(limits: DryingLimits) -> Self {
        Self { limits, ..Self::default() }
    }

    /// Whether what was read of it can be one.
    pub fn is_sound(&self) -> bool {
        self.residuals.is_sound()
    }

    /// Adds the bed's water content, m³/m³, and the season's sun in any unit that
    /// stays the same (such as extraterrestrial radiation). Times go forward; an
    /// older one, or a number that is none, is passed over.
    pub fn push(&mut self, at: Timestamp, theta: f64, sun: f64) {
        let hour = hour_of(at);
        let demand = demand(sun);
        if !theta.is_finite() || !demand.is_finite() {
            return;
        }
        match &mut self.filling {
            Some(filling) if filling.hour > hour => {}
            Some(filling) if filling.hour == hour => {
                filling.sum += theta;
                filling.count += 1;
                filling.demand = demand;
            }
            filling => {
                if let Some(full) = filling.replace(Filling { hour, sum: theta, count: 1, demand }) {
                    let mean = (full.sum / f64::from(full.count)) as f32;
                    self.demand = full.demand;
                    self.take(Hour { hour: full.hour, theta: mean });
                }
            }
        }
    }

    /// Water came at `at`, a moment that may lie some hours back.
    pub fn wetted(&mut self, at: Timestamp) {
        let hour = hour_of(at);
        // Its own rise has been seen already.
        if self.hours.is_empty() || self.begun >= hour - 1 {
            return;
        }
        let since: Vec<Hour> = self.hours().filter(|h| h.hour > hour).collect();
        self.end_at(hour);
        for hour in since {
            self.grow(hour);
        }
    }

    /// Rain fell at `at` that may have been too light for a probe to notice: how the
    /// forecasts and this day turned out is then no measure of dry weather.
    pub fn rained(&mut self) {
        self.waiting.clear();
    }

    /// The clock was ahead and has been set right: where anything was noted later
    /// than `limit`, the present drydown is forgotten; what past ones taught stays.
    pub fn forget_after(&mut self, limit: Timestamp) {
        let limit = hour_of(limit);
        if self.filling.is_some_and(|filling| filling.hour > limit) {
            self.filling = None;
            self.clear();
        }
    }

    /// The last drydown that has come to its end.
    pub fn finished(&self) -> Option<Drydown> {
        self.finished.as_deref().map(KeptDrydown::open)
    }

    /// The exponential of the present drydown.
    ///
    /// # Errors
    ///
    /// When it has not fallen enough, long enough, or is not bent.
    pub fn present(&self) -> Result<Exponential, Unfit> {
        let hours: Vec<Hour> = self.hours().collect();
        self.fitted(&hours)
    }

    /// When the bed dries to `threshold`, m³/m³, if no water comes.
    ///
    /// # Errors
    ///
    /// When there is too little to go on.
    pub fn forecast(&self, now: Timestamp, threshold: f64) -> Result<Forecast, Unknown> {
        self.forecast_by(now, threshold, ForecastMethod::Blend)
    }

    /// [`Outlook::forecast`] by a method: for scores.
    ///
    /// # Errors
    ///
    /// When there is too little to go on.
    pub fn forecast_by(
        &self,
        now: Timestamp,
        threshold: f64,
        method: ForecastMethod,
    ) -> Result<Forecast, Unknown> {
        self.ask(now, method, |view, paths| {
            let fall = view.theta - threshold;
            let limit = now
                .saturating_add(SignedDuration::from_hours(24 * i64::from(AHEAD_DAYS)))
                .unwrap_or(Timestamp::MAX);
            let when = |path: &Path| {
                let at = view.time_after(days_until(path, fall)?).max(now);
                (at <= limit).then_some(at)
            };
            Forecast {
                at: when(&paths.middle),
                from: when(&paths.fast),
                to: when(&paths.slow),
                basis: paths.basis,
            }
        })
    }

    /// The water content `days` ahead if no water comes, by a method: for scores.
    ///
    /// # Errors
    ///
    /// When there is too little to go on.
    pub fn ahead(&self, now: Timestamp, days: f64, method: ForecastMethod) -> Result<Ahead, Unknown> {
        self.ask(now, method, |view, paths| ahead(view, paths, view.days_after(days)))
    }

    /// The water content every `step_h` hours from the present on, over `days` days, if no
    /// water comes: hours from the last that is known, and what is expected then.
    ///
    /// # Errors
    ///
    /// When there is too little to go on.
    pub fn fan(&self, now: Timestamp, days: u16, step_h: u16) -> Result<Vec<(Timestamp, Ahead)>, Unknown> {
        self.ask(now, ForecastMethod::Blend, |view, paths| {
            let hours = (0..=24 * days).step_by(usize::from(step_h.max(1)));
            let after = |hours: u16| {
                let moment = now.saturating_add(SignedDuration::from_hours(i64::from(hours)));
                (
                    moment.unwrap_or(Timestamp::MAX),
                    ahead(view, paths, view.days_after(f64::from(hours) / 24.0)),
                )
            };
            hours.map(after).collect()
        })
    }

    fn ask<T>(
        &self,
        now: Timestamp,
        method: ForecastMethod,
        answer: impl FnOnce(&View, &Paths) -> T,
    ) -> Result<T, Unknown> {
        let filling = self.filling.ok_or(Unknown::NoReadings)?;
        let stale_h = now.as_second().div_euclid(HOUR_S) - i64::from(filling.hour);
        if stale_h > STALE_H {
            return Err(Unknown::Stale { hours: stale_h });
        }
        let hours: Vec<Hour> = self.hours().collect();
        let last = *hours.last().ok_or(Unknown::TooEarly { hours: 0 })?;
        let age_h = last.hour - self.begun;
        if age_h < SETTLE_H {
            return Err(Unknown::TooEarly { hours: i64::from(age_h) });
        }
        let clock = self.falls.clock();
        let now = self.now(&hours, &clock);
        let paths = self.paths(&now, method).ok_or(Unknown::NoYesterday)?;
        Ok(answer(&View { theta: paths.basis.theta, hour: last.hour, clock: &clock }, &paths))
    }

    fn now<'a>(&self, hours: &'a [Hour], clock: &'a DryingClock) -> Now<'a> {
        Now { hours, begun: self.begun, clock, floor: self.limits.floor }
    }

    /// The forecast and its two sides.
    fn paths(&self, now: &Now, method: ForecastMethod) -> Option<Paths> {
        let (line, rate) = (now.line()?, now.rate()?);
        let last = now.hours.last()?.hour;
        let curve = (self.drydowns > 0 && method != ForecastMethod::Line)
            .then(|| self.own.curve(last, self.limits.floor))
            .flatten();
        let (middle, known) = match &curve {
            None => (line, None),
            Some(curve) => {
                let weeks = self.own.pace(curve, last);
                let pace = weeks * now.pace(curve, self.demand * weeks);
                let own = now.along(curve, self.demand * pace);
                let part = self.errors.line_part(self.own.known());
                let path = match method {
                    ForecastMethod::Blend => blend(&line, &own, part),
                    ForecastMethod::OwnCurve | ForecastMethod::Line => own,
                };
                (path, Some(CurveBasis { pace, fall_a_day: chord(&own), line_part: part }))
            }
        };
        let ([slow, fast], [inner_slow, inner_fast]) = match curve {
            Some(_) => (self.residuals.sides(&middle), self.residuals.inner_sides(&middle)),
            None => (line_sides(&middle), line_inner_sides(&middle)),
        };
        let basis = Basis {
            method: if curve.is_some() { method } else { ForecastMethod::Line },
            theta: now.level(),
            fall_a_day: rate,
            days_known: self.own.known(),
            drydowns: self.drydowns,
            curve: known,
            drydowns_held: self.residuals.known(),
        };
        Some(Paths { middle, slow, fast, inner_slow, inner_fast, basis })
    }

    /// Takes one hour's mean.
    fn take(&mut self, new: Hour) {
        let Some(last) = self.newest_first().next() else { return self.grow(new) };
        if new.hour - last.hour > GAP_H {
            self.end_at(last.hour);
            return self.grow(new);
        }
        if new.hour - self.begun >= SETTLE_H {
            let lowest = self
                .newest_first()
                .take_while(|h| new.hour - h.hour <= 24)
                .min_by(|a, b| a.theta.total_cmp(&b.theta))
                .unwrap_or(last);
            let rise = new.theta - lowest.theta;
            if self.swing.rose(rise) {
                self.end_at(lowest.hour);
                return self.grow(new);
            }
        }
        self.grow(new);
    }

    /// Adds an hour to the present drydown, or begins one with it.
    fn grow(&mut self, new: Hour) {
        if f64::from(new.theta) > self.limits.ceiling {
            return self.clear();
        }
        let age_h = new.hour - self.begun;
        let first = self.hours().next();
        if first.is_none_or(|first| age_h < SETTLE_H && new.theta > first.theta + NOISE) {
            self.clear();
            self.hours.push(new.hour, new.theta);
            self.begun = new.hour;
            return;
        }
        let last = self.newest_first().next();
        if let Some(last) = last
            && new.hour == last.hour + 1
            && age_h > SETTLE_H
        {
            self.falls.add(last.hour, f64::from(last.theta - new.theta));
        }
        if self.hours.len() == KEPT_HOURS {
            self.hours.pop_first();
        }
        self.hours.push(new.hour, new.theta);
        self.look_back(new.hour);
        if age_h > SETTLE_H && age_h % 24 == 0 {
            self.swing.end_day();
            self.add_day(new.hour);
        }
        if age_h >= SETTLE_H && age_h % 24 == 0 {
            self.look_ahead(new.hour);
        }
    }

    /// The day that ends now becomes a point of the bed's own curve.
    fn add_day(&mut self, hour: i32) {
        let (Some(before), Some(now)) = (self.mean_to(hour - 24), self.mean_to(hour)) else { return };
        if self.demand > 0.0 {
            let fall = ((before - now) / self.demand).max(0.0) as f32;
            self.own.add(DryingDay { hour, theta: f64::midpoint(before, now) as f32, fall });
        }
    }

    /// Mean of the three hours up to one.
    fn mean_to(&self, hour: i32) -> Option<f64> {
        let part = self.hours().filter(|h| (hour - 2..=hour).contains(&h.hour));
        let (count, sum) = part.fold((0_u32, 0.0), |(n, sum), h| (n + 1, sum + f64::from(h.theta)));
        (count > 0).then(|| sum / f64::from(count))
    }

    /// The hours of the present drydown, oldest first.
    fn hours(&self) -> impl Iterator<Item = Hour> + '_ {
        self.hours.iter().map(|(hour, theta)| Hour { hour, theta })
    }

    fn newest_first(&self) -> impl Iterator<Item = Hour> + '_ {
        self.hours.newest_first().map(|(hour, theta)| Hour { hour, theta })
    }

    /// Makes a forecast that will be looked back on.
    fn look_ahead(&mut self, hour: i32) {
        let hours: Vec<Hour> = self.hours().collect();
        let clock = self.falls.clock();
        let now = self.now(&hours, &clock);
        if let Some(paths) = self.paths(&now, ForecastMethod::Blend)
            && let Some(curve) = paths.basis.curve
        {
            let from = clock.days(f64::from(hour));
            let falls = LEADS
                .map(|lead| fall_at(&paths.middle, clock.days(f64::from(hour + 24 * lead)) - from) as f32);
            let members = (paths.basis.fall_a_day as f32, curve.fall_a_day as f32);
            // One a day: each has its own room.
            self.waiting.reserve_exact(1);
            self.waiting.push(PendingForecast { hour, theta: paths.basis.theta as f32, falls, members });
        }
    }

    /// Holds the forecasts that were due some hours ago against what came: by
    /// then a wetting would have been noticed.
    fn look_back(&mut self, hour: i32) {
        let due = hour - NOTICED_H;
        let lead = |w: &PendingForecast| LEADS.iter().position(|lead| w.hour + 24 * lead == due);
        if !self.waiting.iter().any(|w| lead(w).is_some()) {
            return;
        }
        let day: Vec<Hour> = self.hours().filter(|h| (due - 27..=due).contains(&h.hour)).collect();
        if day.last().is_some_and(|last| last.hour == due) {
            let clock = self.falls.clock();
            let theta = self.now(&day, &clock).level();
            for waiting in &self.waiting {
                if let Some(lead) = lead(waiting) {
                    let fell = f64::from(waiting.theta) - theta;
                    self.residuals.add(lead, fell, f64::from(waiting.falls[lead]));
                    if LEADS[lead] == MEMBERS_LEAD {
                        let days = f64::from(MEMBERS_LEAD);
                        let (line, curve) = waiting.members;
                        self.errors.add(days, fell, days * f64::from(line), days * f64::from(curve));
                    }
                }
            }
        }
        self.waiting.retain(|w| due - w.hour < 24 * LEADS[LEADS.len() - 1]);
    }

    fn fitted(&self, hours: &[Hour]) -> Result<Exponential, Unfit> {
        let clock = self.falls.clock();
        let points = self.now(hours, &clock).settled(usize::MAX);
        fit(&points, Bounds { theta_w_min: self.limits.floor, ..Bounds::default() })
    }

    /// Ends the present drydown at an hour; it counts if it was long and fell far.
    fn end_at(&mut self, hour: i32) {
        let hours: Vec<Hour> = self.hours().take_while(|h| h.hour <= hour).collect();
        if let (Some(first), Some(last)) = (hours.first(), hours.last())
            && last.hour - self.begun >= COUNTS_H
            && first.theta - last.theta >= COUNTS_FALL
        {
            self.drydowns = self.drydowns.saturating_add(1);
            self.finished = Some(Box::new(KeptDrydown {
                hours: (self.begun, last.hour),
                theta: (first.theta, last.theta),
                fit: self.fitted(&hours).map(KeptFit::from).map_err(Box::new),
            }));
        }
        self.clear();
    }

    fn clear(&mut self) {
        self.hours.clear();
        self.waiting = Vec::new();
        self.residuals.end_drydown();
        self.swing.begin();
    }
}

/// The season's demand for water, from its sun.
fn demand(sun: f64) -> f64 {
    sun.max(0.0).powi(DEMAND_POWER)
}

/// The forecast and its sides.
struct Paths {
    middle: Path,
    slow: Path,
    fast: Path,
    inner_slow: Path,
    inner_fast: Path,
    basis: Basis,
}

/// What is expected some days from now on the bed's clock.
fn ahead(view: &View, paths: &Paths, days: f64) -> Ahead {
    let after = |path: &Path| view.theta - fall_at(path, days);
    Ahead {
        theta: after(&paths.middle),
        low: after(&paths.fast),
        high: after(&paths.slow),
        inner_low: after(&paths.inner_fast),
        inner_high: after(&paths.inner_slow),
    }
}

#[cfg(test)]
mod tests;
