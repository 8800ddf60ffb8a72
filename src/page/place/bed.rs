//! The page of a bed.

use std::sync::Arc;

use axum::response;
use maud::{Markup, html};
use tokio::time::Instant;

use super::ahead::look_ahead;
use super::bed_chart::{BedRecord, PANELS, cause, probe_name};
use super::bed_water::{LOGGED, METERED, amounts, logged_bars, meters};
use super::bed_year;
use super::reader::PlaceReader;
use super::series::SensorSeries;
use super::shared;
use super::span::{ShownSpan, SpanLength, chosen_panels};
use super::wettings::{GardenWettings, telling};
use crate::analysis::month::Rise;
use crate::chart::{Bar, ReadingTimes};
use crate::garden::MulchLayer;
use crate::garden::log::LogEntry;
use crate::garden::plan::{Bed, Garden, Sensor};
use crate::garden::view::{BedView, SiteView};
use crate::history::RootZoneBin;
use crate::model::{Id, Place, Quantity};
use crate::page::context::{PageContext, SitePage};
use crate::page::markup::{columns, item, known_item, or_not_known};
use crate::page::older::PAGE_WAIT;
use crate::page::problem::Problem;
use crate::page::wait::ask;
use crate::page::{PageSource, answered_by, care, places, reasons};
use crate::text::cautions::{CHEMICALS, FOOD, LIFTING, SOIL, WATERING_RULES};
use crate::text::labels;
use crate::text::locale::LocalText;
use crate::text::spoken::capital;

/// Wettings that are listed.
const RISES_SHOWN: usize = 12;
/// The name of a gauge's bars.
const RAIN: &str = "Rain";

/// `/site/ID/bed/BED`. Each read is beside what it is for, and the page is laid out below.
pub(in crate::page) async fn bed<V: PageSource>(site: SitePage<V>) -> response::Result<Markup> {
    let (view, garden) = (&site.view, site.garden()?);
    let id = site.names.first().ok_or(Problem::NotFound)?;
    let index = garden.beds.iter().position(|bed| bed.id.as_str() == id).ok_or(Problem::NotFound)?;
    let plan = &garden.beds[index];
    let present = view.beds.iter().find(|bed| bed.id == plan.id).ok_or(Problem::NotFound)?;
    let frame = site.frame(&format!("/bed/{id}"));
    let shown = ShownSpan::read(&site.fields(), view).map_err(|it| shared::rejected(&frame, &it))?;
    let chosen = chosen_panels(&site.fields(), &PANELS).map_err(|it| shared::rejected(&frame, &it))?;
    let (choice, kept) = shared::panel_choice(&shown, &frame.path, chosen);
    let reader = PlaceReader { record: &site.context.record, site: view.id.as_str(), shown: &shown };

    let here = |it: &&Sensor| matches!(it.place, Place::Bed(bed) if usize::from(bed) == index);
    let mut own: Vec<&Sensor> = garden.sensors.iter().filter(here).collect();
    own.sort_by(|a, b| a.depth_m.unwrap_or(0.0).total_cmp(&b.depth_m.unwrap_or(0.0)));
    // All that the chart shows, in one pass.
    let gauges = garden.sensors.iter().filter(|it| it.measures == Quantity::Rain);
    let charted: Vec<&Sensor> = own.iter().copied().filter(|it| is_charted(it)).chain(gauges).collect();
    let began = Instant::now();
    let older = reader.older(&charted, PAGE_WAIT).await?;
    let reader = reader.with(older.as_ref());
    let series = charted.iter().copied().zip(reader.series_of(&charted).await?);
    let (mut probes, mut soil_temperatures, mut of_water) = (Vec::new(), Vec::new(), Vec::new());
    for (sensor, series) in series {
        let kept = match sensor.measures {
            Quantity::SoilMoisture => &mut probes,
            Quantity::SoilTemperature => &mut soil_temperatures,
            _ => &mut of_water,
        };
        kept.push((sensor, series));
    }
    let events = reader.events().await?;
    // With all of it from the longer record there is nothing to be said.
    let only_daily = reader.only_daily_before().await?;
    let log: Vec<LogEntry> = events.log.iter().map(|row| row.entry.clone()).collect();
    let rises = wettings(&site.context, reader, garden, &log, began).await?;
    let rises = rises.map(|found| found.of_bed(index, reader));

    let of_bed: Vec<&LogEntry> = log.iter().filter(|it| it.place.as_ref() == Some(&plan.id)).collect();
    let metered = meters(garden, index).next().is_some();
    let (mut water, rain_read) = water_bars(&of_water, plan, &shown);
    if !metered {
        water.extend(logged_bars(&of_bed, plan, &shown));
    }
    let ids: Vec<&Id> = std::iter::once(&plan.id).chain(own.iter().map(|it| &it.id)).collect();
    let bed = BedRecord {
        plan,
        view: present,
        probes,
        soil_temperatures,
        water,
        rain_read,
        rises: rises.as_deref().unwrap_or_default(),
        marks: events.log_marks(&plan.id, &ids[1..], &shown),
        alarms: events.alarm_marks(&ids, garden, &shown),
    };
    if shown.length != SpanLength::Month {
        look_ahead(&site.context, view);
    }
    let silent = bed.probes.iter().all(|(_, series)| series.is_empty());
    let first = if silent { reader.first_reading(&own).await? } else { None };

    let answered = answered_by::answered(&site.context, view).await;
    let zone = bed.root_zone();
    let is_year = shown.length == SpanLength::Year && !bed.probes.is_empty();
    let beside = if is_year { Some(bed_year::months_beside(reader, &bed, &zone).await?) } else { None };

    let chart = bed.chart(&shown, choice);
    let body = html! {
        (shared::head(&plan.name, view, Some(shared::state(present.condition, &present.words, view, &ids))))
        (shared::to_do(&frame, view, garden, &answered, &ids))
        (now(present, plan, &view.local))
        (shared::spans(&shown, &frame.path, &kept))
        @if bed.probes.is_empty() {
            p { "There is no moisture probe in this bed, so Trug can't tell its water. Feel the soil." }
        } @else if silent {
            (shared::nothing_heard(&shown, first, only_daily, &frame.path))
        }
        (shared::only_daily(&shown, only_daily, older.as_ref(), &frame.path))
        @if let Some(chart) = &chart { (chart.draw()) (chart.table()) }
        (year(&bed, &zone, &shown, &frame.path))
        @if let Some(beside) = &beside { (beside.draw()) }
        (in_millimetres(present, plan))
        (water_that_came(&bed, rises.as_deref(), metered, &shown, view))
        (shared::sensors(
            "Sensors in this bed",
            bed.probes.iter().chain(&bed.soil_temperatures).map(|(it, series)| (*it, probe_name(it), series)),
            view,
        ))
        (mulch(plan, present, &of_bed, view))
        (reasons::figures(&present.figures))
        (shared::log(&events.entries(&plan.id, false), view, &plan.id))
        (shared::alarms(view, &ids))
        (care::ways(&view.id, &[&WATERING_RULES, &FOOD, &SOIL]))
        (shared::ways_on(view, &shown))
    };
    Ok(shared::whole(&frame, &shown, &format!("{} at {}", plan.name, view.name), &body))
}

/// The wettings of the garden in the time shown; `None` of a year, which is not searched, and
/// of days of which not every single reading is there.
async fn wettings<V: PageSource>(
    context: &PageContext<V>,
    reader: PlaceReader<'_>,
    garden: &Garden,
    log: &[LogEntry],
    began: Instant,
) -> Result<Option<Arc<GardenWettings>>, Problem> {
    if reader.shown.length == SpanLength::Year || reader.only_daily_before().await?.is_some() {
        return Ok(None);
    }
    // The other beds' sensors beside the bed's own.
    let sensors: Vec<&Sensor> = telling(garden).map(|(sensor, _)| sensor).collect();
    let of_garden = PlaceReader { record: &context.record, ..reader };
    let older = of_garden.older(&sensors, PAGE_WAIT.saturating_sub(began.elapsed())).await?;
    let reader = of_garden.with(older.as_ref());
    if reader.only_daily_before().await?.is_some() {
        return Ok(None);
    }
    ask(context.wettings.of(reader, garden, log, context.moment().changed)).await.map(Some)
}

/// Whether the chart shows a sensor of the bed.
fn is_charted(sensor: &Sensor) -> bool {
    matches!(sensor.measures, Quantity::SoilMoisture | Quantity::SoilTemperature | Quantity::WaterFlow)
}

/// The rain and the water by the bed's own meters, and when the gauges sent readings.
fn water_bars(
    of_water: &[(&Sensor, SensorSeries)],
    bed: &Bed,
    shown: &ShownSpan,
) -> (Vec<Bar>, Option<ReadingTimes>) {
    let is_gauge = |sensor: &Sensor| sensor.measures == Quantity::Rain;
    let several = of_water.iter().filter(|(sensor, _)| is_gauge(sensor)).count() > 1;
    let mut bars = Vec::new();
    let mut read: Option<ReadingTimes> = None;
    for (sensor, series) in of_water {
        if !is_gauge(sensor) {
            bars.extend(amounts(series, sensor, shown, METERED, 1.0 / bed.area_m2));
            continue;
        }
        let name = if several { format!("{RAIN}, {}", sensor.id) } else { RAIN.to_owned() };
        bars.extend(amounts(series, sensor, shown, &name, 1.0));
        let own = series.read_time();
        let all = read.get_or_insert_with(|| ReadingTimes { stretches: Vec::new(), gap: own.gap });
        all.gap = all.gap.max(own.gap);
        all.stretches.extend(own.stretches);
    }
    (bars, read)
}

/// The year day by day, or the way to it.
fn year(bed: &BedRecord<'_>, zone: &[RootZoneBin], shown: &ShownSpan, path: &str) -> Markup {
    if bed.probes.is_empty() {
        return html! {};
    }
    if shown.length != SpanLength::Year {
        return html! { p { a href={ (path) "?span=year#calendar" } { "The last year day by day, and this month beside others" } } };
    }
    // Of several gauges the first.
    let gauge = bed.water.iter().map(|bar| bar.name.as_str()).find(|name| name.starts_with(RAIN));
    let rain: Vec<&Bar> = bed.water.iter().filter(|bar| Some(bar.name.as_str()) == gauge).collect();
    html! {
        (bed_year::calendar(&bed.plan.name, bed.view, zone, &rain, shown).draw())
        p class="doubt" { "Each day is judged by its mean. Dry is below the refill point of today, wet is above field capacity." }
    }
}

/// The present state of the bed.
fn now(bed: &BedView, plan: &Bed, local: &LocalText) -> Markup {
    let grows = if plan.fallow { "nothing" } else { plan.crop.unwrap_or(labels::NOT_KNOWN) };
    html! {
        @if let Some(drawing) = places::soil_band(bed).draw(local) { (drawing) }
        dl class="present" {
            (item("Water left", or_not_known(bed.available_left, places::available_left)))
            (known_item("Outlook", bed.outlook.as_ref()))
            (known_item("Last got wetter", bed.last_wetting.as_ref()))
            (item("Grows here", grows))
            (item("Watering allowed today", html! { (capital(&bed.watering_hours)) ". Your water supplier's rules come first." }))
        }
    }
}

/// The marks of the chart in the mm that the roots can reach.
fn in_millimetres(bed: &BedView, plan: &Bed) -> Markup {
    let mm = |content: f64| labels::millimetres(1000.0 * (content - bed.wilting_point) * bed.root_depth_m);
    let row = |name: &str, content: f64| {
        html! { tr { th scope="row" { (name) } td { (labels::percent(content)) } td { (mm(content)) } } }
    };
    html! {
        details class="figures" {
            summary { "The same in millimetres that the roots can reach" }
            table {
                caption {
                    "The roots are taken to reach " (format!("{:.2} m", bed.root_depth_m)) " deep"
                    @if bed.root_depth_m < plan.root_depth_m { " now, and " (format!("{:.2} m", plan.root_depth_m)) " when they are grown" }
                    ". 1 mm is 1 L on each square metre; below the wilting point roots get nothing."
                }
                (columns(&["Mark", "Of the volume", "Within reach"]))
                tbody {
                    (row("Wilting point", bed.wilting_point))
                    (row("Refill point: water from here on", bed.refill_point))
                    (row("Field capacity: full", bed.field_capacity))
                    @if let Some(content) = bed.water_content { (row("Now", content)) }
                }
            }
        }
    }
}

fn water_that_came(
    bed: &BedRecord<'_>,
    rises: Option<&[Rise]>,
    metered: bool,
    shown: &ShownSpan,
    view: &SiteView,
) -> Markup {
    let sum = |name: &str| -> Option<f64> {
        let mut bars = bed.water.iter().filter(|bar| bar.name == name).peekable();
        bars.peek()?;
        Some(bars.map(|bar| bar.value).sum())
    };
    let least = |name: &str| {
        if bed.water.iter().any(|bar| bar.name == name && bar.doubt.is_some()) { "at least " } else { "" }
    };
    html! {
        section {
            h2 { "Water that came" }
            ul {
                @match sum(RAIN) {
                    Some(mm) => li { "Rain in this time: " (least(RAIN)) (labels::millimetres(mm)) "." },
                    None => li { "Rain in this time: not known; no gauge sent readings." },
                }
                @if metered {
                    @match sum(METERED) {
                        Some(mm) => li {
                            "By its water meter: " (least(METERED)) (labels::millimetres(mm)) " (" (litres(mm, bed.plan)) ")."
                        },
                        None => li { "By its water meter: not known; it sent nothing." },
                    }
                } @else if let Some(mm) = sum(LOGGED) {
                    li { "Watered, by the Garden log: " (labels::millimetres(mm)) " (" (litres(mm, bed.plan)) ")." }
                }
            }
            @match rises {
                None if shown.length != SpanLength::Year => {
                    p { "Single waterings are not known of days of which only daily figures are kept." }
                }
                None => p { "A year does not show single waterings; a month does." },
                Some([]) if bed.probes.is_empty() => {}
                Some([]) if bed.probes.iter().all(|(_, series)| series.is_empty()) => {
                    p { "Whether the soil got wetter is not known: no probe sent readings." }
                }
                Some([]) => p { "The soil did not get wetter in this time. Light rain rarely shows." },
                Some(rises) => {
                    @if rises.len() > RISES_SHOWN { p { "The newest " (RISES_SHOWN) " of " (rises.len()) " times at which the soil got wetter:" } }
                    @else { p { "About when the soil got wetter:" } }
                    ul {
                        @for rise in rises.iter().rev().take(RISES_SHOWN) {
                            li {
                                strong { (capital(cause(rise))) } ", " (labels::moment(rise.onset, view.now, &view.time_zone))
                                ": wetter by " (labels::percent(rise.rise)) " of its volume. " (capital(&rise.why)) "."
                            }
                        }
                    }
                }
            }
            @if matches!(shown.length, SpanLength::Month | SpanLength::Year) {
                p { "Sums of a day run from midnight to midnight here; the page of the rain has rain days, 9 am to 9 am." }
            }
        }
    }
}

fn litres(mm: f64, bed: &Bed) -> String {
    format!("{:.0} L", mm * bed.area_m2)
}

fn mulch(plan: &Bed, bed: &BedView, log: &[&LogEntry], view: &SiteView) -> Markup {
    let entries = log.iter().filter(|entry| entry.at <= view.now).map(|entry| (entry.at, &entry.what));
    let layer = MulchLayer::of(entries);
    let when = |at| labels::moment(at, view.now, &view.time_zone);
    html! {
        section {
            h2 { "Mulch" }
            @if let Some(layer) = layer {
                p {
                    "Laid " (when(layer.laid)) ", " (format!("{:.0}", layer.laid_mm)) " mm deep."
                    @if let Some((at, depth_mm)) = layer.measured {
                        " Measured " (when(at)) ": " (format!("{depth_mm:.0}")) " mm."
                    }
                }
            }
            @if let Some(mulch) = plan.mulch {
                p {
                    "The garden's file plans: " (format!("{:.0}", mulch.depth_mm)) " mm deep"
                    @if let Some(day) = mulch.planned { ", on " (day.strftime("%A %-d %B %Y")) }
                    ". It counts as laid once the Garden log says so."
                }
            }
            @if let Some(answer) = &bed.mulch { p { (answer) } }
            @if layer.is_none() && plan.mulch.is_none() && bed.mulch.is_none() {
                p { "None is planned, and the Garden log has none." }
            } @else {
                p class="caution" { "Damp mulch down before you move it, wear gloves and a mask, and wash your hands: its dust can carry Legionella." }
                (care::ways(&view.id, &[&SOIL, &LIFTING, &CHEMICALS]))
            }
        }
    }
}
