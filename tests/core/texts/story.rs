//! How one alarm comes and goes, and what is said on the way.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, AlarmRecord, Input, Kind, State};
use trug::telling::{Message, Notifier, NotifierOutput, Purpose};

use super::advice::Shown;
use super::page::Page;
use crate::support::run::Run;

/// What happens to the garden.
type Act = Box<dyn Fn(&mut Run)>;

/// How one alarm comes and goes.
pub(super) struct Story {
    pub(super) kind: Kind,
    place: &'static str,
    /// What is the matter, for whoever reads the page.
    what: &'static str,
    begin: Box<dyn Fn() -> Run>,
    raise: Act,
    /// What happens while it stands, each with a few words for it.
    then: Vec<(&'static str, Act)>,
    end: Option<Act>,
}

impl Story {
    /// An alarm at a place; `begin` makes the garden and `raise` raises it.
    pub(super) fn new(
        kind: Kind,
        place: &'static str,
        what: &'static str,
        begin: impl Fn() -> Run + 'static,
        raise: impl Fn(&mut Run) + 'static,
    ) -> Self {
        Self {
            kind,
            place,
            what,
            begin: Box::new(begin),
            raise: Box::new(raise),
            then: Vec::new(),
            end: None,
        }
    }

    /// Something that happens while the alarm stands.
    pub(super) fn then(mut self, what: &'static str, act: impl Fn(&mut Run) + 'static) -> Self {
        self.then.push((what, Box::new(act)));
        self
    }

    /// What ends it.
    pub(super) fn end(mut self, act: impl Fn(&mut Run) + 'static) -> Self {
        self.end = Some(Box::new(act));
        self
    }

    fn begun(&self) -> Run {
        let mut run = (self.begin)();
        (self.raise)(&mut run);
        let raised = run.changes.iter().any(|it| it.record.key == run.key(self.kind, self.place));
        let heard: Vec<_> =
            run.changes.iter().map(|it| (it.record.key.kind.name(), &it.record.said.text)).collect();
        assert!(raised, "{} at {} ({}) was not raised: {heard:?}", self.kind.name(), self.place, self.what);
        run
    }

    /// The steps of this story's own alarm.
    fn steps(&self, run: &Run) -> Vec<AlarmRecord> {
        let key = run.key(self.kind, self.place);
        run.changes.iter().map(|it| &it.record).filter(|it| it.key == key).cloned().collect()
    }

    /// Writes the alarm in each of its states.
    pub(super) fn tell(&self, page: &mut Page, shown: &mut Shown) {
        shown.look(&(self.begin)());
        let run = self.begun();
        shown.look(&run);
        let first =
            run.changes.iter().find(|it| it.record.key == run.key(self.kind, self.place)).expect("raised");
        page.heading(2, &format!("{}: {}", self.kind.name(), self.what));
        let mut told = Told::default();
        told.hear("", &first.record, str::to_owned);
        // Nobody answers.
        let mut alone = self.begun();
        self.go_on(&mut alone, shown, |when, record| told.hear(when, record, str::to_owned));
        // Somebody answers as soon as it is told; here words that differ in numbers only
        // say nothing new.
        let mut answered = self.begun();
        if answered.answer(self.kind, self.place, Input::Acknowledge) {
            for record in self.steps(&answered) {
                told.hear("", &record, without_numbers);
            }
            self.go_on(&mut answered, shown, |_, record| told.hear("", record, without_numbers));
        }
        // Somebody pauses it for two hours.
        let mut paused = self.begun();
        let until = paused.view().now + SignedDuration::from_hours(2);
        if paused.answer(self.kind, self.place, Input::Shelve { until, one_shot: false }) {
            for record in self.steps(&paused) {
                told.hear("", &record, without_numbers);
            }
        }
        for (states, text) in &told.texts {
            page.entry(&states.join("; "), text);
        }
        for message in self.messages(&alone) {
            let opening =
                if message.opening.is_empty() { String::new() } else { format!(" / {}", message.opening) };
            page.entry(
                &format!("message, {}", message.purpose.name()),
                &format!("{}{opening}", message.subject),
            );
        }
        page.entry("priority", &format!("{:?}", first.priority).to_lowercase());
        page.entry("rule", &first.record.said.source);
    }

    /// Lets the rest of the story happen.
    fn go_on(&self, run: &mut Run, shown: &mut Shown, mut hear: impl FnMut(&str, &AlarmRecord)) {
        let whole =
            self.then.iter().map(|(what, act)| (*what, act)).chain(self.end.iter().map(|act| ("", act)));
        for (what, act) in whole {
            let before = self.steps(run).len();
            act(run);
            shown.look(run);
            let when = if what.is_empty() { String::new() } else { format!(", {what}") };
            let after = self.steps(run);
            for record in &after[before..] {
                hear(&when, record);
            }
            // Words go on while an alarm stands, without a step of their own.
            if let Some(now) = run.view().alarm(&run.key(self.kind, self.place)) {
                hear(&when, &now.record);
            }
        }
        if self.end.is_some() {
            let over = |state| {
                matches!(
                    state,
                    State::Normal
                        | State::ReturnedUnacknowledged
                        | State::LatchedUnacknowledged
                        | State::LatchedAcknowledged
                )
            };
            let last = self.steps(run).pop().expect("a step");
            assert!(
                over(last.state),
                "{} ({}) is not over: {}",
                self.kind.name(),
                self.what,
                last.state.name()
            );
        }
    }

    /// What a group that hears of everything is told: at once, and some hours after.
    fn messages(&self, run: &Run) -> Vec<Message> {
        let mut notifier = Notifier::new(std::slice::from_ref(&run.garden));
        let mut told = NotifierOutput::default();
        let mut alarms: BTreeMap<AlarmKey, AlarmRecord> = BTreeMap::new();
        let mut tick = |notifier: &mut Notifier, at: Timestamp, alarms: &BTreeMap<AlarmKey, AlarmRecord>| {
            let mut out = std::mem::take(&mut told);
            notifier.tick(at, &|key| alarms.get(key).cloned(), &mut out);
            told = out;
        };
        let mut steps: Vec<_> = run.changes.clone();
        steps.sort_by_key(|it| it.record.at);
        let mut messages = Vec::new();
        for step in &steps {
            let at = step.record.at;
            alarms.insert(step.record.key.clone(), step.record.clone());
            let mut out = NotifierOutput::default();
            notifier.take(std::slice::from_ref(step), at, &mut out);
            messages.append(&mut out.messages);
            tick(&mut notifier, at + SignedDuration::from_secs(90), &alarms);
        }
        messages.append(&mut told.messages);
        let key = run.key(self.kind, self.place);
        messages.retain(|it| it.items.iter().any(|item| item.key == key) && it.purpose != Purpose::Test);
        messages.dedup_by(|a, b| (&a.subject, &a.opening) == (&b.subject, &b.opening));
        messages
    }
}

/// Each text once, with the states in which it was heard.
#[derive(Default)]
struct Told {
    texts: Vec<(Vec<String>, String)>,
}

impl Told {
    /// Takes what an alarm says. Two texts are one where `core` makes the same of them.
    fn hear(&mut self, when: &str, record: &AlarmRecord, core: fn(&str) -> String) {
        let state = format!("{}{when}", record.state.name());
        let text = &record.said.text;
        match self.texts.iter_mut().find(|(_, heard)| core(heard) == core(text)) {
            Some((states, _)) if states.contains(&state) => {}
            Some((states, _)) => states.push(state),
            None => self.texts.push((vec![state], text.clone())),
        }
    }
}

/// The words with each number, and each word that follows a clock's, as one sign.
pub(super) fn without_numbers(text: &str) -> String {
    let kept = text.split(' ').filter(|word| !word.starts_with(|c: char| c.is_ascii_digit()));
    kept.collect::<Vec<_>>().join(" ")
}
