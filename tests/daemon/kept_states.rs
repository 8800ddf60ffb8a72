//! The program goes on from what it kept of its garden, after SIGKILL and after SIGTERM.

use std::time::Duration;

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(60);

/// Whether it was started so often.
fn runs(daemon: &Daemon, times: usize) -> Option<()> {
    (daemon.log().matches("trug is running").count() == times).then_some(())
}

#[test]
fn a_daemon_that_is_killed_or_stopped_goes_on_from_what_it_kept() {
    // No broker is asked for.
    let mut daemon = Daemon::new(1, &[("saltbush-gully", SHIPPED)]);
    daemon.start();
    let reader = daemon.reader();
    let kept = || reader.snapshot("saltbush-gully").unwrap();
    let first = wait_until("the day's state to be kept", LIMIT, kept);
    daemon.kill();

    daemon.start();
    wait_until("the second run", LIMIT, || runs(&daemon, 2));
    assert_eq!(daemon.log().matches("go_on=1").count(), 1, "{}", daemon.log());
    assert!(daemon.terminate().success());
    let at_stop = kept().expect("one is there");
    assert!(at_stop.kept_at > first.kept_at, "{} {}", at_stop.kept_at, first.kept_at);

    daemon.start();
    wait_until("the third run", LIMIT, || runs(&daemon, 3));
    assert_eq!(daemon.log().matches("go_on=1").count(), 2, "{}", daemon.log());
    // What is torn is said once, and the garden is watched all the same.
    daemon.kill();
    let record = rusqlite::Connection::open(daemon.store()).unwrap();
    record.execute("UPDATE snapshot SET packed = substr(packed, 1, 100)", []).unwrap();
    drop(record);
    daemon.start();
    wait_until("the fourth run", LIMIT, || runs(&daemon, 4));
    assert_eq!(daemon.log().matches("it is not whole").count(), 1, "{}", daemon.log());
    assert_eq!(daemon.log().matches("go_on=0").count(), 2, "{}", daemon.log());
    assert!(daemon.terminate().success());
}
