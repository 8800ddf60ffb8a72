//! What the pages of places share: the spans, the ways on, alarms and the log.

use std::sync::Arc;

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};

use super::events::entry_words;
use super::older::OlderShown;
use super::series::SensorSeries;
use super::span::{RejectedParameter, ShownSpan, SpanLength};
use crate::chart::PanelChoice;
use crate::garden::plan::{Garden, Sensor};
use crate::garden::view::SiteView;
use crate::model::{Condition, Id};
use crate::page::answered_by::AnsweredBy;
use crate::page::layout::PageFrame;
use crate::page::lists::quality;
use crate::page::markup::stacked_table;
use crate::page::places;
use crate::page::tasks::TaskList;
use crate::store::LogRow;
use crate::text::labels;
use crate::text::spoken;

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
        p { a href=(frame.path) { "The last seven days" } }
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
        p class="as-of" { (labels::full_moment(view.now, &view.time_zone)) }
        @if let Some((condition, said)) = state {
            p class="condition" { (places::shape(condition)) (labels::condition(condition)) }
            @if !said.is_empty() { p { (said) } }
        }
    }
}

/// How a place stands, without the words that an open alarm of it says below.
pub(super) fn state<'a>(
    condition: Condition,
    words: &'a str,
    view: &SiteView,
    ids: &[&Id],
) -> (Condition, &'a str) {
    let open =
        view.alarms.iter().any(|it| it.record.state.is_active() && ids.contains(&&it.record.key.place));
    (condition, if open { "" } else { words })
}

/// What there is to do at a place, its sensors among its ids, the first thing first.
pub(super) fn to_do(
    frame: &PageFrame,
    view: &SiteView,
    garden: &Arc<Garden>,
    answered: &[AnsweredBy],
    ids: &[&Id],
) -> Markup {
    let list =
        TaskList { frame, view, garden: Some(garden), answered, place: Some(ids), then: frame.path.clone() };
    list.draw(html! {})
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
            ul class="onward-in-time" {
                @if let Some(last) = shown.earlier() {
                    li { a href=(to(shown.length, last)) rel="prev" { "Earlier" } }
                }
                @if let Some(last) = shown.later() {
                    li { a href=(to(shown.length, last)) rel="next" { "Later" } }
                    li { a href=(to(shown.length, shown.today)) { "Today" } }
                }
            }
        }
        h2 class="span-shown" { (shown.words()) }
    }
}

/// Which panels of a chart a phone shows, and the part of the query that keeps them.
pub(super) fn panel_choice(
    shown: &ShownSpan,
    path: &str,
    chosen: Vec<&'static str>,
) -> (PanelChoice, String) {
    let kept = if chosen.is_empty() { String::new() } else { format!("&show={}", chosen.join(",")) };
    (PanelChoice { chosen, address: format!("{path}{}&show=", shown.query()) }, kept)
}

/// Said where single readings and hours of the time shown have gone into days' figures: of a
/// day, a week or a month nothing is drawn from before, but what the longer record
/// has.
pub(super) fn only_daily(
    shown: &ShownSpan,
    before: Option<Timestamp>,
    older: Option<&OlderShown>,
    path: &str,
) -> Markup {
    if let Some(older) = older {
        return older.words(shown, path);
    }
    let before = before.filter(|_| shown.length != SpanLength::Year);
    html! {
        @if let Some(before) = before {
            p class="nothing" {
                (spoken::only_daily(before, &shown.zone)) " The chart shows nothing of those days. "
                a href={ (path) "?span=year&to=" (shown.last) } { "A year" } " shows them day by day."
            }
        }
    }
}

/// Said in place of a chart without readings, where these are not `only_daily`.
pub(super) fn nothing_heard(
    shown: &ShownSpan,
    first: Option<Timestamp>,
    only_daily: Option<Timestamp>,
    path: &str,
) -> Markup {
    if only_daily.is_some_and(|before| shown.to <= before && shown.length != SpanLength::Year) {
        return html! {};
    }
    let Some(first) = first else {
        return html! { p class="nothing" { "There are no readings here yet." } };
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

/// The alarms of a place and its sensors that are paused, and the way to all.
pub(super) fn alarms(view: &SiteView, ids: &[&Id]) -> Markup {
    let here = view.alarms.iter().filter(|alarm| ids.contains(&&alarm.record.key.place));
    let paused = here.clone().filter(|alarm| alarm.record.state.is_hidden());
    html! {
        section {
            h2 { "Alarms" }
            @if here.clone().next().is_none() { p { "No alarm is open here." } }
            @for alarm in paused {
                p {
                    (alarm.place_name) ": " (labels::kind(alarm.record.key.kind)) ". " (labels::state(alarm.record.state))
                }
            }
            p { a href={ "/site/" (view.id) "/alarms" } { "All alarms" } }
        }
    }
}

/// The last entries of the log of a place; `entries` in order of time.
pub(super) fn log(entries: &[&LogRow], view: &SiteView, place: &Id) -> Markup {
    html! {
        section {
            h2 { "Garden log" }
            @if entries.is_empty() {
                p { "There is no entry yet." }
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
            p { a href=(write_address(view, place)) { "Add to the Garden log" } }
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
                (readings)
                @if readings == good { @if readings > 1 { ", all good" } @else { ", good" } } @else {
                    ": " (good) " good"
                    @if suspect > 0 { ", " (suspect) " doubtful" }
                    @if bad > 0 { ", " (bad) " bad" }
                }
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
