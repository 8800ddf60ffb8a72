//! Faults at full flow against a real broker: nothing that the broker was told is stored is
//! lost, nothing is stored twice, every alarm is raised and told once, and readings flow
//! again soon.
//!
//! A few of each here; `tests/faults` (`FAULTS=full`, or `FAULTS=N`: each at most N times)
//! tries as many as are asked for. Readings carry their own times.

mod filesystem;
mod influx;
mod stage;

use std::time::{Duration, Instant};

use stage::{Line, Stage, is_full, times, trial};

use crate::support::wait_until;

/// How long a stop may take, whatever waits.
const STOP: Duration = Duration::from_secs(10);

#[test]
fn nothing_happens() {
    trial("nothing (beside it)", Line::Direct, 1, |_| {});
}

#[test]
fn killed_at_full_flow() {
    trial("SIGKILL at full flow", Line::Direct, times(3, 200), |stage| {
        stage.pause_a_little();
        stage.note_memory();
        stage.daemon.kill();
        stage.daemon.start();
    });
}

/// A second daemon stands by on the same record.
#[test]
fn killed_with_another_that_stands_by() {
    trial("SIGKILL, a second daemon takes over", Line::Direct, times(3, 50), |stage| {
        stage.daemon.stand_by();
        stage.pause_a_little();
        stage.daemon.fail_over();
    });
}

/// Asks the daemon to end.
fn stop(stage: &mut Stage) {
    let began = Instant::now();
    assert!(stage.daemon.terminate().success());
    assert!(began.elapsed() < STOP, "the stop took {:?}", began.elapsed());
}

#[test]
fn stopped_at_full_flow() {
    trial("SIGTERM at full flow", Line::Direct, times(2, 50), |stage| {
        stage.pause_a_little();
        stage.note_memory();
        stop(stage);
        stage.daemon.start();
    });
}

/// The garden's file changes at full flow, and is read again from the record each time.
#[test]
fn reloaded_at_full_flow() {
    trial("trug reload at full flow", Line::Direct, times(10, 200), |stage| {
        stage.pause_a_little();
        let path = stage.daemon.folder().join("gardens/saltbush-gully.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, format!("{text}# read again\n")).unwrap();
        let said = stage.daemon.ask(["reload"]);
        let words = String::from_utf8_lossy(&said.stdout).into_owned();
        assert!(said.status.success() && words.contains("1 garden was read again"), "{said:?}");
    });
}

/// Another program holds the record for as long as `what` takes.
fn held(stage: &mut Stage, what: impl FnOnce(&mut Stage)) {
    let holder = rusqlite::Connection::open(stage.daemon.store()).unwrap();
    holder.busy_timeout(Duration::from_secs(30)).unwrap();
    holder.execute_batch("BEGIN IMMEDIATE").unwrap();
    what(stage);
    holder.execute_batch("ROLLBACK").unwrap();
}

/// What waits cannot be written, and comes again after the start.
#[test]
fn stopped_while_nothing_can_be_written() {
    trial("SIGTERM, record held by another", Line::Direct, times(1, 20), |stage| {
        held(stage, |stage| {
            stage.pause_a_little();
            stop(stage);
        });
        stage.daemon.start();
    });
}

/// A person looks at the record with another program and leaves a transaction open, for
/// longer than the daemon waits for a lock.
#[test]
fn another_program_holds_a_transaction() {
    trial("transaction held by another", Line::Direct, times(1, 20), |stage| {
        held(stage, |_| std::thread::sleep(Duration::from_secs(7)));
    });
}

/// A process that stands still holds readings that are neither stored nor acknowledged.
#[test]
fn paused_at_full_flow() {
    let seconds = if is_full() { 30 } else { 2 };
    trial("SIGSTOP at full flow", Line::Direct, times(1, 10), |stage| stage.stand_still(seconds));
}

/// Longer than the keep-alive and than what counts as a pause: a closed laptop.
#[test]
#[ignore = "takes minutes: tests/faults runs it"]
fn suspended_and_woken() {
    trial("suspended for 70 s", Line::Direct, times(1, 5), |stage| stage.stand_still(70));
}

#[test]
fn broker_restarted_with_its_session() {
    trial("broker restarted, session kept", Line::Proxied, times(2, 50), |stage| {
        stage.pause_a_little();
        stage.broker.stop();
        stage.broker.start_again();
    });
}

/// What the broker held and had not brought is lost with it. What it was told is stored is
/// stored, and its senders send again what it had not acknowledged to them.
#[test]
fn broker_killed_without_its_session() {
    trial("broker killed, session lost", Line::Forgetful, times(2, 50), |stage| {
        stage.pause_a_little();
        stage.broker.kill();
        stage.broker.start_again();
    });
}

#[test]
fn network_cut_within_a_packet() {
    trial("network cut within a packet", Line::Proxied, times(6, 200), |stage| {
        let (bytes, from_broker) = (stage.below(5000), stage.below(3) > 0);
        let proxy = stage.proxy.as_ref().expect("a proxy lies between");
        let before = proxy.cuts();
        proxy.cut_after(from_broker, bytes as i64);
        wait_until("the cut", Duration::from_secs(60), || {
            stage.keep_sending();
            (proxy.cuts() > before).then_some(())
        });
    });
}

/// Somebody starts a second daemon on the same record. It ends at once and touches nothing.
#[test]
fn second_daemon_on_the_same_record() {
    trial("second daemon", Line::Direct, times(2, 20), |stage| {
        let second = stage.daemon.ask(["run", "--clock", "readings"]);
        assert_eq!(second.status.code(), Some(3), "{}", String::from_utf8_lossy(&second.stderr));
    });
}
