//! Readings without a time of their own, over a line that is cut again and again.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::line::PoorLine;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::sender::{Post, send};
use crate::support::wait_until;
use trug::store::{Reader, ReadingFilter};

const TOPIC: &str = "saltbush-gully/glasshouse/air";
const PLAIN: &str = r#"
[[sensor]]
id = "glasshouse-air"
measures = "air-temperature"
topic = "saltbush-gully/glasshouse/air"
payload = "number"
every_s = 900
"#;

/// How many readings of each raw number are stored.
fn stored(reader: &Reader) -> BTreeMap<String, usize> {
    let filter = ReadingFilter { sensors: vec!["glasshouse-air".to_owned()], ..ReadingFilter::default() };
    let mut found = BTreeMap::new();
    reader
        .readings(&filter, |row| {
            *found.entry(row.raw.to_string()).or_default() += 1;
            ControlFlow::Continue(())
        })
        .expect("the store can be read");
    found
}

/// A resumed session brings once more what was not acknowledged. Most of the readings are
/// alike, and all of them stay. By hand: `CUTS=40 READINGS=62565 KILLS=10`.
#[test]
fn readings_without_a_time_are_stored_once_over_a_line_that_is_cut() {
    let number =
        |name: &str, usual: usize| std::env::var(name).map_or(usual, |text| text.parse().expect("a number"));
    let (cuts, readings, kills) = (number("CUTS", 10), number("READINGS", 6000), number("KILLS", 2));
    // Sessions that a broker closes soon, again and again and without a reason, look as if
    // another program had the same client id: the waits after them grow to half a minute.
    let limit = Duration::from_secs(120 + 30 * u64::try_from(cuts).expect("a small number"));
    let broker = Mosquitto::start();
    // Some 36 bytes each: the cuts fall into the first half of the readings.
    let most = (readings * 36 / cuts.max(1)).max(100);
    let line =
        PoorLine::to(broker.port(), (0..cuts).map(|cut| most / 4 + (cut * 997) % (most / 2)).collect());
    let mut daemon = Daemon::new(line.port(), &[("saltbush-gully", &format!("{SHIPPED}{PLAIN}"))]);
    daemon.arguments.clear();
    daemon.start();
    let listener = Listener::start(broker.port(), &["trug/#"]);
    listener.wait_for_last("trug/saltbush-gully/status", "online");
    let mut sent: BTreeMap<String, usize> = BTreeMap::new();
    let posts: Vec<Post> = (0..readings)
        .map(|n| {
            let raw = format!("{}", 20 + n / 5 % 3);
            *sent.entry(raw.clone()).or_default() += 1;
            Post::new(TOPIC, raw.as_bytes())
        })
        .collect();
    let port = broker.port();
    let sending = std::thread::spawn(move || send(port, posts));
    let reader = daemon.reader();
    let count = || usize::try_from(reader.count().unwrap()).unwrap();
    for kill in 1..=kills {
        wait_until("a part of the readings", limit, || {
            daemon.assert_alive();
            (count() >= readings * kill / (kills + 1) / 2).then_some(())
        });
        daemon.kill();
        daemon.start();
    }
    sending.join().expect("the broker took them all");
    let began = Instant::now();
    wait_until("all readings", limit, || {
        daemon.assert_alive();
        assert!(count() <= readings, "{} readings of {readings}:\n{}", count(), daemon.log());
        (count() == readings).then_some(())
    });
    // What would come again comes at once.
    std::thread::sleep(Duration::from_millis(500));
    assert!(line.cuts() > cuts / 3, "{} cuts", line.cuts());
    assert_eq!(stored(&reader), sent, "{}", daemon.log());
    println!(
        "{readings} readings, {} cuts, {kills} kills: {} stored, in {:?}",
        line.cuts(),
        count(),
        began.elapsed()
    );
}
