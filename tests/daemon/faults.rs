//! Faults at full flow against a real broker: nothing that the broker was told is stored is
//! lost, nothing is stored twice, every alarm is raised and told once, and readings flow
//! again soon.
//!
//! A few of each here; `FAULTS=full tests/faults` (or `FAULTS=N`, each at most N times)
//! tries as many as the table in DEVELOPERS.md says. Readings carry their own times.

mod filesystem;
mod influx;
mod stage;

use std::time::{Duration, Instant};

use stage::{Stage, is_full, times};

use crate::support::wait_until;

/// How long a stop may take, whatever waits.
const STOP: Duration = Duration::from_secs(10);

#[test]
fn nothing_happens() {
    let mut stage = Stage::new("nothing (beside it)", false);
    stage.wait_for_flow();
    stage.end();
}

#[test]
fn killed_at_full_flow() {
    let mut stage = Stage::new("SIGKILL at full flow", false);
    for _ in 0..times(3, 200) {
        stage.wait_for_flow();
        stage.pause_a_little();
        stage.note_memory();
        stage.daemon.kill();
        stage.daemon.start();
        stage.recovers();
    }
    stage.end();
}

#[test]
fn stopped_at_full_flow() {
    let mut stage = Stage::new("SIGTERM at full flow", false);
    for _ in 0..times(2, 30) {
        stage.wait_for_flow();
        stage.pause_a_little();
        stage.note_memory();
        let began = Instant::now();
        assert!(stage.daemon.terminate().success());
        assert!(began.elapsed() < STOP, "the stop took {:?}", began.elapsed());
        stage.daemon.start();
        stage.recovers();
    }
    stage.end();
}

/// What waits cannot be written, and comes again after the start.
#[test]
fn stopped_while_nothing_can_be_written() {
    let mut stage = Stage::new("SIGTERM, record held by another", false);
    for _ in 0..times(1, 10) {
        stage.wait_for_flow();
        let holder = rusqlite::Connection::open(stage.daemon.store()).unwrap();
        holder.busy_timeout(Duration::from_secs(30)).unwrap();
        holder.execute_batch("BEGIN IMMEDIATE").unwrap();
        stage.pause_a_little();
        let began = Instant::now();
        assert!(stage.daemon.terminate().success());
        assert!(began.elapsed() < STOP, "the stop took {:?}", began.elapsed());
        holder.execute_batch("ROLLBACK").unwrap();
        stage.daemon.start();
        stage.recovers();
    }
    stage.end();
}

/// A process that stands still holds readings that are neither stored nor acknowledged.
#[test]
fn paused_at_full_flow() {
    let mut stage = Stage::new("SIGSTOP at full flow", false);
    for _ in 0..times(1, 5) {
        stage.wait_for_flow();
        stage.daemon.signal("STOP");
        std::thread::sleep(Duration::from_secs(if is_full() { 30 } else { 2 }));
        stage.daemon.signal("CONT");
        stage.recovers();
    }
    stage.end();
}

/// Longer than the keep-alive and than what counts as a pause: a closed laptop.
#[test]
#[ignore = "takes minutes: tests/faults runs it"]
fn suspended_and_woken() {
    let mut stage = Stage::new("suspended for 70 s", false);
    for _ in 0..times(1, 2) {
        stage.wait_for_flow();
        stage.daemon.signal("STOP");
        std::thread::sleep(Duration::from_secs(70));
        stage.daemon.signal("CONT");
        stage.recovers();
    }
    stage.end();
}

#[test]
fn broker_restarted_with_its_session() {
    let mut stage = Stage::new("broker restarted, session kept", true);
    for _ in 0..times(2, 50) {
        stage.wait_for_flow();
        stage.pause_a_little();
        stage.broker.stop();
        stage.broker.start_again();
        stage.recovers();
    }
    stage.end();
}

/// What the broker held and had not brought is lost with it. What it was told is stored is
/// stored, and its senders send again what it had not acknowledged to them.
#[test]
fn broker_killed_without_its_session() {
    let mut stage = Stage::new("broker killed, session lost", true);
    stage.broker_loses = true;
    for _ in 0..times(2, 50) {
        stage.wait_for_flow();
        stage.pause_a_little();
        stage.broker.kill();
        stage.broker.start_again();
        stage.recovers();
    }
    stage.end();
}

#[test]
fn network_cut_within_a_packet() {
    let mut stage = Stage::new("network cut within a packet", true);
    for turn in 0..times(6, 200) {
        stage.wait_for_flow();
        let bytes = stage.below(5000);
        let proxy = stage.proxy.as_ref().expect("a proxy lies between");
        let before = proxy.cuts();
        proxy.cut_after(turn % 3 != 2, bytes as i64);
        wait_until("the cut", Duration::from_secs(60), || (proxy.cuts() > before).then_some(()));
        stage.recovers();
    }
    stage.end();
}

/// A person looks at the record with another program and leaves a transaction open.
#[test]
fn another_program_holds_a_transaction() {
    let mut stage = Stage::new("transaction held by another", false);
    for _ in 0..times(1, 10) {
        stage.wait_for_flow();
        let holder = rusqlite::Connection::open(stage.daemon.store()).unwrap();
        holder.busy_timeout(Duration::from_secs(30)).unwrap();
        holder.execute_batch("BEGIN IMMEDIATE").unwrap();
        // Longer than the daemon waits for a lock.
        std::thread::sleep(Duration::from_secs(7));
        holder.execute_batch("ROLLBACK").unwrap();
        stage.recovers();
    }
    stage.end();
}

/// Somebody starts a second daemon on the same record. It ends at once and touches nothing.
#[test]
fn second_daemon_on_the_same_record() {
    let mut stage = Stage::new("second daemon", false);
    for _ in 0..times(2, 20) {
        stage.wait_for_flow();
        let second = stage.daemon.ask(["run", "--clock", "readings"]);
        assert_eq!(second.status.code(), Some(3), "{}", String::from_utf8_lossy(&second.stderr));
        stage.recovers();
    }
    stage.end();
}
