//! What to do, the first thing first: alarms, questions and jobs in one list, each with its
//! button beside it. Of the first the first step stands in bold; the others are folded.

use std::sync::Arc;

use jiff::Timestamp;
use maud::{Markup, html};

use super::alarm_card::{self, urgency};
use super::answered_by::{AnsweredBy, answered_words};
use super::asked;
use super::care;
use super::garden_lines::TaskSummary;
use super::jobs;
use super::layout::PageFrame;
use super::places::shape;
use crate::alarms::{Kind, Priority, State};
use crate::garden::jobs::view::JobView;
use crate::garden::plan::Garden;
use crate::garden::view::{AlarmView, ChangeQuestion, MulchQuestion, SiteView, WettingQuestion, look_later};
use crate::model::{Condition, Id};
use crate::telling::pending_words;
use crate::text::labels;
use crate::text::spoken::{TextParts, counted, list};

/// Things to do that are listed; the rest stand on the page of alarms.
const LISTED_MAX: usize = 24;

/// The rank of what is over, not urgent, and not answered.
const OVER: u8 = 9;

/// One thing to do. A question carries its number among the site's.
#[derive(Clone, Copy)]
enum Task<'a> {
    Alarm(&'a AlarmView),
    Watered(usize, &'a WettingQuestion),
    MulchLaid(usize, &'a MulchQuestion),
    Changed(usize, &'a ChangeQuestion),
    Job(&'a JobView),
}

impl Task<'_> {
    /// What is done first has the lowest.
    fn rank(&self, now: Timestamp) -> u8 {
        match self {
            // Whoever had to look at once has looked, or has not for days: what holds comes first.
            Self::Alarm(alarm) if alarm.record.state.waits() && alarm.is_long_over(now) => {
                if alarm.priority == Priority::High { 8 } else { OVER }
            }
            Self::Alarm(alarm) => match (alarm.record.state, alarm.priority) {
                (State::Unacknowledged | State::LatchedUnacknowledged, Priority::High) => 0,
                (State::Unacknowledged | State::LatchedUnacknowledged, Priority::Medium) => 2,
                (State::ReturnedUnacknowledged, Priority::High) => 5,
                (State::Unacknowledged | State::LatchedUnacknowledged, Priority::Low) => 7,
                (State::ReturnedUnacknowledged, _) => OVER,
                (_, Priority::High) => 10,
                (_, Priority::Medium) => 11,
                (_, Priority::Low) => 12,
            },
            Self::Changed(..) => 1,
            Self::Job(job) if job.is_overdue() => 3,
            Self::Job(_) => 4,
            Self::Watered(..) | Self::MulchLaid(..) => 6,
        }
    }
}

impl Task<'_> {
    /// What it is about, with its place.
    fn words(&self, view: &SiteView) -> String {
        match self {
            Self::Alarm(alarm) => format!("{}: {}", alarm.place_name, labels::kind(alarm.record.key.kind)),
            Self::Watered(_, question) => watered_words(question),
            Self::MulchLaid(_, question) => format!("{}: was the mulch laid?", question.name),
            Self::Changed(_, question) => format!("{}: did somebody change or move it?", question.name),
            Self::Job(job) if job.place == view.name => job.job.name.clone(),
            Self::Job(job) => format!("{}: {}", job.place, job.job.name),
        }
    }
}

fn watered_words(question: &WettingQuestion) -> String {
    let names: Vec<String> = question.beds.iter().map(|(_, name)| name.clone()).collect();
    format!("What watered {}?", list(&names))
}

/// What a list of things to do is about, and where it stands.
pub(super) struct TaskList<'a> {
    pub(super) frame: &'a PageFrame,
    pub(super) view: &'a SiteView,
    pub(super) garden: Option<&'a Arc<Garden>>,
    pub(super) answered: &'a [AnsweredBy],
    /// The place, its sensors among its ids; `None`: the whole site.
    pub(super) place: Option<&'a [&'a Id]>,
    /// Where a form leads back to.
    pub(super) then: String,
}

/// What is to do in a garden, in a line.
pub(super) fn summary(view: &SiteView) -> TaskSummary {
    let tasks = tasks(view, None);
    TaskSummary {
        count: tasks.len(),
        rank: tasks.first().map_or(u8::MAX, |task| task.rank(view.now)),
        first: tasks.first().map(|task| task.words(view)),
    }
}

fn is_among(place: Option<&[&Id]>, id: &Id) -> bool {
    place.is_none_or(|ids| ids.contains(&id))
}

/// What is to do at a place, its sensors among its ids, or in the whole site.
fn tasks<'a>(view: &'a SiteView, place: Option<&[&Id]>) -> Vec<Task<'a>> {
    let is_here = |id: &Id| is_among(place, id);
    let due = |job: &&JobView| job.is_due() && job.job.place.as_ref().map_or(place.is_none(), is_here);
    let jobs: Vec<&JobView> = view.jobs.iter().filter(due).collect();
    // A job that is overdue stands in the list itself, with its own button.
    let twice = |alarm: &AlarmView| {
        let key = &alarm.record.key;
        key.kind == Kind::JobOverdue && jobs.iter().any(|job| *job.id() == key.place)
    };
    let alarms = view
        .alarms
        .iter()
        .filter(|alarm| !alarm.record.state.is_hidden() && is_here(&alarm.record.key.place) && !twice(alarm));
    let watered =
        view.questions.iter().enumerate().filter(|(_, it)| it.beds.iter().any(|(id, _)| is_here(id)));
    let mulch = view.mulch_questions.iter().enumerate().filter(|(_, it)| is_here(&it.bed));
    let changed = view.change_questions.iter().enumerate().filter(|(_, it)| is_here(&it.sensor));
    let mut tasks: Vec<Task<'a>> = alarms
        .map(Task::Alarm)
        .chain(changed.map(|(number, it)| Task::Changed(number, it)))
        .chain(mulch.map(|(number, it)| Task::MulchLaid(number, it)))
        .chain(watered.map(|(number, it)| Task::Watered(number, it)))
        .chain(jobs.iter().copied().map(Task::Job))
        .collect();
    // Stable: within one rank the garden's own order stays.
    tasks.sort_by_key(|task| task.rank(view.now));
    tasks
}

impl TaskList<'_> {
    /// The list; where nothing is to do, `nothing` instead.
    pub(super) fn draw(&self, nothing: Markup) -> Markup {
        let mut tasks = tasks(self.view, self.place);
        // What is over and not urgent is told in a line, unless it is all there is.
        let all = tasks.len();
        let over = |task: &Task<'_>| task.rank(self.view.now) == OVER;
        let mut number = 0;
        tasks.retain(|task| {
            number += 1;
            number == 1 || !over(task)
        });
        let over = all - tasks.len();
        let more = tasks.len().saturating_sub(LISTED_MAX);
        html! {
            div class="to-do" {
                @match tasks.split_first() {
                    None => (nothing),
                    Some((first, rest)) => {
                        (self.first(*first))
                        @if !rest.is_empty() {
                            h2 class="then" { "Then" }
                            ol class="tasks" {
                                @for task in rest.iter().take(LISTED_MAX - 1) { li { (self.folded(*task)) } }
                            }
                        }
                        @if more > 0 {
                            p { a href=(self.alarms()) { "And " (more) " more, on the page of alarms" } }
                        }
                        @if over > 0 {
                            p {
                                a href={ (self.alarms()) "#over" } {
                                    (counted(over, "alarm is over and not answered", "alarms are over and not answered"))
                                }
                            }
                        }
                        (self.frame.visitor.how_to_change())
                    }
                }
                @for hold in &self.view.rain_holds { p class="hold" { (hold) } }
                (self.waiting())
            }
        }
    }

    fn alarms(&self) -> String {
        format!("/site/{}/alarms", self.view.id)
    }

    fn first(&self, task: Task<'_>) -> Markup {
        html! {
            article class={ "task first " (self.tone(task)) } id="first-task" {
                p class="task-head" { (self.chip(task)) }
                h2 { (self.heading(task, true)) }
                (self.body(task))
            }
        }
    }

    fn folded(&self, task: Task<'_>) -> Markup {
        html! {
            details class={ "task " (self.tone(task)) } id=(self.id(task)) {
                summary { (self.chip(task)) " " span class="task-name" { (self.heading(task, false)) } }
                (self.body(task))
            }
        }
    }

    fn id(&self, task: Task<'_>) -> String {
        match task {
            Task::Alarm(alarm) => format!("task-{}", alarm_card::id(alarm)),
            Task::Watered(number, _) => format!("watered-{number}"),
            Task::MulchLaid(number, _) => format!("laid-{number}"),
            Task::Changed(number, _) => format!("changed-{number}"),
            Task::Job(job) => format!("job-{}", job.id()),
        }
    }

    /// How much it calls: by its edge.
    fn tone(&self, task: Task<'_>) -> &'static str {
        match task {
            Task::Alarm(alarm) if alarm.record.state.waits() && alarm.record.state.is_active() => {
                alarm.priority.name()
            }
            Task::Alarm(_) => "answered",
            Task::Job(_) | Task::Watered(..) | Task::MulchLaid(..) | Task::Changed(..) => "asks",
        }
    }

    fn chip(&self, task: Task<'_>) -> Markup {
        match task {
            Task::Alarm(alarm) => match alarm.record.state {
                State::ReturnedUnacknowledged | State::LatchedUnacknowledged => {
                    html! { span class="urgency low" { "Over, not answered" } }
                }
                State::LatchedAcknowledged => html! { span class="urgency low" { "Over, to close" } },
                State::Acknowledged => html! { span class="urgency low" { "Being dealt with" } },
                _ => urgency(alarm, self.view),
            },
            Task::Job(job) => html! {
                span class={ "urgency " (if job.is_overdue() { "medium" } else { "low" }) } {
                    (if job.is_overdue() { "Overdue" } else { "Today" })
                }
            },
            Task::Watered(..) | Task::MulchLaid(..) | Task::Changed(..) => {
                html! { span class="urgency low" { "Question" } }
            }
        }
    }

    /// What it is about. On the page of a place its name stands above already.
    fn heading(&self, task: Task<'_>, leads: bool) -> Markup {
        let place = |name: &str| {
            let to = leads.then(|| self.page_of(name)).flatten();
            html! {
                @if self.place.is_none() {
                    @if let Some(to) = to { a href=(to) { (name) } } @else { (name) }
                    ": "
                }
            }
        };
        match task {
            Task::Alarm(alarm) => {
                let title = labels::kind(alarm.record.key.kind);
                html! { (place(&alarm.place_name)) (title) }
            }
            Task::Watered(_, question) => html! { (watered_words(question)) },
            Task::MulchLaid(_, question) => html! { (place(&question.name)) "Was the mulch laid?" },
            Task::Changed(_, question) => html! { (question.name) ": did somebody change or move it?" },
            Task::Job(job) => html! {
                @if job.place != self.view.name { (place(&job.place)) }
                (job.job.name)
            },
        }
    }

    /// The page of a bed or a tank by its name.
    fn page_of(&self, name: &str) -> Option<String> {
        let bed = self.view.beds.iter().find(|bed| bed.name == name).map(|bed| format!("bed/{}", bed.id));
        let tank =
            || self.view.tanks.iter().find(|tank| tank.name == name).map(|tank| format!("tank/{}", tank.id));
        bed.or_else(tank).map(|path| format!("/site/{}/{path}", self.view.id))
    }

    fn body(&self, task: Task<'_>) -> Markup {
        match task {
            Task::Alarm(alarm) => self.alarm(alarm),
            Task::Watered(_, question) => asked::watered(self.frame, self.view, question),
            Task::MulchLaid(_, question) => asked::mulch_laid(self.frame, self.view, question),
            Task::Changed(_, question) => asked::changed(self.frame, self.view, question),
            Task::Job(job) => jobs::task(self.frame, self.view, job),
        }
    }

    fn alarm(&self, alarm: &AlarmView) -> Markup {
        let (view, record) = (self.view, &alarm.record);
        let parts = TextParts::of(&record.said.text);
        let late = (record.state == State::LatchedUnacknowledged).then(|| look_later(record.key.kind));
        // Some texts begin with what to do.
        let asks = parts.wrong.starts_with("Check ");
        let others = parts.first.into_iter().chain(parts.rest);
        let (wrong, act, rest): (_, _, Vec<&str>) = match (late, parts.first) {
            (_, None) if late.is_none() => (None, parts.wrong, Vec::new()),
            (late, _) if asks => (None, parts.wrong, others.chain(late).collect()),
            (Some(late), _) => (Some(parts.wrong), late, others.collect()),
            (None, first) => (Some(parts.wrong), first.unwrap_or_default(), others.skip(1).collect()),
        };
        let moment = |at| labels::moment(at, view.now, &view.time_zone);
        html! {
            @if let Some(wrong) = wrong { p class="wrong-is" { (wrong) } }
            @if !act.is_empty() { p class="act-first" { (act) } }
            @if let Some(by) = answered_words(alarm, self.answered, view) { p class="by" { (by) } }
            @if let Some(care) = parts.care { p class="caution" { (care) } }
            (alarm_card::quick_answers(alarm, &self.frame.visitor, view, &self.then))
            details {
                summary { @if rest.is_empty() { "More about this" } @else { "What else to do" } }
                @if !rest.is_empty() { ul { @for sentence in &rest { li { (sentence) } } } }
                (care::beside(&view.id, record.key.kind))
                p class="standing" { "Since " (moment(record.since)) ". " (labels::state(record.state)) }
                p { a href={ (self.alarms()) "#" (alarm_card::id(alarm)) } { "Why, add a note, or pause it" } }
            }
        }
    }

    /// What is not an alarm yet.
    fn waiting(&self) -> Markup {
        let here = self.view.pending.iter().filter(|it| is_among(self.place, &it.key.place));
        let words: Vec<String> = self
            .garden
            .map(|garden| here.map(|it| pending_words(garden, it, self.view.now)).collect())
            .unwrap_or_default();
        html! {
            @if !words.is_empty() {
                section class="waiting" id="waiting" {
                    h2 { "Waiting" }
                    p class="standing" { "Nobody has been told of " (if words.len() == 1 { "this" } else { "these" }) " yet." }
                    ul { @for words in &words { li { (words) } } }
                }
            }
        }
    }
}

/// Said where nothing is to do: that all is well only where everything is known to be well.
pub(super) fn nothing(view: &SiteView) -> Markup {
    let beds = view.beds.iter().map(|it| (it.condition, it.name.as_str()));
    let tanks = view.tanks.iter().map(|it| (it.condition, it.name.as_str()));
    let rain = view.rain.iter().map(|it| (it.condition, "the rain"));
    let places: Vec<(Condition, &str)> = beds.chain(tanks).chain(rain).collect();
    let unknown: Vec<String> = places
        .iter()
        .filter(|(it, _)| *it == Condition::Unknown)
        .map(|(_, name)| (*name).to_owned())
        .collect();
    let sensors = format!("/site/{}/sensors", view.id);
    let silent = view.sensors.iter().filter(|it| it.silent || it.last_at.is_none()).count();
    let seen = if view.tanks.is_empty() { "Feel the soil." } else { "Feel the soil and look at the fish." };
    if places.is_empty() {
        return html! {
            article class="task first asks" id="first-task" {
                h2 { "Nothing is watched here yet" }
                p { "The garden's file names no bed, tank or rain gauge." }
                p class="act-first" { "Look at the garden yourself." }
                p { a class="button" href=(sensors) { "Sensors" } }
            }
        };
    }
    if !unknown.is_empty() {
        let first_hour = view.sensors.iter().all(|it| it.last_at.is_none());
        let why = if first_hour { "no sensor has sent a reading yet" } else { "there are no fresh readings" };
        let which =
            if unknown.len() <= 3 { list(&unknown) } else { counted(unknown.len(), "place", "places") };
        return html! {
            article class="task first asks" id="first-task" {
                p class="condition unknown-is" { (shape(Condition::Unknown)) "Not known" }
                h2 { "Look for yourself" }
                p class="wrong-is" { "Trug can't tell how " (which) (if unknown.len() == 1 { " is" } else { " are" }) " doing: " (why) "." }
                p class="act-first" { (seen) }
                @if first_hour && !view.sensors.is_empty() { p { "Switch each sensor on. It shows up with its first message." } }
                p { a class="button" href=(sensors) { "What the sensors send" } }
            }
        };
    }
    let watch: Vec<String> = places
        .iter()
        .filter(|(it, _)| matches!(it, Condition::Watch | Condition::Act))
        .map(|(_, name)| (*name).to_owned())
        .collect();
    html! {
        article class="task first calm" id="first-task" {
            p class="condition well-is" { (shape(Condition::Well)) "Nothing to do" }
            @if watch.is_empty() { h2 { "The sensors see no trouble" } }
            @else { h2 { "Nothing just now" } p { "Keep an eye on " (list(&watch)) "." } }
            @if silent > 0 { p { (counted(silent, "sensor has", "sensors have")) " no fresh reading. " a href=(sensors) { "Sensors" } } }
            p class="act-first" { (seen) }
            p { a class="button" href={ "/site/" (view.id) "/write" } { "Add to the Garden log" } }
        }
    }
}
