//! May mulch go down on a bed today?
//!
//! Mulch keeps in what is there: on dry soil it keeps the rain out, and on soil
//! that sheds water it hides that. So the soil is wetted first, and before that a
//! wetting agent mends soil that sheds water.

use jiff::Timestamp;

use crate::alarms::Kind;
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::bed::advice::{When, advice, litres_wanted};
use crate::garden::bed::dryness::MOIST_PART;
use crate::garden::core::Core;
use crate::garden::log::LogEvent;
use crate::garden::plan::Bed;
use crate::garden::site::{BedWater, SiteState};
use crate::model::add_seconds;
use crate::soil::{WATER_DROP, WaterDrop};
use crate::text::spoken;
use crate::watering::{Runs, litres_step, minutes_step, runs};
use crate::why::{Check, Equation, Why};

/// Below this part of available water a soil has often become water-repellent.
/// Common practice gives no number; this is ours, and on the safe side: a
/// wetting agent does no harm on soil that did not need it.
const SHEDS_WATER_BELOW: f64 = 0.25;

/// Depth of mulch where the garden file gives none, mm (common practice).
const USUAL_DEPTH_MM: f64 = 100.0;

const DAY_S: i64 = 86_400;
/// For so long a wetting agent is not asked for again; ours, labels say how long
/// each lasts.
const AGENT_HOLDS_S: i64 = 28 * DAY_S;
/// A water-drop test older than this says nothing about today; ours.
const DROP_HOLDS_S: i64 = 60 * DAY_S;
/// Mulch is renewed every year (common practice, without a published source).
const MULCH_LASTS_S: i64 = 365 * DAY_S;

/// Volume of mulch.
pub(crate) const MULCH_VOLUME: Equation = Equation {
    gives: "mulch for the bed",
    form: "V = area x depth; 1 mm on 1 m2 is 1 L",
    source: "arithmetic",
    check: Check::Arithmetic,
};

/// The depletion up to which a bed may be mulched.
pub(crate) const MOIST_LIMIT: Equation = Equation {
    gives: "depletion up to which mulch may go down",
    form: "limit = 0.5 RAW",
    source: "common practice asks for moist soil; the half of readily available water is this project's own",
    check: Check::None("no publication gives a number"),
};

/// The room's equations.
pub(crate) const EQUATIONS: &[Equation] = &[MULCH_VOLUME, MOIST_LIMIT];

/// The answer in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MulchAnswer {
    Yes,
    WaterFirst,
    WettingAgentFirst,
    Unknown,
}

impl MulchAnswer {
    /// The name for programs.
    pub fn name(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::WaterFirst => "water-first",
            Self::WettingAgentFirst => "wetting-agent-first",
            Self::Unknown => "unknown",
        }
    }
}

/// Water that may run within the bed's allowed hours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterRun {
    pub from: Timestamp,
    pub to: Timestamp,
    pub litres: f64,
}

/// The answer with its reasons.
#[derive(Clone, Debug, PartialEq)]
pub struct MulchDay {
    pub answer: MulchAnswer,
    pub text: String,
    /// Part of the bed's available water that is left.
    pub available_left: Option<f64>,
    /// Root-zone depletion, mm.
    pub depletion_mm: Option<f64>,
    /// Water that brings the bed to field capacity, where it is asked for, litres.
    pub water_l: Option<f64>,
    /// When that water may run; empty where the bed has no rate of its own.
    pub runs: Vec<WaterRun>,
    /// Mulch for the whole bed at its planned depth, litres.
    pub mulch_l: f64,
    pub depth_mm: f64,
    /// When mulch was last laid, as somebody wrote down.
    pub laid: Option<Timestamp>,
    /// Whether that is more than a year ago.
    pub renew: bool,
    /// The equations behind the answer.
    pub why: Why,
    /// The time for which the answer holds.
    pub at: Timestamp,
}

impl Core {
    /// Answers for a bed of a site at `now`. `None` if there is no such bed.
    pub fn mulch_day(&self, site: Option<&str>, bed: &str, now: Timestamp) -> Option<MulchDay> {
        self.site_states().filter(|s| site.is_none_or(|id| s.garden.site.id.as_str() == id)).find_map(
            |state| {
                let index = state.garden.beds.iter().position(|b| b.id.as_str() == bed)?;
                Some(state.mulch_day(u16::try_from(index).ok()?, now))
            },
        )
    }
}

/// Why the soil wants a wetting agent.
enum Sheds {
    /// The alarm stands.
    Alarm,
    /// A drop stayed for so long.
    Drop(WaterDrop),
    /// It is drier than soil that takes water again by itself often is.
    Dry,
}

impl SiteState {
    fn mulch_day(&self, index: u16, now: Timestamp) -> MulchDay {
        let bed = self.garden.bed(index);
        let depth_mm = bed.mulch.map_or(USUAL_DEPTH_MM, |m| m.depth_mm);
        // A millimetre on a square metre is a litre.
        let mulch_l = bed.area_m2 * depth_mm;
        let frozen = self.may_be_frozen(index, now);
        let water = self.bed_water(index, now).filter(|_| !frozen);
        let (laid, renew) = self.mulch_laid(index, now);
        let mut day = MulchDay {
            answer: MulchAnswer::Unknown,
            text: String::new(),
            available_left: water.map(|w| w.available_left),
            depletion_mm: water.map(|w| w.depletion_mm),
            water_l: None,
            runs: Vec::new(),
            mulch_l,
            depth_mm,
            laid: laid.map(|(at, _)| at),
            renew,
            why: Why::new(),
            at: now,
        };
        let said = match (self.sheds(index, water, now), water) {
            (Some(sheds), _) => self.agent_first(&mut day, index, &sheds, water),
            (None, None) if frozen => format!(
                "Not known: the soil of {} may be frozen, and ice hides its water from the probes. Wait until it has \
                 thawed.",
                bed.name
            ),
            (None, None) => self.why_unknown(index, bed, now),
            (None, Some(w)) => self.by_water(&mut day, index, &w),
        };
        let renewal = self.mulch_renewal(index, now).map_or_else(String::new, |words| format!(" {words}"));
        day.text = format!(
            "{said} {} of mulch ({:.2} m3) cover its {:.1} m2 to {depth_mm:.0} mm.{renewal}",
            spoken::litres(mulch_l),
            mulch_l / 1000.0,
            bed.area_m2
        );
        day.why.push(MULCH_VOLUME.step(format!(
            "{:.1} m2 x {depth_mm:.0} mm = {mulch_l:.0} L = {:.2} m3",
            bed.area_m2,
            mulch_l / 1000.0
        )));
        day
    }

    /// Whether a wetting agent has to come first. One that was used lately is not
    /// asked for again: then it is water's turn, and a drop's to tell.
    fn sheds(&self, index: u16, water: Option<BedWater>, now: Timestamp) -> Option<Sheds> {
        let place = &self.garden.bed(index).id;
        let agent_at = self
            .log
            .newest(place, now, |seen| matches!(seen, LogEvent::WettingAgent).then_some(()))
            .map(|(at, ())| at)
            .filter(|at| *at >= add_seconds(now, -AGENT_HOLDS_S));
        let drop = self.water_drop(index, now).filter(|(at, _)| *at >= add_seconds(now, -DROP_HOLDS_S));
        // A drop that was tried after the agent tells more than the agent.
        if let Some((at, class)) = drop
            && class.wants_wetting_agent()
            && agent_at.is_none_or(|agent_at| agent_at < at)
        {
            return Some(Sheds::Drop(class));
        }
        let good_drop = drop.is_some_and(|(_, class)| class == WaterDrop::Wettable);
        if agent_at.is_some() || good_drop {
            return None;
        }
        if self.is_active(AlarmPlace::Bed(index), Kind::WaterRepellentSoil) {
            return Some(Sheds::Alarm);
        }
        water.filter(|w| w.whole && w.available_left < SHEDS_WATER_BELOW).map(|_| Sheds::Dry)
    }

    fn agent_first(&self, day: &mut MulchDay, index: u16, sheds: &Sheds, water: Option<BedWater>) -> String {
        let bed = self.garden.bed(index);
        day.answer = MulchAnswer::WettingAgentFirst;
        let why = match (sheds, water) {
            (Sheds::Alarm, _) => {
                day.why.extend(self.repellent_why(index));
                format!("water that came to {} repeatedly did not soak in", bed.name)
            }
            (Sheds::Drop(class), _) => {
                day.why.push(WATER_DROP.step(format!("the last test: {}", class.name())));
                format!("the water-drop test says that {} is {}", bed.name, class.name())
            }
            (Sheds::Dry, Some(w)) => format!(
                "{} has only {} left, and soil this dry often sheds water",
                bed.name,
                spoken::water_left(w.available_left)
            ),
            (Sheds::Dry, None) => format!("{} is very dry", bed.name),
        };
        let watering = water.map_or_else(String::new, |w| format!(" {}", self.water_it(day, index, &w)));
        format!(
            "Not today: {why}. Use a soil wetting agent first, by its label, and water it in slowly.{watering} Then \
             try a drop of water (`trug log`) and ask again."
        )
    }

    fn by_water(&self, day: &mut MulchDay, index: u16, water: &BedWater) -> String {
        let bed = self.garden.bed(index);
        let zone = self.garden.bed(index).root_zone();
        let limit_mm = MOIST_PART * water.readily_available_mm;
        day.why.push(zone.total_available_step());
        day.why.push(zone.readily_available_step());
        day.why.push(
            MOIST_LIMIT
                .step(format!("{MOIST_PART} x {:.1} mm = {limit_mm:.1} mm", water.readily_available_mm)),
        );
        if !water.whole {
            day.answer = MulchAnswer::Unknown;
            return format!(
                "Not known: a probe of {} is missing, and what the others see is not the whole bed. {} Until then \
                 feel the soil a finger deep, and never mulch it dry.",
                bed.name,
                self.missing_probes(index, day.at)
            );
        }
        if water.depletion_mm > limit_mm {
            day.answer = MulchAnswer::WaterFirst;
            return format!(
                "Not yet: {} has {} left and wants at least {}. {} Then ask again.",
                bed.name,
                spoken::water_left(water.available_left),
                spoken::percent(1.0 - MOIST_PART * bed.depletion_fraction),
                self.water_it(day, index, water)
            );
        }
        day.why.push(zone.depletion_step(water.water_content));
        day.answer = MulchAnswer::Yes;
        let is_active = |kind| self.is_active(AlarmPlace::Bed(index), kind);
        let wet = if is_active(Kind::Waterlogged) {
            " It is waterlogged, though: let it drain first."
        } else if is_active(Kind::WaterLeftOn) {
            " Water still seems to run onto it, though: shut the tap first."
        } else {
            ""
        };
        format!(
            "Yes: {} is moist, {} is there.{wet} If water beads on the surface all the same, use a wetting agent \
             first. Damp the mulch down before you spread it, wear gloves and a mask, and keep it a hand's breadth \
             from stems and trunks.",
            bed.name,
            spoken::water_left(water.available_left)
        )
    }

    /// How many litres bring the bed to field capacity, and when they may run.
    fn water_it(&self, day: &mut MulchDay, index: u16, water: &BedWater) -> String {
        let bed = self.garden.bed(index);
        let zone = &self.garden.site.time_zone;
        let hours = self.garden.watering_hours(&bed.id);
        let litres = litres_wanted(bed, water);
        day.water_l = Some(litres);
        day.why.push(self.garden.bed(index).root_zone().depletion_step(water.water_content));
        day.why.push(litres_step(water.depletion_mm, bed.area_m2, bed.efficiency(), litres));
        if let Some(irrigation) = &bed.irrigation {
            day.why.push(minutes_step(litres, irrigation));
            if let Runs::Planned { runs, .. } = runs(litres, irrigation.litres_per_hour, hours, zone, day.at)
            {
                day.runs = runs
                    .iter()
                    .map(|run| WaterRun { from: run.from, to: run.to, litres: run.litres })
                    .collect();
            }
        }
        advice(bed, water, &When::of(&self.garden, bed, day.at))
    }

    /// The steps that the open alarm was raised by.
    fn repellent_why(&self, index: u16) -> Why {
        let slot = self.alarms.get(AlarmPlace::Bed(index).alarm(Kind::WaterRepellentSoil));
        slot.and_then(|slot| slot.last.as_ref()).map(|last| last.1.why.clone()).unwrap_or_default()
    }

    /// When mulch was last laid and how deep, and whether it wants renewing.
    fn mulch_laid(&self, index: u16, now: Timestamp) -> (Option<(Timestamp, f64)>, bool) {
        let place = &self.garden.bed(index).id;
        let laid = self.log.newest(place, now, |seen| match seen {
            LogEvent::MulchLaid { depth_mm } if *depth_mm > 0.0 => Some(*depth_mm),
            _ => None,
        });
        let renew = laid.is_some_and(|(at, _)| now.as_second() - at.as_second() > MULCH_LASTS_S);
        (laid, renew)
    }

    /// "Its mulch was laid on ..., more than a year ago: renew it." `None` before.
    pub(crate) fn mulch_renewal(&self, index: u16, now: Timestamp) -> Option<String> {
        let (laid, renew) = self.mulch_laid(index, now);
        let date = self.garden.site.time_zone.to_datetime(laid.filter(|_| renew)?.0).date();
        Some(format!(
            "Its mulch was laid on {} {}, more than a year ago: renew it.",
            spoken::day(date),
            date.year()
        ))
    }

    /// Says which probes are missing and since when.
    fn why_unknown(&self, index: u16, bed: &Bed, now: Timestamp) -> String {
        format!(
            "Not known: no probe of {} has a fresh good reading. {} Until then feel the soil a finger deep, and never \
             mulch it dry.",
            bed.name,
            self.missing_probes(index, now)
        )
    }

    fn missing_probes(&self, index: u16, now: Timestamp) -> String {
        let zone = &self.garden.site.time_zone;
        let reasons: Vec<String> = self.beds[usize::from(index)]
            .probes
            .iter()
            .filter(|&&probe| self.fresh(probe, now).is_none())
            .map(|&probe| {
                let id = &self.garden.sensor(probe).id;
                match self.sensors[usize::from(probe)].good {
                    None => format!("{id} has given no good reading yet"),
                    Some((at, _)) => {
                        format!(
                            "{id} gave its last good reading at {}",
                            spoken::moment_seen_from(at, now, zone)
                        )
                    }
                }
            })
            .collect();
        if reasons.is_empty() {
            return "It has no soil-moisture probe.".to_owned();
        }
        format!("Look at the sensors: {}.", spoken::list(&reasons))
    }
}
