//! What is judged at a tank: the temperature's changes and its limits.

use jiff::Timestamp;

use crate::alarms::{Input, Kind};
use crate::garden::plan::Tank;
use crate::garden::record::Batch;
use crate::garden::site::{Memory, SiteState};
use crate::garden::standing::{Of, Said};
use crate::garden::words;
use crate::tank::{Change, DAY_S, HOUR_S};

const SOURCE_SHOCK: &str = "2 °C within an hour: ANZECC/ARMCANZ 2000 guideline (from memory); a day's limit: this \
                            project's own, by species";
const SOURCE_LIMITS: &str = "temperature limits of the species, or the garden file's own";
/// The usual caution where fish are at risk.
const ASK: &str = "If fish gasp, roll or lie still, ask a vet or your fisheries adviser at once.";

/// A tank's temperature as its probes see it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TankWater {
    pub(crate) coldest_c: f64,
    pub(crate) warmest_c: f64,
    pub(crate) hour: Option<Change>,
    pub(crate) day: Option<Change>,
    /// Whether every thermometer had a fresh good value.
    pub(crate) whole: bool,
}

impl SiteState {
    /// The tank's water at `at`; `None` where no probe has a fresh good value.
    pub(crate) fn tank_water(&self, index: u16, at: Timestamp) -> Option<TankWater> {
        let thermometers = &self.tanks[usize::from(index)].thermometers;
        let whole = thermometers.iter().all(|&probe| self.fresh(probe, at).is_some());
        let mut water: Option<TankWater> = None;
        for &probe in thermometers {
            let Some(value) = self.fresh(probe, at) else { continue };
            let Memory::Water(kept) = &self.sensors[usize::from(probe)].memory else { continue };
            let (hour, day) = (kept.largest_change(HOUR_S), kept.largest_change(DAY_S));
            water = Some(match water {
                None => TankWater { coldest_c: value, warmest_c: value, hour, day, whole },
                Some(w) => TankWater {
                    coldest_c: w.coldest_c.min(value),
                    warmest_c: w.warmest_c.max(value),
                    hour: larger(w.hour, hour),
                    day: larger(w.day, day),
                    whole,
                },
            });
        }
        water
    }

    /// Judges a tank after a good reading of one of its thermometers.
    pub(crate) fn judge_tank(&mut self, index: u16, at: Timestamp, batch: &mut Batch) {
        let water = self.tank_water(index, at);
        let garden = std::sync::Arc::clone(&self.garden);
        let tank = &garden.tanks[usize::from(index)];
        let (limits, rules, zone) = (tank.limits, garden.rules, &garden.site.time_zone);
        let of = |kind| Of { site: &garden.site, kind, place: &tank.id, tell: &garden.tell };
        let state = &mut self.tanks[usize::from(index)];

        let shock = |change: Option<Change>, limit_c: f64| {
            change.map_or(Input::Unknown, |c| {
                Input::above(c.by_c.abs(), limit_c, rules.tank_temperature_shock.deadband)
            })
        };
        let hour = shock(water.and_then(|w| w.hour), limits.change_hour_c);
        let day = shock(water.and_then(|w| w.day), limits.change_day_c);
        // A missing thermometer may be the one that is beyond the limit: what the
        // others say can raise, and cannot clear.
        let seen = |input| match input {
            Input::Clear | Input::Deadband if water.is_none_or(|w| !w.whole) => Input::Unknown,
            other => other,
        };
        let input = seen(worse(hour, day));
        state.shock.step(
            &of(Kind::TankTemperatureShock),
            at,
            input,
            rules.tank_temperature_shock,
            batch,
            |active| say_shock(tank, water, active, hour == Input::Breach, zone),
        );

        let warm = water.map_or(Input::Unknown, |w| {
            Input::above(w.warmest_c, limits.warm_c, rules.tank_too_warm.deadband)
        });
        state.warm.step(&of(Kind::TankTooWarm), at, seen(warm), rules.tank_too_warm, batch, |active| {
            let now_c = water.map_or(f64::NAN, |w| w.warmest_c);
            say_limit(tank, active, now_c, limits.warm_c, true)
        });

        let cold = water.map_or(Input::Unknown, |w| {
            Input::below(w.coldest_c, limits.cold_c, rules.tank_too_cold.deadband)
        });
        state.cold.step(&of(Kind::TankTooCold), at, seen(cold), rules.tank_too_cold, batch, |active| {
            let now_c = water.map_or(f64::NAN, |w| w.coldest_c);
            say_limit(tank, active, now_c, limits.cold_c, false)
        });
    }
}

fn larger(a: Option<Change>, b: Option<Change>) -> Option<Change> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if b.by_c.abs() > a.by_c.abs() { b } else { a }),
        (one, other) => one.or(other),
    }
}

/// A breach of either is a breach; clear only where both are.
fn worse(a: Input, b: Input) -> Input {
    let any = |wanted| a == wanted || b == wanted;
    if any(Input::Breach) {
        Input::Breach
    } else if any(Input::Unknown) {
        Input::Unknown
    } else if any(Input::Deadband) {
        Input::Deadband
    } else {
        Input::Clear
    }
}

fn say_shock(
    tank: &Tank,
    water: Option<TankWater>,
    active: bool,
    within_hour: bool,
    zone: &jiff::tz::TimeZone,
) -> Said {
    let limits = tank.limits;
    let (change, limit_c, window) = if within_hour {
        (water.and_then(|w| w.hour), limits.change_hour_c, "an hour")
    } else {
        (water.and_then(|w| w.day), limits.change_day_c, "a day")
    };
    let text = match change {
        Some(change) if active => format!(
            "{}: the water {} {:.1} °C within {window}, from {:.1} to {:.1} °C by {}; {} should take no more than \
             {limit_c:.1} °C. Stop any top-up or water change now, look at the fish, and let the tank come back slowly. \
             Put no new fish in today. {ASK}",
            tank.name,
            if change.by_c < 0.0 { "cooled" } else { "warmed" },
            change.by_c.abs(),
            change.from_c,
            change.to_c,
            words::moment(change.to_at, zone),
            tank.fish_name(),
        ),
        _ => format!("{}: the water's temperature is steady again.", tank.name),
    };
    let mut values = vec![];
    if let Some(water) = water {
        values.extend(water.hour.map(|c| ("change_hour_c", c.by_c)));
        values.extend(water.day.map(|c| ("change_day_c", c.by_c)));
        values.push(("temperature_c", water.coldest_c));
    }
    values.push(("limit_hour_c", limits.change_hour_c));
    values.push(("limit_day_c", limits.change_day_c));
    Said::new(text, &values, SOURCE_SHOCK)
}

fn say_limit(tank: &Tank, active: bool, now_c: f64, limit_c: f64, warm: bool) -> Said {
    let text = if !active {
        format!(
            "{}: the water is {now_c:.1} °C and within the limits of {} again.",
            tank.name,
            tank.fish_name()
        )
    } else if warm {
        format!(
            "{} is too warm: {now_c:.1} °C, {:.1} °C over the {limit_c:.0} °C that {} should stay below. Shade it, keep \
             the pump and the air running, feed less, and do not cool it by more than {:.0} °C an hour. Look again \
             within the hour: warm water holds less oxygen. {ASK}",
            tank.name,
            now_c - limit_c,
            tank.fish_name(),
            tank.limits.change_hour_c,
        )
    } else {
        format!(
            "{} is too cold: {now_c:.1} °C, {:.1} °C under the {limit_c:.0} °C that {} should stay above. Cover it, stop \
             any cold top-up, do not feed, and do not warm it by more than {:.0} °C an hour. Look again today. {ASK}",
            tank.name,
            limit_c - now_c,
            tank.fish_name(),
            tank.limits.change_hour_c,
        )
    };
    Said::new(text, &[("temperature_c", now_c), ("limit_c", limit_c)], SOURCE_LIMITS)
}
