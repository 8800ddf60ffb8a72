//! The page of the rain.

use std::collections::BTreeMap;

use axum::response;
use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan};
use maud::{Markup, html};

use super::bed_water::amounts;
use super::events::PlaceEvents;
use super::rain_months::{MonthlyRain, Spell, months, spells, together};
use super::reader::PlaceReader;
use super::series::SensorSeries;
use super::shared;
use super::span::{RejectedParameter, ShownSpan, SpanLength};
use crate::alarms::Kind;
use crate::analysis::month::{RainDayOf, caught_by, rain_days};
use crate::chart::{Bar, Chart, Panel, ReadingTimes};
use crate::garden::patience_s;
use crate::garden::plan::{Garden, Sensor};
use crate::garden::view::SiteView;
use crate::history::{Bin, BinWidth};
use crate::model::Quantity;
use crate::page::context::SitePage;
use crate::page::forms::FormFields;
use crate::page::markup::stacked_table;
use crate::page::older::PAGE_WAIT;
use crate::page::problem::Problem;
use crate::page::wait::ask;
use crate::page::{PageSource, answered_by, care, places, reasons};
use crate::rain::{GAUGE_PLACE, GaugeMessage, MONTH_LOSS_MM, rain_day_bounds};
use crate::text::cautions::CLIMBING;
use crate::text::labels;
use crate::text::spoken::{self, counted};

/// Readings of a gauge that are read one by one; of more, sums of hours are taken.
const POINTS_MAX: usize = 50_000;
/// Months that are put beside each other.
const MONTHS: i64 = 13;
/// Years that are put beside each other.
const YEARS: i64 = 5;
/// Spells that are listed.
const SPELLS_SHOWN: usize = 10;
/// What the bars are called.
const RAIN: &str = "Rain";
const RAIN_DAYS: &str = "Rain days, 9 am to 9 am";

/// `/site/ID/rain`. Each read is beside what it is for, and the page is laid out below.
pub(in crate::page) async fn rain<V: PageSource>(site: SitePage<V>) -> response::Result<Markup> {
    let (view, garden, query) = (&site.view, site.garden()?, site.fields());
    let frame = site.frame("/rain");
    let gauges: Vec<&Sensor> = garden.sensors.iter().filter(|it| it.measures == Quantity::Rain).collect();
    let shown = ShownSpan::read(&query, view).map_err(|it| shared::rejected(&frame, &it))?;
    let gauge = chosen(&query, &gauges).map_err(|it| shared::rejected(&frame, &it))?;
    let title = format!("Rain at {}", view.name);
    let Some(gauge) = gauge else {
        let body = html! {
            (shared::head("Rain", view, None))
            p { "This garden has no rain gauge in its file, so its rain is not known." }
            (shared::ways_on(view, &shown))
        };
        return Ok(shared::whole(&frame, &shown, &title, &body));
    };

    let reader = PlaceReader { record: &site.context.record, site: view.id.as_str(), shown: &shown };
    let older = reader.older_from(&[gauge], shown.from.min(beside_from(&shown)), PAGE_WAIT).await?;
    let reader = reader.with(older.as_ref());
    let first = reader.first_reading(&[gauge]).await?;
    let has_past = shown.length == SpanLength::Year && first.is_some_and(|first| first < shown.from);
    let years = async { if has_past { years_of(reader, gauge).await } else { Ok(BTreeMap::new()) } };
    // Beside each other: each takes its time.
    let (series, mut days, years) = tokio::try_join!(reader.series(gauge), days_of(reader, gauge), years)?;
    // Of days before the gauge was there nothing is missing.
    days.retain(|day| first.is_some_and(|first| rain_day_bounds(day.date, &shown.zone).1 >= first));
    let single =
        reader.single_readings_from().await?.filter(|single| shown.from.min(beside_from(&shown)) < *single);
    // A rain day runs from 9 am to 9 am: days' figures do not tell it.
    days.retain(|day| single.is_none_or(|single| rain_day_bounds(day.date, &shown.zone).0 >= single));
    let only_daily = single.filter(|single| shown.from < *single);
    let of_span: Vec<RainDayOf> =
        days.iter().filter(|day| shown.first <= day.date && day.date <= shown.last).copied().collect();
    let events = reader.events().await?;
    let short = matches!(shown.length, SpanLength::Day | SpanLength::Week);
    let months: Vec<MonthlyRain> = if short { Vec::new() } else { months(&days) };

    let chart = chart(&series, gauge, &of_span, &events, garden, &shown);
    let months_chart = months_chart(&months, &shown);
    let answered = answered_by::answered(&site.context, view).await;
    let path = &frame.path;
    let more = if gauges.len() > 1 { format!("&gauge={}", gauge.id) } else { String::new() };
    let body = html! {
        (shared::head("Rain", view, view.rain.as_ref().map(|rain| (rain.condition, rain.words.as_str()))))
        (shared::to_do(&frame, view, garden, &answered, &[&gauge.id]))
        @if let Some(rain) = &view.rain { dl class="present" { (places::rain_items(rain)) } }
        @if gauges.len() > 1 { (other_gauges(&gauges, gauge, &shown, path)) }
        (shared::spans(&shown, path, &more))
        @if series.is_empty() { (shared::nothing_heard(&shown, first, only_daily, path)) }
        (shared::only_daily(&shown, only_daily, older.as_ref(), path))
        @if let (Some(single), false) = (single, short) {
            p class="nothing" {
                (spoken::only_daily(single, &shown.zone)) " Rain days run from 9 am to 9 am, so those of before are not known."
            }
        }
        @if let Some(chart) = &chart { (chart.draw()) (chart.table()) }
        (in_words(&of_span, &shown))
        @if let Some(chart) = &months_chart { (chart.draw()) }
        (months_table(&months, garden))
        @if short { p { a href={ (path) "?span=year" (more) } { "Month against month" } } }
        (years_table(&years, &shown))
        (doubts(&of_span, &series, (only_daily, &shown), view))
        @if let Some(rain) = &view.rain { (reasons::figures(&rain.figures)) }
        (shared::alarms(view, &[&gauge.id]))
        p class="caution" { "Wear gloves when you clean the gauge: spiders and wasps live in gauges. Let an adult go up ladders." }
        (care::ways(&view.id, &[&CLIMBING]))
        (shared::ways_on(view, &shown))
    };
    Ok(shared::whole(&frame, &shown, &title, &body))
}

/// The gauge that is asked for, else the first; `None` where there is none.
fn chosen<'a>(query: &FormFields, gauges: &[&'a Sensor]) -> Result<Option<&'a Sensor>, RejectedParameter> {
    let Some(given) = query.given("gauge") else { return Ok(gauges.first().copied()) };
    let found = gauges.iter().find(|gauge| gauge.id.as_str() == given);
    found.map(|gauge| Some(*gauge)).ok_or_else(|| {
        let names: Vec<&str> = gauges.iter().map(|gauge| gauge.id.as_str()).collect();
        let names =
            if names.is_empty() { "nothing: there is no gauge".to_owned() } else { names.join(" or ") };
        RejectedParameter::new("gauge", given, names)
    })
}

/// The first month of those that are put beside each other.
fn first_month(shown: &ShownSpan) -> Date {
    shown.last.first_of_month().saturating_sub((MONTHS - 1).months())
}

/// The beginning of what is shown beside the span.
fn beside_from(shown: &ShownSpan) -> Timestamp {
    let short = matches!(shown.length, SpanLength::Day | SpanLength::Week);
    let first = if short { shown.first } else { first_month(shown) };
    rain_day_bounds(first, &shown.zone).0
}

/// The rain days of the span, and of the months before it where they are shown.
async fn days_of(reader: PlaceReader<'_>, gauge: &Sensor) -> Result<Vec<RainDayOf>, Problem> {
    let PlaceReader { record, site, shown } = reader;
    let first = match shown.length {
        SpanLength::Day | SpanLength::Week => shown.first,
        SpanLength::Month | SpanLength::Year => shown.first.min(first_month(shown)),
    };
    let (from, _) = rain_day_bounds(first, &shown.zone);
    let from = from.checked_sub(SignedDuration::from_hours(48)).unwrap_or(from);
    // The day that is named by the last date ends at 9 am of it.
    let (_, to) = rain_day_bounds(shown.last, &shown.zone);
    let to = to.checked_add(SignedDuration::from_secs(1)).unwrap_or(to).min(shown.now);
    let id = gauge.id.as_str();
    let promised = (to.as_second() - from.as_second()).max(0) / i64::from(gauge.every_s.max(1));
    let dates = (first, shown.last);
    if promised < POINTS_MAX as i64 {
        let points = ask(record.points(site, id, from, to, POINTS_MAX)).await?;
        if points.len() < POINTS_MAX {
            let heard = points.iter().map(|point| (point.at, caught_by(gauge, point)));
            return Ok(rain_days(heard, patience_s(gauge.every_s), &shown.zone, dates, shown.now));
        }
    }
    const HOUR_S: i64 = 3600;
    let bins = ask(record.bins(site, id, from, to, BinWidth::Hour)).await?;
    let patience_s = patience_s(gauge.every_s).max(2 * HOUR_S);
    Ok(rain_days(bins.iter().map(in_one), patience_s, &shown.zone, dates, shown.now))
}

/// An hour as if it were one message.
fn in_one(bin: &Bin) -> (Timestamp, Option<GaugeMessage>) {
    let at = if bin.good > 0 { bin.last_at } else { bin.start };
    let whole = bin.good > 0 && bin.suspect + bin.bad == 0;
    (at, whole.then_some(GaugeMessage { at, mm: bin.sum, count: None }))
}

/// Sums of the calendar months of some years, mm, and the days on which the gauge was
/// heard.
async fn years_of(
    reader: PlaceReader<'_>,
    gauge: &Sensor,
) -> Result<BTreeMap<(i16, i8), (f64, u32)>, Problem> {
    let PlaceReader { record, site, shown } = reader;
    let first = Date::new(shown.last.year(), 1, 1).unwrap_or(shown.first).saturating_sub((YEARS - 1).years());
    let from = shown.zone.to_timestamp(first.at(0, 0, 0, 0)).unwrap_or(shown.from);
    let bins = ask(record.bins(site, gauge.id.as_str(), from, shown.to, BinWidth::Day)).await?;
    let mut sums = BTreeMap::new();
    for bin in bins.iter().filter(|bin| bin.good > 0) {
        let date = shown.zone.to_datetime(bin.start).date();
        let (mm, days): &mut (f64, u32) = sums.entry((date.year(), date.month())).or_default();
        *mm += bin.sum;
        *days += 1;
    }
    Ok(sums)
}

fn panel(name: &str, bars: Vec<Bar>) -> Panel {
    Panel { at_least: Some((0.0, 2.0)), bars, ..Panel::new(name, "mm", 1) }
}

fn chart(
    series: &SensorSeries,
    gauge: &Sensor,
    days: &[RainDayOf],
    events: &PlaceEvents,
    garden: &Garden,
    shown: &ShownSpan,
) -> Option<Chart> {
    let mut panels = Vec::new();
    if matches!(shown.length, SpanLength::Day | SpanLength::Week) {
        let name =
            if shown.length == SpanLength::Day { "Rain of each hour" } else { "Rain of each three hours" };
        let mut hours = panel(name, amounts(series, gauge, shown, RAIN, 1.0));
        hours.flagged = series.flagged("gauge", 1.0);
        hours.bars_read = Some(series.read_time());
        panels.push(hours);
    }
    if shown.length != SpanLength::Day {
        let bars = days.iter().filter_map(|day| {
            let (from, to) = rain_day_bounds(day.date, &shown.zone);
            let doubt = day.gap.then(|| NOT_WHOLE.to_owned());
            Some(Bar { from: from.max(shown.from), to, value: day.mm?, name: RAIN_DAYS.to_owned(), doubt })
        });
        panels.push(Panel { bars_read: Some(known_days(days, shown)), ..panel(RAIN_DAYS, bars.collect()) });
    }
    let last = panels.last_mut()?;
    last.events = events.alarm_marks(&[&gauge.id], garden, shown);
    let total: f64 = days.iter().filter_map(|day| day.mm).sum();
    (!series.is_empty()).then(|| Chart {
        id: "rain-chart".to_owned(),
        title: "Rain".to_owned(),
        description: format!(
            "Rain of {}: {} on the rain days that have ended.",
            shown.words(),
            labels::millimetres(total)
        ),
        from: shown.from,
        to: shown.to,
        now: Some(shown.now),
        zone: shown.zone.clone(),
        locale: shown.locale,
        panels,
        choice: None,
    })
}

/// When rain days are known, and the time after the last that has ended, which is not
/// missing.
fn known_days(days: &[RainDayOf], shown: &ShownSpan) -> ReadingTimes {
    let bounds = |day: &RainDayOf| rain_day_bounds(day.date, &shown.zone);
    let known = days.iter().filter(|day| day.mm.is_some()).map(bounds);
    let running = days.last().map(|last| (bounds(last).1, shown.to));
    ReadingTimes { stretches: known.chain(running).collect(), gap: SignedDuration::ZERO }
}

/// What the bar of a day with a gap says.
const NOT_WHOLE: &str = "On some days not all of the rain is known: it was at least so much.";

/// Month against month.
fn months_chart(months: &[MonthlyRain], shown: &ShownSpan) -> Option<Chart> {
    let midnight = |date: Date| shown.zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
    let (first, last) = (months.first()?, months.last()?);
    let bars: Vec<Bar> = months
        .iter()
        .filter_map(|month| {
            let doubt = (month.unknown > 0).then(|| NOT_WHOLE.to_owned());
            let to = midnight(month.first.last_of_month().tomorrow().ok()?)?;
            Some(Bar {
                from: midnight(month.first)?,
                to,
                value: month.mm?,
                name: "Rain of a month".to_owned(),
                doubt,
            })
        })
        .collect();
    let read = ReadingTimes {
        stretches: bars.iter().map(|bar| (bar.from, bar.to)).collect(),
        gap: SignedDuration::from_hours(24),
    };
    (months.len() > 1).then_some(())?;
    Some(Chart {
        id: "months-chart".to_owned(),
        title: "Month against month".to_owned(),
        description: format!(
            "Rain of each month from {} to {}; the table below has the figures.",
            first.first.strftime("%B %Y"),
            last.first.strftime("%B %Y")
        ),
        from: midnight(first.first)?,
        to: midnight(last.first.last_of_month().tomorrow().ok()?)?,
        now: Some(shown.now),
        zone: shown.zone.clone(),
        locale: shown.locale,
        panels: vec![Panel { bars_read: Some(read), ..panel("Rain of a month", bars) }],
        choice: None,
    })
}

fn other_gauges(gauges: &[&Sensor], current: &Sensor, shown: &ShownSpan, path: &str) -> Markup {
    html! {
        p {
            "Gauge shown: " code { (current.id) } ". Others: "
            @for gauge in gauges.iter().filter(|gauge| gauge.id != current.id) {
                a href={ (path) "?span=" (shown.length.name()) "&to=" (shown.last) "&gauge=" (gauge.id) } { (gauge.id) } " "
            }
        }
    }
}

/// The span's rain days and spells in words.
fn in_words(days: &[RainDayOf], shown: &ShownSpan) -> Markup {
    let spells = spells(days);
    let dated = |date: Date| date.strftime("%A %-d %B").to_string();
    html! {
        section {
            h2 { "Rain days and spells" }
            @match together(days) {
                None => p { "No rain day of this time has ended yet, or there are no readings of it. A rain day runs from 9 am to 9 am and has the date of its end." },
                Some(of) => {
                    ul {
                        li {
                            @match of.mm {
                                Some(mm) => { (if of.unknown > 0 { "At least " } else { "" }) (labels::millimetres(mm)) " on the " (of.days) " rain days that have ended." },
                                None => "How much fell is not known.",
                            }
                        }
                        li {
                            (counted(of.rain_days, "day", "days")) " with at least 0.2 mm, "
                            (counted(of.days_of_1mm, "day", "days")) " with at least 1 mm."
                        }
                        @if let Some((date, mm)) = of.wettest { li { "Most on one day: " (labels::millimetres(mm)) ", " (dated(date)) "." } }
                        @if of.unknown > 0 { li { (counted(of.unknown, "day", "days")) " of which not all is known." } }
                    }
                    @if shown.length != SpanLength::Day {
                        @if spells.is_empty() { p { "No two days in a row were alike, or not enough is known." } }
                        @else { ul class="spells" { @for spell in longest(&spells) { li { (spell_words(&spell)) } } } }
                        p { "A dry day has less than 1 mm. A rain day runs from 9 am to 9 am and has the date of its end." }
                    }
                }
            }
        }
    }
}

/// The longest spells, in order of time.
fn longest(spells: &[Spell]) -> Vec<Spell> {
    let mut longest = spells.to_vec();
    longest.sort_by_key(|spell| std::cmp::Reverse(spell.days));
    longest.truncate(SPELLS_SHOWN);
    longest.sort_by_key(|spell| spell.first);
    longest
}

fn spell_words(spell: &Spell) -> String {
    let length = i64::try_from(spell.days).unwrap_or(1) - 1;
    let last = spell.first.saturating_add(length.days());
    let dates = format!("{} to {}", spell.first.strftime("%-d %B"), last.strftime("%-d %B %Y"));
    if spell.wet {
        format!("{} wet days: {dates}, {}", spell.days, labels::millimetres(spell.mm))
    } else {
        format!("{} dry days: {dates}", spell.days)
    }
}

fn months_table(months: &[MonthlyRain], garden: &Garden) -> Markup {
    const COLUMNS: [&str; 7] =
        ["Month", "Rain", "Days of 0.2 mm", "Days of 1 mm", "Wettest day", "Days not known", "Off the roof"];
    let roof = garden.roof.map(|it| it.roof);
    let at_least = |month: &MonthlyRain| if month.unknown > 0 { "at least " } else { "" };
    let off_roof = |month: &MonthlyRain| {
        let litres = roof?.litres(month.mm?, MONTH_LOSS_MM).ok()?;
        Some(format!("{}{litres:.0} L", at_least(month)))
    };
    let cells = |month: &MonthlyRain| {
        let rain = month.mm.map(|mm| format!("{}{}", at_least(month), labels::millimetres(mm)));
        let wettest = month.wettest.map(|(date, mm)| (date.strftime("%-d %B"), labels::millimetres(mm)));
        [
            month.first.strftime("%B %Y").to_string(),
            rain.unwrap_or_else(|| labels::NOT_KNOWN.to_owned()),
            month.rain_days.to_string(),
            month.days_of_1mm.to_string(),
            wettest.map_or_else(|| "none".to_owned(), |(date, mm)| format!("{date}, {mm}")),
            month.unknown.to_string(),
            off_roof(month).unwrap_or_else(|| labels::NOT_KNOWN.to_owned()),
        ]
        .map(|cell| html! { (cell) })
    };
    let shown = COLUMNS.len() - usize::from(roof.is_none());
    html! {
        @if !months.is_empty() {
            section {
                h2 { "Months" }
                (stacked_table(None, &COLUMNS[..shown], months.iter().rev().map(cells)))
                @if roof.is_some() {
                    p { "Off the roof: by the rain and the roof of the garden's file, less 2 mm a month that only wet it; what the tank held or lost is not known. Do not drink from it." }
                }
            }
        }
    }
}

/// The same months of several years; nothing where there are not two years.
fn years_table(sums: &BTreeMap<(i16, i8), (f64, u32)>, shown: &ShownSpan) -> Markup {
    let mut years: Vec<i16> = sums.keys().map(|key| key.0).collect();
    years.dedup();
    let days_in = |year: i16, month: i8| {
        let first = Date::new(year, month, 1).ok();
        first.map_or(0, |first| {
            if (year, month) == (shown.last.year(), shown.last.month()) {
                u32::try_from(shown.last.day()).unwrap_or(0)
            } else {
                u32::try_from(first.days_in_month()).unwrap_or(0)
            }
        })
    };
    html! {
        @if years.len() > 1 {
            section {
                h2 { "Years beside each other" }
                div class="scrolls" role="region" tabindex="0" aria-label="Rain of the months of several years" {
                    table {
                        caption { "Rain of each month, mm, from midnight to midnight. A star: some days have no readings. Empty: no readings." }
                        thead { tr { th scope="col" { "Month" } @for year in &years { th scope="col" { (year) } } } }
                        tbody {
                            @for month in 1_i8..=12 {
                                tr {
                                    th scope="row" { (spoken::month(month)) }
                                    @for year in &years {
                                        td {
                                            @if let Some((mm, days)) = sums.get(&(*year, month)) {
                                                (format!("{mm:.1}")) @if *days < days_in(*year, month) { "*" }
                                            }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What speaks against the figures.
fn doubts(
    days: &[RainDayOf],
    series: &SensorSeries,
    (only_daily, shown): (Option<Timestamp>, &ShownSpan),
    view: &SiteView,
) -> Markup {
    let [_, _, suspect, bad] = series.counts();
    let gaps = days.iter().filter(|day| day.gap).count();
    let suspected: Vec<_> =
        view.alarms.iter().filter(|it| it.record.key.kind == Kind::GaugeSuspect).collect();
    html! {
        section {
            h2 { "Can we trust it?" }
            ul {
                @for alarm in &suspected { li { (alarm.record.said.text) } }
                @if gaps > 0 { li { (counted(gaps, "rain day", "rain days")) " of this time may hide rain: the gauge was silent for a while." } }
                @if suspect + bad > 0 { li { (counted((suspect + bad) as usize, "reading", "readings")) " of this time doubtful or bad, and not counted." } }
                @if let Some(before) = only_daily { li { (spoken::only_daily(before, &shown.zone)) } }
                @else if series.is_empty() { li { "The gauge sent no readings in this time." } }
                @else if suspected.is_empty() && gaps == 0 && suspect + bad == 0 { li { "Nothing in this time says that the gauge is wrong." } }
                li {
                    (GAUGE_PLACE)
                    details { summary { "Why" } p class="source" { "By WMO-No. 8, from memory." } }
                }
                li { "A gauge catches a little less than falls, most of all in wind. Look into the funnel for leaves first." }
            }
        }
    }
}
