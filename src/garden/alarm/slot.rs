//! One alarm of one place as it stands, and the words that were last said.

use jiff::Timestamp;

use crate::alarms::{
    AlarmCourse, AlarmKey, AlarmRecord, AlarmText, Answered, Delays, Input, Life, LifeStep, State,
};
use crate::garden::alarm::kept_text::KeptText;
use crate::garden::alarm::place::AlarmSubject;
use crate::garden::plan::Garden;
use crate::garden::record::{AlarmChange, Batch};
use crate::model::{KeptTime, add_seconds};
use crate::text::spoken;
use crate::watering::next_stretch;

/// Words of an alarm that stands are renewed after this, seconds.
const FRESH_S: i64 = 3600;

/// A condition that the restored readings seem to begin with within this of their first
/// may have begun before them, seconds: the slowest sensors speak once a day.
const UNSEEN_S: i64 = 86_400;

/// An alarm and its last words. Most have never stood, and take no more room than their name.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct AlarmSlot {
    pub(crate) subject: AlarmSubject,
    /// `None`: as [`SlotState::NORMAL`].
    state: Option<Box<SlotState>>,
}

/// How an alarm stands and what was said of it.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct SlotState {
    life: Life,
    /// How far it went, and how often it came back.
    course: AlarmCourse,
    /// The occurrence that the course has counted last.
    counted: Option<Timestamp>,
    /// When the state last changed, and the newest words.
    last: Option<(KeptTime, KeptText)>,
    /// The span in which those words are fresh; `None`: they come from the store.
    fresh: Option<(Timestamp, Timestamp)>,
}

impl SlotState {
    const NORMAL: Self = Self {
        life: Life::Normal,
        course: AlarmCourse { severity: 0, times: 0, first: None, ended: None, worse: false },
        counted: None,
        last: None,
        fresh: None,
    };

    /// Counts a new occurrence and notes how far it goes. One that people see and that
    /// goes a further step beyond its limit is told again, also where somebody has taken
    /// it on.
    fn go_on(
        &mut self,
        step: Option<LifeStep>,
        (at, held): (Timestamp, bool),
        severity: u16,
        within_s: u32,
    ) -> Option<LifeStep> {
        self.course.worse = false;
        if held && !self.life.holds() {
            self.course.ended = Some(at);
        }
        if let Some(step) = step.filter(|step| step.to == State::Unacknowledged)
            // The store keeps milliseconds.
            && self.counted.map(Timestamp::as_millisecond) != Some(step.since.as_millisecond())
        {
            self.counted = Some(step.since);
            self.course = self.course.raised(step.since, severity, within_s);
            return Some(step);
        }
        if severity <= self.course.severity || !self.life.state().is_active() {
            return step;
        }
        self.course = AlarmCourse { severity, worse: true, ..self.course };
        let from = step.map_or(self.life.state(), |step| step.from);
        let since = self.life.since().unwrap_or(at);
        if let Life::Acknowledged { since, clear, .. } = self.life {
            self.life = Life::Unacknowledged { since, clear };
        }
        Some(LifeStep { from, to: State::Unacknowledged, since })
    }
}

/// What a judgement asks to be told or renewed.
pub(crate) struct Telling {
    at: Timestamp,
    /// The change of the published state; `None`: the words of the present one are old.
    step: Option<LifeStep>,
    /// Whether the words are about a condition that holds.
    pub(crate) active: bool,
    /// Whether what was said before is said again: by an answer and by a reminder.
    repeats: bool,
}

impl AlarmSlot {
    /// An alarm that is normal.
    pub(crate) fn new(subject: AlarmSubject) -> Self {
        Self { subject, state: None }
    }

    /// Whether it is as if it had never stood.
    pub(crate) fn never_stood(&self) -> bool {
        self.state.is_none()
    }

    /// What has never stood is moved by a breach, or by what hides it, alone.
    pub(crate) fn is_nothing_new(input: Input) -> bool {
        matches!(input, Input::Clear | Input::Deadband | Input::Unknown | Input::Time)
    }

    fn state(&self) -> &SlotState {
        const NORMAL: &SlotState = &SlotState::NORMAL;
        self.state.as_deref().unwrap_or(NORMAL)
    }

    fn state_mut(&mut self) -> &mut SlotState {
        self.state.get_or_insert_with(|| Box::new(SlotState::NORMAL))
    }

    /// Frees the room of one that is as if it had never stood.
    fn settle(&mut self) {
        if self.state.as_deref() == Some(&SlotState::NORMAL) {
            self.state = None;
        }
    }

    pub(crate) fn life(&self) -> Life {
        self.state().life
    }

    /// When the state last changed.
    pub(crate) fn last_at(&self) -> Option<Timestamp> {
        self.state().last.as_ref().map(|(at, _)| at.at())
    }

    /// The newest words.
    pub(crate) fn said(&self) -> Option<AlarmText> {
        self.state().last.as_ref().map(|(_, said)| said.open())
    }

    /// Whether what was read of it can be one.
    pub(crate) fn is_sound(&self) -> bool {
        self.state().last.as_ref().is_none_or(|(_, said)| said.is_sound())
    }

    /// Makes it stand as it was stored, whatever the restored readings made of it. What
    /// is not stored is normal. Readings before `readings_from` were not restored, so a
    /// condition that they seem to begin with may have begun long before.
    ///
    /// Where the restored readings show that its condition holds, their words are kept:
    /// the stored ones are of its last step, which may be weeks old.
    pub(crate) fn restore(&mut self, stored: Option<&AlarmRecord>, readings_from: Option<Timestamp>) {
        let by_rank = !self.subject.kind.row().by_severity.is_empty();
        let it = self.state_mut();
        let replayed = it.life;
        let words = it.last.take().filter(|_| replayed.holds());
        let state = stored.map_or(State::Normal, |alarm| alarm.state);
        if replayed.state() != state {
            it.life = match stored {
                Some(it) => Life::restored(state, it.since, it.at, it.shelf, replayed),
                None => Life::Normal,
            };
        }
        let by_readings = it.course.severity;
        it.course = stored.map_or_else(AlarmCourse::default, |alarm| alarm.course);
        // A record of before such a kind had steps holds none: what the readings give is no
        // news, and nothing grows worse by a restart.
        if by_rank && replayed.holds() && state.is_active() {
            it.course.severity = it.course.severity.max(by_readings);
        }
        it.counted = stored.map(|alarm| alarm.since);
        it.fresh = None;
        // What is normal says nothing.
        if let Some(stored) = stored.filter(|alarm| alarm.state != State::Normal) {
            let unseen = |since: Timestamp| {
                readings_from.is_some_and(|from| since.as_second() - from.as_second() <= UNSEEN_S)
            };
            it.life = it.life.begun(stored.since, unseen);
            let words = words.filter(|_| state.is_active() || state.is_hidden());
            let said = words.map_or_else(|| KeptText::new(stored.said.clone()), |words| words.1);
            it.last = Some((stored.at.into(), said));
        }
        self.settle();
    }

    /// Makes it go on from a kept state, where what is stored may be newer. Returns whether
    /// it stands as nobody has stopped it: with its running delays and its newest words.
    /// Else it was laid over as [`AlarmSlot::restore`] does.
    pub(crate) fn go_on_from(&mut self, stored: Option<&AlarmRecord>) -> bool {
        let told = self.last_at().map(Timestamp::as_millisecond);
        let same = match stored {
            Some(it) => {
                let since = self.life().since().map(Timestamp::as_millisecond);
                self.life().state() == it.state
                    && told == Some(it.at.as_millisecond())
                    && (it.state == State::Normal || since == Some(it.since.as_millisecond()))
            }
            None => self.life().state() == State::Normal && told.is_none(),
        };
        if !same {
            self.restore(stored, None);
        }
        same
    }

    /// Which alarm it is.
    pub(crate) fn key(&self, garden: &Garden) -> AlarmKey {
        let AlarmSubject { kind, place } = self.subject;
        AlarmKey { site: garden.site.id.clone(), kind, place: place.id(garden).clone() }
    }

    /// The alarm as it stands; `None` where it was never told.
    pub(crate) fn record(&self, garden: &Garden) -> Option<AlarmRecord> {
        let SlotState { life, course, .. } = *self.state();
        let (at, said) = (self.last_at()?, self.said()?);
        Some(AlarmRecord {
            key: self.key(garden),
            state: life.state(),
            since: life.since().unwrap_or(at),
            at,
            shelf: life.shelf(),
            course,
            said,
        })
    }

    /// Why an answer to the occurrence that began at `since` is not one to this
    /// alarm as it stands; `None` where it is.
    pub(crate) fn not_of(&self, since: Timestamp, input: Option<Input>) -> Option<Answered> {
        match (self.life(), self.life().since()) {
            // What is out of sight is brought back whatever its condition has done
            // meanwhile: nobody outside knows when that began.
            (Life::Hidden { .. }, _) if matches!(input, Some(Input::Unshelve | Input::PutBack)) => None,
            // A new breach that nobody has been told of is no occurrence yet.
            (Life::Pending { .. } | Life::Normal, _) | (_, None) => Some(Answered::Over),
            // The store and the links keep milliseconds.
            (_, Some(began)) if began.as_millisecond() == since.as_millisecond() => None,
            (_, Some(_)) => Some(Answered::OtherOccurrence),
        }
    }

    /// Takes one judgement and tells of it. `words` is told whether the alarm is active
    /// after the step. It is asked for words when the published state changes, and now
    /// and then while the condition stands: litres and "before 9 am" grow old.
    pub(crate) fn step(
        &mut self,
        garden: &Garden,
        at: Timestamp,
        input: Input,
        delays: Delays,
        batch: &mut Batch,
        words: impl FnOnce(bool) -> AlarmText,
    ) {
        self.step_graded(0, garden, at, input, delays, batch, words);
    }

    /// The same of a condition that is `severity` steps beyond its limit.
    #[expect(clippy::too_many_arguments, reason = "one judgement's parts")]
    pub(crate) fn step_graded(
        &mut self,
        severity: u16,
        garden: &Garden,
        at: Timestamp,
        input: Input,
        delays: Delays,
        batch: &mut Batch,
        words: impl FnOnce(bool) -> AlarmText,
    ) {
        if let Some(telling) = self.advance(garden, at, input, delays, severity) {
            let text = self.repeated(&telling).unwrap_or_else(|| words(telling.active));
            self.tell(garden, &telling, text, batch);
        }
    }

    /// Takes one judgement, `severity` steps beyond its limit. Returns what is to be told
    /// of it, if anything is.
    pub(crate) fn advance(
        &mut self,
        garden: &Garden,
        at: Timestamp,
        input: Input,
        delays: Delays,
        severity: u16,
    ) -> Option<Telling> {
        if self.never_stood() && Self::is_nothing_new(input) {
            return None;
        }
        let before = self.life();
        let held = before.holds();
        let mut rule = garden.rules[self.subject.kind];
        if !self.subject.kind.row().by_severity.is_empty() {
            let AlarmSubject { kind, place } = self.subject;
            rule.priority = garden.priority_graded(kind, place.id(garden), self.state().course.severity);
        }
        let (life, step) = before.step(at, input, rule.policy(delays));
        if self.state.is_none() && life == Life::Normal {
            return None;
        }
        let now = self.state_mut();
        now.life = life;
        let step = now.go_on(step, (at, held), severity, rule.count_s);
        self.settle();
        match step {
            Some(step) => {
                let repeats = self.last_at().is_some() && (input.is_answer() || input == Input::Time);
                Some(Telling { at, step: Some(step), active: step.to.is_active(), repeats })
            }
            None if self.words_are_old(at, input, held) => {
                Some(Telling { at, step: None, active: life.holds(), repeats: false })
            }
            None => None,
        }
    }

    /// What stands before the rule's words: that it grows worse, or how often it came.
    fn preamble(&self, garden: &Garden, told: &Telling) -> String {
        let AlarmCourse { times, first, worse, .. } = self.state().course;
        let mut words = String::new();
        if let Some(first) = first.filter(|_| told.active && times > 1) {
            let day = garden.site.time_zone.to_datetime(first).date();
            words = format!("The {} time since {}: ", spoken::ordinal(times), day.strftime("%-d %B"));
        }
        if worse && told.active && told.step.is_some() {
            words = format!("Getting worse: {words}");
        }
        words
    }

    /// Whether the words want renewing where the published state stays. Nothing is told
    /// or kept then, and the time of the last change stays. A hidden alarm's words follow
    /// its condition, so that they are true when it is shown again.
    fn words_are_old(&self, at: Timestamp, input: Input, held: bool) -> bool {
        let it = self.state();
        let holds = it.life.holds();
        let old = held != holds || it.fresh.is_none_or(|(from, until)| at < from || until <= at);
        let speaks = match input {
            Input::Breach => holds,
            Input::Deadband => holds && self.subject.kind.row().words_in_deadband,
            Input::Clear => held && !holds,
            _ => false,
        };
        it.last.is_some() && old && speaks
    }

    /// What was said before, where an answer or a reminder says it again.
    pub(crate) fn repeated(&self, telling: &Telling) -> Option<AlarmText> {
        if telling.repeats { self.said() } else { None }
    }

    /// Keeps the words, and adds the change to `batch` if there is one.
    pub(crate) fn tell(&mut self, garden: &Garden, telling: &Telling, said: AlarmText, batch: &mut Batch) {
        let at = telling.at;
        let mut said = said;
        let AlarmSubject { kind, place } = self.subject;
        let priority = garden.priority_graded(kind, place.id(garden), self.state().course.severity);
        let date = |at| garden.site.time_zone.to_datetime(at).date();
        let began = self.life().since().unwrap_or(telling.at);
        said.text = spoken::by_when(&said.text, priority, date(began), date(telling.at));
        if !telling.repeats {
            said.text.insert_str(0, &self.preamble(garden, telling));
            self.state_mut().fresh = Some((at, fresh_until(garden, self.subject, at)));
        }
        let local = garden.local_text();
        local.turn_text(&mut said.text);
        if !local.changes_nothing() {
            said.source = local.text(&said.source).into_owned().into();
        }
        let Some(step) = telling.step else {
            if let Some(last) = &mut self.state_mut().last {
                last.1 = KeptText::new(said);
            }
            return;
        };
        let key = self.key(garden);
        batch.changes.push(AlarmChange {
            priority,
            from: step.from,
            how: None,
            tell: garden.told_of(key.kind, &key.place),
            record: AlarmRecord {
                key,
                state: step.to,
                since: step.since,
                at,
                shelf: self.life().shelf(),
                course: self.state().course,
                said: said.clone(),
            },
        });
        self.state_mut().last = Some((at.into(), KeptText::new(said)));
    }
}

/// Until when words of `at` are fresh: an hour, and no longer than the local day
/// and the present stretch of hours in which water may or may not run.
fn fresh_until(garden: &Garden, subject: AlarmSubject, at: Timestamp) -> Timestamp {
    let zone = &garden.site.time_zone;
    let midnight = zone
        .to_datetime(at)
        .date()
        .tomorrow()
        .ok()
        .and_then(|date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok());
    let edge = |hours| next_stretch(hours, zone, at).map(|(from, to)| if from > at { from } else { to });
    let place = subject.place.id(garden);
    let own = edge(garden.watering_hours(place));
    let by_hand = edge(garden.hand_watering_hours(place));
    [midnight, own, by_hand].into_iter().flatten().fold(add_seconds(at, FRESH_S), Timestamp::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::{Kind, RuleSettings};
    use crate::garden::alarm::place::AlarmPlace;
    use crate::garden::plan::{GardenPlan, Site};
    use crate::model::{Id, LocalHours};
    use jiff::tz::TimeZone;

    /// A probe that speaks every second for a day: words are made 24 times for the
    /// hours, and for the three edges of the day that fall between them, at most.
    #[test]
    fn words_are_seldom_made() {
        let garden = Garden::from(GardenPlan {
            site: Site {
                id: Id::new("school"),
                name: "School".to_owned(),
                time_zone: TimeZone::get("Australia/Adelaide").expect("bundled"),
                locale: crate::text::locale::Locale::default(),
                latitude_deg: -34.9,
                elevation_m: 50.0,
                watering_rules: LocalHours::new(vec![(0, 540), (1080, 1440)]).into(),
                working_hours: LocalHours::new(vec![]),
                holidays: vec![],
            },
            beds: vec![],
            tanks: vec![],
            sensors: vec![],
            gateways: Vec::new(),
            tell: vec![],
            rules: RuleSettings::default(),
            roof: None,
            programs: Vec::new(),
            ground: crate::garden::ground::Ground::default(),
            jobs: Vec::new(),
            handover: crate::garden::plan::Handover::default(),
        });
        let mut slot = AlarmSlot::new(AlarmPlace::System.alarm(Kind::DryBed));
        let (mut batch, mut made) = (Batch::default(), 0);
        let start: Timestamp = "2026-04-07T01:10:00Z".parse().expect("a time");
        for second in 0..86_400 {
            let at = add_seconds(start, second);
            slot.step(&garden, at, Input::Breach, Delays::NONE, &mut batch, |active| {
                assert!(active);
                made += 1;
                AlarmText::new("", &[], "")
            });
        }
        assert_eq!(batch.changes.len(), 1);
        assert!((24..=27).contains(&made), "{made}");
    }
}
