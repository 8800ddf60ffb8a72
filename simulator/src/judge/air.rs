//! Frost and hot days, by the true air and what its thermometers may show.
//!
//! Frost is there while the air is cold, and threatened from 3 pm until 9 am where the night's
//! low, by the day's true course, lies below 3 °C: this morning's low and half the change of
//! the day's high since yesterday, a fall of six degrees at most. What comes unannounced has to be told as it comes.

use jiff::civil::Date;

use super::{HOUR_S, Judge};
use crate::calendar::timestamp;
use crate::plan::Plan;
use crate::school::{Place, Quantity, School, Sensor};
use crate::window::{Stretch, Window};

/// Frost may be told below this, a hot day above that, °C.
const FROST_C: f64 = 2.0;
const HEAT_C: f64 = 35.0;
/// Frost is threatened by a night's low below this, °C.
const THREAT_C: f64 = 3.0;
/// Part of the change of the day's high that the night follows.
const FOLLOWS: f64 = 0.5;
/// The night follows a fall of the day's high so far, °C.
const FALL_MAX_C: f64 = 6.0;
/// The hours from which, and until which, a night's frost is threatened.
const AFTERNOON: i8 = 15;
const MORNING: i8 = 9;
/// Noise and rounding of a thermometer, °C.
const NOISE_C: f64 = 0.5;
/// It has to be told after so long, and may be told so long after.
const HOLD_S: i64 = HOUR_S;
const LINGER_S: i64 = 4 * HOUR_S;

/// What the thermometers may have shown of a day: its low and its high, each from the least
/// to the most, °C.
#[derive(Clone, Copy, Debug)]
struct DayRange {
    date: Date,
    low_c: [f64; 2],
    high_c: [f64; 2],
    /// Whether all thermometers worked at each minute of it.
    works: bool,
}

/// A night's low, from the least to the most, °C, and whether it can be relied on.
#[derive(Clone, Copy, Debug)]
struct Night {
    date: Date,
    low_c: [f64; 2],
    works: bool,
}

/// The air as the judge watches it.
#[derive(Clone, Debug)]
pub(super) struct AirWatch {
    /// The whole site's thermometers.
    sensors: Vec<usize>,
    days: [Option<DayRange>; 2],
    night: Option<Night>,
    frost: Window,
    heat: Window,
}

impl AirWatch {
    pub(super) fn new(school: &School) -> Self {
        let of_site =
            |it: &(usize, &Sensor)| it.1.measures == Quantity::AirTemperature && it.1.place == Place::Site;
        Self {
            sensors: school.sensors.iter().enumerate().filter(of_site).map(|(number, _)| number).collect(),
            days: [None; 2],
            night: None,
            frost: Window::new(HOLD_S, LINGER_S),
            heat: Window::new(HOLD_S, LINGER_S),
        }
    }
}

impl AirWatch {
    /// Notes a minute's air, from the least to the most that the thermometers may show, and
    /// returns the night that it threatens, in the hours in which it does.
    fn night(&mut self, date: Date, hour: i8, air_c: [f64; 2], works: bool) -> Option<Night> {
        if self.days[1].is_none_or(|day| day.date != date) {
            self.days.rotate_left(1);
            self.days[1] = Some(DayRange { date, low_c: air_c, high_c: air_c, works });
        }
        let [before, Some(today)] = &mut self.days else { return None };
        for (end, air_c) in air_c.into_iter().enumerate() {
            today.low_c[end] = today.low_c[end].min(air_c);
            today.high_c[end] = today.high_c[end].max(air_c);
        }
        today.works &= works;
        if hour >= AFTERNOON {
            if self.night.is_none_or(|night| night.date != date) {
                self.night =
                    before.filter(|it| it.date.tomorrow().is_ok_and(|next| next == date)).map(|before| {
                        Night {
                            date,
                            low_c: [0, 1].map(|end| {
                                let change_c = today.high_c[end] - before.high_c[1 - end];
                                today.low_c[end] + FOLLOWS * change_c.max(-FALL_MAX_C)
                            }),
                            works: before.works && today.works,
                        }
                    });
            }
            return self.night;
        }
        self.night.filter(|night| hour < MORNING && night.date.tomorrow().is_ok_and(|next| next == date))
    }
}

impl Judge {
    /// The air after a minute.
    pub(crate) fn air(&mut self, school: &School, plan: &Plan, air_c: f64, now_s: i64) {
        if self.air.sensors.is_empty() {
            return;
        }
        let works = self.air.sensors.iter().all(|sensor| Self::works(school, plan, *sensor, now_s));
        let (mut least_c, mut most_c) = (air_c, air_c);
        for sensor in &self.air.sensors {
            let (below, above) = plan.error_band(*sensor, now_s);
            let shown_c = plan.shown(*sensor, now_s, air_c);
            least_c = least_c.min(air_c + below).min(shown_c);
            most_c = most_c.max(air_c + above).max(shown_c);
        }
        let local = timestamp(now_s * 1000).to_zoned_datetime(school.time_zone.clone()).datetime();
        let night = self.air.night(local.date(), local.hour(), [least_c, most_c], works);
        let threat = |low_c: f64| low_c < THREAT_C;
        let near = least_c - NOISE_C < FROST_C || night.is_some_and(|it| threat(it.low_c[0] - NOISE_C));
        let beyond = works && most_c + NOISE_C < FROST_C
            || night.is_some_and(|it| works && it.works && threat(it.low_c[1] + NOISE_C));
        let frost = self.air.frost.step(now_s, near, beyond);
        let heat = self.air.heat.step(now_s, most_c + NOISE_C > HEAT_C, works && least_c - NOISE_C > HEAT_C);
        self.air_findings(school, frost, heat);
    }

    /// Closes what is open, at the end.
    pub(super) fn finish_air(&mut self, school: &School) {
        let (frost, heat) = (self.air.frost.close(), self.air.heat.close());
        self.air_findings(school, frost, heat);
    }

    fn air_findings(&mut self, school: &School, frost: Option<Stretch>, heat: Option<Stretch>) {
        for (kind, stretch, note) in [
            ("frost", frost, "air near or below 2 °C, or a night that threatens it"),
            ("heat", heat, "air near or above 35 °C"),
        ] {
            if let Some(stretch) = stretch {
                self.find(kind, &school.site, stretch, note);
            }
        }
    }
}
