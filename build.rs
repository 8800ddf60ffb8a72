//! Makes a digest of all that decides what the core knows of a garden: its sources and the
//! versions of the libraries. A kept state of a core with another digest is not used. And says
//! how the program is linked.

use std::collections::BTreeSet;
use std::fs;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::{Path, PathBuf};

/// The rooms from the core down, and what they stand on.
const PARTS: [&str; 16] = [
    "src/garden",
    "src/text",
    "src/alarms",
    "src/soil",
    "src/evapotranspiration",
    "src/outlook",
    "src/tank",
    "src/watering",
    "src/rain",
    "src/quality",
    "src/decode",
    "src/calibration",
    "src/model",
    "src/why.rs",
    "Cargo.lock",
    "Cargo.toml",
];

fn main() {
    let mut files = BTreeSet::new();
    for part in PARTS {
        println!("cargo::rerun-if-changed={part}");
        find(Path::new(part), &mut files);
    }
    // Another compiler makes another digest too: then the states are made once more.
    let mut digest = DefaultHasher::new();
    for file in files {
        file.hash(&mut digest);
        fs::read(&file).expect("a source file can be read").hash(&mut digest);
    }
    println!("cargo::rustc-env=TRUG_CORE_DIGEST={:016x}", digest.finish());
    link_small();
}

/// Has the linker write the addresses that a start corrects in their short form (DT_RELR, glibc
/// 2.36 of 2022): 1.5 MB less of the file, and of memory, where a start reads all of them.
fn link_small() {
    let target = |part: &str| std::env::var(format!("CARGO_CFG_TARGET_{part}")).unwrap_or_default();
    if [target("OS"), target("ENV"), target("ARCH")] == ["linux", "gnu", "x86_64"] {
        println!("cargo::rustc-link-arg-bins=-Wl,-z,pack-relative-relocs");
    }
}

fn find(path: &Path, files: &mut BTreeSet<PathBuf>) {
    if path.is_dir() {
        for entry in fs::read_dir(path).expect("a source folder can be read") {
            find(&entry.expect("a source folder can be listed").path(), files);
        }
    } else {
        files.insert(path.to_owned());
    }
}
