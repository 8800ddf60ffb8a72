//! May mulch go down on a bed today?
//!
//! Mulch keeps in what is there: on dry soil it keeps the rain out, and on soil
//! that sheds water it hides that. So the soil is wetted first. Where it may shed water, a
//! drop of water is tried before that: a wetting agent is used only where the drop says
//! so, since it harms fish and has no business on leaves that are eaten.

use jiff::Timestamp;

use crate::alarms::Kind;
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::bed::advice::{When, advice, litres_wanted};
use crate::garden::bed::dryness::MOIST_PART;
use crate::garden::bed::mulch_state::{COARSE_MM, FINE_MM, MulchLayer, MulchRenewal, SHEDS_WATER_BELOW};
use crate::garden::core::Core;
use crate::garden::log::LogEvent;
use crate::garden::plan::Bed;
use crate::garden::site::{BedWater, SiteState};
use crate::model::add_seconds;
use crate::soil::{AGENT_CARE, HOW_TO_WATER_DROP, WATER_DROP, WaterDrop};
use crate::text::spoken;
use crate::watering::{Runs, litres_step, minutes_step, runs};
use crate::why::{Check, Equation, Why};

const DAY_S: i64 = 86_400;
/// For so long a wetting agent is not asked for again; ours, labels say how long
/// each lasts.
const AGENT_HOLDS_S: i64 = 28 * DAY_S;
/// A water-drop test older than this says nothing about today; ours.
const DROP_HOLDS_S: i64 = 60 * DAY_S;
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

/// The answer in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MulchAnswer {
    Yes,
    WaterFirst,
    /// A drop of water is to be tried first.
    DropTestFirst,
    WettingAgentFirst,
    Unknown,
}

impl MulchAnswer {
    /// The name for programs.
    pub fn name(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::WaterFirst => "water-first",
            Self::DropTestFirst => "drop-test-first",
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
    /// Whether it is to be renewed: laid more than a year ago, or less than half is left.
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

/// Why the soil may shed water.
enum Sheds {
    /// The alarm stands, and no drop was tried since.
    Alarm,
    /// A drop stayed for so long: it wants a wetting agent.
    Drop(WaterDrop),
    /// It is drier than soil that takes water again by itself often is.
    Dry,
}

/// That a depth is for coarse mulch and for trees and shrubs, where it is more than suits fine
/// mulch or vegetables. Common practice.
fn too_deep_if_fine(bed: &Bed, depth_mm: f64) -> String {
    match bed.mulch.and_then(|mulch| mulch.fine) {
        _ if depth_mm <= FINE_MM => String::new(),
        Some(false) => format!(" Round vegetables about {FINE_MM:.0} mm is enough."),
        Some(true) => format!(
            " That is deep for fine mulch: it packs and keeps the rain out. Lay {FINE_MM:.0} mm at most."
        ),
        None => format!(
            " That depth is for coarse mulch (bark, wood chip). Round vegetables, or with fine mulch (compost, sawdust, \
             clippings), lay about {FINE_MM:.0} mm."
        ),
    }
}

impl SiteState {
    fn mulch_day(&self, index: u16, now: Timestamp) -> MulchDay {
        let bed = self.garden.bed(index);
        let depth_mm = bed.mulch.map_or(COARSE_MM, |m| m.depth_mm);
        // A millimetre on a square metre is a litre.
        let mulch_l = bed.area_m2 * depth_mm;
        let frozen = self.may_be_frozen(index, now);
        let water = self.bed_water(index, now).filter(|_| !frozen);
        let layer = self.mulch_layer(index, now);
        let mut day = MulchDay {
            answer: MulchAnswer::Unknown,
            text: String::new(),
            available_left: water.map(|w| w.available_left),
            depletion_mm: water.map(|w| w.depletion_mm),
            water_l: None,
            runs: Vec::new(),
            mulch_l,
            depth_mm,
            laid: layer.map(|layer| layer.laid),
            renew: layer.is_some_and(|layer| layer.renewal(now).is_some()),
            why: Why::new(),
            at: now,
        };
        let said = match (self.sheds(index, water, now), water) {
            (Some(Sheds::Drop(class)), _) => self.agent_first(&mut day, index, class, water),
            (Some(sheds), _) => self.drop_test_first(&mut day, index, &sheds, water),
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
            "{said} {} of mulch ({:.2} m³) cover its {:.1} m² to {depth_mm:.0} mm.{}{renewal}",
            spoken::litres(mulch_l),
            mulch_l / 1000.0,
            bed.area_m2,
            too_deep_if_fine(bed, depth_mm)
        );
        day.why.push(MULCH_VOLUME.step(format!(
            "{:.1} m2 x {depth_mm:.0} mm = {mulch_l:.0} L = {:.2} m3",
            bed.area_m2,
            mulch_l / 1000.0
        )));
        day
    }

    /// Whether it is known that water does not soak into a bed: by its alarm, or by the
    /// last drop that was tried.
    pub(crate) fn is_repellent(&self, index: u16, now: Timestamp) -> bool {
        matches!(self.sheds(index, None, now), Some(Sheds::Alarm | Sheds::Drop(_)))
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
        if agent_at.is_some() {
            return None;
        }
        // Water that did not soak in since the drop was tried tells more than the drop.
        let subject = AlarmPlace::Bed(index).alarm(Kind::WaterRepellentSoil);
        let shed_since =
            self.alarms.life(subject).since().filter(|_| self.is_active(subject.place, subject.kind));
        match (shed_since, drop) {
            (Some(since), Some((tried, _))) if tried >= since => return None,
            (Some(_), _) => return Some(Sheds::Alarm),
            (None, Some(_)) => return None,
            (None, None) => {}
        }
        water.filter(|w| w.whole && w.available_left < SHEDS_WATER_BELOW).map(|_| Sheds::Dry)
    }

    fn agent_first(
        &self,
        day: &mut MulchDay,
        index: u16,
        class: WaterDrop,
        water: Option<BedWater>,
    ) -> String {
        let bed = self.garden.bed(index);
        day.answer = MulchAnswer::WettingAgentFirst;
        day.why.push(WATER_DROP.step(format!("the last test: {}", class.name())));
        let watering = water.map_or_else(String::new, |w| format!(" {}", self.water_it(day, index, &w)));
        format!(
            "Not today: by the water-drop test {} is {}. {AGENT_CARE}{watering} Then try a drop of water again, and put \
             the seconds into the Garden log.",
            bed.name,
            class.name()
        )
    }

    /// It may shed water, and nobody has tried.
    fn drop_test_first(
        &self,
        day: &mut MulchDay,
        index: u16,
        sheds: &Sheds,
        water: Option<BedWater>,
    ) -> String {
        let bed = self.garden.bed(index);
        day.answer = MulchAnswer::DropTestFirst;
        let why = match (sheds, water) {
            (Sheds::Dry, Some(w)) => format!(
                "{} has only {} left, and water often does not soak into soil this dry",
                bed.name,
                spoken::water_left(w.available_left)
            ),
            (Sheds::Dry, None) => format!("{} is very dry", bed.name),
            (Sheds::Alarm | Sheds::Drop(_), _) => {
                day.why.extend(self.repellent_why(index));
                format!("several times water did not soak into {}", bed.name)
            }
        };
        let watering = water.map_or_else(String::new, |w| format!(" {}", self.water_it(day, index, &w)));
        format!(
            "Not today: {why}. Test it before you water. {HOW_TO_WATER_DROP} Put the seconds into the Garden log and ask \
             again.{watering}"
        )
    }

    fn by_water(&self, day: &mut MulchDay, index: u16, water: &BedWater) -> String {
        let bed = self.garden.bed(index);
        let zone = self.root_zone_at(index, day.at);
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
                "Not yet: {} has {} left and needs at least {}. {} Then ask again.",
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
            "Yes: {} is moist, {}.{wet} If water beads on the surface, make the water-drop test first. Damp the mulch \
             down before you spread it, and wear gloves and a mask. Keep it a hand's breadth from stems and trunks.",
            bed.name,
            spoken::holds_water(water.available_left)
        )
    }

    /// How many litres bring the bed to field capacity, and when they may run.
    fn water_it(&self, day: &mut MulchDay, index: u16, water: &BedWater) -> String {
        let bed = self.garden.bed(index);
        let zone = &self.garden.site.time_zone;
        let hours = self.garden.watering_hours(&bed.id);
        let litres = litres_wanted(bed, water);
        day.water_l = Some(litres);
        day.why.push(self.root_zone_at(index, day.at).depletion_step(water.water_content));
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
        slot.and_then(|slot| slot.said()).map(|said| said.why).unwrap_or_default()
    }

    /// The mulch that lies on a bed at a moment.
    pub(crate) fn mulch_layer(&self, index: u16, at: Timestamp) -> Option<MulchLayer> {
        let entries = self.log.of(&self.garden.bed(index).id).iter();
        MulchLayer::of(entries.take_while(|(when, _)| *when <= at).map(|(when, what)| (*when, what)))
    }

    /// "Its mulch was laid on ..., more than a year ago: renew it." `None` before.
    pub(crate) fn mulch_renewal(&self, index: u16, now: Timestamp) -> Option<String> {
        let layer = self.mulch_layer(index, now)?;
        let day = |at| {
            let date = self.garden.site.time_zone.to_datetime(at).date();
            format!("{} {}", spoken::day(date), date.year())
        };
        Some(match layer.renewal(now)? {
            MulchRenewal::Old => {
                format!("Its mulch was laid on {}, more than a year ago: renew it.", day(layer.laid))
            }
            MulchRenewal::Thin(at, depth_mm) => format!(
                "Its mulch was {depth_mm:.0} mm deep on {}, less than half of the {:.0} mm that were laid: top it up.",
                day(at),
                layer.laid_mm
            ),
        })
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
                match self.sensors[usize::from(probe)].good() {
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
