//! Water given beside water needed, bed by bed, over a term or any other days.

use jiff::civil::Date;

use super::{BedDay, BedMonth, Month};
use crate::garden::plan::{Garden, Program};
use crate::watering::Timetable;

/// A bed's water over some days. Millimetres are litres on a square metre that reach the
/// roots; litres of the timer are those that leave it.
#[derive(Clone, Debug, PartialEq)]
pub struct TermWater {
    /// Days of the span that have passed.
    pub days: u32,
    /// Those of them on which need, rain and waterings are all known: the sums are of these.
    pub days_known: u32,
    /// What the plants used with enough water, mm.
    pub need_mm: f64,
    pub rain_mm: f64,
    /// By log, meter or the timer's program, mm; `None` where some watering's litres are
    /// not known, and then `unknown` says why.
    pub given_mm: Option<f64>,
    pub unknown: Option<String>,
    /// What the timer gave less, in litres, than it would have given by the program of the
    /// first day; `None` where no program ran then.
    pub timer_saved_l: Option<f64>,
    /// Whether the timer's program has changed since the first day.
    pub timer_changed: bool,
}

impl TermWater {
    /// What the plants needed beside the rain, mm. Rain that ran through is counted as used,
    /// so it is at least so much.
    pub fn wanted_mm(&self) -> f64 {
        (self.need_mm - self.rain_mm).max(0.0)
    }
}

/// The water of a bed (its number in the garden's file) from `first` to `last`, both
/// included, by the months that hold these days.
pub fn term_water(garden: &Garden, months: &[Month], bed: usize, (first, last): (Date, Date)) -> TermWater {
    let own = || months.iter().filter_map(|month| month.beds.get(bed));
    let within = |day: &&BedDay| (first..=last).contains(&day.date);
    let days = || own().flat_map(|bed| &bed.days).filter(within);
    let known = || {
        days().filter_map(|day| {
            let water = (day.need_mm?, day.rain_mm?, day.watering_mm?);
            (day.unknown_mm <= 0.0).then_some(water)
        })
    };
    let sum = |pick: fn((f64, f64, f64)) -> f64| known().map(pick).sum::<f64>();
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let mut unknown =
        own().filter(|it| it.days.iter().any(|day| within(&day))).find_map(|it| it.got_unknown.clone());
    let days_known = count(known().count());
    if days_known == 0 {
        unknown = unknown.or_else(|| own().find_map(|it: &BedMonth| it.need_unknown.clone()));
        unknown = unknown.or_else(|| Some("on no day are weather, rain and waterings all known".to_owned()));
    }
    let (timer_saved_l, timer_changed) = timer_saved(garden, bed, (first, last));
    TermWater {
        days: count(days().count()),
        days_known,
        need_mm: sum(|it| it.0),
        rain_mm: sum(|it| it.1),
        given_mm: unknown.is_none().then(|| sum(|it| it.2)),
        unknown,
        timer_saved_l,
        timer_changed,
    }
}

/// What the timer of a bed gave less by its programs than by those of the first day, litres,
/// and whether they changed.
fn timer_saved(garden: &Garden, bed: usize, (first, last): (Date, Date)) -> (Option<f64>, bool) {
    let Some(irrigation) = garden.beds[bed].irrigation else { return (None, false) };
    let own = |it: &&Program| it.beds.iter().any(|index| usize::from(*index) == bed);
    let programs: Vec<&Timetable> = garden.programs.iter().filter(own).map(|it| &it.timetable).collect();
    let began =
        |it: &&&Timetable| it.from.is_none_or(|from| from <= first) && it.to.is_none_or(|to| first <= to);
    let as_at_first: Vec<Timetable> =
        programs.iter().filter(began).map(|it| Timetable { to: None, ..(**it).clone() }).collect();
    if as_at_first.is_empty() {
        return (None, false);
    }
    let minutes = |table: &Timetable| -> f64 {
        let dates = first.series(jiff::ToSpan::days(1)).take_while(|date| *date <= last);
        let runs = dates.filter(|date| table.runs_on(*date)).count() * table.starts.len();
        runs as f64 * f64::from(table.minutes)
    };
    let before: f64 = as_at_first.iter().map(minutes).sum();
    let now: f64 = programs.iter().map(|it| minutes(it)).sum();
    let saved_l = (before - now) * irrigation.litres_per_hour / 60.0;
    (Some(saved_l), programs.iter().filter(began).any(|it| it.to.is_some_and(|to| to < last)))
}
