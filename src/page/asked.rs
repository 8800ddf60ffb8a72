//! What people are asked: the log's own form, with everything filled in but the answer.

use maud::{Markup, html};

use super::forms::local;
use super::layout::PageFrame;
use crate::garden::view::{ChangeQuestion, MulchQuestion, SiteView, WettingQuestion};
use crate::model::Id;
use crate::text::labels;
use crate::text::spoken;

/// Entries of the log that answer what watered a bed.
const ANSWERS: [(&str, &str); 4] = [
    ("rained", "Rain"),
    ("timer-ran", "The timer"),
    ("watered", "A hose or can"),
    ("cause-not-known", "Nobody knows"),
];

/// Where a question's form goes, and back to.
struct QuestionForm<'a> {
    frame: &'a PageFrame,
    view: &'a SiteView,
    /// The text by which an answer is taken once: the same for each visitor and each look at
    /// the page, so that a page that has not changed stays the same.
    once: String,
    place: &'a Id,
    at: jiff::Timestamp,
    /// What is asked.
    asked: String,
}

impl QuestionForm<'_> {
    fn draw(&self, answers: &Markup) -> Markup {
        let (frame, view) = (self.frame, self.view);
        let from_today = frame.path == "/" || frame.path == format!("/site/{}", view.id);
        html! {
            @if frame.visitor.sees_forms() {
                form class="deal" method="post" action={ "/site/" (view.id) "/write" } aria-label=(self.asked) {
                    (frame.visitor.form_field())
                    input type="hidden" name="once" value=(self.once);
                    @if from_today { input type="hidden" name="then" value="today"; }
                    input type="hidden" name="place" value=(self.place);
                    input type="hidden" name="at" value=(local(self.at, &view.time_zone));
                    input type="hidden" name="offered" value=(self.at);
                    (answers)
                }
            }
        }
    }
}

/// "It grew wetter at about 3 pm on Thursday. What watered it?"
pub(super) fn watered(frame: &PageFrame, view: &SiteView, question: &WettingQuestion) -> Markup {
    let when = spoken::moment_seen_from(question.at, view.now, &view.time_zone);
    let (one, bed) = (question.beds.len() == 1, &question.beds[0].0);
    let index = view.beds.iter().position(|it| it.id == *bed).unwrap_or(0);
    let form = QuestionForm {
        frame,
        view,
        once: format!("{:.30}-{index}-{}", view.id.as_str(), question.at.as_second()),
        place: bed,
        at: question.at,
        asked: "What watered it?".to_owned(),
    };
    let buttons =
        html! { @for (kind, label) in ANSWERS { button type="submit" name="kind" value=(kind) { (label) } } };
    html! {
        p class="wrong-is" { @if one { "It" } @else { "They" } " got wetter at about " (when) "." }
        (form.draw(&buttons))
        p class="standing" { "Your answer goes into the Garden log. It shows Trug what was rain and what was watering." }
    }
}

/// Whether planned mulch was laid.
pub(super) fn mulch_laid(frame: &PageFrame, view: &SiteView, question: &MulchQuestion) -> Markup {
    let bed = view.beds.iter().position(|bed| bed.id == question.bed).unwrap_or(0);
    let depth_mm = format!("{:.0}", question.depth_mm);
    let form = QuestionForm {
        frame,
        view,
        once: format!("{:.30}-m{bed}-{}", view.id.as_str(), question.at.as_second()),
        place: &question.bed,
        at: question.at,
        asked: "Was the mulch laid?".to_owned(),
    };
    let buttons = html! {
        input type="hidden" name="depth_mm" value=(depth_mm);
        button type="submit" name="kind" value="mulch" { "Yes, about " (depth_mm) " mm deep" }
        button type="submit" name="kind" value="mulch-not-laid" { "No" }
    };
    html! {
        p class="wrong-is" { "Mulch was planned for " (spoken::day(question.planned)) ". Until somebody answers, the bed counts as bare." }
        (form.draw(&buttons))
    }
}

/// Whether a thermometer was changed. That it was not says the alarm, which stays.
pub(super) fn changed(frame: &PageFrame, view: &SiteView, question: &ChangeQuestion) -> Markup {
    let sensor = view.sensors.iter().position(|sensor| sensor.id == question.sensor).unwrap_or(0);
    let when = spoken::moment_seen_from(question.at, view.now, &view.time_zone);
    let form = QuestionForm {
        frame,
        view,
        once: format!("{:.30}-p{sensor}-{}", view.id.as_str(), question.at.as_second()),
        place: &question.sensor,
        at: question.at,
        asked: "Was the thermometer changed?".to_owned(),
    };
    let buttons = html! { button type="submit" name="kind" value="probe" { "Yes, it was changed" } };
    html! {
        p class="wrong-is" {
            "It read " (labels::degrees(question.before_c)) " before a break and " (labels::degrees(question.after_c))
            " after it, at " (when) "."
        }
        (form.draw(&buttons))
        p { "If nobody did, the water itself changed. Look at the fish now. Then measure the water with another thermometer." }
    }
}
