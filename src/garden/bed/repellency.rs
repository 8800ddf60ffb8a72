//! Soil that sheds water: enough came, more than once, and a dry bed's top probe
//! felt nothing.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::log::LogEvent;
use crate::garden::record::Batch;
use crate::garden::site::{BedState, SiteState};
use crate::model::Place;
use crate::soil::{
    AtProbe, DROP_CLASSES, HOW_TO_WATER_DROP, SoakingVerdict, WATER_DROP, WaterDrop, enough_step,
};
use crate::text::spoken;

const SOURCE: &str = "this project's own rule; water-drop classes by Bisdom, Dekker and Schoute 1993";

impl SiteState {
    /// Watches a good reading of a probe: has water that came reached it? `wetting`:
    /// the probe's own rise is believed.
    pub(crate) fn watch_soaking(
        &mut self,
        index: u16,
        probe: u16,
        at: Timestamp,
        value: f64,
        wetting: bool,
        batch: &mut Batch,
    ) {
        if self.beds[usize::from(index)].probes.first() != Some(&probe) {
            return;
        }
        let bed = self.garden.bed(index);
        let at_probe = AtProbe {
            field_capacity: bed.field_capacity,
            wilting_point: bed.wilting_point,
            depth_m: self.garden.sensor(probe).depth_m.unwrap_or(0.0),
        };
        let mut soaking = std::mem::take(&mut self.beds[usize::from(index)].soaking);
        soaking.push(at, value, &at_probe, |from, to| self.came_mm(index, from, to));
        if wetting {
            soaking.reached();
        }
        self.beds[usize::from(index)].soaking = soaking;
        self.judge_repellent(index, at, batch);
    }

    /// Water that is known to have come onto a bed after `from` and up to `to`, mm:
    /// rain of a gauge that is not in doubt, and what its own meter counted or
    /// somebody measured and wrote down. A site's meter does not tell which bed.
    fn came_mm(&self, index: u16, from: Timestamp, to: Timestamp) -> f64 {
        if self.may_thaw(to) {
            return 0.0;
        }
        let bed = self.garden.bed(index);
        let rain_mm = if self.rain_doubted() { 0.0 } else { self.rain_mm(from, to) };
        let metered_l: f64 = self
            .garden
            .sensors
            .iter()
            .zip(&self.sensors)
            .filter(|(plan, _)| plan.place == Place::Bed(index))
            .filter_map(|(_, state)| Some(state.history.flow()?.litres(from, to)))
            .sum();
        let logged_l: f64 = self
            .log
            .of(&bed.id)
            .iter()
            .filter(|(when, _)| from < *when && *when <= to)
            .filter_map(|(_, seen)| match seen {
                LogEvent::Watered { litres } => *litres,
                _ => None,
            })
            .sum();
        // Watering by hand may have passed the meter too.
        rain_mm + (metered_l * bed.efficiency()).max(logged_l) / bed.area_m2
    }

    /// Judges the bed by its trials and by what people wrote down.
    pub(crate) fn judge_repellent(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let cured = self.cured(index, at);
        let soaking = &mut self.beds[usize::from(index)].soaking;
        if cured {
            soaking.reached();
        }
        let input = match soaking.verdict() {
            SoakingVerdict::Sheds => Input::Breach,
            SoakingVerdict::Soaks => Input::Clear,
            // Neither proves anything: an alarm from before a restart stands.
            SoakingVerdict::Open => Input::Deadband,
        };
        let subject = AlarmPlace::Bed(index).alarm(Kind::WaterRepellentSoil);
        self.judge(subject, at, input, batch, |site, active| {
            let garden = &site.garden;
            let bed = garden.bed(index);
            let BedState { probes, soaking, .. } = &site.beds[usize::from(index)];
            let top = probes.first().and_then(|probe| garden.sensor(*probe).depth_m);
            let depth_m = top.unwrap_or(0.0);
            if !active {
                let text = if cured {
                    format!("{}: a wetting agent was used, and water soaks in again.", bed.name)
                } else {
                    format!("{}: water has reached the probe at {:.0} cm again.", bed.name, depth_m * 100.0)
                };
                return AlarmText::new(text, &[], SOURCE);
            }
            let amounts: Vec<String> = soaking.misses().map(|miss| format!("{:.0} mm", miss.mm)).collect();
            let since = soaking.misses().next().map_or(at, |miss| miss.at);
            let text = format!(
                "Water isn't soaking into {}: {} times since {} enough came to reach the probe at {:.0} cm ({}), but its \
                 soil stayed dry. {} put a drop of water on bare, dry soil and count the seconds until it soaks in. \
                 {DROP_CLASSES} Put the seconds into the Garden log, which shows how to test. Lay no mulch until drops \
                 soak in. If they do, look whether rain reaches the bed and the probe touches the soil. Take care: an \
                 adult handles the wetting agent, with gloves and by its label. Keep it out of tanks, ponds and drains, \
                 and off leaves that are eaten.",
                bed.name,
                amounts.len(),
                spoken::day(garden.site.time_zone.to_datetime(since).date()),
                depth_m * 100.0,
                spoken::list(&amounts),
                spoken::WHEN_FIRST,
            );
            let last = soaking.misses().last();
            let values = [
                ("times", amounts.len() as f64),
                ("water_mm", last.map_or(f64::NAN, |miss| miss.mm)),
                ("enough_mm", last.map_or(f64::NAN, |miss| miss.enough_mm)),
                ("rise_m3_m3", last.map_or(f64::NAN, |miss| miss.rise)),
            ];
            let enough = soaking.misses().map(|miss| enough_step(bed.field_capacity, miss.before, depth_m));
            let why = enough.chain([WATER_DROP.step(HOW_TO_WATER_DROP.to_owned())]).collect();
            AlarmText::new(text, &values, SOURCE).because(why)
        });
    }

    /// Whether, since the soil last shed water, a wetting agent was used and after
    /// it a drop went in at once.
    fn cured(&self, index: u16, at: Timestamp) -> bool {
        let shed = self.beds[usize::from(index)].soaking.misses().last().map(|miss| miss.at);
        let alarm = self.alarms.life(AlarmPlace::Bed(index).alarm(Kind::WaterRepellentSoil));
        let Some(since) = shed.or_else(|| alarm.since()) else { return false };
        let place = &self.garden.bed(index).id;
        let agent = self.log.newest(place, at, |seen| matches!(seen, LogEvent::WettingAgent).then_some(()));
        let drop = self.water_drop(index, at);
        match (agent, drop) {
            (Some((agent_at, ())), Some((drop_at, class))) => {
                agent_at >= since && drop_at >= agent_at && class == WaterDrop::Wettable
            }
            _ => false,
        }
    }

    /// The newest water-drop test of a bed, with its class.
    pub(crate) fn water_drop(&self, index: u16, at: Timestamp) -> Option<(Timestamp, WaterDrop)> {
        let place = &self.garden.bed(index).id;
        self.log.newest(place, at, |seen| match seen {
            LogEvent::WaterDrop { seconds } => WaterDrop::of_seconds(*seconds).ok(),
            _ => None,
        })
    }

    /// Whether the rain gauges' word is in doubt.
    pub(crate) fn rain_doubted(&self) -> bool {
        self.gauge_reliability.iter().any(crate::rain::GaugeReliability::suspect)
    }
}
