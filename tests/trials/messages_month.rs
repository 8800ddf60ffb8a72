//! A hot month of the simulated school, and how many messages each group gets:
//! with the rules of telling, and if every alarm were a message of its own.
//!
//! `cargo test --test trials messages_month -- --nocapture` prints the counts; `MONTH_SEEDS=20`
//! plays so many months, `MONTH_MESSAGES=1` prints every message.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use garden_simulator::{Scenario, School, Simulation};
use jiff::{SignedDuration, Timestamp};
use trug::alarms::{AlarmKey, Answer};
use trug::alarms::{Input, Kind, Priority, State};
use trug::engine::{RawMessage, Router};
use trug::garden::Clock;
use trug::garden::plan::{Garden, Tell};
use trug::garden::record::{AlarmChange, Batch};
use trug::telling::{Message, Notifier, NotifierOutput, Purpose};

use crate::support::garden::{SHIPPED, garden_of};
use crate::support::score::{Score, told};

const MONTH: &str = include_str!("../../simulator/scenarios/hot-month.toml");

/// The last days of the month: what only people can mend is kept quiet.
const HOLIDAY: &str =
    "[[holiday]]\nfrom = 2026-03-27\nto = 2026-03-31\nquiet = [\"watering-hours\", \"gauge-suspect\"]\n";

const SEEDS: u64 = 1;
/// Between two looks at the clock where no reading comes.
const TICK: SignedDuration = SignedDuration::from_secs(20);
/// Messages a day that grounds staff put up with.
const A_DAY: f64 = 2.0;
const DAYS: f64 = 31.0;

/// What people do about their messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum People {
    /// They do what they can and never say so.
    Silent,
    /// The teacher answers within a quarter of an hour by day; grounds staff answer
    /// everything when they come at eight.
    Answer,
}

struct Month {
    garden: Arc<Garden>,
    changes: Vec<AlarmChange>,
    messages: Vec<Message>,
    score: Score,
}

fn play(seed: u64, people: People, garden_text: &str) -> Month {
    let school = School::parse(SHIPPED).unwrap();
    let scenario = Scenario::parse(MONTH).unwrap();
    let garden = garden_of(garden_text);
    let gardens = [Arc::clone(&garden)];
    let mut router = Router::new(&gardens, Clock::Arrival);
    let mut telling = Notifier::new(&gardens);
    let mut simulation = Simulation::new(&school, &scenario, seed);
    let (mut batch, mut now_told) = (Batch::default(), NotifierOutput::default());
    let mut month = Month { garden, changes: Vec::new(), messages: Vec::new(), score: Score::default() };
    let mut now = simulation.start();
    let end = simulation.end();
    let mut answers: BTreeSet<(Timestamp, AlarmKey)> = BTreeSet::new();
    loop {
        let next = simulation.next();
        let until = next.as_ref().map_or(end, |emission| emission.send_at);
        // Time goes by, and nobody speaks.
        while now + TICK < until {
            now += TICK;
            router.core.tick(now, &mut batch);
            while let Some((at, key)) = answers.first().cloned().filter(|(at, _)| *at <= now) {
                answers.remove(&(at, key.clone()));
                let answer = Answer {
                    key,
                    at,
                    input: Some(Input::Acknowledge),
                    how: "link".to_owned(),
                    since: None,
                    note: None,
                };
                let _ = router.core.answer(&answer, &mut batch);
            }
            month.tell(&mut telling, &router, &mut batch, &mut now_told, now, people, &mut answers);
        }
        let Some(emission) = next else { break };
        now = now.max(emission.send_at);
        router.open(
            RawMessage {
                topic: emission.topic.as_bytes(),
                payload: &emission.payload,
                retained: false,
                arrival: now,
            },
            &mut batch,
        );
        month.tell(&mut telling, &router, &mut batch, &mut now_told, now, people, &mut answers);
    }
    month.score = Score::of(&simulation.truth(), &told(&month.changes));
    month
}

impl Month {
    #[expect(clippy::too_many_arguments, reason = "what a keeper holds in fields")]
    fn tell(
        &mut self,
        telling: &mut Notifier,
        router: &Router,
        batch: &mut Batch,
        now_told: &mut NotifierOutput,
        now: Timestamp,
        people: People,
        answers: &mut BTreeSet<(Timestamp, AlarmKey)>,
    ) {
        telling.take(&batch.changes, now, now_told);
        telling.tick(now, &|key| router.core.snapshot(key), now_told);
        self.changes.append(&mut batch.changes);
        batch.clear();
        if people == People::Answer {
            for message in &now_told.messages {
                for item in message.items.iter().filter(|item| item.state.waits()) {
                    answers.insert((self.answered_at(&message.who, now), item.key.clone()));
                }
            }
        }
        self.messages.append(&mut now_told.messages);
        now_told.clear();
    }

    /// When a group says that it has taken something on.
    fn answered_at(&self, who: &str, told: Timestamp) -> Timestamp {
        let zone = &self.garden.site.time_zone;
        let local = zone.to_datetime(told);
        let hour = local.hour();
        let soon = told + SignedDuration::from_mins(15);
        let at_eight = |days: i64| {
            let day = local.date().checked_add(jiff::Span::new().days(days)).unwrap();
            zone.to_timestamp(day.at(8, 0, 0, 0)).unwrap()
        };
        match (who, hour) {
            ("teacher", 8..=21) => soon,
            (_, 8..=15) => soon,
            (_, 0..=7) => at_eight(0),
            _ => at_eight(1),
        }
    }

    fn raised(&self) -> impl Iterator<Item = &AlarmChange> {
        self.changes.iter().filter(|change| change.record.state == State::Unacknowledged)
    }

    fn concerned<'a>(&'a self, key: &'a AlarmKey) -> impl Iterator<Item = &'a Tell> {
        self.garden.tell.iter().filter(|group| self.garden.concerns(group, key.kind, &key.place))
    }

    /// Messages to each group, at its first address.
    fn counts(&self) -> BTreeMap<&str, usize> {
        let mut counts = BTreeMap::new();
        for group in &self.garden.tell {
            let first = group.by.first();
            let count =
                self.messages.iter().filter(|m| m.who == group.who && Some(&m.address) == first).count();
            counts.insert(group.who.as_str(), count);
        }
        counts
    }

    /// Alarms of each group: as many messages, if each were one.
    fn alarms(&self) -> BTreeMap<&str, usize> {
        let mut counts: BTreeMap<&str, usize> =
            self.garden.tell.iter().map(|group| (group.who.as_str(), 0)).collect();
        for change in self.raised() {
            for group in self.concerned(&change.record.key) {
                *counts.get_mut(group.who.as_str()).unwrap() += 1;
            }
        }
        counts
    }

    /// Every alarm of high priority was told to everybody whom it concerns within a
    /// minute; the longest time that it took. One that keeps coming back is told at its
    /// first, second, fourth, eighth time, and where it is worse than before.
    fn high_told_within(&self) -> SignedDuration {
        let mut longest = SignedDuration::ZERO;
        let told =
            |change: &&AlarmChange| change.priority == Priority::High && change.record.course.is_told();
        let high: Vec<_> = self.raised().filter(told).collect();
        assert!(!high.is_empty(), "a month without anything of high priority shows nothing");
        for change in high {
            for group in self.concerned(&change.record.key) {
                for address in &group.by {
                    let told = self
                        .messages
                        .iter()
                        .filter(|m| {
                            m.who == group.who && m.address == *address && m.made_at >= change.record.at
                        })
                        .find(|m| {
                            m.items
                                .iter()
                                .any(|i| i.key == change.record.key && i.since == change.record.since)
                        })
                        .unwrap_or_else(|| panic!("{} was not told of {:?}", group.who, change.record.key));
                    longest = longest.max(told.made_at.duration_since(change.record.at));
                }
            }
        }
        longest
    }

    /// Nobody is told the same twice: as often as it was raised or came again, and
    /// no more.
    fn none_twice(&self) {
        let mut raised: HashMap<&AlarmKey, usize> = HashMap::new();
        for change in self.raised() {
            *raised.entry(&change.record.key).or_default() += 1;
        }
        let mut told: HashMap<(&str, &str, &AlarmKey), usize> = HashMap::new();
        let mut keys = BTreeSet::new();
        for message in &self.messages {
            assert!(keys.insert(&message.key), "two messages with the key {}", message.key);
            if matches!(message.purpose, Purpose::News | Purpose::Summary) {
                for item in &message.items {
                    *told.entry((&message.who, &message.address.to, &item.key)).or_default() += 1;
                }
            }
        }
        for ((who, to, key), times) in told {
            assert!(
                times <= raised[key],
                "{who} ({to}) was told {times} times of {key:?}, raised {}",
                raised[key]
            );
        }
    }
}

/// The demonstration school, with its holidays.
fn school() -> String {
    format!("{SHIPPED}\n{HOLIDAY}")
}

/// The same with no holidays and with every sensor on its own, so that none speaks
/// for others; its groups are told of the sensors.
fn each_on_its_own() -> String {
    let mut text = String::new();
    let mut section = "";
    for line in SHIPPED.lines() {
        section = if line.starts_with('[') { line } else { section };
        if section == "[[gateway]]" || line.starts_with("gateway =") {
            continue;
        }
        text.push_str(line);
        text.push('\n');
        if let Some(id) = line.strip_prefix("topic = \"saltbush-gully/") {
            let gateway = id.trim_end_matches('"').replace('/', "-");
            text.push_str(&format!("gateway = \"{gateway}\"\n"));
        }
    }
    text
}

#[test]
fn a_hot_month_is_told_in_few_messages() {
    let seeds = std::env::var("MONTH_SEEDS").map_or(SEEDS, |n| n.parse().expect("MONTH_SEEDS is a number"));
    let print = std::env::var_os("MONTH_MESSAGES").is_some();
    println!(
        "{:<6}{:<10}{:<12}{:>10}{:>10}{:>14}",
        "seed", "people", "group", "messages", "a day", "one by one"
    );
    for seed in 1..=seeds {
        for people in [People::Silent, People::Answer] {
            let alone = play(seed, people, &each_on_its_own());
            let month = play(seed, people, &school());
            if print {
                for m in &month.messages {
                    println!("{} {} {}: {}", m.made_at, m.who, m.purpose.name(), m.subject);
                }
            }
            let longest = month.high_told_within();
            month.none_twice();
            let alarms = alone.alarms();
            for (who, count) in month.counts() {
                let a_day = count as f64 / DAYS;
                println!(
                    "{seed:<6}{:<10}{who:<12}{count:>10}{a_day:>10.2}{:>14}",
                    format!("{people:?}"),
                    alarms[who]
                );
                // What a group is told for itself, beside what is over: no more than one
                // for each alarm.
                let own =
                    |m: &&Message| m.who == who && matches!(m.purpose, Purpose::News | Purpose::Summary);
                let news = month.messages.iter().filter(own).count();
                assert!(news <= month.alarms()[who], "{who} gets more messages than there are alarms");
                if who == "grounds" {
                    assert!(a_day < A_DAY, "{a_day} messages a day for grounds staff");
                }
            }
            println!("      high priority told within {} s at the longest", longest.as_secs());
            assert!(longest <= SignedDuration::from_mins(1));
            for (kind, line) in &month.score.kinds {
                let high = Kind::from_name(kind).is_some_and(|k| k.priority() == Priority::High);
                assert!(!high || line.missed.is_empty(), "{kind}: missed {:?}", line.missed);
            }
            let at_forbidden_hours = |month: &Month| {
                let holiday = "2026-03-26T13:30:00Z".parse::<Timestamp>().unwrap();
                month
                    .raised()
                    .filter(|c| c.record.key.kind == Kind::WateringHours && c.record.at >= holiday)
                    .count()
            };
            assert!(at_forbidden_hours(&alone) > 0, "somebody waters at noon in the holidays");
            assert_eq!(at_forbidden_hours(&month), 0, "the holidays keep it quiet");
            let gateway = month.raised().filter(|c| c.record.key.kind == Kind::GatewaySilent).count();
            let silent = month.raised().filter(|c| c.record.key.kind == Kind::SensorSilent).count();
            assert_eq!((gateway, silent), (1, 0), "one dead gateway is one alarm");
            let garden_gateway = month.garden.gateways.iter().position(|g| g.id.as_str() == "garden-gateway");
            let behind =
                month.garden.sensors.iter().filter(|s| s.gateway.map(usize::from) == garden_gateway).count();
            let alone = alone.raised().filter(|c| c.record.key.kind == Kind::SensorSilent).count();
            assert_eq!(alone, behind, "where each is on its own, each of its sensors is one");
        }
    }
}
