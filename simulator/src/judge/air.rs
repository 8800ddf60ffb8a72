//! Frost and hot days, by the true air and what its thermometers may show.

use super::{HOUR_S, Judge};
use crate::plan::Plan;
use crate::school::{Place, Quantity, School, Sensor};
use crate::window::{Stretch, Window};

/// Frost may be told below this, a hot day above that, °C.
const FROST_C: f64 = 2.0;
const HEAT_C: f64 = 35.0;
/// Noise and rounding of a thermometer, °C.
const NOISE_C: f64 = 0.5;
/// It has to be told after so long, and may be told so long after.
const HOLD_S: i64 = HOUR_S;
const LINGER_S: i64 = 4 * HOUR_S;

/// The air as the judge watches it.
#[derive(Clone, Debug)]
pub(super) struct AirWatch {
    /// The whole site's thermometers.
    sensors: Vec<usize>,
    frost: Window,
    heat: Window,
}

impl AirWatch {
    pub(super) fn new(school: &School) -> Self {
        let of_site =
            |it: &(usize, &Sensor)| it.1.measures == Quantity::AirTemperature && it.1.place == Place::Site;
        Self {
            sensors: school.sensors.iter().enumerate().filter(of_site).map(|(number, _)| number).collect(),
            frost: Window::new(HOLD_S, LINGER_S),
            heat: Window::new(HOLD_S, LINGER_S),
        }
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
        let frost =
            self.air.frost.step(now_s, least_c - NOISE_C < FROST_C, works && most_c + NOISE_C < FROST_C);
        let heat = self.air.heat.step(now_s, most_c + NOISE_C > HEAT_C, works && least_c - NOISE_C > HEAT_C);
        self.air_findings(school, frost, heat);
    }

    /// Closes what is open, at the end.
    pub(super) fn finish_air(&mut self, school: &School) {
        let (frost, heat) = (self.air.frost.close(), self.air.heat.close());
        self.air_findings(school, frost, heat);
    }

    fn air_findings(&mut self, school: &School, frost: Option<Stretch>, heat: Option<Stretch>) {
        for (kind, stretch, note) in
            [("frost", frost, "air near or below 2 °C"), ("heat", heat, "air near or above 35 °C")]
        {
            if let Some(stretch) = stretch {
                self.find(kind, &school.site, stretch, note);
            }
        }
    }
}
