//! Frost and hot days, by the air of the site's own thermometers.
//!
//! The Bureau of Meteorology (About Frost Potential, read) forecasts temperatures at 1.2 m and
//! says that near the ground it may be up to two degrees lower: air at 2 °C may go with 0 °C on
//! the ground. A hot day has more than 35 °C (Queensland Government, Factsheet 12 on extreme
//! temperature, read: one of the indices that the Bureau recommends for use in Australia). What
//! to do is common practice.
//!
//! Plants are covered by day, so the night's low is worked out at 3 pm ([`NightOutlook`]) and
//! frost that it threatens is told then; a frost that comes all the same is told as it comes.
//!
//! Of several thermometers the coldest counts for both: one in the sun or at a wall shows
//! too much.

use jiff::Timestamp;
use jiff::civil::Time;

use crate::alarms::{AlarmText, Input, Kind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::garden::weather::night::NightOutlook;
use crate::model::{Place, Quantity};
use crate::outlook::FROST_MARGIN_C;
use crate::text::spoken;

/// Frost may form on the ground below this, °C in the air.
pub(crate) const FROST_C: f64 = 2.0;
/// A hot day has more than this, °C.
pub(crate) const HEAT_C: f64 = 35.0;

/// By then it may be dark: our own figure.
const DARK: Time = Time::constant(19, 0, 0, 0);

const SOURCE_FROST: &str = "below 2 °C at 1.2 m it may freeze on the ground, which may be up to two degrees colder: Bureau of \
                            Meteorology, About Frost Potential; what to do: common practice";
const SOURCE_NIGHT: &str = "the night's low by this project's own rule, from this morning's low and the change of the day's \
                            high; below 2 °C at 1.2 m it may freeze on the ground: Bureau of Meteorology, About Frost \
                            Potential; what to do: common practice";
const SOURCE_HEAT: &str = "hot day above 35 °C: Queensland Government, Factsheet 12 on extreme temperature, after the Bureau \
                           of Meteorology's indices; what to do: common practice; the school's own heat rules come first";

impl SiteState {
    /// The air of the whole site: the coldest of its thermometers that has a fresh good
    /// reading, and whether all have one.
    fn site_air(&self, at: Timestamp) -> Option<(f64, bool)> {
        let thermometers = (0u16..)
            .zip(&self.garden.sensors)
            .filter(|(_, it)| it.measures == Quantity::AirTemperature && it.place == Place::Site);
        let mut whole = true;
        let fresh = thermometers.filter_map(|(index, _)| {
            let value = self.fresh(index, at);
            whole &= value.is_some();
            value
        });
        let coldest = fresh.reduce(f64::min);
        coldest.map(|coldest| (coldest, whole))
    }

    /// Judges frost and heat after a good reading of the site's air.
    pub(crate) fn judge_air(&mut self, at: Timestamp, batch: &mut Batch) {
        let Some((air_c, whole)) = self.site_air(at) else { return };
        let site = AlarmPlace::of_site(&self.garden);
        let deadband = |kind| self.garden.rules[kind].delays.deadband;
        self.night = NightOutlook::renewed(self.night, &self.weather, at, &self.garden.site.time_zone);
        let night = self.night.filter(|night| night.low_c < FROST_C + FROST_MARGIN_C && at < night.until);
        let frost = match night {
            Some(_) => Input::Breach,
            None => Input::below(air_c, FROST_C, deadband(Kind::Frost)).unless_missing(!whole),
        };
        let heat = Input::above(air_c, HEAT_C, deadband(Kind::Heat)).unless_missing(!whole);
        let values = [("temperature_c", air_c)];
        self.judge(site.alarm(Kind::Frost), at, frost, batch, |state, active| {
            let name = &state.garden.site.name;
            if let Some(night) = night.filter(|_| active && air_c >= FROST_C) {
                return state.frost_threatens(night, at, values[0]);
            }
            let text = if active {
                format!(
                    "{name}: the air is at {air_c:.1} °C, and below {FROST_C:.0} °C frost may form on the ground. Cover \
                     tender plants now where that is safe, with cloth that does not lie on them; else look at daylight. \
                     Take it off when the air is warm. Where leaves froze, cut nothing yet: new growth shows what lives. \
                     Do not force a frozen tap, and do not water tonight: water dry soil tomorrow, once it is warm. A clear, calm night is \
                     colder on the ground than at the thermometer."
                )
            } else {
                format!("{name}: the air is at {air_c:.1} °C; the danger of frost is over. Uncover the plants, and look at tender ones.")
            };
            AlarmText::new(text, &[values[0], ("limit_c", FROST_C)], SOURCE_FROST)
        });
        self.judge(site.alarm(Kind::Heat), at, heat, batch, |state, active| {
            let name = &state.garden.site.name;
            let text = if active {
                let tanks = if state.garden.tanks.is_empty() {
                    ""
                } else {
                    " Then look at the fish: warm water holds less oxygen."
                };
                format!(
                    "{name}: a hot day, the air is at {air_c:.1} °C, {:.1} °C over {HEAT_C:.0} °C. People come first: \
                     shade, water and hats now, by the school's heat rules. Give seedlings and pots a can of water now, and \
                     shade them with cloth.{tanks} Water beds in the allowed hours, best in the early morning. A thermometer \
                     in the sun shows too much: see that it hangs in the shade.",
                    air_c - HEAT_C
                )
            } else {
                format!("{name}: the air is at {air_c:.1} °C; the heat of the day is over. Feel the soil of pots and seedlings.")
            };
            AlarmText::new(text, &[values[0], ("limit_c", HEAT_C)], SOURCE_HEAT)
        });
    }

    /// Frost that the night threatens and that is not there yet.
    fn frost_threatens(&self, night: NightOutlook, at: Timestamp, air: (&'static str, f64)) -> AlarmText {
        let zone = &self.garden.site.time_zone;
        let local = zone.to_datetime(at);
        let morning = spoken::day(zone.to_datetime(night.until).date());
        let name = &self.garden.site.name;
        let cover = if local.time() < DARK && local.date() == night.date {
            "Cover tender plants before dark"
        } else {
            "Cover tender plants now where that is safe"
        };
        let text = format!(
            "{name}: frost may come in the night to {morning}, with about {:.0} °C in the air. {cover}, with cloth that does \
             not lie on them. Bring pots and seedlings inside. Do not water tonight: water dry soil by day, once it is warm. \
             Take the cloth off in the morning, when the air is warm. A clear, calm night is colder on the ground than at the \
             thermometer.",
            night.low_c
        );
        let values = [air, ("low_tonight_c", night.low_c), ("limit_c", FROST_C)];
        AlarmText::new(text, &values, SOURCE_NIGHT).because(vec![night.step()])
    }
}
