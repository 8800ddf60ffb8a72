//! What is left of the record when its writer is killed or cannot write any more.
//! The writer is this test program again, as a child.

#![allow(clippy::float_cmp, reason = "numbers must come back to the bit")]

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use crate::support::ChildGuard;
use crate::support::garden::{only, probes, reading};
use trug::garden::record::Batch;
use trug::store::{Reader, Store, Transaction};

const FOLDER: &str = "TRUG_TEST_FOLDER";
const ROWS: i64 = 50;
/// Commits of a child that is not disturbed.
const COMMITS: i64 = 40;

fn batch(number: i64) -> Batch {
    let readings = (0..ROWS).map(|n| reading((n % 10) as u32, number * 1000 + n, number as f64)).collect();
    Batch { readings, ..Batch::default() }
}

/// The child: commits batch after batch, and says each that is kept.
#[test]
#[ignore = "runs as the child of the other tests here"]
fn write_until_told() {
    let Some(folder) = std::env::var_os(FOLDER) else { return };
    let path = Path::new(&folder).join("trug.db");
    let mut store = match Store::open(&path, &[probes(10)]) {
        Ok(store) => store,
        Err(error) => return println!("stopped by {error:?}"),
    };
    let first = Reader::open(&path).map_or(0, |reader| reader.count().unwrap().cast_signed() / ROWS);
    let mut out = std::io::stdout();
    for number in first..first + COMMITS {
        match store.commit(&Transaction { forward: true, ..only(&batch(number)) }) {
            Ok(committed) => writeln!(out, "committed {number} {}", committed.stored).unwrap(),
            Err(error) => return println!("stopped by {error:?}"),
        }
    }
    println!("done");
}

/// Starts the child; `limit` is the size, in KiB, that no file of it may pass.
fn writer(folder: &Path, limit: Option<u32>) -> ChildGuard {
    let exe = std::env::current_exe().unwrap();
    let mut command = match limit {
        None => Command::new(exe),
        Some(kib) => {
            let mut shell = Command::new("bash");
            // The signal of a file that is too large is ignored, so that the write fails.
            shell.args(["-c", &format!("trap '' XFSZ; ulimit -f {kib}; exec \"$0\" \"$@\"")]).arg(exe);
            shell
        }
    };
    let child = command
        .args(["--exact", "faults::write_until_told", "--ignored", "--nocapture", "--test-threads=1"])
        .env(FOLDER, folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    ChildGuard(child)
}

/// Checks the whole file and gives the number of whole batches.
fn batches(folder: &Path) -> i64 {
    let path = folder.join("trug.db");
    // Opening it repairs what the child left behind.
    drop(Store::open(&path, &[probes(10)]).unwrap());
    let connection = rusqlite::Connection::open(&path).unwrap();
    let check: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(check, "ok");
    let count = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    let rows = count("SELECT count(*) FROM reading");
    assert_eq!(rows % ROWS, 0, "a batch is there whole or not at all");
    assert_eq!(rows, count("SELECT count(*) FROM forward_queue"), "and so is what belongs to it");
    rows / ROWS
}

#[test]
fn nothing_that_was_kept_is_lost_when_the_writer_is_killed() {
    let folder = tempfile::tempdir().unwrap();
    // Any spread of moments does; this one is the same each time.
    let mut random = 12_345_u32;
    let mut kept = 0;
    for round in 0..15 {
        random = random.wrapping_mul(1_103_515_245).wrapping_add(12_345);
        let stop_after = 1 + (random >> 16) % 30;
        let mut child = writer(folder.path(), None);
        let mut lines = BufReader::new(child.0.stdout.take().unwrap()).lines();
        let mut said = 0;
        while said < stop_after {
            let line = lines.next().expect("it goes on").unwrap();
            assert!(!line.contains("stopped by"), "{line}");
            said += u32::from(line.contains("committed"));
        }
        child.0.kill().unwrap();
        // What it said before it died counts as well.
        said += lines.map_while(Result::ok).filter(|line| line.contains("committed")).count() as u32;
        drop(child);
        let found = batches(folder.path());
        let said = kept + i64::from(said);
        // The last one may be on the disk and not yet said.
        assert!((said..=said + 1).contains(&found), "round {round}: said {said}, found {found}");
        kept = found;
    }
}

#[test]
fn a_disk_that_takes_no_more_costs_only_what_was_refused() {
    let mut failures = 0;
    // A block more each time, until the child gets through.
    for kib in (4..).step_by(16) {
        let folder = tempfile::tempdir().unwrap();
        let mut child = writer(folder.path(), Some(kib));
        let lines: Vec<_> =
            BufReader::new(child.0.stdout.take().unwrap()).lines().map_while(Result::ok).collect();
        let said = lines.iter().filter(|line| line.contains("committed")).count();
        let done = lines.iter().any(|line| line.contains("done"));
        let failed = lines.iter().any(|line| line.contains("stopped by"));
        assert!(done != failed, "{lines:?}");
        drop(child);
        assert_eq!(batches(folder.path()), i64::try_from(said).unwrap(), "with {kib} KiB");
        // With room again, it goes on.
        let path = folder.path().join("trug.db");
        let mut store = Store::open(&path, &[probes(10)]).unwrap();
        assert_eq!(store.commit(&only(&batch(1_000_000))).unwrap().stored, 50);
        if done {
            break;
        }
        failures += 1;
    }
    assert!(failures >= 10, "only {failures} failures");
    if let Some(rows) = std::env::var_os("FAULTS_ROWS") {
        // A row for the table of `tests/faults`: whoever comes so far has lost nothing.
        let sent = failures * COMMITS * ROWS;
        let row = format!("file full at each fourth page\t{failures}\t{sent}\t0\t0\t0\t0\t-\tat once\n");
        std::fs::create_dir_all(&rows).unwrap();
        std::fs::write(Path::new(&rows).join("1-file"), row).unwrap();
    }
}
