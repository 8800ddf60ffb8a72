//! A month of which nothing is decided but the seed: other weather, other
//! schedules, other people with hoses, other small faults in each.
//!
//! The numbers are invented to span what a school garden may see; they are no
//! measurement of one.

use jiff::civil::{Date, DateTime, Time, date};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::scenario::{ClimateKeys, Event, Failure, Scenario, Schedule, SoilKeys};
use crate::school::{Quantity, School};

/// How the school's rain gauges do in a random month.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GaugeState {
    Healthy,
    /// From some day on they go on sending that nothing fell.
    Dead,
    /// From some day on they count between a fiftieth and a fifth of the rain.
    Clogged,
    /// From some day on they send nothing.
    Silent,
}

impl GaugeState {
    /// Every state.
    pub const ALL: [Self; 4] = [Self::Healthy, Self::Dead, Self::Clogged, Self::Silent];

    /// The name in lists of results.
    pub fn name(self) -> &'static str {
        match self {
            Self::Healthy => "healthy gauge",
            Self::Dead => "dead gauge",
            Self::Clogged => "clogged gauge",
            Self::Silent => "silent gauge",
        }
    }
}

const DAYS: u16 = 30;

struct Dice {
    rng: ChaCha8Rng,
    first: Date,
}

impl Dice {
    fn chance(&mut self, part: f64) -> bool {
        self.rng.random::<f64>() < part
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.rng.random_range(low..high)
    }

    fn count(&mut self, low: u16, high: u16) -> u16 {
        self.rng.random_range(low..=high)
    }

    fn day(&mut self, from: u16, to: u16) -> Date {
        let day = self.count(from, to);
        self.first.saturating_add(jiff::Span::new().days(i64::from(day)))
    }

    /// A time of day inside some intervals of minutes; midnight where there is none.
    fn time_in(&mut self, intervals: &[(u16, u16)]) -> Time {
        let all: u16 = intervals.iter().map(|(from, to)| to - from).sum();
        let mut rest = if all == 0 { 0 } else { self.rng.random_range(0..all) };
        for (from, to) in intervals {
            if rest < to - from {
                return clock(from + rest);
            }
            rest -= to - from;
        }
        Time::midnight()
    }
}

fn clock(minute: u16) -> Time {
    let minute = minute.min(1439);
    Time::constant((minute / 60) as i8, (minute % 60) as i8, 0, 0)
}

impl Scenario {
    /// A month in which everything is by chance: each seed gives another one, the
    /// same seed the same. With one seed and different gauges all else is the same.
    pub fn random_month(school: &School, seed: u64, gauge: GaugeState) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(7);
        let mut dice = Dice { rng, first: date(2026, 1, 1) };
        dice.first = dice.day(0, 330);
        let first = dice.first;
        let climate = ClimateKeys {
            warmer_c: Some(dice.between(-2.0, 3.0)),
            wet_day_mm: Some(dice.between(3.0, 9.0)),
            spell: Vec::new(),
            frost: false,
        };
        let start_available = dice.between(0.55, 0.95);
        let watering = schedules(school, &mut dice);
        let mut event = people(school, &mut dice);
        small_faults(school, &mut dice, &mut event);
        gauge_faults(school, &mut dice, gauge, &mut event);
        Self {
            name: "random-month".to_owned(),
            title: format!("A month by chance, {}", gauge.name()),
            start: first,
            days: DAYS,
            seed,
            start_available,
            climate,
            soil: SoilKeys::default(),
            watering,
            timer: Vec::new(),
            instrument: Vec::new(),
            event,
        }
    }
}

/// Litres that bring so many millimetres to a bed's soil, whole.
fn litres(school: &School, bed: usize, mm: f64) -> f64 {
    let bed = &school.beds[bed];
    (mm * bed.area_m2 / bed.efficiency).round().max(1.0)
}

/// Taps on timers, inside the allowed hours. In some gardens one timer opens all.
fn schedules(school: &School, dice: &mut Dice) -> Vec<Schedule> {
    let one_timer = dice.chance(0.2);
    let (shared_at, shared_every) = (dice.time_in(&school.allowed), dice.count(1, 4));
    let mut schedules = Vec::new();
    for (number, bed) in school.beds.iter().enumerate() {
        let (has, own_at, own_every) =
            (dice.chance(0.85), dice.time_in(school.allowed(number)), dice.count(1, 4));
        let mm = dice.between(4.0, 14.0);
        let first = dice.day(0, 3);
        let mut fails = Vec::new();
        if dice.chance(0.4) {
            let from = dice.day(4, 24);
            let to = from.saturating_add(jiff::Span::new().days(i64::from(dice.count(1, 7))));
            fails.push(Failure { from, to });
        }
        if !has && !one_timer {
            continue;
        }
        let (first, every_days, at) =
            if one_timer { (dice.first, shared_every, shared_at) } else { (first, own_every, own_at) };
        schedules.push(Schedule {
            bed: bed.id.clone(),
            first,
            every_days,
            at,
            litres: litres(school, number, mm),
            fails,
        });
    }
    schedules
}

/// People with hoses and watering cans, at any time of the day.
fn people(school: &School, dice: &mut Dice) -> Vec<Event> {
    let mut event = Vec::new();
    let last = school.beds.len().saturating_sub(1);
    for _ in 0..dice.count(3, 9) {
        let bed = usize::from(dice.count(0, last as u16)).min(last);
        let mm = dice.between(2.0, 22.0);
        let at = dice.day(1, DAYS - 1).to_datetime(clock(dice.count(6 * 60, 22 * 60)));
        if let Some(place) = school.beds.get(bed) {
            event.push(Event::Watering { bed: place.id.clone(), at, litres: litres(school, bed, mm) });
        }
    }
    // Somebody goes round the whole garden, one bed after the other.
    for _ in 0..dice.count(0, 2) {
        let mut at: DateTime = dice.day(4, DAYS - 2).to_datetime(clock(dice.count(8 * 60, 17 * 60)));
        for (number, bed) in school.beds.iter().enumerate() {
            let litres = litres(school, number, dice.between(6.0, 16.0));
            event.push(Event::Watering { bed: bed.id.clone(), at, litres });
            let minutes = (litres / bed.litres_per_hour * 60.0).ceil() as i64 + 3;
            at = at.saturating_add(jiff::Span::new().minutes(minutes));
        }
    }
    event
}

fn small_faults(school: &School, dice: &mut Dice, event: &mut Vec<Event>) {
    let probes: Vec<&str> = school
        .sensors
        .iter()
        .filter(|s| s.measures == Quantity::SoilMoisture)
        .map(|s| s.id.as_str())
        .collect();
    for frozen in [false, false, true] {
        let from = dice.day(2, DAYS - 2).to_datetime(clock(dice.count(0, 1439)));
        let to = from.saturating_add(jiff::Span::new().hours(i64::from(dice.count(1, 12))));
        let which = usize::from(dice.count(0, u16::MAX)) % probes.len().max(1);
        let happens = dice.chance(0.2);
        if let (true, Some(sensor)) = (happens, probes.get(which)) {
            let sensor = (*sensor).to_owned();
            event.push(if frozen {
                Event::Frozen { sensor, from, to }
            } else {
                Event::Silent { sensor, from, to }
            });
        }
    }
    let from = dice.day(2, DAYS - 2).to_datetime(clock(dice.count(0, 1439)));
    let to = from.saturating_add(jiff::Span::new().hours(i64::from(dice.count(2, 10))));
    if dice.chance(0.15)
        && let Some(bed) = school.beds.first()
    {
        event.push(Event::LateGateway { beds: vec![bed.id.clone()], from, to });
    }
}

fn gauge_faults(school: &School, dice: &mut Dice, gauge: GaugeState, event: &mut Vec<Event>) {
    let from = dice.day(2, 12).to_datetime(clock(dice.count(0, 1439)));
    let to = dice.first.saturating_add(jiff::Span::new().days(i64::from(DAYS) + 1)).to_datetime(clock(0));
    let part = dice.between(0.02, 0.2);
    for sensor in school.sensors.iter().filter(|s| s.measures == Quantity::Rain) {
        let sensor = sensor.id.clone();
        match gauge {
            GaugeState::Healthy => {}
            GaugeState::Dead => event.push(Event::GaugeClogged { sensor, passes: 0.0, from, to }),
            GaugeState::Clogged => event.push(Event::GaugeClogged { sensor, passes: part, from, to }),
            GaugeState::Silent => event.push(Event::Silent { sensor, from, to }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Simulation;

    fn school() -> School {
        School::parse(include_str!("../tests/garden.toml")).unwrap()
    }

    #[test]
    fn seeds_give_different_months_and_one_seed_the_same() {
        let school = school();
        let month = |seed| format!("{:?}", Scenario::random_month(&school, seed, GaugeState::Healthy));
        assert_eq!(month(3), month(3));
        for seed in 1..40 {
            assert_ne!(month(seed), month(seed + 1));
        }
    }

    #[test]
    fn the_gauge_changes_nothing_else() {
        let school = school();
        for gauge in GaugeState::ALL {
            let month = Scenario::random_month(&school, 11, gauge);
            let mut simulation = Simulation::new(&school, &month, 11);
            let soil: Vec<_> =
                simulation.by_ref().filter(|e| e.sensor == "kitchen-15cm").map(|e| e.raw.to_bits()).collect();
            let mut healthy =
                Simulation::new(&school, &Scenario::random_month(&school, 11, GaugeState::Healthy), 11);
            let expected: Vec<_> =
                healthy.by_ref().filter(|e| e.sensor == "kitchen-15cm").map(|e| e.raw.to_bits()).collect();
            assert!(simulation.unplaced().is_empty());
            assert_eq!(soil, expected, "{}", gauge.name());
            assert_eq!(simulation.truth().waterings, healthy.truth().waterings);
        }
    }

    #[test]
    fn a_clogged_gauge_counts_a_part() {
        let school = school();
        let tips = |gauge| -> f64 {
            (1..6)
                .flat_map(|seed| {
                    let month = Scenario::random_month(&school, seed, gauge);
                    Simulation::new(&school, &month, seed).filter(|e| e.sensor == "yard-gauge")
                })
                .map(|e| e.raw)
                .sum()
        };
        let (healthy, clogged, dead) =
            (tips(GaugeState::Healthy), tips(GaugeState::Clogged), tips(GaugeState::Dead));
        assert!(dead < clogged && clogged < 0.6 * healthy, "{dead} {clogged} {healthy}");
    }
}
