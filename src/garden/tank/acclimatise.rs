//! New fish in their bag: how long it floats, when tank water goes in, when they
//! are let go, and when not today.

mod crowd;
mod steps;

use jiff::Timestamp;

use crowd::NewCrowd;
use steps::Plan;

use crate::alarms::{Kind, State};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::core::Core;
use crate::garden::log::{LogEvent, WaterTest};
use crate::garden::plan::Tank;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{BAG, FISH, take_care};
use crate::garden::tank::swing::Swing;
use crate::garden::tank::temperature::hourly;
use crate::model::add_seconds;
use crate::tank::{
    Bag, FARTHEST_C, LONG_HAUL_H, Stocking, TRADE_UP_TO_C, Window, float_minutes, handling, stocking,
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

/// Why the fish cannot go in today, and what is done with those that are here already.
fn not_today_words(why: &str, hauled_h: Option<f64>) -> String {
    let here = match hauled_h {
        Some(hours) if hours < LONG_HAUL_H => HERE_SHORT_HAUL,
        // Not known: as after a long haul.
        Some(_) | None => HERE_LONG_HAUL,
    };
    let care = take_care(&[BAG, FISH]);
    format!("Not today: {why} {here} {HERE} {care}")
}

impl SiteState {
    fn acclimatise(&self, index: u16, bag: BagGiven, given: TankGiven, now: Timestamp) -> Acclimatising {
        let tank = self.garden.tank(index);
        let BagGiven { temperature_c: bag_c, ph: bag_ph, .. } = self.with_logged(index, bag, now);
        let TankGiven { temperature_c: tank_c, ph: tank_ph } = self.with_measured(index, given, now);
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
        let not_today = |why: &str| answer(AcclimatiseAnswer::NotToday, not_today_words(why, bag.hauled_h));
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
            return not_today(&crowd.too_many_words(tank, fish, grams));
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

    /// What is known of a bag: what is not given is looked for in the log.
    fn with_logged(&self, index: u16, bag: BagGiven, now: Timestamp) -> BagGiven {
        let logged = self.log.newest(&self.garden.tank(index).id, now, |seen| match seen {
            LogEvent::Bag { temperature_c, ph } => Some((*temperature_c, *ph)),
            _ => None,
        });
        let (logged_c, logged_ph) = logged
            .filter(|(at, _)| now.as_second() - at.as_second() <= BAG_HOLDS_S)
            .map_or((None, None), |(_, bag)| bag);
        BagGiven { temperature_c: bag.temperature_c.or(logged_c), ph: bag.ph.or(logged_ph), ..bag }
    }

    /// What is known of a tank: what is not given is what its sensors or the last test say.
    fn with_measured(&self, index: u16, given: TankGiven, now: Timestamp) -> TankGiven {
        TankGiven {
            temperature_c: given.temperature_c.or_else(|| self.tank_water(index, now).map(|w| w.coldest_c)),
            ph: given.ph.or_else(|| self.tank_ph(index, now).map(|ph| ph.lowest)).or_else(|| {
                let (at, ph) = self.tested(index, now, |t| t.ph)?;
                (now.as_second() - at.as_second() <= 7 * 86_400).then_some(ph)
            }),
        }
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
                    let until = slot.last_at().map_or(String::new(), |at| {
                        format!(" until {}", spoken::moment_seen_from(at, now, zone))
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

/// How far bag and tank may be apart: what the fish may pass through in a day, and
/// no more than a sealed bag has time for.
fn farthest_c(tank: &Tank, difference_c: f64) -> f64 {
    let day = tank
        .limits
        .within(Window::Day)
        .map_or(FARTHEST_C, |l| if difference_c > 0.0 { l.rise_c } else { l.fall_c });
    day.min(FARTHEST_C)
}
