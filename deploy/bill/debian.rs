//! Debian's machine-readable copyright file,
//! <https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/>.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use anyhow::Context as _;

use crate::licences::{atoms, holders, standard_text};
use crate::shipped::{Origin, ShippedPackage};

/// Licences that stand on every Debian system, and in which file.
const COMMON: [(&str, &str); 2] = [("Apache-2.0", "Apache-2.0"), ("CC0-1.0", "CC0-1.0")];

/// The file. Each package's sources are named as `cargo vendor --versioned-dirs` lays them out.
///
/// # Errors
/// When a file cannot be read, or a licence has no text.
pub(crate) fn copyright(shipped: &[ShippedPackage]) -> anyhow::Result<String> {
    let mut out = String::from(
        "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/\nUpstream-Name: trug\n\
         Comment: The program is linked with the packages below. Their files are named as cargo vendor\n \
         --versioned-dirs lays them out. THIRD-PARTY.gz has each licence as its package has it,\n \
         trug.spdx.json the whole as a bill of materials.\n",
    );
    let mut used = BTreeSet::new();
    for it in shipped {
        let files = match it.origin {
            Origin::Here if it.name == "trug" => "*".to_owned(),
            Origin::Here => format!("{}/*", folder_of(it)),
            Origin::Registry => format!("vendor/{}-{}/*", it.name, it.version),
            Origin::Within(parent) => {
                let parent = &shipped[parent];
                format!(
                    "vendor/{}-{}/{}*",
                    parent.name,
                    parent.version,
                    if it.name == "sqlite" { "sqlite3/" } else { "tzdata" }
                )
            }
            Origin::Toolchain => format!("rust-{}/library/*", it.version),
        };
        let holders =
            if it.origin == Origin::Here { vec!["2026 The Trug authors".to_owned()] } else { holders(it)? };
        let lines: Vec<&str> = holders.iter().map(|line| bare(line)).collect();
        write!(
            out,
            "\nFiles: {files}\nCopyright: {}\nLicense: {}\n",
            lines.join("\n           "),
            synopsis(&it.licence)
        )?;
        used.extend(atoms(it)?);
    }
    for atom in used {
        write!(out, "\nLicense: {}\n{}\n", synopsis(&atom), paragraph(&text_of(&atom)?))?;
    }
    Ok(out)
}

/// The folder of a package of this workspace, from its top.
fn folder_of(package: &ShippedPackage) -> String {
    let folder = package.folder.as_deref().unwrap_or(Path::new(""));
    folder.strip_prefix(env!("CARGO_MANIFEST_DIR")).unwrap_or(folder).display().to_string()
}

/// The field's name says "Copyright" already.
fn bare(line: &str) -> &str {
    let rest = line.get("copyright".len()..).filter(|_| line.to_lowercase().starts_with("copyright"));
    rest.map_or(line, |rest| rest.trim_start_matches([' ', ':'])).trim()
}

/// An SPDX expression as Debian writes it: "Expat or Apache-2.0".
fn synopsis(expression: &str) -> String {
    // A comma does what the standard's brackets do.
    let said = expression.replace(") AND ", ", AND ").replace(" AND (", ", AND ").replace(['(', ')'], "");
    let said = said.replace(" WITH ", "-with-");
    let word = |word: &str| match word {
        "OR" => "or".to_owned(),
        "AND" => "and".to_owned(),
        "MIT" => "Expat".to_owned(),
        "MIT," => "Expat,".to_owned(),
        other => other.replace("LicenseRef-public-domain", "public-domain"),
    };
    said.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

fn text_of(atom: &str) -> anyhow::Result<String> {
    if let Some((_, file)) = COMMON.iter().find(|(name, _)| *name == atom) {
        return Ok(format!("On Debian systems the whole text is in /usr/share/common-licenses/{file}."));
    }
    if atom == "MIT" {
        // Without the standard's gap for a name: each package's holders stand above.
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("LICENSE");
        let own = fs::read_to_string(&path).with_context(|| format!("reading {}", path.display()))?;
        let terms = own.split_once("Permission is hereby").context("LICENSE is not the MIT licence")?.1;
        return Ok(format!("Permission is hereby{terms}"));
    }
    standard_text(atom)
}

/// Lines of a paragraph begin with a space; an empty one is a dot.
fn paragraph(text: &str) -> String {
    let lines = text.trim_end().lines().map(str::trim_end);
    let lines = lines.map(|line| if line.is_empty() { " .".to_owned() } else { format!(" {line}") });
    lines.collect::<Vec<_>>().join("\n")
}
