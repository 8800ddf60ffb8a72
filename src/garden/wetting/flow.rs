//! Water meters: where a bed has its own, the meter is the truth.
//!
//! It tells when water runs outside the allowed hours, and how much: once it has stopped, or
//! when it has run for half an hour. What runs on then, and nothing explains, is water left
//! on, whose alarm says that it is outside the hours as well: one water is told once. A
//! rise of a probe in that bed while the meter counts nothing is then rain or
//! water from elsewhere (a hose on another tap, a can): it is unknown, and no
//! alarm, since two instruments do not agree. The site's meter cannot tell which
//! bed the water went to, or whether a tank was filled: it only says whether a
//! bed's rise can be water that was paid for.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Delays, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::record::Batch;
use crate::garden::sensor::state::SensorHistory;
use crate::garden::site::{LastWetting, SiteState};
use crate::garden::wetting::cause::{LEAST_MM, WateringBasis, WettingCause};
use crate::garden::wetting::hours::WateringTime;
use crate::garden::wetting::rules::SOURCE_HOURS;
use crate::model::{Place, Quantity};
use crate::text::spoken;
use crate::watering::{FlowRun, METERED, WateringMethods};

/// How long a bed's own meter must have run outside the hours to be told while it runs,
/// seconds. Ours.
pub(crate) const BED_METER_S: u32 = 1800;

impl SiteState {
    /// Judges a good message of a bed's own meter.
    pub(crate) fn judge_flow(&mut self, bed_index: u16, index: u16, at: Timestamp, batch: &mut Batch) {
        let SensorHistory::Flow(flow) = &self.sensors[usize::from(index)].history else { return };
        let garden = std::sync::Arc::clone(&self.garden);
        let bed = garden.bed(bed_index);
        let zone = &garden.site.time_zone;
        // Whatever hangs on the meter: the file may say.
        let methods = bed.method.map_or(WateringMethods::ANY, WateringMethods::one);
        let hours = garden.watering_rules(bed).any(methods);
        let newest = flow.last_message().filter(|message| message.to == at);
        let run = flow.running().filter(|run| run.litres >= LEAST_MM * bed.area_m2);
        let time = newest.map_or(WateringTime::Within, |message| {
            WateringTime::between(&garden, bed_index, methods, message.from, message.to)
        });
        let outside = time == WateringTime::Outside;
        let left_on = self.flow_left_on_outside(index, at).is_some()
            || self.is_active(AlarmPlace::Bed(bed_index), Kind::WaterLeftOn);
        let told = self.is_active(AlarmPlace::Bed(bed_index), Kind::WateringHours);
        let stopped = self.stopped_outside(bed_index, index, at).filter(|_| !left_on && !told);
        let state = &mut self.beds[usize::from(bed_index)];
        let input = match (newest, run) {
            _ if stopped.is_some() => Input::Breach,
            (Some(_), Some(_)) if outside && left_on && !told => Input::Clear,
            (Some(_), Some(_)) if outside => Input::Breach,
            // Too little yet to be called a watering.
            (Some(_), None) => Input::Deadband,
            _ => Input::Clear,
        };
        if let Some(run) = run
            && newest.is_some()
        {
            let before = state.wetting.filter(|known| known.onset == run.from).map(|known| known.time);
            state.wetting = Some(LastWetting {
                onset: run.from,
                cause: WettingCause::Watering { basis: WateringBasis::Meter },
                time: before.map_or(time, |before| before.max(time)),
                litres: Some(run.litres),
            });
            state.wetting_evidence = None;
            state.wetting_why = vec![metered(&run, bed.area_m2)].into();
        }
        let on_s = if stopped.is_some() { 0 } else { BED_METER_S };
        let delays = Delays { on_s, ..garden.rules[Kind::WateringHours].delays };
        let subject = AlarmPlace::Bed(bed_index).alarm(Kind::WateringHours);
        self.judge_within(delays, subject, at, input, batch, |site, active| {
            if let Some(run) = stopped.filter(|_| active) {
                let text = format!(
                    "{} was watered outside the allowed hours: its water meter counted {} from {}, and it has stopped. {} Find \
                     out what it was (a hose, a timer), and set it right {}.",
                    bed.name,
                    spoken::litres(run.litres),
                    spoken::moment(run.from, zone),
                    spoken::may_run(hours, zone.to_datetime(run.from).date()),
                    spoken::WHEN
                );
                let values = [("litres", run.litres), ("run_s", run_s(&run))];
                return AlarmText::new(text, &values, SOURCE_HOURS).because(vec![metered(&run, bed.area_m2)]);
            }
            let Some(run) = run.filter(|_| active) else {
                return site.forbidden_watering_over(bed_index);
            };
            let text = format!(
                "{} is being watered outside the allowed hours: its water meter has counted {} since {}. {} Turn it off, \
                 unless somebody waters it on purpose. Find out what it was (a hose, a timer).",
                bed.name,
                spoken::litres(run.litres),
                spoken::moment(run.from, zone),
                spoken::may_run(hours, zone.to_datetime(at).date())
            );
            let values = [("litres", run.litres), ("run_s", run_s(&run))];
            AlarmText::new(text, &values, SOURCE_HOURS).because(vec![metered(&run, bed.area_m2)])
        });
    }

    /// What ran outside the hours at a bed's own meter until the message before the newest,
    /// and stopped or went on within them, where it was enough to be a watering.
    fn stopped_outside(&self, bed: u16, meter: u16, at: Timestamp) -> Option<FlowRun> {
        let flow = self.history(meter).flow()?;
        let last = flow.messages().filter(|it| it.to < at).last()?;
        let newest = flow.last_message().filter(|it| it.to == at);
        let every_s = i64::from(self.garden.sensor(meter).every_s);
        let follows =
            newest.map_or(at.as_second() - last.to.as_second() <= 2 * every_s, |it| it.from == last.to);
        if !follows || newest.is_some_and(|it| self.is_outside(bed, &it)) || !self.is_outside(bed, last) {
            return None;
        }
        let run = flow.last_run().filter(|run| run.from <= last.from && last.to <= run.to)?;
        (run.litres >= LEAST_MM * self.garden.bed(bed).area_m2).then_some(run)
    }

    /// Whether the bed has a water meter of its own.
    pub(crate) fn has_meter(&self, bed: u16) -> bool {
        self.garden.sensors.iter().any(|s| s.measures == Quantity::WaterFlow && s.place == Place::Bed(bed))
    }
}

fn run_s(run: &FlowRun) -> f64 {
    (run.to.as_second() - run.from.as_second()) as f64
}

fn metered(run: &FlowRun, area_m2: f64) -> crate::why::Step {
    let minutes = (run.to.as_second() - run.from.as_second()) / 60;
    METERED.step(format!(
        "{:.1} L within {minutes} min; a watering from {LEAST_MM} mm x {area_m2:.1} m2 = {:.1} L",
        run.litres,
        LEAST_MM * area_m2
    ))
}
