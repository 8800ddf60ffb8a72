//! How well wettings, waterings outside the hours and dead gauges are found, over
//! months by chance: one line a rule.
//!
//! `SEEDS=100 cargo test --test trials wetting_score -- --nocapture` for a hundred
//! months with each state of the gauge; `FIRST_SEED` for others; `SHOW=1` lists
//! what was missed and what was false.

use std::collections::BTreeMap;

use garden_simulator::{GaugeState, Scenario, School, Truth};
use jiff::{SignedDuration, Timestamp};
use trug::model::{Place, Quantity};
use trug::quality::Flag;
use trug::watering::{Wetting, WettingWatch};

use crate::support::garden::{SHIPPED, garden_of};
use crate::support::run::simulated;
use crate::support::score::{Score, Told, told};

const YEAR_DAYS: f64 = 365.25;

fn seeds() -> std::ops::Range<u64> {
    let number = |name: &str, other| {
        std::env::var(name).map_or(other, |n| n.parse().expect("SEEDS and FIRST_SEED are numbers"))
    };
    let first = number("FIRST_SEED", 1);
    first..first + number("SEEDS", 3)
}

/// One month as it was judged.
struct Month {
    truth: Truth,
    alarms: Vec<Told>,
    /// Each moisture probe's wettings, by its number in the garden.
    wettings: BTreeMap<usize, Vec<Wetting>>,
}

fn play(text: &str, scenario: &Scenario, seed: u64) -> Month {
    let (run, truth) = simulated(text, scenario, seed);
    let mut watches: BTreeMap<usize, WettingWatch> = BTreeMap::new();
    let mut wettings: BTreeMap<usize, Vec<Wetting>> = BTreeMap::new();
    for reading in run.rows.iter().filter(|r| r.flag == Flag::Pass && !r.late) {
        let number = reading.sensor.0 as usize;
        if run.garden.sensors[number].measures == Quantity::SoilMoisture
            && let Some(value) = reading.value
            && let Some(wetting) = watches.entry(number).or_default().push(reading.at, value)
        {
            wettings.entry(number).or_default().push(wetting);
        }
    }
    Month { truth, alarms: told(&run.changes), wettings }
}

/// A true event of blind rain is the simulator's leave to be wrong; here it is
/// not taken: an alarm without a watering is false, whatever the gauge does.
fn without_leave(mut truth: Truth) -> Truth {
    truth.events.retain(|event| !event.note.contains("no working gauge saw"));
    truth
}

/// One rule's line of the table.
#[derive(Default)]
struct Line {
    must: usize,
    found: usize,
    borderline: usize,
    false_alarms: usize,
    delays_min: Vec<i64>,
    shown: Vec<String>,
}

impl Line {
    fn print(&mut self, name: &str, sensor_years: f64) {
        self.delays_min.sort_unstable();
        let delay =
            |d: Option<&i64>| d.map_or_else(|| "-".to_owned(), |m| format!("{:.1}", *m as f64 / 60.0));
        println!(
            "{name:<34}{:>6}{:>7}{:>8}{:>7}{:>12}{:>12.3}{:>10}{:>10}",
            self.must,
            self.found,
            self.must - self.found,
            self.false_alarms,
            self.borderline,
            self.false_alarms as f64 / sensor_years,
            delay(self.delays_min.get(self.delays_min.len() / 2)),
            delay(self.delays_min.last()),
        );
        if std::env::var_os("SHOW").is_some() {
            for line in &self.shown {
                println!("    {line}");
            }
        }
    }
}

fn add(line: &mut Line, seed: u64, month: &Month, kind: &str) {
    let truth = without_leave(month.truth.clone());
    let score = Score::of(&truth, &month.alarms);
    let Some(of) = score.kinds.get(kind) else { return };
    line.must += of.must;
    line.found += of.found;
    line.borderline += of.borderline;
    line.false_alarms += of.false_alarms.len();
    for event in truth.events.iter().filter(|e| e.must && e.kind == kind) {
        let first = month
            .alarms
            .iter()
            .filter(|a| {
                a.kind == kind && a.place == event.place && a.until.is_none_or(|until| until > event.from)
            })
            .map(|a| a.at)
            .find(|at| *at <= event.to + SignedDuration::from_hours(4));
        line.delays_min.extend(first.map(|at| at.duration_since(event.from).as_mins().max(0)));
    }
    for event in &of.missed {
        line.shown.push(format!("seed {seed} missed {} {} ({})", event.place, event.from, event.note));
        line.shown.extend(around(month, event.from));
    }
    for alarm in &of.false_alarms {
        line.shown.push(format!("seed {seed} false {} {}", alarm.place, alarm.at));
        line.shown.extend(around(month, alarm.at));
    }
}

/// What happened within half a day of a moment.
fn around(month: &Month, moment: Timestamp) -> Vec<String> {
    let near = |at: Timestamp| at.duration_since(moment).abs() <= SignedDuration::from_hours(12);
    let mut lines = Vec::new();
    for (probe, all) in &month.wettings {
        for w in all.iter().filter(|w| near(w.onset)) {
            lines.push(format!("    probe {probe} from {} by {:.3} seen {}", w.onset, w.rise, w.seen));
        }
    }
    for w in month.truth.waterings.iter().filter(|w| near(w.from)) {
        lines.push(format!("    {} {:.0} mm {} to {}", w.bed, w.mm, w.from, w.to));
    }
    for day in &month.truth.rain {
        let from = jiff::tz::TimeZone::UTC.to_timestamp(day.date.at(0, 0, 0, 0)).expect("a date");
        if day.mm > 0.0 && near(from) {
            lines.push(format!("    rain {} {:.1} mm", day.date, day.mm));
        }
    }
    lines
}

/// Waterings outside the hours that would have to be told if so many beds had not
/// been watered together, and how many of them were.
fn rounds_of(month: &Month) -> (usize, usize) {
    let alone =
        |note: &str| note.ends_with("; three beds or more are watered together, which looks like rain");
    let events: Vec<_> =
        month.truth.events.iter().filter(|e| e.kind == "watering-hours" && alone(&e.note)).collect();
    let told = events.iter().filter(|event| {
        let mine = |a: &&Told| a.kind == "watering-hours" && a.place == event.place;
        month.alarms.iter().filter(mine).any(|a| a.at >= event.from && a.at <= event.to)
    });
    (events.len(), told.count())
}

fn print_head(what: &str) {
    println!(
        "{what:<34}{:>6}{:>7}{:>8}{:>7}{:>12}{:>12}{:>10}{:>10}",
        "true", "found", "missed", "false", "borderline", "false/s-yr", "median h", "longest h"
    );
}

#[test]
fn alarms_of_random_months() {
    let garden = garden_of(SHIPPED);
    let school = School::parse(SHIPPED).expect("the demonstration school");
    let probes = garden.sensors.iter().filter(|s| s.measures == Quantity::SoilMoisture).count();
    print_head("alarm, state of the gauge");
    let (mut must, mut found) = (0, 0);
    for gauge in GaugeState::ALL {
        let mut lines: BTreeMap<&str, Line> = BTreeMap::new();
        let (mut days, mut rounds) = (0.0, (0, 0));
        for seed in seeds() {
            let scenario = Scenario::random_month(&school, seed, gauge);
            let month = play(SHIPPED, &scenario, seed);
            days += f64::from(scenario.days);
            let (all, told) = rounds_of(&month);
            rounds = (rounds.0 + all, rounds.1 + told);
            for kind in ["watering-hours", "gauge-suspect"] {
                add(lines.entry(kind).or_default(), seed, &month, kind);
            }
        }
        for (kind, line) in &mut lines {
            let sensors = if *kind == "gauge-suspect" { 1.0 } else { probes as f64 };
            line.print(&format!("{kind}, {}", gauge.name()), sensors * days / YEAR_DAYS);
        }
        println!(
            "{:<34}{:>6}{:>7}{:>8}",
            "  rounds of three beds and more",
            rounds.0,
            rounds.1,
            rounds.0 - rounds.1
        );
        let hours = &lines["watering-hours"];
        must += hours.must;
        found += hours.found;
    }
    assert!(must > 0 && found > 0, "nothing had to be told, or nothing was");
}

/// Upper ends of the classes of water on a bed, mm.
const CLASSES_MM: [f64; 6] = [3.0, 5.0, 8.0, 12.0, 20.0, f64::INFINITY];

#[test]
fn wettings_of_each_probe() {
    let garden = garden_of(SHIPPED);
    let school = School::parse(SHIPPED).expect("the demonstration school");
    let mut classes = [(0_usize, 0_usize, 0_usize); CLASSES_MM.len()];
    let (mut causeless, mut days) = (0, 0.0);
    for seed in seeds() {
        let scenario = Scenario::random_month(&school, seed, GaugeState::Healthy);
        let month = play(SHIPPED, &scenario, seed);
        days += f64::from(scenario.days);
        let found = |bed: usize, from: Timestamp, to: Timestamp, top: bool| {
            let mut probes: Vec<(usize, f64)> = garden
                .sensors
                .iter()
                .enumerate()
                .filter(|(_, s)| s.measures == Quantity::SoilMoisture && s.place == Place::Bed(bed as u16))
                .map(|(i, s)| (i, s.depth_m.unwrap_or(0.0)))
                .collect();
            probes.sort_by(|a, b| a.1.total_cmp(&b.1));
            let wanted = if top { 1 } else { probes.len() };
            probes.iter().take(wanted).any(|(probe, _)| {
                month.wettings.get(probe).is_some_and(|all| {
                    all.iter().any(|w| w.onset >= from - SignedDuration::from_mins(30) && w.onset <= to)
                })
            })
        };
        for watering in &month.truth.waterings {
            let bed = garden.beds.iter().position(|b| b.id.as_str() == watering.bed).expect("a known bed");
            let class = CLASSES_MM.iter().position(|top| watering.mm < *top).expect("the last has no end");
            let to = watering.to + SignedDuration::from_hours(6);
            let entry = &mut classes[class];
            entry.0 += 1;
            entry.1 += usize::from(found(bed, watering.from, to, true));
            entry.2 += usize::from(found(bed, watering.from, to, false));
        }
        for (probe, wettings) in &month.wettings {
            let Place::Bed(bed) = garden.sensors[*probe].place else { continue };
            let bed = garden.beds[usize::from(bed)].id.as_str();
            for wetting in wettings {
                let watered = month.truth.waterings.iter().any(|w| {
                    w.bed == bed
                        && wetting.onset >= w.from - SignedDuration::from_mins(30)
                        && wetting.onset <= w.to + SignedDuration::from_hours(24)
                });
                let date = wetting.onset.to_zoned_datetime(garden.site.time_zone.clone()).date();
                let rained = month.truth.rain.iter().any(|day| {
                    day.mm > 0.0 && (day.date == date || day.date.tomorrow().is_ok_and(|next| next == date))
                });
                if !watered && !rained {
                    causeless += 1;
                    if std::env::var_os("SHOW").is_some() {
                        println!("seed {seed} no cause: probe {probe} {wetting:?}");
                    }
                }
            }
        }
    }
    println!("water on a bed   waterings   seen by the top probe   by any probe");
    let mut from = 0.0;
    for ((count, top, any), to) in classes.into_iter().zip(CLASSES_MM) {
        let part = |n: usize| 100.0 * n as f64 / count.max(1) as f64;
        println!("{from:>4.0} to {to:<4.0} mm {count:>10} {:>18.0} % {:>16.0} %", part(top), part(any));
        from = to;
    }
    let sensor_years = days * 7.0 / YEAR_DAYS;
    println!("without rain or watering: {causeless} ({:.3} a sensor-year)", causeless as f64 / sensor_years);
    assert!(classes.iter().map(|c| c.1).sum::<usize>() > 0, "no watering was seen at all");
}
