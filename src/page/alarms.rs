//! `/site/ID/alarms`: what is open, what waits, what is paused, what was, and the answers to it.

use std::collections::HashMap;

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};

use super::PageSource;
use super::alarm_card::{self, NOTES_MAX, RefusedNote, card, last, note_line};
use super::answered_by::{self, AnsweredBy};
use super::context::{SiteForm, SitePage};
use super::figures::{self, SiteFigures};
use super::forms::{see_other, wrong_list};
use super::layout::PageFrame;
use super::problem::Problem;
use super::wait::{ask as asked, confirm};
use crate::alarms::{AlarmKey, AlarmNote, Answer, Answered, Finding, Input, Kind, State};
use crate::answering::{note, shelf_end};
use crate::garden::plan::place_called;
use crate::garden::view::{AlarmView, SiteView};
use crate::model::{CalendarMonth, Id};
use crate::report::month_name;
use crate::store::AlarmRow;
use crate::telling::pending_words;
use crate::text::labels;

/// Occurrences of one month that are listed, the newest.
const LISTED_MAX: usize = 200;

/// Notes of a month's occurrences together that are shown.
const HISTORY_NOTES_MAX: usize = 400;

/// No garden has alarms from before.
const YEAR_FIRST: i16 = 2000;

/// The local hour at which "tomorrow morning" begins.
const MORNING_H: i8 = 7;

/// What one page of alarms shows.
struct AlarmList {
    view: SiteView,
    /// What has not held for long enough yet, a sentence each.
    pending: Vec<String>,
    /// Who answered what is open.
    answered: Vec<AnsweredBy>,
    /// Whose history is listed.
    month: CalendarMonth,
    /// Oldest first.
    steps: Vec<AlarmRow>,
    /// Of the month and of what is open.
    notes: Vec<AlarmNote>,
    /// The places of the garden's file by id.
    names: HashMap<Id, String>,
}

pub(super) async fn ask<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let list = AlarmList::read(&site, site.fields().text("month")).await?;
    // The alarms are shown without their figures where these cannot be had.
    let figures = asked(site.context.views.alarm_figures(list.view.id.as_str(), list.view.now)).await;
    Ok(page(&site.frame("/alarms"), &list, figures.unwrap_or(None).as_ref(), None))
}

/// Takes an answer, and goes back to the page with its result.
pub(super) async fn take<V: PageSource>(SiteForm { site, form }: SiteForm<V>) -> Result<Response, Problem> {
    let list = AlarmList::read(&site, "").await?;
    let view = &list.view;
    let place = form.text("place");
    let (Some(kind), true, Ok(since)) =
        (Kind::from_name(form.text("kind")), Id::is_valid(place), form.text("since").parse::<Timestamp>())
    else {
        return Err(Problem::NotFound);
    };
    let key = AlarmKey { site: view.id.clone(), kind, place: Id::new(place) };
    let action = AlarmAction::of(form.text("do")).ok_or(Problem::NotFound)?;
    let text = note_line(form.text("note"));
    let note = note(&text).and_then(|note| match (action, &note) {
        (AlarmAction::Note, None) => Err("the note is empty".to_owned()),
        (AlarmAction::Found(found), more) => {
            let whole = found.note(more.as_deref());
            AlarmNote::check(&whole).map(|()| Some(whole))
        }
        _ => Ok(note),
    });
    let frame = site.frame("/alarms");
    let note = match note {
        Ok(note) => note,
        Err(why) => {
            let refused = (alarm_card::id_of(kind, &key.place), RefusedNote { why: &why, note: &text });
            let page = page(&frame, &list, None, Some(refused));
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
        }
    };
    let name = named(&key, &list.names, view);
    let now = site.context.views.now();
    let input = action.input(kind, labels::garden_now(view.now, now), view);
    if input.is_none() && action != AlarmAction::Note {
        // No form of ours offers that: an alarm about fish is paused for two hours at most.
        return Err(Problem::NotFound);
    }
    // One that is paused is known by the time at which that was done.
    let hidden = view.alarm(&key).is_some_and(|alarm| alarm.record.state.is_hidden());
    let since = (action != AlarmAction::Back && !hidden).then_some(since);
    let answer = Answer {
        key,
        at: now,
        input,
        how: Answer::how_by("page", site.visitor.name.as_deref()),
        since,
        note,
    };
    let answered = confirm(site.context.views.answer(answer)).await?;
    site.context.gate.say(&site.headers, action.result(answered, &name, input, view));
    Ok(see_other(back_to(form.text("then"), &frame.path, view)))
}

/// The page that a form came from: Today, a place's, else that of alarms.
fn back_to<'a>(then: &'a str, alarms: &'a str, view: &SiteView) -> &'a str {
    let site = format!("/site/{}", view.id);
    let of_place = |rest: &str| {
        let id = rest.strip_prefix("/bed/").or_else(|| rest.strip_prefix("/tank/"));
        rest.is_empty() || rest == "/rain" || id.is_some_and(Id::is_valid)
    };
    if then.strip_prefix(site.as_str()).is_some_and(of_place) { then } else { alarms }
}

/// What a button does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum AlarmAction {
    Seen,
    Found(Finding),
    Reset,
    Back,
    Note,
    /// So long, as [`shelf_end`] reads it.
    Aside(&'static str),
    Morning,
}

impl AlarmAction {
    fn of(word: &str) -> Option<Self> {
        Some(match word {
            "seen" => Self::Seen,
            "reset" => Self::Reset,
            "back" => Self::Back,
            "note" => Self::Note,
            "aside-2h" => Self::Aside("2h"),
            "aside-day" => Self::Aside("1d"),
            "aside-week" => Self::Aside("7d"),
            "aside-morning" => Self::Morning,
            _ => return word.strip_prefix("found-").and_then(Finding::from_name).map(Self::Found),
        })
    }

    /// `None` for a note alone.
    fn input(self, kind: Kind, now: Timestamp, view: &SiteView) -> Option<Input> {
        let shelve = |until| Input::Shelve { until, one_shot: false };
        match self {
            Self::Seen | Self::Found(_) => Some(Input::Acknowledge),
            Self::Reset => Some(Input::Reset),
            Self::Back => Some(Input::Unshelve),
            Self::Note => None,
            Self::Aside(length) => shelf_end(kind, length, now, &view.time_zone).map(shelve),
            Self::Morning => {
                let until = morning(now, view).filter(|until| {
                    kind.shelf_most_s().is_none_or(|most_s| until.as_second() - now.as_second() <= most_s)
                });
                until.map(shelve)
            }
        }
    }

    /// Its result, to be said on the next page.
    fn result(self, answered: Answered, name: &str, input: Option<Input>, view: &SiteView) -> String {
        match answered {
            Answered::Done => match (self, input) {
                (Self::Seen | Self::Found(_), _) => {
                    format!("Thank you. {name}: everybody can see that you answered.")
                }
                (Self::Reset, _) => format!("{name} is closed."),
                (Self::Back, _) => format!("{name} is an alarm again."),
                (Self::Note, _) => format!("The note to {name} is saved."),
                (Self::Aside(_) | Self::Morning, Some(Input::Shelve { until, .. })) => {
                    format!("{name} is paused until {}.", labels::full_moment(until, &view.time_zone))
                }
                (Self::Aside(_) | Self::Morning, _) => format!("{name} is paused."),
            },
            Answered::NotWaiting => format!("{name} was answered already, so this changed nothing."),
            Answered::Over => format!("{name} is over. Nobody needs to answer it any more."),
            Answered::OtherOccurrence => {
                format!("{name} ended and has come again since. Look at it again before you answer.")
            }
            Answered::NoSuchAlarm => format!("There is no such alarm any more: {name}."),
            Answered::TooManyNotes => format!(
                "{name} has too many notes, so this one is not saved here. Whoever runs Trug finds it among the rejects."
            ),
        }
    }
}

/// Tomorrow at seven on the garden's clock.
fn morning(now: Timestamp, view: &SiteView) -> Option<Timestamp> {
    let tomorrow = view.time_zone.to_datetime(now).date().tomorrow().ok()?;
    view.time_zone.to_timestamp(tomorrow.at(MORNING_H, 0, 0, 0)).ok()
}

impl AlarmList {
    /// Reads what a page shows. `month` is empty for the present one.
    async fn read<V: PageSource>(site: &SitePage<V>, month: &str) -> Result<Self, Problem> {
        let view = site.view.clone();
        let present = CalendarMonth::of(view.now, &view.time_zone);
        let known = |it: &CalendarMonth| it.year >= YEAR_FIRST && Some(*it) <= present;
        let month = if month.is_empty() { present } else { CalendarMonth::parse(month).filter(known) };
        let month = month.ok_or(Problem::NoSuchMonth)?;
        let (from, to) = month.span(&view.time_zone).ok_or(Problem::NoSuchMonth)?;
        let record = &site.context.record;
        let steps = asked(record.alarm_steps(view.id.as_str(), from, to)).await?;
        let oldest = view.alarms.iter().map(|alarm| alarm.record.since).min().unwrap_or(from).min(from);
        let id = view.id.clone();
        let notes = record.read("notes", move |reader| reader.last_notes(oldest, &id, NOTES_MAX + 1));
        let mut notes = asked(notes).await?;
        notes.retain(|note| {
            let open = view.alarms.iter().any(|alarm| note.is_of(&alarm.record));
            open || steps.iter().any(|step| note.is_of(&step.record))
        });
        let garden = record.garden(view.id.as_str());
        let name = |place: &Id| garden.map_or_else(|| place.to_string(), |it| place_called(it, place));
        let names =
            steps.iter().map(|step| (step.record.key.place.clone(), name(&step.record.key.place))).collect();
        let words = |it| garden.map(|garden| pending_words(garden, it, view.now));
        let pending = view.pending.iter().filter_map(words).collect();
        let answered = answered_by::answered(&site.context, &view).await;
        Ok(Self { view, pending, answered, month, steps, notes, names })
    }
}

fn named(key: &AlarmKey, names: &HashMap<Id, String>, view: &SiteView) -> String {
    let place = view
        .alarms
        .iter()
        .find(|alarm| alarm.record.key.place == key.place)
        .map(|alarm| alarm.place_name.as_str())
        .or_else(|| names.get(&key.place).map(String::as_str))
        .unwrap_or(key.place.as_str());
    format!("{place}: {}", labels::kind(key.kind))
}

fn page(
    frame: &PageFrame,
    list: &AlarmList,
    alarm_figures: Option<&SiteFigures>,
    refused: Option<(String, RefusedNote<'_>)>,
) -> Markup {
    let view = &list.view;
    let mut alarms: Vec<&AlarmView> = view.alarms.iter().collect();
    alarms.sort_by_key(|alarm| std::cmp::Reverse(alarm.priority));
    let (open, rest): (Vec<_>, Vec<_>) = alarms.into_iter().partition(|alarm| alarm.record.state.is_active());
    let (hidden, passed): (Vec<_>, Vec<_>) =
        rest.into_iter().partition(|alarm| alarm.record.state.is_hidden());
    let (not_answered, to_close): (Vec<_>, Vec<_>) =
        passed.into_iter().partition(|alarm| alarm.record.state.waits());
    let cards = |alarms: &[&AlarmView]| {
        html! {
            @for alarm in alarms {
                @let notes: Vec<&AlarmNote> = list.notes.iter().filter(|note| note.is_of(&alarm.record)).collect();
                @let refused = refused.as_ref().filter(|(id, _)| *id == alarm_card::id(alarm)).map(|(_, refused)| *refused);
                (card(alarm, view, &frame.visitor, &list.answered, &notes, refused))
            }
        }
    };
    let title = format!("Alarms at {}", view.name);
    let body = html! {
        h1 { "Alarms" }
        p class="as-of" { (labels::full_moment(view.now, &view.time_zone)) }
        @if let Some((id, refused)) = &refused {
            @let (field, words) = (format!("{id}-note"), format!("The note was not saved: {}.", refused.why));
            (wrong_list(std::iter::once((field.as_str(), words.as_str()))))
        }
        (frame.visitor.how_to_change())
        section {
            h2 { "Open now" }
            @if open.is_empty() { p { "No alarm is open." } }
            (cards(&open))
        }
        (pending(list))
        @if !not_answered.is_empty() {
            section id="over" { h2 { "Over, not answered" } (cards(&not_answered)) }
        }
        @if !to_close.is_empty() {
            section { h2 { "Over, to check and close" } (cards(&to_close)) }
        }
        @if !hidden.is_empty() {
            section id="paused" { h2 { "Paused" } (cards(&hidden)) }
        }
        (history(frame, list))
        @if let Some(alarm_figures) = alarm_figures { (figures::section(alarm_figures, view)) }
    };
    if refused.is_some() { frame.still(&title, &body) } else { frame.page(&title, &body) }
}

/// What is not yet an alarm.
fn pending(list: &AlarmList) -> Markup {
    html! {
        @if !list.pending.is_empty() {
            section class="waiting" id="pending" {
                h2 { "Waiting" }
                p class="standing" { "These are no alarms yet. Nobody has been told." }
                ul { @for words in &list.pending { li { (words) } } }
            }
        }
    }
}

/// The month's occurrences, the newest first, each with its steps and notes.
fn history(frame: &PageFrame, list: &AlarmList) -> Markup {
    let view = &list.view;
    let mut found: Vec<(&AlarmKey, Timestamp, Vec<&AlarmRow>)> = Vec::new();
    let mut at: HashMap<(&AlarmKey, Timestamp), usize> = HashMap::new();
    for step in &list.steps {
        let place = *at.entry((&step.record.key, step.record.since)).or_insert_with(|| {
            found.push((&step.record.key, step.record.since, Vec::new()));
            found.len() - 1
        });
        found[place].2.push(step);
    }
    found.reverse();
    let mut notes_left = HISTORY_NOTES_MAX;
    let left_out = found.len().saturating_sub(LISTED_MAX);
    found.truncate(LISTED_MAX);
    let address = |month| format!("{}?month={month}#was", frame.path);
    let earlier = list.month.previous().filter(|month| month.year >= YEAR_FIRST);
    let present = CalendarMonth::of(view.now, &view.time_zone);
    let later = list.month.next().filter(|month| Some(*month) <= present);
    html! {
        section id="was" {
            h2 { "Alarms of " (month_name(list.month)) }
            @if found.is_empty() { p { "There was no alarm in this month." } }
            @for (key, since, steps) in &found { (occurrence(key, *since, steps, list, &mut notes_left)) }
            @if left_out > 0 { p { (left_out) " older ones of this month are not listed. The command trug alarms --from lists all." } }
            nav class="months" aria-label="Months" {
                @if let Some(month) = earlier { a href=(address(month)) { "Earlier: " (month_name(month)) } }
                " "
                @if let Some(month) = later { a href=(address(month)) { "Later: " (month_name(month)) } }
            }
        }
    }
}

/// One occurrence. `notes_left` is how many notes the page may still show.
fn occurrence(
    key: &AlarmKey,
    since: Timestamp,
    steps: &[&AlarmRow],
    list: &AlarmList,
    notes_left: &mut usize,
) -> Markup {
    let view = &list.view;
    let moment = |at| labels::moment(at, view.now, &view.time_zone);
    let over = steps.last().filter(|step| step.record.state == State::Normal).map(|step| step.record.at);
    let notes: Vec<&AlarmNote> =
        list.notes.iter().filter(|note| note.key == *key && note.since == since).collect();
    let shown = last(&notes, NOTES_MAX.min(*notes_left));
    *notes_left -= shown.len();
    html! {
        details class="was" {
            summary {
                (named(key, &list.names, view)) ", from " (moment(since))
                @if let Some(over) = over { " to " (moment(over)) }
            }
            ol {
                @for step in steps {
                    li {
                        (moment(step.record.at)) ": " (labels::state(step.record.state))
                        @if let Some(how) = &step.how { " Answered " (labels::how(how)) "." }
                        @if let Some((until, _)) = step.record.shelf { " Until " (moment(until)) "." }
                    }
                }
            }
            @if let Some(first) = steps.first() { p { (first.record.said.text) } }
            @if shown.len() < notes.len() { (alarm_card::older_notes()) }
            @for note in shown { (alarm_card::note(note, view)) }
        }
    }
}
