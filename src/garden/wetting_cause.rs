//! What wetted a bed: rain, watering, or something that cannot be told.
//!
//! At least 1 mm in a gauge within the day before explains a wetting. Else it
//! was watering, if the gauge was there to hear, is believed, and not every bed
//! rose at once. The rules were chosen on open records of probes beside gauges,
//! where a blocked gauge was by far the largest cause of false waterings.

use jiff::Timestamp;

use crate::garden::plan::{Place, Quantity};
use crate::garden::site::{Cause, Memory, SiteState, Unclear, plus};
use crate::watering::{Wetting, minute_of_day};

/// Rain that explains a wetting, mm within a day.
const RAIN_EXPLAINS_MM: f64 = 1.0;
/// Rises this close together belong to one event.
const TOGETHER_S: i64 = 3 * 3600;
/// Evidence about the gauge is taken once in this time.
const EVIDENCE_EVERY_S: i64 = 6 * 3600;
/// Water takes up to this long from a gauge to a probe beyond the probe's lag.
const GAUGE_MARGIN_S: i64 = 3600;
const DAY_S: i64 = 86_400;
/// Below this soil may thaw, °C.
const THAW_C: f64 = 2.0;
/// Above this a mix is peaty, m³/m³.
const PEATY: f64 = 0.55;

/// How the garden's beds moved together.
pub(crate) struct Rising {
    /// Beds that rose within the event, this one included.
    beds: usize,
    /// Beds with a fresh probe.
    watched: usize,
}

impl Rising {
    /// Three beds or more are watched, and all of them rose.
    fn every_bed(&self) -> bool {
        self.watched >= 3 && self.beds >= self.watched
    }
}

impl SiteState {
    /// Largest catch of the gauges after `from` and up to `to`, mm.
    pub(crate) fn rain_mm(&self, from: Timestamp, to: Timestamp) -> f64 {
        self.gauges
            .iter()
            .filter_map(|&g| match &self.sensors[usize::from(g)].memory {
                Memory::Rain(gauge) => Some(gauge.sum_mm(from, to)),
                _ => None,
            })
            .fold(0.0, f64::max)
    }

    /// Which beds rose about when this one did.
    pub(crate) fn beds_rising(&self, this: u16, onset: Timestamp) -> Rising {
        let near = |at: Timestamp| (at.as_second() - onset.as_second()).abs() <= TOGETHER_S;
        let mut rising = Rising { beds: 0, watched: 0 };
        for (index, bed) in (0u16..).zip(&self.beds) {
            let looked_at = |&probe: &u16| match &self.sensors[usize::from(probe)].memory {
                Memory::Soil(watch) => watch.rising_since().is_some_and(near),
                _ => false,
            };
            let rose = index == this
                || bed.wetting.is_some_and(|w| near(w.onset))
                || bed.probes.iter().any(looked_at);
            let watched = rose || bed.probes.iter().any(|&probe| self.fresh(probe, onset).is_some());
            rising.beds += usize::from(rose);
            rising.watched += usize::from(watched);
        }
        rising
    }

    /// Lets the beds testify about the gauge.
    pub(crate) fn weigh_gauge(
        &mut self,
        rising: &Rising,
        wetting: Wetting,
        earliest: Timestamp,
        rain_mm: f64,
    ) {
        if self.evidence_at.is_some_and(|at| wetting.onset.as_second() - at.as_second() < EVIDENCE_EVERY_S) {
            return;
        }
        // A gauge that was not heard has missed nothing.
        if self.gauge_heard(wetting, earliest).is_err() {
            return;
        }
        let tipped = rain_mm > 0.0;
        let people_about = self
            .garden
            .site
            .working_hours
            .contains(minute_of_day(self.garden.site.time_zone.to_datetime(wetting.onset)));
        if (tipped && rising.beds >= 2) || (!tipped && rising.every_bed() && !people_about) {
            self.trust.beds_rose(tipped);
            self.evidence_at = Some(wetting.onset);
        }
    }

    /// Whether some gauge spoke without a break from before the wetting until it
    /// was believed; else why it cannot tell.
    fn gauge_heard(&self, wetting: Wetting, earliest: Timestamp) -> Result<(), Unclear> {
        let mut unclear = Unclear::NoGauge;
        let mut heard = false;
        for &index in &self.gauges {
            let Memory::Rain(gauge) = &self.sensors[usize::from(index)].memory else { continue };
            if !gauge.covers(plus(wetting.onset, -DAY_S)) {
                continue;
            }
            let whole = gauge.unbroken_since(plus(earliest, -GAUGE_MARGIN_S));
            let late_s = gauge.last_at().map_or(i64::MAX, |last| wetting.seen.as_second() - last.as_second());
            if whole && late_s <= self.patience_s(index) {
                heard = true;
            } else {
                unclear = Unclear::GaugeSilent;
            }
        }
        if heard { Ok(()) } else { Err(unclear) }
    }

    /// What wetted the bed.
    pub(crate) fn cause(
        &self,
        probe: u16,
        wetting: Wetting,
        earliest: Timestamp,
        outside_hours: bool,
        rising: &Rising,
        rain_mm: f64,
    ) -> Cause {
        if rain_mm >= RAIN_EXPLAINS_MM {
            return Cause::Rain { mm: rain_mm };
        }
        if self.coldest_soil_c(wetting.seen).is_some_and(|c| c < THAW_C) {
            return Cause::Unknown(Unclear::SoilCold);
        }
        if self.fresh(probe, wetting.seen).is_some_and(|content| content > PEATY) {
            return Cause::Unknown(Unclear::SoilPeaty);
        }
        if let Err(unclear) = self.gauge_heard(wetting, earliest) {
            return Cause::Unknown(unclear);
        }
        if self.trust.suspect() {
            return Cause::Unknown(Unclear::GaugeSuspect);
        }
        if outside_hours && rising.every_bed() {
            return Cause::Unknown(Unclear::EveryBedRose);
        }
        Cause::Watering
    }

    /// The coldest fresh soil thermometer of the site, °C.
    fn coldest_soil_c(&self, at: Timestamp) -> Option<f64> {
        (0u16..)
            .zip(&self.garden.sensors)
            .filter(|(_, s)| s.measures == Quantity::SoilTemperature && !matches!(s.place, Place::Tank(_)))
            .filter_map(|(i, _)| self.fresh(i, at))
            .reduce(f64::min)
    }
}
