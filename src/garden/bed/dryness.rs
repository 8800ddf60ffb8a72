//! What is judged at a bed: is it dry, and may mulch go down. While the soil may be
//! frozen neither is known, since ice hides its water from the probes.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::bed::advice::{When, advice};
use crate::garden::bed::mulch_question::{MULCH_AHEAD_DAYS, MulchPlan, days_until};
use crate::garden::bed::mulch_state::SHEDS_WATER_BELOW;
use crate::garden::plan::Bed;
use crate::garden::record::Batch;
use crate::garden::site::{BedWater, SiteState};
use crate::soil::DROP_FIRST;
use crate::text::spoken;
use crate::why::Why;

/// Source of the dryness judgement.
const SOURCE_DEPLETION: &str = "FAO-56 eq. 82-83 and 87, tables 19 and 22";
/// Source of the mulch judgement.
const SOURCE_MULCH: &str =
    "common practice: mulch never goes down on dry soil; depletion by FAO-56 eq. 82-83 and 87";

/// Where a wetting agent may have to go first: common practice, and what labels say.
const AGENT: &str = " Take care: an adult handles the wetting agent, with gloves and by its label. Keep it out of tanks, \
                     ponds and drains, and off leaves that are eaten.";
/// Before the advice to water a bed of which it is known that water does not soak in.
const DROP_FIRST_HERE: &str = "Water isn't soaking in here: make the water-drop test before you water. ";

/// A bed is moist enough to mulch while at most this part of its readily
/// available water is used. Common practice gives no number; this is ours.
pub(crate) const MOIST_PART: f64 = 0.5;
impl SiteState {
    /// Judges the water of a bed after a good reading of one of its probes. Returns the mean
    /// water content of its root zone, and whether each probe had its say.
    pub(crate) fn judge_bed_water(
        &mut self,
        index: u16,
        at: Timestamp,
        batch: &mut Batch,
    ) -> Option<(f64, bool)> {
        let water = self.bed_water(index, at);
        let place = AlarmPlace::Bed(index);
        let deadband = self.garden.rules[Kind::DryBed].delays.deadband;
        let frozen = self.may_be_frozen(index, at);
        let known = water.filter(|_| !frozen);
        let hold = known.and_then(|water| self.rain_hold(index, &water, at));
        let input = match known.map_or(Input::Unknown, |w| dryness(&w, w.readily_today_mm, deadband)) {
            // Nothing new is told while rain is awaited; what stands is told of the hold.
            Input::Breach if hold.is_some() && !self.is_active(place, Kind::DryBed) => Input::Deadband,
            input => input,
        };
        self.judge(place.alarm(Kind::DryBed), at, input, batch, |site, active| {
            let why = water.map_or_else(Why::new, |w| site.dry_why(index, at, &w, active));
            let bed = site.garden.bed(index);
            let mut what_to_do = water.map_or_else(String::new, |water| match hold {
                Some(hold) => site.hold_advice(index, &water, hold),
                None => {
                    let test = if site.is_repellent(index, at) { DROP_FIRST_HERE } else { "" };
                    let water = advice(bed, &water, &site.when_kept(bed, at));
                    format!("{test}{water}{}", site.hold_is_over(index, at))
                }
            });
            if let Some(young) = site.roots_above_probes(index, at) {
                what_to_do = format!("{what_to_do} {young}");
            }
            dry_words(bed, water, active, &what_to_do).because(why)
        });

        if let Some(planned) = self.garden.bed(index).mulch.and_then(|m| m.planned) {
            let days = days_until(self.garden.site.time_zone.to_datetime(at).date(), planned);
            let laid = self.mulch_plan(index, planned, at) == MulchPlan::Laid;
            let watched = !laid && (0..=MULCH_AHEAD_DAYS).contains(&days);
            let deadband = self.garden.rules[Kind::MulchOnDrySoil].delays.deadband;
            let input = match known {
                _ if !watched => Input::Clear,
                None => Input::Unknown,
                Some(w) => dryness(&w, MOIST_PART * w.readily_available_mm, deadband),
            };
            self.judge(place.alarm(Kind::MulchOnDrySoil), at, input, batch, |site, active| {
                let why = match water {
                    Some(w) if watched => site.mulch_why(index, at, &w, active),
                    _ => Why::new(),
                };
                let bed = site.garden.bed(index);
                if laid && !active {
                    let text = format!("{}: the mulch for {} has been laid.", bed.name, spoken::day(planned));
                    return AlarmText::new(text, &[], SOURCE_MULCH);
                }
                let test_first = site.is_repellent(index, at)
                    || water.is_some_and(|water| water.available_left < SHEDS_WATER_BELOW);
                let when = site.when_kept(bed, at);
                mulch_words(bed, water, active, (planned, days), test_first, &when).because(why)
            });
        }

        if let Some(water) = known.filter(|water| water.whole) {
            self.watch_drying(index, at, water.water_content);
            self.watch_overwatering(index, at, &water, batch);
        }

        // A watering outside the hours is over once it has been told for a while.
        self.judge(place.alarm(Kind::WateringHours), at, Input::Clear, batch, |site, _| {
            site.forbidden_watering_over(index)
        });
        water.map(|water| (water.water_content, water.whole))
    }

    /// When a bed may be watered, in words that are kept.
    fn when_kept<'a>(&'a self, bed: &'a Bed, at: Timestamp) -> When<'a> {
        When::of(&self.garden, bed, at).dated()
    }
}

/// More than `limit_mm` used, with the rule's deadband (a part of readily
/// available water).
///
/// While a probe is missing the others' mean has moved for no reason of the
/// soil's, so that nothing is judged: a dead probe neither raises nor clears.
fn dryness(water: &BedWater, limit_mm: f64, deadband: f64) -> Input {
    if !water.whole {
        return Input::Unknown;
    }
    Input::above(water.depletion_mm, limit_mm, deadband * water.readily_available_mm)
}

fn water_values(water: &BedWater, readily_available_mm: f64) -> [(&'static str, f64); 5] {
    [
        ("depletion_mm", water.depletion_mm),
        ("readily_available_mm", readily_available_mm),
        ("available_left", water.available_left),
        ("water_content_m3_m3", water.water_content),
        ("probes", water.probes_used as f64),
    ]
}

/// A bed is due for water from the point at which its plants begin to suffer, and too dry
/// once it is past it by this part of its available water. Ours.
const TOO_DRY_BEYOND: f64 = 0.05;

/// How a bed stands beside the point at which its plants begin to suffer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum DrynessDegree {
    /// Not there yet.
    Above,
    /// Just past it: watering is due, nothing is lost.
    Due,
    /// Clearly past it.
    TooDry,
}

impl DrynessDegree {
    /// Of a bed's water now.
    pub(crate) fn of(water: &BedWater) -> Self {
        let suffers_below = 1.0 - water.depletion_fraction;
        if water.depletion_mm <= water.readily_today_mm {
            Self::Above
        } else if water.available_left >= suffers_below - TOO_DRY_BEYOND {
            Self::Due
        } else {
            Self::TooDry
        }
    }
}

fn dry_words(bed: &Bed, water: Option<BedWater>, active: bool, what_to_do: &str) -> AlarmText {
    let Some(water) = water else {
        return AlarmText::new(format!("{}: not known.", bed.name), &[], SOURCE_DEPLETION);
    };
    let left = spoken::water_left(water.available_left);
    let text = if active {
        let (name, plants) = (&bed.name, bed.plants());
        let limit = spoken::percent(1.0 - water.depletion_fraction);
        let how = match DrynessDegree::of(&water) {
            DrynessDegree::TooDry => {
                format!("{name} is too dry: {left} is left, and {plants} suffer below {limit}.")
            }
            DrynessDegree::Due => {
                format!(
                    "{name} is due for water: {left} is left, just below the {limit} at which {plants} begin to suffer."
                )
            }
            // Inside the deadband it is no longer beyond the limit.
            DrynessDegree::Above => {
                format!("{name} is nearly due for water: {left} is left, and {plants} suffer below {limit}.")
            }
        };
        format!("{how} {what_to_do}")
    } else {
        format!("{} is moist again: {}.", bed.name, spoken::holds_water(water.available_left))
    };
    AlarmText::new(text, &water_values(&water, water.readily_today_mm), SOURCE_DEPLETION)
}

fn mulch_words(
    bed: &Bed,
    water: Option<BedWater>,
    active: bool,
    (planned, days): (Date, i32),
    test_first: bool,
    when: &When<'_>,
) -> AlarmText {
    let day = spoken::day(planned);
    let (test, beads, care) = if test_first {
        (format!("{DROP_FIRST} "), "", AGENT)
    } else {
        (String::new(), " If water beads on the surface, make the water-drop test first.", "")
    };
    let (text, values) = match water {
        Some(water) if active => (
            format!(
                "{}: mulch is planned for {day} ({}), {}: {} is left and at least {} is needed. Do not lay mulch on dry \
                 soil{}. {test}{}{beads}{}{care}",
                bed.name,
                spoken::days_ahead(days),
                if water.depletion_mm > MOIST_PART * water.readily_available_mm {
                    "but the bed is not moist"
                } else {
                    "and the bed is only just moist"
                },
                spoken::water_left(water.available_left),
                spoken::percent(1.0 - MOIST_PART * bed.depletion_fraction),
                if days == 0 { ": choose another day" } else { "" },
                advice(bed, &water, when),
                if days > 1 { " Look again the day before." } else { "" }
            ),
            water_values(&water, water.readily_available_mm).to_vec(),
        ),
        Some(water) if (0..=MULCH_AHEAD_DAYS).contains(&days) => (
            format!(
                "{} is moist enough for the mulch on {day}: {}.",
                bed.name,
                spoken::holds_water(water.available_left)
            ),
            water_values(&water, water.readily_available_mm).to_vec(),
        ),
        _ if days > 0 => (format!("{}: mulch is now planned for {day}.", bed.name), vec![]),
        _ => (
            format!(
                "{}: the mulch day, {day}, is over. Say in the Garden log whether it was laid.",
                bed.name
            ),
            vec![],
        ),
    };
    AlarmText::new(text, &values, SOURCE_MULCH)
}
