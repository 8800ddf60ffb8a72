//! `trug import --dry-run`: what the files would bring, sensor by sensor, and nothing written.

use std::collections::{BTreeMap, HashMap};
use std::io::Write;

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};

use super::files::FileReading;
use crate::calibration::Calibrator;
use crate::garden::plan::{Garden, Sensor};
use crate::model::SensorIx;
use crate::settings::Settings;
use crate::store::Reader;
use crate::text::labels::{self, written};
use crate::text::spoken::counted;

/// What the files hold of one sensor.
pub(super) struct SensorPreview<'s> {
    garden: &'s Garden,
    sensor: &'s Sensor,
    readings: usize,
    from: Timestamp,
    to: Timestamp,
    raw: (f64, f64),
    /// The lowest and the highest calibrated value, where there is one.
    value: Option<(f64, f64)>,
    /// Raw numbers that the calibration refuses.
    without_value: usize,
    /// Stored already, with the same raw number and with another one.
    repeated: usize,
    conflicting: usize,
    /// Of days of which only daily figures are kept.
    summarised: usize,
}

/// What the readings, in order of time, would bring to the store.
///
/// # Errors
/// When the store is there and cannot be read.
pub(super) fn preview<'s>(
    settings: &'s Settings,
    lines: &[FileReading],
) -> anyhow::Result<Vec<SensorPreview<'s>>> {
    let path = &settings.store.path;
    let reader = path.exists().then(|| Reader::open(path)).transpose().context("opening the store")?;
    let sensors: Vec<(&Garden, &Sensor)> = settings
        .gardens
        .iter()
        .flat_map(|garden| garden.sensors.iter().map(move |sensor| (garden, sensor)))
        .collect();
    let mut by_sensor: BTreeMap<SensorIx, Vec<&FileReading>> = BTreeMap::new();
    for line in lines {
        by_sensor.entry(line.sensor).or_default().push(line);
    }
    let mut found = Vec::new();
    for (index, readings) in by_sensor {
        let (Some(&(garden, sensor)), [first, .., last] | [first @ last]) =
            (sensors.get(index.0 as usize), readings.as_slice())
        else {
            continue;
        };
        let mut preview = SensorPreview {
            garden,
            sensor,
            readings: readings.len(),
            from: first.at,
            to: last.at,
            raw: (f64::INFINITY, f64::NEG_INFINITY),
            value: None,
            without_value: 0,
            repeated: 0,
            conflicting: 0,
            summarised: 0,
        };
        let mut there = match &reader {
            Some(reader) => stored(reader, garden, sensor, first.at, last.at)?,
            None => HashMap::new(),
        };
        let single = match &reader {
            Some(reader) => {
                reader.single_readings_from(garden.site.id.as_str()).context("reading which days are kept")?
            }
            None => None,
        };
        let mut calibrator = Calibrator::new();
        for line in readings {
            preview.raw = wider(preview.raw, line.raw);
            match calibrator.value(&sensor.calibrations, line.at, line.raw).value() {
                Some(value) => preview.value = Some(wider(preview.value.unwrap_or((value, value)), value)),
                None => preview.without_value += 1,
            }
            let is_new = !there.contains_key(&line.at);
            preview.summarised += usize::from(is_new && single.is_some_and(|single| line.at < single));
            // The first of two in the files is the one that is stored.
            match there.insert(line.at, line.raw) {
                Some(raw) if raw.to_bits() == line.raw.to_bits() => preview.repeated += 1,
                Some(raw) => {
                    there.insert(line.at, raw);
                    preview.conflicting += 1;
                }
                None => {}
            }
        }
        found.push(preview);
    }
    Ok(found)
}

/// The raw numbers that are stored of a sensor, by their times.
fn stored(
    reader: &Reader,
    garden: &Garden,
    sensor: &Sensor,
    from: Timestamp,
    to: Timestamp,
) -> anyhow::Result<HashMap<Timestamp, f64>> {
    let (site, id) = (garden.site.id.as_str(), sensor.id.as_str());
    let end = to.saturating_add(SignedDuration::from_millis(1)).unwrap_or(to);
    let points = reader.points(site, id, from, end, usize::MAX).context("reading what is stored")?;
    Ok(points.into_iter().map(|point| (point.at, point.raw)).collect())
}

fn wider((low, high): (f64, f64), value: f64) -> (f64, f64) {
    (low.min(value), high.max(value))
}

impl SensorPreview<'_> {
    /// Tells people what the sensor would get.
    pub(super) fn tell(&self, out: &mut dyn Write) -> anyhow::Result<()> {
        let zone = &self.garden.site.time_zone;
        writeln!(
            out,
            "{} ({}, {}): {} from {} to {}.",
            self.sensor.id,
            self.sensor.measures.name(),
            self.garden.site.name,
            counted(self.readings, "reading", "readings"),
            labels::full_moment(self.from, zone),
            labels::full_moment(self.to, zone),
        )?;
        write!(out, "  Raw numbers from {} to {}", written(self.raw.0), written(self.raw.1))?;
        match self.value {
            Some((low, high)) => writeln!(
                out,
                ", by its calibration {} to {}.",
                labels::value(self.sensor.measures, low),
                labels::value(self.sensor.measures, high)
            )?,
            None => writeln!(out, "; its calibration gives no value for any of them.")?,
        }
        if self.without_value > 0 && self.value.is_some() {
            writeln!(out, "  Its calibration gives no value for {} of them.", self.without_value)?;
        }
        if self.repeated > 0 {
            writeln!(out, "  {} of them are stored already.", self.repeated)?;
        }
        if self.summarised > 0 {
            writeln!(
                out,
                "  {} of them are of days of which only daily figures are kept. Those that may be in them would not be \
                 taken.",
                self.summarised
            )?;
        }
        if self.conflicting > 0 {
            writeln!(
                out,
                "  {} of them have a time at which another raw number stands; that one would stay.",
                self.conflicting
            )?;
        }
        Ok(())
    }

    /// The same for programs.
    pub(super) fn json(&self) -> serde_json::Value {
        serde_json::json!({
            "site": self.garden.site.id.as_str(),
            "sensor": self.sensor.id.as_str(),
            "readings": self.readings,
            "from": self.from.to_string(),
            "to": self.to.to_string(),
            "raw": [self.raw.0, self.raw.1],
            "value": self.value.map(|(low, high)| [low, high]),
            "unit": self.sensor.measures.unit(),
            "without_a_value": self.without_value,
            "repeated": self.repeated,
            "conflicting": self.conflicting,
            "only_daily_figures_kept": self.summarised,
        })
    }
}
