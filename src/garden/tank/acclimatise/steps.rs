//! From the bag into the tank, minute by minute, where new fish may go in.

use crate::garden::plan::Tank;
use crate::garden::tank::care::{BAG, FISH, HANDS, take_care};
use crate::tank::{
    Bag, FLOAT_MIN_PER_C, Handling, LONG_HAUL_H, NEAR_C, PH_NEAR, SEALED_MOST_MIN, TRADE_UP_TO_C, TubChanges,
    equations, ionisation_constant, ionisation_step, tub_changes, un_ionised_fraction,
};
use crate::why::Why;

/// Minutes between two scoops of tank water, and how many: together about as
/// much as the bag holds (common practice).
const SCOOP_MIN: u32 = 5;
const SCOOPS: u32 = 10;
/// Scoops where pH is near.
const SCOOPS_NEAR: u32 = 3;

/// What is known when the answer is yes.
pub(super) struct Plan<'a> {
    pub(super) tank: &'a Tank,
    pub(super) bag: Bag,
    pub(super) tank_c: f64,
    pub(super) tank_ph: Option<f64>,
    pub(super) handling: Handling,
    /// What the tank's limits allow within an hour in this direction, °C.
    pub(super) hourly_c: f64,
    pub(super) minutes: f64,
}

impl Plan<'_> {
    fn difference_c(&self) -> f64 {
        self.tank_c - self.bag.temperature_c
    }

    fn float_min(&self) -> u32 {
        // Some hours at most, by `FARTHEST_C` and the least limit of a file.
        self.minutes.round() as u32
    }

    /// Too long for a closed bag.
    fn needs_tub(&self) -> bool {
        self.minutes > SEALED_MOST_MIN
    }

    /// How the tub comes near the tank.
    fn tub(&self) -> TubChanges {
        // To the tenth that people read.
        tub_changes((10.0 * self.difference_c()).round() / 10.0, self.hourly_c)
    }

    fn tub_step(&self) -> String {
        let (name, TubChanges { every_min, times }) = (&self.tank.name, self.tub());
        let into = if self.bag.is_long_hauled() {
            format!(
                "Fill a clean tub in the shade beside {name} with water of {:.1} °C, treated against chlorine and \
                 chloramine, and give it air. Open the bag, net the fish across at once, and leave the bag's water: opened, \
                 it turns toxic.",
                self.bag.temperature_c
            )
        } else {
            format!(
                "Pour the fish with their own water into a clean tub in the shade beside {name}, give it air, and cover it."
            )
        };
        format!(
            "Dim the light, and leave pump and air on. {into} Hang a thermometer in the tub. Every {every_min} minutes scoop \
             out a tenth of its water (1 L of 10 L) and scoop in as much tank water, about {times} times. The tub nears the \
             tank's {:.1} °C by no more than {:.1} °C an hour: if it goes faster, wait longer between scoops.",
            self.tank_c, self.hourly_c
        )
    }

    pub(super) fn steps(&self) -> Vec<(u32, String)> {
        let apart = self.difference_c().abs();
        let floated = self.float_min();
        let name = &self.tank.name;
        let mut steps = vec![(
            0,
            if self.needs_tub() {
                self.tub_step()
            } else if apart > NEAR_C {
                format!(
                    "Dim the light, leave pump and air on, and float the closed bag on {name} in the shade for about \
                     {floated} minutes, until its water is within {NEAR_C:.0} °C of the tank's {:.1} °C. They are {apart:.1} \
                     °C apart: look every ten minutes.",
                    self.tank_c
                )
            } else {
                format!(
                    "The bag is within {NEAR_C:.0} °C of the tank already. Dim the light, leave pump and air on, and float \
                     the closed bag on {name} in the shade for {floated} minutes all the same."
                )
            },
        )];
        let mix = |scoops: u32, until: &str| {
            format!(
                "Open the bag and roll its rim down. Every {SCOOP_MIN} minutes scoop in tank water, a tenth of what is in \
                 the bag, about {scoops} times{until}"
            )
        };
        let released = match self.handling {
            // The tub has had the tank's water in it all the while.
            _ if self.needs_tub() => self.tub().every_min * self.tub().times,
            Handling::ReleaseAtOnce => floated,
            Handling::Near => {
                steps.push((floated, mix(SCOOPS_NEAR, ". The pH of both is near.")));
                floated + SCOOPS_NEAR * SCOOP_MIN
            }
            Handling::MixSlowly => {
                let until = format!(", until its pH is within {PH_NEAR:.1} of the tank's.");
                steps.push((floated, mix(SCOOPS, &until)));
                floated + SCOOPS * SCOOP_MIN
            }
            Handling::NotKnown => {
                let until = ", until its water has doubled. The pH of bag or tank is not known: test both with one kit.";
                steps.push((floated, mix(SCOOPS, until)));
                floated + SCOOPS * SCOOP_MIN
            }
        };
        let opened = match self.handling {
            _ if self.needs_tub() => "Measure tub and tank: within 1 °C, and pH within 0.3. ",
            Handling::ReleaseAtOnce => {
                "After a long haul, open the bag and net the fish over at once, without mixing: opened, its water turns \
                 toxic. "
            }
            _ => "",
        };
        let water = if self.needs_tub() { "tub's" } else { "bag's" };
        steps.push((
            released,
            format!(
                "{opened}Lift the fish over with a soft wet net; never pour the {water} water into the tank. Keep the light \
                 dim, and feed nothing until tomorrow. Look after half an hour and again this evening. Enter them in the \
                 Garden log: trug log fish-added. {}",
                take_care(&[HANDS, BAG, FISH])
            ),
        ));
        steps
    }

    pub(super) fn differs(&self) -> Vec<String> {
        let ours = if self.difference_c().abs() > TRADE_UP_TO_C {
            format!("The steps keep to this tank's own limit, {:.1} °C an hour", self.hourly_c)
        } else {
            "Up to 2 °C the steps take 15 minutes a degree".to_owned()
        };
        let chosen = if self.bag.is_long_hauled() {
            "The steps follow the first, since the haul was long"
        } else {
            "The steps follow the second, since the haul was short"
        };
        vec![
            format!(
                "How fast the temperature may change differs. The trade takes 10 to 15 minutes a degree. Slower is the \
                 ANZECC/ARMCANZ 2000 guideline, 2 °C an hour or 30 minutes a degree. Faster are LSU \
                 AgCenter, 2.8 °C down and 3.9 °C up within 30 minutes, and a supplier's sheet, 0.56 °C a minute. {ours}."
            ),
            format!(
                "What to do after a long haul differs. LSU AgCenter: float the sealed bag for 30 minutes in the shade, \
                 then open it and release at once. Mixing lets carbon dioxide out, the pH jumps, and ammonia turns toxic. \
                 After a short haul it mixes slowly, as common practice does always. {chosen} (long: {LONG_HAUL_H:.0} hours \
                 or more, this project's own figure). Ask the supplier which they want, and follow your state's rules for \
                 the species."
            ),
        ]
    }

    pub(super) fn why(&self) -> Why {
        let apart = self.difference_c().abs();
        let mut why = vec![equations::FLOAT.step(format!(
            "|{:.1} - {:.1}| = {apart:.1} °C; {}, so {} minutes",
            self.tank_c,
            self.bag.temperature_c,
            if apart > TRADE_UP_TO_C {
                format!("60 x {apart:.1} / {:.1} = {:.0}", self.hourly_c, 60.0 * apart / self.hourly_c)
            } else {
                format!("{FLOAT_MIN_PER_C} x {apart:.1} = {:.0}", FLOAT_MIN_PER_C * apart)
            },
            self.float_min()
        ))];
        if self.needs_tub() {
            let TubChanges { every_min, times } = self.tub();
            why.push(equations::TUB.step(format!(
                "60 x 0.1 x {apart:.1} / {:.1} = {:.1}, so every {every_min} minutes; ln({apart:.1}) / 0.105 = {:.1}, so \
                 {times} times",
                self.hourly_c,
                6.0 * apart / self.hourly_c,
                apart.ln() / -(0.9_f64).ln()
            )));
        }
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
