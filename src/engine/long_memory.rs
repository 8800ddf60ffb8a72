//! What is remembered for longer than the rules: the gauges' readings for the rain
//! days, the beds' water contents for their outlooks, and since when a pH meter has
//! shown the same.

use std::collections::HashMap;
use std::ops::ControlFlow;

use jiff::{SignedDuration, Timestamp};

use crate::garden::{Core, restore_from};
use crate::model::SensorIx;
use crate::model::{Id, Quantity};
use crate::quality::Flag;
use crate::store::{Reader, ReadingFilter, StoreError};

/// This month and the whole one before it; some drydowns of most beds.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(64 * 24);

/// Restores what the gauges, the soil probes and the pH meters of each site have sent in
/// the last two months before its `end` (`None`: nothing of it); those of probes and
/// meters only up to where [`Core::restore_reading`] begins. Called before that.
///
/// # Errors
/// When the store cannot be read.
pub(crate) fn restore(
    core: &mut Core,
    reader: &Reader,
    end: impl Fn(&Id) -> Option<Timestamp>,
) -> Result<(), StoreError> {
    let mut wanted: HashMap<(String, String), (SensorIx, Quantity, Timestamp)> = HashMap::new();
    let mut ends: Vec<(&Id, Timestamp)> = Vec::new();
    let mut number = 0_u32;
    for garden in core.sites() {
        let (site, first) = (&garden.site.id, number);
        number += u32::try_from(garden.sensors.len()).unwrap_or(u32::MAX);
        let Some(to) = end(site) else { continue };
        for (number, sensor) in (first..).zip(&garden.sensors) {
            if matches!(sensor.measures, Quantity::Rain | Quantity::SoilMoisture | Quantity::Ph) {
                let it = (SensorIx(number), sensor.measures, to);
                wanted.extend(sensor.ids().map(|own| ((site.to_string(), own.to_string()), it)));
            }
        }
        ends.push((site, to));
    }
    let Some(from) = ends.iter().map(|(_, to)| *to).min().filter(|_| !wanted.is_empty()) else {
        return Ok(());
    };
    let filter = ReadingFilter {
        site: if let [(site, _)] = ends.as_slice() { Some(site.to_string()) } else { None },
        sensors: wanted.keys().map(|(_, sensor)| sensor.clone()).collect(),
        from: from.checked_sub(LOOK_BACK).ok(),
        to: ends.iter().map(|(_, to)| *to).max(),
        ..ReadingFilter::default()
    };
    reader.readings(&filter, |row| {
        let key = (row.series.site.clone(), row.series.sensor.clone());
        let Some(&(sensor, quantity, to)) = wanted.get(&key) else { return ControlFlow::Continue(()) };
        let remembered = row.at < to && to.duration_since(row.at) <= LOOK_BACK;
        let before_rules = row.at < restore_from(to);
        let good = row.value.filter(|_| row.flag == Flag::Pass);
        match (quantity, good) {
            _ if !remembered => {}
            // A late running count says nothing that a later one does not.
            (Quantity::Rain, _) if row.late && row.value.is_none() => {}
            (Quantity::Rain, good) => core.restore_rain(sensor, row.at, row.raw, good),
            (Quantity::Ph, _) => {
                if let Some(value) = row.value.filter(|_| !row.late && before_rules) {
                    core.restore_still(sensor, row.at, value);
                }
            }
            (_, Some(value)) if !row.late && before_rules => core.restore_moisture(sensor, row.at, value),
            _ => {}
        }
        ControlFlow::Continue(())
    })
}
