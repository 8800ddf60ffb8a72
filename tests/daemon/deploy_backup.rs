//! The nightly copy in deploy/.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use crate::support::daemon::Daemon;
use crate::support::garden::SHIPPED;
use crate::support::program;
use trug::store::{Store, look_through};

fn shipped(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy").join(name)
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn the_script_keeps_the_newest_copies_and_nothing_goes_where_none_is_made() {
    let daemon = Daemon::new(1, &[("saltbush-gully", SHIPPED)]);
    let copies = tempfile::tempdir().unwrap();
    let old = ["trug-20260101T023000Z.db", "trug-20260102T023000Z.db", "trug-20260103T023000Z.db"];
    let others = ["before-the-move.db", "trug-20260101T023000Z.db.txt"];
    for name in old.iter().chain(&others) {
        fs::write(copies.path().join(name), "x").unwrap();
    }
    let run = |keep: &str| -> Output {
        Command::new(shipped("trug-backup"))
            .arg(copies.path())
            .env("KEEP", keep)
            .env("TRUG", env!("CARGO_BIN_EXE_trug"))
            .env("CONFIG", daemon.folder().join("trug.toml"))
            .env("TRUG__STORE__PATH", daemon.store())
            .output()
            .unwrap()
    };
    // There is no record yet: no copy, and none goes.
    let before = names(copies.path());
    assert!(!run("2").status.success());
    assert_eq!(names(copies.path()), before);
    assert_eq!(run("0").status.code(), Some(2));

    drop(Store::open(&daemon.store(), &[]).unwrap());
    let made = run("2");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let after = names(copies.path());
    let new = after.iter().find(|name| !before.contains(name)).expect("a new copy").clone();
    let mut expected = vec![others[0].to_owned(), others[1].to_owned(), old[2].to_owned(), new.clone()];
    expected.sort();
    assert_eq!(after, expected);
    assert_eq!(look_through(&copies.path().join(new)).unwrap().readings, 0);
}

/// systemd's own check of both units.
#[test]
fn the_units_are_ones_that_systemd_takes() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["trug-backup.service", "trug-backup.timer"] {
        let text = fs::read_to_string(shipped(name)).unwrap();
        let script = shipped("trug-backup").display().to_string();
        fs::write(folder.path().join(name), text.replace("/usr/lib/trug/trug-backup", &script)).unwrap();
    }
    let output = Command::new(program("systemd-analyze"))
        .args(["verify", "--man=no", "--recursive-errors=no"])
        .args(["trug-backup.service", "trug-backup.timer"].map(|name| folder.path().join(name)))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && !said.contains("trug-backup"), "{said}");
}
