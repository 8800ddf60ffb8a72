//! The page of a tank.

use axum::response;
use jiff::SignedDuration;
use maud::{Markup, html};

use super::guide::{self, GuideInput};
use super::months_beside::{ComparedFigure, MonthPart, MonthsBeside, earlier_days};
use super::reader::PlaceReader;
use super::shared;
use super::span::{ShownSpan, SpanLength, chosen_panels};
use super::tank_chart::{Changes, PANELS, TankRecord};
use crate::garden::plan::Sensor;
use crate::garden::view::SiteView;
use crate::history::{Bin, BinWidth};
use crate::model::{Id, Place, Quantity};
use crate::page::context::SitePage;
use crate::page::older::PAGE_WAIT;
use crate::page::problem::Problem;
use crate::page::wait::ask;
use crate::page::{PageSource, answered_by, care, places, reasons};
use crate::text::cautions::{CHEMICALS, ELECTRICITY, FISH, FOOD, LIFTING, SMALL_CHILDREN};
use crate::text::spoken;

/// Readings of two days that are read to see how fast the water changed: one every ten
/// seconds.
const POINTS_MAX: usize = 17_280;
/// How long before the span readings are needed for the change within a day.
const DAY: SignedDuration = SignedDuration::from_hours(24);

/// `/site/ID/tank/TANK`. Each read is beside what it is for, and the page is laid out below.
pub(in crate::page) async fn tank<V: PageSource>(site: SitePage<V>) -> response::Result<Markup> {
    let (view, garden, query) = (&site.view, site.garden()?, site.fields());
    let id = site.names.first().ok_or(Problem::NotFound)?;
    let index = garden.tanks.iter().position(|tank| tank.id.as_str() == id).ok_or(Problem::NotFound)?;
    let plan = &garden.tanks[index];
    let present = view.tanks.iter().find(|tank| tank.id == plan.id).ok_or(Problem::NotFound)?;
    let frame = site.frame(&format!("/tank/{id}"));
    let shown = ShownSpan::read(&query, view).map_err(|it| shared::rejected(&frame, &it))?;
    let given = GuideInput::read(&query).map_err(|it| shared::rejected(&frame, &it))?;
    let chosen = chosen_panels(&query, &PANELS).map_err(|it| shared::rejected(&frame, &it))?;
    let (choice, kept) = shared::panel_choice(&shown, &frame.path, chosen);
    let reader = PlaceReader { record: &site.context.record, site: view.id.as_str(), shown: &shown };

    let here = |it: &&Sensor| matches!(it.place, Place::Tank(tank) if usize::from(tank) == index);
    let own: Vec<&Sensor> = garden.sensors.iter().filter(here).collect();
    let older = reader.older(&own, PAGE_WAIT).await?;
    let reader = reader.with(older.as_ref());
    let sensors = own.iter().copied().zip(reader.series_of(&own).await?).collect();
    let mut changed = Vec::new();
    for sensor in &own {
        if sensor.measures == Quantity::WaterTemperature && shown.length != SpanLength::Year {
            changed.push((*sensor, changes(reader, sensor).await?));
        }
    }
    let events = reader.events().await?;
    let only_daily = reader.only_daily_before().await?;
    let ids: Vec<&Id> = std::iter::once(&plan.id).chain(own.iter().map(|it| &it.id)).collect();
    let tank = TankRecord {
        plan,
        sensors,
        changes: changed,
        log: events.entries(&plan.id, false),
        marks: events.log_marks(&plan.id, &ids[1..], &shown),
        alarms: events.alarm_marks(&ids, garden, &shown),
    };
    let arriving = guide::fish_today(&tank.log, &shown);
    let open = arriving || given.asks();
    let answer = if given.asks() || (arriving && shown.holds_now()) {
        ask(site.context.views.acclimatise(reader.site, id, given.bag, given.tank)).await?
    } else {
        None
    };
    let silent = tank.sensors.iter().all(|(_, series)| series.is_empty());
    let first = if silent { reader.first_reading(&own).await? } else { None };

    let answered = answered_by::answered(&site.context, view).await;
    let beside = if shown.length == SpanLength::Year { months_beside(reader, &tank).await? } else { None };

    let chart = tank.chart(&shown, choice);
    let write = shared::write_address(view, &plan.id);
    let guide = guide::section(&given, answer.as_ref(), open, &shown, &frame.path, &write);
    let body = html! {
        (shared::head(&plan.name, view, Some(shared::state(present.condition, &present.words, view, &ids))))
        (shared::to_do(&frame, view, garden, &answered, &ids))
        @if let Some(drawing) = places::tank_band(present).draw(&view.local) { (drawing) }
        dl class="present" { (places::tank_items(present)) }
        @if open { (guide) }
        (shared::spans(&shown, &frame.path, &kept))
        @if own.is_empty() {
            p { "There is no sensor in this tank. Only water tests tell how its water is." }
        } @else if silent {
            (shared::nothing_heard(&shown, first, only_daily, &frame.path))
        }
        (shared::only_daily(&shown, only_daily, older.as_ref(), &frame.path))
        @if let Some(chart) = &chart { (chart.draw()) (chart.table()) }
        @match &beside {
            Some(beside) => (beside.draw()),
            None if shown.length == SpanLength::Year => {}
            None => p { a href={ (frame.path) "?span=year" } { "The last year, and this month beside others" } }
        }
        @if only_daily.is_none() || shown.length == SpanLength::Year { (not_known(&tank, &shown)) }
        (shared::sensors(
            "Sensors in this tank",
            tank.sensors.iter().map(|(it, series)| (*it, plan.name.clone(), series)),
            view,
        ))
        (reasons::figures(&present.figures))
        @if !open { (guide) }
        (shared::log(&tank.log, view, &plan.id))
        (shared::alarms(view, &ids))
        (cautions(view))
        (shared::ways_on(view, &shown))
    };
    Ok(shared::whole(&frame, &shown, &format!("{} at {}", plan.name, view.name), &body))
}

/// How fast a thermometer's water changed: by single readings of a day, by the means of
/// hours else.
async fn changes(reader: PlaceReader<'_>, sensor: &Sensor) -> Result<Changes, Problem> {
    let PlaceReader { record, site, shown } = reader;
    let from = shown.from.checked_sub(DAY).unwrap_or(shown.from);
    let id = sensor.id.as_str();
    if shown.length == SpanLength::Day {
        let points = ask(record.points(site, id, from, shown.to, POINTS_MAX)).await?;
        return Ok(Changes::of_points(&points, shown.from));
    }
    let bins = ask(record.bins(site, id, from, shown.to, BinWidth::Hour)).await?;
    Ok(Changes::of_hours(&bins, shown.from))
}

/// The month of the tank's first thermometer beside others; `None` where there is none.
async fn months_beside(
    reader: PlaceReader<'_>,
    tank: &TankRecord<'_>,
) -> Result<Option<MonthsBeside>, Problem> {
    const WARMTH: ComparedFigure = ComparedFigure {
        title: "Temperature of the water",
        said: "the water was {} on average",
        unit: " °C",
        words: ["warmer", "colder", "as warm as"],
    };
    let Some((sensor, series)) = tank.of(Quantity::WaterTemperature).next() else { return Ok(None) };
    let part = MonthPart::of(reader.shown);
    let mean = |bin: &Bin| Some((reader.shown.zone.to_datetime(bin.start).date(), bin.mean()?));
    let earlier = earlier_days(reader, &[sensor], part).await?;
    let days = earlier.iter().flatten().flatten().chain(&series.bins).filter_map(mean).collect();
    Ok(Some(MonthsBeside::of(WARMTH, &days, part)))
}

/// What nobody measured in this time.
fn not_known(tank: &TankRecord<'_>, shown: &ShownSpan) -> Markup {
    let known = [
        ("oxygen", tank.is_known(Quantity::DissolvedOxygen, shown, |test| test.oxygen_mg_l)),
        ("pH", tank.is_known(Quantity::Ph, shown, |test| test.ph)),
        ("ammonia", !tank.tests(shown, |test| test.ammonia_mg_l).is_empty()),
    ];
    let missing: Vec<String> =
        known.iter().filter(|(_, known)| !known).map(|(name, _)| (*name).to_owned()).collect();
    html! {
        @if !missing.is_empty() {
            p class="nothing" {
                "Not known in this time: " (spoken::list(&missing)) ". No sensor and no water test tells it."
            }
        }
    }
}

/// The usual cautions, common practice in fish keeping.
fn cautions(view: &SiteView) -> Markup {
    html! {
        div class="caution" {
            ul {
                li { "Sensors can be wrong: look at the fish before you act." }
                li { "Keep plugs and leads dry and above the water, on a safety switch. Unplug pumps and heaters before a hand goes in." }
                li { "Keep a lid on: small children can drown in shallow water." }
                li { "Change the water a little at a time, at nearly its temperature." }
                li { "Treat tap water against chlorine and chloramine first: letting it stand does not remove chloramine." }
            }
        }
        (care::ways(&view.id, &[&FISH, &ELECTRICITY, &SMALL_CHILDREN, &CHEMICALS, &LIFTING, &FOOD]))
    }
}
