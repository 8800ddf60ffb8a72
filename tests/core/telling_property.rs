//! Whatever alarms do, whoever answers and whenever the daemon is restarted: nobody
//! is left out, and nobody is told without cause or twice.

use std::collections::BTreeMap;

use crate::support::telling::{World, garden_in, later, time};
use jiff::Timestamp;
use proptest::prelude::*;
use proptest::test_runner::TestCaseResult;
use trug::alarms::{
    AlarmCourse, AlarmKey, AlarmRecord, AlarmText, Delays, Input, Kind, Life, LifeStep, Priority,
    RuleSettings, State,
};
use trug::garden::record::AlarmChange;
use trug::model::Id;
use trug::telling::{Message, Purpose, WaitFor, Waiting};

const GROUPS: &str = r#"
[[tell]]
who = "grounds"
alarms = ["dry-bed", "watering-hours", "ph"]
email = ["grounds@school.example", "grounds2@school.example"]
summary = "07:00"
next = { who = "office", after_min = 90 }
[[tell]]
who = "teacher"
alarms = ["low-oxygen", "tank-too-warm", "ph"]
email = ["teacher@school.example"]
instead = { email = ["teacher@home.example"] }
quiet = ["21:00-06:30"]
next = { who = "office", after_min = 30 }
[[tell]]
who = "office"
alarms = ["tank-too-warm"]
email = ["office@school.example"]
quiet = ["16:00-08:00"]
next = { who = "head", after_min = 5 }
[[tell]]
who = "head"
places = ["eel-tank", "pea-bed"]
email = ["head@school.example"]
[[tell]]
who = "screen"
alarms = ["dry-bed", "low-oxygen"]
next = { who = "head", after_min = 600 }
"#;

const ALARMS: [(Kind, &str); 7] = [
    (Kind::LowOxygen, "perch-tank"),
    (Kind::LowOxygen, "eel-tank"),
    (Kind::TankTooWarm, "perch-tank"),
    (Kind::Ph, "perch-tank"),
    (Kind::DryBed, "pea-bed"),
    (Kind::DryBed, "kitchen-bed"),
    (Kind::WateringHours, "pea-bed"),
];

/// Two days before the clock goes back in Adelaide, and two before it goes forward.
const STARTS: [&str; 2] = ["2026-04-03T02:00:00Z", "2026-10-02T02:00:00Z"];
/// Seconds between two looks at the clock.
const TICK_S: i64 = 600;

#[derive(Clone, Debug)]
enum Op {
    Pass {
        seconds: i64,
    },
    Feed {
        alarm: usize,
        input: Input,
    },
    /// One that stands grows worse.
    Worsen {
        alarm: usize,
    },
    /// Several in one commit.
    Storm {
        input: Input,
    },
    /// A message of those sent last is given up.
    Fail {
        back: usize,
    },
    Restart,
}

fn ops() -> impl Strategy<Value = Vec<Op>> {
    let input = prop_oneof![
        6 => Just(Input::Breach),
        4 => Just(Input::Clear),
        3 => Just(Input::Acknowledge),
        1 => Just(Input::Reset),
        1 => Just(Input::Unshelve),
        1 => Just(Input::Suppress),
        1 => Just(Input::Release),
        1 => Just(Input::TakeOut),
        1 => Just(Input::PutBack),
        1 => Just(Input::Shelve { until: Timestamp::MAX, one_shot: false }),
        1 => Just(Input::Shelve { until: Timestamp::MAX, one_shot: true }),
    ];
    let op = prop_oneof![
        4 => (1_i64..40_000).prop_map(|seconds| Op::Pass { seconds }),
        4 => (1_i64..200).prop_map(|seconds| Op::Pass { seconds }),
        12 => (0..ALARMS.len(), input.clone()).prop_map(|(alarm, input)| Op::Feed { alarm, input }),
        3 => (0..ALARMS.len()).prop_map(|alarm| Op::Worsen { alarm }),
        2 => input.prop_map(|input| Op::Storm { input }),
        2 => (0_usize..4).prop_map(|back| Op::Fail { back }),
        2 => Just(Op::Restart),
    ];
    proptest::collection::vec(op, 1..60)
}

/// The alarms' own lives, and what was told of them.
struct Run {
    world: World,
    now: Timestamp,
    lives: Vec<Life>,
    sent: Vec<Message>,
    /// How often an occurrence was raised or told again, by alarm and beginning.
    raised: BTreeMap<(AlarmKey, Timestamp), usize>,
    /// How often it grew worse.
    worse: BTreeMap<(AlarmKey, Timestamp), usize>,
    /// How often each alarm has come.
    times: Vec<u32>,
    /// When each alarm was last raised, or told again.
    last: BTreeMap<AlarmKey, Timestamp>,
    /// Restart before every call.
    always_restart: bool,
}

impl Run {
    fn new(start: &str, always_restart: bool) -> Self {
        Self {
            world: World::new(garden_in("Australia/Adelaide", GROUPS)),
            now: time(start),
            lives: vec![Life::default(); ALARMS.len()],
            sent: Vec::new(),
            raised: BTreeMap::new(),
            worse: BTreeMap::new(),
            times: vec![0; ALARMS.len()],
            last: BTreeMap::new(),
            always_restart,
        }
    }

    fn key(&self, alarm: usize) -> AlarmKey {
        let (kind, place) = ALARMS[alarm];
        self.world.key(kind, place)
    }

    /// One alarm's step, if the input makes one.
    fn step(&mut self, alarm: usize, input: Input) -> Option<AlarmChange> {
        let delays = Delays { deadband: 0.0, on_s: 0, off_s: 0 };
        let key = self.key(alarm);
        let policy = RuleSettings::default()[key.kind].policy(delays);
        let (life, step) = self.lives[alarm].step(self.now, input, policy);
        self.lives[alarm] = life;
        let step = step?;
        if step.to == State::Unacknowledged {
            let raised = self.raised.entry((key.clone(), step.since)).or_default();
            *raised += 1;
            if *raised == 1 {
                self.times[alarm] += 1;
            }
            self.last.insert(key.clone(), self.now);
        }
        Some(self.change(alarm, step, false))
    }

    /// A step that says that one which stands grew worse.
    fn worsen(&mut self, alarm: usize) -> Option<AlarmChange> {
        let from = self.lives[alarm].state();
        let since = self.lives[alarm].since()?;
        if !from.is_active() {
            return None;
        }
        let key = self.key(alarm);
        if let Life::Acknowledged { since, clear, .. } = self.lives[alarm] {
            self.lives[alarm] = Life::Unacknowledged { since, clear };
            *self.raised.entry((key.clone(), since)).or_default() += 1;
            self.last.insert(key.clone(), self.now);
        }
        *self.worse.entry((key, since)).or_default() += 1;
        Some(self.change(alarm, LifeStep { from, to: State::Unacknowledged, since }, true))
    }

    fn change(&self, alarm: usize, step: LifeStep, worse: bool) -> AlarmChange {
        let key = self.key(alarm);
        let life = self.lives[alarm];
        let text = format!("{} at {}: {}.", key.kind.name(), key.place, step.to.name());
        AlarmChange {
            priority: self.world.garden.rules[key.kind].priority,
            record: AlarmRecord {
                key,
                state: step.to,
                since: step.since,
                at: self.now,
                shelf: life.shelf(),
                course: AlarmCourse { times: self.times[alarm], worse, ..AlarmCourse::default() },
                said: AlarmText::new(text, &[], "made up"),
            },
            from: step.from,
            how: None,
            tell: Vec::new(),
        }
    }

    fn feed(&mut self, alarms: impl Iterator<Item = usize>, input: Input) -> TestCaseResult {
        let changes: Vec<AlarmChange> = alarms.filter_map(|alarm| self.step(alarm, input)).collect();
        self.tell(&changes)
    }

    fn tell(&mut self, changes: &[AlarmChange]) -> TestCaseResult {
        if self.always_restart {
            self.world.restart();
        }
        let told = self.world.take(self.now, changes);
        for change in changes {
            self.high_is_told(change, &told)?;
        }
        self.note(told)
    }

    /// Every group that a high one concerns is told of it in the commit of the step.
    fn high_is_told(&self, change: &AlarmChange, told: &[Message]) -> TestCaseResult {
        let key = &change.record.key;
        if key.kind.priority() != Priority::High || change.record.state != State::Unacknowledged {
            return Ok(());
        }
        let reminder = change.from == State::Acknowledged;
        if !reminder && !change.record.course.is_told() {
            return Ok(());
        }
        let worse = change.record.course.worse;
        for group in self
            .world
            .garden
            .tell
            .iter()
            .filter(|group| self.world.garden.concerns(group, key.kind, &key.place))
        {
            for address in &group.by {
                let found = told.iter().any(|message| {
                    message.who == group.who
                        && message.address == *address
                        && message.purpose == if worse { Purpose::Worse } else { Purpose::News }
                        && message
                            .items
                            .iter()
                            .any(|item| item.key == *key && item.since == change.record.since)
                });
                prop_assert!(found, "{} is not told of {key:?}: {told:?}", group.who);
            }
        }
        Ok(())
    }

    /// Time goes by, for the alarms too or for the groups alone.
    fn pass(&mut self, seconds: i64, alarms: bool) -> TestCaseResult {
        let end = later(self.now, seconds);
        while self.now < end {
            self.now = later(self.now, TICK_S).min(end);
            let passing = if alarms { ALARMS.len() } else { 0 };
            let changes: Vec<AlarmChange> =
                (0..passing).filter_map(|alarm| self.step(alarm, Input::Time)).collect();
            if self.always_restart {
                self.world.restart();
            }
            let told = self.world.take(self.now, &changes);
            for change in &changes {
                self.high_is_told(change, &told)?;
            }
            self.note(told)?;
            let told = self.world.tick(self.now);
            self.note(told)?;
        }
        Ok(())
    }

    fn fail(&mut self, back: usize) -> TestCaseResult {
        let Some(message) = self.sent.iter().rev().nth(back).cloned() else { return Ok(()) };
        if self.always_restart {
            self.world.restart();
        }
        let told = self.world.not_sent(&message, self.now);
        let all = told.iter().all(|m| matches!(m.purpose, Purpose::NotDelivered { .. }));
        prop_assert!(all, "{told:?}");
        self.note(told)
    }

    fn note(&mut self, told: Vec<Message>) -> TestCaseResult {
        for message in &told {
            for item in &message.items {
                let raised = self.raised.get(&(item.key.clone(), item.since));
                prop_assert!(raised.is_some(), "told of what never began: {message:?}");
                let standing = self.world.standing(&item.key);
                let waits = standing.is_some_and(|s| match item.priority {
                    Priority::High => s.state.waits(),
                    // What somebody ought to act on though it is over.
                    Priority::Medium | Priority::Low if item.key.kind == Kind::WateringHours => {
                        matches!(s.state, State::Unacknowledged | State::ReturnedUnacknowledged)
                    }
                    Priority::Medium | Priority::Low => s.state == State::Unacknowledged,
                });
                prop_assert!(
                    waits || message.purpose == Purpose::Over,
                    "told of what is over or answered: {message:?}"
                );
                if message.purpose == Purpose::Over {
                    prop_assert!(item.priority == Priority::High);
                    let before = self.sent.iter().chain(&told).any(|m| {
                        m.who == message.who
                            && m.purpose != Purpose::Over
                            && m.items.iter().any(|i| i.key == item.key && i.since == item.since)
                    });
                    prop_assert!(before, "told to be over and never told of: {message:?}");
                }
            }
        }
        self.sent.extend(told);
        Ok(())
    }

    /// Nobody was told twice of the same, but for reminders.
    fn none_twice(&self) -> TestCaseResult {
        let mut counts: BTreeMap<(String, String, &str, AlarmKey, Timestamp), usize> = BTreeMap::new();
        for message in &self.sent {
            let what = match &message.purpose {
                Purpose::News | Purpose::Summary => "news",
                // Each message that fails goes elsewhere, the reminder too.
                Purpose::NotDelivered { .. } => continue,
                // As long as nobody answers.
                Purpose::Again => continue,
                // From each group that does not answer, at its own time.
                Purpose::NotAnswered { by } => by.as_str(),
                other => other.name(),
            };
            for item in &message.items {
                let id =
                    (message.who.clone(), message.address.to.clone(), what, item.key.clone(), item.since);
                *counts.entry(id).or_default() += 1;
            }
        }
        for ((who, to, what, key, since), count) in counts {
            let raised = self.raised.get(&(key.clone(), since)).copied().unwrap_or(0);
            // What was passed on may come to a group with its summary, beside its own news.
            let worse = self.worse.get(&(key.clone(), since)).copied().unwrap_or(0);
            // What is not of high priority and grows worse is news once more.
            let rounds = if key.kind.priority() == Priority::High { raised } else { raised + worse };
            // What was passed on may come to a group with its summary, beside its own news.
            let most = match what {
                "over" => 1,
                "worse" => worse,
                "news" => rounds * 2,
                _ => rounds,
            };
            let twice = what == "news" && rounds == 1 && !has_summary(&self.world, &who);
            let most = if twice { 1 } else { most };
            prop_assert!(count <= most, "{who} at {to}: {what} of {key:?} {count} times, raised {raised}");
        }
        Ok(())
    }

    /// With nothing more happening, all that stands unanswered has been told, and
    /// nothing waits but the end of what stands.
    fn comes_to_rest(&mut self) -> TestCaseResult {
        self.pass(3 * 86_400, false)?;
        for (key, &raised_at) in &self.last {
            if self.world.standing(key).is_none_or(|s| s.state != State::Unacknowledged) {
                continue;
            }
            for group in self
                .world
                .garden
                .tell
                .iter()
                .filter(|group| self.world.garden.concerns(group, key.kind, &key.place))
            {
                let told = group.by.is_empty()
                    || self.sent.iter().any(|m| {
                        m.who == group.who
                            && m.made_at >= raised_at
                            && m.items.iter().any(|item| item.key == *key)
                    });
                prop_assert!(told, "{} was never told of {key:?}", group.who);
            }
        }
        let waiting: Vec<_> = self.world.waiting.values().flatten().collect();
        let rests = |row: &&Waiting| {
            let again = row.wait == WaitFor::Again && row.alarm.kind.priority() == Priority::High;
            row.wait == WaitFor::Over || again
        };
        prop_assert!(waiting.iter().copied().all(|row| rests(&row)), "{waiting:?}");
        // And when all of it is over, nothing is left.
        for input in
            [Input::Unshelve, Input::Release, Input::PutBack, Input::Acknowledge, Input::Clear, Input::Reset]
        {
            self.feed(0..ALARMS.len(), input)?;
        }
        self.feed(0..ALARMS.len(), Input::Acknowledge)?;
        self.feed(0..ALARMS.len(), Input::Reset)?;
        prop_assert!(self.world.waiting.values().flatten().count() == 0, "{:?}", self.world.waiting);
        Ok(())
    }

    fn run(&mut self, ops: &[Op]) -> TestCaseResult {
        for op in ops {
            match op {
                Op::Pass { seconds } => self.pass(*seconds, true)?,
                Op::Feed { alarm, input } => self.feed(std::iter::once(*alarm), *input)?,
                Op::Worsen { alarm } => {
                    let changes: Vec<AlarmChange> = self.worsen(*alarm).into_iter().collect();
                    self.tell(&changes)?;
                }
                Op::Storm { input } => self.feed(0..ALARMS.len(), *input)?,
                Op::Fail { back } => self.fail(*back)?,
                Op::Restart => self.world.restart(),
            }
            // No two steps at one moment, as in life.
            self.now = later(self.now, 1);
        }
        self.comes_to_rest()
    }
}

/// Nobody is told again of the same sooner than three quarters of an hour later: what is due
/// soon may go with what is due now.
fn none_hurried(sent: &[Message]) -> TestCaseResult {
    let mut last: BTreeMap<(&str, &str, &AlarmKey), Timestamp> = BTreeMap::new();
    for message in sent.iter().filter(|message| message.purpose == Purpose::Again) {
        for item in &message.items {
            let before = last.insert((&message.who, &message.address.to, &item.key), message.made_at);
            let gap_s = before.map_or(i64::MAX, |before| message.made_at.as_second() - before.as_second());
            prop_assert!(gap_s >= 2700, "told again after {gap_s} s: {message:?}");
        }
    }
    Ok(())
}

fn has_summary(world: &World, who: &str) -> bool {
    world.garden.tell.iter().any(|group| group.who == who && group.summary.is_some())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(96) })]

    #[test]
    fn everybody_is_told_once(ops in ops(), start in 0..STARTS.len()) {
        let mut run = Run::new(STARTS[start], false);
        run.run(&ops)?;
        run.none_twice()?;
        none_hurried(&run.sent)?;
    }

    /// One that is restarted before every call tells the same as one that never is.
    #[test]
    fn restarts_change_nothing(ops in ops(), start in 0..STARTS.len()) {
        let mut steady = Run::new(STARTS[start], false);
        let unhindered = |op: &Op| match op {
            Op::Restart => Op::Pass { seconds: 0 },
            other => other.clone(),
        };
        steady.run(&ops.iter().map(unhindered).collect::<Vec<_>>())?;
        let mut restarted = Run::new(STARTS[start], true);
        restarted.run(&ops)?;
        prop_assert_eq!(steady.sent, restarted.sent);
    }
}

#[test]
fn the_groups_are_those_meant() {
    let world = World::new(garden_in("Australia/Adelaide", GROUPS));
    assert_eq!(world.garden.tell.len(), 5);
    assert!(ALARMS.iter().all(|&(kind, place)| {
        world.garden.tell.iter().any(|group| world.garden.concerns(group, kind, &Id::new(place)))
    }));
}
