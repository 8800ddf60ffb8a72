//! One site's state: what its sensors last said and how its places stand.

use std::collections::VecDeque;
use std::sync::Arc;

use jiff::Timestamp;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::garden::alarm::note_limit::NoteLimit;
use crate::garden::alarm::place::{AlarmPlace, AlarmSubject};
use crate::garden::alarm::slots::AlarmSlots;
use crate::garden::bed::driest_days::DriestDays;
use crate::garden::bed::program_state::ProgramState;
use crate::garden::bed::wetness::Wetness;
use crate::garden::jobs::state::JobState;
use crate::garden::kept_why::KeptWhy;
use crate::garden::log::SiteLog;
use crate::garden::plan::{Bed, Garden};
use crate::garden::record::Batch;
use crate::garden::sensor::replacements::Replacements;
use crate::garden::sensor::state::{GatewayState, SensorHistory, SensorState};
use crate::garden::tank::swing::Swing;
use crate::garden::weather::days::WeatherDays;
use crate::garden::weather::night::NightOutlook;
use crate::garden::wetting::cause::{WettingCause, WettingEvidence};
use crate::garden::wetting::hours::WateringTime;
use crate::model::{Place, Quantity, add_seconds};
use crate::outlook::{DryingLimits, Outlook};
use crate::rain::GaugeReliability;
use crate::soil::{DrainedWatch, Soaking, mean_water_content};
use crate::watering::BedRise;
use crate::watering::SameTimeWatch;

/// A device's time may be this far ahead of its arrival; more is a wrong clock.
const AHEAD_S: i64 = 300;

/// Added to three of a sensor's intervals before its reading is too old to judge by,
/// whatever delay a garden gives its `sensor-silent` alarm.
const GRACE_S: i64 = 300;

/// The last wetting of a bed.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct LastWetting {
    pub(crate) onset: Timestamp,
    pub(crate) cause: WettingCause,
    /// When it came, by the allowed hours, had it been watering.
    pub(crate) time: WateringTime,
    /// What a water meter counted or people measured; a probe cannot tell.
    pub(crate) litres: Option<f64>,
}

/// A wetting's evidence and the probe that rose, in a third of their room: they are asked for
/// seldom.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct PackedEvidence(Box<[u8]>);

impl PackedEvidence {
    pub(crate) fn new(evidence: &WettingEvidence, probe: u16) -> Self {
        let bytes = postcard::to_stdvec(&(evidence, probe));
        Self(bytes.expect("memory takes as many bytes as there are").into())
    }

    /// `None` where they are none: what is read is looked at before it is used.
    pub(crate) fn open(&self) -> Option<(WettingEvidence, u16)> {
        postcard::from_bytes(&self.0).ok()
    }
}

/// One bed's state.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct BedState {
    /// Its soil-moisture sensors, from the top down.
    #[serde(skip)]
    pub(crate) probes: Box<[u16]>,
    pub(crate) wetting: Option<LastWetting>,
    /// Its evidence; `None`: the bed's own meter told of it.
    pub(crate) wetting_evidence: Option<PackedEvidence>,
    pub(crate) wetness: Wetness,
    pub(crate) soaking: Soaking,
    /// The equations behind the last wetting that its evidence does not give.
    pub(crate) wetting_why: KeptWhy,
    /// How it dries.
    pub(crate) outlook: Outlook,
    /// How dry it became on each day.
    pub(crate) driest: DriestDays,
    /// How much it holds when it has drained.
    pub(crate) drained: DrainedWatch,
    /// Rises of its top probe, oldest first.
    pub(crate) rises: VecDeque<BedRise>,
}

impl BedState {
    /// The evidence of the last wetting, and the probe that rose.
    pub(crate) fn evidence(&self) -> Option<(WettingEvidence, u16)> {
        self.wetting_evidence.as_ref().and_then(PackedEvidence::open)
    }
}

/// One tank's state.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct TankState {
    /// Its water-temperature sensors.
    #[serde(skip)]
    pub(crate) thermometers: Vec<u16>,
    /// Its dissolved-oxygen sensors.
    #[serde(skip)]
    pub(crate) oxygen_probes: Vec<u16>,
    /// Its pH sensors.
    #[serde(skip)]
    pub(crate) ph_probes: Vec<u16>,
    /// When a temperature shock last stood.
    pub(crate) shock_at: Option<Timestamp>,
    /// The change of the last shock that was farthest beyond its limit.
    pub(crate) shock: Option<Swing>,
}

/// One site's state.
#[derive(Debug)]
pub(crate) struct SiteState {
    pub(crate) garden: Arc<Garden>,
    pub(crate) sensors: Vec<SensorState>,
    /// When each of them was replaced or calibrated again.
    pub(crate) replacements: Vec<Replacements>,
    pub(crate) beds: Vec<BedState>,
    pub(crate) tanks: Vec<TankState>,
    /// Those of the timers, in the order of the plan.
    pub(crate) programs: Vec<ProgramState>,
    /// Those of the plan in its order.
    pub(crate) jobs: Vec<JobState>,
    pub(crate) gauges: Vec<u16>,
    /// Those of the plan in its order, and last what has none.
    pub(crate) gateways: Vec<GatewayState>,
    /// Evidence about each of them.
    pub(crate) gauge_reliability: Vec<GaugeReliability>,
    pub(crate) alarms: AlarmSlots,
    /// What people saw and did.
    pub(crate) log: SiteLog,
    pub(crate) weather: WeatherDays,
    /// How cold the coming night, or this one, may be.
    pub(crate) night: Option<NightOutlook>,
    /// When the beds last gave evidence about the gauge.
    pub(crate) evidence_at: Option<Timestamp>,
    /// When the beds last moved as under rain that no gauge caught.
    pub(crate) like_rain_at: Option<Timestamp>,
    /// Rises that no gauge's catch explained.
    pub(crate) same_time: SameTimeWatch,
    /// Latest time of a judged reading.
    pub(crate) judged_to: Option<Timestamp>,
    /// Latest time by the clock that `sensor-silent` runs on.
    pub(crate) now: Option<Timestamp>,
    /// Before this no sensor can have fallen silent.
    pub(crate) silence_due: Option<Timestamp>,
    /// When the alarms' timers were last looked at.
    pub(crate) timers_at: Option<Timestamp>,
    /// How many notes its alarms have had.
    pub(crate) note_limit: NoteLimit,
    /// Whether it goes on from a kept state, until its stored alarms have come.
    pub(crate) resumed: bool,
    /// The sun above the air of a day, by its number since 1970.
    pub(crate) sun: Option<(i64, f64)>,
}

/// The water of a bed as its probes see it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BedWater {
    pub(crate) water_content: f64,
    pub(crate) depletion_mm: f64,
    /// With the table's depletion fraction, the same every day, mm.
    pub(crate) readily_available_mm: f64,
    /// The depletion fraction of today: adjusted for what the crop used
    /// yesterday where that is known, else the table's.
    pub(crate) depletion_fraction: f64,
    /// With the depletion fraction of today, mm.
    pub(crate) readily_today_mm: f64,
    /// What the crop used yesterday, mm, where it is known.
    pub(crate) evapotranspiration_mm: Option<f64>,
    pub(crate) available_left: f64,
    pub(crate) probes_used: usize,
    /// Whether every probe of the bed had a fresh good value.
    pub(crate) whole: bool,
}

impl SiteState {
    pub(crate) fn new(garden: Arc<Garden>) -> Self {
        let sensors = garden.sensors.iter().map(|sensor| SensorState::new(sensor.measures)).collect();
        let replacements = garden.sensors.iter().map(|sensor| Replacements::of(sensor, [])).collect();
        let of = |quantity, place| -> Vec<u16> {
            let mut found: Vec<u16> = (0u16..)
                .zip(&garden.sensors)
                .filter(|(_, s)| s.measures == quantity && place == s.place)
                .map(|(i, _)| i)
                .collect();
            found.sort_by(|a, b| {
                let depth = |i: &u16| garden.sensor(*i).depth_m.unwrap_or(0.0);
                depth(a).total_cmp(&depth(b))
            });
            found
        };
        let beds = (0u16..)
            .zip(&garden.beds)
            .map(|(i, bed)| BedState {
                probes: of(Quantity::SoilMoisture, Place::Bed(i)).into(),
                outlook: new_outlook(bed),
                ..BedState::default()
            })
            .collect();
        let tanks = (0u16..)
            .zip(&garden.tanks)
            .map(|(i, _)| TankState {
                thermometers: of(Quantity::WaterTemperature, Place::Tank(i)),
                oxygen_probes: of(Quantity::DissolvedOxygen, Place::Tank(i)),
                ph_probes: of(Quantity::Ph, Place::Tank(i)),
                shock_at: None,
                shock: None,
            })
            .collect();
        let gauges: Vec<u16> = (0u16..)
            .zip(&garden.sensors)
            .filter(|(_, s)| s.measures == Quantity::Rain)
            .map(|(i, _)| i)
            .collect();
        Self {
            sensors,
            replacements,
            beds,
            tanks,
            programs: vec![ProgramState::default(); garden.programs.len()],
            jobs: vec![JobState::default(); garden.jobs.len()],
            gauge_reliability: vec![GaugeReliability::default(); gauges.len()],
            gauges,
            gateways: GatewayState::of_plan(&garden),
            alarms: AlarmSlots::default(),
            log: SiteLog::default(),
            weather: WeatherDays::new(&garden),
            night: None,
            evidence_at: None,
            like_rain_at: None,
            same_time: SameTimeWatch::default(),
            judged_to: None,
            now: None,
            silence_due: None,
            timers_at: None,
            note_limit: NoteLimit::default(),
            resumed: false,
            sun: None,
            garden,
        }
    }

    /// How long a sensor may say nothing before its last word is too old to
    /// judge by: three of its intervals and five minutes.
    pub(crate) fn patience_s(&self, sensor: u16) -> i64 {
        patience_s(self.garden.sensor(sensor).every_s)
    }

    /// A sensor's last good value if it is fresh enough to judge by at `at`.
    pub(crate) fn fresh(&self, sensor: u16, at: Timestamp) -> Option<f64> {
        let (good_at, value) = self.sensors[usize::from(sensor)].good()?;
        (at.as_second() - good_at.as_second() <= self.patience_s(sensor)).then_some(value)
    }

    /// What is kept of a sensor's readings.
    pub(crate) fn history(&self, sensor: u16) -> &SensorHistory {
        &self.sensors[usize::from(sensor)].history
    }

    /// The bed's water at `at`; `None` where no probe has a fresh good value.
    pub(crate) fn bed_water(&self, bed: u16, at: Timestamp) -> Option<BedWater> {
        let zone = self.root_zone_at(bed, at);
        let probes = self.bed_probes(bed, at);
        let water_content = mean_water_content(&probes, zone.root_depth_m)?;
        let (depletion_fraction, evapotranspiration_mm) = self.fraction_today(bed, at);
        Some(BedWater {
            water_content,
            depletion_mm: zone.depletion_mm(water_content),
            readily_available_mm: zone.readily_available_mm(),
            depletion_fraction,
            readily_today_mm: depletion_fraction * zone.total_available_mm(),
            evapotranspiration_mm,
            available_left: zone.available_left(water_content),
            probes_used: probes.len(),
            whole: probes.len() == self.beds[usize::from(bed)].probes.len(),
        })
    }

    /// A bed's fresh good water contents with their depths (m), from the top down.
    pub(crate) fn bed_probes(&self, bed: u16, at: Timestamp) -> Vec<(f64, f64)> {
        self.beds[usize::from(bed)]
            .probes
            .iter()
            .filter_map(|&probe| {
                let depth_m = self.garden.sensor(probe).depth_m?;
                Some((depth_m, self.fresh(probe, at)?))
            })
            .collect()
    }

    /// The computer's clock was ahead and has been set right: what was noted under
    /// times that have not come yet is forgotten, since every reading would be late
    /// beside it for as long. Returns whether there was any.
    pub(crate) fn set_back(&mut self, now: Timestamp) -> bool {
        let limit = add_seconds(now, AHEAD_S);
        if self.latest().is_none_or(|latest| latest <= limit) {
            return false;
        }
        self.judged_to = self.judged_to.map(|at| at.min(now));
        self.now = self.now.map(|at| at.min(now));
        self.evidence_at = self.evidence_at.filter(|at| *at <= limit);
        self.like_rain_at = self.like_rain_at.filter(|at| *at <= limit);
        self.same_time.forget_after(limit);
        for reliability in &mut self.gauge_reliability {
            reliability.forget_after(limit);
        }
        self.silence_due = None;
        for (plan, state) in self.garden.sensors.iter().zip(&mut self.sensors) {
            if state.last().is_some_and(|last| last.at > limit) {
                let (heard, battery) = (state.heard, state.battery);
                *state = SensorState { battery, heard, ..SensorState::new(plan.measures) };
            }
            state.heard = state.heard.map(|at| at.min(now.into()));
        }
        for gateway in &mut self.gateways {
            gateway.back_at = gateway.back_at.map(|at| at.min(now));
        }
        self.weather.set_back(limit);
        self.night = self.night.filter(|night| night.until <= limit);
        for program in &mut self.programs {
            program.forget_after(limit);
        }
        for tank in &mut self.tanks {
            tank.shock_at = tank.shock_at.filter(|at| *at <= limit);
            tank.shock = tank.shock.filter(|shock| shock.change.to_at <= limit);
        }
        for bed in &mut self.beds {
            bed.wetness.forget_after(limit);
            bed.soaking.forget_after(limit);
            bed.outlook.forget_after(limit);
            bed.drained.forget_after(limit);
            bed.driest.forget_after(self.garden.site.time_zone.to_datetime(limit).date());
            bed.wetting = bed.wetting.filter(|wetting| wetting.onset <= limit);
            bed.wetting_evidence.take_if(|_| bed.wetting.is_none());
            bed.rises.retain(|rise| rise.onset() <= limit);
        }
        true
    }

    /// Takes what a rule made of an alarm's condition at `at`. `words` is told whether
    /// the alarm is active after it; it is asked only where something is to be said.
    pub(crate) fn judge(
        &mut self,
        subject: AlarmSubject,
        at: Timestamp,
        input: Input,
        batch: &mut Batch,
        words: impl FnOnce(&Self, bool) -> AlarmText,
    ) {
        self.judge_graded(0, subject, at, input, batch, words);
    }

    /// The same of a condition that is `severity` steps beyond its limit: one that grows
    /// worse while it stands is told again.
    pub(crate) fn judge_graded(
        &mut self,
        severity: u16,
        subject: AlarmSubject,
        at: Timestamp,
        input: Input,
        batch: &mut Batch,
        words: impl FnOnce(&Self, bool) -> AlarmText,
    ) {
        let delays = self.garden.rules[subject.kind].delays;
        self.judge_slot((delays, severity), subject, at, input, batch, words);
    }

    /// The same with other delays than the garden's.
    pub(crate) fn judge_within(
        &mut self,
        delays: Delays,
        subject: AlarmSubject,
        at: Timestamp,
        input: Input,
        batch: &mut Batch,
        words: impl FnOnce(&Self, bool) -> AlarmText,
    ) {
        self.judge_slot((delays, 0), subject, at, input, batch, words);
    }

    /// The same with both.
    pub(crate) fn judge_slot(
        &mut self,
        (delays, severity): (Delays, u16),
        subject: AlarmSubject,
        at: Timestamp,
        input: Input,
        batch: &mut Batch,
        words: impl FnOnce(&Self, bool) -> AlarmText,
    ) {
        // Only what is beyond the limit can be farther beyond it.
        let severity = if input == Input::Breach { severity } else { 0 };
        let Some(telling) = self.alarms.advance(&self.garden, subject, (at, input), delays, severity) else {
            return;
        };
        let repeated = self.alarms.get(subject).and_then(|slot| slot.repeated(&telling));
        let text = repeated.unwrap_or_else(|| words(self, telling.active));
        if let Some(slot) = self.alarms.get_mut(subject) {
            slot.tell(&self.garden, &telling, text, batch);
        }
    }

    /// Whether an alarm holds and people are to see it.
    pub(crate) fn is_active(&self, place: AlarmPlace, kind: Kind) -> bool {
        self.alarms.life(place.alarm(kind)).state().is_active()
    }

    /// The latest time that the site knows of.
    pub(crate) fn latest(&self) -> Option<Timestamp> {
        self.judged_to.max(self.now)
    }
}

/// The outlook of a bed of which nothing is known yet.
pub(crate) fn new_outlook(bed: &Bed) -> Outlook {
    // Soil dries by itself to half its wilting point (FAO-56 chapter 7).
    Outlook::new(DryingLimits { floor: 0.5 * bed.wilting_point, ..DryingLimits::default() })
}

/// How long a sensor of this interval may say nothing before its last word is too old:
/// three of its intervals and five minutes.
pub(crate) fn patience_s(every_s: u32) -> i64 {
    3 * i64::from(every_s) + GRACE_S
}
