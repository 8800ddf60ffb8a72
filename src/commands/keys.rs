//! `trug keys`: every key of both kinds of files, what it accepts and what it is for.

use std::io::Write;

use serde_json::json;

use super::exit::{Exit, WrongInput};
use super::shared::print_json;
use crate::settings::{KeyTable, key_reference};

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Keys {
    /// Only tables and keys whose name holds this: bed, calibration, topic
    #[arg(value_name = "WORD")]
    pub word: Option<String>,
    #[arg(from_global)]
    pub json: bool,
}

/// Prints the keys: no where none is called like the word.
///
/// # Errors
/// When `out` cannot be written.
pub fn run(it: &Keys, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let word = it.word.as_deref().unwrap_or_default().to_lowercase();
    let tables: Vec<KeyTable> = key_reference().iter().filter_map(|table| holding(table, &word)).collect();
    if tables.is_empty() {
        return Err(WrongInput::new(format!("no table and no key is called like {word:?}")).into());
    }
    if it.json {
        let key = |key: &crate::settings::KeyRow| json!({ "key": key.name, "accepted": key.accepted, "default": key.default, "meaning": key.meaning });
        let table = |table: &KeyTable| {
            json!({
                "file": table.file.name(),
                "table": table.heading,
                "meaning": table.meaning,
                "keys": table.keys.iter().map(key).collect::<Vec<_>>(),
            })
        };
        print_json(&json!({ "tables": tables.iter().map(table).collect::<Vec<_>>() }), out)?;
        return Ok(Exit::Yes);
    }
    for (at, table) in tables.iter().enumerate() {
        let gap = if at == 0 { "" } else { "\n" };
        writeln!(out, "{gap}{} in {}\n  {}", table.heading, table.file.name(), table.meaning)?;
        for key in &table.keys {
            writeln!(out, "\n  {}\n    {}", key.name, key.meaning)?;
            writeln!(out, "    accepted: {}\n    default:  {}", key.accepted, key.default)?;
        }
    }
    Ok(Exit::Yes)
}

/// The table with the keys whose name holds a word: all of them where its own does.
fn holding(table: &KeyTable, word: &str) -> Option<KeyTable> {
    if table.heading.to_lowercase().contains(word) {
        return Some(table.clone());
    }
    let mut found = table.clone();
    found.keys.retain(|key| key.name.to_lowercase().contains(word));
    (!found.keys.is_empty()).then_some(found)
}
