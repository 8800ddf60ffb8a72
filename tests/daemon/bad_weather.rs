//! Floods, backlogs and repetitions: the others' readings come through whole, and the daemon
//! stays within its bounds.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::rejects;
use crate::support::sender::{Post, send};
use crate::support::wait_until;
use jiff::Timestamp;
use trug::store::{Reader, ReadingFilter};

const LIMIT: Duration = Duration::from_secs(120);
const MAD: &str = "saltbush-gully/kitchen-bed/moisture-15cm";
const OTHER: &str = "saltbush-gully/kitchen-bed/moisture-30cm";
const PLAIN: &str = r#"
[[sensor]]
id = "glasshouse-air"
measures = "air-temperature"
topic = "saltbush-gully/glasshouse/air"
payload = "number"
every_s = 900
"#;
const PLAIN_TOPIC: &str = "saltbush-gully/glasshouse/air";

/// The number of a large version by hand, or that of the usual one.
fn number(name: &str, usual: usize) -> usize {
    std::env::var(name).map_or(usual, |text| text.parse().expect("a number"))
}

#[expect(clippy::disallowed_methods, reason = "the daemon under test lives by the computer's clock")]
fn now_s() -> i64 {
    Timestamp::now().as_second()
}

fn started(broker: &Mosquitto, settings: &[(&str, &str)]) -> (Daemon, Reader) {
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", &format!("{SHIPPED}{PLAIN}"))]);
    daemon.arguments.clear();
    for (key, value) in settings {
        daemon.set(key, value);
    }
    let listener = Listener::start(broker.port(), &["trug/#"]);
    daemon.start();
    listener.wait_for_last("trug/saltbush-gully/status", "online");
    let reader = daemon.reader();
    (daemon, reader)
}

fn reading(topic: &str, t: i64, raw: usize) -> Post {
    Post::new(topic, format!(r#"{{"raw":{raw},"t":{t}}}"#).as_bytes())
}

/// Readings of each sensor.
fn stored(reader: &Reader) -> BTreeMap<String, usize> {
    let mut found = BTreeMap::new();
    reader
        .readings(&ReadingFilter::default(), |row| {
            *found.entry(row.series.sensor.to_string()).or_default() += 1;
            ControlFlow::Continue(())
        })
        .expect("the store can be read");
    found
}

/// By hand: `MAD=1000000`.
#[test]
fn one_sensor_gone_mad_has_its_own_limit_and_the_others_are_unharmed() {
    let mad = number("MAD", 12_000);
    let broker = Mosquitto::start();
    let settings = [("TRUG__BROKER__SENSOR_BURST", "2000"), ("TRUG__BROKER__SENSOR_PER_S", "5")];
    let (mut daemon, reader) = started(&broker, &settings);
    let from = now_s() - 7200;
    let mut posts = Vec::new();
    for n in 0..mad {
        // Every hour once more the same times, with other numbers.
        posts.push(reading(MAD, from + i64::try_from(n % 3600).unwrap(), 2000 + n));
        if n % 100 == 0 {
            posts.push(reading(OTHER, from + i64::try_from(n / 100).unwrap(), 2000));
        }
    }
    let others = mad.div_ceil(100);
    send(broker.port(), posts);
    wait_until("the readings of the other sensor", LIMIT, || {
        daemon.assert_alive();
        (stored(&reader).get("kitchen-30cm") == Some(&others)).then_some(())
    });
    let of_mad = stored(&reader)["kitchen-15cm"];
    assert!((2000..2600.max(mad / 20)).contains(&of_mad), "{of_mad} of {mad}");
    let rejects = rejects(&reader, 10_000);
    let told =
        rejects.iter().filter(|row| row.reason.contains("sends more than 5 messages a second")).count();
    assert_eq!(told, 1, "{rejects:?}");
    let log = daemon.log();
    let lines: Vec<&str> =
        log.lines().filter(|line| line.contains("WARN") || line.contains("ERROR")).collect();
    let mad_lines = lines.iter().filter(|line| line.contains("far too often")).count();
    assert_eq!(mad_lines, 1, "{lines:#?}");
    assert!(lines.len() <= 3, "{lines:#?}");
}

/// A sensor that gives the same hour another number again and again.
#[test]
fn readings_that_contradict_stored_ones_are_logged_once() {
    let broker = Mosquitto::start();
    let (mut daemon, reader) = started(&broker, &[]);
    let from = now_s() - 7200;
    for round in 0..30 {
        send(broker.port(), (0..20).map(|n| reading(MAD, from + n, 2000 + round)).collect());
    }
    send(broker.port(), vec![reading(OTHER, from, 2000)]);
    wait_until("the readings", LIMIT, || {
        daemon.assert_alive();
        (reader.count().unwrap() == 21).then_some(())
    });
    assert_eq!(rejects(&reader, 10_000).len(), 29 * 20);
    let log = daemon.log();
    let lines = log.lines().filter(|line| line.contains("already has another value")).count();
    assert_eq!(lines, 1, "{log}");
}

/// By hand: `TOPICS=1000000`.
#[test]
fn unknown_topics_are_listed_within_bounds_and_harm_nobody() {
    let topics = number("TOPICS", 15_000);
    let broker = Mosquitto::start();
    let (mut daemon, reader) = started(&broker, &[]);
    let from = now_s() - 7200;
    let mut posts = Vec::new();
    for n in 0..topics {
        posts.push(Post::new(&format!("somebody/else/{n}/level-{}", n % 7), b"17"));
        if n % 1000 == 0 {
            posts.push(reading(OTHER, from + i64::try_from(n / 1000).unwrap(), 2000));
        }
    }
    send(broker.port(), posts);
    let others = topics.div_ceil(1000);
    wait_until("the readings among them", LIMIT, || {
        daemon.assert_alive();
        (stored(&reader).get("kitchen-30cm") == Some(&others)).then_some(())
    });
    let listed = reader.unplaced(u32::MAX).unwrap().len();
    assert!((1..=10_000).contains(&listed), "{listed} are listed");
    assert!(rejects(&reader, 10).is_empty());
}

/// Two days of all sensors at once, in any order and each message three times.
#[test]
fn days_that_come_at_once_and_again_are_stored_once_and_raise_nothing() {
    let broker = Mosquitto::start();
    let (mut daemon, reader) = started(&broker, &[]);
    let steps = i64::try_from(number("STEPS", 192)).unwrap();
    let every_s = 2 * 86_400 / steps;
    let from = now_s() - 2 * 86_400;
    // Dry soil: live, it would be an alarm.
    let once: Vec<Post> = (0..steps)
        .flat_map(|n| [reading(MAD, from + n * every_s, 2900), reading(OTHER, from + n * every_s, 2900)])
        .collect();
    let mut all: Vec<Post> = Vec::new();
    for round in 0..3 {
        // Multiples of a prime that divides nothing here: another order each time.
        let (count, stride) = (once.len(), 7919 + 2 * round);
        all.extend((0..count).map(|n| once[(n * stride) % count].clone()));
    }
    let distinct: std::collections::BTreeSet<Vec<u8>> =
        all.iter().map(|post| [post.topic.as_bytes(), &post.payload].concat()).collect();
    let expected = distinct.len();
    send(broker.port(), all);
    send(broker.port(), vec![Post::new(PLAIN_TOPIC, b"21.5")]);
    wait_until("the last reading", LIMIT, || {
        daemon.assert_alive();
        stored(&reader).contains_key("glasshouse-air").then_some(())
    });
    let found = stored(&reader);
    assert_eq!(found["kitchen-15cm"] + found["kitchen-30cm"], expected, "{found:?}");
    assert!(rejects(&reader, 10).is_empty());
    assert!(!daemon.log().contains("already has another value"));
}

/// By hand: `RETAINED=500000`.
#[test]
fn a_large_set_of_retained_messages_is_no_news() {
    let retained = number("RETAINED", 8000);
    let broker = Mosquitto::start();
    let from = now_s() - 7200;
    let mut posts: Vec<Post> =
        (0..retained).map(|n| Post::new(&format!("meters/{n}"), b"1.5").retained()).collect();
    posts.push(Post::new(PLAIN_TOPIC, b"21.5").retained());
    posts.push(reading(OTHER, from, 2000).retained());
    send(broker.port(), posts);
    let (mut daemon, reader) = started(&broker, &[]);
    // All of them come at each start.
    for start in 0..2 {
        send(broker.port(), vec![reading(OTHER, from + 60 + start, 2000)]);
        let wanted = 2 + usize::try_from(start).unwrap();
        wait_until("the reading after them", LIMIT, || {
            daemon.assert_alive();
            (stored(&reader).get("kitchen-30cm") == Some(&wanted)).then_some(())
        });
        assert_eq!(stored(&reader).len(), 1, "a retained reading without a time is none");
        daemon.terminate();
        daemon.start();
    }
}
