//! A random month in a garden as bad as the field.

use jiff::Span;
use jiff::civil::{Date, DateTime, Time};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::instrument::InstrumentKeys;
use crate::random_month::GaugeState;
use crate::scenario::{Event, Scenario, Timer};
use crate::school::{Place, Quantity, School};

/// Resolutions of usual loggers: quantity, step.
const COARSE: [(&str, f64); 6] = [
    ("soil-moisture", 0.001),
    ("soil-temperature", 0.1),
    ("water-temperature", 0.1),
    ("air-temperature", 0.1),
    ("ph", 0.1),
    ("relative-humidity", 1.0),
];
/// Noise of a probe whose logger takes the mean of many readings, m³/m³.
const MEAN_NOISE: f64 = 0.0002;
/// From this field capacity on a bed is peat, m³/m³.
const PEAT: f64 = 0.5;

struct FieldDice {
    rng: ChaCha8Rng,
    first: Date,
    days: u16,
}

impl FieldDice {
    fn chance(&mut self, part: f64) -> bool {
        self.rng.random_bool(part)
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.rng.random_range(low..high)
    }

    /// Whole minutes of a day from `from` to `to`.
    fn moment(&mut self, from: u16, to: u16) -> DateTime {
        let day = self.rng.random_range(from..=to.min(self.days.saturating_sub(1)).max(from));
        let minute = self.rng.random_range(0..1440_i64);
        self.first
            .saturating_add(Span::new().days(i64::from(day)))
            .at(0, 0, 0, 0)
            .saturating_add(Span::new().minutes(minute))
    }

    fn end(&self) -> DateTime {
        self.first.saturating_add(Span::new().days(i64::from(self.days) + 1)).at(0, 0, 0, 0)
    }

    fn one_of<'a>(&mut self, ids: &[&'a str]) -> Option<&'a str> {
        // Drawn in any case, so that the rest of the month is the same without them.
        let number = self.rng.random_range(0..1_000_usize);
        ids.get(number % ids.len().max(1)).copied()
    }
}

impl Scenario {
    /// A random month, one in four of them troubled, in which what spoils records in
    /// the field happens by chance: coarse numbers, one timer over all beds, soil that
    /// freezes in winter or takes its time, gauges that see half of the rain or stand
    /// kilometres off, readings that drop to zero, changed sensors, thermometers that
    /// fail hot, and peat that rises and falls by itself. The numbers are invented.
    pub fn field_month(school: &School, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(9);
        let troubled = rng.random_bool(0.25);
        let mut scenario = if troubled {
            Self::troubled_month(school, seed)
        } else {
            Self::random_month(school, seed, GaugeState::Healthy)
        };
        "field-month".clone_into(&mut scenario.name);
        let mut dice = FieldDice { rng, first: scenario.start, days: scenario.days };
        if dice.chance(0.8) {
            scenario.instrument.extend(COARSE.map(|(measures, step)| InstrumentKeys {
                measures: Some(measures.to_owned()),
                resolution: Some(step),
                noise: (measures == "soil-moisture").then_some(MEAN_NOISE),
                ..InstrumentKeys::default()
            }));
        }
        one_timer(school, &mut scenario, &mut dice, troubled);
        sky_and_soil(school, &mut scenario, &mut dice);
        gauges(school, &mut scenario, &mut dice);
        sensors(school, &mut scenario, &mut dice);
        scenario
    }

    /// The lines of a garden's file that say what the scenario's timers do.
    pub fn programs(&self) -> String {
        let program = |(number, timer): (usize, &Timer)| {
            let beds = if timer.beds.is_empty() { "\"all\"".to_owned() } else { format!("{:?}", timer.beds) };
            format!(
                "\n[[program]]\nname = \"Timer {}\"\nbeds = {beds}\nevery_days = {}\nfrom = {}\nstarts = [\"{:02}:{:02}\"]\n\
                 minutes = {}\n",
                number + 1,
                timer.every_days,
                timer.first,
                timer.at.hour(),
                timer.at.minute(),
                timer.minutes
            )
        };
        self.timer.iter().enumerate().map(program).collect()
    }
}

/// In half of the gardens one timer waters everything, in place of the schedules.
fn one_timer(school: &School, scenario: &mut Scenario, dice: &mut FieldDice, troubled: bool) {
    let (has, every_days) = (dice.chance(0.5), dice.rng.random_range(1..=3));
    let minutes: u16 = dice.rng.random_range(12..=30);
    // Where water may run at every bed until it is done.
    let may_run = |minute: u16| {
        let last = minute + minutes + 60;
        (0..school.beds.len()).all(|bed| school.allowed(bed).iter().any(|(a, b)| *a <= minute && last <= *b))
    };
    let possible: Vec<u16> = (0..1440 / 15).map(|quarter| 15 * quarter).filter(|m| may_run(*m)).collect();
    let number = dice.rng.random_range(0..1_000_usize);
    let Some(minute) = possible.get(number % possible.len().max(1)) else { return };
    if !has || troubled {
        return;
    }
    scenario.watering.clear();
    scenario.timer.push(Timer {
        beds: Vec::new(),
        first: scenario.start,
        every_days,
        at: Time::midnight().wrapping_add(Span::new().minutes(i64::from(*minute))),
        minutes,
        in_turn: false,
        fails: Vec::new(),
    });
}

fn sky_and_soil(school: &School, scenario: &mut Scenario, dice: &mut FieldDice) {
    let (freezes, colder_c) = (dice.chance(0.6), dice.between(6.0, 11.0));
    let month = scenario.start.month();
    let winter = if school.latitude_deg < 0.0 { (5..=8).contains(&month) } else { month >= 11 || month <= 2 };
    if winter && freezes {
        scenario.climate.frost = true;
        scenario.climate.warmer_c = Some(scenario.climate.warmer_c.unwrap_or(0.0) - colder_c);
    }
    let (slow, least, most) = (dice.chance(0.5), dice.between(0.06, 0.2), dice.between(0.4, 1.0));
    if slow {
        scenario.soil.front_m_per_h = Some([least, most]);
    }
}

fn gauges(school: &School, scenario: &mut Scenario, dice: &mut FieldDice) {
    let ids: Vec<&str> =
        school.sensors.iter().filter(|s| s.measures == Quantity::Rain).map(|s| s.id.as_str()).collect();
    let (clogs, passes, from) = (dice.chance(0.3), dice.between(0.4, 0.6), dice.moment(2, 10));
    if let (true, Some(sensor)) = (clogs, ids.first()) {
        let sensor = (*sensor).to_owned();
        scenario.event.push(Event::GaugeClogged { sensor, passes, from, to: dice.end() });
    }
    for sensor in ids.iter().skip(1) {
        scenario.instrument.push(InstrumentKeys {
            sensor: Some((*sensor).to_owned()),
            km_off: Some(dice.between(0.5, 8.0)),
            ..InstrumentKeys::default()
        });
    }
}

fn sensors(school: &School, scenario: &mut Scenario, dice: &mut FieldDice) {
    let of = |wanted: &[Quantity]| -> Vec<&str> {
        school.sensors.iter().filter(|s| wanted.contains(&s.measures)).map(|s| s.id.as_str()).collect()
    };
    let probes = of(&[Quantity::SoilMoisture]);
    let (drops, part, sensor) = (dice.chance(0.4), dice.between(0.002, 0.01), dice.one_of(&probes));
    if let (true, Some(sensor)) = (drops, sensor) {
        let (from, to) = (dice.first.at(0, 0, 0, 0), dice.end());
        scenario.event.push(Event::Dropouts { sensor: sensor.to_owned(), part, from, to });
    }
    let either = |dice: &mut FieldDice, low: f64, high: f64| {
        dice.between(low, high) * if dice.chance(0.5) { 1.0 } else { -1.0 }
    };
    let (changed, offset, sensor, at) =
        (dice.chance(0.3), either(dice, 0.015, 0.04), dice.one_of(&probes), dice.moment(4, 24));
    let hours = dice.rng.random_range(1..6);
    if let (true, Some(sensor)) = (changed, sensor) {
        scenario.event.push(Event::Swapped { sensor: sensor.to_owned(), at, hours, offset });
    }
    let tanks = of(&[Quantity::WaterTemperature]);
    let (changed, offset, sensor, at) =
        (dice.chance(0.2), either(dice, 0.5, 4.0), dice.one_of(&tanks), dice.moment(4, 24));
    if let (true, Some(sensor)) = (changed, sensor) {
        scenario.event.push(Event::Swapped { sensor: sensor.to_owned(), at, hours, offset });
    }
    let thermometers = of(&[Quantity::WaterTemperature, Quantity::SoilTemperature]);
    let (fails, reads_c, sensor) = (dice.chance(0.25), dice.between(50.0, 90.0), dice.one_of(&thermometers));
    let (drifts, rate, from) = (dice.chance(0.5), dice.between(0.2, 1.5), dice.moment(4, 20));
    let to = from.saturating_add(Span::new().hours(i64::from(dice.rng.random_range(20..150_u16))));
    if let (true, Some(sensor)) = (fails, sensor) {
        let (sensor, c_per_h) = (sensor.to_owned(), drifts.then_some(rate));
        scenario.event.push(Event::FailsHot { sensor, reads_c, c_per_h, from, to });
    }
    for sensor in &school.sensors {
        let Place::Bed(bed) = sensor.place else { continue };
        if sensor.measures == Quantity::SoilMoisture && school.beds[bed].field_capacity >= PEAT {
            scenario.instrument.push(InstrumentKeys {
                sensor: Some(sensor.id.clone()),
                wanders: Some(dice.between(0.01, 0.04)),
                wander_h: Some(dice.between(5.0, 14.0)),
                ..InstrumentKeys::default()
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{FIELD_GARDEN, Simulation};

    #[test]
    fn months_differ_and_one_seed_gives_the_same() {
        let school = School::parse(FIELD_GARDEN).unwrap();
        let month = |seed| format!("{:?}", Scenario::field_month(&school, seed));
        assert_eq!(month(3), month(3));
        for seed in 1..30 {
            assert_ne!(month(seed), month(seed + 1));
        }
    }

    /// Everything that spoils records comes in some months and not in others.
    #[test]
    fn every_trouble_comes_in_some_months_and_not_in_others() {
        let school = School::parse(FIELD_GARDEN).unwrap();
        let months: Vec<Scenario> = (1..=200).map(|seed| Scenario::field_month(&school, seed)).collect();
        let part = |holds: &dyn Fn(&Scenario) -> bool| {
            months.iter().filter(|month| holds(month)).count() as f64 / months.len() as f64
        };
        let event = |wanted: fn(&Event) -> bool| part(&|month: &Scenario| month.event.iter().any(wanted));
        for (what, share) in [
            ("coarse", part(&|m: &Scenario| m.instrument.iter().any(|i| i.resolution.is_some()))),
            ("one timer", part(&|m: &Scenario| !m.timer.is_empty())),
            ("frost", part(&|m: &Scenario| m.climate.frost)),
            ("slow soil", part(&|m: &Scenario| m.soil.front_m_per_h.is_some())),
            ("half clogged", event(|e| matches!(e, Event::GaugeClogged { .. }))),
            ("dropouts", event(|e| matches!(e, Event::Dropouts { .. }))),
            ("swapped", event(|e| matches!(e, Event::Swapped { .. }))),
            ("hot", event(|e| matches!(e, Event::FailsHot { .. }))),
        ] {
            assert!((0.05..0.9).contains(&share), "{what}: {share}");
        }
        for month in months.iter().take(8) {
            assert!(Simulation::new(&school, month, month.seed).unplaced().is_empty());
        }
    }

    #[test]
    fn programs_say_what_the_timers_do() {
        let lines = Scenario::named("one-timer").unwrap().programs();
        let expected = "\n[[program]]\nname = \"Timer 1\"\nbeds = \"all\"\nevery_days = 3\nfrom = 2026-03-01\n\
                        starts = [\"06:00\"]\nminutes = 30\n";
        assert_eq!(lines, expected);
    }
}
