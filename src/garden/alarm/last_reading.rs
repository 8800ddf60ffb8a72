//! What an alarm says when the sensors that it is judged by have fallen silent: its words
//! stay, since nothing newer is known, and end with the last reading and its age.

use jiff::Timestamp;

use crate::alarms::{AlarmRecord, Kind};
use crate::garden::alarm::place::{AlarmPlace, AlarmSubject};
use crate::garden::alarm::slot::AlarmSlot;
use crate::garden::plan::Sensor;
use crate::garden::site::SiteState;
use crate::model::{Place, Quantity};
use crate::text::{labels, spoken};

/// The quantities of the readings that keep a kind of alarm up to date; none where it tells
/// of something that happened, of a water test or of a sensor itself.
fn judged_by(kind: Kind) -> &'static [Quantity] {
    match kind {
        Kind::DryBed | Kind::MulchOnDrySoil | Kind::Waterlogged => &[Quantity::SoilMoisture],
        Kind::WaterLeftOn => &[Quantity::WaterFlow, Quantity::SoilMoisture],
        Kind::TankTemperatureShock | Kind::TankTooWarm | Kind::TankTooCold => &[Quantity::WaterTemperature],
        Kind::LowOxygen => &[Quantity::DissolvedOxygen, Quantity::WaterTemperature],
        Kind::Ph => &[Quantity::Ph],
        Kind::PumpStopped => &[Quantity::Power, Quantity::WaterFlow, Quantity::WaterLevel],
        Kind::Frost | Kind::Heat => &[Quantity::AirTemperature],
        _ => &[],
    }
}

impl SiteState {
    /// An alarm as it stands, with its last words. `None` where it was never told.
    pub(crate) fn alarm_record(&self, slot: &AlarmSlot) -> Option<AlarmRecord> {
        let mut record = slot.record(&self.garden)?;
        if record.state.is_active()
            && let Some(last) = self.last_reading_words(slot.subject)
        {
            record.said.text = spoken::before_care(&record.said.text, &last);
        }
        Some(record)
    }

    /// "Last reading: 31.2 °C, 3 hours ago."; `None` where a sensor of the alarm is fresh, or
    /// none ever had a good reading.
    fn last_reading_words(&self, subject: AlarmSubject) -> Option<String> {
        let now = self.latest()?;
        let measured = judged_by(subject.kind);
        let is_of = |sensor: u16, plan: &Sensor| match subject.place {
            AlarmPlace::Bed(bed) => plan.place == Place::Bed(bed),
            AlarmPlace::Tank(tank) => plan.place == Place::Tank(tank),
            AlarmPlace::Sensor(own) => sensor == own,
            AlarmPlace::Gateway(_) => plan.place == Place::Site,
            AlarmPlace::Job(_) | AlarmPlace::System => false,
        };
        let sensors = (0u16..)
            .zip(&self.garden.sensors)
            .filter(|(index, plan)| measured.contains(&plan.measures) && is_of(*index, plan));
        let mut last: Option<(Timestamp, Quantity, f64)> = None;
        for (index, plan) in sensors {
            if self.fresh(index, now).is_some() {
                return None;
            }
            if let Some((at, value)) = self.sensors[usize::from(index)].good()
                && last.is_none_or(|(before, ..)| before < at)
            {
                last = Some((at, plan.measures, value));
            }
        }
        let (at, measures, value) = last?;
        let age = spoken::duration(now.as_second() - at.as_second());
        Some(format!("Last reading: {}, {age} ago.", labels::value(measures, value)))
    }
}
