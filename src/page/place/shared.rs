//! What the pages of places share: the spans, the ways on, alarms and the log.

use std::sync::Arc;

use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};

use super::asked::{Asked, Span, Wrong};
use super::series::Heard;
use crate::garden::plan::{Garden, Sensor};
use crate::garden::view::{AlarmView, SiteView};
use crate::model::Condition;
use crate::model::Id;
use crate::page::access::Visitor;
use crate::page::errors::Problem;
use crate::page::layout::Frame;
use crate::page::routes::{Desk, frame, view};
use crate::page::{Record, Unavailable, Views, places, today};
use crate::store::LogRow;
use crate::text::labels;

/// Entries of the log that a page lists.
const ENTRIES_SHOWN: usize = 8;
/// Characters of a note that are shown.
const NOTE_SHOWN: usize = 160;
/// Characters of a part of an address that are shown.
const GIVEN_SHOWN: usize = 60;

/// Who came to which place of a garden.
pub(super) struct Came<'a> {
    pub(super) view: SiteView,
    pub(super) garden: Arc<Garden>,
    /// The place's id, as the address has it.
    pub(super) id: String,
    pub(super) path: String,
    pub(super) query: String,
    pub(super) frame: Frame<'a>,
}

/// Finds the garden of `/site/ID/KIND/PLACE`.
pub(super) async fn came<'a, V: Views>(
    desk: &'a Desk<V>,
    visitor: Visitor,
    kind: &str,
    path: Result<Path<(String, String)>, PathRejection>,
    query: Option<String>,
) -> Result<Came<'a>, Problem> {
    let Ok(Path((site, id))) = path else { return Err(Problem::NotFound) };
    let view = view(desk, Ok(Path(site))).await?;
    let garden = Arc::clone(desk.page.record.garden(view.id.as_str()).ok_or(Problem::NotFound)?);
    let path = format!("/site/{}/{kind}/{id}", view.id);
    let query = query.unwrap_or_default();
    let frame = frame(desk, visitor, Some(&query), &path).of_site(&view);
    Ok(Came { view, garden, id, path, query, frame })
}

/// Says which part of the address is not taken, and what is.
pub(super) fn wrong(frame: &Frame<'_>, wrong: &Wrong, path: &str) -> Response {
    let body = html! {
        h1 { "That cannot be shown" }
        p {
            "The address says " code { (wrong.name) "=" bdi { (labels::shown(&wrong.given, GIVEN_SHOWN)) } }
            ". Accepted is " (wrong.accepted) "."
        }
        p { a href=(path) { "To the last seven days" } }
    };
    (StatusCode::BAD_REQUEST, frame.still("That cannot be shown", &body)).into_response()
}

/// The page: kept fresh while the present is on it.
pub(super) fn whole(frame: &Frame<'_>, asked: &Asked, title: &str, body: &Markup) -> Response {
    let page = if asked.holds_now() { frame.page(title, body) } else { frame.still(title, body) };
    page.into_response()
}

/// The name of the place, what is shown, and how it stands.
pub(super) fn head(name: &str, view: &SiteView, standing: Option<(Condition, &str)>) -> Markup {
    html! {
        h1 { (name) }
        p class="as-of" { "As the garden stood " (labels::full_moment(view.now, &view.time_zone)) }
        @if let Some((condition, said)) = standing {
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
                ol { @for job in jobs { li { (today::urgency(job.priority)) p { (job.text) } } } }
            }
        }
    }
}

/// The ways to other stretches of time. `more` is a part of the query that stays.
pub(super) fn spans(asked: &Asked, path: &str, more: &str) -> Markup {
    let to = |span: Span, last: jiff::civil::Date| {
        if last == asked.today {
            format!("{path}?span={}{more}", span.name())
        } else {
            format!("{path}?span={}&to={last}{more}", span.name())
        }
    };
    html! {
        nav class="spans" aria-label="Time shown" {
            ul {
                @for span in Span::ALL {
                    li { a href=(to(span, asked.last)) aria-current=[(span == asked.span).then_some("true")] {
                        (capital(span.name()))
                    } }
                }
            }
            ul {
                @if let Some(last) = asked.earlier() {
                    li { a href=(to(asked.span, last)) rel="prev" { "Earlier" } }
                }
                @if let Some(last) = asked.later() {
                    li { a href=(to(asked.span, last)) rel="next" { "Later" } }
                    li { a href=(to(asked.span, asked.today)) { "To today" } }
                }
            }
        }
        h2 class="span-shown" { (asked.words()) }
    }
}

/// Said in place of a chart without readings.
pub(super) fn nothing_heard(asked: &Asked, first: Option<Timestamp>, path: &str) -> Markup {
    let Some(first) = first else {
        return html! { p class="nothing" { "Nothing has been recorded here yet." } };
    };
    let day = asked.zone.to_datetime(first).date();
    let said = if asked.to <= first {
        "That is before the first reading."
    } else {
        "Nothing was recorded in this time."
    };
    html! {
        p class="nothing" {
            (said) " The first reading here is of "
            a href={ (path) "?span=" (asked.span.name()) "&to=" (day) } { (day.strftime("%-d %B %Y")) } "."
        }
    }
}

/// When any of some sensors was first heard.
pub(super) async fn first_heard(
    record: &Record,
    site: &str,
    sensors: &[&Sensor],
    now: Timestamp,
) -> Result<Option<Timestamp>, Unavailable> {
    let (site, ids) =
        (site.to_owned(), sensors.iter().map(|it| it.id.as_str().to_owned()).collect::<Vec<_>>());
    record.read("the first reading", move |reader| reader.first_heard(&site, &ids, now)).await
}

/// The alarms of a place and its sensors that are not over.
pub(super) fn alarms(view: &SiteView, ids: &[&Id]) -> Markup {
    let mut alarms: Vec<&AlarmView> =
        view.alarms.iter().filter(|alarm| ids.contains(&&alarm.place)).collect();
    alarms.sort_by_key(|alarm| (!alarm.state.is_active(), std::cmp::Reverse(alarm.priority)));
    html! {
        section {
            h2 { "Alarms" }
            @if alarms.is_empty() { p { "No alarm is open here." } }
            @for alarm in alarms {
                article class="alarm" {
                    h3 { (alarm.place_name) ": " (labels::kind(alarm.kind)) }
                    p class="standing" {
                        @if alarm.state.is_active() { (today::urgency(alarm.priority)) " " }
                        "Since " (labels::moment(alarm.since, view.now, &view.time_zone)) ". "
                        (labels::state(alarm.state))
                    }
                    p { (alarm.text) }
                }
            }
            p { a href={ "/site/" (view.id) "/alarms" } { "All alarms, and answering them" } }
        }
    }
}

/// The last entries of the log of a place; `entries` in order of time.
pub(super) fn log(entries: &[&LogRow], view: &SiteView, place: Option<&Id>) -> Markup {
    let write = match place {
        Some(place) => format!("/site/{}/write?place={place}", view.id),
        None => format!("/site/{}/write", view.id),
    };
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
            p { a href=(write) { "Write something down" } }
        }
    }
}

/// An entry of the log with its note.
pub(super) fn entry_words(row: &LogRow) -> String {
    let note = labels::shown(row.entry.note.trim(), NOTE_SHOWN);
    let what = labels::shown(&row.entry.what.words(), NOTE_SHOWN);
    match (row.entry.what == crate::garden::log::Seen::Note, note.is_empty()) {
        (_, true) => what,
        (true, false) => note,
        (false, false) => format!("{what} ({note})"),
    }
}

/// The sensors of a place: sensor, name, and what was heard of it in the time shown.
pub(super) fn sensors<'a>(
    title: &str,
    all: impl Iterator<Item = (&'a Sensor, String, &'a Heard)>,
    view: &SiteView,
) -> Markup {
    let mut all = all.peekable();
    html! {
        @if all.peek().is_some() {
            section {
                h2 { (title) }
                table class="stacks" {
                    thead {
                        tr {
                            th scope="col" { "Sensor" }
                            th scope="col" { "Last reading" }
                            th scope="col" { "Quality" }
                            th scope="col" { "Readings shown" }
                        }
                    }
                    tbody { @for (sensor, name, heard) in all { (sensor_row(sensor, &name, heard, view)) } }
                }
            }
        }
    }
}

/// One sensor of a place.
fn sensor_row(sensor: &Sensor, name: &str, heard: &Heard, view: &SiteView) -> Markup {
    let last = view.sensors.iter().find(|it| it.id == sensor.id);
    let [readings, good, suspect, bad] = heard.counts();
    html! {
        tr {
            th scope="row" { (labels::quantity(sensor.measures)) ", " (name) " " code { (sensor.id) } }
            td data-label="Last reading" {
                @match last.and_then(|it| Some((it.last_value?, it.last_at?))) {
                    Some((value, at)) => { (labels::value(sensor.measures, value)) ", " (labels::moment(at, view.now, &view.time_zone)) }
                    None => "none",
                }
            }
            td data-label="Quality" {
                (last.and_then(|it| it.last_flag).map_or(labels::NOT_KNOWN, labels::flag))
                @if last.is_some_and(|it| it.silent) { " " strong class="silent" { "Silent now" } }
                @if last.is_some_and(|it| it.faulty) { " " strong class="silent" { "Not to be believed" } }
            }
            td data-label="Readings shown" {
                @if readings == 0 { "none in this time" } @else {
                    (counted(readings, "reading", "readings")) ": " (good) " good"
                    @if suspect > 0 { ", " (suspect) " doubtful" }
                    @if bad > 0 { ", " (bad) " bad" }
                }
            }
        }
    }
}

/// The ways from a place's page.
pub(super) fn ways_on(view: &SiteView, asked: &Asked) -> Markup {
    let month = format!("{:04}-{:02}", asked.last.year(), asked.last.month());
    html! {
        p class="ways-on" {
            a href={ "/site/" (view.id) } { "Today" } " · "
            a href={ "/site/" (view.id) "/month/" (month) } { "Class month " (asked.last.strftime("%B %Y")) }
        }
    }
}

/// A word with its first letter large.
pub(super) fn capital(word: &str) -> String {
    let mut chars = word.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// "3 readings", "1 reading".
pub(super) fn counted(count: u32, one: &str, many: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {many}") }
}
