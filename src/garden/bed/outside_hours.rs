//! Water that runs while none may: two witnesses that are believed far sooner than where
//! watering is allowed, since nobody is meant to be watering.
//!
//! A water meter: messages with water that follow each other, each wholly outside the
//! hours, explained by no program of the timer and by nothing in the log. A bed's own
//! meter is believed after half an hour. The garden's meter is believed after an hour and
//! a litre a minute: hands are washed and tanks filled through it.
//!
//! The soil: it stands above what only running water keeps up, it did not fall within the
//! last hour, and its rise began outside the hours with no rain, program or entry of the
//! log to explain it; no other bed grew wetter in the hours about it, nor can water of the
//! hours that followed have reached the probe. Where soil is coarse an hour of that is
//! enough, or as long as water that has stopped may still be on its way to the probe (75
//! minutes at 15 cm). Finer soil drains too slowly for that to show, and keeps the usual six.
//!
//! All figures are this project's own; simulated months tried them.

use jiff::Timestamp;

use crate::garden::log::LogEvent;
use crate::garden::site::SiteState;
use crate::garden::wetting::cause::{LEAST_MM, LOGGED_NEAR_S, SAME_WEATHER_S, WateringBasis, WettingCause};
use crate::garden::wetting::flow::BED_METER_S;
use crate::garden::wetting::hours::WateringTime;
use crate::garden::wetting::program::TIMER_OFF_S;
use crate::model::{Place, add_seconds};
use crate::watering::{FlowRun, WateringMethods, probe_lag_s};

const HOUR_S: i64 = 3600;
/// The same of the garden's meter, and its least flow meanwhile, L a minute.
const SITE_METER_S: i64 = HOUR_S;
const SITE_METER_L_MIN: f64 = 1.0;
/// How long soil must have stood above its limit, seconds, and no less than water that has
/// stopped may still be on its way to the probe.
const SOIL_S: i64 = HOUR_S;
/// Soil that holds more than this when drained is too fine to show in an hour that it
/// drains, m³/m³: between loam (0.28) and silt loam (0.31) of Saxton and Rawls 2006.
const COARSE_MOST: f64 = 0.30;
/// A rise this long ago is not what keeps soil wet now, seconds.
const SAME_WATER_S: i64 = 24 * HOUR_S;

/// Water of a meter's run that nothing allows or explains.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct OutsideFlow {
    pub(super) litres: f64,
    pub(super) seconds: i64,
}

impl OutsideFlow {
    /// Whether it is enough to be told at once.
    fn is_left_on(self, place: Place, area_m2: f64) -> bool {
        match place {
            Place::Bed(_) => self.seconds >= i64::from(BED_METER_S) && self.litres >= LEAST_MM * area_m2,
            Place::Site => {
                self.seconds >= SITE_METER_S && self.litres >= SITE_METER_L_MIN * self.seconds as f64 / 60.0
            }
            Place::Tank(_) => false,
        }
    }
}

/// The on-delay of soil at a probe, seconds, where [`SiteState::soil_left_on_outside`] holds.
pub(super) fn soil_outside_s(depth_m: f64) -> u32 {
    u32::try_from(SOIL_S.max(probe_lag_s(depth_m))).unwrap_or(u32::MAX)
}

impl SiteState {
    /// What of a meter's present run went outside the hours of every bed that it feeds
    /// and is explained by nothing, where it is enough to be told.
    pub(crate) fn flow_left_on_outside(&self, meter: u16, at: Timestamp) -> Option<OutsideFlow> {
        let place = self.garden.sensor(meter).place;
        let beds: Vec<u16> = match place {
            Place::Bed(bed) => vec![bed],
            Place::Site => (0u16..).zip(&self.garden.beds).map(|(bed, _)| bed).collect(),
            Place::Tank(_) => return None,
        };
        let flow = self.history(meter).flow()?;
        let run = flow.running()?;
        if beds.is_empty() || self.water_is_logged(place, run.from, at) {
            return None;
        }
        let mut outside = OutsideFlow::default();
        // The first message's water may have begun at its very end.
        for message in flow.messages().filter(|it| it.from >= run.from).skip(1) {
            if beds.iter().all(|bed| self.is_outside(*bed, message)) && !self.programmed(&beds, message) {
                outside.litres += message.litres;
                outside.seconds += message.to.as_second() - message.from.as_second();
            }
        }
        let area_m2: f64 = beds.iter().map(|bed| self.garden.bed(*bed).area_m2).sum();
        outside.is_left_on(place, area_m2).then_some(outside)
    }

    pub(crate) fn is_outside(&self, bed: u16, message: &FlowRun) -> bool {
        let methods = self.garden.bed(bed).method.map_or(WateringMethods::ANY, WateringMethods::one);
        WateringTime::between(&self.garden, bed, methods, message.from, message.to) == WateringTime::Outside
    }

    /// Whether a program of these beds can have run during a message.
    fn programmed(&self, beds: &[u16], message: &FlowRun) -> bool {
        let zone = &self.garden.site.time_zone;
        let (from, to) = (add_seconds(message.from, -TIMER_OFF_S), add_seconds(message.to, TIMER_OFF_S));
        self.garden.programs.iter().any(|program| {
            program.beds.iter().any(|bed| beds.contains(bed))
                && program.timetable.run_between(zone, from, to).is_some()
        })
    }

    /// Whether somebody wrote down what takes the water of a run.
    fn water_is_logged(&self, place: Place, from: Timestamp, at: Timestamp) -> bool {
        let own = match place {
            Place::Bed(bed) => Some(&self.garden.bed(bed).id),
            Place::Tank(_) | Place::Site => None,
        };
        let about_then = |logged: &Timestamp| *logged >= add_seconds(from, -LOGGED_NEAR_S) && *logged <= at;
        self.log.of_all().filter(|(_, (logged, _))| about_then(logged)).any(|(of, (_, what))| match what {
            LogEvent::TimerRan => true,
            LogEvent::Watered { .. } => own.is_none() || of == own,
            LogEvent::WaterChange { .. } | LogEvent::TankCleaning { .. } => own.is_none(),
            _ => false,
        })
    }

    /// Whether another bed grew wetter in the hours about a rise: one shower wets one bed
    /// after the other, and a gauge that has just died catches none of it.
    fn others_wetted_lately(&self, index: u16, onset: Timestamp) -> bool {
        (0u16..).zip(&self.beds).filter(|(bed, _)| *bed != index).any(|(_, bed)| {
            bed.wetting.is_some_and(|it| {
                let known =
                    matches!(it.cause, WettingCause::Watering { basis } if basis != WateringBasis::Inferred);
                !known && (it.onset.as_second() - onset.as_second()).abs() <= SAME_WEATHER_S
            })
        })
    }

    /// Whether the water that keeps a bed's probe above its limit began to run outside
    /// the hours and has not stopped: then an hour of it is enough.
    pub(super) fn soil_left_on_outside(&self, index: u16, probe: u16, at: Timestamp, value: f64) -> bool {
        let bed = self.garden.bed(index);
        let state = &self.beds[usize::from(index)];
        if bed.field_capacity > COARSE_MOST || !state.wetness.ebb.stands(at, value, bed.field_capacity) {
            return false;
        }
        let rising = self.history(probe).soil().and_then(|watch| watch.rising(at));
        let evidence = match rising {
            Some(wetting) => Some(self.wetting_evidence(index, probe, wetting)),
            None => state.evidence().map(|(evidence, _)| evidence),
        };
        evidence.is_some_and(|it| {
            let since_s = at.as_second() - it.wetting.onset.as_second();
            let unexplained = matches!(
                it.cause(),
                WettingCause::Watering { basis: WateringBasis::Inferred | WateringBasis::Meter }
            );
            // Whatever ran since then, too, where it can be at the probe by now.
            let arrived = add_seconds(at, -probe_lag_s(it.depth_m)).max(it.wetting.onset);
            let methods = WateringMethods::ANY;
            let since = WateringTime::between(&self.garden, index, methods, it.wetting.onset, arrived);
            since_s <= SAME_WATER_S
                && unexplained
                && it.together.beds == 1
                && !self.others_wetted_lately(index, it.wetting.onset)
                && it.time == WateringTime::Outside
                && since == WateringTime::Outside
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0.5 mm on 7 m² is 3.5 L; the garden's meter asks for 60 L within an hour.
    #[test]
    fn little_or_short_water_is_not_left_on() {
        let told = |place, litres, minutes: i64| {
            OutsideFlow { litres, seconds: minutes * 60 }.is_left_on(place, 7.0)
        };
        assert!(told(Place::Bed(0), 3.5, 30));
        assert!(!told(Place::Bed(0), 3.4, 30) && !told(Place::Bed(0), 90.0, 29));
        assert!(told(Place::Site, 60.0, 60));
        assert!(!told(Place::Site, 59.0, 60) && !told(Place::Site, 90.0, 59));
        assert!(!told(Place::Tank(0), 900.0, 600));
    }
}
