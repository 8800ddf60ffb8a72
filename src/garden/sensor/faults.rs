//! Sensors that speak and cannot be believed, by the flags of their readings.
//!
//! A reading is bad where it has no value (its raw number is out of the
//! calibration) or a test of `quality` doubts it. Places are judged by good readings
//! alone, so those who rely on the sensor have to know. Single bad readings are
//! everybody's: a fault is a run of them, or more than half over some hours.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Sensor;
use crate::garden::record::Batch;
use crate::garden::sensor::fault_watch::ReadingFault;
use crate::garden::sensor::state::LastReading;
use crate::garden::site::SiteState;
use crate::garden::tank::instrument::ThermometerDoubt;
use crate::model::{Place, Quantity, Surroundings};
use crate::quality::Flag;
use crate::tank::Immersed;
use crate::text::{labels, spoken};
use crate::why::{Check, Equation};

const SOURCE: &str = "flags of the quality tests (QARTOD); how many are too many is our own rule";

/// When a sensor counts as faulty.
const FAULT: Equation = Equation {
    gives: "when a sensor counts as faulty",
    form: "8 bad readings in a row over an hour or more, or more than half of at least 12 readings in 6 h (in 12 \
           intervals, where they are longer than half an hour)",
    source: "this project's own rule on QARTOD flags",
    check: Check::None("no publication gives the numbers; the scenarios with faulty sensors try them"),
};

impl SiteState {
    /// Judges a sensor by its last reading, with what is wrong with it.
    pub(crate) fn judge_fault(
        &mut self,
        index: u16,
        at: Timestamp,
        fault: Option<ReadingFault>,
        batch: &mut Batch,
    ) {
        use ReadingFault::{Jumping, Range};
        let every_s = self.garden.sensor(index).every_s;
        let doubt = self.thermometer_doubt(index, at);
        let state = &mut self.sensors[usize::from(index)];
        let Some(last) = state.last() else { return };
        // A thermometer known to hang in the air is the tank's own matter until it is
        // told. What it cannot mean there either is a fault all the same.
        let of_air = fault == Some(Jumping) || (fault == Some(Range) && last.flag == Flag::Suspect);
        let out = state.history.water().is_some_and(|own| own.place() != Immersed::In);
        let stood = state.faults.stands();
        let input = match (out && of_air, doubt) {
            (true, None) => return,
            (true, Some(_)) => Input::Breach,
            (false, doubt) => {
                let input = state.faults.push(at, fault, every_s);
                if doubt.is_some() { Input::Breach } else { input }
            }
        };
        let stands = state.faults.stands();
        let was_asked = state.history.water().and_then(|own| own.changed).filter(|_| doubt.is_none());
        let subject = AlarmPlace::Sensor(index).alarm(Kind::SensorFault);
        self.judge(subject, at, input, batch, |site, active| match (active, doubt) {
            (true, Some(doubt)) if !stands => site.doubt_words(index, &doubt, at),
            (true, _) => site.fault_words(index, &last, fault),
            (false, _) => site.well_words(index, at, was_asked.is_some()),
        });
        match doubt {
            Some(ThermometerDoubt::Out { .. }) => self.withdraw_shock(index, at, doubt, batch),
            _ if stands && !stood => self.withdraw_shock(index, at, None, batch),
            _ => {}
        }
    }

    /// A sensor is no longer in doubt.
    fn well_words(&self, index: u16, at: Timestamp, was_asked: bool) -> AlarmText {
        let sensor = self.garden.sensor(index);
        let who = self.garden.sensor_name(sensor);
        let watched = sensor.measures == Quantity::WaterTemperature;
        let text = if watched && self.faulty_lately(index, at) {
            format!(
                "{who} gives good values again. For a day its changes do not count as shocks: if the fish behave oddly, \
                 measure the water with another thermometer."
            )
        } else if was_asked {
            format!("{who}: nobody answered for a day. Its changes count from the gap in its readings on.")
        } else {
            format!("{who} gives good values again.")
        };
        AlarmText::new(text, &[], SOURCE)
    }

    fn fault_words(&self, index: u16, last: &LastReading, fault: Option<ReadingFault>) -> AlarmText {
        let garden = &self.garden;
        let sensor = garden.sensor(index);
        let state = &self.sensors[usize::from(index)];
        let (tally, run, since) = (state.faults.tally(), state.faults.bad_run(), state.faults.since());
        let who = garden.sensor_name(sensor);
        let when = |from: Option<Timestamp>| {
            from.map_or_else(String::new, |from| {
                let seen_from = last.at.max(from);
                format!(" since {}", spoken::moment_seen_from(from, seen_from, &garden.site.time_zone))
            })
        };
        let shown = shown(sensor.measures, last);
        let (what, look) = match fault.unwrap_or_else(|| tally.mostly()) {
            ReadingFault::Range | ReadingFault::Edge => (
                format!("{who} gives values that are out of range{}: {shown}.", when(since)),
                places_to_look(sensor),
            ),
            ReadingFault::Stuck => (
                format!(
                    "{who} repeats one value{}: {shown}.{}",
                    when(state.watch.still_since().or(since)),
                    self.seldom_moved(index).map_or_else(String::new, |mean_s| format!(
                        " Before that it moved about every {}.",
                        spoken::duration(mean_s)
                    ))
                ),
                "switch it off and on again; if that does not help, check its cable, and its plug for water",
            ),
            ReadingFault::Jumping => (
                format!(
                    "{who} has jumped about{}: {} of its last {} readings stand out from their neighbours; {shown}.",
                    when(since),
                    tally.bad(),
                    tally.all,
                ),
                "look for a loose plug, a chafed cable and water in the plug",
            ),
        };
        let place = garden.place_name(sensor);
        let act = match sensor.place {
            Place::Tank(_) => {
                let measure = if sensor.measures == Quantity::WaterTemperature {
                    "measure the water with a hand-held thermometer"
                } else {
                    "test the water by hand"
                };
                if garden.tank_left_blind(Kind::SensorFault, &sensor.id).is_some() {
                    format!(
                        "Look at the fish now. Then {look}. Until it is mended nothing watches {place}: {measure}, morning \
                         and evening."
                    )
                } else {
                    format!("Today {look}. Until it is mended, {measure}.")
                }
            }
            Place::Bed(_) => {
                format!("{} {look}. Until it is mended, Trug cannot judge {place} by it.", spoken::WHEN_FIRST)
            }
            Place::Site => {
                format!("{} {look}. Until it is mended, Trug judges nothing by it.", spoken::WHEN_FIRST)
            }
        };
        let values = [
            ("raw", last.raw),
            ("bad_readings", f64::from(tally.bad())),
            ("readings", f64::from(tally.all)),
            ("bad_in_a_row", f64::from(run)),
        ];
        let step = FAULT.step(format!(
            "{run} bad readings in a row; {} of the last {} are bad",
            tally.bad(),
            tally.all
        ));
        let stuck = matches!(fault, Some(ReadingFault::Stuck)).then(|| self.stuck_step(index, last.at));
        let why = stuck.flatten().into_iter().chain([step]).collect();
        AlarmText::new(format!("{what} {act}"), &values, SOURCE).because(why)
    }
}

fn places_to_look(sensor: &Sensor) -> &'static str {
    match sensor.measures.surroundings() {
        Surroundings::Soil => "check its cable, its plug for water, and whether the probe stands in the soil",
        Surroundings::Water => {
            "check its cable, its plug for water, and whether the probe hangs in the water"
        }
        Surroundings::Shade => "check its cable, its plug for water, and whether it hangs in the shade",
        Surroundings::Open => "check its cable, and its plug for water",
    }
}

/// "the last is 79.0 % by volume (raw number 0)".
fn shown(measures: Quantity, last: &LastReading) -> String {
    let raw = if last.raw != 0.0 && !(1e-4..1e9).contains(&last.raw.abs()) {
        format!("{:e}", last.raw)
    } else {
        labels::written(last.raw)
    };
    match last.value {
        Some(value) => {
            // Far out of every range the digits say nothing.
            if value.abs() < 1e4 {
                format!("the last is {} (raw number {raw})", labels::value(measures, value))
            } else {
                format!("the last is {value:e} {} (raw number {raw})", measures.unit())
            }
        }
        None => format!("the last raw number, {raw}, lies outside its calibration"),
    }
}
