//! Water given beside water needed, bed by bed, over a term or any other days.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::{BedDay, BedMonth, Month, WaterBand};
use crate::garden::log::LogEvent;
use crate::garden::plan::{Garden, Program};
use crate::model::{CalendarMonth, Id};
use crate::text::labels;
use crate::text::locale::LocalText;
use crate::watering::Timetable;

/// Some days of a garden, such as a term or a year, by its months.
#[derive(Clone, Debug)]
pub struct Term {
    pub site: Id,
    pub name: String,
    pub time_zone: TimeZone,
    /// How its people read.
    pub local: LocalText,
    /// First and last day, both included.
    pub first: Date,
    pub last: Date,
    /// The last moment that was known, where the last day was not over.
    pub until: Option<Timestamp>,
    /// In the order of the garden's file.
    pub beds: Vec<TermBed>,
    /// Oldest first.
    pub months: Vec<TermMonth>,
}

/// A bed over the days of a term.
#[derive(Clone, Debug)]
pub struct TermBed {
    pub id: Id,
    pub name: String,
    pub area_m2: f64,
    pub figures: TermFigures,
}

/// A month of a term, of its days that belong to it.
#[derive(Clone, Debug)]
pub struct TermMonth {
    pub which: CalendarMonth,
    /// Rain of the rain days that are known, mm; `None` where none is.
    pub rain_mm: Option<f64>,
    /// Rain days of which not all is known.
    pub rain_unknown: u32,
    /// What was harvested anywhere in the garden, kg.
    pub harvest_kg: f64,
    /// One for each bed.
    pub beds: Vec<TermFigures>,
}

/// A bed's figures over some days.
#[derive(Clone, Debug)]
pub struct TermFigures {
    pub water: TermWater,
    /// Known days in each band, the driest first.
    pub bands: [(WaterBand, u32); 4],
    pub harvest_kg: f64,
}

impl TermFigures {
    /// Known days below the refill point.
    pub fn dry_days(&self) -> u32 {
        self.bands.iter().filter(|(band, _)| *band <= WaterBand::Dry).map(|(_, days)| days).sum()
    }
}

impl TermMonth {
    /// A sum over the beds, in litres, of those of which it is known; `None` where it is of none.
    /// `mm`: the bed's millimetres.
    pub fn litres(&self, beds: &[TermBed], mm: impl Fn(&TermWater) -> Option<f64>) -> Option<f64> {
        let known = self.beds.iter().zip(beds).filter_map(|(it, bed)| Some(mm(&it.water)? * bed.area_m2));
        known.fold(None, |sum: Option<f64>, litres| Some(sum.unwrap_or(0.0) + litres))
    }

    /// Dry days of all beds together; `None` where no day of any bed is known.
    pub fn dry_days(&self) -> Option<u32> {
        let known: u32 = self.beds.iter().flat_map(|it| it.bands).map(|(_, days)| days).sum();
        (known > 0).then(|| self.beds.iter().map(TermFigures::dry_days).sum())
    }
}

/// The days from `first` to `last`, both included, by the months that hold them.
pub fn term(
    garden: &Garden,
    months: &[Month],
    (first, last): (Date, Date),
    until: Option<Timestamp>,
) -> Term {
    let figures = |months: &[Month], bed: usize, (first, last): (Date, Date)| {
        let within = |date: &Date| (first..=last).contains(date);
        let days = || months.iter().filter_map(|month| month.beds.get(bed)).flat_map(|it| &it.days);
        let count = |band| days().filter(|day| within(&day.date) && day.band == Some(band)).count();
        TermFigures {
            water: term_water(garden, months, bed, (first, last)),
            bands: WaterBand::ALL.map(|band| (band, u32::try_from(count(band)).unwrap_or(u32::MAX))),
            harvest_kg: harvested(months, Some(&garden.beds[bed].id), (first, last)),
        }
    };
    let month = |month: &Month| {
        let own = month.which;
        let begins = Date::new(own.year, own.month, 1).unwrap_or(first);
        let (from, to) = (first.max(begins), last.min(begins.last_of_month()));
        let rain: Vec<_> = month.rain.iter().flat_map(|rain| &rain.days).collect();
        let rain = rain.into_iter().filter(|day| (from..=to).contains(&day.date));
        let fell = rain.clone().filter_map(|day| day.mm);
        let unknown = rain.filter(|day| day.whole_mm().is_none()).count();
        let one = std::slice::from_ref(month);
        TermMonth {
            which: own,
            rain_mm: fell.fold(None, |sum: Option<f64>, mm| Some(sum.unwrap_or(0.0) + mm)),
            rain_unknown: u32::try_from(unknown).unwrap_or(u32::MAX),
            harvest_kg: harvested(one, None, (from, to)),
            beds: (0..garden.beds.len()).map(|bed| figures(one, bed, (from, to))).collect(),
        }
    };
    Term {
        site: garden.site.id.clone(),
        name: labels::name(&garden.site.name),
        time_zone: garden.site.time_zone.clone(),
        local: garden.local_text(),
        first,
        last,
        until,
        beds: (0..garden.beds.len())
            .map(|bed| TermBed {
                id: garden.beds[bed].id.clone(),
                name: labels::name(&garden.beds[bed].name),
                area_m2: garden.beds[bed].area_m2,
                figures: figures(months, bed, (first, last)),
            })
            .collect(),
        months: months.iter().map(month).collect(),
    }
}

/// What was harvested in some days, kg: of a bed, or of the whole garden.
fn harvested(months: &[Month], bed: Option<&Id>, (first, last): (Date, Date)) -> f64 {
    let entries = months.iter().flat_map(|month| month.log.iter().map(move |entry| (month, entry)));
    let own = entries.filter(|(month, entry)| {
        let date = month.time_zone.to_datetime(entry.at).date();
        (first..=last).contains(&date) && bed.is_none_or(|bed| entry.place.as_ref() == Some(bed))
    });
    own.map(|(_, entry)| match entry.what {
        LogEvent::Harvest { kg, .. } if kg.is_finite() => kg.max(0.0),
        _ => 0.0,
    })
    .sum()
}

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
    let of_day = |day: &BedDay| {
        let water = (day.need_mm?, day.rain_mm?, day.watering_mm?);
        (day.unknown_mm <= 0.0).then_some(water)
    };
    let known = || days().filter_map(of_day);
    let sum = |pick: fn((f64, f64, f64)) -> f64| known().map(pick).sum::<f64>();
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    // A month of which nothing is known, as before the first reading, adds nothing to the sums.
    let counts = |it: &&BedMonth| it.days.iter().any(|day| within(&day) && of_day(day).is_some());
    let mut unknown = own().filter(counts).find_map(|it| it.got_unknown.clone());
    let days_known = count(known().count());
    if days_known == 0 {
        let spanned = || own().filter(|it| it.days.iter().any(|day| within(&day)));
        unknown = spanned().find_map(|it| it.got_unknown.clone());
        unknown = unknown.or_else(|| spanned().find_map(|it| it.need_unknown.clone()));
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
