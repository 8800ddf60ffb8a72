//! Readings, and their hours and days, as rows: each column once, with what it holds.

use jiff::tz::TimeZone;
use serde::{Serialize, Serializer};

use super::{TimeSpan, walk::walk_bins};
use crate::history::{Bin, BinWidth};
use crate::model::{Quantity, TimeFrom};
use crate::store::{Reader, ReadingFilter, Series, StoreError, StoredReading};
use crate::text::labels::written;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColumnKind {
    Text,
    Number,
    /// RFC 3339 in UTC.
    Utc,
    /// RFC 3339 with the offset of the site's clock, shown as that clock shows it.
    Local,
}

use ColumnKind::{Local, Number, Text, Utc};

/// The columns of single readings. `trug import` takes `time`, `sensor` and `raw`.
const READING_COLUMNS: [(&str, ColumnKind); 11] = [
    ("time", Utc),
    ("site", Text),
    ("sensor", Text),
    ("place", Text),
    ("quantity", Text),
    ("unit", Text),
    ("raw", Number),
    ("value", Number),
    ("flag", Number),
    ("late", Text),
    ("time_from", Text),
];

/// The columns of hours and days. `start` and `end` are in UTC, `start_local` is the start
/// on the site's clock with its offset.
const BIN_COLUMNS: [(&str, ColumnKind); 16] = [
    ("start", Utc),
    ("start_local", Local),
    ("end", Utc),
    ("site", Text),
    ("sensor", Text),
    ("place", Text),
    ("quantity", Text),
    ("unit", Text),
    ("readings", Number),
    ("good", Number),
    ("suspect", Number),
    ("bad", Number),
    ("mean", Number),
    ("min", Number),
    ("max", Number),
    ("total", Number),
];

/// The columns of the rows of a step.
pub fn columns(step: BinWidth) -> &'static [(&'static str, ColumnKind)] {
    match step {
        BinWidth::Raw => &READING_COLUMNS,
        BinWidth::Hour | BinWidth::Day => &BIN_COLUMNS,
    }
}

/// Their names.
pub fn column_names(step: BinWidth) -> impl Iterator<Item = &'static str> {
    columns(step).iter().map(|(name, _)| *name)
}

/// A sensor whose record is handed out.
#[derive(Clone, Debug, Serialize)]
pub struct SensorRecord {
    pub site: String,
    pub sensor: String,
    pub place: String,
    pub quantity: String,
    pub unit: String,
    /// The site's clock.
    #[serde(rename = "time_zone", serialize_with = "serialize_zone")]
    pub zone: TimeZone,
}

fn serialize_zone<S: Serializer>(zone: &TimeZone, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(zone.iana_name().unwrap_or("UTC"))
}

impl SensorRecord {
    /// The sensor of a stored series.
    pub fn of(series: Series, zone: TimeZone) -> Self {
        let Series { site, sensor, place, quantity, unit, .. } = series;
        Self { site, sensor, place, quantity, unit, zone }
    }

    /// Its readings.
    pub fn filter(&self, span: TimeSpan) -> ReadingFilter {
        ReadingFilter {
            site: Some(self.site.clone()),
            sensors: vec![self.sensor.clone()],
            place: None,
            from: Some(span.from),
            to: Some(span.to),
        }
    }

    /// [`walk_bins`] of this sensor.
    ///
    /// # Errors
    ///
    /// When the store cannot be read.
    pub fn walk_bins(
        &self,
        reader: &Reader,
        span: TimeSpan,
        step: BinWidth,
        limit: usize,
        enough: impl FnMut() -> bool,
        each: impl FnMut(&Bin),
    ) -> Result<Option<jiff::Timestamp>, StoreError> {
        walk_bins(reader, (&self.site, &self.sensor), span, step, &self.zone, limit, enough, each)
    }

    /// Mean, least, greatest and total of a bin: see [`Bin::figures`].
    pub fn figures(&self, bin: &Bin) -> [Option<f64>; 4] {
        bin.figures(Quantity::from_name(&self.quantity).is_some_and(Quantity::adds_up))
    }

    /// A bin's row.
    pub fn bin_row(&self, bin: &Bin) -> [String; 16] {
        let [mean, min, max, total] = self.figures(bin).map(|it| it.map(written).unwrap_or_default());
        [
            bin.start.to_string(),
            // RFC 3339 on a clock, with its offset and without the zone's name.
            bin.start.display_with_offset(self.zone.to_offset(bin.start)).to_string(),
            bin.end.to_string(),
            self.site.clone(),
            self.sensor.clone(),
            self.place.clone(),
            self.quantity.clone(),
            self.unit.clone(),
            bin.readings.to_string(),
            bin.good.to_string(),
            bin.suspect.to_string(),
            bin.bad.to_string(),
            mean,
            min,
            max,
            total,
        ]
    }
}

/// A reading's row. Its raw number is as it came. Its time is RFC 3339 in UTC, with milliseconds only where there are
/// some; its flag is the number of the QARTOD scheme. Of one from elsewhere it is not known
/// whether it came late, and whose clock its time is of.
pub fn reading_row(row: &StoredReading<'_>) -> [String; 11] {
    let (late, time_from) = match (row.elsewhere, row.late, row.time_from) {
        (true, ..) => ("", ""),
        (false, late, TimeFrom::Device) => (yes_or_no(late), "device"),
        (false, late, TimeFrom::Arrival) => (yes_or_no(late), "arrival"),
    };
    [
        row.at.to_string(),
        row.series.site.clone(),
        row.series.sensor.clone(),
        row.series.place.clone(),
        row.series.quantity.clone(),
        row.series.unit.clone(),
        row.raw.to_string(),
        row.value.map(written).unwrap_or_default(),
        row.flag.number().to_string(),
        late.to_owned(),
        time_from.to_owned(),
    ]
}

fn yes_or_no(it: bool) -> &'static str {
    if it { "yes" } else { "no" }
}
