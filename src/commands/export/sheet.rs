//! The export as a spreadsheet.

use std::ops::ControlFlow;
use std::path::Path;

use anyhow::Context as _;

use super::each_bin;
use crate::commands::exit::WrongInput;
use crate::export::{BIN_COLUMNS, READING_COLUMNS, Sheet, SheetError, reading_record};
use crate::garden::plan::Garden;
use crate::history::Step;
use crate::store::{Filter, Reader};

/// Writes rows into a file, and counts them. Nothing is written where there are too many.
///
/// # Errors
///
/// When the store cannot be read or the file cannot be written, or [`WrongInput`].
pub(super) fn write(
    reader: &Reader,
    gardens: &[Garden],
    filter: &Filter,
    step: Step,
    path: &Path,
) -> anyhow::Result<u64> {
    let columns: &[&str] = if step == Step::Raw { &READING_COLUMNS } else { &BIN_COLUMNS };
    let mut sheet = Sheet::new(columns)?;
    let filled = if step == Step::Raw {
        let mut filled = Ok(());
        reader
            .readings(filter, |row| {
                filled = sheet.push(&reading_record(&row));
                if filled.is_ok() { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
            })
            .context("reading what is stored")?;
        filled.map_err(anyhow::Error::from)
    } else {
        each_bin(reader, gardens, filter, step, &mut |record| Ok(sheet.push(record)?))
    };
    match filled {
        Ok(()) => {}
        Err(fault) if matches!(fault.downcast_ref(), Some(SheetError::Full)) => {
            return Err(WrongInput::beside(format!(
                "{fault}: choose a shorter span with --from and --to, fewer sensors with --sensor, or --step hour; \
                 nothing was written"
            ))
            .into());
        }
        Err(fault) => return Err(fault),
    }
    let rows = sheet.rows().into();
    sheet.save(path).with_context(|| format!("writing {}", path.display()))?;
    Ok(rows)
}
