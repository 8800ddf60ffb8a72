//! A file system that is full.

use std::io::Write as _;
use std::process::Command;
use std::time::Duration;

use super::stage::{Line, Stage, times};
use crate::support::wait_until;

const LIMIT: Duration = Duration::from_secs(300);

/// A file system in memory; it goes with the value.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    /// `None` where nobody but root may make one.
    fn new(mb: u32) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let made = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={mb}m"), "tmpfs"])
            .arg(folder.path())
            .output()
            .ok()?;
        made.status.success().then_some(Self(folder))
    }

    /// Takes all the room that is left.
    fn fill(&self) {
        let mut file = std::fs::File::create(self.0.path().join("filler")).unwrap();
        let block = vec![b'x'; 64 * 1024];
        while file.write_all(&block).is_ok() {}
        while file.write_all(&block[..512]).is_ok() {}
    }

    fn clear(&self) {
        std::fs::remove_file(self.0.path().join("filler")).unwrap();
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // The daemon has ended, or is about to.
        let _ = Command::new("umount").arg("-l").arg(self.0.path()).status();
    }
}

/// Whether the log of a run says that the record cannot be written, so often.
fn fails(log: &str) -> usize {
    log.matches("the store cannot be written; readings wait at the broker").count()
}

#[test]
fn file_system_that_is_full() {
    // Whoever may not make a file system has a bound on each file instead.
    match SmallDisk::new(600) {
        Some(disk) => full_disk(&disk),
        None => full_file(),
    }
}

fn full_disk(disk: &SmallDisk) {
    let path = disk.0.path().join("trug.db");
    let mut stage = Stage::new("file system full", Line::Direct, |daemon| {
        daemon.set("TRUG__STORE__PATH", &path.display().to_string());
    });
    for turn in 0..times(1, 20) as usize {
        stage.wait_for_flow();
        disk.fill();
        // What the log of recent writes has room for in its file still goes.
        wait_until("a write to fail", LIMIT, || {
            stage.daemon.assert_alive();
            stage.keep_sending();
            (fails(&stage.daemon.log()) > turn).then_some(())
        });
        disk.clear();
        stage.recovers();
    }
    stage.end().finish();
}

fn full_file() {
    let mut stage = Stage::new("file as large as it may be", Line::Direct, |daemon| {
        daemon.before = Some("trap '' XFSZ; ulimit -S -f 2048");
    });
    let process = stage.daemon.process().to_string();
    wait_until("a write to fail", LIMIT, || {
        stage.daemon.assert_alive();
        stage.keep_sending();
        (fails(&stage.daemon.log()) > 0).then_some(())
    });
    let lifted = Command::new("prlimit").args(["--pid", &process, "--fsize=unlimited:"]).status();
    assert!(lifted.is_ok_and(|status| status.success()), "the bound can be lifted");
    stage.recovers();
    stage.end().finish();
}
