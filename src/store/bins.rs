//! A sensor's record in bins.

use std::ops::ControlFlow;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::error::StoreError;
use super::reader::{Filter, Reader};
use crate::history::{Bin, Point, Step, bin_of};

impl Reader {
    /// The bins of a sensor that begin with `from` <= start < `to`, oldest first; empty
    /// ones are left out. They lie on the hours or days of `zone`; with
    /// [`Step::Raw`] each reading is one.
    pub fn bins(
        &self,
        site: &str,
        sensor: &str,
        from: Timestamp,
        to: Timestamp,
        step: Step,
        zone: &TimeZone,
    ) -> Result<Vec<Bin>, StoreError> {
        let filter = Filter {
            site: Some(site.to_owned()),
            sensors: vec![sensor.to_owned()],
            place: None,
            from: Some(from),
            to: Some(bin_of(to, step, zone).1),
        };
        let mut bins: Vec<Bin> = Vec::new();
        self.readings(&filter, |row| {
            let point = Point { at: row.at, raw: row.raw, value: row.value, flag: row.flag, late: row.late };
            let (start, end) = bin_of(row.at, step, zone);
            if start < from || start >= to {
                return ControlFlow::Continue(());
            }
            if bins.last().is_none_or(|bin| bin.start != start) {
                bins.push(Bin::empty(start, end));
            }
            if let Some(bin) = bins.last_mut() {
                bin.add(&point);
            }
            ControlFlow::Continue(())
        })?;
        Ok(bins)
    }
}
