//! Gateways: many sensors that fall silent together are one thing that is wrong.
//!
//! When a sensor's own silence is long enough to be told, the others that come by
//! the same gateway are asked. One that has spoken since shows that the gateway
//! lives: the sensor is told by itself. If all that should have spoken are overdue,
//! it is the gateway. Where some are not due yet, it waits until they are.
//!
//! Sensors that name no gateway share the site's own way to the broker, and are
//! asked in the same manner.

use jiff::Timestamp;

use crate::alarms::{AlarmCondition, AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Garden;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::model::{Place, add_seconds};
use crate::text::spoken;
use crate::why::{Check, Equation};

const SOURCE: &str = "every sensor of it that should have spoken is overdue; our own rule";

/// When a gateway counts as silent.
const GATEWAY: Equation = Equation {
    gives: "when a gateway counts as silent",
    form: "one sensor is silent, none has spoken later than 2 of its intervals after its last word, and at least \
           2 of a named gateway (3 of a site) are overdue: time without a word > 1.2 x own interval + 60 s",
    source: "this project's own rule",
    check: Check::None("no publication gives the numbers; the scenarios with a dead gateway try them"),
};

/// A word may come a fifth of its interval and a minute late: clocks of cheap
/// devices and a retry on the way.
const OVERDUE_INTERVALS: f64 = 1.2;
const OVERDUE_S: i64 = 60;
/// A single lost message must not part a sensor from the others of its gateway.
const LOST_INTERVALS: i64 = 2;
/// What speaks less often than this, and less often than the silent sensor, is not
/// asked: it would take too long to tell.
const ASKED_EVERY_S: u32 = 3600;
/// Longest wait for the others where fish are unwatched meanwhile, seconds. Other
/// sensors wait until the slowest that is asked is due.
const TANK_WAIT_S: i64 = 900;
/// Overdue sensors that show a dead gateway: of a named one, and of a site, whose
/// sensors need have nothing in common.
const NEEDED_NAMED: usize = 2;
const NEEDED_SITE: usize = 3;
/// Readings that show that it is back: one may be an old message that the broker kept.
const READINGS_BACK: u8 = 2;

/// What a silence comes from.
#[derive(Debug, PartialEq)]
pub(crate) enum SilenceCause {
    Sensor,
    /// With the sensors that are overdue.
    Gateway(Vec<u16>),
    /// Not to be told before this.
    Undecided(Timestamp),
}

impl SiteState {
    /// The number of a sensor's gateway in [`SiteState::gateways`].
    pub(crate) fn gateway_of(&self, index: u16) -> u16 {
        self.garden.gateway_of(self.garden.sensor(index))
    }

    /// The condition of a gateway's silence.
    pub(crate) fn gateway_condition(&self, number: u16) -> AlarmCondition {
        self.alarms.life(AlarmPlace::Gateway(number).alarm(Kind::GatewaySilent)).condition()
    }

    /// Whether a gateway is silent now, told or hidden.
    pub(crate) fn is_gateway_silent(&self, number: u16) -> bool {
        matches!(self.gateway_condition(number), AlarmCondition::Active { clear: None, .. })
    }

    /// The condition of a sensor's own silence.
    pub(crate) fn silence_condition(&self, index: u16) -> AlarmCondition {
        self.alarms.life(AlarmPlace::Sensor(index).alarm(Kind::SensorSilent)).condition()
    }

    /// From when a sensor's silence counts: its last word, or its gateway's return.
    pub(crate) fn quiet_since(&self, index: u16) -> Option<Timestamp> {
        let heard = self.sensors[usize::from(index)].heard()?;
        Some(self.gateways[usize::from(self.gateway_of(index))].back_at.map_or(heard, |back| back.max(heard)))
    }

    /// Whether a sensor that should have spoken has a silent gateway.
    pub(crate) fn is_silent_with_gateway(&self, index: u16, now: Timestamp) -> bool {
        self.is_gateway_silent(self.gateway_of(index))
            && self
                .quiet_since(index)
                .is_some_and(|since| add_seconds(since, self.silent_after_s(index)) <= now)
    }

    /// Why a sensor that fell due at `deadline` sends nothing.
    pub(crate) fn silence_cause(&self, index: u16, deadline: Timestamp, now: Timestamp) -> SilenceCause {
        let Some(since) = self.quiet_since(index) else { return SilenceCause::Sensor };
        let plan = self.garden.sensor(index);
        let number = self.gateway_of(index);
        let asked_every_s = ASKED_EVERY_S.max(plan.every_s);
        let spoken_since = add_seconds(since, LOST_INTERVALS * i64::from(plan.every_s));
        let mut overdue = vec![index];
        let mut next: Option<Timestamp> = None;
        for &other in self.gateways[usize::from(number)].members.iter().filter(|other| **other != index) {
            let every_s = self.garden.sensor(other).every_s;
            let Some(word) = self.quiet_since(other).filter(|_| every_s <= asked_every_s) else { continue };
            if word > spoken_since {
                return SilenceCause::Sensor;
            }
            // What was silent before says nothing about the gateway now.
            let before = match self.silence_condition(other) {
                AlarmCondition::Active { since: told, .. } => told <= since,
                AlarmCondition::Clear | AlarmCondition::Pending { .. } => false,
            };
            if before || add_seconds(word, LOST_INTERVALS * i64::from(every_s) + OVERDUE_S) < since {
                continue;
            }
            let due = add_seconds(word, (OVERDUE_INTERVALS * f64::from(every_s)) as i64 + OVERDUE_S);
            if due < now {
                overdue.push(other);
            } else {
                next = next.max(Some(add_seconds(due, 1)));
            }
        }
        let until = match plan.place {
            Place::Tank(_) => next.map(|next| next.min(add_seconds(deadline, TANK_WAIT_S))),
            Place::Bed(_) | Place::Site => next,
        };
        let needed =
            if usize::from(number) < self.garden.gateways.len() { NEEDED_NAMED } else { NEEDED_SITE };
        match until.filter(|until| now < *until) {
            Some(until) => SilenceCause::Undecided(until),
            None if overdue.len() >= needed => SilenceCause::Gateway(overdue),
            None => SilenceCause::Sensor,
        }
    }

    /// Notes that a sensor of a gateway spoke.
    pub(crate) fn gateway_heard(&mut self, index: u16, now: Timestamp, batch: &mut Batch) {
        let number = self.gateway_of(index);
        if self.alarms.life(AlarmPlace::Gateway(number).alarm(Kind::GatewaySilent)).since().is_none() {
            return;
        }
        if matches!(self.gateway_condition(number), AlarmCondition::Active { .. }) {
            let state = &mut self.gateways[usize::from(number)];
            state.heard_since = state.heard_since.saturating_add(1);
            if state.heard_since < READINGS_BACK {
                return;
            }
            if state.heard_since == READINGS_BACK {
                state.back_at = Some(now);
                // Those that are silent still are looked at again.
                self.silence_due = Some(now);
            }
        }
        self.judge_gateway(number, now, Input::Clear, &[], batch);
    }

    /// Tells of a gateway. `overdue` are the sensors that show it.
    pub(crate) fn judge_gateway(
        &mut self,
        number: u16,
        now: Timestamp,
        input: Input,
        overdue: &[u16],
        batch: &mut Batch,
    ) {
        if input == Input::Breach {
            self.gateways[usize::from(number)].heard_since = 0;
        }
        let subject = AlarmPlace::Gateway(number).alarm(Kind::GatewaySilent);
        self.judge(subject, now, input, batch, |site, active| {
            if !active {
                let text = match site.garden.gateways.get(usize::from(number)) {
                    Some(it) => format!("The gateway {} is back: its sensors send readings again.", it.name),
                    None => format!("The sensors of {} send readings again.", site.garden.site.name),
                };
                return AlarmText::new(text, &[], SOURCE);
            }
            let members = &site.gateways[usize::from(number)].members;
            // A shelf may end with any input: then all of them are what is meant.
            let overdue = if overdue.is_empty() { members } else { overdue };
            let last_word =
                overdue.iter().filter_map(|i| site.sensors[usize::from(*i)].heard()).max().unwrap_or(now);
            let silent_s = now.as_second() - last_word.as_second();
            let values = [("sensors", overdue.len() as f64), ("silent_s", silent_s as f64)];
            let text = silent_words(&site.garden, number, members, overdue.len(), last_word, now);
            let step = GATEWAY.step(format!(
                "{} sensors overdue, none heard since; the last word {silent_s} s ago",
                overdue.len()
            ));
            AlarmText::new(text, &values, SOURCE).because(vec![step])
        });
    }
}

/// What a silent gateway says: fish first.
fn silent_words(
    garden: &Garden,
    number: u16,
    members: &[u16],
    count: usize,
    last_word: Timestamp,
    now: Timestamp,
) -> String {
    let of = |index: &u16| garden.sensor(*index);
    let since = spoken::moment_seen_from(last_word, now, &garden.site.time_zone);
    // A tank is unwatched where none of its sensors comes by another way.
    let mut unwatched: Vec<String> = Vec::new();
    let mut others: Vec<String> = Vec::new();
    for sensor in members.iter().map(of) {
        let name = garden.place_name(sensor).to_owned();
        let elsewhere = (0u16..)
            .zip(&garden.sensors)
            .any(|(i, other)| other.place == sensor.place && !members.contains(&i));
        let list = match sensor.place {
            Place::Tank(_) if !elsewhere => &mut unwatched,
            Place::Tank(_) | Place::Bed(_) => &mut others,
            Place::Site => continue,
        };
        if !list.contains(&name) {
            list.push(name);
        }
    }
    let fish = if unwatched.is_empty() {
        String::new()
    } else {
        format!(", so nothing watches the fish of {}", spoken::list(&unwatched))
    };
    let (what, look) = match garden.gateways.get(usize::from(number)) {
        Some(gateway) => (
            format!("{count} sensors of the gateway {} have sent no reading since {since}", gateway.name),
            "heck the gateway's power, network cable and SIM card",
        ),
        None => (
            format!(
                "{count} sensors of {} have sent no reading since {since}, all at once",
                garden.site.name
            ),
            "heck what they share: power, network and gateway",
        ),
    };
    let act = if unwatched.is_empty() {
        format!("C{look} {}.", spoken::WHEN)
    } else {
        format!(
            "Look at the fish {}, and measure their water with a hand-held thermometer. Then c{look}.",
            spoken::WHEN
        )
    };
    let unjudged: Vec<String> = unwatched.into_iter().chain(others).collect();
    let loss = if unjudged.is_empty() {
        String::new()
    } else {
        format!(" Until then, Trug cannot judge {} by these sensors.", spoken::list(&unjudged))
    };
    format!(
        "{what}{fish}. {act}{loss} Take care: an adult handles mains plugs, with dry hands, and goes up ladders."
    )
}
