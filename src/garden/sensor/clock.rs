//! Devices whose clock is wrong.
//!
//! A reading whose time cannot be true stands under the time of its arrival, and one
//! whose time is long past is stored and not judged. Both are right for a single
//! reading. Of a device that always sends such times somebody has to know.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind};
use crate::decode::time_of;
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::record::Batch;
use crate::garden::sensor::clock_watch::{ClockFinding, MESSAGES, OFF_S, SPREAD_S};
use crate::garden::site::SiteState;
use crate::model::{Place, TimeFrom};
use crate::text::spoken;
use crate::why::{Check, Equation};

const SOURCE: &str = "three messages in a row with a time more than ten minutes off; our own rule";

/// When a device's clock counts as wrong.
const WRONG: Equation = Equation {
    gives: "when a device's clock counts as wrong",
    form: "|arrival - the device's time| > 10 min in 3 messages in a row, over 10 min or more",
    source: "this project's own rule",
    check: Check::None("no publication gives the numbers; the scenario with a wrong clock tries them"),
};

/// What becomes of readings with such times.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Consequence {
    /// They stand under the time of their arrival.
    Restamped,
    /// They are stored and not judged.
    NotJudged,
    /// They stand and are judged under a time that is too early or too late.
    Shifted,
}

impl SiteState {
    /// Judges a device's clock by a reading that gave a time; live only. `late`: it comes
    /// too late to be judged.
    pub(crate) fn judge_clock(
        &mut self,
        index: u16,
        given: Timestamp,
        arrival: Timestamp,
        late: bool,
        batch: &mut Batch,
    ) {
        let every_s = self.garden.sensor(index).every_s;
        let finding = self.sensors[usize::from(index)].clock.take(given, arrival, every_s);
        let input = match finding {
            ClockFinding::Right => Input::Clear,
            ClockFinding::Wrong { .. } => Input::Breach,
            ClockFinding::Unsure => return,
        };
        let subject = AlarmPlace::Sensor(index).alarm(Kind::DeviceClock);
        if input == Input::Clear && self.alarms.life(subject).since().is_none() {
            return;
        }
        let consequence = match time_of(Some(given), arrival).1 {
            TimeFrom::Arrival => Consequence::Restamped,
            TimeFrom::Device if late => Consequence::NotJudged,
            TimeFrom::Device => Consequence::Shifted,
        };
        let severity = u16::from(consequence == Consequence::NotJudged);
        self.judge_graded(severity, subject, arrival, input, batch, |site, _| match finding {
            ClockFinding::Wrong { behind_s, given } => {
                site.wrong_clock_words(index, (behind_s, given), arrival, consequence)
            }
            ClockFinding::Right | ClockFinding::Unsure => {
                let who = site.garden.sensor_name(site.garden.sensor(index));
                AlarmText::new(format!("{who} gives the right time again."), &[], SOURCE)
            }
        });
    }

    fn wrong_clock_words(
        &self,
        index: u16,
        (behind_s, given): (i64, Timestamp),
        arrival: Timestamp,
        consequence: Consequence,
    ) -> AlarmText {
        let garden = &self.garden;
        let sensor = garden.sensor(index);
        let who = garden.sensor_name(sensor);
        let by = spoken::duration(behind_s.abs());
        let off = if behind_s > 0 { "behind" } else { "ahead" };
        let then = match consequence {
            Consequence::Restamped => "stands under the time of its arrival",
            Consequence::NotJudged => "comes too late to be judged",
            Consequence::Shifted => "is judged under that wrong time",
        };
        let place = garden.place_name(sensor);
        // What still has its own right time can be judged.
        let by_hand = match (sensor.place, consequence) {
            (_, Consequence::Restamped) | (Place::Site, _) => String::new(),
            (Place::Tank(_), _) => format!(
                " Until then its readings cannot be relied on: look at the fish of {place} and measure their water by hand \
                 every day."
            ),
            (Place::Bed(_), _) => {
                format!(" Until then its readings cannot be relied on: feel the soil of {place} every day.")
            }
        };
        let text = format!(
            "{who} has a clock that is {by} {off}: it showed {} at {}, so each reading {then}. Set its clock or its time \
             service {}.{by_hand} If its clock is right, its readings arrive late: then check its gateway.",
            spoken::dated_moment(given, arrival, &garden.site.time_zone),
            spoken::moment(arrival, &garden.site.time_zone),
            spoken::WHEN,
        );
        let step = WRONG.step(format!(
            "the last is off by {} s, more than {OFF_S} s, in {MESSAGES} messages or more over at least {SPREAD_S} s",
            behind_s.abs()
        ));
        AlarmText::new(text, &[("behind_s", behind_s as f64)], SOURCE).because(vec![step])
    }
}
