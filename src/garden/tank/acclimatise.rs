//! New fish in their bag: how long it floats, when tank water goes in, when they
//! are let go, and when not today.

use jiff::Timestamp;

use crate::alarms::{Kind, State};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::core::Core;
use crate::garden::log::{LogEvent, WaterTest};
use crate::garden::plan::Tank;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{BAG, FISH, HANDS, take_care};
use crate::garden::tank::swing::Swing;
use crate::garden::tank::temperature::hourly;

use crate::model::add_seconds;
use crate::tank::{
    Bag, FARTHEST_C, FLOAT_MIN_PER_C, GROWN_G, Handling, LONG_HAUL_H, NEAR_C, PH_NEAR, PRACTICE_KG_M3,
    SEALED_MOST_MIN, STOCKING_MOST_KG_M3, Stocking, TRADE_UP_TO_C, TubChanges, Window, density_kg_m3,
    equations, float_minutes, handling, ionisation_constant, ionisation_step, stocking, tub_changes,
    un_ionised_fraction,
};
use crate::text::spoken;
use crate::why::Why;

/// A test of ammonia or nitrite that is older says too little about today, seconds; and how
/// long after a shock no new fish come (both this project's own figures).
const TEST_HOLDS_S: i64 = 2 * 86_400;
const SHOCK_HOLDS_S: i64 = 86_400;
/// What is done with fish that are here already and cannot go in today (common practice).
/// After a long haul the bag's water is left behind: opened, it loses its carbon dioxide, its
/// pH jumps and its ammonia turns toxic (LSU AgCenter).
const HERE_SHORT_HAUL: &str = "Pour fish that are here already into a clean tub in the shade, with their own water. Give the \
                               tub air, cover it, and feed nothing. Every half hour change a tenth of its water for water \
                               of the same temperature, treated against chlorine and chloramine.";
const HERE_LONG_HAUL: &str = "For fish that are here already, fill a clean tub in the shade with water as warm as the bag's, \
                              treated against chlorine and chloramine. Give it air, net the fish across, and leave the \
                              bag's water in the bag. Cover the tub, feed nothing, and change a tenth of its water every \
                              half hour for water like it.";
const HERE: &str = "A tub is for a few hours only: ring the supplier or your fisheries adviser now. Send the fish on no \
                    other journey, and let none go into a creek or dam.";
/// How far bag and tank may be apart for a closed bag to wait on the tank, °C: as far as the
/// trade's rate goes.
const WAITS_ON_TANK_C: f64 = TRADE_UP_TO_C;
/// New fish can bring disease; how long they stay apart is the supplier's or adviser's word.
const QUARANTINE: &str =
    "If you have a quarantine tank, new fish stay there first, for as long as your fisheries adviser says.";
/// A bag that was written down longer ago floats no more.
const BAG_HOLDS_S: i64 = 6 * 3600;
/// Minutes between two scoops of tank water, and how many: together about as
/// much as the bag holds (common practice).
const SCOOP_MIN: u32 = 5;
const SCOOPS: u32 = 10;
/// Scoops where pH is near.
const SCOOPS_NEAR: u32 = 3;

/// What was said about the fish and their bag; of the bag, what is missing is looked for in
/// the log.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BagGiven {
    pub temperature_c: Option<f64>,
    pub ph: Option<f64>,
    pub hauled_h: Option<f64>,
    /// How many fish there are, and what one weighs, g.
    pub fish: Option<u32>,
    pub grams_each: Option<f64>,
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

/// What must be known before the answer can be yes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AcclimatiseLack {
    TankTemperature,
    BagTemperature,
    HoursUnderWay,
    HowManyFish,
    GramsEach,
    AmmoniaTest,
    NitriteTest,
}

impl AcclimatiseLack {
    /// What is missing, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::TankTemperature => "the temperature in the tank",
            Self::BagTemperature => "the temperature in the bag",
            Self::HoursUnderWay => "how many hours the fish were under way",
            Self::HowManyFish => "how many fish there are",
            Self::GramsEach => "what one fish weighs",
            Self::AmmoniaTest => "a test of ammonia of the last two days",
            Self::NitriteTest => "a test of nitrite of the last two days",
        }
    }

    /// The command's argument for it; `None`: it is written into the log.
    fn argument(self) -> Option<&'static str> {
        Some(match self {
            Self::TankTemperature => "--tank-temp-c",
            Self::BagTemperature => "--bag-temp-c",
            Self::HoursUnderWay => "--hauled-hours",
            Self::HowManyFish => "--fish",
            Self::GramsEach => "--grams-each",
            Self::AmmoniaTest | Self::NitriteTest => return None,
        })
    }
}

/// The answer with its steps and reasons.
#[derive(Clone, Debug, PartialEq)]
pub struct Acclimatising {
    pub answer: AcclimatiseAnswer,
    /// One or two sentences.
    pub text: String,
    /// What is missing, where the answer is unknown.
    pub lacks: Vec<AcclimatiseLack>,
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

impl Acclimatising {
    /// Where the bag waits while something is missing.
    pub fn meanwhile(&self) -> &'static str {
        let far = self.tank_c.zip(self.bag_c).is_some_and(|(tank, bag)| (tank - bag).abs() > WAITS_ON_TANK_C);
        if far {
            "Meanwhile stand the closed bag in the shade beside the tank, and ask again within the hour."
        } else {
            "Meanwhile float the closed bag on the tank in the shade, and ask again within the hour."
        }
    }
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
            lacks: vec![],
            steps: vec![],
            differs: vec![],
            tank_c,
            bag_c,
            tank_ph,
            bag_ph,
            why: vec![],
            at: now,
        };
        let here = match bag.hauled_h {
            Some(hours) if hours < LONG_HAUL_H => HERE_SHORT_HAUL,
            // Not known: as after a long haul.
            Some(_) | None => HERE_LONG_HAUL,
        };
        let not_today = |why: &str| {
            let care = take_care(&[BAG, FISH]);
            answer(AcclimatiseAnswer::NotToday, format!("Not today: {why} {here} {HERE} {care}"))
        };
        if let Some(trouble) = self.tank_trouble(index, tank_c, now) {
            return not_today(&format!("{trouble} Put no fish into it before that is over."));
        }
        let (
            Some(bag_temperature),
            Some(tank_temperature),
            Some(hauled_h),
            Some(fish),
            Some(grams),
            true,
            true,
        ) = (
            bag_c,
            tank_c,
            bag.hauled_h,
            bag.fish,
            bag.grams_each,
            self.tested_lately(index, now, |test| test.ammonia_mg_l),
            self.tested_lately(index, now, |test| test.nitrite_n_mg_l()),
        )
        else {
            let lacks = self.acclimatise_lacks(index, &bag, bag_c, tank_c, now);
            let text = self.lacks_words(index, &lacks, now);
            let mut told = Acclimatising { lacks, ..answer(AcclimatiseAnswer::Unknown, text) };
            told.text = format!("{} {}", told.text, told.meanwhile());
            return told;
        };
        let there = self.fish_in(tank, now);
        let crowd = NewCrowd::of(tank, there, self.fish_weigh(tank, now), fish, grams);
        if stocking(crowd.kg_m3) == Stocking::TooMany {
            return not_today(&format!(
                "with {fish} more fish of {grams:.0} g {} would hold {:.1} kg of fish; for its {:.0} L that is too many, the \
                 most is {:.0} kg.",
                tank.name,
                crowd.kg_m3 * tank.volume_l / 1000.0,
                tank.volume_l,
                STOCKING_MOST_KG_M3 * tank.volume_l / 1000.0,
            ));
        }
        let difference_c = tank_temperature - bag_temperature;
        let most_c = farthest_c(tank, difference_c);
        if difference_c.abs() > most_c {
            return not_today(&format!(
                "the bag is {bag_temperature:.1} °C and {} {tank_temperature:.1} °C, {:.1} °C apart; {} should not pass \
                 through more than {most_c:.1} °C in a day.",
                tank.name,
                difference_c.abs(),
                tank.fish_name(),
            ));
        }
        let bag = Bag { temperature_c: bag_temperature, ph: bag_ph, hauled_h };
        let hourly_c = hourly(tank, difference_c > 0.0);
        let minutes = float_minutes(difference_c, hourly_c, bag.is_long_hauled());
        let plan = Plan {
            tank,
            bag,
            tank_c: tank_temperature,
            tank_ph,
            handling: handling(&bag, tank_ph),
            hourly_c,
            minutes,
        };
        let steps = plan.steps();
        let release = steps.iter().map(|(minute, _)| *minute).max().unwrap_or(0);
        let when = spoken::moment_seen_from(
            about(add_seconds(now, i64::from(release) * 60)),
            now,
            &self.garden.site.time_zone,
        );
        let text = format!(
            "Yes: the bag is {bag_temperature:.1} °C and {} {tank_temperature:.1} °C. {QUARANTINE} It takes about {}; if you \
             begin now, the fish go in at about {when}. {}",
            tank.name,
            spoken::duration(i64::from(release) * 60),
            crowd.words(tank, fish, there),
        );
        let mut why = plan.why();
        why.extend(crowd.why);
        Acclimatising { steps, differs: plan.differs(), why, ..answer(AcclimatiseAnswer::Yes, text) }
    }

    /// Whether the water was tested for something within the last two days.
    fn tested_lately(&self, index: u16, now: Timestamp, pick: impl Fn(&WaterTest) -> Option<f64>) -> bool {
        self.tested(index, now, pick).is_some_and(|(at, _)| now.as_second() - at.as_second() <= TEST_HOLDS_S)
    }

    /// What is missing, in the order to ask for it.
    fn acclimatise_lacks(
        &self,
        index: u16,
        bag: &BagGiven,
        bag_c: Option<f64>,
        tank_c: Option<f64>,
        now: Timestamp,
    ) -> Vec<AcclimatiseLack> {
        use AcclimatiseLack::{
            AmmoniaTest, BagTemperature, GramsEach, HoursUnderWay, HowManyFish, NitriteTest, TankTemperature,
        };
        let known = [
            (TankTemperature, tank_c.is_some()),
            (BagTemperature, bag_c.is_some()),
            (HoursUnderWay, bag.hauled_h.is_some()),
            (HowManyFish, bag.fish.is_some()),
            (GramsEach, bag.grams_each.is_some()),
            (AmmoniaTest, self.tested_lately(index, now, |test| test.ammonia_mg_l)),
            (NitriteTest, self.tested_lately(index, now, |test| test.nitrite_n_mg_l())),
        ];
        known.into_iter().filter(|(_, known)| !known).map(|(lack, _)| lack).collect()
    }

    fn lacks_words(&self, index: u16, lacks: &[AcclimatiseLack], now: Timestamp) -> String {
        let tank = self.garden.tank(index);
        let missing: Vec<String> = lacks.iter().map(|lack| lack.words().to_owned()).collect();
        let given: Vec<String> = lacks.iter().filter_map(|lack| lack.argument()).map(str::to_owned).collect();
        let mut text = format!("Trug can't tell yet for {}: {} missing.", tank.name, are(&missing));
        if lacks.contains(&AcclimatiseLack::TankTemperature) {
            text += &format!(" {}", self.why_tank_unknown(index, now));
        }
        if !given.is_empty() {
            text += &format!(" Give {}.", spoken::list(&given));
        }
        if lacks.iter().any(|lack| lack.argument().is_none()) {
            text += &format!(
                " Test the tank's water, and enter it in the Garden log: trug log water-test {} --ammonia MG/L --nitrite \
                 MG/L. Where the kit reads the ion (NO2, not NO2-N), give --nitrite-ion in its place.",
                tank.id
            );
        }
        text
    }

    /// What speaks against new fish in this tank at all.
    fn tank_trouble(&self, index: u16, tank_c: Option<f64>, now: Timestamp) -> Option<String> {
        let tank = self.garden.tank(index);
        let zone = &self.garden.site.time_zone;
        let water = |shock: &Swing| format!("its water {}", shock.words(zone));
        let shock = self.tanks[usize::from(index)].shock;
        let alarms: Vec<String> = [
            (Kind::PumpStopped, "its pump has stopped", ""),
            (
                Kind::TankTemperatureShock,
                "its temperature has changed too fast",
                "its temperature changed too fast",
            ),
            (Kind::TankTooWarm, "it is too warm", "it was too warm"),
            (Kind::TankTooCold, "it is too cold", "it was too cold"),
            (
                Kind::LowOxygen,
                "it has, or may have, too little oxygen",
                "it had, or may have had, too little oxygen",
            ),
            (
                Kind::Ammonia,
                "its last water test found too much ammonia",
                "a water test found too much ammonia",
            ),
            (
                Kind::Nitrite,
                "its last water test found too much nitrite",
                "a water test found too much nitrite",
            ),
            (
                Kind::Ph,
                "its pH is out of range or on the way there",
                "its pH was out of range or on the way there",
            ),
        ]
        .into_iter()
        .filter_map(|(kind, is, was)| {
            let slot = self.alarms.get(AlarmPlace::Tank(index).alarm(kind))?;
            // A change names its moment; the others, when they were over.
            let change = shock.filter(|_| kind == Kind::TankTemperatureShock).map(|shock| water(&shock));
            match slot.life().state() {
                State::LatchedUnacknowledged | State::LatchedAcknowledged => {
                    let until = slot.last().map_or(String::new(), |(at, _)| {
                        format!(" until {}", spoken::moment_seen_from(*at, now, zone))
                    });
                    let what = change.unwrap_or_else(|| format!("{was}{until}"));
                    Some(format!("{what}, and nobody has answered yet that the fish are well"))
                }
                state => state.is_active().then(|| change.unwrap_or_else(|| is.to_owned())),
            }
        })
        .collect();
        if !alarms.is_empty() {
            return Some(format!("{} is in alarm: {}.", tank.name, spoken::list(&alarms)));
        }
        let state = &self.tanks[usize::from(index)];
        if let Some(at) = state.shock_at.filter(|at| now.as_second() - at.as_second() <= SHOCK_HOLDS_S) {
            let what = shock.map_or("its temperature changed too fast".to_owned(), |shock| water(&shock));
            let until = spoken::moment_seen_from(add_seconds(at, SHOCK_HOLDS_S), now, zone);
            return Some(format!("{}: {what}. The fish there need rest until {until}.", tank.name));
        }
        let c = tank_c?;
        let (low, high) = (tank.limits.cold_c, tank.limits.warm_c);
        (c < low || c > high).then(|| {
            format!(
                "{} is {c:.1} °C, and for {} danger begins below {low:.0} and above {high:.0} °C.",
                tank.name,
                tank.fish_name()
            )
        })
    }
}

/// To the next five minutes: "about".
fn about(at: Timestamp) -> Timestamp {
    const FIVE_S: i64 = 300;
    add_seconds(at, (-at.as_second()).rem_euclid(FIVE_S))
}

/// "a and b are".
fn are(missing: &[String]) -> String {
    format!("{} {}", spoken::list(missing), if missing.len() == 1 { "is" } else { "are" })
}

/// The tank with the new fish in it.
struct NewCrowd {
    kg_m3: f64,
    /// When all of them are grown to table size.
    grown_kg_m3: f64,
    /// The equations behind both.
    why: Why,
}

impl NewCrowd {
    /// Fish whose weight nobody has written down count as grown: the cautious case.
    fn of(tank: &Tank, there: Option<u32>, weigh_g: Option<f64>, fish: u32, grams: f64) -> Self {
        let (old, volume_l) = (there.unwrap_or(0), tank.volume_l);
        let old_g = weigh_g.unwrap_or(GROWN_G);
        let kg_m3 = density_kg_m3(old, old_g, volume_l) + density_kg_m3(fish, grams, volume_l);
        let all = old.saturating_add(fish);
        let grown_kg_m3 = density_kg_m3(all, GROWN_G, volume_l);
        let why = vec![
            equations::DENSITY.step(format!(
                "({old} x {old_g:.0} g + {fish} x {grams:.0} g) / {volume_l:.0} L = {kg_m3:.1} kg/m3"
            )),
            equations::GROWN
                .step(format!("{all} x {GROWN_G:.0} g / {volume_l:.0} L = {grown_kg_m3:.1} kg/m3")),
        ];
        Self { kg_m3, grown_kg_m3, why }
    }

    fn words(&self, tank: &Tank, fish: u32, there: Option<u32>) -> String {
        let Some(old) = there else {
            return "How many fish are in it already is not in the Garden log, so Trug can't tell whether there is room."
                .to_owned();
        };
        let all = old.saturating_add(fish);
        let is = format!("That makes {all} fish in {:.0} L", tank.volume_l);
        let room = |kg_m3: f64| (kg_m3 * tank.volume_l / GROWN_G).floor().max(0.0);
        let (least, most) = (room(PRACTICE_KG_M3.0), room(PRACTICE_KG_M3.1));
        let fewer = most - f64::from(old);
        let fewer =
            if fewer >= 1.0 { format!("Take {fewer:.0} at most") } else { "Better take none".to_owned() };
        let then = match stocking(self.grown_kg_m3) {
            Stocking::Fits => return format!("{is}: there is room for them when they are grown."),
            Stocking::Dense => "",
            Stocking::TooMany => " Plan now where some of them go when they grow.",
        };
        format!(
            "{is}, and by common practice it has room for {least:.0} to {most:.0} grown ones. {fewer} if you can. If all go \
             in, feed half, and test ammonia and nitrite every day for two weeks.{then}"
        )
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
    /// What the tank's limits allow within an hour in this direction, °C.
    hourly_c: f64,
    minutes: f64,
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

    fn steps(&self) -> Vec<(u32, String)> {
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

    fn differs(&self) -> Vec<String> {
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

    fn why(&self) -> Why {
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
