//! A term or a year from the store to its files.

use jiff::Timestamp;
use jiff::civil::Date;

use super::kept::WorkCache;
use super::source::{CannotMake, figures_between};
use crate::analysis::month::{Term, term};
use crate::garden::plan::Garden;
use crate::history::{BinWidth, bin_of};
use crate::model::Id;
use crate::report::term::{TermContents, files};
use crate::report::{Level, ReportFile};
use crate::store::Reader;

/// A term and its files.
#[derive(Clone, Debug)]
pub struct TermFiles {
    pub term: Term,
    pub files: Vec<ReportFile>,
    /// What makes the same files again.
    pub command: String,
}

/// What tells terms apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::page) struct TermKey {
    pub(super) site: Id,
    pub(super) days: (Date, Date),
    pub(super) until: Option<Timestamp>,
    pub(super) level: Level,
}

/// The terms.
pub(in crate::page) type TermCache = WorkCache<TermKey, TermFiles>;

/// Until when days are known at `now`: `None` where the last is over, else the last full hour.
pub(super) fn until(garden: &Garden, last: Date, now: Timestamp) -> Option<Timestamp> {
    let zone = &garden.site.time_zone;
    let end = zone.to_timestamp(last.tomorrow().ok()?.at(0, 0, 0, 0)).ok()?;
    (now < end).then(|| bin_of(now, BinWidth::Hour, zone).0)
}

/// Works out a term and makes its files. At most `most` readings of a month are taken into memory.
///
/// # Errors
///
/// See [`CannotMake`].
pub fn make_term(
    reader: &Reader,
    garden: &Garden,
    days: (Date, Date),
    (now, level): (Timestamp, Level),
    most: usize,
) -> Result<TermFiles, CannotMake> {
    let months = figures_between(reader, garden, days, now, most)?;
    let term = term(garden, &months, days, until(garden, days.1, now));
    let mut command = format!("trug report --from {} --to {} --site {}", days.0, days.1, garden.site.id);
    if level != Level::default() {
        command.push_str(&format!(" --level {}", level.name()));
    }
    let version = env!("CARGO_PKG_VERSION");
    let files = files(&TermContents { term: &term, level, command: &command, version })?;
    Ok(TermFiles { term, files, command })
}
