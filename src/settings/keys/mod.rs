//! The reference of all keys of both kinds of files.
//!
//! What a key accepts comes from the reader itself: a file with every section is read, the
//! reader notes each key that it asks for, and each key in turn is given a value that nothing
//! takes, so that the reader says what it would accept. The meaning and what holds without the
//! key stand in [`notes`]; a test fails where a key that is asked for has none.

mod notes;

use std::collections::BTreeMap;
use std::sync::LazyLock;

use toml::{Table, Value};

use super::{Fault, SettingsReader};
use crate::alarms::Kind;

/// The files that are read, and what stands in the environment for their secrets.
const DAEMON: (&str, &str) = ("trug.toml", include_str!("daemon.toml"));
const GARDEN: (&str, &str) = ("garden.toml", include_str!("garden.toml"));
const SECRETS: [(&str, &str); 3] = [
    (
        "TRUG__PAGE__USER__GROUNDS__PASSWORD",
        "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0c2FsdA$c2FsdHNhbHRzYWx0c2FsdHNhbHRzYWx0c2FsdHNhbHQ",
    ),
    ("TRUG__ANSWERS__LINK_SECRET", "0123456789abcdef0123456789abcdef"),
    ("TRUG__WEBHOOK__OFFICE__SECRET", "0123456789abcdef0123456789abcdef"),
];

/// A kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum KeyFile {
    /// `trug.toml`.
    Daemon,
    /// `gardens/NAME.toml`.
    Garden,
}

impl KeyFile {
    /// The file as people call it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Daemon => "trug.toml",
            Self::Garden => "gardens/NAME.toml",
        }
    }
}

/// A table of a file and its keys.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyTable {
    pub file: KeyFile,
    /// As the file has it: `[site]`, `[[bed]]`, or `irrigation` of `[[bed]]`.
    pub heading: String,
    /// What it is for, a sentence.
    pub meaning: &'static str,
    pub keys: Vec<KeyRow>,
}

/// One key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyRow {
    pub name: &'static str,
    /// Type, unit and range, as the check says them.
    pub accepted: String,
    /// What holds where the key is left out; "needed" where that is a fault.
    pub default: &'static str,
    /// What it is for, a sentence.
    pub meaning: &'static str,
}

/// Every table of both files with its keys, in the order of the files.
pub fn key_reference() -> &'static [KeyTable] {
    static REFERENCE: LazyLock<Vec<KeyTable>> = LazyLock::new(made);
    &REFERENCE
}

fn made() -> Vec<KeyTable> {
    let asked = asked_keys();
    let accepted = all_accepted(&asked);
    let row = |file: KeyFile, path: &str, &(name, default, meaning): &notes::KeyNote| {
        let key = (file, super::document::join(path, name));
        KeyRow { name, accepted: accepted.get(&key).cloned().unwrap_or_default(), default, meaning }
    };
    notes::tables()
        .map(|(file, table)| KeyTable {
            file,
            heading: table.heading(file),
            meaning: table.meaning,
            keys: table.keys.iter().map(|note| row(file, table.path, note)).collect(),
        })
        .collect()
}

/// What every key accepts. One key of each table at a time, so that both files are read some
/// twenty times and not some hundred; what is not told then is asked for alone.
fn all_accepted(asked: &AskedKeys) -> AskedKeys {
    let rounds = notes::tables().map(|(_, table)| table.keys.len()).max().unwrap_or(0);
    let mut found = AskedKeys::new();
    for round in 0..rounds {
        let keys = notes::tables().filter_map(|(file, table)| {
            let (name, ..) = table.keys.get(round)?;
            let key = (file, super::document::join(table.path, name));
            Some((asked.get(&key)?.clone(), key))
        });
        let keys: Vec<(String, (KeyFile, String))> = keys.collect();
        let told = accepted(keys.iter().map(|(at, key)| (key.0, at.as_str())));
        for (at, key) in keys {
            let alone = || accepted(std::iter::once((key.0, at.as_str()))).remove(&key);
            if let Some(words) = told.get(&key).cloned().or_else(alone) {
                found.insert(key, words);
            }
        }
    }
    found
}

/// A text for each key of a file, by its path without ids.
type AskedKeys = BTreeMap<(KeyFile, String), String>;

/// Every key that the reader asks for, by its path without ids, and the path of the one that
/// it was asked at: `bed.area_m2`, `bed[peas].area_m2`. One that is written there goes first.
fn asked_keys() -> AskedKeys {
    let files =
        [(KeyFile::Daemon, DAEMON), (KeyFile::Garden, GARDEN)].map(|(file, (_, text))| (file, parsed(text)));
    let mut found = AskedKeys::new();
    for (file, asked) in read(DAEMON.1, GARDEN.1, &SECRETS).asked {
        let tree = files.iter().find(|(it, _)| *it == file).map(|(_, tree)| tree);
        let written = |at: &str| tree.is_some_and(|tree| value_at(&mut tree.clone(), at).is_some());
        let kept = found.entry((file, without_ids(&asked))).or_insert_with(|| asked.clone());
        if !written(kept) && written(&asked) {
            *kept = asked;
        }
    }
    found
}

/// What the keys at some paths accept, as far as the reader says it of each.
fn accepted<'k>(keys: impl Iterator<Item = (KeyFile, &'k str)>) -> AskedKeys {
    let (mut daemon, mut garden) = (parsed(DAEMON.1), parsed(GARDEN.1));
    // No key takes a time of the day without a date.
    let nothing_takes = parsed("x = 00:00:01").remove("x").expect("it stands there");
    let mut wrong = Vec::new();
    for (file, at) in keys {
        let tree = match file {
            KeyFile::Daemon => &mut daemon,
            KeyFile::Garden => &mut garden,
        };
        if set(tree, at, nothing_takes.clone()).is_some() {
            wrong.push((file, without_ids(at)));
        }
    }
    // A secret of the environment stands in front of its key and its file.
    let faults = read(&daemon.to_string(), &garden.to_string(), &[]).faults;
    let words = |key: &(KeyFile, String)| {
        let file = if key.0 == KeyFile::Daemon { DAEMON.0 } else { GARDEN.0 };
        let own = |fault: &&Fault| fault.file == file && without_ids(&fault.key) == key.1;
        faults.iter().find(own).map(|fault| fault.accepted.clone())
    };
    wrong.into_iter().filter_map(|key| Some((key.clone(), words(&key)?))).collect()
}

/// The keys that were asked for, and the faults.
struct KeyReading {
    asked: Vec<(KeyFile, String)>,
    faults: Vec<Fault>,
}

fn read(daemon: &str, garden: &str, secrets: &[(&str, &str)]) -> KeyReading {
    let secrets = secrets.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
    let mut reading = SettingsReader::new(secrets);
    reading.asked = Some(Vec::new());
    let found = reading.daemon(DAEMON.0, daemon, std::path::Path::new(""));
    let of_daemon = reading.asked.replace(Vec::new()).unwrap_or_default();
    let texts = [(GARDEN.0.to_owned(), Ok(garden.to_owned()))];
    reading.read_gardens(found.as_ref(), "", texts.into_iter());
    let of_garden = reading.asked.take().unwrap_or_default();
    let file = |file: KeyFile| move |key: String| (file, key);
    let asked = of_daemon
        .into_iter()
        .map(file(KeyFile::Daemon))
        .chain(of_garden.into_iter().map(file(KeyFile::Garden)))
        .collect();
    KeyReading { asked, faults: reading.faults }
}

fn parsed(text: &str) -> Table {
    text.parse().expect("the reference's own files are TOML")
}

/// `bed[peas].area_m2` as `bed.area_m2`; the kind of an alarm as `KIND`.
fn without_ids(path: &str) -> String {
    let mut plain = String::new();
    let mut depth = 0u32;
    for c in path.chars() {
        match c {
            '[' => depth += 1,
            ']' => depth = depth.saturating_sub(1),
            c if depth == 0 => plain.push(c),
            _ => {}
        }
    }
    let kind =
        plain.strip_prefix("alarms.").and_then(|rest| rest.split('.').next()).and_then(Kind::from_name);
    kind.map_or(plain.clone(), |kind| plain.replacen(kind.name(), "KIND", 1))
}

/// The part of a path: a key, and the id of one table of a list.
fn part(part: &str) -> (&str, Option<&str>) {
    part.split_once('[').map_or((part, None), |(key, id)| (key, Some(id.trim_end_matches(']'))))
}

/// The table that a key stands in, and the key.
fn holder<'t, 'p>(tree: &'t mut Table, path: &'p str) -> Option<(&'t mut Table, &'p str)> {
    let (above, key) = path.rsplit_once('.').map_or((None, path), |(above, key)| (Some(above), key));
    let mut table = tree;
    for (key, id) in above.into_iter().flat_map(|above| above.split('.')).map(part) {
        table = match (table.get_mut(key)?, id) {
            (Value::Table(table), None) => table,
            (Value::Array(list), Some(id)) => list
                .iter_mut()
                .enumerate()
                .find(|(at, one)| {
                    let named = ["id", "name", "who"]
                        .iter()
                        .any(|key| one.get(key).and_then(Value::as_str) == Some(id));
                    named
                        || id == format!("#{}", at + 1)
                        || id == one.get("from").map(Value::to_string).unwrap_or_default()
                })?
                .1
                .as_table_mut()?,
            _ => return None,
        };
    }
    Some((table, part(key).0))
}

fn value_at<'t>(tree: &'t mut Table, path: &str) -> Option<&'t Value> {
    let (table, key) = holder(tree, path)?;
    table.get(key)
}

fn set(tree: &mut Table, path: &str, value: Value) -> Option<()> {
    let (table, key) = holder(tree, path)?;
    table.insert(key.to_owned(), value);
    Some(())
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// The one list of what is asked for is the reader's own.
    #[test]
    fn every_key_that_the_reader_asks_for_is_explained_and_no_other() {
        let reading = read(DAEMON.1, GARDEN.1, &SECRETS);
        assert_eq!(reading.faults, [], "the reference's own files are right");
        let mut explained: BTreeSet<(KeyFile, String)> = BTreeSet::new();
        for (file, table) in notes::tables() {
            let mut path = String::new();
            for part in table.path.split('.') {
                path = super::super::document::join(&path, part);
                explained.insert((file, path.clone()));
            }
            for (key, default, meaning) in table.keys {
                assert!(!default.is_empty() && meaning.ends_with('.'), "{}.{key}", table.path);
                assert!(meaning.split(' ').count() <= 25, "{}.{key}", table.path);
                let times = table.keys.iter().filter(|(other, ..)| other == key).count();
                assert_eq!(times, 1, "notes of {}.{key}", table.path);
                explained.insert((file, format!("{}.{key}", table.path)));
            }
        }
        let asked: BTreeSet<(KeyFile, String)> = asked_keys().into_keys().collect();
        // Tables that are written in one line, or as a word, are keys of the one above as well.
        let missing: Vec<_> = asked.difference(&explained).collect();
        let unknown: Vec<_> = explained.difference(&asked).collect();
        assert!(missing.is_empty(), "no note in keys/notes: {missing:?}");
        assert!(unknown.is_empty(), "a note of a key that nobody asks for: {unknown:?}");
    }

    #[test]
    fn the_reader_says_of_each_key_what_it_accepts() {
        for table in key_reference() {
            for key in &table.keys {
                assert!(!key.accepted.is_empty(), "{} {}", table.heading, key.name);
                assert!(!key.accepted.contains("peas-15cm"), "{} {}", table.heading, key.name);
            }
        }
        let row = |heading: &str, name: &str| {
            let table = key_reference().iter().find(|it| it.heading == heading).expect("the table");
            table.keys.iter().find(|it| it.name == name).expect("the key").accepted.clone()
        };
        assert_eq!(row("[[bed]]", "area_m2"), "a number above 0 to 10000 (square metres)");
        assert_eq!(
            row("irrigation of [[bed]]", "efficiency"),
            "a number above 0 to 1 (of the water reaches the roots)"
        );
        assert_eq!(row("[alarms.KIND]", "priority"), "low, medium or high");
        assert_eq!(row("[broker]", "receive_maximum"), "a whole number from 1 to 65535 (messages)");
    }

    /// A default that is written as the file has it means the same as leaving the key out.
    #[test]
    fn defaults_that_are_written_are_what_holds_without_the_key() {
        let settings = |daemon: &Table, garden: &Table| {
            let secrets = SECRETS.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
            let (daemon, garden) = (daemon.to_string(), garden.to_string());
            super::super::from_text((DAEMON.0, &daemon), &[(GARDEN.0, &garden)], secrets)
                .map(|settings| format!("{settings:?}"))
        };
        let asked = asked_keys();
        let mut tried = 0;
        for (file, table) in notes::tables() {
            for (key, default, _) in table.keys {
                let Ok(mut written) = format!("x = {default}").parse::<Table>() else { continue };
                let value = written.remove("x").expect("it stands there");
                let at = &asked[&(file, format!("{}.{key}", table.path))];
                let (mut daemon, mut garden) = (parsed(DAEMON.1), parsed(GARDEN.1));
                let tree = if file == KeyFile::Daemon { &mut daemon } else { &mut garden };
                let (above, name) = holder(tree, at).expect("its table");
                above.remove(name);
                let without = settings(&daemon, &garden);
                let tree = if file == KeyFile::Daemon { &mut daemon } else { &mut garden };
                set(tree, at, value).expect("its table");
                assert_eq!(without, settings(&daemon, &garden), "{at} = {default}");
                assert!(without.is_ok(), "{at}: {without:?}");
                tried += 1;
            }
        }
        assert!(tried > 25, "{tried} defaults are written as the file has them");
    }
}
