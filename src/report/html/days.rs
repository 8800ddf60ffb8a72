//! A month of which only daily figures are kept: each day's mean, lowest and highest, and what
//! is left out.

use jiff::SignedDuration;
use maud::{Markup, html};

use super::{GridColumn, by_itself, grid};
use crate::analysis::month::{DayOf, DaysMonth, SensorMonth};
use crate::chart::{Bar, Chart, Panel, Stroke, Trace};
use crate::garden::log::LogEntry;
use crate::model::Quantity;
use crate::report::days::{DAYS_TABLE, DaysContents, days_title};
use crate::report::{DICTIONARY, SPREADSHEET, words};
use crate::text::labels;

/// Where such a page stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DaysWithin<'a> {
    /// By itself, with every place.
    Nothing,
    /// In the garden's page: its address, what is asked for besides the place, such as
    /// `&notes=no`, and the place that is shown, by its number.
    Page { base: &'a str, more: &'a str, place: usize },
}

/// The page by itself.
pub fn days_document(contents: &DaysContents<'_>) -> Markup {
    let month = contents.month;
    by_itself(
        &month.local,
        &format!("{}, {}", days_title(month), month.name),
        &html! {
            h1 { (days_title(month)) }
            p class="as-of" { (month.name) }
            (days_body(contents, DaysWithin::Nothing))
        },
    )
}

/// Everything below the heading.
pub fn days_body(contents: &DaysContents<'_>, within: DaysWithin<'_>) -> Markup {
    let month = contents.month;
    let places = month.places();
    let shown: Vec<&str> = match within {
        DaysWithin::Nothing => places.clone(),
        DaysWithin::Page { place, .. } => places.get(place).copied().into_iter().collect(),
    };
    html! {
        p class="notice" role="note" { (contents.single) " So this month has no lesson: it is shown by its days." }
        p {
            "Each day has its mean, its lowest and its highest good reading, from midnight to midnight. "
            "The band in a chart is from the lowest to the highest of its first sensor. "
            "Hours, waterings, dryings, rain days from 9 am to 9 am and the comparison of beds need single readings, so they are left out."
        }
        @if places.is_empty() { p { "This garden has no sensors in its file." } }
        @if let (DaysWithin::Page { base, more, place }, true) = (within, places.len() > 1) {
            nav aria-label="Places" {
                ul class="years" {
                    @for (number, name) in places.iter().enumerate() {
                        li {
                            @if number == place { strong aria-current="page" { (name) } }
                            @else { a href={ (base) "?place=" (number) (more) } { (name) } }
                        }
                    }
                }
            }
        }
        @for name in shown { (of_place(month, name, within)) }
        (happened(contents))
        (files(contents, within))
    }
}

/// The charts of one place, one for each quantity that it has.
fn of_place(month: &DaysMonth, place: &str, within: DaysWithin<'_>) -> Markup {
    let here: Vec<&SensorMonth> = month.sensors.iter().filter(|it| it.place == place).collect();
    let mut quantities: Vec<Quantity> = Vec::new();
    for sensor in &here {
        if !quantities.contains(&sensor.measures) {
            quantities.push(sensor.measures);
        }
    }
    let charts = quantities.iter().enumerate().map(|(number, measures)| {
        let of: Vec<&SensorMonth> = here.iter().filter(|it| it.measures == *measures).copied().collect();
        chart(month, &of, *measures, &format!("days-{}-{number}", place_number(month, place)))
    });
    html! {
        section {
            h2 { (place) }
            @for chart in charts {
                @if chart.panels[0].has_no_figures() {
                    p class="nothing" { (chart.title) ": no good reading in this month." }
                } @else {
                    @match within {
                        DaysWithin::Nothing => (chart.draw_alone()),
                        DaysWithin::Page { .. } => (chart.draw()),
                    }
                    (chart.table())
                }
            }
        }
    }
}

fn place_number(month: &DaysMonth, place: &str) -> usize {
    month.places().iter().position(|it| *it == place).unwrap_or(0)
}

/// The days of the sensors of one quantity at one place: sums of what adds up as bars, else
/// means as lines, with the range of the first about them.
fn chart(month: &DaysMonth, sensors: &[&SensorMonth], measures: Quantity, id: &str) -> Chart {
    let (decimals, unit) = measures.shown();
    let (scale, decimals, unit) = match measures {
        Quantity::SoilMoisture => (100.0, 1, "%"),
        _ => (1.0, decimals, unit.trim_start()),
    };
    let title = labels::quantity(measures);
    let mut panel = Panel::new(title, unit, decimals);
    let gap = SignedDuration::from_hours(36);
    let bounds = |day: &DayOf| {
        let at = |date: jiff::civil::Date, hour| month.time_zone.to_timestamp(date.at(hour, 0, 0, 0)).ok();
        Some((at(day.date, 0)?, at(day.date, 12)?, at(day.date.tomorrow().ok()?, 0)?))
    };
    let strokes = [Stroke::Bold, Stroke::Dashed, Stroke::Dotted, Stroke::Fine].into_iter().cycle();
    for (number, (sensor, stroke)) in sensors.iter().zip(strokes).enumerate() {
        if measures.adds_up() {
            panel.at_least = Some((0.0, 1.0));
            for day in &sensor.days {
                if let (Some((from, _, to)), Some(total)) = (bounds(day), day.total) {
                    let name = sensor.id.to_string();
                    panel.bars.push(Bar { from, to, value: total * scale, name, doubt: None });
                }
            }
            continue;
        }
        let known =
            sensor.days.iter().filter_map(|day| Some((bounds(day)?.1, day.mean?, day.min?, day.max?)));
        let known: Vec<_> = known.collect();
        let points = known.iter().map(|(at, mean, ..)| (*at, mean * scale)).collect();
        let mut trace = Trace::new(format!("{}, each day's mean", sensor.id), stroke, points, gap)
            .labelled(sensor.id.as_str());
        if number == 0 {
            trace.spread = known.iter().map(|(.., low, high)| (low * scale, high * scale)).collect();
        }
        if !known.is_empty() {
            panel.traces.push(trace);
        }
    }
    let place = sensors.first().map_or("", |it| it.place.as_str());
    let what = if measures.adds_up() { "sum" } else { "mean, lowest and highest good reading" };
    Chart {
        id: id.to_owned(),
        title: format!("{place}: {title}"),
        description: format!("{title} at {place}: the {what} of each day of the month."),
        from: month.from,
        to: month.to,
        now: month.until,
        zone: month.time_zone.clone(),
        locale: month.local.locale(),
        panels: vec![panel],
        choice: None,
    }
}

/// Alarms and what people wrote down: these are kept for ever.
fn happened(contents: &DaysContents<'_>) -> Markup {
    let month = contents.month;
    let zone = &month.time_zone;
    let columns: [GridColumn<'_, (String, LogEntry)>; 4] = [
        ("When", &|(_, entry)| words::moment(entry.at, zone)),
        ("Where", &|(place, _)| place.clone()),
        ("What", &|(_, entry)| entry.what.words()),
        ("Note", &|(_, entry)| labels::shown(&entry.note, 2000)),
    ];
    let columns = if contents.notes { &columns[..] } else { &columns[..3] };
    html! {
        section {
            h2 { "What happened" }
            @if month.alarms.is_empty() {
                p { "There was no alarm." }
            } @else {
                (grid("Alarms of the month", &month.alarms, &[
                    ("When", &|(at, ..)| words::moment(*at, zone)),
                    ("What was wrong", &|(_, kind, _)| kind.clone()),
                    ("Where", &|(.., place)| place.clone()),
                ]))
            }
            @if month.log.is_empty() {
                p { "There is no entry of this month in the Garden log." }
            } @else {
                (grid("What people saw and did", &month.log, columns))
            }
        }
    }
}

fn files(contents: &DaysContents<'_>, within: DaysWithin<'_>) -> Markup {
    let to = |name: &str| match within {
        DaysWithin::Nothing => name.to_owned(),
        DaysWithin::Page { base, more: "", .. } => format!("{base}/{name}"),
        DaysWithin::Page { base, more, .. } => format!("{base}/{name}?{}", more.trim_start_matches('&')),
    };
    html! {
        section {
            h2 { "Files" }
            ul class="files" {
                li { a href=(to(SPREADSHEET)) { "The spreadsheet" } }
                li { a href=(to(DAYS_TABLE)) { "Each sensor's days, as CSV" } }
                li { a href=(to(DICTIONARY)) { "What the columns mean" } }
            }
            p class="made" { "Made by Trug " (contents.version) ": " code { (contents.command) } }
        }
    }
}
