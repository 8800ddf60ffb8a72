//! Stored readings as rows of a table: the same columns for `trug export` and for
//! the page's interface.
//!
//! A record is walked in bounded parts: each part is one short read of the store, so
//! that a slow reader keeps no read of the store open behind which the store's log
//! would grow.

mod rows;
mod sheet;
mod walk;

pub use rows::{ColumnKind, SensorRecord, column_names, columns, reading_row};
pub use sheet::{ExportSheet, SHEET_ROWS_MAX, SheetError};
pub use walk::{RecordMark, TimeSpan, walk_readings};
