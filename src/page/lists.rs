//! Lists: sensors, and topics that have no place yet.

use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{Markup, html};

use super::context::SitePage;
use super::layout::PageFrame;
use super::markup::stacked_table;
use super::problem::Problem;
use super::spark::{self, LineDays};
use super::wait::ask;
use super::{NotPlaced, PageSource, reasons};
use crate::garden::plan::{Battery, BatteryUnit, Garden};
use crate::garden::view::{SensorView, SiteView};
use crate::model::Id;
use crate::store::RefusedTopic;
use crate::text::labels;

/// Characters of a topic and of a payload that are shown.
const TOPIC_SHOWN: usize = 200;
const PAYLOAD_SHOWN: usize = 120;
/// Of a reason.
const REASON_SHOWN: usize = 300;

/// `/site/ID/sensors`: each sensor's month and last reading, and what is not placed yet.
pub(super) async fn sensors<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let topics = site.context.not_placed(&site.view).await?;
    let refused = site.context.refused(&site.view.id).await?;
    let months = sensor_months(&site).await?;
    let garden = site.garden().ok().map(Arc::as_ref);
    Ok(sensors_page(&site.frame("/sensors"), garden, &site.view, &months, &topics, &refused))
}

/// Each sensor's last month, as it is drawn, in the order of the view.
async fn sensor_months<V: PageSource>(site: &SitePage<V>) -> Result<Vec<Markup>, Problem> {
    let view = &site.view;
    if site.garden().is_err() {
        return Ok(Vec::new());
    }
    let days = LineDays::until(view.now, &view.time_zone);
    let bins = ask(site.context.days.of(&site.context.record, view, site.context.moment())).await?;
    Ok(view
        .sensors
        .iter()
        .zip(bins.iter())
        .map(|(it, bins)| spark::month(it.measures, bins, &days))
        .collect())
}

/// What each sensor said last, and what speaks and has no sensor yet.
fn sensors_page(
    frame: &PageFrame,
    garden: Option<&Garden>,
    view: &SiteView,
    months: &[Markup],
    topics: &[NotPlaced],
    refused: &[RefusedTopic],
) -> Markup {
    let body = html! {
        h1 { "Sensors" }
        p class="as-of" { (labels::full_moment(view.now, &view.time_zone)) }
        (to_look_at(view))
        (sensors_table(garden, view, months))
        (refused_table(refused, view))
        (topics_table(topics, view.now, &view.time_zone, Some(&view.id)))
        @if topics.is_empty() { p { "Every topic that sends readings has a sensor in the garden's file." } }
    };
    frame.page(&format!("Sensors, {}", view.name), &body)
}

/// What is wrong with sensors, and what to do about each.
fn to_look_at(view: &SiteView) -> Markup {
    let wrong: Vec<_> = view.sensors.iter().filter_map(|it| Some((it, advice(it)?))).collect();
    html! {
        @if !view.sensors.is_empty() {
            section {
                h2 { "Check these" }
                @if view.sensors.len() > 1 && view.sensors.iter().all(|it| it.last_at.is_none()) {
                    p { strong { "No sensor has sent a reading yet." } " Check that each is switched on. Check that the garden's file names "
                        "the topic that it sends to. " a href={ "/site/" (view.id) "/placing" } { "Where to put sensors" } }
                } @else if wrong.is_empty() { p { "All sensors send readings, and none is known to be wrong." } }
                @else {
                    ul {
                        @for (sensor, advice) in wrong {
                            li {
                                strong { (sensor.place_name) ": " (labels::quantity(sensor.measures)) ". " }
                                (advice)
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The usual steps with a sensor in the field: common practice, without a source.
fn advice(sensor: &SensorView) -> Option<&'static str> {
    if sensor.last_at.is_none() {
        return Some(
            "No reading has ever come. Check that it is switched on. Check that the garden's file names the topic that \
             it sends to.",
        );
    }
    if sensor.silent {
        return Some(
            "No fresh reading. Check its battery and its aerial. If others are silent too, check the gateway first.",
        );
    }
    if sensor.faulty {
        return Some(
            "It reads wrong, so Trug ignores it for now. Check that it sits firmly and that its lead is whole. Then \
             compare it with another instrument.",
        );
    }
    sensor.battery_low.then_some("Its battery is low. Change it soon.")
}

fn sensors_table(garden: Option<&Garden>, view: &SiteView, months: &[Markup]) -> Markup {
    const COLUMNS: [&str; 4] = ["Sensor", "Last reading", "The last month", "Quality"];
    let rows =
        view.sensors.iter().enumerate().map(|(number, sensor)| {
            sensor_cells(sensor, months.get(number), battery_of(garden, sensor), view)
        });
    html! {
        section {
            h2 { "Each sensor" }
            @if view.sensors.is_empty() {
                p { "This garden has no sensors in its file." }
            } @else {
                (stacked_table(None, &COLUMNS, rows))
                p class="standing" { "The last month: from the lowest to the highest reading of each day; of rain and of water, the sum of each day. Slanting strokes: days without readings." }
            }
        }
    }
}

/// What the garden's file says of a sensor's battery.
fn battery_of(garden: Option<&Garden>, sensor: &SensorView) -> Option<Battery> {
    garden?.sensors.iter().find(|it| it.id == sensor.id)?.battery.as_deref().copied()
}

fn sensor_cells(
    sensor: &SensorView,
    month: Option<&Markup>,
    battery: Option<Battery>,
    view: &SiteView,
) -> [Markup; 4] {
    [
        html! { (sensor.place_name) ": " (labels::quantity(sensor.measures)) " " code { (sensor.id) } },
        html! {
            @match sensor.last_at {
                Some(at) => {
                    (sensor.last_value.map_or_else(|| "no value".to_owned(), |value| labels::value(sensor.measures, value)))
                    ", " (spark::age(at, view.now)) " (" (labels::moment(at, view.now, &view.time_zone)) ")"
                }
                None => "none yet",
            }
            (reasons::why(&sensor.why))
        },
        html! { @if let Some(month) = month { (month) } },
        html! {
            (quality(sensor))
            @if let Some(reported) = sensor.battery {
                ". " (battery_words(reported, battery)) @if sensor.battery_low { " " strong { "(low)" } }
            }
        },
    ]
}

/// "Battery 3.6 V, change it below 3.4 V".
fn battery_words(reported: f64, battery: Option<Battery>) -> String {
    let figure = |value: f64| match battery.and_then(|it| it.unit) {
        None => labels::battery(value),
        Some(unit @ BatteryUnit::Volts) => labels::battery(value) + unit.shown(),
        Some(unit @ (BatteryUnit::Millivolts | BatteryUnit::Percent)) => {
            labels::with_unit(value, 0, unit.shown())
        }
    };
    match battery {
        Some(it) => format!("Battery {}, change it below {}", figure(reported), figure(it.low)),
        None => format!("Battery {}", figure(reported)),
    }
}

/// The quality of a sensor's last reading, and whether the sensor is silent or faulty.
pub(super) fn quality(sensor: &SensorView) -> Markup {
    html! {
        (sensor.last_flag.map_or(labels::NOT_KNOWN, labels::flag))
        @if sensor.silent { " " strong class="silent" { "No fresh reading" } }
        @if sensor.faulty { " " strong class="silent" { "Reads wrong" } }
    }
}

/// Bytes of a topic, as an address has it, that the form for a new sensor takes.
const ADDRESS_MAX: usize = 2000;

/// The address of the form that makes the lines of a topic's sensor.
fn new_sensor_address(site: &Id, topic: &str) -> Option<String> {
    let topic: String = url::form_urlencoded::byte_serialize(topic.as_bytes()).collect();
    (topic.len() <= ADDRESS_MAX).then(|| format!("/site/{site}/new-sensor?topic={topic}"))
}

/// Topics that send readings and that no sensor names; nothing where there are none. On a
/// site's own page each leads to the form that makes its lines.
pub(super) fn topics_table(
    topics: &[NotPlaced],
    now: Timestamp,
    zone: &TimeZone,
    site: Option<&Id>,
) -> Markup {
    let cells = |topic: &NotPlaced| {
        [
            html! {
                code { bdi { (labels::shown(&topic.topic, TOPIC_SHOWN)) } }
                @if let Some(to) = site.and_then(|site| new_sensor_address(site, &topic.topic)) {
                    br; a href=(to) { "Make its lines" }
                }
            },
            html! { code { bdi { (payload(&topic.payload)) } } },
            html! { (topic.count) },
            labels::moment(topic.last, now, zone),
        ]
    };
    html! {
        @if !topics.is_empty() {
            section {
                h2 { "Not placed yet" }
                p { "Messages come on these topics, but no sensor in the garden's file names them. "
                    "A new sensor shows up here first. Say where it is, and this page makes the lines for the garden's file. "
                    "A topic that nobody knows may be somebody else's." }
                (stacked_table(None, &["Topic", "Last message", "Messages", "Last one"], topics.iter().map(cells)))
            }
        }
    }
}

/// Messages that came and could not be taken, with the reason; nothing where there are none.
fn refused_table(refused: &[RefusedTopic], view: &SiteView) -> Markup {
    let cells = |it: &RefusedTopic| {
        [
            html! { code { bdi { (labels::shown(&it.topic, TOPIC_SHOWN)) } } },
            html! { bdi { (labels::shown(&it.reason, REASON_SHOWN)) } },
            html! { code { bdi { (payload(&it.payload)) } } },
            html! { (it.messages) },
            labels::moment(it.last, view.now, &view.time_zone),
        ]
    };
    html! {
        @if !refused.is_empty() {
            section {
                h2 { "Refused in the last week" }
                p { "Trug could not read these messages, so their readings are missing. The reason is that of the last "
                    "one. Mend the device, or the sensor's payload in the garden's file. Then check the file with "
                    "\"trug check\"." }
                (stacked_table(
                    None,
                    &["Topic", "Why", "Last message", "Messages", "Last one"],
                    refused.iter().map(cells)
                ))
            }
        }
    }
}

fn payload(bytes: &[u8]) -> String {
    if bytes.is_empty() {
        return "(empty)".to_owned();
    }
    labels::shown(&String::from_utf8_lossy(bytes), PAYLOAD_SHOWN)
}
