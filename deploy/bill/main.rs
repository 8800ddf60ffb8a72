//! Writes what the package says of the software in it that other people wrote.
//!
//!     cargo run --example bill -- FOLDER [FLAGS OF cargo tree]
//!
//! makes in FOLDER:
//! - `THIRD-PARTY`: each package that is linked into the program, and the texts of their licences;
//! - `trug.spdx.json`: the bill of materials, SPDX 2.3 (<https://spdx.github.io/spdx-spec/v2.3/>);
//! - `copyright`: Debian's machine-readable copyright file, format 1.0.
//!
//! The flags say which features and which target: `--no-default-features`. The moment in the
//! bill is `SOURCE_DATE_EPOCH`, so that the same sources give the same bytes. It fails where a
//! package has no licence, or one that is no SPDX expression.

mod debian;
mod licences;
mod shipped;
mod spdx_bill;

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use jiff::Timestamp;

fn main() -> anyhow::Result<()> {
    let mut arguments = std::env::args_os().skip(1);
    let folder = PathBuf::from(arguments.next().context("a folder is wanted")?);
    let flags: Vec<_> = arguments.collect();
    let epoch =
        std::env::var("SOURCE_DATE_EPOCH").context("SOURCE_DATE_EPOCH is wanted: seconds since 1970")?;
    let made = epoch.trim().parse().ok().and_then(|seconds| Timestamp::from_second(seconds).ok());
    let made = made.with_context(|| format!("SOURCE_DATE_EPOCH is {epoch:?}, and is seconds since 1970"))?;

    let shipped = shipped::packages(&flags)?;
    let write = |name: &str, text: String| write(&folder.join(name), &text);
    write("THIRD-PARTY", licences::third_party(&shipped)?)?;
    write("trug.spdx.json", spdx_bill::document(&shipped, made)?)?;
    write("copyright", debian::copyright(&shipped)?)?;
    println!("other people's packages in the program: {}", shipped.len() - 1);
    Ok(())
}

fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    std::fs::write(path, text).with_context(|| format!("writing {}", path.display()))
}
