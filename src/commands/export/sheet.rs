//! The export as a spreadsheet.

use std::path::Path;

use anyhow::Context as _;

use super::each_row;
use crate::commands::exit::WrongInput;
use crate::export::{ExportSheet, SheetError};
use crate::garden::plan::Garden;
use crate::history::BinWidth;
use crate::store::{Reader, ReadingFilter};

/// Writes rows into a file, and counts them. Nothing is written where there are too many.
///
/// # Errors
///
/// When the store cannot be read or the file cannot be written, or [`WrongInput`].
pub(super) fn write(
    reader: &Reader,
    gardens: &[Garden],
    filter: &ReadingFilter,
    step: BinWidth,
    path: &Path,
) -> anyhow::Result<u64> {
    let mut sheet = ExportSheet::new(step)?;
    let filled = each_row(reader, gardens, filter, step, &mut |row| Ok(sheet.push(row)?));
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
