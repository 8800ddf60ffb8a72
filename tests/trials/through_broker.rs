//! Every scenario of the simulator through real programs: a Mosquitto, the
//! daemon, a simulated garden and somebody who listens. What was told on the broker
//! is held against what truly happened.

use std::collections::{BTreeMap, HashMap};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::listener::{Heard, Listener};
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::rejects;
use crate::support::score::{Score, told_of};
use crate::support::simulator::Played;
use crate::support::told::{Published, Step, history};
use garden_simulator::SCENARIOS;

/// The longest scenario is a month of 37,000 messages.
const LIMIT: Duration = Duration::from_secs(240);
const ALARMS: &str = "trug/+/alarm/#";
const STATUS: &str = "trug/saltbush-gully/status";

/// The steps of each alarm in their order.
fn by_alarm(steps: impl IntoIterator<Item = Step>) -> HashMap<String, Vec<Step>> {
    let mut alarms: HashMap<String, Vec<Step>> = HashMap::new();
    for step in steps {
        alarms.entry(step.topic.clone()).or_default().push(step);
    }
    alarms
}

fn trial(scenario: &str) -> Score {
    let broker = Mosquitto::start();
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    let listener = Listener::start(broker.port(), &[ALARMS, STATUS]);
    daemon.start();
    // It subscribes before it says so: nothing is published into the void.
    listener.wait_for_last(STATUS, "online");

    let played = Played::new(scenario, SHIPPED);
    played.send(broker.port());
    let reader = daemon.wait_for(played.sent.len(), LIMIT);
    let rejects = rejects(&reader, 10);
    assert!(rejects.is_empty(), "{scenario}: {rejects:?}");

    // Each step was told once, in order, and as the store has it.
    let heard = listener.catch_up();
    let published: Vec<Published> =
        heard.iter().filter(|heard| heard.topic != STATUS).map(Published::read).collect();
    let stored = by_alarm(history(&reader));
    assert_eq!(by_alarm(published.iter().map(Published::step)), stored, "{scenario}");

    // What the broker keeps for those who come later is how things stand.
    let late = Listener::start(broker.port(), &[ALARMS, STATUS]);
    let kept: HashMap<String, Heard> = late.catch_up().into_iter().map(|h| (h.topic.clone(), h)).collect();
    assert!(kept.values().all(|heard| heard.retained));
    assert_eq!(kept[STATUS].payload, b"online");
    assert_eq!(kept.len() - 1, stored.len(), "{scenario}: every alarm that ever spoke has a kept state");
    for (topic, steps) in &stored {
        assert_eq!(Some(&Published::read(&kept[topic]).step()), steps.last(), "{scenario}");
    }
    let present = reader.alarms_present().expect("the present alarms can be read");
    let mut present: Vec<Step> = present.iter().map(Step::stored).collect();
    let mut last: Vec<Step> =
        stored.values().filter_map(|steps| steps.last()).filter(|s| s.state != "normal").cloned().collect();
    present.sort_by(|a, b| a.topic.cmp(&b.topic));
    last.sort_by(|a, b| a.topic.cmp(&b.topic));
    assert_eq!(present, last, "{scenario}");

    let steps: Vec<_> = published.iter().map(|it| (&it.kind, &it.place, &it.state, it.step().at)).collect();
    let told = told_of(
        steps.iter().map(|(kind, place, state, at)| (kind.as_str(), place.as_str(), state.as_str(), *at)),
    );
    Score::of(&played.truth, &told)
}

#[test]
fn every_true_event_is_told_on_the_broker_and_no_false_one() {
    let only = std::env::var("TRIAL").ok();
    let names: Vec<&str> =
        SCENARIOS.iter().map(|(name, _)| *name).filter(|n| only.as_deref().is_none_or(|o| o == *n)).collect();
    assert!(!names.is_empty(), "no scenario of that name");
    let next = AtomicUsize::new(0);
    let scores = Mutex::new(BTreeMap::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                while let Some(name) = names.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let began = Instant::now();
                    let score = trial(name);
                    println!("{name} ({:.1} s):\n{score}", began.elapsed().as_secs_f64());
                    scores.lock().expect("no other trial has failed").insert(*name, score);
                }
            });
        }
    });
    let scores = scores.into_inner().expect("no trial has failed");
    let wrong: Vec<&str> =
        scores.iter().filter(|(_, score)| !score.is_perfect()).map(|(name, _)| *name).collect();
    let mut all = Score::default();
    for (_, score) in scores {
        all.add(score);
    }
    println!("all scenarios:\n{all}");
    assert!(all.must() > 0, "nothing had to be told");
    assert!(wrong.is_empty(), "a missed event or a false alarm in {wrong:?}");
}

#[test]
fn the_status_says_offline_when_the_daemon_is_gone() {
    let broker = Mosquitto::start();
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    let listener = Listener::start(broker.port(), &[STATUS]);
    daemon.start();
    listener.wait_for_last(STATUS, "online");
    daemon.kill();
    // The session's last will.
    listener.wait_for_last(STATUS, "offline");
    daemon.start();
    listener.wait_for_last(STATUS, "online");
    let ended = daemon.terminate();
    assert_eq!(ended.code(), Some(0), "{}", daemon.log());
    listener.wait_for_last(STATUS, "offline");

    let late = Listener::start(broker.port(), &[STATUS]);
    let kept = late.catch_up();
    assert_eq!(
        kept.iter().map(Heard::text).collect::<Vec<_>>(),
        ["offline"],
        "retained for those who come later"
    );
}
