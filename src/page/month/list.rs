//! Which months there are, and how complete they are.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{Markup, html};

use crate::garden::plan::Garden;
use crate::model::CalendarMonth;
use crate::page::markup::stacked_table;
use crate::page::problem::Problem;
use crate::page::{RecordReader, assets};
use crate::report::month_name;
use crate::store::{Reader, StoreError};
use crate::text::{labels, spoken};

/// The months of a year.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Months {
    /// Years of which there are readings, the newest first.
    pub(super) years: Vec<i16>,
    pub(super) year: Option<i16>,
    /// The newest first.
    pub(super) months: Vec<MonthCompleteness>,
    /// From when on single readings are kept, where some have gone into days' figures.
    pub(super) single_from: Option<Timestamp>,
}

/// A month in short.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct MonthCompleteness {
    pub(super) which: CalendarMonth,
    pub(super) good: u64,
    pub(super) expected: u64,
    /// Whether it is not over yet.
    pub(super) running: bool,
}

/// The good readings of each month, counted in two halves at one time: of a year of many
/// sensors it takes a tenth of a second.
fn counts(
    reader: &Reader,
    site: &str,
    sensors: &[&str],
    bounds: &[Timestamp],
) -> Result<Vec<u64>, StoreError> {
    let Some((one, other)) = bounds.get(..=bounds.len() / 2).zip(bounds.get(bounds.len() / 2..)) else {
        return reader.good_counts(site, sensors, bounds);
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(|| reader.good_counts(site, sensors, other));
        let mut good = reader.good_counts(site, sensors, one)?;
        match other.join() {
            Ok(other) => good.extend(other?),
            Err(panic) => std::panic::resume_unwind(panic),
        }
        Ok(good)
    })
}

/// The months of a year of which something is stored; of the newest without one.
pub(super) async fn months(
    record: &RecordReader,
    garden: Arc<Garden>,
    now: Timestamp,
    year: Option<i16>,
) -> Result<Months, Problem> {
    let read = record.read("months", move |reader| {
        let zone = &garden.site.time_zone;
        let known = reader.known_span()?;
        let first = known.and_then(|(first, _)| CalendarMonth::of(first, zone));
        let last = CalendarMonth::of(now, zone);
        let (Some(first), Some(last)) = (first, last) else {
            return Ok(Months { years: Vec::new(), year: None, months: Vec::new(), single_from: None });
        };
        let years: Vec<i16> = (first.year..=last.year).rev().take(100).collect();
        let year = year.or_else(|| years.first().copied());
        let mut months: Vec<MonthCompleteness> = Vec::new();
        let mut which = Some(first);
        while let Some(it) = which.filter(|it| *it <= last) {
            if Some(it.year) == year {
                months.push(MonthCompleteness { which: it, good: 0, expected: 0, running: it == last });
            }
            which = it.next();
        }
        let spans: Option<Vec<_>> = months.iter().map(|month| month.which.span(zone)).collect();
        let spans = spans.unwrap_or_default();
        // One month ends where the next begins.
        let bounds: Vec<Timestamp> =
            spans.iter().map(|(from, _)| *from).chain(spans.last().map(|(_, to)| *to)).collect();
        let sensors: Vec<&str> = garden.sensors.iter().map(|sensor| sensor.id.as_str()).collect();
        let good = counts(reader, garden.site.id.as_str(), &sensors, &bounds)?;
        for ((month, (from, to)), good) in months.iter_mut().zip(spans).zip(good) {
            month.good = good;
            let length = u64::try_from(to.min(now).as_second() - from.as_second()).unwrap_or(0);
            month.expected =
                garden.sensors.iter().map(|sensor| length / u64::from(sensor.every_s.max(1))).sum();
        }
        months.reverse();
        let single_from = reader.single_readings_from(garden.site.id.as_str())?;
        Ok(Months { years, year, months, single_from })
    });
    read.await.map_err(|fault| {
        tracing::warn!("the list of months: {fault}");
        Problem::Unavailable
    })
}

/// The list.
pub(super) fn body(garden: &Garden, months: &Months) -> Markup {
    const CAPTION: &str = "How much of each month is measured";
    let id = &garden.site.id;
    let zone = &garden.site.time_zone;
    let gone =
        months.single_from.filter(|single| months.months.iter().any(|it| begins_before(it, *single, zone)));
    let is_kept = |month: &MonthCompleteness| gone.is_none_or(|single| !begins_before(month, single, zone));
    let cells = |month: &MonthCompleteness| {
        let name = html! {
            a href={ "/site/" (id) "/month/" (month.which) } { (month_name(month.which)) }
            @if !is_kept(month) { " (by its days)" }
            @if month.running { " (up to now)" }
        };
        [name, html! { (complete(month)) }, html! { (month.good) }]
    };
    html! {
        link rel="stylesheet" href=(assets::LESSON.address());
        h1 { "Months of the garden" }
        @if months.months.is_empty() {
            p {
                @match months.year {
                    Some(year) => { "Nothing is stored of " (year) "." },
                    None => "Nothing is stored yet. A month appears here with its first reading.",
                }
            }
        } @else {
            p { "A month is a lesson: one picture, one question, and what to do next." }
            @if let Some(single) = gone {
                p { (spoken::only_daily(single, zone)) " A month that begins before then is shown by its days, without a lesson." }
            }
            (stacked_table(Some(CAPTION), &["Month", "Complete", "Good readings"], months.months.iter().map(cells)))
        }
        (span(garden, months))
        @if months.years.len() > 1 {
            nav aria-label="Years" {
                ul class="years" {
                    @for year in &months.years {
                        li {
                            @if Some(*year) == months.year {
                                strong aria-current="page" { (year) }
                            } @else {
                                a href={ "/site/" (id) "/month?year=" (year) } { (year) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn begins_before(month: &MonthCompleteness, single: Timestamp, zone: &TimeZone) -> bool {
    month.which.span(zone).is_some_and(|(from, _)| from < single)
}

/// The ways to a term and to a whole year.
fn span(garden: &Garden, months: &Months) -> Markup {
    if months.months.is_empty() {
        return html! {};
    }
    let base = format!("/site/{}/month", garden.site.id);
    html! {
        h2 { "A term or a year" }
        form class="choice" method="get" action={ (base) "/term" } {
            p { label for="from" { "First day" } " " input type="date" id="from" name="from"; }
            p { label for="to" { "Last day" } " " input type="date" id="to" name="to"; }
            p { button { "Show" } }
        }
        @if let Some(year) = months.year { p { a href={ (base) "/" (year) } { "The whole of " (year) } } }
    }
}

fn complete(month: &MonthCompleteness) -> String {
    if month.good == 0 {
        return "no good reading".to_owned();
    }
    labels::whole_percent((month.good as f64 / month.expected.max(1) as f64).min(1.0))
}
