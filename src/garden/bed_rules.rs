//! What is judged at a bed: is it dry, and may mulch go down.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::alarms::{Delays, Input, Kind};
use crate::garden::plan::Bed;
use crate::garden::record::Batch;
use crate::garden::site::{BedWater, SiteState};
use crate::garden::standing::{Of, Said};
use crate::garden::wetting_rules::SOURCE_HOURS;
use crate::garden::words;
use crate::soil::litres_to_fill;

/// Source of the dryness judgement.
const SOURCE_DEPLETION: &str = "FAO-56 eq. 82-83, tables 19 and 22";
/// Source of the mulch judgement.
const SOURCE_MULCH: &str =
    "common practice: mulch never goes down on dry soil; depletion by FAO-56 eq. 82-83";

/// A bed is moist enough to mulch while at most this part of its readily
/// available water is used. Common practice gives no number; this is ours.
pub(crate) const MOIST_PART: f64 = 0.5;
/// Days ahead of a mulch day at which a bed that is not moist is told.
pub(crate) const MULCH_AHEAD_DAYS: i32 = 7;

impl SiteState {
    /// Judges the water of a bed after a good reading of one of its probes.
    pub(crate) fn judge_bed_water(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let water = self.bed_water(index, at);
        let garden = std::sync::Arc::clone(&self.garden);
        let bed = &garden.beds[usize::from(index)];
        let of = |kind| Of { site: &garden.site, kind, place: &bed.id, tell: &garden.tell };
        let local = garden.site.time_zone.to_datetime(at);
        let hours = bed.watering_allowed.as_ref().unwrap_or(&garden.site.watering_allowed);
        let state = &mut self.beds[usize::from(index)];

        let delays = garden.rules.dry_bed;
        let input = water.map_or(Input::Unknown, |w| dryness(&w, 1.0, delays));
        state.dry.step(&of(Kind::DryBed), at, input, delays, batch, |active| {
            say_dry(bed, water, active, &words::when_to_water(hours, local))
        });

        if let Some(planned) = bed.mulch.and_then(|m| m.planned) {
            let delays = garden.rules.mulch_on_dry_soil;
            let days = days_until(local.date(), planned);
            let input = match (water, days) {
                (_, days) if !(0..=MULCH_AHEAD_DAYS).contains(&days) => Input::Clear,
                (None, _) => Input::Unknown,
                (Some(w), _) => dryness(&w, MOIST_PART, delays),
            };
            state.mulch.step(&of(Kind::MulchOnDrySoil), at, input, delays, batch, |active| {
                say_mulch(bed, water, active, planned, days, &words::when_to_water(hours, local))
            });
        }

        // A watering outside the hours is over once it has been told for a while.
        let delays = garden.rules.watering_hours;
        state.hours.step(&of(Kind::WateringHours), at, Input::Clear, delays, batch, |_| {
            let text = format!("{}: no further watering outside the allowed hours was seen.", bed.name);
            Said::new(text, &[], SOURCE_HOURS)
        });
    }
}

/// Beyond `part` of readily available water, with the rule's deadband (a part
/// of readily available water too).
///
/// While a probe is missing the others' mean has moved for no reason of the
/// soil's, so that nothing is judged: a dead probe neither raises nor clears.
fn dryness(water: &BedWater, part: f64, delays: Delays) -> Input {
    if !water.whole {
        return Input::Unknown;
    }
    let readily = water.readily_available_mm;
    Input::above(water.depletion_mm, part * readily, delays.deadband * readily)
}

/// Days from one date to another; far dates count as far.
pub(crate) fn days_until(from: Date, to: Date) -> i32 {
    to.since(from).map_or(i32::MAX, |span| span.get_days())
}

/// "Give it about 64 L (32 minutes of its watering) today after 6 pm."
pub(crate) fn advice(bed: &Bed, water: &BedWater, when: &str) -> String {
    let efficiency = bed.irrigation.map_or(1.0, |i| i.efficiency);
    let litres = litres_to_fill(water.depletion_mm, bed.area_m2, efficiency);
    match bed.irrigation {
        Some(irrigation) => {
            let minutes = (litres / irrigation.litres_per_hour * 60.0).round();
            format!(
                "Give it about {} ({} of its own watering) {when}.",
                words::litres(litres),
                words::duration((minutes * 60.0) as i64)
            )
        }
        None => format!("Give it about {} {when}.", words::litres(litres)),
    }
}

fn water_values(water: &BedWater) -> [(&'static str, f64); 5] {
    [
        ("depletion_mm", water.depletion_mm),
        ("readily_available_mm", water.readily_available_mm),
        ("available_left", water.available_left),
        ("water_content_m3_m3", water.water_content),
        ("probes", water.probes_used as f64),
    ]
}

fn say_dry(bed: &Bed, water: Option<BedWater>, active: bool, when: &str) -> Said {
    let Some(water) = water else {
        return Said::new(format!("{}: not known.", bed.name), &[], SOURCE_DEPLETION);
    };
    let left = words::water_left(water.available_left);
    let text = if active {
        format!(
            "{} is dry: {left} is left, and {} suffer below {}. {}",
            bed.name,
            bed.plants(),
            words::percent(1.0 - bed.depletion_fraction),
            advice(bed, &water, when)
        )
    } else {
        format!("{} is moist again: {left} is there.", bed.name)
    };
    Said::new(text, &water_values(&water), SOURCE_DEPLETION)
}

fn say_mulch(bed: &Bed, water: Option<BedWater>, active: bool, planned: Date, days: i32, when: &str) -> Said {
    let day = words::day(planned);
    let (text, values) = match water {
        Some(water) if active => (
            format!(
                "{}: mulch is planned for {day} ({}), but the bed is not moist: {} is left and \
                 at least {} is wanted. Do not lay mulch on dry soil. {} If water beads on the surface, use a wetting \
                 agent first. Look again the day before.",
                bed.name,
                words::days_ahead(days),
                words::water_left(water.available_left),
                words::percent(1.0 - MOIST_PART * bed.depletion_fraction),
                advice(bed, &water, when)
            ),
            water_values(&water).to_vec(),
        ),
        Some(water) if (0..=MULCH_AHEAD_DAYS).contains(&days) => (
            format!(
                "{} is moist enough for the mulch on {day}: {} is there.",
                bed.name,
                words::water_left(water.available_left)
            ),
            water_values(&water).to_vec(),
        ),
        _ if days > 0 => (format!("{}: mulch is now planned for {day}.", bed.name), vec![]),
        _ => (format!("{}: the mulch day, {day}, is over.", bed.name), vec![]),
    };
    Said::new(text, &values, SOURCE_MULCH)
}
