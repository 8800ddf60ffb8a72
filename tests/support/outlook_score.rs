//! How well drying is forecast on a record of a bed's water content.
//!
//! Twice a day, wherever a forecast is made and no water came in the next days,
//! it is held against what came: the water content that was truly reached after
//! 1, 3 and 5 days, and when that water content had been forecast for.

use std::collections::BTreeMap;
use std::fmt;

use jiff::Timestamp;
use trug::outlook::{DryingLimits, ForecastMethod, Outlook};

/// Days ahead that are looked at.
pub(crate) const LEADS: [i64; 3] = [1, 3, 5];
/// The methods beside each other; the last one is what is used.
const METHODS: [(ForecastMethod, &str); 3] = [
    (ForecastMethod::Line, "plain line"),
    (ForecastMethod::OwnCurve, "own curve"),
    (ForecastMethod::Blend, "as used"),
];
const HOUR_S: i64 = 3600;
const DAY_S: i64 = 86_400;
/// Hours between two forecasts that are held against what came.
const EVERY_H: i64 = 12;
/// A drop below this says when nothing at all happens, m³/m³.
const DROP_MIN: f64 = 0.003;
/// What "not within ten days" counts as, days.
const NEVER_D: f64 = 10.0;

/// What a bed told, in the order of time.
pub(crate) enum Heard {
    /// Water content, m³/m³.
    Water(f64),
    /// A wetting was believed that began at a time.
    Wetting(Timestamp),
    Rain,
}

/// A bed's record.
pub(crate) struct Record<'a> {
    pub(crate) heard: Vec<(Timestamp, Heard)>,
    /// Sun above the air at a time, MJ/m² a day.
    pub(crate) sun: &'a dyn Fn(Timestamp) -> f64,
    /// Whether no water came between two times.
    pub(crate) dry: &'a dyn Fn(Timestamp, Timestamp) -> bool,
    pub(crate) limits: DryingLimits,
}

/// Errors of one method at one lead.
#[derive(Clone, Default)]
pub(crate) struct Errors {
    theta: Vec<f64>,
    days: Vec<f64>,
    /// Intervals of time that held.
    held: usize,
}

/// The score of one record, or of several added up.
#[derive(Clone, Default)]
pub(crate) struct Score {
    by: BTreeMap<(usize, usize), Errors>,
}

impl Score {
    /// Feeds a record hour by hour and holds its forecasts against it.
    pub(crate) fn add(&mut self, record: &Record) {
        let levels = levels(record);
        let mut outlook = Outlook::new(record.limits);
        let mut hour = i64::MIN;
        for (at, heard) in &record.heard {
            match heard {
                Heard::Water(theta) => outlook.push(*at, *theta, (record.sun)(*at)),
                Heard::Wetting(onset) => outlook.wetted(*onset),
                Heard::Rain => outlook.rained(),
            }
            let now_hour = at.as_second().div_euclid(HOUR_S) - 1;
            if now_hour > hour && now_hour.rem_euclid(EVERY_H) == 0 {
                self.ask(&outlook, now_hour, &levels, record);
            }
            hour = now_hour.max(hour);
        }
    }

    fn ask(&mut self, outlook: &Outlook, hour: i64, levels: &BTreeMap<i64, f64>, record: &Record) {
        let now = middle(hour);
        if outlook.ahead(now, 1.0, ForecastMethod::Line).is_err() {
            return;
        }
        for (lead_at, lead_d) in LEADS.into_iter().enumerate() {
            let due = hour + 24 * lead_d;
            let (Some(here), Some(there)) = (levels.get(&hour), levels.get(&due)) else { continue };
            if here - there < DROP_MIN || !(record.dry)(now, middle(due)) {
                continue;
            }
            for (method_at, (method, _)) in METHODS.into_iter().enumerate() {
                let ahead = outlook.ahead(now, lead_d as f64, method).expect("asked a moment ago");
                let when = outlook.forecast_by(now, *there, method).expect("asked a moment ago");
                let in_days = |at: Option<Timestamp>| {
                    at.map_or(NEVER_D, |at| (at.as_second() - now.as_second()) as f64 / DAY_S as f64)
                };
                let errors = self.by.entry((method_at, lead_at)).or_default();
                errors.theta.push((ahead.theta - there).abs());
                errors.days.push((in_days(when.at) - lead_d as f64).abs());
                let lead_d = lead_d as f64;
                errors.held += usize::from(in_days(when.from) <= lead_d && lead_d <= in_days(when.to));
            }
        }
    }

    /// Forecasts that were held against what came, at a lead of [`LEADS`].
    pub(crate) fn count(&self, lead_at: usize) -> usize {
        self.by.get(&(METHODS.len() - 1, lead_at)).map_or(0, |e| e.days.len())
    }

    /// Median error of the method that is used, days.
    pub(crate) fn median_days(&self, lead_at: usize) -> f64 {
        self.by.get(&(METHODS.len() - 1, lead_at)).map_or(f64::NAN, |e| quantile(&e.days, 0.5))
    }

    /// The same of the plain line.
    pub(crate) fn line_median_days(&self, lead_at: usize) -> f64 {
        self.by.get(&(0, lead_at)).map_or(f64::NAN, |e| quantile(&e.days, 0.5))
    }

    /// How often the interval held, 0 to 1.
    pub(crate) fn coverage(&self, lead_at: usize) -> f64 {
        self.by.get(&(METHODS.len() - 1, lead_at)).map_or(f64::NAN, |e| e.held as f64 / e.days.len() as f64)
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:<14}{:>6}{:>7}{:>15}{:>13}{:>17}{:>14}",
            "method", "ahead", "count", "median, days", "90 %, days", "median, m3/m3", "interval 80 %"
        )?;
        for ((method_at, lead_at), errors) in &self.by {
            let used = method_at + 1 == METHODS.len();
            let held = if used {
                format!("{:.0} %", 100.0 * errors.held as f64 / errors.days.len() as f64)
            } else {
                "-".to_owned()
            };
            writeln!(
                f,
                "{:<14}{:>4} d{:>7}{:>15.2}{:>13.2}{:>17.4}{held:>14}",
                METHODS[*method_at].1,
                LEADS[*lead_at],
                errors.days.len(),
                quantile(&errors.days, 0.5),
                quantile(&errors.days, 0.9),
                quantile(&errors.theta, 0.5),
            )?;
        }
        Ok(())
    }
}

/// The middle of an hour since the epoch.
fn middle(hour: i64) -> Timestamp {
    Timestamp::from_second(hour * HOUR_S + HOUR_S / 2).expect("a record's times")
}

/// Water content by the hour since the epoch, each the mean of three hours.
fn levels(record: &Record) -> BTreeMap<i64, f64> {
    let mut hours: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    for (at, heard) in &record.heard {
        if let Heard::Water(theta) = heard {
            let hour = hours.entry(at.as_second().div_euclid(HOUR_S)).or_default();
            *hour = (hour.0 + theta, hour.1 + 1.0);
        }
    }
    hours
        .keys()
        .filter_map(|hour| {
            let near: Vec<f64> =
                (hour - 1..=hour + 1).filter_map(|h| hours.get(&h)).map(|(sum, n)| sum / n).collect();
            (near.len() > 1).then(|| (*hour, near.iter().sum::<f64>() / near.len() as f64))
        })
        .collect()
}

fn quantile(values: &[f64], part: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted.get((sorted.len() as f64 * part) as usize).copied().unwrap_or(f64::NAN)
}
