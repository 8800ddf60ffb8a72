//! For how long single readings are kept: the writer puts older ones into their days' figures,
//! and a reader says from when on they are there.

#[cfg(test)]
mod tests;

use jiff::Timestamp;
use rusqlite::TransactionBehavior;

use super::columns::time;
use super::error::StoreError;
use super::packing::PackProgress;
use super::quarter_rows::QuarterProgress;
use super::query::{self, write_error};
use super::reader::Reader;
use super::thinning::{QUEUE_MAX, ThinProgress};
use super::writer::Store;
use crate::garden::plan::Garden;

impl Store {
    fn has_forwarders(&self) -> rusqlite::Result<bool> {
        query::one(&self.connection, "SELECT EXISTS (SELECT 1 FROM forwarder)", [])
    }

    /// What waits for a server that is not set up any more would hold its readings for ever.
    fn empty_queue(&mut self) -> rusqlite::Result<()> {
        self.doubtful = true;
        let mut marks = self.marks;
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        marks.forwarding.let_go(&transaction)?;
        transaction.commit()?;
        self.marks = marks;
        self.doubtful = false;
        Ok(())
    }

    /// Keeps single readings for so many whole days before today from now on, of the sites of
    /// `gardens`; `None`: for ever, as until it is said.
    pub fn set_keep_readings(&mut self, days: Option<u32>, gardens: &[Garden]) {
        self.thinning.keep(days, gardens);
    }

    /// Does one small step of putting readings that are older than they are to be kept into
    /// their days' figures; it takes some milliseconds. Nothing goes until the clock has gone
    /// on steadily for an hour, or while very many readings
    /// wait for another server.
    /// [`Reader::bins`](super::Reader::bins) returns the same days before and after it.
    ///
    /// # Errors
    ///
    /// When the database cannot be read or written. Nothing is lost by it.
    pub fn thin(&mut self, now: Timestamp) -> Result<ThinProgress, StoreError> {
        if !self.thinning.is_on() || !self.thinning.is_steady(now) {
            return Ok(ThinProgress::Done);
        }
        self.thin_now(now)
    }

    /// The same where somebody has asked for it and so answers for the clock.
    ///
    /// # Errors
    ///
    /// As for [`Store::thin`].
    pub fn thin_now(&mut self, now: Timestamp) -> Result<ThinProgress, StoreError> {
        if !self.thinning.is_on() {
            return Ok(ThinProgress::Done);
        }
        if self.fill_quarters(now)? == QuarterProgress::More {
            return Ok(ThinProgress::More { readings: 0 });
        }
        self.settle()?;
        let path = self.path.clone();
        let failed = write_error(&path, "days' figures");
        if self.marks.forwarding.rows() > 0 && !self.has_forwarders().map_err(failed)? {
            self.empty_queue().map_err(failed)?;
            return Ok(ThinProgress::More { readings: 0 });
        }
        if self.marks.forwarding.rows() > QUEUE_MAX {
            return Ok(ThinProgress::Done);
        }
        self.thinning.look(&self.connection, now).map_err(failed)?;
        if !self.thinning.has_more() {
            return Ok(ThinProgress::Done);
        }
        // Where it fails, the next commit has to wake all that wait.
        let was = std::mem::replace(&mut self.doubtful, true);
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        let step = self.thinning.step(&transaction, &mut self.quarters).map_err(failed)?;
        transaction.commit().map_err(failed)?;
        self.doubtful = was;
        Ok(self.thinning.done(&step))
    }
}

impl Store {
    /// Does one small step of packing the readings of days that are over; it takes some
    /// milliseconds. Every reader gives the same before and after it.
    ///
    /// # Errors
    ///
    /// When the database cannot be read or written. Nothing is lost by it.
    pub fn pack(&mut self, now: Timestamp) -> Result<PackProgress, StoreError> {
        if self.fill_quarters(now)? == QuarterProgress::More {
            return Ok(PackProgress::More { readings: 0 });
        }
        self.settle()?;
        let path = self.path.clone();
        let failed = write_error(&path, "packed readings");
        self.packing.look(&self.connection, now).map_err(failed)?;
        if !self.packing.has_more() {
            return Ok(PackProgress::Done);
        }
        // Where it fails, the next commit has to wake all that wait.
        let was = std::mem::replace(&mut self.doubtful, true);
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        let step = self.packing.step(&transaction, &mut self.quarters).map_err(failed)?;
        transaction.commit().map_err(failed)?;
        self.doubtful = was;
        Ok(self.packing.done(&step))
    }
}

/// From when on every single reading of a site is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SingleReadingsFrom {
    pub site: String,
    /// A midnight of the site's clock. Of before, days' figures may be all that is kept.
    pub from: Timestamp,
}

impl Reader {
    /// From when on every single reading of a site is kept; `None`: none has been put into
    /// days' figures yet.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn single_readings_from(&self, site: &str) -> Result<Option<Timestamp>, StoreError> {
        let single = self.thinned_sites()?.into_iter().find(|it| it.site == site).map(|it| it.from);
        Ok(single.map(|single| self.filled_from(site, single)))
    }

    /// The sites of which single readings have been put into days' figures.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn thinned_sites(&self) -> Result<Vec<SingleReadingsFrom>, StoreError> {
        self.list("days", "SELECT site, until FROM thinned ORDER BY site", [], |row| {
            Ok(SingleReadingsFrom { site: row.get(0)?, from: time(row, 1)? })
        })
    }
}
