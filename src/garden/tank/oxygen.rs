//! Oxygen in a tank: by its probe, by tests, or by what warm water can hold.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::alarms::{AlarmText, Input, Kind, steps_beyond};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{FISH, HANDS, SWITCH, take_care};
use crate::garden::tank::water::{NO_TEMPERATURE, TankWater, is_old};
use crate::garden::view::Figure;
use crate::tank::Saturation;
use crate::text::spoken;
use crate::why::Why;

const SOURCE_OXYGEN: &str = "4 to 5 mg/L: FAO Technical Paper 589, chapter 7.3; 6 mg/L for fish of cold water: its table \
                             3.1; or the garden file's own; saturation: Benson and Krause 1984; distress at 4 mg/L and \
                             less: UF/IFAS; 70 % before dawn, and what to do: common practice";
/// Below this most fish are in distress, mg/L: UF/IFAS, Dissolved Oxygen for Fish Production
/// (the row "most fish are distressed at" of [`crate::tank::PUBLISHED`]). Nobody walks away.
const STAY_MG_L: f64 = 4.0;
/// Between heat that leaves too little oxygen and heat that does not, mg/L.
const HEAT_DEADBAND_MG_L: f64 = 0.1;
/// The hours in which the water's warmth is that of the night, local clock time (this
/// project's own): the afternoon's heat is gone by dawn, when oxygen is lowest.
const NIGHT_FROM_H: i8 = 21;
const NIGHT_TO_H: i8 = 7;

/// What too little oxygen was judged by.
#[derive(Clone, Copy, Debug, PartialEq)]
enum OxygenBy {
    Probe(f64),
    Test(Timestamp, f64),
    /// Only the temperature is known: what is left of saturation before dawn.
    Heat(f64),
}

impl OxygenBy {
    fn mg_l(self) -> f64 {
        match self {
            Self::Probe(mg_l) | Self::Test(_, mg_l) | Self::Heat(mg_l) => mg_l,
        }
    }
}

impl SiteState {
    pub(super) fn judge_oxygen(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let tank = self.garden.tank(index);
        let delays = self.garden.rules[Kind::LowOxygen].delays;
        let water = self.tank_water(index, at);
        let saturation = water.and_then(|w| self.saturation(w.warmest_c).ok());
        let below = |mg_l: f64| {
            let input = Input::below(mg_l, tank.limits.oxygen_mg_l, delays.deadband);
            match (tank.limits.oxygen_percent, &saturation) {
                (Some(limit), Some(s)) => {
                    let share = delays.deadband / s.mg_l * 100.0;
                    Input::worst([input, Input::below(s.percent(mg_l), limit, share)])
                }
                (Some(_), None) => Input::worst([input, Input::Unknown]),
                (None, _) => input,
            }
        };
        let night = is_night(at, &self.garden.site.time_zone);
        let heat = saturation.as_ref().map(|s| {
            let left = s.before_dawn_mg_l();
            let input = match Input::below(left, tank.limits.oxygen_mg_l, HEAT_DEADBAND_MG_L) {
                // The water may cool before the night: that is said in the tank's words.
                Input::Breach if !night => Input::Unknown,
                input => input,
            };
            (input, OxygenBy::Heat(left))
        });
        let probes = !self.tanks[usize::from(index)].oxygen_probes.is_empty();
        let measured = self.tank_oxygen(index, at).map(|oxygen| {
            (below(oxygen.lowest).unless_missing(!oxygen.whole), OxygenBy::Probe(oxygen.lowest))
        });
        // Oxygen of a fortnight ago says nothing about today.
        let tested = self.tested(index, at, |t| t.oxygen_mg_l).map(|(tested_at, mg_l)| {
            (below(mg_l).unless_missing(is_old(tested_at, at)), OxygenBy::Test(tested_at, mg_l))
        });
        // The probe counts before all; without one, a low test stands until a
        // better one, and heat can add to it. A silent probe clears nothing.
        let judged = match (measured, tested, heat) {
            (Some(measured), ..) => Some(measured),
            (None, Some(tested), _) if tested.0 == Input::Breach => Some(tested),
            (None, _, Some(heat)) if heat.0 == Input::Breach || !probes => Some(heat),
            (None, ..) => None,
        };
        let input = judged.map_or(Input::Unknown, |(input, _)| input);
        let mg_l = judged.map_or(f64::NAN, |(_, by)| by.mg_l());
        let rule = self.garden.rules[Kind::LowOxygen];
        let severity = steps_beyond(tank.limits.oxygen_mg_l - mg_l, rule.worse_by);
        let subject = AlarmPlace::Tank(index).alarm(Kind::LowOxygen);
        self.judge_graded(severity, subject, at, input, batch, |site, active| {
            let tank = site.garden.tank(index);
            let by = judged.map(|(_, by)| by);
            let pump_stands = site.pump_stands(index);
            let zone = &site.garden.site.time_zone;
            oxygen_words(tank, active, by, pump_stands, saturation.as_ref(), water, zone)
        });
    }

    pub(super) fn oxygen_figures(&self, index: u16, water: Option<TankWater>, now: Timestamp) -> Vec<Figure> {
        let holds = "Oxygen that the water can hold";
        let water_c = water.map(|w| w.warmest_c).ok_or_else(|| NO_TEMPERATURE.to_owned());
        let saturation = water_c.and_then(|c| self.saturation(c).map_err(|out| out.to_string()));
        let mut figures = vec![match &saturation {
            Ok(s) => Figure::known(holds, format!("{:.1} mg/L", s.mg_l), s.mg_l, "mg/L", s.steps.clone()),
            Err(missing) => Figure::unknown(holds, missing, "mg/L"),
        }];
        let saturation = saturation.ok();
        let probes = !self.tanks[usize::from(index)].oxygen_probes.is_empty();
        let measured =
            self.measured_or_tested(index, now, self.tank_oxygen(index, now), |test| test.oxygen_mg_l);
        match (measured, &saturation) {
            (Some((mg_l, when)), Some(s)) => {
                let percent = s.percent(mg_l);
                let mut why = s.steps.clone();
                why.push(s.percent_step(mg_l));
                let value = format!("{mg_l:.1} mg/L, {percent:.0} % of what it can hold{when}");
                figures.push(Figure::known("Oxygen", value, mg_l, "mg/L", why));
            }
            (Some((mg_l, when)), None) => {
                figures.push(Figure::known("Oxygen", format!("{mg_l:.1} mg/L{when}"), mg_l, "mg/L", vec![]));
            }
            (None, _) => {
                let missing = if probes {
                    "its probe has no fresh good reading"
                } else {
                    "it has no oxygen probe, and no test is in the Garden log"
                };
                figures.push(Figure::unknown("Oxygen", missing, "mg/L"));
                if let Some(s) = &saturation {
                    let left = s.before_dawn_mg_l();
                    let mut why = s.steps.clone();
                    why.push(s.before_dawn_step());
                    let value = format!("{left:.1} mg/L, if it is stirred no better than most");
                    figures.push(Figure::known("Oxygen to count on before dawn", value, left, "mg/L", why));
                }
            }
        }
        figures
    }
}

fn is_night(at: Timestamp, zone: &TimeZone) -> bool {
    let hour = zone.to_datetime(at).hour();
    !(NIGHT_TO_H..NIGHT_FROM_H).contains(&hour)
}

fn oxygen_words(
    tank: &Tank,
    active: bool,
    by: Option<OxygenBy>,
    pump_stands: bool,
    saturation: Option<&Saturation>,
    water: Option<TankWater>,
    zone: &TimeZone,
) -> AlarmText {
    let limit = tank.limits.oxygen_mg_l;
    let fish = tank.fish_name();
    let percent =
        |mg_l: f64| saturation.map_or(String::new(), |s| format!(" ({:.0} % of full)", s.percent(mg_l)));
    let percent_limit =
        tank.limits.oxygen_percent.map_or(String::new(), |p| format!(" and {p:.0} % of saturation"));
    let to_do = |mg_l: f64, last: &str| {
        let air = if pump_stands {
            "Its pump seems to have stopped: start it, and stir the surface now."
        } else {
            "Run all the air you have, and stir the surface now."
        };
        let cause = if pump_stands {
            ""
        } else {
            "Look whether the pump or the air stopped or a safety switch tripped. "
        };
        let stay = if mg_l < STAY_MG_L {
            format!("Stay with the fish until it is above {STAY_MG_L:.0} mg/L. ")
        } else {
            String::new()
        };
        let last = if stay.is_empty() { format!(" {last}") } else { String::new() };
        format!(
            "{air} Without a pump, pour water from a jug back into the tank from a height, again and again. {stay}{cause}Feed \
             nothing, and net out dead fish and uneaten food.{last} {}",
            take_care(&[HANDS, SWITCH, FISH])
        )
    };
    let text = match by {
        Some(OxygenBy::Probe(mg_l)) if active => format!(
            "{} has too little oxygen: {mg_l:.1} mg/L{}; {fish} should have at least {limit:.1} mg/L{percent_limit}. {}",
            tank.name,
            percent(mg_l),
            to_do(mg_l, "Look again within half an hour: it is lowest just before dawn."),
        ),
        Some(OxygenBy::Test(of, mg_l)) if active => format!(
            "{} had too little oxygen when it was tested at {}: {mg_l:.1} mg/L; {fish} should have at least \
             {limit:.1} mg/L{percent_limit}. {}",
            tank.name,
            spoken::moment(of, zone),
            to_do(mg_l, "Test again within half an hour, and enter it in the Garden log."),
        ),
        Some(OxygenBy::Heat(left)) if active => format!(
            "{} is so warm ({:.1} °C) that its oxygen may fall to {left:.1} mg/L before dawn; {fish} should have at least \
             {limit:.1} mg/L. Oxygen itself is not measured. {} Feed nothing until it is cooler. Look at the fish at \
             dawn, when oxygen is lowest. If they gasp at the surface, pour water from a jug back into the tank from a \
             height. {}",
            tank.name,
            water.map_or(f64::NAN, |w| w.warmest_c),
            if pump_stands {
                "Its pump seems to have stopped: start it now, and let it run all night."
            } else {
                "See now that the air pump runs, and let it run all night."
            },
            take_care(&[HANDS, FISH]),
        ),
        Some(OxygenBy::Probe(mg_l) | OxygenBy::Test(_, mg_l)) => {
            format!("{} has enough oxygen again: {mg_l:.1} mg/L{}.", tank.name, percent(mg_l))
        }
        Some(OxygenBy::Heat(_)) => {
            format!(
                "{} is no longer too warm to hold enough oxygen. Oxygen itself is not measured.",
                tank.name
            )
        }
        None => format!("{}: its oxygen is not known.", tank.name),
    };
    let mut values = vec![];
    let mut why = saturation.map_or_else(Why::new, |s| s.steps.clone());
    match by {
        Some(OxygenBy::Probe(mg_l) | OxygenBy::Test(_, mg_l)) => {
            values.push(("oxygen_mg_l", mg_l));
            if let Some(s) = saturation {
                values.push(("saturation_percent", s.percent(mg_l)));
                why.push(s.percent_step(mg_l));
            }
        }
        Some(OxygenBy::Heat(left)) => {
            values.push(("expected_mg_l", left));
            why.extend(saturation.map(Saturation::before_dawn_step));
        }
        None => {}
    }
    values.extend(saturation.map(|s| ("saturation_mg_l", s.mg_l)));
    values.push(("limit_mg_l", limit));
    AlarmText::new(text, &values, SOURCE_OXYGEN).because(why)
}
