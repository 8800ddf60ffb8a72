//! The texts of licences: those that packages bring along, else the standard's.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;

use anyhow::{Context as _, bail};

use crate::shipped::{Origin, PUBLIC_DOMAIN, PUBLIC_DOMAIN_TEXT, ShippedPackage};

/// How the names of files begin that hold a licence or what it asks to be kept.
const NAMES: [&str; 6] = ["license", "licence", "copying", "copyright", "notice", "unlicense"];

/// One licence of an expression, its exception included.
pub(crate) fn atoms(package: &ShippedPackage) -> anyhow::Result<BTreeSet<String>> {
    Ok(package.expression()?.requirements().map(|it| it.req.to_string()).collect())
}

/// The text of one licence, from the list of SPDX.
pub(crate) fn standard_text(atom: &str) -> anyhow::Result<String> {
    if atom == PUBLIC_DOMAIN {
        return Ok(PUBLIC_DOMAIN_TEXT.to_owned());
    }
    let (name, exception) = atom.split_once(" WITH ").map_or((atom, None), |(name, it)| (name, Some(it)));
    let mut text = spdx::license_id(name).with_context(|| format!("no licence {name}"))?.text().to_owned();
    if let Some(exception) = exception {
        let id = spdx::exception_id(exception).with_context(|| format!("no exception {exception}"))?;
        write!(text, "\n\n{}", id.text())?;
    }
    Ok(text)
}

/// The files of a package that hold its licences and notices, by name.
pub(crate) fn files(package: &ShippedPackage) -> anyhow::Result<BTreeMap<String, String>> {
    let Some(folder) = &package.folder else { return Ok(BTreeMap::new()) };
    let mut all = BTreeMap::new();
    for entry in fs::read_dir(folder).with_context(|| format!("reading {}", folder.display()))? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let lower = name.to_lowercase();
        if NAMES.iter().any(|it| lower.starts_with(it))
            && entry.file_type()?.is_file()
            && !lower.ends_with(".rs")
        {
            let bytes =
                fs::read(entry.path()).with_context(|| format!("reading {}", entry.path().display()))?;
            all.insert(name, String::from_utf8_lossy(&bytes).into_owned());
        }
    }
    Ok(all)
}

/// The texts that go with a package: its own, or the standard's where it brings none.
fn texts(package: &ShippedPackage) -> anyhow::Result<Vec<String>> {
    let own: Vec<String> = files(package)?.into_values().filter(|text| !text.trim().is_empty()).collect();
    if !own.is_empty() {
        return Ok(own);
    }
    let atoms = atoms(package)?;
    // Where one may choose, the text that needs no name in it.
    let choice = "Apache-2.0";
    let may_choose = package.licence.contains(" OR ") && !package.licence.contains(" AND ");
    if may_choose && atoms.contains(choice) {
        return Ok(vec![standard_text(choice)?]);
    }
    atoms.iter().map(|it| standard_text(it)).collect()
}

/// Who holds the copyright, as the package's licences have it, else its authors.
pub(crate) fn holders(package: &ShippedPackage) -> anyhow::Result<Vec<String>> {
    let mut all = Vec::new();
    for text in files(package)?.values() {
        for line in text.lines().map(|line| line.trim().trim_start_matches(['*', '/', '#', '-', ' '])) {
            let said = line.to_lowercase();
            let dated =
                line.chars().collect::<Vec<_>>().windows(4).any(|it| it.iter().all(char::is_ascii_digit));
            let marked = dated || said.contains("(c)") || line.contains('©');
            let blank = ["[yyyy]", "<year>", "{yyyy}", "[year]"].iter().any(|it| said.contains(it));
            if said.starts_with("copyright")
                && marked
                && !blank
                && line.len() < 200
                && !all.contains(&line.to_owned())
            {
                all.push(line.to_owned());
            }
        }
    }
    if all.is_empty() {
        all = package.authors.clone();
    }
    if all.is_empty() {
        all.push(format!("The authors of {}", package.name));
    }
    Ok(all)
}

/// The list of packages, then each text once with those whom it is of.
///
/// # Errors
/// When a text cannot be read, or a package has none.
pub(crate) fn third_party(shipped: &[ShippedPackage]) -> anyhow::Result<String> {
    let others: Vec<&ShippedPackage> = shipped.iter().filter(|it| it.origin != Origin::Here).collect();
    let mut out = String::from(
        "Software of other people in Trug\n\nTrug's own licence is MIT. The program is linked with the packages below, each under its own \
         licence.\nThe texts follow; where a package lets one choose, any of them.\n\n",
    );
    for it in &others {
        writeln!(
            out,
            "{}: {}{}",
            it.title(),
            it.licence,
            it.address.as_ref().map_or_else(String::new, |at| format!(" ({at})"))
        )?;
    }
    // By words: line ends and indents differ.
    let mut by_text: BTreeMap<String, (String, Vec<String>)> = BTreeMap::new();
    for it in &others {
        let texts = texts(it)?;
        if texts.is_empty() {
            bail!("{} has no text of a licence", it.title());
        }
        for text in texts {
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            let (_, users) = by_text.entry(words).or_insert_with(|| (text, Vec::new()));
            if !users.contains(&it.title()) {
                users.push(it.title());
            }
        }
    }
    let mut texts: Vec<_> = by_text.into_values().collect();
    // What most packages use comes first.
    texts.sort_by(|one, other| other.1.len().cmp(&one.1.len()).then_with(|| one.1.cmp(&other.1)));
    for (text, users) in texts {
        write!(
            out,
            "\n{}\nOf: {}\n\n{}\n",
            "=".repeat(80),
            users.join(", "),
            text.replace("\r\n", "\n").trim_end()
        )?;
    }
    Ok(out)
}
