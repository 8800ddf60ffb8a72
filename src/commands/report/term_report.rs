//! `trug report --term`, `--from --to`: a term or a year as one folder.

use std::io::Write;
use std::path::PathBuf;

use anyhow::Context as _;
use jiff::Timestamp;

use super::{Exit, Report, WrongInput, may_be_made, print_json, write};
use crate::commands::water::{days_asked, garden_called};
use crate::garden::plan::Garden;
use crate::page::month::{CannotMake, make_term};
use crate::report::term::title;
use crate::store::Reader;

/// Makes the folder, all of it or nothing: no where it was made and no day of any bed is known.
pub(super) fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &Report,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let latest = reader.latest_at().context("reading the latest reading")?;
    let now = latest.map_or(now, |latest| latest.max(now));
    let garden = garden_called(gardens, it.site.as_deref()).map_err(WrongInput::beside)?;
    let days = days_asked(garden, it.from.as_deref(), it.to.as_deref(), now).map_err(WrongInput::beside)?;
    if !it.beds.is_empty() {
        return Err(
            WrongInput::beside("two beds are compared of a month only; leave out --bed".to_owned()).into()
        );
    }
    let folder = it
        .out
        .clone()
        .unwrap_or_else(|| PathBuf::from(format!("report-{}-{}-{}", garden.site.id, days.0, days.1)));
    may_be_made(&folder, it.replace).map_err(WrongInput::beside)?;
    let made = match make_term(reader, garden, days, (now, it.level), usize::MAX) {
        Err(fault @ CannotMake::Summarised { .. }) => {
            return Err(WrongInput::beside(fault.to_string()).into());
        }
        made => made.context("working out the months")?,
    };
    write(&folder, &made.files, it.replace)
        .with_context(|| format!("making the folder {}", folder.display()))?;
    let known: u32 = made.term.beds.iter().flat_map(|bed| bed.figures.bands).map(|band| band.1).sum();
    if it.json {
        let told = serde_json::json!({
            "from": days.0.to_string(),
            "to": days.1.to_string(),
            "site": made.term.site.as_str(),
            "folder": folder.display().to_string(),
            "files": made.files.iter().map(|file| serde_json::json!({
                "name": file.name, "bytes": file.bytes.len(),
            })).collect::<Vec<_>>(),
            "until": made.term.until.map(|until| until.to_string()),
            "command": made.command,
        });
        print_json(&told, out)?;
    } else {
        writeln!(out, "{}, {}, in {}:", title(&made.term), made.term.name, folder.display())?;
        for file in &made.files {
            writeln!(out, "  {}  ({} kB)", file.name, file.bytes.len().div_ceil(1000))?;
        }
        if known == 0 {
            writeln!(out, "No day of any bed is known, so there is little to see in it.")?;
        }
    }
    Ok(Exit::yes_if(known > 0))
}
