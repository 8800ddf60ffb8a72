//! `/site/ID/write`: an entry of the Garden log, as `trug log` makes it.
//!
//! Two steps, so that a thumb finds its way: what it was, then where, when and how much.
//! From a place's own page the place is known already (`?place=ID`).

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};
use tracing::warn;

use super::fields::{self, FieldFault, WHOLE, entry, local};
use super::{FormFields, see_other, units, wrong_list};
use crate::garden::log::LogEntry;
use crate::garden::log_entry::{self, About, EntryKind, KINDS, NOTE_MAX, NumberField};
use crate::garden::plan::{Garden, place_called};
use crate::model::Id;
use crate::page::PageSource;
use crate::page::context::{SiteForm, SitePage};
use crate::page::layout::PageFrame;
use crate::page::problem::Problem;
use crate::page::wait::ask as ask_record;
use crate::soil;
use crate::store::LogRow;
use crate::text::labels;
use crate::text::locale::Locale;

/// Characters of a form's own text.
const ONCE_MAX: usize = 64;

/// The form for an entry of one garden's log.
struct EntryForm<'a> {
    frame: &'a PageFrame,
    garden: &'a Garden,
    now: Timestamp,
    /// A text that comes once.
    once: String,
    /// The entry that is put right or struck.
    wrong: Option<LogRow>,
}

pub(in crate::page) async fn ask<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, garden, query) = (site.frame("/write"), site.garden()?, site.fields());
    let now = present(&site);
    let once = site.context.gate.once();
    let mut form = EntryForm { frame: &frame, garden, now, once, wrong: None };
    if !frame.visitor.sees_forms() {
        return Ok(form.closed());
    }
    form.wrong = wrong_entry(&site, &query).await?;
    if let Some(row) = &form.wrong {
        if !query.text("strike").is_empty() {
            return Ok(form.striking(row, "", None));
        }
        let kind = log_entry::kind(row.entry.what.name()).ok_or(Problem::NotFound)?;
        let held = FormFields(fields::filled_in(&row.entry, &garden.site.time_zone));
        return Ok(form.fields(kind, &held, &[]));
    }
    if query.text("kind").is_empty() {
        return Ok(form.kinds(query.text("place")));
    }
    let kind = log_entry::kind(query.text("kind")).ok_or(Problem::NotFound)?;
    let offered = FormFields(vec![
        ("place".to_owned(), query.text("place").to_owned()),
        ("job".to_owned(), query.text("job").to_owned()),
        ("at".to_owned(), local(now, &garden.site.time_zone)),
        ("offered".to_owned(), now.to_string()),
    ]);
    Ok(form.fields(kind, &offered, &[]))
}

/// The entry that a form or a query wants to put right or to strike; none that is struck
/// already.
async fn wrong_entry<V: PageSource>(
    site: &SitePage<V>,
    given: &FormFields,
) -> Result<Option<LogRow>, Problem> {
    let Some(number) = given.given("corrects").or(given.given("strike")) else { return Ok(None) };
    let number: i64 = number.trim().parse().map_err(|_| Problem::NotFound)?;
    let row = ask_record(site.context.record.log_entry(site.view.id.as_str(), number)).await?;
    row.filter(|row| row.struck.is_none()).map(Some).ok_or(Problem::NotFound)
}

/// What a form asks for.
enum Wanted {
    Write(LogEntry, Option<i64>),
    Strike(i64, String),
}

pub(in crate::page) async fn take<V: PageSource>(
    SiteForm { site, form: given }: SiteForm<V>,
) -> Result<Response, Problem> {
    let (frame, garden, now) = (site.frame("/write"), site.garden()?, present(&site));
    let once = given.text("once").to_owned();
    if once.is_empty() || once.len() > ONCE_MAX {
        return Err(Problem::FormOutdated);
    }
    let context = &site.context;
    // One after the other, so that a form that comes twice at once is seen.
    let mut taken = context.taken_forms.lock().await;
    if let Some(to) = taken.led_to(&once) {
        return Ok(see_other(to));
    }
    let wrong = wrong_entry(&site, &given).await?;
    let form = EntryForm { frame: &frame, garden, now, once: once.clone(), wrong };
    let refused = |page: Markup| Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
    let striking = form.wrong.as_ref().filter(|_| !given.text("strike").is_empty());
    let kind = match striking {
        Some(_) => None,
        None => Some(log_entry::kind(given.text("kind")).ok_or(Problem::NotFound)?),
    };
    let again = |faults: &[FieldFault]| match (striking, kind) {
        (Some(row), _) => {
            form.striking(row, given.text("why"), faults.first().map(|fault| fault.words.as_str()))
        }
        (None, Some(kind)) => form.fields(kind, &given, faults),
        (None, None) => form.kinds(""),
    };
    let one = |field: &str, words: String| [FieldFault { field: field.to_owned(), words }];
    let wanted = match (striking, kind) {
        (Some(row), _) => match why(&given) {
            Ok(why) => Wanted::Strike(row.seq, why),
            Err(words) => return refused(again(&one("why", words))),
        },
        (None, Some(kind)) => match entry(kind, &given, garden, now) {
            Ok(entry) => Wanted::Write(entry, form.wrong.as_ref().map(|row| row.seq)),
            Err(faults) => return refused(again(&faults)),
        },
        (None, None) => return Err(Problem::NotFound),
    };
    let place = match &wanted {
        Wanted::Write(entry, _) => entry.place.clone(),
        Wanted::Strike(..) => form.wrong.as_ref().and_then(|row| row.entry.place.clone()),
    };
    let to = match given.text("then") {
        "today" => address(garden, None),
        "jobs" => format!("/site/{}/jobs", garden.site.id),
        "log" => format!("/site/{}/log", garden.site.id),
        _ => address(garden, place.as_ref()),
    };
    let said = match &wanted {
        Wanted::Write(entry, _) => said(garden, entry),
        Wanted::Strike(..) => {
            "The entry is struck. It stays in the record, and Trug no longer uses it.".to_owned()
        }
    };
    let at = context.views.now();
    let written = match wanted {
        Wanted::Write(entry, wrong) => context.record.write_log(entry, wrong, at).await,
        Wanted::Strike(number, why) => context.record.strike_log(&garden.site.id, number, why, at).await,
    };
    match written {
        Ok(true) => {}
        Ok(false) => return Err(Problem::NotFound),
        Err(fault) => {
            warn!("an entry of the log could not be written: {fault}");
            let words =
                "Trug cannot save it just now. Try again in a minute: what you filled in is kept here.";
            let page = again(&one("send", words.to_owned()));
            return Ok((StatusCode::SERVICE_UNAVAILABLE, page).into_response());
        }
    }
    taken.add(once, to.clone());
    drop(taken);
    context.gate.say(&site.headers, said);
    Ok(see_other(&to))
}

/// Why an entry is struck.
fn why(given: &FormFields) -> Result<String, String> {
    let why = given.text("why").replace("\r\n", "\n");
    if why.is_empty() {
        return Err("Enter why it is wrong.".to_owned());
    }
    log_entry::check_note(&why).map_err(|fault| format!("That is {fault}."))?;
    if why.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
        return Err("The text holds control characters: write plain text.".to_owned());
    }
    Ok(why)
}

/// The garden's present.
fn present<V: PageSource>(site: &SitePage<V>) -> Timestamp {
    labels::garden_now(site.view.now, site.context.views.now())
}

/// The page of a place, or of the whole garden.
fn address(garden: &Garden, place: Option<&Id>) -> String {
    let site = &garden.site.id;
    match place {
        Some(place) if garden.beds.iter().any(|bed| bed.id == *place) => format!("/site/{site}/bed/{place}"),
        Some(place) if garden.tanks.iter().any(|tank| tank.id == *place) => {
            format!("/site/{site}/tank/{place}")
        }
        _ => {
            let sensor = garden.sensors.iter().find(|sensor| Some(&sensor.id) == place);
            let of_sensor = sensor.and_then(|sensor| garden.place_id(sensor.place));
            of_sensor.map_or_else(|| format!("/site/{site}"), |place| address(garden, Some(place)))
        }
    }
}

fn said(garden: &Garden, entry: &LogEntry) -> String {
    let place = entry.place.as_ref().map_or_else(|| garden.site.name.clone(), |id| place_called(garden, id));
    let when = labels::full_moment(entry.at, &garden.site.time_zone);
    let meaning = log_entry::meaning(&entry.what).map_or_else(String::new, |meaning| format!(" {meaning}"));
    format!("Saved in the Garden log. {place}: {}, {when}.{meaning}", entry.what.words())
}

impl EntryForm<'_> {
    fn closed(&self) -> Markup {
        let body = html! {
            h1 { "Add to the Garden log" }
            p { "Watering, water tests, planting, mulch, fish: what people enter here helps Trug to judge." }
            (self.frame.visitor.how_to_change())
            p { "On the garden's computer, the command trug log does the same." }
        };
        self.frame.still("Add to the Garden log", &body)
    }

    /// The first step: what it was.
    fn kinds(&self, place: &str) -> Markup {
        let fits = |kind: &&EntryKind| {
            place.is_empty()
                || kind.job
                || kind.about.places(self.garden).iter().any(|(id, _)| id.as_str() == place)
        };
        let group = |title: &str, about: About| {
            let kinds: Vec<_> = KINDS.iter().filter(|kind| kind.about == about).filter(fits).collect();
            let reachable = match about {
                About::Job => !self.garden.jobs.is_empty(),
                _ => about.fits_garden() || !about.places(self.garden).is_empty(),
            };
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
            || "What did you do or see?".to_owned(),
            |name| format!("What did you do or see at {name}?"),
        );
        let body = html! {
            h1 { (title) }
            (group("At a bed", About::Bed))
            (group("At a tank", About::Tank))
            (group("At a sensor", About::Sensor))
            (group("At a bed or the whole garden", About::BedOrGarden))
            (group("A job that comes round", About::Job))
            (group("Anything else", About::Any))
            p class="onward" {
                a href={ "/site/" (self.garden.site.id) "/log" } { "Read the Garden log, correct or strike an entry" }
            }
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
    fn fields(&self, kind: &EntryKind, given: &FormFields, faults: &[FieldFault]) -> Markup {
        let of =
            |field: &str| faults.iter().find(|fault| fault.field == field).map(|fault| fault.words.as_str());
        let title =
            if faults.is_empty() { kind.label.to_owned() } else { format!("Not saved yet: {}", kind.label) };
        let places = kind.about.places(self.garden);
        let body = html! {
            h1 { (kind.label) }
            @if let Some(wrong) = &self.wrong {
                p { "You correct: " (self.entry_line(wrong)) ". The old entry stays in the record as struck. Trug no longer uses it." }
            } @else {
                p { a href=(self.frame.path) { "Something else" } }
            }
            @if !faults.is_empty() { (wrong_list(faults.iter().map(|fault| (fault.field.as_str(), fault.words.as_str())))) }
            @if let Some(how_to) = kind.how_to { details { summary { "How to do it" } p { (how_to) } } }
            @if let Some(caution) = kind.caution { p class="caution" { (caution) } }
            form class="entry" method="post" action=(self.frame.path) novalidate {
                (self.frame.visitor.form_field())
                input type="hidden" name="kind" value=(kind.name);
                input type="hidden" name="once" value=(self.once);
                input type="hidden" name="offered" value=(given.text("offered"));
                @if let Some(wrong) = &self.wrong { input type="hidden" name="corrects" value=(wrong.seq); }
                @if kind.job { (self.job_field(given, of("job"))) }
                @else { (field("place", "Where", None, of("place"), &|attributes| html! {
                    select id="place" name="place" aria-invalid=[attributes.invalid] aria-describedby=[attributes.described] {
                        @if kind.about.fits_garden() { option value=(WHOLE) selected[given.text("place") == WHOLE] { "The whole garden" } }
                        @else if places.len() > 1 && !places.iter().any(|(id, _)| id.as_str() == given.text("place")) {
                            option value="" selected { "Choose" }
                        }
                        @for (id, name) in &places {
                            option value=(id) selected[given.text("place") == id.as_str()] { (name) }
                        }
                    }
                })) }
                @for number in kind.numbers { (number_field(number, given, of(number.name), self.garden.site.locale)) }
                @if kind.crop { (crop_field(given, of("crop"))) }
                (self.time_field(given, of("at")))
                (note_field(kind, given, of("note")))
                (self.frame.visitor.how_to_change())
                button id="send" type="submit" { "Save" }
            }
        };
        self.frame.still(&title, &body)
    }

    fn job_field(&self, given: &FormFields, fault: Option<&str>) -> Markup {
        let jobs = &self.garden.jobs;
        field("job", "Which job", None, fault, &|attributes| {
            html! {
                select id="job" name="job" aria-invalid=[attributes.invalid] aria-describedby=[attributes.described] {
                    @if !jobs.iter().any(|job| job.is_called(given.text("job"))) { option value="" selected { "Choose" } }
                    @for job in jobs {
                        option value=(job.name) selected[job.is_called(given.text("job"))] { (job.name) }
                    }
                }
            }
        })
    }

    /// An entry in a line.
    fn entry_line(&self, row: &LogRow) -> String {
        let place = match &row.entry.place {
            Some(place) => place_called(self.garden, place),
            None => self.garden.site.name.clone(),
        };
        let when = labels::full_moment(row.entry.at, &self.garden.site.time_zone);
        format!("{place}: {}, {when}", row.entry.what.words())
    }

    /// Asks why an entry is struck.
    fn striking(&self, row: &LogRow, why: &str, fault: Option<&str>) -> Markup {
        let title = "Strike an entry";
        let body = html! {
            h1 { (title) }
            p { (self.entry_line(row)) "." }
            @if !row.entry.note.is_empty() { p class="note" { (row.entry.note) } }
            p { "The entry stays in the record as struck. Trug no longer uses it. If only a value is wrong, "
                a href={ (self.frame.path) "?corrects=" (row.seq) } { "correct it" } "." }
            @if let Some(fault) = fault { (wrong_list(std::iter::once(("why", fault)))) }
            form class="entry" method="post" action=(self.frame.path) novalidate {
                (self.frame.visitor.form_field())
                input type="hidden" name="strike" value=(row.seq);
                input type="hidden" name="once" value=(self.once);
                input type="hidden" name="then" value="log";
                (field("why", "Why is it wrong?", Some("Enter no child's name."), fault, &|attributes| html! {
                    textarea id="why" name="why" rows="2" autocomplete="off"
                        aria-invalid=[attributes.invalid] aria-describedby=[attributes.described] { "\n" (why) }
                }))
                button id="send" type="submit" { "Strike it" }
            }
        };
        self.frame.still(title, &body)
    }

    fn time_field(&self, given: &FormFields, fault: Option<&str>) -> Markup {
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

/// The attributes of a field by which a screen reader tells its fault and its help.
pub(in crate::page) struct FieldAttributes {
    pub(in crate::page) invalid: Option<&'static str>,
    pub(in crate::page) described: Option<String>,
}

/// A label, its field, a word of help and what is wrong.
pub(in crate::page) fn field(
    name: &str,
    label: &str,
    help: Option<&str>,
    fault: Option<&str>,
    input: &dyn Fn(FieldAttributes) -> Markup,
) -> Markup {
    let mut described = Vec::new();
    if fault.is_some() {
        described.push(format!("{name}-fault"));
    }
    if help.is_some() {
        described.push(format!("{name}-help"));
    }
    let attributes = FieldAttributes {
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

fn number_field(number: &NumberField, given: &FormFields, fault: Option<&str>, locale: Locale) -> Markup {
    let choice = units::choice(number, locale);
    let unit = number.unit.replace("degrees C", "°C");
    let label = match (unit.as_str(), number.needed) {
        // The unit stands beside the field.
        (unit, _) if choice.is_some() => match number.label.to_lowercase().strip_prefix(unit) {
            Some(rest) => format!("How much{rest}"),
            None if number.needed || number.label.contains("if ") => number.label.to_owned(),
            None => format!("{}, if known", number.label),
        },
        (unit, true) if unit == number.label => number.label.to_owned(),
        (unit, _) if unit == number.label => format!("{unit}, if known"),
        (unit, true) => format!("{}, {unit}", number.label),
        // "Litres, if somebody measured" says its unit itself.
        (unit, false) if number.label.to_lowercase().starts_with(unit) => number.label.to_owned(),
        (unit, false) if number.label.contains("if ") => format!("{}, {unit}", number.label),
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
            @if let Some(unit) = choice { (unit.list(number, given)) }
        }
    })
}

fn crop_field(given: &FormFields, fault: Option<&str>) -> Markup {
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

fn note_field(kind: &EntryKind, given: &FormFields, fault: Option<&str>) -> Markup {
    let label = match (kind.note_needed, kind.name) {
        (true, "note") => "What it was",
        (true, _) => "Which, how many, and what was done",
        (false, _) => "A note, if you like",
    };
    let help = format!("At most {NOTE_MAX} characters. Enter no child's name.");
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
