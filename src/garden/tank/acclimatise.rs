//! New fish in their bag: how long it floats, when tank water goes in, when they
//! are let go, and when not today.

use jiff::Timestamp;

use crate::alarms::Kind;
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::core::Core;
use crate::garden::log::LogEvent;
use crate::garden::plan::Tank;
use crate::garden::site::SiteState;
use crate::garden::tank::water::ASK;
use crate::model::add_seconds;
use crate::tank::{
    Bag, FARTHEST_C, FLOAT_MIN_PER_C, Handling, LONG_HAUL_H, NEAR_C, PH_NEAR, Window, equations,
    float_minutes, handling, ionisation_constant, ionisation_step, un_ionised_fraction,
};
use crate::text::spoken;
use crate::why::Why;

/// A bag that was written down longer ago floats no more.
const BAG_HOLDS_S: i64 = 6 * 3600;
/// Minutes between two scoops of tank water, and how many: together about as
/// much as the bag holds (common practice).
const SCOOP_MIN: u32 = 5;
const SCOOPS: u32 = 10;
/// Scoops where pH is near.
const SCOOPS_NEAR: u32 = 3;

/// What was said about the bag on the command line; what is missing is looked for
/// in the log.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BagGiven {
    pub temperature_c: Option<f64>,
    pub ph: Option<f64>,
    pub hauled_h: Option<f64>,
}

/// What was said about the tank; what is missing is its sensors'.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TankGiven {
    pub temperature_c: Option<f64>,
    pub ph: Option<f64>,
}

/// The answer in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AcclimatiseAnswer {
    Yes,
    NotToday,
    Unknown,
}

impl AcclimatiseAnswer {
    /// The name for programs.
    pub fn name(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::NotToday => "not-today",
            Self::Unknown => "unknown",
        }
    }
}

/// The answer with its steps and reasons.
#[derive(Clone, Debug, PartialEq)]
pub struct Acclimatising {
    pub answer: AcclimatiseAnswer,
    /// One or two sentences.
    pub text: String,
    /// What to do, with the minutes from now at which it begins; empty unless the
    /// answer is yes.
    pub steps: Vec<(u32, String)>,
    /// Where published advice differs, each side with its source.
    pub differs: Vec<String>,
    pub tank_c: Option<f64>,
    pub bag_c: Option<f64>,
    pub tank_ph: Option<f64>,
    pub bag_ph: Option<f64>,
    pub why: Why,
    /// The time for which the answer holds.
    pub at: Timestamp,
}

impl Core {
    /// Answers for a tank of a site at `now`. `None` if there is no such tank.
    pub fn acclimatise(
        &self,
        site: Option<&str>,
        tank: &str,
        bag: BagGiven,
        given: TankGiven,
        now: Timestamp,
    ) -> Option<Acclimatising> {
        self.site_states().filter(|s| site.is_none_or(|id| s.garden.site.id.as_str() == id)).find_map(
            |state| {
                let index = state.garden.tanks.iter().position(|t| t.id.as_str() == tank)?;
                Some(state.acclimatise(u16::try_from(index).ok()?, bag, given, now))
            },
        )
    }
}

impl SiteState {
    fn acclimatise(&self, index: u16, bag: BagGiven, given: TankGiven, now: Timestamp) -> Acclimatising {
        let tank = self.garden.tank(index);
        let logged = self.log.newest(&tank.id, now, |seen| match seen {
            LogEvent::Bag { temperature_c, ph } => Some((*temperature_c, *ph)),
            _ => None,
        });
        let logged = logged
            .filter(|(at, _)| now.as_second() - at.as_second() <= BAG_HOLDS_S)
            .map_or((None, None), |(_, bag)| bag);
        let bag_c = bag.temperature_c.or(logged.0);
        let bag_ph = bag.ph.or(logged.1);
        let tank_c = given.temperature_c.or_else(|| self.tank_water(index, now).map(|w| w.coldest_c));
        let tank_ph = given.ph.or_else(|| self.tank_ph(index, now).map(|ph| ph.lowest)).or_else(|| {
            let (at, ph) = self.tested(index, now, |t| t.ph)?;
            (now.as_second() - at.as_second() <= 7 * 86_400).then_some(ph)
        });
        let answer = |answer, text: String| Acclimatising {
            answer,
            text,
            steps: vec![],
            differs: vec![],
            tank_c,
            bag_c,
            tank_ph,
            bag_ph,
            why: vec![],
            at: now,
        };
        if let Some(trouble) = self.tank_trouble(index, tank_c) {
            let text = format!(
                "Not today: {trouble} Put no fish into {} before that is over. Keep the bag closed, dark and cool, and \
                 ask the supplier how long the fish can wait, or whether they take them back. {ASK}",
                tank.name
            );
            return answer(AcclimatiseAnswer::NotToday, text);
        }
        let (Some(bag_temperature), Some(tank_temperature)) = (bag_c, tank_c) else {
            let missing = if tank_c.is_none() {
                format!("{} Measure it and give it with --tank-temp-c.", self.why_tank_unknown(index, now))
            } else {
                "The temperature in the bag is missing: measure it and give it with --bag-temp-c.".to_owned()
            };
            return answer(
                AcclimatiseAnswer::Unknown,
                format!("It cannot be said for {}. {missing}", tank.name),
            );
        };
        let difference_c = tank_temperature - bag_temperature;
        let most_c = farthest_c(tank, difference_c);
        if difference_c.abs() > most_c {
            let text = format!(
                "Not today: the bag is {bag_temperature:.1} °C and {} {tank_temperature:.1} °C, {:.1} °C apart; {} \
                 should not pass through more than {most_c:.1} °C in a day. Ask the supplier to keep the fish and bring \
                 their water nearer by a degree or two a day.",
                tank.name,
                difference_c.abs(),
                tank.fish_name(),
            );
            return answer(AcclimatiseAnswer::NotToday, text);
        }
        let bag = Bag { temperature_c: bag_temperature, ph: bag_ph, hauled_h: bag.hauled_h };
        let plan = Plan { tank, bag, tank_c: tank_temperature, tank_ph, handling: handling(&bag, tank_ph) };
        let steps = plan.steps();
        let release = steps.iter().map(|(minute, _)| *minute).max().unwrap_or(0);
        let when = spoken::moment_seen_from(
            add_seconds(now, i64::from(release) * 60),
            now,
            &self.garden.site.time_zone,
        );
        let text = format!(
            "Yes: the bag is {bag_temperature:.1} °C and {} {tank_temperature:.1} °C. It takes about {} minutes; if it \
             begins now the fish are let go at about {when}.",
            tank.name, release,
        );
        Acclimatising {
            steps,
            differs: plan.differs(),
            why: plan.why(),
            ..answer(AcclimatiseAnswer::Yes, text)
        }
    }

    /// What speaks against new fish in this tank at all.
    fn tank_trouble(&self, index: u16, tank_c: Option<f64>) -> Option<String> {
        let tank = self.garden.tank(index);
        let alarms: Vec<String> = [
            (Kind::TankTemperatureShock, "its temperature has changed too fast"),
            (Kind::TankTooWarm, "it is too warm"),
            (Kind::TankTooCold, "it is too cold"),
            (Kind::LowOxygen, "it has, or may have, too little oxygen"),
            (Kind::Ammonia, "its last water test found too much ammonia"),
            (Kind::Nitrite, "its last water test found too much nitrite"),
            (Kind::Ph, "its pH is out of range or on the way there"),
        ]
        .into_iter()
        .filter(|(kind, _)| self.is_active(AlarmPlace::Tank(index), *kind))
        .map(|(_, words)| words.to_owned())
        .collect();
        if !alarms.is_empty() {
            return Some(format!("{} is in alarm: {}.", tank.name, spoken::list(&alarms)));
        }
        let c = tank_c?;
        let (low, high) = (tank.limits.cold_c, tank.limits.warm_c);
        (c < low || c > high).then(|| {
            format!(
                "{} is {c:.1} °C, and {} should have {low:.0} to {high:.0} °C.",
                tank.name,
                tank.fish_name()
            )
        })
    }
}

/// How far bag and tank may be apart: what the fish may pass through in a day, and
/// no more than a sealed bag has time for.
fn farthest_c(tank: &Tank, difference_c: f64) -> f64 {
    let day = tank
        .limits
        .within(Window::Day)
        .map_or(FARTHEST_C, |l| if difference_c > 0.0 { l.rise_c } else { l.fall_c });
    day.min(FARTHEST_C)
}

/// What is known when the answer is yes.
struct Plan<'a> {
    tank: &'a Tank,
    bag: Bag,
    tank_c: f64,
    tank_ph: Option<f64>,
    handling: Handling,
}

impl Plan<'_> {
    fn difference_c(&self) -> f64 {
        self.tank_c - self.bag.temperature_c
    }

    fn float_min(&self) -> u32 {
        // At most 150, by `FARTHEST_C`.
        float_minutes(self.difference_c()).round() as u32
    }

    fn steps(&self) -> Vec<(u32, String)> {
        let apart = self.difference_c().abs();
        let mut steps = vec![(
            0,
            format!(
                "Dim the light, leave pump and air on, and float the closed bag on {} in the shade for about {} \
                 minutes, until its water is within {NEAR_C:.0} °C of the tank's {:.1} °C{}.",
                self.tank.name,
                self.float_min(),
                self.tank_c,
                if apart > NEAR_C {
                    format!(
                        ". They are {apart:.1} °C apart: look every ten minutes, and lift the bag out for a while if \
                         it nears faster than 1 °C in ten minutes"
                    )
                } else {
                    ", which it is already".to_owned()
                }
            ),
        )];
        let floated = self.float_min();
        let mix = |scoops: u32, until: &str| {
            format!(
                "Open the bag and roll its rim down. Scoop tank water in every {SCOOP_MIN} minutes, a tenth of what is \
                 in the bag at a time, about {scoops} times, {until}."
            )
        };
        let released = match self.handling {
            Handling::ReleaseAtOnce => floated,
            Handling::Near => {
                steps.push((floated, mix(SCOOPS_NEAR, "since the pH of both is near already")));
                floated + SCOOPS_NEAR * SCOOP_MIN
            }
            Handling::MixSlowly => {
                let until = format!("until its pH is within {PH_NEAR:.1} of the tank's");
                steps.push((floated, mix(SCOOPS, &until)));
                floated + SCOOPS * SCOOP_MIN
            }
            Handling::NotKnown => {
                let until = "until its water has doubled; the pH of bag or tank is not known, so test both with one kit";
                steps.push((floated, mix(SCOOPS, until)));
                floated + SCOOPS * SCOOP_MIN
            }
        };
        let opened = if self.handling == Handling::ReleaseAtOnce {
            "After a long haul, open the bag and let the fish go at once, without mixing. "
        } else {
            ""
        };
        steps.push((
            released,
            format!(
                "{opened}Lift the fish over with a soft wet net or let them swim out; never pour the bag's water into \
                 the tank. Keep the light dim, feed nothing until tomorrow, and look after half an hour and again this \
                 evening. Fish go in before plants. Write it down: trug log fish-added. {ASK}"
            ),
        ));
        steps
    }

    fn differs(&self) -> Vec<String> {
        let mut told = vec![
            "How fast the temperature may change differs: LSU AgCenter keeps to 2.8 °C down and 3.9 °C up within 30 \
             minutes; a supplier's sheet allows 0.56 °C a minute; common practice takes 10 to 20 minutes a degree. The \
             steps keep to the slowest."
                .to_owned(),
        ];
        let chosen = match (self.handling, self.bag.hauled_h) {
            (Handling::ReleaseAtOnce, _) => "The steps follow the first, since the haul was long",
            (_, Some(_)) => "The steps follow the second, since the haul was short",
            (_, None) => "The steps follow the second; if the fish were long under way, give --hauled-hours",
        };
        told.push(format!(
            "What to do after a long haul differs. LSU AgCenter: float the sealed bag for 30 minutes in the shade, then \
             open it and release at once, because mixing lets carbon dioxide out, the pH jumps and ammonia turns toxic. \
             Common practice: mix tank water in slowly all the same. {chosen} (long: {LONG_HAUL_H:.0} hours or more, \
             this project's own figure). Ask the supplier which they want, and follow your state's rules for the \
             species."
        ));
        told
    }

    fn why(&self) -> Why {
        let apart = self.difference_c().abs();
        let mut why = vec![equations::FLOAT.step(format!(
            "|{:.1} - {:.1}| = {apart:.1} °C; {FLOAT_MIN_PER_C} x {apart:.1} = {:.0}, so {} minutes",
            self.tank_c,
            self.bag.temperature_c,
            FLOAT_MIN_PER_C * apart,
            self.float_min()
        ))];
        if let (Some(bag_ph), Some(tank_ph)) = (self.bag.ph, self.tank_ph)
            && let Ok(pka) = ionisation_constant(self.tank_c)
            && let Ok(in_bag) = un_ionised_fraction(bag_ph, self.tank_c)
            && let Ok(in_tank) = un_ionised_fraction(tank_ph, self.tank_c)
        {
            why.push(ionisation_step(self.tank_c, pka));
            why.push(equations::FRACTION.step(format!(
                "at the bag's pH {bag_ph:.1}: {:.2} %; at the tank's pH {tank_ph:.1}: {:.2} %",
                100.0 * in_bag,
                100.0 * in_tank
            )));
        }
        why
    }
}
