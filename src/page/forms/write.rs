//! `/site/ID/write`: writing down what was seen or done, as `trug log` does.
//!
//! Two steps, so that a thumb finds its way: what it was, then where, when and how much.
//! From a place's own page the place is known already (`?place=ID`).

use std::sync::Arc;

use axum::Extension;
use axum::body::Body;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::header::{HeaderValue, LOCATION};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};
use tracing::warn;

use super::Form;
use super::fields::{self, FieldFault, WHOLE, entry, local};
use crate::garden::log_entry::{self, About, EntryKind, KINDS, NOTE_MAX, Number};
use crate::garden::plan::Garden;
use crate::garden::plan::place_called;
use crate::garden::view::SiteView;
use crate::model::Id;
use crate::page::Views;
use crate::page::access::Visitor;
use crate::page::errors::Problem;
use crate::page::layout::Frame;
use crate::page::routes::{Desk, frame, view};
use crate::soil;
use crate::text::labels;

/// Characters of a form's own text.
const ONCE_MAX: usize = 64;

/// One garden's form.
struct Sheet<'a> {
    frame: &'a Frame<'a>,
    garden: &'a Garden,
    now: Timestamp,
    /// A text that comes once.
    once: String,
}

pub(in crate::page) async fn ask<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    Extension(visitor): Extension<Visitor>,
    id: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let (view, garden, now) = garden(&desk, id).await?;
    let query = Form::of(query.unwrap_or_default().as_bytes());
    let frame = frame(&desk, visitor, None, &format!("/site/{}/write", view.id)).of_site(&view);
    let sheet = Sheet { frame: &frame, garden: &garden, now, once: desk.gate.once() };
    if !frame.visitor.may_change {
        return Ok(sheet.closed().into_response());
    }
    if query.text("kind").is_empty() {
        return Ok(sheet.kinds(query.text("place")).into_response());
    }
    let kind = log_entry::kind(query.text("kind")).ok_or(Problem::NotFound)?;
    let offered = Form(vec![
        ("place".to_owned(), query.text("place").to_owned()),
        ("at".to_owned(), local(now, &garden.site.time_zone)),
        ("offered".to_owned(), now.to_string()),
    ]);
    Ok(sheet.form(kind, &offered, &[]).into_response())
}

pub(in crate::page) async fn take<V: Views>(
    State(desk): State<Arc<Desk<V>>>,
    Extension(visitor): Extension<Visitor>,
    id: Result<Path<String>, PathRejection>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    let form = Form::read(&headers, body).await?;
    desk.gate.allows(&visitor, &form)?;
    let (view, garden, now) = garden(&desk, id).await?;
    let kind = log_entry::kind(form.text("kind")).ok_or(Problem::NotFound)?;
    let once = form.text("once").to_owned();
    if once.is_empty() || once.len() > ONCE_MAX {
        return Err(Problem::FormOutdated);
    }
    let frame = frame(&desk, visitor, None, &format!("/site/{}/write", view.id)).of_site(&view);
    // One after the other, so that a form that comes twice at once is seen.
    let mut taken = desk.written.0.lock().await;
    if let Some(to) = taken.led_to(&once) {
        return Ok(go(to));
    }
    let sheet = Sheet { frame: &frame, garden: &garden, now, once: once.clone() };
    let entry = match entry(kind, &form, &garden, now) {
        Ok(entry) => entry,
        Err(faults) => {
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, sheet.form(kind, &form, &faults)).into_response());
        }
    };
    let to = address(&garden, entry.place.as_ref());
    let said = said(&garden, &entry);
    if let Err(fault) = desk.page.record.write_log(entry, desk.page.views.now()).await {
        warn!("an entry of the log could not be written: {fault}");
        let words = "Trug could not write it down just now. Try again in a minute; nothing that you filled in is lost.";
        let faults = [FieldFault { field: "send".to_owned(), words: words.to_owned() }];
        return Ok((StatusCode::SERVICE_UNAVAILABLE, sheet.form(kind, &form, &faults)).into_response());
    }
    taken.add(once, to.clone());
    drop(taken);
    desk.gate.say(&headers, said);
    Ok(go(&to))
}

/// The site as it stands, its garden, and the garden's present.
async fn garden<V: Views>(
    desk: &Desk<V>,
    id: Result<Path<String>, PathRejection>,
) -> Result<(SiteView, Arc<Garden>, Timestamp), Problem> {
    let view = view(desk, id).await?;
    let garden = Arc::clone(desk.page.record.garden(view.id.as_str()).ok_or(Problem::NotFound)?);
    let now = labels::garden_now(view.now, desk.page.views.now());
    Ok((view, garden, now))
}

pub(in crate::page) fn go(to: &str) -> Response {
    let mut response = StatusCode::SEE_OTHER.into_response();
    let to = HeaderValue::from_str(to).unwrap_or(HeaderValue::from_static("/"));
    response.headers_mut().insert(LOCATION, to);
    response
}

/// The page of a place, or of the whole garden.
fn address(garden: &Garden, place: Option<&Id>) -> String {
    let site = &garden.site.id;
    match place {
        Some(place) if garden.beds.iter().any(|bed| bed.id == *place) => format!("/site/{site}/bed/{place}"),
        Some(place) if garden.tanks.iter().any(|tank| tank.id == *place) => {
            format!("/site/{site}/tank/{place}")
        }
        _ => format!("/site/{site}"),
    }
}

fn said(garden: &Garden, entry: &crate::garden::log::LogEntry) -> String {
    let place = entry.place.as_ref().map_or_else(|| garden.site.name.clone(), |id| place_called(garden, id));
    let when = labels::full_moment(entry.at, &garden.site.time_zone);
    let meaning = log_entry::meaning(&entry.what).map_or_else(String::new, |meaning| format!(" {meaning}"));
    format!("It is written down. {place}: {}, {when}.{meaning}", entry.what.words())
}

impl Sheet<'_> {
    fn closed(&self) -> Markup {
        let body = html! {
            h1 { "Write down what was done" }
            p { "Waterings, water tests, planting, mulch, fish: what people write down helps Trug to judge." }
            (self.frame.visitor.how_to_change(&self.frame.path))
            p { "On the garden's computer, trug log does the same." }
        };
        self.frame.still("Write down what was done", &body)
    }

    /// The first step: what it was.
    fn kinds(&self, place: &str) -> Markup {
        let fits = |kind: &&EntryKind| {
            place.is_empty() || kind.about.places(self.garden).iter().any(|(id, _)| id.as_str() == place)
        };
        let group = |title: &str, about: About| {
            let kinds: Vec<_> = KINDS.iter().filter(|kind| kind.about == about).filter(fits).collect();
            let reachable = about == About::Any || !about.places(self.garden).is_empty();
            html! {
                @if reachable && !kinds.is_empty() {
                    h2 { (title) }
                    ul class="choices" {
                        @for kind in kinds {
                            li { a href=(self.kind_address(kind, place)) { (kind.label) } }
                        }
                    }
                }
            }
        };
        let name = self.name(place);
        let title = name.map_or_else(
            || "What was seen or done?".to_owned(),
            |name| format!("What was seen or done at {name}?"),
        );
        let body = html! {
            h1 { (title) }
            p class="standing" { (self.garden.site.name) }
            (group("At a bed", About::Bed))
            (group("At a tank", About::Tank))
            (group("Anything else", About::Any))
        };
        self.frame.still(&title, &body)
    }

    fn kind_address(&self, kind: &EntryKind, place: &str) -> String {
        let mut query = url::form_urlencoded::Serializer::new(String::new());
        query.append_pair("kind", kind.name);
        if self.name(place).is_some() {
            query.append_pair("place", place);
        }
        format!("{}?{}", self.frame.path, query.finish())
    }

    fn name(&self, place: &str) -> Option<&str> {
        About::Any.places(self.garden).into_iter().find(|(id, _)| id.as_str() == place).map(|(_, name)| name)
    }

    /// The second step: where, when, how much. With faults, the form as it was filled in.
    fn form(&self, kind: &EntryKind, given: &Form, faults: &[FieldFault]) -> Markup {
        let of =
            |field: &str| faults.iter().find(|fault| fault.field == field).map(|fault| fault.words.as_str());
        let title = if faults.is_empty() {
            kind.label.to_owned()
        } else {
            format!("Not written yet: {}", kind.label)
        };
        let places = kind.about.places(self.garden);
        let body = html! {
            h1 { (kind.label) }
            p { a href=(self.frame.path) { "Something else was done" } }
            @if !faults.is_empty() { (wrong(faults)) }
            @if let Some(how_to) = kind.how_to { details { summary { "How the test is made" } p { (how_to) } } }
            form class="entry" method="post" action=(self.frame.path) novalidate {
                (self.frame.visitor.form_field())
                input type="hidden" name="kind" value=(kind.name);
                input type="hidden" name="once" value=(self.once);
                input type="hidden" name="offered" value=(given.text("offered"));
                (field("place", "Where", None, of("place"), &|attributes| html! {
                    select id="place" name="place" aria-invalid=[attributes.invalid] aria-describedby=[attributes.described] {
                        @if kind.about == About::Any { option value=(WHOLE) selected[given.text("place") == WHOLE] { "The whole garden" } }
                        @else if places.len() > 1 && self.name(given.text("place")).is_none() {
                            option value="" selected { "Choose" }
                        }
                        @for (id, name) in &places {
                            option value=(id) selected[given.text("place") == id.as_str()] { (name) }
                        }
                    }
                }))
                @for number in kind.numbers { (number_field(number, given, of(number.name))) }
                @if kind.crop { (crop_field(given, of("crop"))) }
                (self.time_field(given, of("at")))
                (note_field(kind, given, of("note")))
                button id="send" type="submit" { "Write it down" }
            }
        };
        self.frame.still(&title, &body)
    }

    fn time_field(&self, given: &Form, fault: Option<&str>) -> Markup {
        let zone = &self.garden.site.time_zone;
        let twice = fields::comes_twice(given, zone) && fault.is_some();
        let help = format!("On the garden's clock: it is {}.", labels::full_moment(self.now, zone));
        html! {
            (field("at", "When", Some(&help), fault, &|attributes| html! {
                input id="at" name="at" type="datetime-local" value=(given.text("at")) max=(local(self.now, zone))
                    aria-invalid=[attributes.invalid] aria-describedby=[attributes.described];
            }))
            @if twice {
                fieldset {
                    legend { "That hour came twice. Which one?" }
                    @for (value, label) in [("first", "The first, before the clocks went back"), ("second", "The second, after it")] {
                        label class="choice" {
                            input type="radio" name="turn" value=(value) checked[given.text("turn") == value];
                            " " (label)
                        }
                    }
                }
            }
        }
    }
}

/// What a field says of itself to whoever hears the page.
struct Attributes {
    invalid: Option<&'static str>,
    described: Option<String>,
}

/// A label, its field, a word of help and what is wrong.
fn field(
    name: &str,
    label: &str,
    help: Option<&str>,
    fault: Option<&str>,
    input: &dyn Fn(Attributes) -> Markup,
) -> Markup {
    let mut described = Vec::new();
    if fault.is_some() {
        described.push(format!("{name}-fault"));
    }
    if help.is_some() {
        described.push(format!("{name}-help"));
    }
    let attributes = Attributes {
        invalid: fault.map(|_| "true"),
        described: (!described.is_empty()).then(|| described.join(" ")),
    };
    html! {
        div class="field" {
            label for=(name) { (label) }
            @if let Some(fault) = fault { p id={ (name) "-fault" } class="fault" { (fault) } }
            (input(attributes))
            @if let Some(help) = help { p id={ (name) "-help" } class="standing" { (help) } }
        }
    }
}

fn number_field(number: &Number, given: &Form, fault: Option<&str>) -> Markup {
    let unit = number.unit.replace("degrees C", "°C");
    let label = match (unit.as_str(), number.needed) {
        (unit, true) if unit == number.label => number.label.to_owned(),
        (unit, _) if unit == number.label => format!("{unit}, if known"),
        (unit, true) => format!("{}, {unit}", number.label),
        (unit, false) if number.label.contains("if ") => format!("{} ({unit})", number.label),
        (unit, false) => format!("{}, {unit}, if known", number.label),
    };
    let mut help = number.accepted().replace("degrees C", "°C");
    help[..1].make_ascii_uppercase();
    help.push('.');
    field(number.name, &label, Some(&help), fault, &|attributes| {
        html! {
            input id=(number.name) name=(number.name) type="text" autocomplete="off" size="10"
                inputmode=(if number.whole { "numeric" } else { "decimal" })
                value=(labels::shown(given.text(number.name), 60))
                aria-invalid=[attributes.invalid] aria-describedby=[attributes.described];
        }
    })
}

fn crop_field(given: &Form, fault: Option<&str>) -> Markup {
    let mut crops: Vec<&str> = soil::CROPS.iter().map(|crop| crop.name).collect();
    crops.sort_unstable();
    field("crop", "Crop, if it is in the list", None, fault, &|attributes| {
        html! {
            select id="crop" name="crop" aria-invalid=[attributes.invalid] aria-describedby=[attributes.described] {
                option value="" { "None of these" }
                @for crop in &crops { option value=(crop) selected[given.text("crop") == *crop] { (crop) } }
            }
        }
    })
}

fn note_field(kind: &EntryKind, given: &Form, fault: Option<&str>) -> Markup {
    let label = if kind.note_needed { "What it was" } else { "A note, if you like" };
    let help = format!("At most {NOTE_MAX} characters. Write no names of children.");
    field("note", label, Some(&help), fault, &|attributes| {
        html! {
            textarea id="note" name="note" rows="3" autocomplete="off"
                aria-invalid=[attributes.invalid] aria-describedby=[attributes.described] {
                // The first line end after the tag is not part of a field (HTML, 13.1.2.5).
                "\n" (given.text("note"))
            }
        }
    })
}

/// The list of what is wrong, each a link to its field.
pub(in crate::page) fn wrong_list<'a>(faults: impl Iterator<Item = (&'a str, &'a str)>) -> Markup {
    html! {
        section class="wrong" role="alert" aria-labelledby="wrong" {
            h2 id="wrong" { "Nothing is written yet" }
            ul { @for (field, words) in faults { li { a href={ "#" (field) } { (words) } } } }
        }
    }
}

fn wrong(faults: &[FieldFault]) -> Markup {
    wrong_list(faults.iter().map(|fault| (fault.field.as_str(), fault.words.as_str())))
}
