//! May mulch go down on a bed today?

use jiff::Timestamp;

use crate::garden::bed_rules::MOIST_PART;
use crate::garden::plan::Bed;
use crate::garden::site::SiteState;
use crate::garden::watering_words::{When, advice};
use crate::garden::{Core, words};

/// Below this part of available water a soil has often become water-repellent.
/// Common practice gives no number; this is ours, and on the safe side: a
/// wetting agent does no harm on soil that did not need it.
const SHEDS_WATER_BELOW: f64 = 0.25;

/// Depth of mulch where the garden file gives none, mm (common practice).
const USUAL_DEPTH_MM: f64 = 100.0;

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

/// The answer with its reasons.
#[derive(Clone, Debug, PartialEq)]
pub struct MulchDay {
    pub answer: MulchAnswer,
    pub text: String,
    /// Part of the bed's available water that is left.
    pub available_left: Option<f64>,
    /// Root-zone depletion, mm.
    pub depletion_mm: Option<f64>,
    /// Mulch for the whole bed at its planned depth, litres.
    pub mulch_l: f64,
    pub depth_mm: f64,
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

impl SiteState {
    fn mulch_day(&self, index: u16, now: Timestamp) -> MulchDay {
        let bed = &self.garden.beds[usize::from(index)];
        let depth_mm = bed.mulch.map_or(USUAL_DEPTH_MM, |m| m.depth_mm);
        // A millimetre on a square metre is a litre.
        let mulch_l = bed.area_m2 * depth_mm;
        let when = When::of(&self.garden.site, bed, now);
        let water = self.bed_water(index, now);
        let (answer, text) = match water {
            None => (MulchAnswer::Unknown, self.why_unknown(index, bed, now)),
            Some(w) if w.available_left < SHEDS_WATER_BELOW => (
                MulchAnswer::WettingAgentFirst,
                format!(
                    "Not today: {} has only {} left, and soil this dry often sheds water. Use a \
                     wetting agent first, by its label. {} Then ask again.",
                    bed.name,
                    words::water_left(w.available_left),
                    advice(bed, &w, &when)
                ),
            ),
            Some(w) if w.depletion_mm > MOIST_PART * w.readily_available_mm => (
                MulchAnswer::WaterFirst,
                format!(
                    "Not yet: {} has {} left and wants at least {}. {} Then ask again.",
                    bed.name,
                    words::water_left(w.available_left),
                    words::percent(1.0 - MOIST_PART * bed.depletion_fraction),
                    advice(bed, &w, &when)
                ),
            ),
            Some(w) => (
                MulchAnswer::Yes,
                format!(
                    "Yes: {} is moist, {} is there. If water beads on the surface all the same, \
                     use a wetting agent first. Keep the mulch a hand's breadth from stems and trunks.",
                    bed.name,
                    words::water_left(w.available_left)
                ),
            ),
        };
        MulchDay {
            answer,
            text: format!(
                "{text} {} of mulch ({:.2} m3) cover its {:.1} m2 to {depth_mm:.0} mm.",
                words::litres(mulch_l),
                mulch_l / 1000.0,
                bed.area_m2
            ),
            available_left: water.map(|w| w.available_left),
            depletion_mm: water.map(|w| w.depletion_mm),
            mulch_l,
            depth_mm,
            at: now,
        }
    }

    /// Says which probes are missing and since when.
    fn why_unknown(&self, index: u16, bed: &Bed, now: Timestamp) -> String {
        let zone = &self.garden.site.time_zone;
        let reasons: Vec<String> = self.beds[usize::from(index)]
            .probes
            .iter()
            .map(|&probe| {
                let id = &self.garden.sensors[usize::from(probe)].id;
                match self.sensors[usize::from(probe)].good {
                    None => format!("{id} has given no good reading yet"),
                    Some((at, _)) => {
                        format!(
                            "{id} gave its last good reading at {}",
                            words::moment_seen_from(at, now, zone)
                        )
                    }
                }
            })
            .collect();
        format!(
            "Not known: no probe of {} has a fresh good reading ({}). Look at the sensors; until then feel the soil a \
             finger deep, and never mulch it dry.",
            bed.name,
            words::list(&reasons)
        )
    }
}
