//! What speaks for the cause of a wetting, as the live garden knows it.

use jiff::Timestamp;

use crate::garden::gauge::reliability::WELL_MM;
use crate::garden::log::LogEvent;
use crate::garden::sensor::state::SensorHistory;
use crate::garden::site::SiteState;
use crate::garden::wetting::cause::{
    CauseUnknown, LoggedWatering, MeterEvidence, TOGETHER_S, WettingAnswer, WettingEvidence,
};
use crate::garden::wetting::hours::WateringTime;
use crate::garden::wetting::program::ProgramRun;
use crate::garden::wetting::rules::{SAME_WETTING_S, people_about};
use crate::garden::wetting::surroundings::{AirMoisture, Coldest};
use crate::garden::wetting::together::{BedMotion, BedsTogether, RiseBegan};
use crate::model::{Place, add_seconds};
use crate::rain::Total;
use crate::watering::{Wetting, minute_of_day, probe_lag_s};

/// Water takes up to this long from a gauge to a probe beyond the probe's lag.
pub(crate) const GAUGE_MARGIN_S: i64 = 3600;
/// Water may have run this long before the probe's own lag, seconds.
pub(crate) const SLOW_S: i64 = 3600;
const DAY_S: i64 = 86_400;
/// A gauge that has caught rain within this time works, seconds. Ours.
const WORKS_S: i64 = 30 * DAY_S;
/// Depth of a probe whose depth is not known, metres.
const USUAL_DEPTH_M: f64 = 0.15;

impl SiteState {
    /// What speaks for the cause of a rise of a bed's probe.
    pub(crate) fn wetting_evidence(&self, bed: u16, probe: u16, wetting: Wetting) -> WettingEvidence {
        let site = &self.garden.site;
        let depth_m = self.garden.sensor(probe).depth_m.unwrap_or(0.0);
        let earliest = add_seconds(wetting.onset, -probe_lag_s(depth_m));
        let meter = self.meter(bed, earliest, &wetting);
        let nothing_ran = matches!(meter, MeterEvidence::Dry { .. });
        let program = ProgramRun::of(&self.garden, bed, self.garden.sensor(probe), wetting.onset)
            .filter(|_| !nothing_ran);
        let logged = self.logged_watering(bed, earliest, wetting.seen);
        let day_before = add_seconds(wetting.onset, -DAY_S);
        // What an earlier wetting took is not there for this one.
        let earlier = self.beds[usize::from(bed)].evidence();
        let earlier = earlier.filter(|(known, _)| {
            wetting.onset.as_second() - known.wetting.onset.as_second() > SAME_WETTING_S
        });
        let left_from = earlier.map_or(day_before, |(known, _)| known.wetting.seen.max(day_before));
        WettingEvidence {
            wetting,
            earliest,
            time: WateringTime::of_rise(
                &self.garden,
                bed,
                logged.is_some(),
                program,
                (earliest, wetting.onset),
            ),
            together: self.beds_together(bed, &wetting, nothing_ran && !self.has_meter(bed)),
            rain_mm: self.rain_mm(day_before, wetting.seen),
            rain_left_mm: self.rain_mm(left_from, wetting.seen),
            depth_m,
            meter,
            logged,
            answer: self.wetting_answer(earliest, wetting.seen),
            program,
            people_about: people_about(site, site.time_zone.to_datetime(wetting.onset)),
            coldest: self.coldest(bed, day_before, wetting.seen),
            air: AirMoisture::of(&self.garden, wetting.onset, |sensor| self.history(sensor).extremes()),
            water_content: self.fresh(probe, wetting.seen),
            gauges: self.gauges_believed(&wetting, earliest),
            gauge_works: self.gauge_works(&wetting),
            same_time: self
                .same_time
                .is_timer(wetting.onset, minute_of_day(site.time_zone.to_datetime(wetting.onset))),
            like_rain_at: self.like_rain_at,
        }
    }

    /// The least temperature between two moments.
    pub(crate) fn coldest(&self, bed: u16, from: Timestamp, to: Timestamp) -> Option<Coldest> {
        Coldest::of(&self.garden, bed, |sensor| self.history(sensor).extremes()?.least(from, to))
    }

    /// Whether the bed's soil may be frozen, so that its probes read too dry.
    pub(crate) fn may_be_frozen(&self, bed: u16, at: Timestamp) -> bool {
        let from = add_seconds(at, -DAY_S);
        Coldest::of_soil(&self.garden, bed, |sensor| self.history(sensor).extremes()?.least(from, at))
            .is_some_and(Coldest::may_be_frozen)
    }

    /// Hand watering of the bed that was written down about then.
    pub(crate) fn logged_watering(
        &self,
        bed: u16,
        earliest: Timestamp,
        seen: Timestamp,
    ) -> Option<LoggedWatering> {
        let entries = self.log.of(&self.garden.bed(bed).id).iter();
        let waterings = entries.filter_map(|(at, what)| match what {
            LogEvent::Watered { litres } => Some((*at, *litres)),
            _ => None,
        });
        LoggedWatering::near(waterings, earliest, seen)
    }

    /// What somebody wrote down about then, of any bed: rain and timers wet several.
    pub(crate) fn wetting_answer(&self, earliest: Timestamp, seen: Timestamp) -> Option<WettingAnswer> {
        WettingAnswer::near(self.log.of_all().map(|(_, (at, what))| (*at, what)), earliest, seen)
    }

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
    /// called a wetting. `site_dry`: the site's meter says that no program ran.
    fn beds_together(&self, this: u16, wetting: &Wetting, site_dry: bool) -> BedsTogether {
        let onset = wetting.onset;
        let near = |at: &Timestamp| (at.as_second() - onset.as_second()).abs() <= TOGETHER_S;
        let watch_of = |probe: u16| match &self.sensors[usize::from(probe)].history {
            SensorHistory::Soil(watch) => Some(watch),
            _ => None,
        };
        BedsTogether::of((0u16..).zip(&self.beds).map(|(index, bed)| {
            // Deeper probes go on rising for hours after water that came long before.
            let top = bed.probes.iter().copied().find(|&probe| self.fresh(probe, wetting.seen).is_some());
            let began = if index == this {
                Some(onset)
            } else {
                bed.wetting.map(|w| w.onset).filter(near).or_else(|| {
                    bed.probes.iter().filter_map(|&p| watch_of(p)?.rising_since().filter(near)).min()
                })
            };
            let probe = top.map(|top| self.garden.sensor(top));
            let by_program = !site_dry
                && probe.is_some_and(|probe| {
                    ProgramRun::of(&self.garden, index, probe, began.unwrap_or(onset)).is_some()
                });
            let depth_m = probe.and_then(|probe| probe.depth_m);
            let lag_s = probe_lag_s(depth_m.unwrap_or(USUAL_DEPTH_M));
            BedMotion {
                fresh: top.is_some(),
                began: began.map(|onset| RiseBegan {
                    onset,
                    lag_s,
                    every_s: probe.map_or(0, |probe| probe.every_s),
                }),
                stirred: began.is_none()
                    && top.and_then(watch_of).and_then(|watch| watch.stirred(onset)) == Some(true),
                by_program,
            }
        }))
    }

    /// What the bed's meters, else the site's, counted when a wetting's water can
    /// have come.
    fn meter(&self, bed: u16, earliest: Timestamp, wetting: &Wetting) -> MeterEvidence {
        let from = add_seconds(earliest, -SLOW_S);
        match self.meter_between(Place::Bed(bed), from, wetting.seen) {
            MeterEvidence::None => self.meter_between(Place::Site, from, wetting.seen),
            own => own,
        }
    }

    /// What the meters of a place counted from `from` to `to`.
    pub(crate) fn meter_between(&self, place: Place, from: Timestamp, to: Timestamp) -> MeterEvidence {
        let (mut litres, mut whole, mut any) = (0.0, true, false);
        for (index, sensor) in (0u16..).zip(&self.garden.sensors) {
            let SensorHistory::Flow(flow) = &self.sensors[usize::from(index)].history else { continue };
            if sensor.place != place {
                continue;
            }
            any = true;
            litres += flow.litres(from, to);
            let late_s = flow.last_at().map_or(i64::MAX, |last| to.as_second() - last.as_second());
            whole &= flow.whole_since(from) && late_s <= self.patience_s(index);
        }
        let bed_m2 = match place {
            Place::Bed(bed) => Some(self.garden.bed(bed).area_m2),
            Place::Tank(_) | Place::Site => None,
        };
        if any { MeterEvidence::of(litres, whole, bed_m2) } else { MeterEvidence::None }
    }

    /// Whether a gauge spoke without a break from before the wetting until it was
    /// believed; else why it cannot tell.
    pub(crate) fn gauge_heard(
        &self,
        index: u16,
        wetting: &Wetting,
        earliest: Timestamp,
    ) -> Result<(), CauseUnknown> {
        let SensorHistory::Rain(gauge) = &self.sensors[usize::from(index)].history else {
            return Err(CauseUnknown::NoGauge);
        };
        if !gauge.covers(add_seconds(wetting.onset, -DAY_S)) {
            return Err(CauseUnknown::NoGauge);
        }
        let whole = gauge.unbroken_since(add_seconds(earliest, -GAUGE_MARGIN_S));
        let late_s = gauge.last_at().map_or(i64::MAX, |last| wetting.seen.as_second() - last.as_second());
        if whole && late_s <= self.patience_s(index) { Ok(()) } else { Err(CauseUnknown::GaugeSilent) }
    }

    /// Whether a gauge has caught rain within the month: as much as beds feel.
    fn gauge_works(&self, wetting: &Wetting) -> bool {
        let zone = &self.garden.site.time_zone;
        let since = zone.to_datetime(add_seconds(wetting.onset, -WORKS_S)).date();
        self.gauges.iter().filter_map(|&g| self.history(g).rain()).any(|gauge| {
            gauge.days().newest_first().take_while(|day| day.date >= since).any(|day| match day.total {
                Total::Whole(mm) | Total::Accumulated { mm, .. } | Total::AtLeast { mm, .. } => mm >= WELL_MM,
                Total::InLater => false,
            })
        })
    }

    /// How many believed gauges were heard that have not lately missed rain, at least
    /// one where any is believed; else why there is none.
    pub(crate) fn gauges_believed(
        &self,
        wetting: &Wetting,
        earliest: Timestamp,
    ) -> Result<usize, CauseUnknown> {
        let mut unknown = CauseUnknown::NoGauge;
        let (mut believed, mut spotless) = (0_usize, 0_usize);
        for (number, &index) in self.gauges.iter().enumerate() {
            match self.gauge_heard(index, wetting, earliest) {
                Ok(()) if self.gauge_suspected(number) => unknown = CauseUnknown::GaugeSuspect,
                Ok(()) => {
                    believed += 1;
                    spotless += usize::from(self.gauge_reliability[number].verdict().missed == 0);
                }
                Err(CauseUnknown::GaugeSilent) if unknown == CauseUnknown::NoGauge => {
                    unknown = CauseUnknown::GaugeSilent;
                }
                Err(_) => {}
            }
        }
        if believed > 0 { Ok(spotless.max(1)) } else { Err(unknown) }
    }
}
