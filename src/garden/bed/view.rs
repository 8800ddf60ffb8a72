//! What a person is shown of a bed.

use jiff::Timestamp;

use crate::garden::bed::advice::{When, advice};
use crate::garden::bed::dryness::{DrynessDegree, MOIST_PART};
use crate::garden::bed::mulch_question::{MULCH_AHEAD_DAYS, MulchPlan};
use crate::garden::site::{BedWater, SiteState};
use crate::garden::view::BedView;
use crate::garden::wetting::cause::WettingCause;
use crate::garden::wetting::hours::WateringTime;
use crate::model::Condition;
use crate::text::spoken;

impl SiteState {
    pub(crate) fn bed_view(&self, index: u16, now: Timestamp, whole: bool) -> BedView {
        let bed = self.garden.bed(index);
        let today = self.garden.site.time_zone.to_datetime(now).date();
        let water = self.bed_water(index, now);
        let (condition, words) = self.bed_words(index, water.as_ref(), now);
        let words = match self.roots_above_probes(index, now) {
            Some(young) if condition != Condition::Unknown => format!("{words} {young}"),
            _ => words,
        };
        let (condition, words) = self.beside_open_alarms(index, condition, words);
        BedView {
            id: bed.id.clone(),
            name: bed.name.clone(),
            condition,
            words,
            water_content: water.map(|w| w.water_content),
            wilting_point: bed.wilting_point,
            refill_point: self.root_zone_today(index, now).refill_point(),
            field_capacity: bed.field_capacity,
            root_depth_m: self.root_zone_at(index, now).root_depth_m,
            available_left: water.map(|w| w.available_left),
            figures: if whole {
                self.wetting_figure(index).into_iter().chain(self.bed_figures(index, now)).collect()
            } else {
                Vec::new()
            },
            last_wetting: self.last_wetting(index, now),
            watering_hours: spoken::hours_by_method(self.garden.watering_rules(bed), today),
            outlook: whole.then(|| self.bed_outlook(index, now)).flatten().map(|figure| figure.value),
            expected: if whole { self.bed_expected(index, now) } else { Vec::new() },
            mulch: self.mulch_words(index, water.as_ref(), now),
        }
    }

    /// How a bed is by its water, before its alarms are looked at.
    fn bed_words(&self, index: u16, water: Option<&BedWater>, now: Timestamp) -> (Condition, String) {
        let Some(w) = water else {
            let unheard = "No probe here has a fresh good reading, so its water is not known.";
            return (Condition::Unknown, unheard.to_owned());
        };
        if self.may_be_frozen(index, now) {
            let frozen = "Its soil may be frozen, and ice hides its water from the probes: how dry it is is not known.";
            return (Condition::Unknown, frozen.to_owned());
        }
        let left = spoken::water_left(w.available_left);
        let limit = spoken::percent(1.0 - w.depletion_fraction);
        let advised = |how: String| format!("{how} {}", self.watering_advice(index, w, now));
        match DrynessDegree::of(w) {
            DrynessDegree::TooDry => (Condition::Act, advised(format!("Too dry: {left} is left."))),
            DrynessDegree::Due => {
                let near =
                    format!("Due for water: {left} is left, just below the {limit} that its plants need.");
                (Condition::Act, advised(near))
            }
            DrynessDegree::Above if w.depletion_mm > 0.8 * w.readily_today_mm => {
                let near = format!("Getting dry: {left} is left, and its plants suffer below {limit}.");
                (Condition::Watch, advised(near))
            }
            DrynessDegree::Above if w.available_left > 1.1 => {
                (Condition::Well, "Still draining, don't water.".to_owned())
            }
            DrynessDegree::Above if w.available_left >= 0.995 => {
                (Condition::Well, "Full: it needs no water.".to_owned())
            }
            DrynessDegree::Above => (Condition::Well, format!("Moist: {left} is left.")),
        }
    }

    /// How to water a bed, or why to wait.
    fn watering_advice(&self, index: u16, water: &BedWater, now: Timestamp) -> String {
        match self.rain_hold(index, water, now) {
            Some(hold) if water.depletion_mm > water.readily_today_mm => self.hold_advice(index, water, hold),
            _ => {
                let test = self.is_repellent(index, now);
                let test = if test { "Test it with a drop of water before you water. " } else { "" };
                let bed = self.garden.bed(index);
                format!("{test}{}", advice(bed, water, &When::of(&self.garden, bed, now)))
            }
        }
    }

    /// The mulch that is planned for a bed, and the one that is to be renewed.
    fn mulch_words(&self, index: u16, water: Option<&BedWater>, now: Timestamp) -> Option<String> {
        let planned = self.planned_mulch(index, water, now);
        let renewal = self.mulch_renewal(index, now);
        match (planned, renewal) {
            (Some(planned), Some(renewal)) => Some(format!("{planned} {renewal}")),
            (planned, renewal) => planned.or(renewal),
        }
    }

    fn planned_mulch(&self, index: u16, water: Option<&BedWater>, now: Timestamp) -> Option<String> {
        let planned = self.garden.bed(index).mulch.and_then(|m| m.planned)?;
        let MulchPlan::Ahead(days) = self.mulch_plan(index, planned, now) else {
            return self.mulch_plan_words(index, planned, now);
        };
        let day = spoken::dated_day(planned, self.garden.site.time_zone.to_datetime(now).date());
        let moist = water
            .filter(|_| !self.may_be_frozen(index, now))
            .map(|w| w.depletion_mm <= MOIST_PART * w.readily_available_mm);
        let ready = match moist {
            _ if days > MULCH_AHEAD_DAYS => "The bed is judged from a week before.",
            Some(true) => "The bed is moist enough for it.",
            Some(false) => "The bed is not moist enough for it yet.",
            None => "Whether the bed is moist enough is not known.",
        };
        let ahead = spoken::days_ahead(days);
        let ahead = if ahead.is_empty() { ahead } else { format!(" ({ahead})") };
        Some(format!("Mulch is planned for {day}{ahead}. {ready}"))
    }

    /// When and by what a bed got wetter last.
    fn last_wetting(&self, index: u16, now: Timestamp) -> Option<String> {
        let w = self.beds[usize::from(index)].wetting.as_ref()?;
        let when = spoken::moment_seen_from(w.onset, now, &self.garden.site.time_zone);
        Some(match w.cause {
            WettingCause::Rain { mm, seen: true } => format!(
                "Got wetter at {when}: rain, as the Garden log says; the gauge caught {mm:.1} mm in the day before."
            ),
            WettingCause::Rain { mm, seen: false } => {
                format!("Got wetter at {when}: rain ({mm:.1} mm in the day before).")
            }
            WettingCause::RainAndWatering { mm } => {
                format!("Got wetter at {when}: rain ({mm:.1} mm in the day before) and watering.")
            }
            WettingCause::Watering { basis } => {
                let by = basis.words();
                let amount = w.litres.map_or_else(String::new, |l| format!(" with {}", spoken::litres(l)));
                let outside = match w.time {
                    WateringTime::Within => String::new(),
                    WateringTime::Outside => ", outside the allowed hours".to_owned(),
                    WateringTime::OutsideForOwn => format!(
                        ", outside the hours for {}; whether it was that or a way that is allowed then cannot be told",
                        spoken::methods(self.garden.bed(index).own_methods())
                    ),
                };
                let about = if self.has_meter(index) { "" } else { "about " };
                format!("Was watered{by}{amount} at {about}{when}{outside}.")
            }
            WettingCause::Unknown(why) => format!(
                "Got wetter at {when}, but it is not known whether by rain or watering: {}.",
                why.words()
            ),
        })
    }
}
