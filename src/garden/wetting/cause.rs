//! What wetted a bed: rain, watering, or something that cannot be told.
//!
//! Where a bed has its own water meter, the meter is the truth (`flow_rules`) and
//! nothing is inferred from a rise. Else:
//!
//! 1. At least 1 mm in a gauge within the day before explains a wetting: rain.
//! 2. Soil near freezing and peaty mixes rise without water: unknown.
//! 3. The site's meter counted water at that time: watering. It counted none:
//!    unknown, for the water came past it.
//! 4. No gauge was heard, or none is believed: unknown.
//! 5. Several beds rose at once, by however little, or two where nobody is in the
//!    garden and no water may run: unknown, since that is what rain over a gauge
//!    that has just died looks like. So is what rises within eight hours of that.
//!    Two believed gauges that agree on no rain overrule this.
//! 6. The rise was small: unknown, for a drizzle that the gauge counts slowly and
//!    water that creeps through the soil look so too.
//! 7. Else it was watering.
//!
//! The rules were chosen on open records of probes beside gauges, where a
//! blocked gauge was by far the largest cause of false waterings.

use jiff::Timestamp;

use crate::garden::sensor::state::SensorHistory;
use crate::garden::site::{Cause, SiteState, Unclear};
use crate::garden::wetting::flow::Meter;
use crate::model::{Place, Quantity, add_seconds};
use crate::watering::{Wetting, probe_lag_s};

/// Rain that explains a wetting, mm within a day.
pub(crate) const RAIN_EXPLAINS_MM: f64 = 1.0;
/// A smaller rise is not called a watering on the gauge's word alone, m³/m³. The
/// score over simulated months chose it: with a dead gauge most false waterings
/// were of 0.010 to 0.012.
pub(crate) const CLEAR_RISE: f64 = 0.015;
/// Rises this close together belong to one event.
pub(crate) const TOGETHER_S: i64 = 3 * 3600;
/// What follows within this time of beds that moved as under rain may be more of
/// that rain.
pub(crate) const SAME_WEATHER_S: i64 = 8 * 3600;
/// Water takes up to this long from a gauge to a probe beyond the probe's lag.
const GAUGE_MARGIN_S: i64 = 3600;
const DAY_S: i64 = 86_400;
/// Below this soil may thaw, °C.
pub(crate) const THAW_C: f64 = 2.0;
/// Above this a mix is peaty, m³/m³.
pub(crate) const PEATY: f64 = 0.55;

/// How the garden's beds moved together.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rising {
    /// Beds that rose or stirred within the event, this one included.
    pub(crate) beds: usize,
    /// Those of them that one shower can have wetted: their water can have come at
    /// one moment, or its moment is not known.
    pub(crate) at_once: usize,
    /// Beds with a fresh probe.
    pub(crate) watched: usize,
}

impl Rising {
    /// More beds than one person's hose is likely to reach: three, or both of two.
    /// They need not have risen at one moment: a day of showers wets one bed after
    /// the other.
    pub(crate) fn several(&self) -> bool {
        self.beds >= 3 || (self.watched == 2 && self.beds == 2)
    }

    /// Three beds or more at one moment, and at least three of four that are watched.
    pub(crate) fn most(&self) -> bool {
        self.at_once >= 3 && 4 * self.at_once >= 3 * self.watched
    }
}

/// A wetting as it is weighed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Weighed {
    pub(crate) wetting: Wetting,
    /// The first moment at which its water can have come.
    pub(crate) earliest: Timestamp,
    /// Outside the allowed hours for every moment at which it can have begun.
    pub(crate) outside_hours: bool,
    pub(crate) rising: Rising,
    /// Largest catch of the gauges in the day before, mm.
    pub(crate) rain_mm: f64,
    /// What the meter that the bed's water passes counted.
    pub(crate) meter: Meter,
    /// Whether people are in the garden then.
    pub(crate) people_about: bool,
}

impl Weighed {
    /// Two beds at one moment, where nobody is in the garden and no water may run.
    pub(crate) fn two_unattended(&self) -> bool {
        !self.people_about && self.outside_hours && self.rising.at_once >= 2
    }

    /// Whether the beds moved as they do under rain, and no gauge and no meter
    /// says what it was.
    pub(crate) fn like_rain(&self) -> bool {
        self.rain_mm < RAIN_EXPLAINS_MM
            && !matches!(self.meter, Meter::Ran { .. })
            && (self.rising.several() || self.two_unattended())
    }
}

impl SiteState {
    /// Largest catch of the gauges after `from` and up to `to`, mm.
    pub(crate) fn rain_mm(&self, from: Timestamp, to: Timestamp) -> f64 {
        self.gauges
            .iter()
            .filter_map(|&g| match &self.sensors[usize::from(g)].history {
                SensorHistory::Rain(gauge) => Some(gauge.sum_mm(from, to)),
                _ => None,
            })
            .fold(0.0, f64::max)
    }

    /// Which beds rose about when this one did, or stirred by too little to be
    /// called a wetting.
    pub(crate) fn beds_rising(&self, this: u16, wetting: &Wetting) -> Rising {
        let onset = wetting.onset;
        let near = |at: &Timestamp| (at.as_second() - onset.as_second()).abs() <= TOGETHER_S;
        let mut rising = Rising { beds: 0, at_once: 0, watched: 0 };
        // When each bed's water can have come, seconds.
        let mut arrivals: Vec<(i64, i64)> = Vec::new();
        for (index, bed) in (0u16..).zip(&self.beds) {
            let watch_of = |probe: u16| match &self.sensors[usize::from(probe)].history {
                SensorHistory::Soil(watch) => Some(watch),
                _ => None,
            };
            // Deeper probes go on rising for hours after water that came long before.
            let top = bed.probes.iter().copied().find(|&probe| self.fresh(probe, wetting.seen).is_some());
            let began = if index == this {
                Some(onset)
            } else {
                bed.wetting.map(|w| w.onset).filter(near).or_else(|| {
                    bed.probes.iter().filter_map(|&p| watch_of(p)?.rising_since().filter(near)).min()
                })
            };
            let stirred = || top.and_then(watch_of).and_then(|w| w.stirred(onset)).is_some_and(|it| it);
            rising.watched += usize::from(began.is_some() || top.is_some());
            match began {
                Some(began) => {
                    let depth_m = top.and_then(|p| self.garden.sensor(p).depth_m);
                    let began_s = began.as_second();
                    arrivals.push((began_s - probe_lag_s(depth_m.unwrap_or(0.15)), began_s));
                    rising.beds += 1;
                }
                None if stirred() => {
                    rising.beds += 1;
                    rising.at_once += 1;
                }
                None => {}
            }
        }
        let at = |moment: i64| arrivals.iter().filter(|(from, to)| (*from..=*to).contains(&moment)).count();
        rising.at_once += arrivals.iter().map(|(from, _)| at(*from)).max().unwrap_or(0);
        rising
    }

    /// Whether a gauge spoke without a break from before the wetting until it was
    /// believed; else why it cannot tell.
    pub(crate) fn gauge_heard(
        &self,
        index: u16,
        wetting: &Wetting,
        earliest: Timestamp,
    ) -> Result<(), Unclear> {
        let SensorHistory::Rain(gauge) = &self.sensors[usize::from(index)].history else {
            return Err(Unclear::NoGauge);
        };
        if !gauge.covers(add_seconds(wetting.onset, -DAY_S)) {
            return Err(Unclear::NoGauge);
        }
        let whole = gauge.unbroken_since(add_seconds(earliest, -GAUGE_MARGIN_S));
        let late_s = gauge.last_at().map_or(i64::MAX, |last| wetting.seen.as_second() - last.as_second());
        if whole && late_s <= self.patience_s(index) { Ok(()) } else { Err(Unclear::GaugeSilent) }
    }

    /// How many believed gauges were heard; else why there is none.
    fn gauges_believed(&self, weighed: &Weighed) -> Result<usize, Unclear> {
        let mut unclear = Unclear::NoGauge;
        let mut believed = 0;
        for (number, &index) in self.gauges.iter().enumerate() {
            match self.gauge_heard(index, &weighed.wetting, weighed.earliest) {
                Ok(()) if self.gauge_suspected(number) => unclear = Unclear::GaugeSuspect,
                Ok(()) => believed += 1,
                Err(Unclear::GaugeSilent) if unclear == Unclear::NoGauge => unclear = Unclear::GaugeSilent,
                Err(_) => {}
            }
        }
        if believed > 0 { Ok(believed) } else { Err(unclear) }
    }

    /// Whether the beds moved as under rain within the eight hours before.
    fn like_rain_lately(&self, onset: Timestamp) -> bool {
        self.like_rain_at
            .is_some_and(|at| (-TOGETHER_S..=SAME_WEATHER_S).contains(&(onset.as_second() - at.as_second())))
    }

    /// What wetted the bed.
    pub(crate) fn cause(&self, bed: u16, probe: u16, weighed: &Weighed) -> Cause {
        let seen = weighed.wetting.seen;
        if weighed.rain_mm >= RAIN_EXPLAINS_MM {
            return Cause::Rain { mm: weighed.rain_mm };
        }
        if self.coldest_soil_c(bed, seen).is_some_and(|c| c < THAW_C) {
            return Cause::Unknown(Unclear::SoilCold);
        }
        if self.fresh(probe, seen).is_some_and(|content| content > PEATY) {
            return Cause::Unknown(Unclear::SoilPeaty);
        }
        match weighed.meter {
            Meter::Ran { .. } => return Cause::Watering,
            Meter::Dry => return Cause::Unknown(Unclear::MeterDry),
            Meter::Silent { own: true } => return Cause::Unknown(Unclear::MeterSilent),
            // The site's meter would have told; without it the beds and the gauge do.
            Meter::Silent { own: false } | Meter::None => {}
        }
        match self.gauges_believed(weighed) {
            Err(unclear) => Cause::Unknown(unclear),
            Ok(1) if weighed.like_rain() => Cause::Unknown(Unclear::SeveralBeds),
            // A shower does not come alone.
            Ok(1) if self.like_rain_lately(weighed.wetting.onset) => Cause::Unknown(Unclear::SameWeather),
            Ok(_) if weighed.wetting.rise < CLEAR_RISE => Cause::Unknown(Unclear::Small),
            Ok(_) => Cause::Watering,
        }
    }

    /// The coldest fresh soil thermometer of the bed, else of the site, °C.
    fn coldest_soil_c(&self, bed: u16, at: Timestamp) -> Option<f64> {
        let coldest = |own: bool| {
            (0u16..)
                .zip(&self.garden.sensors)
                .filter(|(_, s)| s.measures == Quantity::SoilTemperature)
                .filter(|(_, s)| !own || s.place == Place::Bed(bed))
                .filter_map(|(i, _)| self.fresh(i, at))
                .reduce(f64::min)
        };
        coldest(true).or_else(|| coldest(false))
    }
}
