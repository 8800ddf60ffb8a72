//! A reader that also gives readings of days of which this store has only figures, as another
//! server has them.
//!
//! The own store wins: of two readings of one sensor and time its own is given, and days'
//! figures are its own in any case. Whether one of the others came late, and whose clock its
//! time is of, is not known.

use std::collections::{BTreeMap, HashMap};
use std::ops::ControlFlow;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::columns::millis;
use super::error::StoreError;
use super::merged::RowSpan;
use super::older_fill::OlderFill;
use super::reader::{Reader, ReadingFilter};
use super::records::StoredReading;
use super::series::Series;
use crate::history::{Bin, BinWidth, Point, bin_of, bins_of_points};
use crate::model::TimeFrom;
use crate::quality::Tests;

/// Of each sensor a list.
type OfSensors<T> = Vec<Vec<T>>;

impl Reader {
    /// The same store, with readings from elsewhere where it has only figures.
    #[must_use]
    pub fn filled(&self, fill: OlderFill) -> Self {
        Self { older: Some(Arc::new(fill)), ..self.clone() }
    }

    /// The store alone.
    fn alone(&self) -> Self {
        Self { older: None, ..self.clone() }
    }

    /// What there is from elsewhere of a site and a span.
    fn older_of(&self, site: &str, from: Timestamp, to: Timestamp) -> Option<&OlderFill> {
        self.older.as_deref().filter(|it| it.site == site && from < it.until && it.from < to)
    }

    /// From when on every reading of a site can be read, where the own store has all from
    /// `single` on.
    pub(super) fn filled_from(&self, site: &str, single: Timestamp) -> Timestamp {
        let whole = self.older.as_deref().filter(|it| it.whole && it.site == site && it.until >= single);
        whole.map_or(single, |it| single.min(it.from))
    }

    /// [`Reader::points_of`] with those from elsewhere; `None` where there are none to add.
    pub(super) fn filled_points<S: AsRef<str>>(
        &self,
        site: &str,
        sensors: &[S],
        (from, to): (Timestamp, Timestamp),
        limit: usize,
    ) -> Result<Option<OfSensors<Point>>, StoreError> {
        let Some(fill) = self.older_of(site, from, to) else { return Ok(None) };
        let (own, until) = (self.alone(), fill.until.min(to));
        let before = own.points_of(site, sensors, from, until, usize::MAX)?;
        let after = own.points_of(site, sensors, until, to, limit)?;
        let both = sensors.iter().zip(before).zip(after).map(|((sensor, before), after)| {
            let mut all = fill.readings.with_own(sensor.as_ref(), &before, from, until);
            all.extend(after);
            all.truncate(limit);
            all
        });
        Ok(Some(both.collect()))
    }

    /// [`Reader::bins_of`] with what is from elsewhere; `None` where there is nothing to add.
    pub(super) fn filled_bins<S: AsRef<str>>(
        &self,
        site: &str,
        sensors: &[S],
        (from, to): (Timestamp, Timestamp),
        step: BinWidth,
        zone: &TimeZone,
    ) -> Result<Option<OfSensors<Bin>>, StoreError> {
        if step == BinWidth::Day {
            return Ok(None);
        }
        let Some(fill) = self.older_of(site, from, to) else { return Ok(None) };
        let (start, end) = bin_of(to, step, zone);
        // The last bin is read whole. Single readings begin with a day, so no hour lies in both.
        let read_to = if start < to { end } else { to }.min(fill.until);
        let own = self.alone();
        let before = own.points_of(site, sensors, from, read_to, usize::MAX)?;
        let after = own.bins_of(site, sensors, fill.until.min(to).max(from), to, step, zone)?;
        let both = sensors.iter().zip(before).zip(after).map(|((sensor, before), after)| {
            let all = fill.readings.with_own(sensor.as_ref(), &before, from, read_to);
            let mut bins = bins_of_points(&all, step, zone);
            bins.retain(|bin| from <= bin.start && bin.start < to.min(fill.until));
            if fill.until < to {
                bins.extend(after);
            }
            bins
        });
        Ok(Some(both.collect()))
    }

    /// [`Reader::readings`] with those from elsewhere among them: in order of time and, at one
    /// time, of series.
    pub(super) fn filled_readings(
        &self,
        filter: &ReadingFilter,
        wanted: &HashMap<u32, Series>,
        mut each: impl FnMut(StoredReading<'_>) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let span = (filter.from.unwrap_or(Timestamp::MIN), filter.to.unwrap_or(Timestamp::MAX));
        let mut others = self.others(wanted, span).into_iter().peekable();
        let numbers = wanted.keys().copied().collect();
        let rows = RowSpan { series: Some(&numbers), ..RowSpan::all(millis(span.0), millis(span.1)) };
        let mut ended = false;
        self.each_row(rows, |number, row| {
            let Some(series) = wanted.get(&number) else { return Ok(ControlFlow::Continue(())) };
            let key = (row.at, number);
            while let Some((_, other)) = others.next_if(|(other, _)| *other < key) {
                if each(other).is_break() {
                    ended = true;
                    return Ok(ControlFlow::Break(()));
                }
            }
            others.next_if(|(other, _)| *other == key);
            let flow = each(StoredReading::of(series, row.reading(crate::model::SensorIx(0))?));
            ended = flow.is_break();
            Ok(flow)
        })?;
        while let Some((_, other)) = others.next().filter(|_| !ended) {
            ended = each(other).is_break();
        }
        Ok(())
    }

    /// The readings from elsewhere of some series, by time and number of the series.
    fn others<'a>(
        &'a self,
        wanted: &'a HashMap<u32, Series>,
        (from, to): (Timestamp, Timestamp),
    ) -> Vec<((i64, u32), StoredReading<'a>)> {
        let Some(fill) = self.older.as_deref() else { return Vec::new() };
        let (from, to) = (from.max(fill.from), to.min(fill.until));
        let mut others = BTreeMap::new();
        for (number, series) in wanted.iter().filter(|(_, series)| series.site == fill.site) {
            let points = fill.readings.of_quantity(&series.sensor, &series.quantity, from, to);
            others.extend(points.iter().map(|point| ((millis(point.at), *number), elsewhere(series, point))));
        }
        others.into_iter().collect()
    }
}

/// A reading from elsewhere.
fn elsewhere<'a>(series: &'a Series, point: &Point) -> StoredReading<'a> {
    StoredReading {
        series,
        at: point.at,
        raw: point.raw,
        value: point.value,
        flag: point.flag,
        tests: Tests::NOT_EVALUATED,
        time_from: TimeFrom::Device,
        late: false,
        elsewhere: true,
    }
}
