//! When a sensor was replaced (the log says so) or calibrated again (a calibration holds
//! from a date on).

use jiff::Timestamp;

use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::plan::Sensor;
use crate::model::KeptTime;

/// When one sensor's values began to be of another instrument or calibration.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Replacements {
    /// Sorted; with each, whether the instrument itself is another.
    at: Vec<(Timestamp, bool)>,
    /// The last one that was taken notice of.
    taken: Option<KeptTime>,
}

impl Replacements {
    /// Those that a sensor's calibrations and the log of its garden tell of.
    pub(crate) fn of<'l>(sensor: &Sensor, log: impl IntoIterator<Item = &'l LogEntry>) -> Self {
        let mut it = Self::default();
        for from in sensor.calibrations.iter().filter_map(|calibration| calibration.from) {
            it.add(from, false);
        }
        for entry in log {
            if entry.what == LogEvent::ProbeReplaced && entry.place.as_ref() == Some(&sensor.id) {
                it.add(entry.at, true);
            }
        }
        it
    }

    /// Adds one; `instrument`: the instrument itself is another.
    pub(crate) fn add(&mut self, at: Timestamp, instrument: bool) {
        match self.at.binary_search_by_key(&at, |(known, _)| *known) {
            Ok(known) => self.at[known].1 |= instrument,
            Err(place) => self.at.insert(place, (at, instrument)),
        }
    }

    /// Takes out one of the instrument that was struck from the log. What was forgotten with
    /// it comes back with the next start.
    pub(crate) fn strike(&mut self, at: Timestamp) {
        self.at.retain(|(known, instrument)| *known != at || !instrument);
    }

    /// Takes notice of those up to `at` that are new since the last time: `None` where
    /// there is none, else whether one of them is of the instrument.
    pub(crate) fn take_until(&mut self, at: Timestamp) -> Option<bool> {
        let new = self
            .at
            .iter()
            .filter(|(it, _)| *it <= at && self.taken.is_none_or(|taken| KeptTime::from(*it) > taken));
        let (last, instrument) = new.fold((None, false), |(_, any), (it, own)| (Some(*it), any || *own));
        self.taken = Some(last?.into());
        Some(instrument)
    }

    /// All of them, in order of time.
    pub(crate) fn times(&self) -> impl Iterator<Item = Timestamp> + '_ {
        self.at.iter().map(|(at, _)| *at)
    }
}
