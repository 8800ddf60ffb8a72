//! Too much water: a tap that was left on, and a bed that does not drain.
//!
//! A tap is told of by two witnesses. The soil: it stays far above field
//! capacity and does not dry, though a believed gauge caught no rain for a day.
//! A water meter: the run goes on after more than the bed can hold, or for half a
//! day. The meter needs no gauge. Outside the allowed hours both are believed far
//! sooner (`outside_hours.rs`). Without a believed gauge the soil's word is
//! unknown.

mod metered_run;

use std::sync::Arc;

use jiff::Timestamp;

use metered_run::MeteredRun;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::bed::outside_hours::soil_outside_s;
use crate::garden::bed::wetness::Witness;
use crate::garden::plan::Bed;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::wetting::rules::FIND_OUT;
use crate::model::{Condition, Place, Quantity, add_seconds};
use crate::text::spoken;
use crate::watering::{Course, DrainageWatch, Pores, estimated_saturation, estimated_saturation_step};
use crate::why::Why;

const SOURCE_LEFT_ON: &str = "this project's own rule; field capacity by FAO-56, two days of drainage by FAO Soils \
                              Bulletin 79";
const SOURCE_LOGGED: &str = "this project's own limit; two days of drainage by FAO Soils Bulletin 79 (2003)";

const HOUR_S: i64 = 3600;
const DAY_S: i64 = 24 * HOUR_S;
/// Rain of a day that explains soil which stays wet, mm.
const RAIN_EXPLAINS_MM: f64 = 1.0;
/// Rain of two days that may have filled a bed which does not drain, mm. Ours.
const RAIN_FILLS_MM: f64 = 5.0;
/// Rain of six hours that gives waterlogged soil its two days again, mm.
const RAIN_ANEW_MM: f64 = 5.0;
/// Below this soil may thaw, °C.
const THAW_C: f64 = 2.0;

/// What is done where water runs: people first, then the tap.
fn stop_it() -> String {
    format!(
        "Stay out of water near leads or plugs. Shut the tap, hose or timer that feeds it {}. If it does not stop, tell the \
         site manager at once: a valve or a pipe may be broken.",
        spoken::WHEN
    )
}

/// What a bed's soil holds.
pub(crate) fn pores(bed: &Bed) -> Pores {
    let field_capacity = bed.field_capacity;
    let saturation = bed.saturation.unwrap_or_else(|| estimated_saturation(field_capacity));
    Pores { field_capacity, saturation }
}

/// The steps to it, where it was estimated.
fn pores_why(bed: &Bed) -> Why {
    match bed.saturation {
        Some(_) => Why::new(),
        None => vec![estimated_saturation_step(bed.field_capacity)],
    }
}

impl SiteState {
    /// Rain after `from` and up to `at`, mm; `None` where no believed gauge was
    /// heard without a break.
    pub(crate) fn known_rain_mm(&self, from: Timestamp, at: Timestamp) -> Option<f64> {
        if self.rain_doubted() {
            return None;
        }
        let heard = |&gauge: &u16| {
            self.history(gauge).rain().is_some_and(|it| it.is_whole_since(from))
                && self.fresh(gauge, at).is_some()
        };
        self.gauges.iter().any(heard).then(|| self.rain_mm(from, at))
    }

    /// Whether the soil may be near freezing.
    pub(crate) fn may_thaw(&self, at: Timestamp) -> bool {
        (0u16..)
            .zip(&self.garden.sensors)
            .filter(|(_, s)| s.measures == Quantity::SoilTemperature)
            .filter_map(|(index, _)| self.fresh(index, at))
            .any(|c| c < THAW_C)
    }

    /// Judges both rules after a good reading of one of the bed's probes. `content`: what
    /// [`SiteState::judge_bed_water`] returned.
    pub(crate) fn judge_wetness(
        &mut self,
        index: u16,
        probe: u16,
        (at, value): (Timestamp, f64),
        content: Option<(f64, bool)>,
        batch: &mut Batch,
    ) {
        let top = self.beds[usize::from(index)]
            .probes
            .iter()
            .copied()
            .find(|&probe| self.fresh(probe, at).is_some());
        if top == Some(probe) {
            let wetness = &mut self.beds[usize::from(index)].wetness;
            if wetness.ebb_of != Some(probe) {
                wetness.ebb = DrainageWatch::default();
                wetness.ebb_of = Some(probe);
            }
            wetness.ebb.push(at, value);
            self.judge_soil_left_on(index, probe, at, value, batch);
        }
        self.judge_waterlogged(index, at, content, batch);
    }

    fn judge_soil_left_on(&mut self, index: u16, probe: u16, at: Timestamp, value: f64, batch: &mut Batch) {
        let delays = self.garden.rules[Kind::WaterLeftOn].delays;
        let bed = self.garden.bed(index);
        let pores = pores(bed);
        let limit = pores.left_on_limit();
        let course = self.beds[usize::from(index)].wetness.ebb.course(at, value, bed.field_capacity);
        let rain_mm = if value > limit { self.known_rain_mm(add_seconds(at, -DAY_S), at) } else { None };
        // Soil that rain has filled and that stays full does not drain: nobody's tap.
        let dry = Input::above(value, limit, delays.deadband) == Input::Clear;
        let filled_by_rain = if dry {
            self.beds[usize::from(index)].wetness.filled_by_rain = None;
            false
        } else {
            // Of a gauge that is younger than two days, what it knows.
            let two_days_mm = self.known_rain_mm(add_seconds(at, -2 * DAY_S), at).or(rain_mm);
            let rained = value > limit && two_days_mm.is_none_or(|mm| mm >= RAIN_FILLS_MM);
            let filled = &mut self.beds[usize::from(index)].wetness.filled_by_rain;
            *filled = Some(filled.unwrap_or(rained) || rained);
            *filled == Some(true)
        };
        let input = match (course, rain_mm) {
            _ if dry => Input::Clear,
            (Course::Falling, _) => Input::Clear,
            _ if value <= limit => Input::Deadband,
            (Course::Unknown, _) | (_, None) => Input::Unknown,
            _ if self.may_thaw(at) || value > pores.saturation + 0.10 => Input::Unknown,
            (Course::Held, Some(mm)) if filled_by_rain || mm >= RAIN_EXPLAINS_MM => Input::Deadband,
            (Course::Held, Some(_)) => Input::Breach,
        };
        let depth_m = self.garden.sensor(probe).depth_m.unwrap_or(0.0);
        let outside = input == Input::Breach && self.soil_left_on_outside(index, probe, at, value);
        let on_s = if outside { delays.on_s.min(soil_outside_s(depth_m)) } else { delays.on_s };
        let delays = Delays { on_s, ..delays };
        let subject = AlarmPlace::Bed(index).alarm(Kind::WaterLeftOn);
        let since = self.alarms.life(subject).since().unwrap_or(at);
        self.judge_left_on(index, at, (Witness::Soil, 1), input, delays, batch, |site, active| {
            let bed = site.garden.bed(index);
            let stop = stop_it();
            let mut why = pores_why(bed);
            let depth_m = site.garden.sensor(probe).depth_m.unwrap_or(0.0);
            why.push(pores.left_on_step());
            let text = if active {
                format!(
                    "Water seems to be running onto {}: its soil at {:.0} cm has held more than {} of water by volume \
                     for {}, and no rain has fallen for a day. {stop}",
                    bed.name,
                    depth_m * 100.0,
                    spoken::percent(limit),
                    spoken::duration(at.as_second() - since.as_second()),
                )
            } else {
                let zone = &site.garden.site.time_zone;
                format!(
                    "Water was left on at {}, from about {} or before; it has stopped, and the soil is draining. \
                     {FIND_OUT}",
                    bed.name,
                    spoken::moment(since, zone)
                )
            };
            let values = [
                ("water_content_m3_m3", value),
                ("limit_m3_m3", limit),
                ("rain_24h_mm", rain_mm.unwrap_or(0.0)),
            ];
            AlarmText::new(text, &values, SOURCE_LEFT_ON).because(why)
        });
    }

    /// Judges a good message of a water meter: does its run go on for too long?
    pub(crate) fn judge_flow_left_on(&mut self, meter: u16, at: Timestamp, batch: &mut Batch) {
        let garden = Arc::clone(&self.garden);
        let sensor = garden.sensor(meter);
        let Some(flow) = self.history(meter).flow() else { return };
        let beds: Vec<&Bed> = match sensor.place {
            Place::Bed(bed) => vec![garden.bed(bed)],
            Place::Site => garden.beds.iter().collect(),
            Place::Tank(_) => return,
        };
        // Where a bed's own witness has told of the water, the garden's meter counts the same.
        let told = sensor.place == Place::Site
            && (0u16..)
                .zip(&garden.beds)
                .any(|(bed, _)| self.is_active(AlarmPlace::Bed(bed), Kind::WaterLeftOn));
        let outside = self.flow_left_on_outside(meter, at).filter(|_| !told);
        let run = MeteredRun {
            garden: &garden,
            meter: sensor,
            beds,
            at,
            now: flow.running(),
            last: flow.last_run(),
            outside,
        };
        let (input, severity) = (run.input(), run.severity());
        let delays = Delays { on_s: 0, off_s: 0, ..garden.rules[Kind::WaterLeftOn].delays };
        match sensor.place {
            Place::Bed(bed) => {
                self.judge_left_on(bed, at, (Witness::Meter, severity), input, delays, batch, |_, active| {
                    run.words(active)
                });
            }
            Place::Tank(_) | Place::Site => {
                let subject = AlarmPlace::Sensor(meter).alarm(Kind::WaterLeftOn);
                self.judge_slot((delays, severity), subject, at, input, batch, |_, active| run.words(active));
            }
        }
    }

    /// One step of a bed's `water-left-on`: the witness that raised it clears it.
    #[expect(clippy::too_many_arguments, reason = "one judgement's parts")]
    fn judge_left_on(
        &mut self,
        index: u16,
        at: Timestamp,
        (witness, severity): (Witness, u16),
        input: Input,
        delays: Delays,
        batch: &mut Batch,
        words: impl FnOnce(&Self, bool) -> AlarmText,
    ) {
        let subject = AlarmPlace::Bed(index).alarm(Kind::WaterLeftOn);
        let life = self.alarms.life(subject);
        let wetness = &mut self.beds[usize::from(index)].wetness;
        if life.since().is_none() {
            wetness.witness = None;
        }
        // A meter is worth more than a probe that has not been told of yet.
        let may_take_over = !life.state().is_active() && witness == Witness::Meter && input == Input::Breach;
        if wetness.witness.is_some_and(|other| other != witness) && !may_take_over {
            return;
        }
        if input == Input::Breach {
            wetness.witness = Some(witness);
        }
        self.judge_slot((delays, severity), subject, at, input, batch, words);
    }

    fn judge_waterlogged(
        &mut self,
        index: u16,
        at: Timestamp,
        water: Option<(f64, bool)>,
        batch: &mut Batch,
    ) {
        let delays = self.garden.rules[Kind::Waterlogged].delays;
        let pores = pores(self.garden.bed(index));
        let limit = pores.waterlogged_limit();
        let wet = water.is_some_and(|(content, _)| content > limit);
        let rain_mm = if wet { self.known_rain_mm(add_seconds(at, -6 * HOUR_S), at) } else { None };
        let runs = self.is_active(AlarmPlace::Bed(index), Kind::WaterLeftOn);
        let input = match (water, rain_mm) {
            (None | Some((_, false)), _) => Input::Unknown,
            (Some((content, _)), _) if content <= limit => Input::above(content, limit, delays.deadband),
            // Whoever is told that water runs knows why the bed is wet.
            _ if runs => Input::Deadband,
            (_, None) => Input::Unknown,
            (Some((content, _)), _) if content > pores.saturation + 0.10 => Input::Unknown,
            (_, Some(mm)) if mm >= RAIN_ANEW_MM => Input::Deadband,
            (Some(_), Some(_)) => Input::Breach,
        };
        let subject = AlarmPlace::Bed(index).alarm(Kind::Waterlogged);
        let since = self.alarms.life(subject).since().unwrap_or(at);
        self.judge(subject, at, input, batch, |site, active| {
            let bed = site.garden.bed(index);
            let mut why = pores_why(bed);
            why.push(pores.waterlogged_step());
            let content = water.map_or(f64::NAN, |(content, _)| content);
            let text = if active {
                format!(
                    "{} is waterlogged: its root zone has held more than {} of water by volume since {}, for {}; drained, \
                     it holds {}. Do not water it, and shut off its timer {}. See that its drain or its low side is open. \
                     Keep off it: feet pack wet soil. If no rain fell, look for a leak.",
                    bed.name,
                    spoken::percent(limit),
                    spoken::moment(since, &site.garden.site.time_zone),
                    spoken::duration(at.as_second() - since.as_second()),
                    spoken::percent(bed.field_capacity),
                    spoken::WHEN,
                )
            } else if content > bed.field_capacity {
                format!(
                    "{} is draining: its root zone holds {} of water by volume. Do not water it before it is down to {}.",
                    bed.name,
                    spoken::percent(content),
                    spoken::percent(bed.field_capacity),
                )
            } else {
                format!("{} has drained: its root zone holds {} of water by volume.", bed.name, spoken::percent(content))
            };
            let values =
                [("water_content_m3_m3", content), ("limit_m3_m3", limit), ("saturation_m3_m3", pores.saturation)];
            AlarmText::new(text, &values, SOURCE_LOGGED).because(why)
        });
    }

    /// A bed's condition and words with what its open alarms add: "moist" is not
    /// "all well" while one stands.
    pub(crate) fn beside_open_alarms(
        &self,
        index: u16,
        condition: Condition,
        said: String,
    ) -> (Condition, String) {
        let (mut condition, mut said) = (condition, said);
        let at_least = |condition: Condition, least: Condition| match (condition, least) {
            (Condition::Act | Condition::Unknown, _) => condition,
            (_, Condition::Act) => Condition::Act,
            _ => Condition::Watch,
        };
        for (kind, least, more) in [
            (Kind::WaterLeftOn, Condition::Act, " Water seems to be running onto it: shut its tap now."),
            (
                Kind::Waterlogged,
                Condition::Act,
                " It drains too slowly: keep off it, and see that its drain is open.",
            ),
            (Kind::WaterRepellentSoil, Condition::Act, " Water isn't soaking in: make the water-drop test."),
            (Kind::MulchOnDrySoil, Condition::Watch, " It is not moist enough for its mulch day."),
            (Kind::WateredTooMuch, Condition::Watch, " Its timer gives more than it uses: set it to less."),
            (Kind::WateringHours, Condition::Watch, " It was watered outside the allowed hours."),
        ] {
            if self.is_active(AlarmPlace::Bed(index), kind) {
                condition = at_least(condition, least);
                said.push_str(more);
            }
        }
        (condition, said)
    }
}
