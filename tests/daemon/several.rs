//! Three daemons behind one broker, each with gardens of its own. One is killed while readings
//! flow, and the daemon that stands by on its record takes its place: nothing is lost, nothing
//! is stored or told twice, and the others do not notice.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::{StoredRow, rejects, rows};
use crate::support::sender::{Post, send};
use crate::support::simulator::Played;
use crate::support::told::{Published, Step, history};
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(240);
/// Gardens, each with a daemon: their sites and what happens there.
const GARDENS: [(&str, &str); 3] =
    [("creek-road", "hot-fortnight"), ("hill-top", "hot-fortnight"), ("saltbush-gully", "late-gateway")];
/// The one whose daemon is killed.
const KILLED: usize = 0;
/// Readings of each garden that are sent.
const SENT: usize = 5000;

struct District {
    broker: Mosquitto,
    daemons: Vec<Daemon>,
    listener: Listener,
}

impl District {
    fn start() -> Self {
        let broker = Mosquitto::start();
        let listener = Listener::start(broker.port(), &["trug/+/alarm/#", "trug/+/status"]);
        let daemons = GARDENS.map(|(site, _)| {
            let mut daemon = Daemon::new(broker.port(), &[(site, &garden(site))]);
            daemon.set("TRUG__BROKER__CLIENT_ID", &format!("trug-{site}"));
            daemon.set("TRUG__BROKER__TOPICS", &format!("[\"{site}/#\"]"));
            // Small batches, so that there are many moments between them.
            daemon.set("TRUG__BROKER__RECEIVE_MAXIMUM", "100");
            daemon.start();
            listener.wait_for_last(&format!("trug/{site}/status"), "online");
            daemon
        });
        Self { broker, daemons: daemons.into(), listener }
    }

    /// What is stored and what was told, garden by garden, once all is there.
    fn ends(mut self) -> Vec<(Vec<StoredRow>, Vec<Step>, Vec<Step>)> {
        let heard = |site: &str, listener: &Listener| -> Vec<Step> {
            let of_site = format!("trug/{site}/alarm/");
            let heard = listener.catch_up().into_iter().filter(|it| it.topic.starts_with(&of_site));
            heard.map(|it| Published::read(&it).step()).collect()
        };
        let mut found = Vec::new();
        for (daemon, (site, _)) in self.daemons.iter_mut().zip(GARDENS) {
            let reader = daemon.wait_for(SENT, LIMIT);
            assert_eq!(rejects(&reader, 5), [], "{site}");
            found.push((rows(&reader), history(&reader), heard(site, &self.listener)));
        }
        found
    }
}

fn garden(site: &str) -> String {
    SHIPPED.replace("saltbush-gully", site)
}

/// The readings of all gardens, in turn.
fn posts() -> Vec<Post> {
    let mut of_gardens: Vec<_> = GARDENS
        .iter()
        .map(|(site, scenario)| {
            let sent = Played::new(scenario, &garden(site)).sent;
            assert!(sent.len() >= SENT, "{site}: {} readings are too few", sent.len());
            sent.into_iter()
                .take(SENT)
                .map(|it| Post::new(&it.topic, &it.payload))
                .collect::<Vec<_>>()
                .into_iter()
        })
        .collect();
    (0..SENT)
        .flat_map(|_| of_gardens.iter_mut().map(|it| it.next().expect("counted")).collect::<Vec<_>>())
        .collect()
}

/// The steps without the words.
fn plain(steps: &[Step]) -> Vec<(String, jiff::Timestamp, jiff::Timestamp, String)> {
    steps.iter().map(|it| (it.topic.clone(), it.since, it.at, it.state.clone())).collect()
}

#[test]
fn a_daemon_that_dies_is_followed_by_the_one_that_stands_by() {
    let calm = {
        let district = District::start();
        send(district.broker.port(), posts());
        district.ends()
    };

    let mut district = District::start();
    district.daemons[KILLED].stand_by();
    let others: Vec<u32> = district.daemons[KILLED + 1..].iter().map(Daemon::process).collect();
    let (port, all) = (district.broker.port(), posts());
    let sender = std::thread::spawn(move || send(port, all));
    let reader = district.daemons[KILLED].reader();
    wait_until("the middle of the flow", LIMIT, || {
        (reader.count().expect("the store can be read") >= SENT as u64 / 3).then_some(())
    });
    district.daemons[KILLED].fail_over();
    let stored = reader.count().expect("the store can be read");
    assert!(stored < SENT as u64, "it was killed while readings flowed");
    sender.join().expect("the broker took everything");
    for (daemon, process) in district.daemons[KILLED + 1..].iter().zip(others) {
        assert_eq!(daemon.process(), process);
    }

    for (((site, _), calm), (rows, steps, told)) in GARDENS.iter().zip(&calm).zip(district.ends()) {
        assert_eq!(rows.len(), SENT, "{site}");
        assert_eq!(rows, calm.0, "{site}");
        assert!(*site != GARDENS[KILLED].0 || steps.len() >= 4, "{site}: alarms speak: {steps:#?}");
        assert_eq!(plain(&steps), plain(&calm.1), "{site}");
        // Each step reached the broker. After a new connection what stands is published again
        // as it was, which is no new telling: alarms are retained.
        let mut count: BTreeMap<_, u32> = plain(&told).into_iter().map(|it| (it, 0)).collect();
        plain(&steps).iter().for_each(|it| *count.entry(it.clone()).or_default() += 1);
        assert!(count.values().all(|n| *n == 1), "{site}: {count:#?}");
    }
}
