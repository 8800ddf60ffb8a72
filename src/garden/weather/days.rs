//! The weather of each local day, as the site's own sensors heard it, and the
//! reference evapotranspiration that follows.
//!
//! A day runs from midnight to midnight of the local clock and has 23 or 25
//! hours when the clock changes. Each sensor of the whole site that measures air
//! temperature, humidity, sun or wind keeps a few numbers a day; nothing is
//! decided when a day ends, so that the answer depends on the readings alone.
//!
//! A reading counts once the next one has come: only then is it known to be no
//! spike. Between readings a value runs straight. How much of a day must be heard
//! ([`WHOLE_SHARE`], [`WHOLE_GAP_S`], [`LEAST_SHARE`], [`LONGEST_GAP_S`]) is our
//! own rule, without a publication.

use std::collections::VecDeque;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::garden::plan::Garden;
use crate::model::{Place, Quantity};

/// Days that each sensor keeps. A restart brings back a fortnight of them, and
/// nothing is judged by older ones.
const KEPT_DAYS: usize = 35;
/// A day is whole if at least this part of its readings was heard ...
const WHOLE_SHARE: f64 = 0.9;
/// ... and no pause was longer than this.
const WHOLE_GAP_S: i64 = 3 * 3600;
/// Below this part of its readings a day is not known ...
const LEAST_SHARE: f64 = 0.75;
/// ... nor with a pause longer than this: a quarter of a day can hide its warmest
/// or coldest hour. No straight line is drawn across such a pause.
const LONGEST_GAP_S: i64 = 6 * 3600;

/// Quantities that make weather, the one that both methods need first.
pub(crate) const QUANTITIES: [Quantity; 4] =
    [Quantity::AirTemperature, Quantity::RelativeHumidity, Quantity::SolarRadiation, Quantity::WindSpeed];

/// The days of all weather sensors of a site.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct WeatherDays {
    /// In the order of the garden's file.
    sensors: Vec<SensorDays>,
}

/// One sensor's days, oldest first.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct SensorDays {
    sensor: u16,
    measures: Quantity,
    every_s: u32,
    days: VecDeque<SensorDay>,
    /// The newest reading that counts.
    settled: Option<(Timestamp, f64)>,
    /// The newest reading: its successor settles it.
    newest: Option<(Timestamp, f64)>,
}

/// What one sensor said on one local day.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct SensorDay {
    date: Date,
    /// Its first moment and that of the next day.
    from: Timestamp,
    to: Timestamp,
    pub(crate) least: f64,
    pub(crate) most: f64,
    readings: u32,
    first: Timestamp,
    last: Timestamp,
    longest_gap_s: i64,
    /// Value times seconds, along straight lines between readings.
    area: f64,
    covered_s: f64,
}

/// How much of a day a sensor was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Heard {
    /// Part of the readings that the day should have, at most 1.
    pub(crate) share: f64,
    /// The longest pause, from midnight to midnight.
    pub(crate) gap_s: i64,
}

impl Heard {
    const NOTHING: Self = Self { share: 0.0, gap_s: 86_400 };

    /// Enough of it to say nothing more.
    pub(crate) fn whole(self) -> bool {
        self.share >= WHOLE_SHARE && self.gap_s <= WHOLE_GAP_S
    }

    /// Enough of it to go on.
    pub(crate) fn enough(self) -> bool {
        self.share >= LEAST_SHARE && self.gap_s <= LONGEST_GAP_S
    }
}

impl SensorDay {
    fn new(date: Date, zone: &TimeZone) -> Option<Self> {
        let from = zone.to_timestamp(date.at(0, 0, 0, 0)).ok()?;
        let to = zone.to_timestamp(date.tomorrow().ok()?.at(0, 0, 0, 0)).ok()?;
        Some(Self {
            date,
            from,
            to,
            least: f64::INFINITY,
            most: f64::NEG_INFINITY,
            readings: 0,
            first: to,
            last: from,
            longest_gap_s: 0,
            area: 0.0,
            covered_s: 0.0,
        })
    }

    fn add(&mut self, at: Timestamp, value: f64) {
        self.least = self.least.min(value);
        self.most = self.most.max(value);
        self.longest_gap_s = self.longest_gap_s.max(between(self.last, at));
        self.first = self.first.min(at);
        self.last = at;
        self.readings += 1;
    }

    fn heard(&self, every_s: u32) -> Heard {
        self.heard_to(every_s, self.to)
    }

    /// The same of the day until `to`.
    fn heard_to(&self, every_s: u32, to: Timestamp) -> Heard {
        if self.readings == 0 {
            return Heard::NOTHING;
        }
        // Whole intervals that fit; a sensor that speaks less than once a day has one.
        let expected = (between(self.from, to) / i64::from(every_s.max(1))).max(1);
        Heard {
            share: (f64::from(self.readings) / expected as f64).min(1.0),
            gap_s: self.longest_gap_s.max(between(self.last, to)),
        }
    }

    /// Mean of the value over the time that was heard.
    pub(crate) fn mean(&self) -> Option<f64> {
        (self.covered_s > 0.0).then(|| self.area / self.covered_s)
    }

    /// Sum of a value per second over the day.
    pub(crate) fn sum(&self) -> f64 {
        self.area
    }
}

impl SensorDays {
    fn push(&mut self, at: Timestamp, value: f64, zone: &TimeZone) {
        if let Some((settling, it)) = self.newest.replace((at, value)) {
            self.settle(settling, it, zone);
        }
    }

    fn settle(&mut self, at: Timestamp, value: f64, zone: &TimeZone) {
        let Some(day) = self.day_of(at, zone) else { return };
        day.add(at, value);
        let (from, to) = (day.from, day.to);
        let Some((before, earlier)) = self.settled.replace((at, value)) else { return };
        let gap_s = between(before, at);
        if gap_s > LONGEST_GAP_S {
            return;
        }
        if before >= from && before < to {
            self.line((before, earlier), (at, value), zone);
        } else {
            // A pause of at most six hours crosses one midnight.
            let part = seconds(before, from) / seconds(before, at);
            let midnight = earlier + part * (value - earlier);
            self.line((before, earlier), (from, midnight), zone);
            self.line((from, midnight), (at, value), zone);
        }
    }

    /// A straight line inside the day in which it begins.
    fn line(&mut self, from: (Timestamp, f64), to: (Timestamp, f64), zone: &TimeZone) {
        if let Some(day) = self.day_of(from.0, zone) {
            let for_s = seconds(from.0, to.0);
            day.area += f64::midpoint(from.1, to.1) * for_s;
            day.covered_s += for_s;
        }
    }

    /// The day of a moment, begun if it is new; `None` for one older than all
    /// that is kept.
    fn day_of(&mut self, at: Timestamp, zone: &TimeZone) -> Option<&mut SensorDay> {
        let holds = |day: &SensorDay| day.from <= at && at < day.to;
        // The same day as before, nearly always.
        let found = self.days.iter().rposition(holds);
        let index = match found {
            Some(index) => index,
            None if self.days.back().is_none_or(|last| last.to <= at) => {
                let day = SensorDay::new(zone.to_datetime(at).date(), zone)?;
                if self.days.len() >= KEPT_DAYS {
                    self.days.pop_front();
                }
                self.days.push_back(day);
                self.days.len() - 1
            }
            None => return None,
        };
        self.days.get_mut(index)
    }
}

impl WeatherDays {
    /// For the weather sensors of a garden's whole site. One in a bed or a tank
    /// may stand in a glasshouse.
    pub(crate) fn new(garden: &Garden) -> Self {
        let sensors = (0u16..)
            .zip(&garden.sensors)
            .filter(|(_, plan)| plan.place == Place::Site && QUANTITIES.contains(&plan.measures))
            .map(|(sensor, plan)| SensorDays {
                sensor,
                measures: plan.measures,
                every_s: plan.every_s,
                days: VecDeque::new(),
                settled: None,
                newest: None,
            })
            .collect();
        Self { sensors }
    }

    /// Whether it is of the same sensors.
    pub(crate) fn is_like(&self, other: &Self) -> bool {
        let sensors = |it: &Self| -> Vec<(u16, Quantity, u32)> {
            it.sensors.iter().map(|days| (days.sensor, days.measures, days.every_s)).collect()
        };
        sensors(self) == sensors(other)
    }

    /// Takes a reading that passed its tests, later than all of its sensor before.
    /// Sensors that make no weather change nothing.
    pub(crate) fn push(&mut self, sensor: u16, at: Timestamp, value: f64, zone: &TimeZone) {
        if let Some(days) = self.of(sensor) {
            days.push(at, value, zone);
        }
    }

    /// The reading of that moment has turned out to be a spike.
    pub(crate) fn take_back(&mut self, sensor: u16, at: Timestamp) {
        if let Some(days) = self.of(sensor) {
            days.newest = days.newest.filter(|(newest, _)| *newest != at);
        }
    }

    /// Forgets what was noted under times after `limit`, by a clock that was ahead.
    pub(crate) fn set_back(&mut self, limit: Timestamp) {
        for days in &mut self.sensors {
            let ahead = |it: &(Timestamp, f64)| it.0 > limit;
            if days.newest.as_ref().is_some_and(ahead) || days.settled.as_ref().is_some_and(ahead) {
                days.newest = None;
                days.settled = None;
                days.days.retain(|day| day.last <= limit);
            }
        }
    }

    fn of(&mut self, sensor: u16) -> Option<&mut SensorDays> {
        self.sensors.iter_mut().find(|days| days.sensor == sensor)
    }

    /// Whether the site has any weather sensor.
    pub(crate) fn measures_any(&self) -> bool {
        !self.sensors.is_empty()
    }

    /// Whether the site measures a quantity.
    pub(crate) fn measures(&self, quantity: Quantity) -> bool {
        self.sensors.iter().any(|days| days.measures == quantity)
    }

    /// The days before `to` and before that one's date, of each sensor of a quantity that
    /// was heard wholly on both: today until now, and yesterday.
    pub(crate) fn whole_days_to(
        &self,
        quantity: Quantity,
        to: Timestamp,
    ) -> impl Iterator<Item = (SensorDay, SensorDay)> {
        self.sensors.iter().filter(move |days| days.measures == quantity).filter_map(move |days| {
            let (today, before) = (days.days.back()?, days.days.iter().rev().nth(1)?);
            let follows = before.to == today.from && today.from <= to && to < today.to;
            let heard = today.heard_to(days.every_s, to).whole() && before.heard(days.every_s).whole();
            (follows && heard).then_some((*today, *before))
        })
    }

    /// A quantity's day by the sensor that was heard best, the first of equals,
    /// with the sensor's number. `None` where the site has no such sensor or none
    /// of them was heard that day.
    pub(crate) fn day(&self, quantity: Quantity, date: Date) -> Option<(u16, SensorDay, Heard)> {
        let mut best: Option<(u16, SensorDay, Heard)> = None;
        for days in self.sensors.iter().filter(|days| days.measures == quantity) {
            let Some(day) = days.days.iter().rev().find(|day| day.date == date && day.readings > 0) else {
                continue;
            };
            let heard = day.heard(days.every_s);
            let rank = |heard: Heard| u8::from(heard.enough()) + u8::from(heard.whole());
            if best.is_none_or(|(_, _, before)| rank(heard) > rank(before)) {
                best = Some((days.sensor, *day, heard));
            }
        }
        best
    }
}

/// Whole seconds from one moment to another.
fn between(from: Timestamp, to: Timestamp) -> i64 {
    to.as_second() - from.as_second()
}

/// Seconds from one moment to another.
fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    (to.as_millisecond() - from.as_millisecond()) as f64 / 1000.0
}
