//! The daemon is killed again and again while readings flow, and the broker is
//! restarted in the middle: every reading is stored once, and every alarm is told
//! as if nothing had happened.
//!
//! The moments are drawn from a seed that is printed; `KILL_SEED=...` plays one
//! again (as far as the computer's own timing allows).

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::{assert_same, rejects, rows};
use crate::support::sender::{Post, send};
use crate::support::simulator::Played;
use crate::support::told::{Published, Step, history};
use crate::support::wait_until;
use jiff::{SignedDuration, Timestamp};
use trug::store::Reader;

/// Two gardens with their own weather and mishaps: more than 20,000 readings.
const GARDENS: [(&str, &str); 2] =
    [("saltbush-gully", "ordinary-month"), ("saltbush-gully-annex", "late-gateway")];
const READINGS_MIN: usize = 20_000;
/// Kills while readings are stored, and kills soon after a start.
const KILLS: usize = 9;
const EARLY_KILLS: usize = 4;
const LIMIT: Duration = Duration::from_secs(240);

/// A reading as it was sent.
#[derive(Clone, Debug)]
struct Sent {
    site: &'static str,
    sensor: String,
    at_ms: i64,
    raw: f64,
    topic: String,
    payload: Vec<u8>,
}

/// The garden files by name, and what both gardens send, interleaved.
fn gardens() -> (Vec<(&'static str, String)>, Vec<Sent>) {
    let mut files = Vec::new();
    let mut all: Vec<(SignedDuration, Sent)> = Vec::new();
    for (site, scenario) in GARDENS {
        let garden = SHIPPED.replace("saltbush-gully", site);
        let played = Played::new(scenario, &garden);
        let begin = played.sent[0].send_at;
        all.extend(played.sent.into_iter().map(|it| {
            let sent = Sent {
                site,
                sensor: it.sensor,
                at_ms: it.at.as_millisecond(),
                raw: it.raw,
                topic: it.topic,
                payload: it.payload,
            };
            (it.send_at.duration_since(begin), sent)
        }));
        files.push((site, garden));
    }
    all.sort_by_key(|(elapsed, _)| *elapsed);
    (files, all.into_iter().map(|(_, sent)| sent).collect())
}

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory): any
/// even spread of moments will do.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) % bound
    }
}

fn seed() -> u64 {
    match std::env::var("KILL_SEED") {
        Ok(text) => text.parse().expect("KILL_SEED is a whole number"),
        Err(_) => {
            use std::hash::{BuildHasher as _, Hasher as _};
            std::hash::RandomState::new().build_hasher().finish() % 1_000_000
        }
    }
}

fn daemon(broker: &Mosquitto, files: &[(&str, String)]) -> Daemon {
    let files: Vec<(&str, &str)> = files.iter().map(|(name, text)| (*name, text.as_str())).collect();
    Daemon::new(broker.port(), &files)
}

/// The statuses of all gardens.
fn wait_online(listener: &Listener) {
    for (site, _) in GARDENS {
        listener.wait_for_last(&format!("trug/{site}/status"), "online");
    }
}

/// Each step of each alarm, in the order of its life.
fn steps(reader: &Reader) -> BTreeMap<String, Vec<Step>> {
    let mut alarms: BTreeMap<String, Vec<Step>> = BTreeMap::new();
    for step in history(reader) {
        alarms.entry(step.topic.clone()).or_default().push(step);
    }
    alarms
}

/// What the steps say, without the words: kind and place are in the topic.
fn changes(steps: &BTreeMap<String, Vec<Step>>) -> Vec<(String, Timestamp, Timestamp, String)> {
    let all = steps.values().flatten();
    all.map(|it| (it.topic.clone(), it.at, it.since, it.state.clone())).collect()
}

#[test]
fn kills_and_a_restart_of_the_broker_lose_no_reading_and_no_alarm() {
    let (files, sent) = gardens();
    assert!(sent.len() >= READINGS_MIN, "{} readings are too few", sent.len());
    let posts = || -> Vec<Post> { sent.iter().map(|it| Post::new(&it.topic, &it.payload)).collect() };

    // What happens where nothing goes wrong.
    let (calm_rows, calm_steps) = {
        let broker = Mosquitto::start();
        let mut daemon = daemon(&broker, &files);
        let listener = Listener::start(broker.port(), &["trug/+/status"]);
        daemon.start();
        wait_online(&listener);
        send(broker.port(), posts());
        let reader = daemon.wait_for(sent.len(), LIMIT);
        (rows(&reader), steps(&reader))
    };

    let seed = seed();
    println!("KILL_SEED={seed}");
    let mut random = Random(seed);
    let mut broker = Mosquitto::start();
    let mut daemon = daemon(&broker, &files);
    // Small batches, so that there are many moments between them.
    daemon.set("TRUG__BROKER__RECEIVE_MAXIMUM", "100");
    let listener = Listener::start(broker.port(), &["trug/+/alarm/#", "trug/+/status"]);
    daemon.start();
    wait_online(&listener);
    let port = broker.port();
    let all = posts();
    let sender = std::thread::spawn(move || send(port, all));

    let total = u64::try_from(sent.len()).expect("a count fits");
    let mut marks: Vec<u64> = (0..KILLS).map(|_| total / 50 + random.below(total * 9 / 10)).collect();
    marks.sort_unstable();
    let broker_at = random.below(KILLS as u64) as usize;
    let mut killed_at: Vec<u64> = Vec::new();
    for (turn, mark) in marks.iter().enumerate() {
        let reader = daemon.reader();
        wait_until(&format!("{mark} readings (KILL_SEED={seed})"), LIMIT, || {
            daemon.assert_alive();
            let count = reader.count().expect("the store can be read");
            // Something was stored since the last kill.
            (count >= *mark && killed_at.last().is_none_or(|last| count > *last)).then_some(())
        });
        pause(random.below(30));
        daemon.kill();
        killed_at.push(reader.count().expect("the store can be read"));
        if turn == broker_at {
            // It writes its sessions down, as `systemctl restart` has it do.
            broker.stop();
            broker.start_again();
        }
        daemon.start();
        if turn < EARLY_KILLS {
            // While the store is opened, the core is rebuilt, or the broker is met.
            pause(random.below(400));
            daemon.kill();
            daemon.start();
        }
    }
    println!("killed {} times, at {killed_at:?} of {total} readings", KILLS + EARLY_KILLS);
    sender.join().expect("the broker took everything");
    let reader = daemon.wait_for(sent.len(), LIMIT);

    // Each reading once, with the number that was sent.
    let stored = rows(&reader);
    let there: BTreeMap<(&str, &str, i64), u64> =
        stored.iter().map(|row| ((row.site.as_str(), row.sensor.as_str(), row.at_ms), row.raw)).collect();
    assert_eq!(stored.len(), there.len(), "KILL_SEED={seed}: a reading is stored twice");
    assert_eq!(stored.len(), sent.len(), "KILL_SEED={seed}");
    for it in &sent {
        let raw = there.get(&(it.site, it.sensor.as_str(), it.at_ms));
        assert_eq!(raw, Some(&it.raw.to_bits()), "KILL_SEED={seed}: {it:?}");
    }
    let rejects = rejects(&reader, 5);
    assert!(rejects.is_empty(), "KILL_SEED={seed}: {rejects:?}");

    // The same alarms as without the kills, and each was told.
    let stormy_steps = steps(&reader);
    assert!(calm_steps.len() >= 4, "several alarms speak in these weeks: {:?}", calm_steps.keys());
    assert_same(&format!("KILL_SEED={seed}"), &calm_rows, &stored);
    assert_eq!(changes(&calm_steps), changes(&stormy_steps), "KILL_SEED={seed}");
    let told: BTreeSet<(String, Timestamp, String)> = listener
        .catch_up()
        .iter()
        .filter(|heard| !heard.topic.ends_with("/status"))
        .map(|heard| {
            let step = Published::read(heard).step();
            (step.topic, step.at, step.state)
        })
        .collect();
    let kept: BTreeSet<(String, Timestamp, String)> =
        stormy_steps.values().flatten().map(|it| (it.topic.clone(), it.at, it.state.clone())).collect();
    assert_eq!(told, kept, "KILL_SEED={seed}: every step reached the broker, and nothing else");
}

/// A moment to kill at: part of the test's draw, not a wait for something.
fn pause(ms: u64) {
    std::thread::sleep(Duration::from_millis(ms));
}
