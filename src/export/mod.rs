//! Stored readings as rows of a table: the same columns for `trug export` and for
//! the page's interface.
//!
//! A record is walked in bounded parts: each part is one short read of the store, so
//! that whoever takes the rows slowly keeps no read open behind which the store's log
//! would grow.

mod bins;
mod readings;
mod sheet;
mod walk;

pub use bins::{BIN_COLUMNS, BinOf, adds_up, bin_record};
pub use readings::{READING_COLUMNS, reading_record};
pub use sheet::{SHEET_ROWS_MAX, Sheet, SheetError};
pub use walk::{Mark, Span, walk_bins, walk_readings};
