//! When a sensor was replaced (the log says so) or calibrated again (a calibration holds
//! from a date on).

use jiff::Timestamp;

use crate::garden::log::{LogEntry, LogEvent};
use crate::garden::plan::Sensor;
use crate::model::KeptTime;

/// When one sensor's values began to be of another instrument or calibration; of most
/// sensors they never did.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Replacements(Option<Box<ReplacementTimes>>);

#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct ReplacementTimes {
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
        let all = &mut self.0.get_or_insert_default().at;
        match all.binary_search_by_key(&at, |(known, _)| *known) {
            Ok(known) => all[known].1 |= instrument,
            Err(place) => all.insert(place, (at, instrument)),
        }
    }

    /// Takes out one of the instrument that was struck from the log. What was forgotten with
    /// it comes back with the next start.
    pub(crate) fn strike(&mut self, at: Timestamp) {
        if let Some(times) = &mut self.0 {
            times.at.retain(|(known, instrument)| *known != at || !instrument);
        }
    }

    /// Takes notice of those up to `at` that are new since the last time: `None` where
    /// there is none, else whether one of them is of the instrument.
    pub(crate) fn take_until(&mut self, at: Timestamp) -> Option<bool> {
        let ReplacementTimes { at: all, taken } = self.0.as_deref_mut()?;
        let new =
            all.iter().filter(|(it, _)| *it <= at && taken.is_none_or(|taken| KeptTime::from(*it) > taken));
        let (last, instrument) = new.fold((None, false), |(_, any), (it, own)| (Some(*it), any || *own));
        *taken = Some(last?.into());
        Some(instrument)
    }

    /// All of them, in order of time.
    pub(crate) fn times(&self) -> impl Iterator<Item = Timestamp> + '_ {
        self.0.iter().flat_map(|times| &times.at).map(|(at, _)| *at)
    }
}
