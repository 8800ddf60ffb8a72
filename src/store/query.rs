//! Statements, prepared once for each connection, and their rows.

use std::ops::ControlFlow;
use std::path::Path;

use rusqlite::{Connection, Params, Row};

use super::columns::not_understood;
use super::error::StoreError;

/// All rows of a statement.
pub(super) fn list<T>(
    connection: &Connection,
    sql: &str,
    parameters: impl Params,
    read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    connection.prepare_cached(sql)?.query_map(parameters, read)?.collect()
}

/// Calls `each` with the rows of a statement, in their order, until it breaks.
pub(super) fn each(
    connection: &Connection,
    sql: &str,
    parameters: impl Params,
    mut each: impl FnMut(&Row<'_>) -> rusqlite::Result<ControlFlow<()>>,
) -> rusqlite::Result<()> {
    let mut select = connection.prepare_cached(sql)?;
    let mut rows = select.query(parameters)?;
    while let Some(row) = rows.next()? {
        if each(row)?.is_break() {
            break;
        }
    }
    Ok(())
}

/// Goes on while `more` is true.
pub(super) fn proceed_if(more: bool) -> ControlFlow<()> {
    if more { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
}

/// The first column of a statement's only row.
pub(super) fn one<T: rusqlite::types::FromSql>(
    connection: &Connection,
    sql: &str,
    parameters: impl Params,
) -> rusqlite::Result<T> {
    connection.prepare_cached(sql)?.query_row(parameters, |row| row.get(0))
}

/// A row, or what in it this program cannot understand.
pub(super) fn understood<T>(read: rusqlite::Result<T>) -> rusqlite::Result<Result<T, String>> {
    match read {
        Ok(row) => Ok(Ok(row)),
        Err(error) => not_understood(&error).map(Err).ok_or(error),
    }
}

/// Why `what` could not be read.
pub(super) fn read_error(path: &Path, what: &'static str) -> impl Fn(rusqlite::Error) -> StoreError {
    move |source| {
        let path = path.to_owned();
        match not_understood(&source) {
            Some(found) => StoreError::Row { what, path, found },
            None => StoreError::Read { what, path, source },
        }
    }
}

/// Why `what` could not be written.
pub(super) fn write_error(path: &Path, what: &'static str) -> impl Fn(rusqlite::Error) -> StoreError + Copy {
    move |source| StoreError::Write { what, path: path.to_owned(), source }
}
