//! Messages that wait take no more memory than they may.

use std::time::{Duration, Instant};

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::listener::Listener;
use crate::support::mosquitto::Mosquitto;
use crate::support::rows::rejects;
use crate::support::sender::{Post, send};
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(60);

/// Memory that the daemon has in use, bytes (`proc_pid_status(5)`).
fn resident(daemon: &Daemon) -> u64 {
    let status =
        std::fs::read_to_string(format!("/proc/{}/status", daemon.process())).expect("it is running");
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).expect("its memory");
    let kib: u64 = line.split_whitespace().nth(1).expect("a number").parse().expect("a number");
    kib * 1024
}

/// Two thousand messages of 256 KiB waited in memory, half a gigabyte, and more of it was
/// never given back. The large version is 6,000 of them: `FLOOD=6000`.
#[test]
fn long_messages_wait_at_the_broker_and_not_in_memory() {
    let count: usize = std::env::var("FLOOD").map_or(800, |count| count.parse().expect("a number"));
    let broker = Mosquitto::start();
    let mut daemon = Daemon::new(broker.port(), &[("saltbush-gully", SHIPPED)]);
    daemon.set("TRUG__BROKER__MAX_PACKET_BYTES", "300000");
    daemon.start();
    Listener::start(broker.port(), &["trug/#"]).wait_for_last("trug/saltbush-gully/status", "online");
    let reader = daemon.reader();
    let probe = "saltbush-gully/kitchen-bed/moisture-30cm";
    let reading = |t: i64| Post::new(probe, format!(r#"{{"raw":2000,"t":{t}}}"#).as_bytes());
    send(broker.port(), vec![reading(1_776_403_800)]);
    wait_until("the reading", LIMIT, || (reader.count().unwrap() == 1).then_some(()));
    let before = resident(&daemon);

    // While the record cannot be written nothing is taken from the queue.
    let holder = rusqlite::Connection::open(daemon.store()).unwrap();
    holder.execute_batch("BEGIN IMMEDIATE").unwrap();
    let long = vec![b'x'; 256 * 1024];
    send(broker.port(), (0..count).map(|_| Post::new(probe, &long)).collect());
    let until = Instant::now() + Duration::from_secs(4);
    let mut most = 0;
    while Instant::now() < until {
        daemon.assert_alive();
        most = most.max(resident(&daemon));
        std::thread::sleep(Duration::from_millis(100));
    }
    holder.execute_batch("ROLLBACK").unwrap();
    send(broker.port(), vec![reading(1_776_403_900)]);
    wait_until("the reading after them", LIMIT, || (reader.count().unwrap() == 2).then_some(()));
    assert_eq!(rejects(&reader, 10_000).len(), count.min(10_000), "each is among the rejects");
    most = most.max(resident(&daemon));
    let (grown, after) = (most.saturating_sub(before), resident(&daemon).saturating_sub(before));
    println!(
        "{count} messages of 256 KiB: {} MB more at most, {} MB after",
        grown / 1_000_000,
        after / 1_000_000
    );
    assert!(grown < 100_000_000, "{grown} bytes more");
}
