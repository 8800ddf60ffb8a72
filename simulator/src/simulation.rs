//! The garden running: one minute after the other, and what its sensors send.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use jiff::Timestamp;
use jiff::civil::Date;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::battery::Battery;
use crate::calendar::{date_at, date_of_day, midnight_s, standard_offset_s, timestamp};
use crate::far_gauge::FarGauge;
use crate::frost::Snow;
use crate::judge::Judge;
use crate::payload;
use crate::plan::{Fault, Plan, PlannedWatering};
use crate::probe::Probe;
use crate::scenario::Scenario;
use crate::school::{Place, Quantity, School};
use crate::sky;
use crate::soil::{Balance, Soil};
use crate::tank::Water;
use crate::truth::{RainDay, TopUp, TrueEvent, Truth, Watering};
use crate::weather::{self, Climate, Day, MINUTES, Spell, Weather};

/// A message on its way to the broker.
#[derive(Clone, Debug, PartialEq)]
pub struct Emission {
    /// When it is sent, in the simulation's own time.
    pub send_at: Timestamp,
    /// The sensor's id.
    pub sensor: String,
    pub topic: String,
    pub payload: Vec<u8>,
    /// When the device measured, by its own (right) clock, whole seconds.
    pub at: Timestamp,
    /// The number in the payload.
    pub raw: f64,
}

/// A message that waits for its time, ordered by it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Waiting {
    send_ms: i64,
    /// Breaks ties in the order of measuring.
    number: u64,
    sensor: usize,
    at_s: i64,
    /// `f64` bits, so that the whole can be ordered.
    raw_bits: u64,
    /// What it says of its battery, the same way.
    state_bits: Option<u64>,
}

/// A bed and the water that runs onto it.
#[derive(Clone, Debug)]
struct BedRun {
    soil: Soil,
    /// Soonest last.
    due: Vec<PlannedWatering>,
    running: Option<Running>,
    /// Litres in the present minute.
    litres: f64,
}

#[derive(Clone, Copy, Debug)]
struct Running {
    to_s: i64,
    litres_a_minute: f64,
    mm_a_minute: f64,
}

/// A school under a scenario. Iterating gives its messages strictly in the
/// order of sending; the same school, scenario and seed give the same bytes.
#[derive(Clone, Debug)]
pub struct Simulation {
    school: School,
    scenario: Scenario,
    seed: u64,
    endless: bool,
    start_s: i64,
    end_s: i64,
    /// The state is the one at this moment.
    now_s: i64,
    /// Weather keeps standard time: seconds east of UTC.
    standard_s: i64,
    weather: Weather,
    weather_day: i64,
    days: [Day; 3],
    air_c: f64,
    sun_w_m2: f64,
    next_midnight_s: i64,
    local_date: Date,
    plan: Plan,
    beds: Vec<BedRun>,
    tanks: Vec<Water>,
    probes: Vec<Probe>,
    batteries: Vec<Battery>,
    /// For each sensor, the last moment of sending that is taken, ms.
    queued_ms: Vec<i64>,
    waiting: BinaryHeap<Reverse<Waiting>>,
    numbered: u64,
    last_sent_ms: i64,
    judge: Judge,
    /// Where it freezes.
    snow: Option<Snow>,
    /// For each sensor that is a gauge far off.
    far_gauges: Vec<Option<FarGauge>>,
    front_rng: ChaCha8Rng,
    waterings: Vec<Watering>,
    top_ups: Vec<TopUp>,
    rain: BTreeMap<Date, f64>,
}

/// What a tank's pump draws and moves, and how high its water stands; invented.
const PUMP_W: f64 = 25.0;
const PUMP_L_MIN: f64 = 15.0;
const LEVEL_CM: f64 = 60.0;

/// Milliseconds between two messages when a gateway sends what it kept.
const BURST_MS: i64 = 40;

impl Simulation {
    /// The school at the scenario's beginning. Places that the scenario names
    /// and the school does not have are left out: see [`Self::unplaced`].
    pub fn new(school: &School, scenario: &Scenario, seed: u64) -> Self {
        let zone = &school.time_zone;
        let start_s = midnight_s(zone, scenario.start);
        let end = scenario.start.saturating_add(jiff::Span::new().days(i64::from(scenario.days)));
        let end_s = midnight_s(zone, end);
        let standard_s = standard_offset_s(zone, scenario.start.year());
        let weather_day = (start_s + standard_s).div_euclid(86_400);
        let first_date = date_of_day(weather_day);
        let climate = climate(scenario, first_date);
        // One day earlier, so that the first night has an evening before it.
        let yesterday = first_date.yesterday().unwrap_or(first_date);
        let mut weather =
            Weather::new(climate, school.latitude_deg, i64::from(yesterday.day_of_year()), seed);
        let days = [weather.day(), weather.day(), weather.day()];
        let mean_c = f64::midpoint(days[1].warmest_c, days[1].coldest_c);
        let plan = Plan::new(school, scenario);
        let mut front_rng = ChaCha8Rng::seed_from_u64(seed);
        front_rng.set_stream(5);
        let beds = school.beds.iter().enumerate().map(|(number, bed)| {
            let deepest_m = school
                .sensors
                .iter()
                .filter(|s| s.place == Place::Bed(number))
                .fold(0.0, |deepest: f64, s| deepest.max(s.depth_m));
            let mut soil = Soil::new(bed, deepest_m, scenario.start_available, mean_c + 1.0);
            if scenario.climate.frost {
                soil.may_freeze();
            }
            BedRun { soil, due: Vec::new(), running: None, litres: 0.0 }
        });
        let instruments = plan.instruments.iter();
        let probes = school.sensors.iter().zip(instruments.clone()).enumerate();
        let probes =
            probes.map(|(i, (s, instrument))| Probe::new(s, *instrument, i, seed, start_s)).collect();
        let far = instruments
            .enumerate()
            .map(|(i, it)| (it.km_off > 0.0).then(|| FarGauge::new(it.km_off, i, seed)));
        let far_gauges = far.collect();
        let mut simulation = Self {
            beds: beds.collect(),
            tanks: school.tanks.iter().map(|t| Water::new(t.volume_l, mean_c + 1.5)).collect(),
            probes,
            batteries: (0..school.sensors.len()).map(|i| Battery::new(i, seed)).collect(),
            queued_ms: vec![i64::MIN; school.sensors.len()],
            judge: Judge::new(school),
            plan,
            snow: scenario.climate.frost.then(Snow::default),
            far_gauges,
            front_rng,
            school: school.clone(),
            scenario: scenario.clone(),
            seed,
            endless: false,
            start_s,
            end_s,
            now_s: start_s,
            standard_s,
            weather,
            weather_day,
            days,
            air_c: mean_c,
            sun_w_m2: 0.0,
            next_midnight_s: start_s,
            local_date: scenario.start,
            waiting: BinaryHeap::new(),
            numbered: 0,
            last_sent_ms: i64::MIN,
            waterings: Vec::new(),
            top_ups: Vec::new(),
            rain: BTreeMap::new(),
        };
        simulation.see_air();
        simulation
    }

    /// Lets the garden live on past the scenario's end.
    #[must_use]
    pub fn endless(mut self) -> Self {
        self.endless = true;
        self
    }

    /// When the scenario begins.
    pub fn start(&self) -> Timestamp {
        timestamp(self.start_s * 1000)
    }

    /// When the scenario ends.
    pub fn end(&self) -> Timestamp {
        timestamp(self.end_s * 1000)
    }

    /// The present, in the simulation's own time.
    pub fn now(&self) -> Timestamp {
        timestamp(self.now_s * 1000)
    }

    /// Ids that the scenario names and the school does not have.
    pub fn unplaced(&self) -> &[String] {
        &self.plan.unplaced
    }

    /// Where each bed's water went, in the school's order.
    pub fn balances(&self) -> Vec<(String, Balance)> {
        self.school.beds.iter().zip(&self.beds).map(|(b, run)| (b.id.clone(), run.soil.balance())).collect()
    }

    /// What has truly happened until now.
    pub fn truth(&self) -> Truth {
        let mut judge = self.judge.clone();
        judge.finish(&self.school, &self.plan, self.now_s);
        let mut events: Vec<TrueEvent> = judge
            .findings
            .into_iter()
            .map(|f| TrueEvent {
                kind: f.kind.to_owned(),
                place: f.place,
                from: timestamp(f.stretch.from_s * 1000),
                to: timestamp(f.stretch.to_s * 1000),
                must: f.stretch.must,
                note: f.note,
            })
            .collect();
        events.sort_by(|a, b| (a.from, &a.kind, &a.place).cmp(&(b.from, &b.kind, &b.place)));
        Truth {
            scenario: self.scenario.name.clone(),
            seed: self.seed,
            site: self.school.site.clone(),
            from: self.start(),
            to: self.now(),
            events,
            waterings: self.waterings.clone(),
            top_ups: self.top_ups.clone(),
            rain: self.rain.iter().map(|(date, mm)| RainDay { date: *date, mm: *mm }).collect(),
        }
    }

    /// Minute of the weather's day.
    fn minute(&self) -> usize {
        // Never negative and below 1,440: a remainder of whole minutes.
        ((self.now_s + self.standard_s).rem_euclid(86_400) / 60) as usize % MINUTES
    }

    fn see_air(&mut self) {
        let minute = self.minute();
        let [yesterday, today, tomorrow] = &self.days;
        self.air_c = weather::air_c(yesterday, today, tomorrow, minute as f64 / 60.0);
        self.sun_w_m2 = today.radiation_mj * 1e6 * today.sun[minute] / 60.0;
    }

    /// One minute of the garden, from `now_s` to a minute later.
    fn step(&mut self) {
        if self.now_s >= self.next_midnight_s {
            self.begin_local_day();
        }
        let minute = self.minute();
        let today = &self.days[1];
        let et0_mm = today.et0_mm * today.sun[minute];
        let mut rain_mm = today.rain[minute];
        for shower in &self.plan.showers {
            if (shower.from_s..shower.to_s).contains(&self.now_s) {
                rain_mm += shower.mm * 60.0 / (shower.to_s - shower.from_s) as f64;
            }
        }
        let mut gauge_mm = rain_mm;
        if let Some(snow) = &mut self.snow {
            let liquid = snow.minute(self.air_c, rain_mm);
            (rain_mm, gauge_mm) = (liquid.ground_mm, liquid.gauge_mm);
        }
        if rain_mm > 0.0 {
            *self.rain.entry(self.local_date).or_default() += rain_mm;
        }
        self.judge.rain(&self.school, &self.plan, self.now_s, rain_mm);
        self.step_beds(rain_mm, et0_mm);
        self.step_tanks();
        let beds = &self.beds;
        self.judge.failed_runs(&self.school, &self.plan, self.now_s, |bed| &beds[bed].soil);
        self.judge.settle_waterings(&self.school, &self.plan, self.now_s, false);
        self.step_probes(gauge_mm);
        self.now_s += 60;
        self.begin_weather_day();
        self.see_air();
        self.measure();
    }

    /// The weather's next day, before anything is seen at its midnight.
    fn begin_weather_day(&mut self) {
        let weather_day = (self.now_s + self.standard_s).div_euclid(86_400);
        if weather_day == self.weather_day {
            return;
        }
        self.weather_day = weather_day;
        self.judge.day(&self.school, &self.plan, self.days[1].et0_mm, self.now_s);
        self.days.rotate_left(1);
        self.days[2] = self.weather.day();
    }

    fn begin_local_day(&mut self) {
        let zone = &self.school.time_zone;
        self.local_date = date_at(zone, self.now_s);
        let tomorrow = self.local_date.tomorrow().unwrap_or(Date::MAX);
        self.next_midnight_s = midnight_s(zone, tomorrow).max(self.now_s + 3600);
        self.rain.entry(self.local_date).or_default();
        if let Some([least, most]) = self.scenario.soil.front_m_per_h {
            for bed in &mut self.beds {
                let part: f64 = self.front_rng.random();
                bed.soil.slow_down(least * (most / least).powf(part));
            }
        }
        let mut due = self.plan.scheduled(zone, self.local_date);
        while let Some(once) = self.plan.waterings.pop_if(|w| w.at_s < self.next_midnight_s) {
            // What was before the beginning is not made up for.
            if once.at_s >= self.now_s {
                due.push(once);
            }
        }
        for watering in due {
            self.beds[watering.bed].due.push(watering);
        }
        for bed in &mut self.beds {
            bed.due.sort_by_key(|w| Reverse(w.at_s));
        }
    }

    fn step_beds(&mut self, rain_mm: f64, et0_mm: f64) {
        while let Some((_, bed)) = self.plan.mulches.pop_if(|(at, _)| *at <= self.now_s) {
            self.beds[bed].soil.mulch();
        }
        for (number, run) in self.beds.iter_mut().enumerate() {
            let bed = &self.school.beds[number];
            if run.running.is_some_and(|r| r.to_s <= self.now_s) {
                run.running = None;
            }
            if run.running.is_none()
                && let Some(due) = run.due.pop_if(|w| w.at_s <= self.now_s)
            {
                let rate = due.litres_per_hour.unwrap_or(bed.litres_per_hour);
                let minutes = (due.litres / rate * 60.0).ceil().max(1.0);
                let mm = due.litres * bed.efficiency / bed.area_m2;
                let to_s = self.now_s + 60 * minutes as i64;
                self.judge.watering(number, &run.soil, self.now_s, to_s, mm);
                self.waterings.push(Watering {
                    bed: bed.id.clone(),
                    from: timestamp(self.now_s * 1000),
                    to: timestamp(to_s * 1000),
                    litres: due.litres,
                    mm,
                    scheduled: due.scheduled,
                });
                run.running =
                    Some(Running { to_s, litres_a_minute: due.litres / minutes, mm_a_minute: mm / minutes });
            }
            let watering_mm = run.running.map_or(0.0, |r| r.mm_a_minute);
            run.litres = run.running.map_or(0.0, |r| r.litres_a_minute);
            run.soil.suffer(self.plan.sheds(number, self.now_s), self.plan.drain_blocked(number, self.now_s));
            run.soil.minute(rain_mm, watering_mm, et0_mm);
            // Under snow the soil is shut off from the weather.
            let (air_c, sun_w_m2) = if self.snow.is_some_and(|snow| snow.covers()) {
                (0.2 * self.air_c.min(0.0), 0.0)
            } else {
                (self.air_c, self.sun_w_m2)
            };
            run.soil.warm(air_c, sun_w_m2);
            self.judge.bed(&self.school, &self.plan, number, &run.soil, self.now_s);
        }
    }

    fn step_tanks(&mut self) {
        self.judge.air(&self.school, &self.plan, self.air_c, self.now_s);
        for (number, water) in self.tanks.iter_mut().enumerate() {
            let mut inflow = None;
            for top_up in self.plan.top_ups.iter().filter(|t| t.tank == number) {
                if top_up.from_s / 60 == self.now_s / 60 {
                    self.top_ups.push(TopUp {
                        tank: self.school.tanks[number].id.clone(),
                        from: timestamp(top_up.from_s * 1000),
                        to: timestamp(top_up.to_s * 1000),
                        litres: top_up.litres,
                        water_c: top_up.water_c,
                    });
                }
                if (top_up.from_s..top_up.to_s).contains(&self.now_s) {
                    let a_minute = top_up.litres * 60.0 / (top_up.to_s - top_up.from_s) as f64;
                    inflow = Some((a_minute, top_up.water_c));
                }
            }
            water.minute(self.air_c, self.sun_w_m2, inflow);
            self.judge.tank(&self.school, &self.plan, number, water.temperature_c(), self.now_s);
        }
    }

    fn step_probes(&mut self, rain_mm: f64) {
        while let Some((_, sensor)) = self.plan.restarts.pop_if(|(at, _)| *at <= self.now_s) {
            self.probes[sensor].restart(self.now_s);
        }
        for (number, probe) in self.probes.iter_mut().enumerate() {
            let sensor = &self.school.sensors[number];
            let faulty = self.plan.fault(number, self.now_s);
            let fault = faulty.map(|f| f.fault);
            match sensor.measures {
                Quantity::Rain if fault == Some(Fault::Silent) => {
                    if let Some(far) = &mut self.far_gauges[number] {
                        far.minute(rain_mm);
                    }
                    probe.forget_tips();
                }
                Quantity::Rain => {
                    let caught = faulty.filter(|f| f.fault == Fault::Clogged).map_or(1.0, |f| f.passes);
                    let falls_mm =
                        self.far_gauges[number].as_mut().map_or(rain_mm, |far| far.minute(rain_mm));
                    probe.rain(sensor, falls_mm * caught);
                }
                Quantity::WaterFlow => {
                    let litres = match sensor.place {
                        Place::Bed(bed) => self.beds[bed].litres,
                        Place::Site => self.beds.iter().map(|b| b.litres).sum(),
                        Place::Tank(tank) if self.plan.pump_stands(tank, self.now_s) => 0.0,
                        Place::Tank(_) => PUMP_L_MIN,
                    };
                    probe.flow(litres);
                }
                // All others are measured, not counted.
                _ => {}
            }
            probe.freeze(fault == Some(Fault::Frozen));
            if probe.restarts_now() && fault.is_none() {
                probe.restart(self.now_s);
            }
        }
    }

    /// Every measurement that falls into the minute that has just passed.
    fn measure(&mut self) {
        for number in 0..self.probes.len() {
            while self.probes[number].next_s() <= self.now_s {
                let at_s = self.probes[number].next_s();
                let value = self.plan.shown(number, at_s, self.value(number));
                let dropouts = self.plan.dropout_part(number, at_s);
                let fault = self.plan.fault(number, at_s);
                let sends = !matches!(fault, Some(f) if f.fault == Fault::Silent);
                let wrong = fault.map(|f| f.fault);
                let raw =
                    self.probes[number].measure(&self.school.sensors[number], value, sends, wrong, dropouts);
                let part = self.plan.battery_part(number, at_s);
                let state = self.batteries[number].report(&self.school.sensors[number], part);
                let delay_ms = self.probes[number].delay_ms();
                let Some(raw) = raw else { continue };
                let send_ms = match fault {
                    // In the burst, place by place in the order of measuring.
                    Some(f) if f.fault == Fault::Late => {
                        let kept = self.kept_for_burst(f.to_s);
                        f.to_s * 1000 + kept * BURST_MS
                    }
                    Some(_) | None => at_s * 1000 + delay_ms,
                };
                let send_ms = send_ms.max(self.queued_ms[number].saturating_add(1));
                self.queued_ms[number] = send_ms;
                self.numbered += 1;
                self.waiting.push(Reverse(Waiting {
                    send_ms,
                    number: self.numbered,
                    sensor: number,
                    at_s,
                    raw_bits: raw.to_bits(),
                    state_bits: state.map(f64::to_bits),
                }));
            }
        }
    }

    /// How many messages are kept until a gateway wakes at `to_s`.
    fn kept_for_burst(&self, to_s: i64) -> i64 {
        self.waiting.iter().filter(|Reverse(w)| w.at_s < to_s && w.send_ms >= to_s * 1000).count() as i64
    }

    /// The true value at a sensor, in its quantity's unit.
    fn value(&self, number: usize) -> f64 {
        let sensor = &self.school.sensors[number];
        let hour = self.minute() as f64 / 60.0;
        match (sensor.measures, sensor.place) {
            (Quantity::SoilMoisture, Place::Bed(bed)) => {
                // The probe's own electronics warm up by day and shift a little.
                let swing = 0.0015 * (-sensor.depth_m / 0.3).exp();
                let wave = (std::f64::consts::PI * (hour - 9.0) / 12.0).sin();
                self.beds[bed].soil.shown_at(sensor.depth_m) + swing * wave
            }
            (Quantity::SoilTemperature, Place::Bed(bed)) => self.beds[bed].soil.warmth_at(sensor.depth_m),
            (Quantity::WaterTemperature, Place::Tank(tank)) => self.tanks[tank].temperature_c(),
            (Quantity::DissolvedOxygen, Place::Tank(tank)) => {
                // Nine tenths of what fresh water holds near 10 to 35 °C, a little
                // more by day; the curve is a fit to APHA 4500-O's table.
                let c = self.tanks[tank].temperature_c();
                let full = 14.62 - 0.3943 * c + 0.007714 * c * c - 0.0000646 * c * c * c;
                full * (0.90 + 0.04 * (std::f64::consts::PI * (hour - 9.0) / 12.0).sin())
            }
            (Quantity::Ph, Place::Tank(_)) => {
                7.3 + 0.15 * (std::f64::consts::PI * (hour - 10.0) / 12.0).sin()
            }
            (Quantity::AirTemperature, _) => self.air_c,
            (Quantity::RelativeHumidity, _) => {
                // Dew point at the day's coldest (FAO-56 eq. 48).
                let vapour = sky::saturation_kpa(self.days[1].coldest_c);
                (100.0 * vapour / sky::saturation_kpa(self.air_c)).clamp(5.0, 100.0)
            }
            (Quantity::Power, Place::Tank(tank)) if self.plan.pump_stands(tank, self.now_s) => 0.0,
            (Quantity::Power, Place::Tank(_)) => PUMP_W,
            (Quantity::WaterLevel, Place::Tank(_)) => LEVEL_CM,
            (Quantity::SolarRadiation, Place::Site) => self.sun_w_m2,
            (Quantity::WindSpeed, Place::Site) => weather::wind_m_s(&self.days[1], &self.days[2], hour),
            // Counted in the probe, or refused when the school was read.
            _ => 0.0,
        }
    }

    fn emit(&mut self, waiting: &Waiting) -> Emission {
        let send_ms = waiting.send_ms.max(self.last_sent_ms.saturating_add(1));
        self.last_sent_ms = send_ms;
        let sensor = &self.school.sensors[waiting.sensor];
        let raw = f64::from_bits(waiting.raw_bits);
        let state = waiting.state_bits.map(f64::from_bits);
        self.judge.sent(&self.school, &self.plan, waiting.sensor, send_ms.div_euclid(1000));
        Emission {
            send_at: timestamp(send_ms),
            sensor: sensor.id.clone(),
            topic: sensor.topic.clone(),
            payload: payload::write(&sensor.payload, &sensor.id, raw, waiting.at_s, state),
            at: timestamp(waiting.at_s * 1000),
            raw,
        }
    }
}

impl Iterator for Simulation {
    type Item = Emission;

    fn next(&mut self) -> Option<Emission> {
        loop {
            // A message measured later is also sent later: what is due now is next.
            let due = self.waiting.peek().is_some_and(|Reverse(w)| w.send_ms <= self.now_s * 1000);
            if due && let Some(Reverse(waiting)) = self.waiting.pop() {
                return Some(self.emit(&waiting));
            }
            if !self.endless && self.now_s >= self.end_s {
                return None;
            }
            self.step();
        }
    }
}

fn climate(scenario: &Scenario, first_date: Date) -> Climate {
    let mut climate = Climate::default();
    let keys = &scenario.climate;
    climate.warmer_c = keys.warmer_c.unwrap_or(climate.warmer_c);
    climate.wet_day_mm = keys.wet_day_mm.unwrap_or(climate.wet_day_mm);
    // The generator's day 0 is the day before the first.
    let day = |date: Date| i64::from((date - first_date).get_days()) + 1;
    climate.spells = keys
        .spell
        .iter()
        .map(|s| Spell {
            days: (day(s.from), day(s.to)),
            wet: s.wet,
            warmer_c: s.warmer_c.unwrap_or(0.0),
            rain_mm: s.rain_mm,
        })
        .collect();
    climate
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::FIELD_GARDEN;

    #[test]
    fn the_air_does_not_jump_at_midnight() {
        let school = School::parse(FIELD_GARDEN).expect("the field's garden");
        let scenario = Scenario::named("thaw").expect("a scenario of the list");
        let mut simulation = Simulation::new(&school, &scenario, scenario.seed);
        let mut midnights = 0;
        for _ in 0..12 * 1440 {
            let before_c = simulation.air_c;
            simulation.step();
            let change_c = simulation.air_c - before_c;
            assert!(change_c.abs() < 0.1, "{change_c} °C in the minute to {}", simulation.now());
            midnights += u32::from(simulation.minute() == 0);
        }
        assert_eq!(midnights, 12);
    }
}
