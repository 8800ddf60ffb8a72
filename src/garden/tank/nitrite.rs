//! Nitrite in a tank, by tests that people wrote down.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::alarms::{AlarmText, Input, Kind, steps_beyond};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::tank::care::{FISH, HANDS, TAP, take_care};
use crate::garden::tank::water::{MUCH, is_old, water_change};
use crate::garden::view::Figure;
use crate::tank::{NITROGEN_IN_NITRATE, NITROGEN_IN_NITRITE, equations};
use crate::text::spoken;

/// ANZECC/ARMCANZ 2000 asks for a tenth of FAO's limit for all fish of fresh water. It is meant
/// for the water that runs into a farm; in a tank whose filter works nitrite comes and goes, and
/// an alarm at 0.1 would stand for weeks.
const SOURCE: &str = "the ion below 1 mg/L, for fish of cold water 0.1: FAO Technical Paper 589, table 3.1 (form not said); \
                      ANZECC/ARMCANZ 2000 asks for less than 0.1 for all (from memory), ours is laxer; or the garden \
                      file's own; above twice the limit: UF/IFAS FA-16 (from memory)";

impl SiteState {
    pub(super) fn judge_nitrite(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let limit_mg_l = self.garden.tank(index).limits.nitrite_mg_l;
        let tested = self.tested(index, at, |test| test.nitrite_n_mg_l());
        let input = tested.map_or(Input::Unknown, |(tested_at, mg_l)| {
            Input::above(mg_l, limit_mg_l, 0.0).unless_missing(is_old(tested_at, at))
        });
        let subject = AlarmPlace::Tank(index).alarm(Kind::Nitrite);
        let parts = tested.map_or(0.0, |(_, mg_l)| mg_l / limit_mg_l);
        let severity = steps_beyond(parts - 1.0, self.garden.rules[Kind::Nitrite].worse_by);
        self.judge_graded(severity, subject, at, input, batch, |site, active| {
            nitrite_words(site.garden.tank(index), active, tested, at, &site.garden.site.time_zone)
        });
    }

    pub(super) fn nitrite_figures(&self, index: u16, now: Timestamp) -> Vec<Figure> {
        let mut figures = Vec::new();
        if let Some((at, mg_l)) = self.tested(index, now, |test| test.nitrite_n_mg_l()) {
            let value = format!("{}, tested {}", both(mg_l, NITROGEN_IN_NITRITE), self.when(at, now));
            figures.push(Figure::known("Nitrite", value, mg_l, "mg/L", vec![]));
        }
        if let Some((at, mg_l)) = self.tested(index, now, |test| test.nitrate_n_mg_l()) {
            let value = format!("{}, tested {}", both(mg_l, NITROGEN_IN_NITRATE), self.when(at, now));
            figures.push(Figure::known("Nitrate", value, mg_l, "mg/L", vec![]));
        }
        figures
    }
}

/// An amount of nitrogen, with what a kit would read that reads the ion.
fn both(mg_l: f64, nitrogen_part: f64) -> String {
    format!("{mg_l:.2} mg/L as nitrogen ({:.2} as the ion)", mg_l / nitrogen_part)
}

fn nitrite_words(
    tank: &Tank,
    active: bool,
    tested: Option<(Timestamp, f64)>,
    now: Timestamp,
    zone: &TimeZone,
) -> AlarmText {
    let limit_mg_l = tank.limits.nitrite_mg_l;
    let Some((at, mg_l)) = tested else {
        return AlarmText::new(format!("{}: its nitrite is not known.", tank.name), &[], SOURCE);
    };
    let when = spoken::moment(at, zone);
    let text = if active {
        let [change, test_again] = water_change(mg_l > MUCH * limit_mg_l, zone.to_datetime(now).hour());
        format!(
            "{}: the water test at {when} found nitrite: {}; {} should have no more than {}. Run all the air you \
             have, and feed nothing: nitrite stops fish from using oxygen. {change} Look for a stopped pump or \
             filter. Add salt only if your fisheries adviser tells you how much. {test_again} {}",
            tank.name,
            both(mg_l, NITROGEN_IN_NITRITE),
            tank.fish_name(),
            both(limit_mg_l, NITROGEN_IN_NITRITE),
            take_care(&[HANDS, TAP, FISH]),
        )
    } else {
        format!("{}: the water test at {when} found nitrite within its limit again.", tank.name)
    };
    let step = equations::BEYOND.step(format!("{mg_l:.3} - {limit_mg_l:.3} = {:.3} mg/L", mg_l - limit_mg_l));
    AlarmText::new(text, &[("nitrite_mg_l", mg_l), ("limit_mg_l", limit_mg_l)], SOURCE).because(vec![step])
}
