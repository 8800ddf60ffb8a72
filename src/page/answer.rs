//! The page that a link in a message opens: one alarm, and one button to take it
//! on. Opening it changes nothing, so that a mail scanner that follows every link
//! does no harm.

use std::sync::Arc;

use axum::body::Body;
use axum::extract::{RawQuery, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};
use tokio::time::Instant;

use super::alarm_card::{note_line, said, seen_words, urgency};
use super::context::PageContext;
use super::forms::FormFields;
use super::layout::{localized, plain_page};
use super::problem::Problem;
use super::wait::{ask as asked, confirm};
use super::{AlarmStep, PageSource};
use crate::alarms::{AlarmNote, Answer, Answered, Finding, State as AlarmState};
use crate::answering::{Checked, Claim, note};
use crate::garden::view::{AlarmView, SiteView};
use crate::model::Id;
use crate::text::labels;

/// Bytes of the form: a token, and a note whose every byte is written as three.
const FORM_BYTES_MAX: usize = 16 * 1024;

/// Shows the alarm of a link, and the button. Changes nothing.
pub(super) async fn ask<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    RawQuery(query): RawQuery,
) -> Result<Response, Problem> {
    let query = FormFields::of(query.unwrap_or_default());
    let (claim, token) = claim(&context, query.whole("t"))?;
    Ok(LinkPage::read(&context, token, &claim).await?.ask(None))
}

/// Takes the answer of the person who pressed the button.
pub(super) async fn take<V: PageSource>(
    State(context): State<Arc<PageContext<V>>>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    let form = FormFields::read(&headers, body, FORM_BYTES_MAX).await?;
    let (claim, token) = claim(&context, form.whole("t"))?;
    let text = note_line(form.whole("note"));
    let found = Finding::from_name(form.whole("found")).filter(|_| claim.key.kind.asks_found());
    let note = match note(&text) {
        Ok(note) => note,
        Err(why) => {
            return Ok(LinkPage::read(&context, token, &claim).await?.ask(Some((&why, &text))));
        }
    };
    let note = match found.map(|found| found.note(note.as_deref())) {
        Some(whole) => match AlarmNote::check(&whole) {
            Ok(()) => Some(whole),
            Err(why) => {
                return Ok(LinkPage::read(&context, token, &claim).await?.ask(Some((&why, &text))));
            }
        },
        None => note,
    };
    let answered = confirm(context.views.acknowledge(&claim, form.given("name"), note)).await?;
    Ok(LinkPage::read(&context, token, &claim).await?.told(answered))
}

/// The claim of a link that holds, and its token.
fn claim<'t, V: PageSource>(context: &PageContext<V>, token: &'t str) -> Result<(Claim, &'t str), Problem> {
    let problem = match context.views.check(token) {
        None => return Err(Problem::NotFound),
        Some(Checked::Good(claim)) => return Ok((claim, token)),
        Some(Checked::Expired(_)) => return Err(Problem::LinkExpired),
        Some(Checked::Forged) => Problem::LinkForged,
        Some(Checked::Malformed) => Problem::LinkMalformed,
    };
    Err(if context.wrong_links.allows((), Instant::now()) { problem } else { Problem::TooManyWrongLinks })
}

/// One alarm for a person who followed a link.
struct LinkPage<'a> {
    notice: Option<&'a str>,
    token: &'a str,
    claim: &'a Claim,
    view: SiteView,
    /// Of the occurrence that the link is about.
    steps: Vec<AlarmStep>,
}

/// What the page says of a link's alarm.
#[derive(Clone, Copy, PartialEq, Eq)]
enum LinkStatus {
    /// It waits for this answer.
    Waits,
    TakenOn,
    AnsweredBefore,
    Aside,
    /// Another occurrence than the link's.
    Newer,
    Over,
}

impl<'a> LinkPage<'a> {
    async fn read<V: PageSource>(
        context: &'a PageContext<V>,
        token: &'a str,
        claim: &'a Claim,
    ) -> Result<Self, Problem> {
        let view = asked(context.views.site(claim.key.site.as_str())).await?.ok_or(Problem::NotFound)?;
        let steps = asked(context.views.steps(&claim.key, claim.since)).await?;
        Ok(Self { notice: context.notice.as_deref(), token, claim, view, steps })
    }

    /// The alarm with the button where it waits for an answer. `fault` says what was wrong
    /// with a note, and holds the note.
    fn ask(&self, fault: Option<(&str, &str)>) -> Response {
        if self.claim.rehearsal {
            return self.rehearse(fault);
        }
        match (self.status(), self.view.alarm(&self.claim.key)) {
            (LinkStatus::Waits, Some(alarm)) => {
                let status = if fault.is_some() { StatusCode::BAD_REQUEST } else { StatusCode::OK };
                let body = html! { (self.alarm(alarm)) (self.form(alarm, fault)) };
                self.page(status, &self.heading(), &body)
            }
            (status, _) => self.tell(status),
        }
    }

    /// A rehearsal with its button. The alarm itself may stand or not.
    fn rehearse(&self, fault: Option<(&str, &str)>) -> Response {
        let status = if fault.is_some() { StatusCode::BAD_REQUEST } else { StatusCode::OK };
        let body = html! {
            p { strong { "This is a rehearsal: nothing is wrong." } }
            p { "In a real alarm, this page says what is wrong and what to do. Press the button as you would then. It "
                "shows that your answer arrives." }
            (self.answer_form("I'll deal with this", "This answers the rehearsal only, no alarm.", fault))
        };
        self.page(status, &format!("Rehearsal. {}", self.heading()), &body)
    }

    /// The result of the button.
    fn told(&self, answered: Answered) -> Response {
        if self.claim.rehearsal {
            let body = html! {
                p { "Thank you. Your answer has arrived. In a real alarm, everybody now sees that you deal with it, and no "
                    "other group is told." }
            };
            return self.page(StatusCode::OK, "The rehearsal has worked", &body);
        }
        let hidden = self.view.alarm(&self.claim.key).is_some_and(|alarm| alarm.record.state.is_hidden());
        self.tell(match answered {
            Answered::Done => LinkStatus::TakenOn,
            Answered::NotWaiting if hidden => LinkStatus::Aside,
            // A button is always a step as well, which is taken.
            Answered::NotWaiting | Answered::TooManyNotes => LinkStatus::AnsweredBefore,
            Answered::OtherOccurrence => LinkStatus::Newer,
            Answered::Over | Answered::NoSuchAlarm => LinkStatus::Over,
        })
    }

    fn tell(&self, status: LinkStatus) -> Response {
        let name = html! { strong { (self.heading()) } };
        let alarm = self.view.alarm(&self.claim.key).filter(|_| status != LinkStatus::Over);
        let is_seen = alarm.is_some_and(|alarm| alarm.record.state == AlarmState::Acknowledged);
        let over_at = self.steps.last().filter(|step| step.to == AlarmState::Normal).map(|step| step.at);
        let (code, title, words) = match status {
            LinkStatus::TakenOn => (
                StatusCode::OK,
                "Thank you",
                html! {
                    p { (name) ": everybody can see that " @if is_seen { "somebody is dealing with it." } @else { "it is answered." } }
                },
            ),
            LinkStatus::Waits | LinkStatus::AnsweredBefore => (
                StatusCode::OK,
                "Somebody is dealing with it",
                html! {
                    p { (name) " was answered already" (self.by_whom()) ". There is nothing to do on this page." }
                },
            ),
            LinkStatus::Aside => (
                StatusCode::OK,
                "It is paused",
                html! {
                    p { (name) " is paused and needs no answer now." }
                },
            ),
            LinkStatus::Newer => (
                StatusCode::CONFLICT,
                "It has come again",
                html! {
                    p { "This link is about an earlier time. " (name)
                        " ended and has come again since. Use the link of the newer message." }
                },
            ),
            LinkStatus::Over => (
                StatusCode::GONE,
                "It is over",
                html! {
                    p { (name) " is over" @if let Some(at) = over_at { " since " (self.moment(at)) }
                        ". Nobody needs to answer it any more." }
                    @if self.answer().is_some() { p { "It was answered" (self.by_whom()) "." } }
                },
            ),
        };
        let careful = match status {
            LinkStatus::TakenOn => true,
            LinkStatus::Aside => false,
            _ => alarm.is_some(),
        };
        let body = html! {
            (words)
            @if let Some(alarm) = alarm { (self.alarm(alarm)) }
            @if careful { (self.care()) }
        };
        self.page(code, title, &body)
    }

    fn moment(&self, at: Timestamp) -> Markup {
        labels::moment(at, self.view.now, &self.view.time_zone)
    }

    /// The step that a person's answer made.
    fn answer(&self) -> Option<(&AlarmStep, &str)> {
        let seen = |to| {
            matches!(to, AlarmState::Acknowledged | AlarmState::LatchedAcknowledged | AlarmState::Normal)
        };
        self.steps
            .iter()
            .rev()
            .filter(|step| seen(step.to))
            .find_map(|step| Some((step, step.how.as_deref()?)))
    }

    /// ", today 3:10 pm, by the link in a message", where that is known.
    fn by_whom(&self) -> Markup {
        html! {
            @if let Some((step, how)) = self.answer() {
                ", " (self.moment(step.at)) ", " (labels::how(how))
            }
        }
    }

    fn alarm(&self, alarm: &AlarmView) -> Markup {
        let record = &alarm.record;
        html! {
            article class="alarm" {
                p class="standing" {
                    @if let Some((until, _)) = record.shelf {
                        "Until " (self.moment(until)) ". "
                    } @else {
                        (urgency(alarm, &self.view)) " Since " (self.moment(record.since)) ". "
                    }
                    (labels::state(record.state))
                }
                (said(alarm))
                p class="standing" { "Rule: " (record.said.source) }
            }
        }
    }

    fn form(&self, alarm: &AlarmView, fault: Option<(&str, &str)>) -> Markup {
        let button = seen_words(alarm.record.state);
        let effect = "Everybody who was told can then see your answer. It changes nothing in the garden.";
        html! {
            (self.answer_form(button, effect, fault))
            (self.care())
        }
    }

    /// The button, and before it, folded, the fields for name and note; `effect` says what
    /// pressing it does.
    fn answer_form(&self, button: &str, effect: &str, fault: Option<(&str, &str)>) -> Markup {
        html! {
            form class="answer" method="post" action="/answer" {
                input type="hidden" name="t" value=(self.token);
                @if let Some((why, _)) = fault {
                    p id="note-fault" class="fault" { "The note was not saved: " (why) "." }
                }
                details open[fault.is_some()] {
                    summary { "Add your name or a note" }
                    label for="name" { "Your name, if you like" }
                    input id="name" name="name" type="text" autocomplete="nickname" maxlength=(Answer::NAME_MAX);
                    label for="note" { "A note for the others, if you like" }
                    p id="note-help" class="standing" {
                        "At most " (AlarmNote::TEXT_MAX) " characters. Enter no child's name."
                    }
                    textarea id="note" name="note" rows="3" maxlength=(AlarmNote::TEXT_MAX) autocomplete="off"
                        aria-describedby="note-help" {
                        @if let Some((_, note)) = fault { (note) }
                    }
                }
                @if self.claim.key.kind.asks_found() {
                    @for found in Finding::ALL {
                        button type="submit" name="found" value=(found.name()) { (found.words()) }
                    }
                }
                button type="submit" { (button) }
                p class="standing" { (effect) }
            }
        }
    }

    /// The usual cautions, in short. Common practice; the school's own rules come
    /// first, and the page says so.
    fn care(&self) -> Markup {
        let tank = self.view.tanks.iter().any(|tank| tank.id == self.claim.key.place);
        html! {
            section class="care" {
                h2 { "Take care" }
                ul {
                    li { "Sensors can be wrong. Look for yourself before you act." }
                    li { "The rules of your school and council come first." }
                    @if tank {
                        li { "Change a tank's water a little at a time. Unplug pumps and heaters before you put a "
                             "hand in." }
                    }
                }
            }
        }
    }

    fn page(&self, status: StatusCode, title: &str, body: &Markup) -> Response {
        let as_of = labels::full_moment(self.view.now, &self.view.time_zone);
        let body = html! {
            h1 { (title) }
            p class="as-of" { (self.view.name) ", " (as_of) }
            (body)
        };
        (status, localized(&self.view.local, plain_page(self.notice, title, &body))).into_response()
    }

    /// "Kitchen bed: Bed needs water".
    fn heading(&self) -> String {
        let name = self.view.alarm(&self.claim.key).map(|alarm| alarm.place_name.as_str());
        let place = &self.claim.key.place;
        let name = name.or_else(|| name_of(&self.view, place)).unwrap_or(place.as_str());
        format!("{name}: {}", labels::kind(self.claim.key.kind))
    }

    fn status(&self) -> LinkStatus {
        let Some(alarm) = self.view.alarm(&self.claim.key) else { return LinkStatus::Over };
        // Links carry milliseconds.
        let same = alarm.record.since.as_millisecond() == self.claim.since.as_millisecond();
        match alarm.record.state {
            state if state.is_hidden() => LinkStatus::Aside,
            _ if !same => LinkStatus::Newer,
            state if state.waits() => LinkStatus::Waits,
            _ => LinkStatus::AnsweredBefore,
        }
    }
}

fn name_of<'a>(view: &'a SiteView, place: &Id) -> Option<&'a str> {
    let bed = view.beds.iter().find(|bed| bed.id == *place).map(|bed| &bed.name);
    let tank = || view.tanks.iter().find(|tank| tank.id == *place).map(|tank| &tank.name);
    let sensor = || view.sensors.iter().find(|sensor| sensor.id == *place).map(|sensor| &sensor.place_name);
    bed.or_else(tank).or_else(sensor).map(String::as_str)
}
