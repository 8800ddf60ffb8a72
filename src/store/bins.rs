//! Sensors' records: single readings, and bins of an hour or a day.
//!
//! Hours and days are put together of the quarter hours that are kept. What is not in
//! them (stale quarters, the last hour, both ends of a span, and quarters that lie in
//! two of a zone's hours) is taken from the readings, all in one transaction, so bins
//! always are what the readings give. Days whose single readings have gone are read from
//! their figures ([`super::day_rows`]); single readings and hours of them there are none.
//! Packed readings have no quarter hours; they are added up themselves, by quarter hours, so
//! that a sum is the same to the last bit.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use rusqlite::Connection;

use super::bin_span::BinSpan;
use super::columns::{millis, timestamp};
use super::error::StoreError;
use super::merged::{self, RowSpan};
use super::reader::Reader;
use super::{block_rows, day_rows, packed_bins, quarter_rows, query};
use crate::history::{Bin, BinWidth, Edges, Point, QUARTER_MS, bin_of, quarter_of};

/// Which of the asked sensors each series belongs to. A sensor that came to measure
/// something else has several.
type SeriesIndex = BTreeMap<u32, usize>;

impl Reader {
    /// The bins of a sensor that begin with `from` <= start < `to`, oldest first; empty
    /// ones are left out. They lie on the hours or days of `zone`; with
    /// [`BinWidth::Raw`] each reading is one.
    pub fn bins(
        &self,
        site: &str,
        sensor: &str,
        from: Timestamp,
        to: Timestamp,
        step: BinWidth,
        zone: &TimeZone,
    ) -> Result<Vec<Bin>, StoreError> {
        let mut all = self.bins_of(site, &[sensor], from, to, step, zone)?;
        Ok(all.pop().unwrap_or_default())
    }

    /// The bins of several sensors, one list for each in the order of `sensors`, all of
    /// one moment. It takes less time than one after the other.
    pub fn bins_of<S: AsRef<str>>(
        &self,
        site: &str,
        sensors: &[S],
        from: Timestamp,
        to: Timestamp,
        step: BinWidth,
        zone: &TimeZone,
    ) -> Result<Vec<Vec<Bin>>, StoreError> {
        if let Some(bins) = self.filled_bins(site, sensors, (from, to), step, zone)? {
            return Ok(bins);
        }
        let (start, end) = bin_of(to, step, zone);
        let read_to = if start < to { end } else { to };
        let mut span = BinSpan {
            from,
            to,
            edges: Edges::new(zone, step),
            held: None,
            bins: sensors.iter().map(|_| Vec::new()).collect(),
        };
        self.with("bins", |connection| {
            // One moment for all that is read.
            let _reading = connection.unchecked_transaction()?;
            let wanted = wanted(connection, site, sensors)?;
            if wanted.is_empty() {
                return Ok(());
            }
            let numbers: BTreeSet<u32> = wanted.keys().copied().collect();
            let (from, to) = (millis(from), millis(read_to));
            if step == BinWidth::Day {
                for (&series, &sensor) in &wanted {
                    day_rows::read(connection, series, (from, to), |day| {
                        // Where the site's clock was another one, in the day that has most of it.
                        let half = day.end.duration_since(day.start) / 2;
                        let bin = bin_of(day.start.saturating_add(half).unwrap_or(day.start), step, zone);
                        span.with(sensor, bin, |bin| bin.merge(day));
                    })?;
                }
            }
            for (&series, &sensor) in &wanted {
                packed_bins::add(connection, series, (from, to), sensor, &mut span)?;
            }
            let raw = match quarters(connection, step, from, to)? {
                None => vec![(from, to)],
                Some((first, last)) => {
                    let mut single = quarter_rows::stale(connection, first, last, &numbers)?;
                    let mut lie_in_two = BTreeSet::new();
                    for (&series, &sensor) in &wanted {
                        quarter_rows::read(connection, series, first, last, |quarter| {
                            if !single.is_empty() && single.contains(&quarter.start) {
                                return;
                            }
                            match span.holds(quarter.start) {
                                Some(bin) => span.with(sensor, bin, |bin| quarter.add_to(bin)),
                                None => {
                                    lie_in_two.insert(quarter.start);
                                }
                            }
                        })?;
                    }
                    single.append(&mut lie_in_two);
                    singly((from, to), (first, last), single)
                }
            };
            for (from, to) in raw {
                unpacked_points(connection, &numbers, from, to, |series, point| {
                    if let Some(&sensor) = wanted.get(&series) {
                        let bin = span.edges.bin_of(point.at);
                        span.with(sensor, bin, |bin| bin.add(&point));
                    }
                    ControlFlow::Continue(())
                })?;
            }
            Ok(())
        })?;
        Ok(span.bins)
    }

    /// How many good readings some sensors have together in each stretch from one of
    /// `bounds` to the next. `bounds` are in order of time.
    pub fn good_counts<S: AsRef<str>>(
        &self,
        site: &str,
        sensors: &[S],
        bounds: &[Timestamp],
    ) -> Result<Vec<u64>, StoreError> {
        self.with("readings", |connection| {
            let _reading = connection.unchecked_transaction()?;
            let numbers: BTreeSet<u32> = wanted(connection, site, sensors)?.into_keys().collect();
            let mut counts = Vec::new();
            for ends in bounds.windows(2) {
                let (from, to) = (millis(ends[0]), millis(ends[1]));
                let mut good = 0;
                for number in &numbers {
                    good += day_rows::good(connection, *number, (from, to))?;
                }
                let raw = match quarters(connection, BinWidth::Day, from, to)? {
                    None => vec![(from, to)],
                    Some((first, last)) => {
                        let stale = quarter_rows::stale(connection, first, last, &numbers)?;
                        good += quarter_rows::good(connection, &numbers, (first, last), &stale)?;
                        singly((from, to), (first, last), stale)
                    }
                };
                for (from, to) in raw {
                    unpacked_points(connection, &numbers, from, to, |_, point| {
                        good += u64::from(point.good().is_some());
                        ControlFlow::Continue(())
                    })?;
                }
                counts.push(good);
            }
            let edges: Vec<i64> = bounds.iter().copied().map(millis).collect();
            for number in &numbers {
                packed_bins::count(connection, *number, &edges, &mut counts)?;
            }
            Ok(counts)
        })
    }

    /// When any of some sensors was first heard before `to`. The quarters say where to
    /// look, so that a probe that came late is not searched for in years of its neighbours.
    pub fn first_heard<S: AsRef<str>>(
        &self,
        site: &str,
        sensors: &[S],
        to: Timestamp,
    ) -> Result<Option<Timestamp>, StoreError> {
        self.with("readings", |connection| {
            let _reading = connection.unchecked_transaction()?;
            let numbers: BTreeSet<u32> = wanted(connection, site, sensors)?.into_keys().collect();
            let from = quarter_rows::none_before(connection, &numbers)?;
            let mut first = None;
            for number in &numbers {
                let day = day_rows::first_of(connection, *number)?;
                let packed = block_rows::next_start(connection, *number, i64::MIN)?;
                let known = [day, packed].into_iter().flatten().filter_map(timestamp);
                first = first.into_iter().chain(known.filter(|at| *at < to)).min();
            }
            unpacked_points(connection, &numbers, from, millis(first.unwrap_or(to)), |_, point| {
                first = Some(point.at);
                ControlFlow::Break(())
            })?;
            Ok(first)
        })
    }

    /// The readings of a sensor with `from` <= time < `to`, oldest first, at most `limit`.
    pub fn points(
        &self,
        site: &str,
        sensor: &str,
        from: Timestamp,
        to: Timestamp,
        limit: usize,
    ) -> Result<Vec<Point>, StoreError> {
        let mut all = self.points_of(site, &[sensor], from, to, limit)?;
        Ok(all.pop().unwrap_or_default())
    }

    /// The readings of several sensors, one list for each in the order of `sensors`, at
    /// most `limit` in each.
    pub fn points_of<S: AsRef<str>>(
        &self,
        site: &str,
        sensors: &[S],
        from: Timestamp,
        to: Timestamp,
        limit: usize,
    ) -> Result<Vec<Vec<Point>>, StoreError> {
        if let Some(lists) = self.filled_points(site, sensors, (from, to), limit)? {
            return Ok(lists);
        }
        let mut lists: Vec<Vec<Point>> = sensors.iter().map(|_| Vec::new()).collect();
        self.with("readings", |connection| {
            let _reading = connection.unchecked_transaction()?;
            let wanted = wanted(connection, site, sensors)?;
            let mut open: BTreeSet<usize> = wanted.values().copied().collect();
            if open.is_empty() || limit == 0 {
                return Ok(());
            }
            let numbers = wanted.keys().copied().collect();
            let span = RowSpan { series: Some(&numbers), ..RowSpan::all(millis(from), millis(to)) };
            merged::each(connection, span, |series, row| {
                let Some(&sensor) = wanted.get(&series) else { return Ok(ControlFlow::Continue(())) };
                let point = row.point()?;
                if lists[sensor].len() < limit {
                    lists[sensor].push(point);
                }
                if lists[sensor].len() == limit {
                    open.remove(&sensor);
                }
                Ok(query::proceed_if(!open.is_empty()))
            })
        })?;
        Ok(lists)
    }
}

/// The stretch of whole quarters between `from` and `to` that are kept.
fn quarters(
    connection: &Connection,
    step: BinWidth,
    from: i64,
    to: i64,
) -> rusqlite::Result<Option<(i64, i64)>> {
    if step == BinWidth::Raw {
        return Ok(None);
    }
    let Some(until) = quarter_rows::until(connection)? else { return Ok(None) };
    let first = quarter_of(from.saturating_add(QUARTER_MS - 1));
    let last = until.min(quarter_of(to));
    Ok((first < last).then_some((first, last)))
}

/// What of a span is to be read from the readings, where the quarters between `first`
/// and `last` are kept: its ends, and the quarters that are to be read singly.
fn singly((from, to): (i64, i64), (first, last): (i64, i64), quarters: BTreeSet<i64>) -> Vec<(i64, i64)> {
    let mut stretches = vec![(from, first)];
    stretches.extend(quarters.into_iter().map(|start| (start, start + QUARTER_MS)));
    stretches.push((last, to));
    joined(stretches)
}

/// Stretches in order, put together where one ends as the next begins; empty ones are
/// left out.
fn joined(stretches: Vec<(i64, i64)>) -> Vec<(i64, i64)> {
    let mut all: Vec<(i64, i64)> = Vec::new();
    for (from, to) in stretches.into_iter().filter(|(from, to)| from < to) {
        match all.last_mut() {
            Some(last) if last.1 == from => last.1 = to,
            _ => all.push((from, to)),
        }
    }
    all
}

fn wanted<S: AsRef<str>>(
    connection: &Connection,
    site: &str,
    sensors: &[S],
) -> rusqlite::Result<SeriesIndex> {
    let mut wanted = SeriesIndex::new();
    for (index, sensor) in sensors.iter().enumerate() {
        let sql = "SELECT id FROM series WHERE site = ?1 AND sensor = ?2";
        let numbers = query::list(connection, sql, [site, sensor.as_ref()], |row| row.get(0))?;
        // A sensor that is asked for twice gets its list where it stands last.
        wanted.extend(numbers.into_iter().map(|number| (number, index)));
    }
    Ok(wanted)
}

/// Single readings with `from` <= time < `to` that are not packed, in order of time.
fn unpacked_points(
    connection: &Connection,
    series: &BTreeSet<u32>,
    from: i64,
    to: i64,
    mut each: impl FnMut(u32, Point) -> ControlFlow<()>,
) -> rusqlite::Result<()> {
    // Numbers of our own stand in the text: SQLite passes over neighbours' rows itself.
    let numbers: Vec<String> = series.iter().map(u32::to_string).collect();
    let sql = format!(
        "SELECT at, series, raw, value, flag, late FROM reading
         WHERE at >= ?1 AND at < ?2 AND series IN ({}) ORDER BY at, series",
        numbers.join(", ")
    );
    query::each(connection, &sql, [from, to], |row| Ok(each(row.get(1)?, quarter_rows::point(row)?)))
}
