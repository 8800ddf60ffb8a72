//! Rain that somebody expects: watering a dry bed is held until it has come or the time
//! is over. It is written down by hand, since Trug asks no forecast.
//!
//! The hold has an end and is never silent: Today names it, an alarm that stands says
//! it, and a bed that is dry at its end is told as ever. A bed that gets so dry that its
//! plants use less than half of what they would (Ks of FAO-56 eq. 84 below 0.5; the half
//! is this project's own) is not held: a forecast may be wrong.

use jiff::Timestamp;

use crate::garden::bed::advice::litres_wanted;
use crate::garden::log::LogEvent;
use crate::garden::plan::Bed;
use crate::garden::site::{BedWater, SiteState};
use crate::model::{Id, add_seconds};
use crate::text::spoken;

/// Plants that use less than this part of what they would wait for no rain.
const LEAST_STRESS_COEFFICIENT: f64 = 0.5;
/// For so long after its end a hold is spoken of, seconds.
const SPOKEN_OF_S: i64 = 86_400;

/// Rain that is expected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct RainHold {
    /// When that was written down.
    pub(crate) from: Timestamp,
    pub(crate) until: Timestamp,
}

impl RainHold {
    pub(crate) fn holds(self, at: Timestamp) -> bool {
        at < self.until
    }

    /// The newest of what was written down of a bed and of the whole garden; `None`
    /// where that ended it.
    fn of(entries: [Option<(Timestamp, f64)>; 2]) -> Option<Self> {
        let (from, hours) = entries.into_iter().flatten().max_by_key(|(at, _)| *at)?;
        (hours > 0.0).then(|| Self { from, until: add_seconds(from, (hours * 3600.0).round() as i64) })
    }
}

/// Whether a bed is too dry to wait for rain.
fn cannot_wait(bed: &Bed, water: &BedWater) -> bool {
    let total_mm = bed.root_zone().total_available_mm();
    let p = water.depletion_fraction;
    total_mm - water.depletion_mm < LEAST_STRESS_COEFFICIENT * (1.0 - p) * total_mm
}

impl SiteState {
    /// The last rain that was expected at a place, or in the whole garden.
    fn rain_expected(&self, place: Option<&Id>, at: Timestamp) -> Option<RainHold> {
        let hours = |what: &LogEvent| match what {
            LogEvent::RainExpected { hours } => Some(*hours),
            _ => None,
        };
        let of_place = place.and_then(|place| self.log.newest(place, at, hours));
        RainHold::of([of_place, self.log.newest_of_garden(at, hours)])
    }

    /// The hold on watering a bed, while it lasts and the bed can wait.
    pub(crate) fn rain_hold(&self, index: u16, water: &BedWater, at: Timestamp) -> Option<RainHold> {
        let bed = self.garden.bed(index);
        let hold = self.rain_expected(Some(&bed.id), at).filter(|hold| hold.holds(at))?;
        (!cannot_wait(bed, water)).then_some(hold)
    }

    /// What to do in place of watering now, while rain is awaited.
    pub(crate) fn hold_advice(&self, index: u16, water: &BedWater, hold: RainHold) -> String {
        let zone = &self.garden.site.time_zone;
        format!(
            "Rain is expected (Garden log, {}): hold the water until {}. If none has come by then, give it about {}.",
            spoken::moment(hold.from, zone),
            spoken::moment(hold.until, zone),
            spoken::litres(litres_wanted(self.garden.bed(index), water)),
        )
    }

    /// That a hold does not count for this bed, or that it is over; empty where none was.
    pub(crate) fn hold_is_over(&self, index: u16, at: Timestamp) -> String {
        let zone = &self.garden.site.time_zone;
        let Some(hold) = self.rain_expected(Some(&self.garden.bed(index).id), at) else {
            return String::new();
        };
        if hold.holds(at) {
            return " Rain is expected, but it is too dry to wait for that.".to_owned();
        }
        if at.as_second() - hold.until.as_second() > SPOKEN_OF_S {
            return String::new();
        }
        let until = spoken::moment(hold.until, zone);
        if self.gauges.is_empty() || self.rain_doubted() {
            format!(" Rain was expected until {until}; the bed is dry all the same.")
        } else {
            let mm = self.rain_mm(hold.from, at);
            format!(" Rain was expected until {until}; the gauge has caught {mm:.1} mm since that entry.")
        }
    }

    /// The holds that last, in words, for Today.
    pub(crate) fn rain_holds(&self, now: Timestamp) -> Vec<String> {
        let zone = &self.garden.site.time_zone;
        let whole = self.rain_expected(None, now).filter(|hold| hold.holds(now));
        let words = |who: &str, hold: RainHold| {
            format!(
                "Rain is expected (Garden log, {}). {who} told only after {}, or once too dry to wait. To end it sooner, \
                 enter \"Rain is expected\" with 0 hours.",
                spoken::moment(hold.from, zone),
                spoken::moment(hold.until, zone)
            )
        };
        let mut said: Vec<String> = whole.map(|hold| words("Dry beds are", hold)).into_iter().collect();
        for bed in &self.garden.beds {
            let own = self.rain_expected(Some(&bed.id), now).filter(|hold| hold.holds(now));
            if let Some(hold) = own.filter(|own| whole != Some(*own)) {
                said.push(words(&format!("{}, where dry, is", bed.name), hold));
            }
        }
        said
    }
}
