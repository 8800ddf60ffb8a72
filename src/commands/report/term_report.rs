//! `trug report --term`, `--from --to`: a term or a year as one folder.

use std::io::Write;

use anyhow::Context as _;
use jiff::Timestamp;

use super::folder::{ReportFolder, files_json, list_files};
use super::{Exit, Report, WrongInput, print_json};
use crate::commands::days_asked::{DaysAsked, of_months};
use crate::garden::plan::Garden;
use crate::page::month::make_term;
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
    let asked = (it.site.as_deref(), it.from.as_deref(), it.to.as_deref());
    let DaysAsked { garden, days, now } = DaysAsked::of(reader, gardens, asked, now)?;
    if !it.beds.is_empty() {
        return Err(
            WrongInput::beside("two beds are compared of a month only; leave out --bed".to_owned()).into()
        );
    }
    let name = format!("report-{}-{}-{}", garden.site.id, days.0, days.1);
    let folder = ReportFolder::asked(it, &name).map_err(WrongInput::beside)?;
    let made = of_months(make_term(reader, garden, days, (now, it.level), usize::MAX))?;
    folder.write(&made.files).with_context(|| format!("making the folder {folder}"))?;
    let known: u32 = made.term.beds.iter().flat_map(|bed| bed.figures.bands).map(|band| band.1).sum();
    if it.json {
        let told = serde_json::json!({
            "from": days.0.to_string(),
            "to": days.1.to_string(),
            "site": made.term.site.as_str(),
            "folder": folder.to_string(),
            "files": files_json(&made.files),
            "until": made.term.until.map(|until| until.to_string()),
            "command": made.command,
        });
        print_json(&told, out)?;
    } else {
        writeln!(out, "{}, {}, in {folder}:", title(&made.term), made.term.name)?;
        list_files(&made.files, out)?;
        if known == 0 {
            writeln!(out, "No day of any bed is known, so there is little to see in it.")?;
        }
    }
    Ok(Exit::yes_if(known > 0))
}
