//! A month of a garden in figures: what a class works with.
//!
//! Beds are judged as the core judges them: the same weights of the probes
//! ([`crate::history::root_zone_bins`]), the same watch for wettings, the same outlook for
//! dryings, the same weather and crops. What is not known stays unknown.
//!
//! # Where it stops holding
//!
//! A gauge that lies is not found out here as the core finds it out; only several beds
//! that rise at once without rain make a wetting unknown. A thermometer that hung out of
//! its tank counts as the tank's. Rain is taken to reach every bed whole.

mod action;
mod beds;
mod beside;
mod content;
mod counted;
mod days;
mod dryings;
mod questions;
mod rain;
mod sensors;
mod span;
mod tanks;
mod term;
mod wettings;

use std::borrow::Cow;
use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use beds::{BedInput, bed_month};
use counted::Counted;
use questions::questions;
use rain::rain_month;
pub use rain::{caught_by, rain_days};
use sensors::{hours, sensor_month};
use span::MonthSpan;
use tanks::tank_month;
use wettings::MonthReadings;

pub use crate::analysis::{Effect, Pairing};
pub use content::{
    ActionKind, BedDay, BedMonth, Beside, DayOf, Drying, Month, MonthAction, MonthWetting, MulchOn,
    PairReason, Question, RainDayOf, RainMonth, SensorMonth, TankDay, TankMonth, UnlikePair, WaterBand,
    WaterSource,
};
pub use days::{DaysInput, DaysMonth, days_month};
pub use term::{Term, TermBed, TermFigures, TermMonth, TermWater, term, term_water};

use crate::garden::log::LogEntry;
use crate::garden::plan::Garden;
use crate::garden::{Needs, patience_s};
use crate::history::{Bin, Point};
use crate::model::{CalendarMonth, Id, Quantity};
use crate::text::labels;

/// What a month is made from.
#[derive(Clone, Debug, Default)]
pub struct MonthInput {
    /// Readings of each sensor, oldest first, from some days before the month to its
    /// end: what came before shows how a drying began. Fifteen days let the wettings
    /// be found as the daemon finds them.
    pub readings: BTreeMap<Id, Vec<Point>>,
    /// The site's log up to the end of the month, in order of time.
    pub log: Vec<LogEntry>,
    /// Alarms raised in the month: when, the kind's words, the place's name.
    pub alarms: Vec<(Timestamp, String, String)>,
}

/// Works out a month. `until`: the newest moment that is known, where the month is not
/// over. `compare`: the beds to put beside each other; `None`: two of the same soil and probes,
/// or one bed before and after its mulch; nothing where none are alike. A month that no
/// calendar has is taken for the nearest that it has.
pub fn month(
    garden: &Garden,
    which: CalendarMonth,
    input: &MonthInput,
    until: Option<Timestamp>,
    compare: Option<(&Id, &Id)>,
) -> Month {
    let zone = &garden.site.time_zone;
    let span = MonthSpan::new(which, zone, until);
    let sorted: Vec<Cow<'_, [Point]>> = garden.sensors.iter().map(|it| ordered(input, &it.id)).collect();
    // Nothing of what comes after the month, or after what is known, has a say.
    let points: Vec<&[Point]> = sorted
        .iter()
        .map(|all| &all[..all.partition_point(|point| point.at < span.from || span.holds(point.at))])
        .collect();
    let counted = |i: usize| {
        let every_s = garden.sensors[i].every_s;
        Counted::new(points[i], every_s, patience_s(every_s))
    };
    let of = |quantity: Quantity| {
        (0..garden.sensors.len()).filter(move |&i| garden.sensors[i].measures == quantity)
    };
    let log: Vec<LogEntry> = input.log.iter().filter(|it| it.at < span.to).cloned().collect();
    let heard = MonthReadings {
        garden,
        log: &log,
        gauges: of(Quantity::Rain).map(counted).collect(),
        meters: of(Quantity::WaterFlow).map(|i| (garden.sensors[i].place, counted(i))).collect(),
        points,
    };

    let hours: Vec<Vec<Bin>> = heard.points.iter().map(|points| hours(points, zone)).collect();
    let sensors: Vec<SensorMonth> = (0..garden.sensors.len())
        .map(|i| {
            let of_month = &hours[i][hours[i].partition_point(|bin| bin.start < span.from)..];
            sensor_month(garden, &garden.sensors[i], span.part(heard.points[i]), of_month.to_vec(), &span)
        })
        .collect();
    let needs = needs(&heard, &log, &span);
    let rises = heard.rises();
    let of = BedInput { heard: &heard, needs: &needs, span: &span, hours: &hours };
    let beds: Vec<BedMonth> = rises.iter().enumerate().map(|(i, rises)| bed_month(of, i, rises)).collect();
    let (pair, reason) = match compare {
        Some(named) => beside::named(garden, &beds, named),
        None => beside::chosen(garden, &beds, &span),
    };
    let rain = (0..garden.sensors.len())
        .filter(|&i| garden.sensors[i].measures == Quantity::Rain)
        .map(|i| rain_month(&garden.sensors[i], heard.points[i], &span))
        .reduce(|a, b| if b.days_unknown < a.days_unknown { b } else { a });
    let tanks = garden.tanks.iter().enumerate();
    let mut month = Month {
        site: garden.site.id.clone(),
        name: labels::name(&garden.site.name),
        time_zone: zone.clone(),
        local: garden.local_text(),
        which: CalendarMonth { year: span.first.year(), month: span.first.month() },
        from: span.from,
        to: span.to,
        until: until.filter(|until| *until < span.to),
        rain,
        comparisons: pair.map_or_else(Vec::new, |pair| beside::beside(garden, pair, &sensors, &span)),
        pair: reason,
        tanks: tanks.map(|(i, tank)| tank_month(garden, i, tank, &sensors, &span)).collect(),
        log: log.iter().filter(|entry| span.from <= entry.at).cloned().collect(),
        alarms: input.alarms.iter().filter(|it| span.from <= it.0 && it.0 < span.to).cloned().collect(),
        questions: Vec::new(),
        action: MonthAction { kind: ActionKind::Wait, place: None, steps: Vec::new(), why: String::new() },
        sensors,
        beds,
    };
    month.questions = questions(&month);
    month.action = action::action(garden, &month);
    month
}

/// A time at which a bed grew wetter.
#[derive(Clone, Debug, PartialEq)]
pub struct Rise {
    /// When a probe near the top began to rise.
    pub onset: Timestamp,
    /// How far it rose, m³/m³.
    pub rise: f64,
    pub cause: WaterSource,
    /// Whether a watering is only inferred: see [`MonthWetting::inferred`].
    pub inferred: bool,
    /// What speaks for the cause, in words.
    pub why: String,
}

/// When each bed grew wetter, bed by bed, by the rules of a month. `readings` begin four
/// days before what is looked at or sooner, each in order of time.
pub fn rises(garden: &Garden, readings: &BTreeMap<Id, Vec<Point>>, log: &[LogEntry]) -> Vec<Vec<Rise>> {
    let points: Vec<&[Point]> =
        garden.sensors.iter().map(|it| readings.get(&it.id).map_or(&[][..], Vec::as_slice)).collect();
    let counted = |quantity: Quantity| -> Vec<_> {
        let sensors = garden.sensors.iter().zip(&points).filter(|(it, _)| it.measures == quantity);
        let counted = |every_s, points| Counted::new(points, every_s, patience_s(every_s));
        sensors.map(|(it, points)| (it.place, counted(it.every_s, points))).collect()
    };
    let gauges = counted(Quantity::Rain).into_iter().map(|(_, counted)| counted).collect();
    let heard = MonthReadings { garden, log, gauges, meters: counted(Quantity::WaterFlow), points };
    let rise = |found: wettings::FoundWetting| Rise {
        onset: found.wetting.onset,
        rise: found.wetting.rise,
        cause: found.cause,
        inferred: found.inferred,
        why: found.why,
    };
    heard.rises().into_iter().map(|bed| bed.found.into_iter().map(rise).collect()).collect()
}

/// A sensor's readings in order of time; copied only where they are not.
fn ordered<'a>(input: &'a MonthInput, id: &Id) -> Cow<'a, [Point]> {
    let points = input.readings.get(id).map_or(&[][..], Vec::as_slice);
    if points.is_sorted_by_key(|point| point.at) {
        return Cow::Borrowed(points);
    }
    let mut sorted = points.to_vec();
    sorted.sort_by_key(|point| point.at);
    Cow::Owned(sorted)
}

/// The weather of the month as the core hears it.
fn needs(heard: &MonthReadings<'_>, log: &[LogEntry], span: &MonthSpan) -> Needs {
    const DAY: SignedDuration = SignedDuration::from_hours(24);
    let mut needs = Needs::new(heard.garden, log);
    // The evening before shows what the first midnight was like.
    let since = span.from.saturating_sub(DAY).unwrap_or(span.from);
    for (sensor, points) in heard.points.iter().enumerate() {
        if needs.wants(sensor) {
            let own = &points[points.partition_point(|point| point.at < since)..];
            needs.hear(sensor, own.iter().filter_map(|point| Some((point.at, point.good()?))));
        }
    }
    needs
}
