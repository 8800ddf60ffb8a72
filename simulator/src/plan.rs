//! A scenario's events, laid onto one school: ids become numbers and local
//! times become instants.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use crate::battery::{EMPTY, FULL};
use crate::calendar::instant_s;
use crate::instrument::{self, Instrument, WANDERS_MOST};
use crate::scenario::{Event, Scenario, Schedule, Timer};
use crate::school::{Place, Quantity, School};

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
    /// A thermometer that shows heat that is not there.
    Hot,
}

/// A thermometer that fails hot, `[from_s, to_s)`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Hot {
    pub(crate) sensor: usize,
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
    pub(crate) reads_c: f64,
    /// Degrees an hour; `None`: at once.
    pub(crate) c_per_h: Option<f64>,
}

impl Hot {
    /// What it shows where `true_c` holds.
    fn shows(&self, at_s: i64, true_c: f64) -> f64 {
        let hours = (at_s - self.from_s) as f64 / 3600.0;
        self.c_per_h.map_or(self.reads_c, |rate| (true_c + rate * hours).min(self.reads_c.max(true_c)))
    }
}

/// A sensor that was changed for another: from when it reads differently, and by
/// how much.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Swap {
    pub(crate) sensor: usize,
    /// When the old one was taken out.
    pub(crate) out_s: i64,
    pub(crate) in_s: i64,
    pub(crate) offset: f64,
}

/// A timer's run that fails.
#[derive(Clone, Debug)]
pub(crate) struct FailedRun {
    pub(crate) at_s: i64,
    /// When its next run comes that does not fail, or a week after the last one.
    pub(crate) over_s: i64,
    /// Its beds, and what each would have had, mm.
    pub(crate) beds: Vec<(usize, f64)>,
    pub(crate) minutes: u16,
}

/// Readings of a sensor that fall to zero now and then, `[from_s, to_s)`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Dropouts {
    pub(crate) sensor: usize,
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
    pub(crate) part: f64,
}

/// So many degrees above the truth no thermometer of a garden can show, °C.
const HOT_C: f64 = 40.0;
/// A gauge that passes this part of the rain or more still sees that it rains.
const SEES_RAIN: f64 = 0.4;

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
    /// When a tank's pump stands: its number, `[from_s, to_s)`.
    pub(crate) pumps: Vec<(usize, i64, i64)>,
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
    /// For each sensor.
    pub(crate) instruments: Vec<Instrument>,
    pub(crate) swaps: Vec<Swap>,
    pub(crate) hot: Vec<Hot>,
    pub(crate) dropouts: Vec<Dropouts>,
    /// Runs of timers that fail, soonest first.
    pub(crate) failed_runs: Vec<FailedRun>,
    /// Ids that the scenario names and the school does not have.
    pub(crate) unplaced: Vec<String>,
}

impl Plan {
    /// Whether a tank's pump stands at a moment.
    pub(crate) fn pump_stands(&self, tank: usize, now_s: i64) -> bool {
        self.pumps.iter().any(|(of, from_s, to_s)| *of == tank && (*from_s..*to_s).contains(&now_s))
    }

    pub(crate) fn new(school: &School, scenario: &Scenario) -> Self {
        let mut plan = Self { faults: vec![Vec::new(); school.sensors.len()], ..Self::default() };
        for schedule in &scenario.watering {
            if let Some(bed) = plan.placed(school.bed_of(&schedule.bed), &schedule.bed) {
                plan.schedules.push((bed, schedule.clone()));
            }
        }
        for timer in &scenario.timer {
            plan.add_timer(school, timer);
            plan.add_failed_runs(school, scenario, timer);
        }
        plan.failed_runs.sort_by_key(|run| run.at_s);
        for event in &scenario.event {
            plan.add(school, event);
        }
        plan.instruments = instrument::instruments(school, &scenario.instrument);
        plan.unplaced.extend(instrument::unplaced(school, &scenario.instrument));
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

    /// A timer is a schedule for each of its beds.
    fn add_timer(&mut self, school: &School, timer: &Timer) {
        let named = timer.beds.iter().map(|id| (school.bed_of(id), id.as_str()));
        let all = school.beds.iter().enumerate().map(|(bed, it)| (Some(bed), it.id.as_str()));
        let beds: Vec<_> = if timer.beds.is_empty() { all.collect() } else { named.collect() };
        for (turn, (found, id)) in beds.into_iter().enumerate() {
            let Some(bed) = self.placed(found, id) else { continue };
            let waits_min = if timer.in_turn { turn as i64 * i64::from(timer.minutes) } else { 0 };
            let schedule = Schedule {
                bed: id.to_owned(),
                first: timer.first,
                every_days: timer.every_days,
                at: timer.at.wrapping_add(jiff::Span::new().minutes(waits_min)),
                litres: school.beds[bed].litres_per_hour * f64::from(timer.minutes) / 60.0,
                fails: timer.fails.clone(),
            };
            self.schedules.push((bed, schedule));
        }
    }

    fn add_failed_runs(&mut self, school: &School, scenario: &Scenario, timer: &Timer) {
        let beds: Vec<(usize, f64)> = school
            .beds
            .iter()
            .enumerate()
            .filter(|(_, bed)| timer.beds.is_empty() || timer.beds.contains(&bed.id))
            .map(|(number, bed)| {
                let litres = bed.litres_per_hour * f64::from(timer.minutes) / 60.0;
                (number, litres * bed.efficiency / bed.area_m2)
            })
            .collect();
        let runs = (0..i64::from(scenario.days))
            .map(|day| scenario.start.saturating_add(jiff::Span::new().days(day)));
        let runs = runs.filter(|date| {
            let days = (*date - timer.first).get_days();
            *date >= timer.first && days % i32::from(timer.every_days) == 0
        });
        let runs: Vec<(i64, bool)> = runs
            .map(|date| {
                let fails = timer.fails.iter().any(|f| (f.from..=f.to).contains(&date));
                (instant_s(&school.time_zone, date.to_datetime(timer.at)), fails)
            })
            .collect();
        for (number, (at_s, _)) in runs.iter().enumerate().filter(|(_, (_, fails))| *fails) {
            let next_s = runs[number..].iter().find(|(_, fails)| !fails).map(|(at_s, _)| *at_s);
            let over_s = next_s.unwrap_or(at_s + 7 * 86_400);
            self.failed_runs.push(FailedRun {
                at_s: *at_s,
                over_s,
                beds: beds.clone(),
                minutes: timer.minutes,
            });
        }
    }

    /// What a sensor shows where `value` is true: after a change of the sensor, or
    /// where it fails hot.
    pub(crate) fn shown(&self, sensor: usize, at_s: i64, value: f64) -> f64 {
        if let Some(hot) = self.hot.iter().find(|h| h.sensor == sensor && (h.from_s..h.to_s).contains(&at_s))
        {
            return hot.shows(at_s, value);
        }
        self.swaps.iter().filter(|s| s.sensor == sensor && s.in_s <= at_s).fold(value, |v, s| v + s.offset)
    }

    /// How far a working sensor's readings may lie from the truth by what its
    /// instrument is: below (0 or less) and above.
    pub(crate) fn error_band(&self, sensor: usize, at_s: i64) -> (f64, f64) {
        let wanders = WANDERS_MOST * self.instruments[sensor].wanders;
        let offset = self
            .swaps
            .iter()
            .filter(|s| s.sensor == sensor && s.in_s <= at_s)
            .fold(0.0, |sum, s| sum + s.offset);
        (offset.min(0.0) - wanders, offset.max(0.0) + wanders)
    }

    /// Seconds from the beginning of a hot failure until the sensor shows what cannot
    /// be, counted from a cool beginning.
    pub(crate) fn beyond_belief_s(&self, sensor: usize, from_s: i64) -> i64 {
        let drift =
            self.hot.iter().find(|h| h.sensor == sensor && h.from_s == from_s).and_then(|h| h.c_per_h);
        drift.map_or(0, |rate| (HOT_C / rate * 3600.0) as i64)
    }

    /// The part of a sensor's readings at which a dropout begins.
    pub(crate) fn dropout_part(&self, sensor: usize, at_s: i64) -> f64 {
        self.dropouts
            .iter()
            .find(|d| d.sensor == sensor && (d.from_s..d.to_s).contains(&at_s))
            .map_or(0.0, |d| d.part)
    }

    /// Whether a gauge was blind at any moment of `[from_s, to_s]`: one that still
    /// passes a good part of the rain is not.
    pub(crate) fn blind_within(&self, gauge: usize, from_s: i64, to_s: i64) -> bool {
        self.faults[gauge].iter().any(|f| {
            let sees = f.fault == Fault::Clogged && f.passes >= SEES_RAIN;
            f.from_s <= to_s && from_s < f.to_s && !sees
        })
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
            Event::Dropouts { sensor, part, from, to } => {
                if let Some(number) = self.placed(school.sensor_of(sensor), sensor) {
                    let (from_s, to_s) = (instant_s(zone, *from), instant_s(zone, *to));
                    self.dropouts.push(Dropouts { sensor: number, from_s, to_s, part: *part });
                }
            }
            Event::Swapped { sensor, at, hours, offset } => {
                if let Some(number) = self.placed(school.sensor_of(sensor), sensor) {
                    let out_s = instant_s(zone, *at);
                    let in_s = out_s + 3600 * i64::from(*hours);
                    self.faults[number].push(Faulty {
                        fault: Fault::Silent,
                        from_s: out_s,
                        to_s: in_s,
                        passes: 1.0,
                    });
                    self.swaps.push(Swap { sensor: number, out_s, in_s, offset: *offset });
                }
            }
            Event::FailsHot { sensor, reads_c, c_per_h, from, to } => {
                let thermometer = school.sensor_of(sensor).filter(|number| {
                    use Quantity as Q;
                    let measures = school.sensors[*number].measures;
                    matches!(measures, Q::WaterTemperature | Q::SoilTemperature | Q::AirTemperature)
                });
                if let Some(number) = self.placed(thermometer, sensor) {
                    let (from_s, to_s) = (instant_s(zone, *from), instant_s(zone, *to));
                    let (reads_c, c_per_h) = (*reads_c, *c_per_h);
                    self.faults[number].push(Faulty { fault: Fault::Hot, from_s, to_s, passes: 1.0 });
                    self.hot.push(Hot { sensor: number, from_s, to_s, reads_c, c_per_h });
                }
            }
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
            Event::PumpStops { tank, from, to } => {
                if let Some(tank) = self.placed(school.tank_of(tank), tank) {
                    self.pumps.push((tank, instant_s(zone, *from), instant_s(zone, *to)));
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
