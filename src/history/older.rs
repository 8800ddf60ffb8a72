//! Readings that the store has put into their days' figures and another server still has.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Bin, BinWidth, Edges, Point, QUARTER_MS, quarter_of};

/// Readings from elsewhere, by sensor and by what it measured. Whether one came late is not
/// known of them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OlderReadings {
    series: BTreeMap<(String, String), Vec<Point>>,
}

impl OlderReadings {
    /// Adds readings of a sensor; of two of one time the later one stands.
    pub fn add(&mut self, sensor: &str, quantity: &str, points: impl IntoIterator<Item = Point>) {
        let all = self.series.entry((sensor.to_owned(), quantity.to_owned())).or_default();
        let before = all.len();
        all.extend(points);
        if !all[before.saturating_sub(1)..].is_sorted_by(|one, next| one.at < next.at) {
            // Stable: what was added last comes last of its time, and is what is kept.
            all.sort_by_key(|point| point.at);
            all.reverse();
            all.dedup_by_key(|point| point.at);
            all.reverse();
        }
    }

    /// The readings of a sensor with `from` <= time < `to` while it measured this, oldest first.
    pub fn of_quantity(&self, sensor: &str, quantity: &str, from: Timestamp, to: Timestamp) -> &[Point] {
        let all = self.series.get(&(sensor.to_owned(), quantity.to_owned())).map_or(&[][..], Vec::as_slice);
        let start = all.partition_point(|point| point.at < from);
        let end = all.partition_point(|point| point.at < to).max(start);
        &all[start..end]
    }

    /// What a sensor measured, as far as there are readings.
    pub fn quantities<'a>(&'a self, sensor: &'a str) -> impl Iterator<Item = &'a str> {
        self.series.keys().filter(move |(of, _)| of == sensor).map(|(_, quantity)| quantity.as_str())
    }

    /// The readings of a sensor with `from` <= time < `to`, whatever it measured, put together
    /// with those that the store has of that time, `own`: of two of one time the own one stands.
    pub fn with_own(&self, sensor: &str, own: &[Point], from: Timestamp, to: Timestamp) -> Vec<Point> {
        let mut all = own.to_vec();
        for quantity in self.quantities(sensor) {
            all.extend_from_slice(self.of_quantity(sensor, quantity, from, to));
        }
        // Stable: own ones were there first.
        all.sort_by_key(|point| point.at);
        all.dedup_by_key(|point| point.at);
        all
    }
}

/// Bins of readings in order of time, on the clock of `zone`, as the store makes them of its
/// own: sums of quarter hours, so that a figure is the same to the last bit.
pub fn bins_of_points(points: &[Point], step: BinWidth, zone: &TimeZone) -> Vec<Bin> {
    let mut edges = Edges::new(zone, step);
    let mut bins: Vec<Bin> = Vec::new();
    let quarter = |point: &Point| quarter_of(point.at.as_millisecond());
    for part in points.chunk_by(|one, next| quarter(one) == quarter(next)) {
        let start = quarter(&part[0]);
        let begin = Timestamp::from_millisecond(start).unwrap_or(part[0].at);
        if let Some(bin) = edges.holds(begin) {
            let end = Timestamp::from_millisecond(start + QUARTER_MS).unwrap_or(part[0].at);
            let mut sum = Bin::empty(begin, end);
            part.iter().for_each(|point| sum.add(point));
            open(&mut bins, bin).merge(&sum);
        } else {
            for point in part {
                open(&mut bins, edges.bin_of(point.at)).add(point);
            }
        }
    }
    bins
}

/// The last bin, where it is the one that is asked for, else a new one.
fn open(bins: &mut Vec<Bin>, (start, end): (Timestamp, Timestamp)) -> &mut Bin {
    if bins.last().is_none_or(|bin| bin.start != start) {
        bins.push(Bin::empty(start, end));
    }
    bins.last_mut().expect("one was added")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::Flag;

    fn t(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_600 + second).expect("in range")
    }

    fn point(second: i64, value: f64) -> Point {
        Point { at: t(second), raw: value, value: Some(value), flag: Flag::Pass, late: false }
    }

    #[test]
    fn what_comes_in_any_order_stands_in_order_and_once() {
        let mut older = OlderReadings::default();
        older.add("probe", "soil-moisture", [point(900, 1.0), point(1800, 2.0)]);
        older.add("probe", "soil-moisture", [point(0, 0.5), point(1800, 3.0)]);
        older.add("probe", "rain", [point(10, 9.0)]);
        let found = older.of_quantity("probe", "soil-moisture", t(0), t(5000));
        assert_eq!(found, [point(0, 0.5), point(900, 1.0), point(1800, 3.0)]);
        assert_eq!(older.of_quantity("probe", "soil-moisture", t(900), t(1800)), [point(900, 1.0)]);
        assert!(older.of_quantity("probe", "soil-moisture", t(1800), t(900)).is_empty());
        assert!(older.of_quantity("other", "soil-moisture", t(0), t(900)).is_empty());
        let own = [point(900, 7.0), point(1000, 8.0)];
        let both = older.with_own("probe", &own, t(0), t(1800));
        assert_eq!(both, [point(0, 0.5), point(10, 9.0), point(900, 7.0), point(1000, 8.0)]);
    }

    /// Adelaide is half an hour off the full hours of UTC.
    #[test]
    fn hours_begin_on_the_clock_and_hold_each_reading_once() {
        let zone = TimeZone::get("Australia/Adelaide").expect("bundled");
        let points: Vec<Point> = (0..200).map(|i| point(i * 313, 0.1 + i as f64 / 7.0)).collect();
        let bins = bins_of_points(&points, BinWidth::Hour, &zone);
        assert_eq!(bins.iter().map(|bin| bin.readings).sum::<u32>(), 200);
        for bin in &bins {
            assert_eq!((bin.start, bin.end), super::super::bin_of(bin.start, BinWidth::Hour, &zone));
            let of: Vec<f64> = points
                .iter()
                .filter(|point| bin.start <= point.at && point.at < bin.end)
                .filter_map(Point::good)
                .collect();
            assert!((bin.sum - of.iter().sum::<f64>()).abs() < 1e-9, "{bin:?}");
            assert_eq!(Some(bin.last.to_bits()), of.last().map(|last| last.to_bits()));
        }
    }
}
