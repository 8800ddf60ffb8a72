//! A scenario's events, laid onto one school: ids become numbers and local
//! times become instants.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use crate::battery::{EMPTY, FULL};
use crate::calendar::instant_s;
use crate::scenario::{Event, Scenario, Schedule};
use crate::school::{Place, School};

/// What is wrong with a sensor for a while.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault {
    /// It sends nothing.
    Silent,
    /// It repeats one number.
    Frozen,
    /// A gauge that sees no rain, or a part of it.
    Clogged,
    /// Its messages wait for the end of the fault.
    Late,
    /// Its cable is cut.
    Broken,
    /// Its plug is loose.
    Loose,
}

/// A fault of one sensor, `[from_s, to_s)`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Faulty {
    pub(crate) fault: Fault,
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
    /// The part of the rain that a clogged gauge still sees.
    pub(crate) passes: f64,
}

/// Water on a bed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PlannedWatering {
    pub(crate) at_s: i64,
    pub(crate) bed: usize,
    pub(crate) litres: f64,
    /// `None`: the bed's own rate.
    pub(crate) litres_per_hour: Option<f64>,
    pub(crate) scheduled: bool,
}

/// A stretch of a bed's life, `[from_s, to_s)`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BedSpan {
    pub(crate) bed: usize,
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
}

impl BedSpan {
    fn holds(&self, bed: usize, at_s: i64) -> bool {
        self.bed == bed && (self.from_s..self.to_s).contains(&at_s)
    }
}

/// Water into a tank.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PlannedTopUp {
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
    pub(crate) tank: usize,
    pub(crate) litres: f64,
    pub(crate) water_c: f64,
}

/// A time in which nothing came by a gateway, `[from_s, to_s)`.
#[derive(Clone, Debug)]
pub(crate) struct Outage {
    /// As alarms name it.
    pub(crate) gateway: String,
    pub(crate) sensors: Vec<usize>,
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
}

/// Extra rain, `[from_s, to_s)`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Shower {
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
    pub(crate) mm: f64,
}

/// All of it. Lists of moments are sorted, the last first, so that the next one
/// is popped from the end.
#[derive(Clone, Debug, Default)]
pub(crate) struct Plan {
    pub(crate) waterings: Vec<PlannedWatering>,
    pub(crate) top_ups: Vec<PlannedTopUp>,
    pub(crate) showers: Vec<Shower>,
    pub(crate) mulches: Vec<(i64, usize)>,
    pub(crate) taps_left_on: Vec<BedSpan>,
    pub(crate) blocked_drains: Vec<BedSpan>,
    pub(crate) repellent: Vec<BedSpan>,
    pub(crate) restarts: Vec<(i64, usize)>,
    /// Batteries that run down: sensor, `[from_s, to_s)`.
    pub(crate) batteries: Vec<(usize, i64, i64)>,
    /// When nothing came by a gateway: its id, its sensors, `[from_s, to_s)`.
    pub(crate) outages: Vec<Outage>,
    /// For each sensor.
    pub(crate) faults: Vec<Vec<Faulty>>,
    pub(crate) schedules: Vec<(usize, Schedule)>,
    /// Ids that the scenario names and the school does not have.
    pub(crate) unplaced: Vec<String>,
}

impl Plan {
    pub(crate) fn new(school: &School, scenario: &Scenario) -> Self {
        let mut plan = Self { faults: vec![Vec::new(); school.sensors.len()], ..Self::default() };
        for schedule in &scenario.watering {
            if let Some(bed) = plan.placed(school.bed_of(&schedule.bed), &schedule.bed) {
                plan.schedules.push((bed, schedule.clone()));
            }
        }
        for event in &scenario.event {
            plan.add(school, event);
        }
        plan.outages = plan.outages(school);
        plan.waterings.sort_by_key(|w| std::cmp::Reverse(w.at_s));
        plan.mulches.sort_unstable_by(|a, b| b.cmp(a));
        plan.restarts.sort_unstable_by(|a, b| b.cmp(a));
        plan
    }

    /// The times in which all sensors of a gateway were silent at once.
    fn outages(&self, school: &School) -> Vec<Outage> {
        let mut outages = Vec::new();
        for (gateway, least, sensors) in school.gateways() {
            let [first, others @ ..] = sensors.as_slice() else { continue };
            if sensors.len() < least {
                continue;
            }
            let mut spans = self.silences(*first);
            for other in others {
                let theirs = self.silences(*other);
                let both = spans.iter().flat_map(|a| theirs.iter().map(|b| (a.0.max(b.0), a.1.min(b.1))));
                spans = both.filter(|(from, to)| from < to).collect();
            }
            outages.extend(spans.into_iter().map(|(from_s, to_s)| Outage {
                gateway: gateway.clone(),
                sensors: sensors.clone(),
                from_s,
                to_s,
            }));
        }
        outages
    }

    fn silences(&self, sensor: usize) -> Vec<(i64, i64)> {
        self.faults[sensor]
            .iter()
            .filter(|f| matches!(f.fault, Fault::Silent | Fault::Late))
            .map(|f| (f.from_s, f.to_s))
            .collect()
    }

    fn placed(&mut self, found: Option<usize>, id: &str) -> Option<usize> {
        if found.is_none() {
            self.unplaced.push(id.to_owned());
        }
        found
    }

    fn add(&mut self, school: &School, event: &Event) {
        let zone = &school.time_zone;
        let mut fault = |sensor: &str, fault, from: DateTime, to: DateTime, passes: f64| {
            if let Some(number) = self.placed(school.sensor_of(sensor), sensor) {
                let (from_s, to_s) = (instant_s(zone, from), instant_s(zone, to));
                self.faults[number].push(Faulty { fault, from_s, to_s, passes });
            }
        };
        match event {
            Event::Silent { sensor, from, to } => fault(sensor, Fault::Silent, *from, *to, 1.0),
            Event::Frozen { sensor, from, to } => fault(sensor, Fault::Frozen, *from, *to, 1.0),
            Event::BrokenCable { sensor, from, to } => fault(sensor, Fault::Broken, *from, *to, 1.0),
            Event::LoosePlug { sensor, from, to } => fault(sensor, Fault::Loose, *from, *to, 1.0),
            Event::BatteryRunsDown { sensor, from, to } => {
                if let Some(number) = self.placed(school.sensor_of(sensor), sensor) {
                    self.batteries.push((number, instant_s(zone, *from), instant_s(zone, *to)));
                }
            }
            Event::GatewayDead { gateway, from, to } => {
                let members = school.gateways().into_iter().find(|(id, ..)| id == gateway).map(|(.., m)| m);
                if members.is_none() {
                    self.unplaced.push(gateway.clone());
                }
                let (from_s, to_s) = (instant_s(zone, *from), instant_s(zone, *to));
                for number in members.unwrap_or_default() {
                    self.faults[number].push(Faulty { fault: Fault::Silent, from_s, to_s, passes: 1.0 });
                }
            }
            Event::GaugeClogged { sensor, passes, from, to } => {
                fault(sensor, Fault::Clogged, *from, *to, *passes);
            }
            Event::LateGateway { beds, from, to } => {
                for id in beds {
                    let Some(bed) = self.placed(school.bed_of(id), id) else { continue };
                    for (number, sensor) in school.sensors.iter().enumerate() {
                        if sensor.place == Place::Bed(bed) {
                            let (from_s, to_s) = (instant_s(zone, *from), instant_s(zone, *to));
                            self.faults[number].push(Faulty {
                                fault: Fault::Late,
                                from_s,
                                to_s,
                                passes: 1.0,
                            });
                        }
                    }
                }
            }
            Event::Watering { bed, at, litres } => {
                if let Some(bed) = self.placed(school.bed_of(bed), bed) {
                    let at_s = instant_s(zone, *at);
                    self.waterings.push(PlannedWatering {
                        at_s,
                        bed,
                        litres: *litres,
                        litres_per_hour: None,
                        scheduled: false,
                    });
                }
            }
            Event::TopUp { tank, at, litres, water_c, minutes } => {
                if let Some(tank) = self.placed(school.tank_of(tank), tank) {
                    let from_s = instant_s(zone, *at);
                    let to_s = from_s + 60 * i64::from(*minutes);
                    let (litres, water_c) = (*litres, *water_c);
                    self.top_ups.push(PlannedTopUp { from_s, to_s, tank, litres, water_c });
                }
            }
            Event::Shower { at, mm, minutes } => {
                let from_s = instant_s(zone, *at);
                self.showers.push(Shower { from_s, to_s: from_s + 60 * i64::from(*minutes), mm: *mm });
            }
            Event::Mulch { bed, at } => {
                if let Some(bed) = self.placed(school.bed_of(bed), bed) {
                    self.mulches.push((instant_s(zone, *at), bed));
                }
            }
            Event::TapLeftOn { bed, from, to, litres_per_hour } => {
                if let Some(span) = self.span(school, bed, *from, *to) {
                    let hours = (span.to_s - span.from_s) as f64 / 3600.0;
                    self.waterings.push(PlannedWatering {
                        at_s: span.from_s,
                        bed: span.bed,
                        litres: litres_per_hour * hours,
                        litres_per_hour: Some(*litres_per_hour),
                        scheduled: false,
                    });
                    self.taps_left_on.push(span);
                }
            }
            Event::BlockedDrain { bed, from, to } => {
                let span = self.span(school, bed, *from, *to);
                self.blocked_drains.extend(span);
            }
            Event::Repellent { bed, from, to } => {
                let span = self.span(school, bed, *from, *to);
                self.repellent.extend(span);
            }
            Event::Restart { sensor, at } => {
                if let Some(number) = self.placed(school.sensor_of(sensor), sensor) {
                    self.restarts.push((instant_s(zone, *at), number));
                }
            }
        }
    }

    fn span(&mut self, school: &School, bed: &str, from: DateTime, to: DateTime) -> Option<BedSpan> {
        let zone = &school.time_zone;
        let number = self.placed(school.bed_of(bed), bed)?;
        Some(BedSpan { bed: number, from_s: instant_s(zone, from), to_s: instant_s(zone, to) })
    }

    /// A sensor's battery at a moment, as a part of its limit.
    pub(crate) fn battery_part(&self, sensor: usize, at_s: i64) -> f64 {
        self.batteries
            .iter()
            .find(|(number, from_s, to_s)| *number == sensor && (*from_s..*to_s).contains(&at_s))
            .map_or(FULL, |(_, from_s, to_s)| {
                FULL + (EMPTY - FULL) * (at_s - from_s) as f64 / (to_s - from_s) as f64
            })
    }

    /// Whether a tap was left on at a bed at any moment of `[from_s, to_s]`.
    pub(crate) fn left_on_within(&self, bed: usize, from_s: i64, to_s: i64) -> bool {
        self.taps_left_on.iter().any(|t| t.bed == bed && t.from_s <= to_s && from_s < t.to_s)
    }

    /// Whether a bed's drainage is blocked.
    pub(crate) fn drain_blocked(&self, bed: usize, at_s: i64) -> bool {
        self.blocked_drains.iter().any(|span| span.holds(bed, at_s))
    }

    /// Whether a bed's dry soil sheds water.
    pub(crate) fn sheds(&self, bed: usize, at_s: i64) -> bool {
        self.repellent.iter().any(|span| span.holds(bed, at_s))
    }

    /// The waterings that schedules bring on a local date, soonest first.
    pub(crate) fn scheduled(&self, zone: &TimeZone, date: Date) -> Vec<PlannedWatering> {
        let mut due: Vec<PlannedWatering> = self
            .schedules
            .iter()
            .filter(|(_, s)| {
                let days = (date - s.first).get_days();
                date >= s.first
                    && days % i32::from(s.every_days) == 0
                    && !s.fails.iter().any(|f| (f.from..=f.to).contains(&date))
            })
            .map(|(bed, s)| PlannedWatering {
                at_s: instant_s(zone, date.to_datetime(s.at)),
                bed: *bed,
                litres: s.litres,
                litres_per_hour: None,
                scheduled: true,
            })
            .collect();
        due.sort_by_key(|w| (w.at_s, w.bed));
        due
    }

    /// The fault that a sensor has at a moment.
    pub(crate) fn fault(&self, sensor: usize, at_s: i64) -> Option<Faulty> {
        self.faults[sensor].iter().copied().find(|f| (f.from_s..f.to_s).contains(&at_s))
    }

    /// Whether a sensor was or is faulty at any moment of `[from_s, to_s]`.
    pub(crate) fn faulty_within(&self, sensor: usize, from_s: i64, to_s: i64) -> bool {
        self.faults[sensor].iter().any(|f| f.from_s <= to_s && from_s < f.to_s)
    }
}
