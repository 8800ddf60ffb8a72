//! What the pages of places share: the spans, the ways on, alarms and the log.

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};

use super::events::entry_words;
use super::series::SensorSeries;
use super::span::{RejectedParameter, ShownSpan, SpanLength};
use crate::garden::plan::Sensor;
use crate::garden::view::{AlarmView, SiteView};
use crate::model::{Condition, Id};
use crate::page::alarm_card::urgency;
use crate::page::layout::PageFrame;
use crate::page::lists::quality;
use crate::page::markup::stacked_table;
use crate::page::places;
use crate::store::LogRow;
use crate::text::labels;
use crate::text::spoken::counted;

/// Entries of the log that a page lists.
const ENTRIES_SHOWN: usize = 8;
/// Characters of a part of an address that are shown.
const GIVEN_SHOWN: usize = 60;

/// Says which parameter of the address is not accepted, and what is.
pub(super) fn rejected(frame: &PageFrame, rejected: &RejectedParameter) -> Response {
    let body = html! {
        h1 { "That cannot be shown" }
        p {
            "The address says " code { (rejected.name) "=" bdi { (labels::shown(&rejected.given, GIVEN_SHOWN)) } }
            ". Accepted is " (rejected.accepted) "."
        }
        p { a href=(frame.path) { "To the last seven days" } }
    };
    (StatusCode::BAD_REQUEST, frame.still("That cannot be shown", &body)).into_response()
}

/// The page: kept fresh while the present is on it.
pub(super) fn whole(frame: &PageFrame, shown: &ShownSpan, title: &str, body: &Markup) -> Markup {
    if shown.holds_now() { frame.page(title, body) } else { frame.still(title, body) }
}

/// The name of the place, what is shown, and how it stands.
pub(super) fn head(name: &str, view: &SiteView, state: Option<(Condition, &str)>) -> Markup {
    html! {
        h1 { (name) }
        p class="as-of" { "As the garden stood " (labels::full_moment(view.now, &view.time_zone)) }
        @if let Some((condition, said)) = state {
            p class="condition" { (places::shape(condition)) (labels::condition(condition)) }
            @if !said.is_empty() { p { (said) } }
        }
    }
}

/// What there is to do at a place.
pub(super) fn to_do(name: &str, view: &SiteView) -> Markup {
    let jobs: Vec<_> = view.to_do.iter().filter(|job| job.place == name).collect();
    html! {
        @if !jobs.is_empty() {
            section class="to-do" {
                h2 { "What to do" }
                ol { @for job in jobs { li { (urgency(job.priority)) p { (job.text) } } } }
            }
        }
    }
}

/// The ways to other stretches of time. `more` is a part of the query that stays.
pub(super) fn spans(shown: &ShownSpan, path: &str, more: &str) -> Markup {
    let to = |span: SpanLength, last: jiff::civil::Date| {
        if last == shown.today {
            format!("{path}?span={}{more}", span.name())
        } else {
            format!("{path}?span={}&to={last}{more}", span.name())
        }
    };
    html! {
        nav class="spans" aria-label="Time shown" {
            ul {
                @for span in SpanLength::ALL {
                    li { a href=(to(span, shown.last)) aria-current=[(span == shown.length).then_some("true")] {
                        (crate::text::spoken::capital(span.name()))
                    } }
                }
            }
            ul {
                @if let Some(last) = shown.earlier() {
                    li { a href=(to(shown.length, last)) rel="prev" { "Earlier" } }
                }
                @if let Some(last) = shown.later() {
                    li { a href=(to(shown.length, last)) rel="next" { "Later" } }
                    li { a href=(to(shown.length, shown.today)) { "To today" } }
                }
            }
        }
        h2 class="span-shown" { (shown.words()) }
    }
}

/// Said in place of a chart without readings.
pub(super) fn nothing_heard(shown: &ShownSpan, first: Option<Timestamp>, path: &str) -> Markup {
    let Some(first) = first else {
        return html! { p class="nothing" { "Nothing has been recorded here yet." } };
    };
    let day = shown.zone.to_datetime(first).date();
    let said = if shown.to <= first {
        "That is before the first reading."
    } else {
        "Nothing was recorded in this time."
    };
    html! {
        p class="nothing" {
            (said) " The first reading here is of "
            a href={ (path) "?span=" (shown.length.name()) "&to=" (day) } { (day.strftime("%-d %B %Y")) } "."
        }
    }
}

/// The alarms of a place and its sensors that are not over.
pub(super) fn alarms(view: &SiteView, ids: &[&Id]) -> Markup {
    let mut alarms: Vec<&AlarmView> =
        view.alarms.iter().filter(|alarm| ids.contains(&&alarm.record.key.place)).collect();
    alarms.sort_by_key(|alarm| (!alarm.record.state.is_active(), std::cmp::Reverse(alarm.priority)));
    html! {
        section {
            h2 { "Alarms" }
            @if alarms.is_empty() { p { "No alarm is open here." } }
            @for alarm in alarms {
                @let record = &alarm.record;
                article class="alarm" {
                    h3 { (alarm.place_name) ": " (labels::kind(record.key.kind)) }
                    p class="standing" {
                        @if record.state.is_active() { (urgency(alarm.priority)) " " }
                        "Since " (labels::moment(record.since, view.now, &view.time_zone)) ". "
                        (labels::state(record.state))
                    }
                    p { (record.said.text) }
                }
            }
            p { a href={ "/site/" (view.id) "/alarms" } { "All alarms, and answering them" } }
        }
    }
}

/// The last entries of the log of a place; `entries` in order of time.
pub(super) fn log(entries: &[&LogRow], view: &SiteView, place: &Id) -> Markup {
    html! {
        section {
            h2 { "Written down" }
            @if entries.is_empty() {
                p { "Nothing has been written down here yet." }
            } @else {
                ul class="log" {
                    @for row in entries.iter().rev().take(ENTRIES_SHOWN) {
                        li {
                            (labels::moment(row.entry.at, view.now, &view.time_zone)) ": " (entry_words(row))
                        }
                    }
                }
                @if entries.len() > ENTRIES_SHOWN {
                    p { "These are the newest of " (entries.len()) "." }
                }
            }
            p { a href=(write_address(view, place)) { "Write something down" } }
        }
    }
}

/// The form for entries of a place.
pub(super) fn write_address(view: &SiteView, place: &Id) -> String {
    format!("/site/{}/write?place={place}", view.id)
}

/// The sensors of a place: sensor, name, and what was heard of it in the time shown.
pub(super) fn sensors<'a>(
    title: &str,
    all: impl Iterator<Item = (&'a Sensor, String, &'a SensorSeries)>,
    view: &SiteView,
) -> Markup {
    const COLUMNS: [&str; 4] = ["Sensor", "Last reading", "Quality", "Readings shown"];
    let mut rows = all.map(|(sensor, name, series)| sensor_cells(sensor, &name, series, view)).peekable();
    html! { @if rows.peek().is_some() { section { h2 { (title) } (stacked_table(None, &COLUMNS, rows)) } } }
}

/// One sensor of a place.
fn sensor_cells(sensor: &Sensor, name: &str, series: &SensorSeries, view: &SiteView) -> [Markup; 4] {
    let last = view.sensors.iter().find(|it| it.id == sensor.id);
    let [readings, good, suspect, bad] = series.counts();
    [
        html! { (labels::quantity(sensor.measures)) ", " (name) " " code { (sensor.id) } },
        html! {
            @match last.and_then(|it| Some((it.last_value?, it.last_at?))) {
                Some((value, at)) => { (labels::value(sensor.measures, value)) ", " (labels::moment(at, view.now, &view.time_zone)) }
                None => "none",
            }
        },
        html! { @if let Some(last) = last { (quality(last)) } @else { (labels::NOT_KNOWN) } },
        html! {
            @if readings == 0 { "none in this time" } @else {
                (counted(readings as usize, "reading", "readings")) ": " (good) " good"
                @if suspect > 0 { ", " (suspect) " doubtful" }
                @if bad > 0 { ", " (bad) " bad" }
            }
        },
    ]
}

/// The ways from a place's page.
pub(super) fn ways_on(view: &SiteView, shown: &ShownSpan) -> Markup {
    let month = format!("{:04}-{:02}", shown.last.year(), shown.last.month());
    html! {
        p class="ways-on" {
            a href={ "/site/" (view.id) } { "Today" } " · "
            a href={ "/site/" (view.id) "/month/" (month) } { "Class month " (shown.last.strftime("%B %Y")) }
        }
    }
}
