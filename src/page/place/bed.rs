//! The page of a bed.

use std::sync::Arc;

use axum::extract::rejection::PathRejection;
use axum::extract::{Extension, Path, RawQuery, State};
use axum::response::Response;
use maud::{Markup, html};

use super::asked::{Asked, Span};
use super::bed_chart::{BedRecord, cause, probe_name};
use super::bed_water::{LOGGED, METERED, amounts, logged_bars, meters, rises_of};
use super::happened::Happened;
use super::series::Heard;
use super::shared::{self, Came, came};
use crate::analysis::month::Rise;
use crate::garden::log::{LogEntry, Seen};
use crate::garden::plan::{Bed, Sensor};
use crate::garden::view::{BedView, SiteView};
use crate::model::{Id, Place, Quantity};
use crate::page::access::Visitor;
use crate::page::errors::Problem;
use crate::page::routes::{Desk, ask};
use crate::page::{Views, places, reasons};
use crate::text::labels;

/// Wettings that are listed.
const RISES_SHOWN: usize = 12;
/// Readings of an hour or a day by which a gauge is told apart.
const RAIN: &str = "Rain";

/// `/site/ID/bed/BED`.
pub(in crate::page) async fn bed<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    Extension(visitor): Extension<Visitor>,
    path: Result<Path<(String, String)>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let Came { view, garden, id, path, query, frame } = came(&desk, visitor, "bed", path, query).await?;
    let record = &desk.page.record;
    let index = garden.beds.iter().position(|bed| bed.id.as_str() == id).ok_or(Problem::NotFound)?;
    let plan = &garden.beds[index];
    let shown = view.beds.iter().find(|bed| bed.id == plan.id).ok_or(Problem::NotFound)?;
    let asked = match Asked::read(&query, view.now, &view.time_zone) {
        Ok(asked) => asked,
        Err(wrong) => return Ok(shared::wrong(&frame, &wrong, &path)),
    };

    let site = view.id.as_str();
    let here = |it: &&Sensor| matches!(it.place, Place::Bed(bed) if usize::from(bed) == index);
    let mut own: Vec<&Sensor> = garden.sensors.iter().filter(here).collect();
    own.sort_by(|a, b| a.depth_m.unwrap_or(0.0).total_cmp(&b.depth_m.unwrap_or(0.0)));
    let (mut probes, mut soil_temperatures) = (Vec::new(), Vec::new());
    for sensor in &own {
        let kept = match sensor.measures {
            Quantity::SoilMoisture => &mut probes,
            Quantity::SoilTemperature => &mut soil_temperatures,
            _ => continue,
        };
        kept.push((*sensor, ask(Heard::read(record, site, sensor, &asked)).await?));
    }
    let happened = ask(Happened::read(record, site, &asked)).await?;
    let log: Vec<LogEntry> = happened.log.iter().map(|row| row.entry.clone()).collect();
    // A year is not searched.
    let rises = if asked.span == Span::Year {
        None
    } else {
        let changed = *desk.page.views.changed().borrow();
        let found = ask(desk.hours.of(record, &garden, &log, &asked, changed)).await?;
        Some(rises_of(&found, index, &asked))
    };

    let mut water = Vec::new();
    let gauges = || garden.sensors.iter().filter(|it| it.measures == Quantity::Rain);
    for gauge in gauges() {
        let name = if gauges().count() > 1 { format!("{RAIN}, {}", gauge.id) } else { RAIN.to_owned() };
        let heard = ask(Heard::read(record, site, gauge, &asked)).await?;
        water.extend(amounts(&heard, gauge, &asked, &name, 1.0));
    }
    let mut metered = false;
    for meter in meters(&garden, index) {
        metered = true;
        let heard = ask(Heard::read(record, site, meter, &asked)).await?;
        water.extend(amounts(&heard, meter, &asked, METERED, 1.0 / plan.area_m2));
    }
    let of_bed: Vec<&LogEntry> = log.iter().filter(|it| it.place.as_ref() == Some(&plan.id)).collect();
    if !metered {
        water.extend(logged_bars(&of_bed, plan, &asked));
    }
    let ids: Vec<&Id> = std::iter::once(&plan.id).chain(own.iter().map(|it| &it.id)).collect();
    let bed = BedRecord {
        plan,
        view: shown,
        probes,
        soil_temperatures,
        water,
        rises: rises.as_deref().unwrap_or_default(),
        marks: happened.log_marks(&plan.id, &asked),
        alarms: happened.alarm_marks(&ids, &garden, &asked),
    };
    let first = if bed.probes.iter().all(|(_, heard)| heard.is_empty()) {
        ask(shared::first_heard(record, site, &own, asked.now)).await?
    } else {
        None
    };

    let chart = bed.chart(&asked);
    let body = html! {
        (shared::head(&plan.name, &view, Some((shown.condition, &shown.words))))
        (shared::to_do(&plan.name, &view))
        (now(shown, plan))
        (shared::spans(&asked, &path, ""))
        @if bed.probes.is_empty() {
            p { "No moisture probe of the garden's file stands in this bed, so its water is not known: feel the soil." }
        } @else if bed.probes.iter().all(|(_, heard)| heard.is_empty()) {
            (shared::nothing_heard(&asked, first, &path))
        }
        @if let Some(chart) = &chart { (chart.draw()) (chart.table()) }
        (in_millimetres(shown, plan))
        (water_that_came(&bed, rises.as_deref(), metered, &asked, &view))
        (shared::sensors(
            "Sensors in this bed",
            bed.probes.iter().chain(&bed.soil_temperatures).map(|(it, heard)| (*it, probe_name(it), heard)),
            &view,
        ))
        (mulch(plan, shown, &of_bed, &view))
        (reasons::figures(&shown.figures))
        (shared::log(&happened.entries(&plan.id, false), &view, Some(&plan.id)))
        (shared::alarms(&view, &ids))
        (shared::ways_on(&view, &asked))
    };
    Ok(shared::whole(&frame, &asked, &format!("{} at {}", plan.name, view.name), &body))
}

/// How it stands at present.
fn now(bed: &BedView, plan: &Bed) -> Markup {
    let left = bed.available_left.map_or_else(|| labels::NOT_KNOWN.to_owned(), places::available_left);
    html! {
        dl class="present" {
            div { dt { "Available water left" } dd { (left) } }
            @if let Some(outlook) = &bed.outlook { div { dt { "Outlook" } dd { (outlook) } } }
            @if let Some(wetting) = &bed.last_wetting { div { dt { "Last wetting" } dd { (wetting) } } }
            div { dt { "Grows here" } dd { (if plan.fallow { "nothing".to_owned() } else { plan.crop.clone().unwrap_or_else(|| labels::NOT_KNOWN.to_owned()) }) } }
        }
    }
}

/// The marks of the chart in the mm that the roots can reach.
fn in_millimetres(bed: &BedView, plan: &Bed) -> Markup {
    let mm = |content: f64| labels::millimetres(1000.0 * (content - bed.wilting_point) * plan.root_depth_m);
    let row = |name: &str, content: f64| {
        html! { tr { th scope="row" { (name) } td { (labels::percent(content)) } td { (mm(content)) } } }
    };
    html! {
        details class="figures" {
            summary { "The same in millimetres that the roots can reach" }
            table {
                caption {
                    "The roots are taken to reach " (format!("{:.2} m", plan.root_depth_m))
                    " deep. 1 mm is 1 L on each square metre; below the wilting point roots get nothing."
                }
                thead { tr { th scope="col" { "Mark" } th scope="col" { "Of the volume" } th scope="col" { "Within reach" } } }
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
    asked: &Asked,
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
                    None => li { "Rain in this time: not known; no gauge was heard." },
                }
                @if metered {
                    @match sum(METERED) {
                        Some(mm) => li {
                            "By its water meter: " (least(METERED)) (labels::millimetres(mm)) " (" (litres(mm, bed.plan)) ")."
                        },
                        None => li { "By its water meter: not known; it was not heard." },
                    }
                } @else if let Some(mm) = sum(LOGGED) {
                    li { "Watered, as written down: " (labels::millimetres(mm)) " (" (litres(mm, bed.plan)) ")." }
                }
            }
            @match rises {
                None => p { "In a year single wettings are not searched for; a month shows them." },
                Some([]) if bed.probes.is_empty() => {}
                Some([]) => p { "No probe saw the soil grow wetter in this time. Light rain hardly ever shows." },
                Some(rises) => {
                    @if rises.len() > RISES_SHOWN { p { "The newest " (RISES_SHOWN) " of " (rises.len()) " times at which the soil grew wetter:" } }
                    @else { p { "When the soil grew wetter, to the hour:" } }
                    ul {
                        @for rise in rises.iter().rev().take(RISES_SHOWN) {
                            li {
                                (labels::moment(rise.onset, view.now, &view.time_zone)) ", by " (labels::percent(rise.rise))
                                " of its volume: " strong { (cause(rise)) } ". " (shared::capital(&rise.why)) "."
                            }
                        }
                    }
                }
            }
            @if asked.span == Span::Month || asked.span == Span::Year {
                p { "Sums of a day run from midnight to midnight here; the page of the rain has rain days, 9 am to 9 am." }
            }
        }
    }
}

fn litres(mm: f64, bed: &Bed) -> String {
    format!("{:.0} L", mm * bed.area_m2)
}

fn mulch(plan: &Bed, bed: &BedView, log: &[&LogEntry], view: &SiteView) -> Markup {
    let laid = log.iter().rev().find_map(|entry| match entry.what {
        Seen::MulchLaid { depth_mm } if entry.at <= view.now => Some((entry.at, depth_mm)),
        _ => None,
    });
    html! {
        section {
            h2 { "Mulch" }
            @if let Some((at, depth_mm)) = laid {
                p { "Laid " (labels::moment(at, view.now, &view.time_zone)) ", " (format!("{depth_mm:.0}")) " mm deep." }
            }
            @if let Some(mulch) = plan.mulch {
                p {
                    "Planned: " (format!("{:.0}", mulch.depth_mm)) " mm deep"
                    @if let Some(day) = mulch.planned { ", on " (day.strftime("%A %-d %B %Y")) }
                    "."
                }
            }
            @if let Some(answer) = &bed.mulch { p { "May it go down? " (answer) } }
            @if laid.is_none() && plan.mulch.is_none() && bed.mulch.is_none() {
                p { "None is planned, and none has been written down." }
            } @else {
                p class="caution" { "Damp mulch down before you move it, wear gloves and a mask, and wash your hands: its dust can carry Legionella." }
            }
        }
    }
}
