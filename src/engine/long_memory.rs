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

/// Restores what the gauges, the soil probes and the pH meters of `site` (`None`: of every site)
/// have sent in the last two months before `to`; those of probes and meters only up to
/// where [`Core::restore_reading`] begins. Called before that.
///
/// # Errors
/// When the store cannot be read.
pub(crate) fn restore(
    core: &mut Core,
    reader: &Reader,
    site: Option<&Id>,
    to: Timestamp,
) -> Result<(), StoreError> {
    let mut wanted: HashMap<(String, String), (SensorIx, Quantity)> = HashMap::new();
    let all =
        core.sites().flat_map(|garden| garden.sensors.iter().map(move |sensor| (&garden.site.id, sensor)));
    for (number, (id, sensor)) in (0u32..).zip(all) {
        if matches!(sensor.measures, Quantity::Rain | Quantity::SoilMoisture | Quantity::Ph)
            && site.is_none_or(|site| site == id)
        {
            let ids = sensor
                .ids()
                .map(|own| ((id.to_string(), own.to_string()), (SensorIx(number), sensor.measures)));
            wanted.extend(ids);
        }
    }
    if wanted.is_empty() {
        return Ok(());
    }
    let filter = ReadingFilter {
        site: site.map(Id::to_string),
        sensors: wanted.keys().map(|(_, sensor)| sensor.clone()).collect(),
        from: to.checked_sub(LOOK_BACK).ok(),
        to: Some(to),
        ..ReadingFilter::default()
    };
    let rules_begin = restore_from(to);
    reader.readings(&filter, |row| {
        let key = (row.series.site.clone(), row.series.sensor.clone());
        let good = row.value.filter(|_| row.flag == Flag::Pass);
        match (wanted.get(&key), good) {
            // A late running count says nothing that a later one does not.
            (Some((_, Quantity::Rain)), _) if row.late && row.value.is_none() => {}
            (Some(&(sensor, Quantity::Rain)), good) => core.restore_rain(sensor, row.at, row.raw, good),
            (Some(&(sensor, Quantity::Ph)), _) => {
                if let Some(value) = row.value.filter(|_| !row.late && row.at < rules_begin) {
                    core.restore_still(sensor, row.at, value);
                }
            }
            (Some(&(sensor, _)), Some(value)) if !row.late && row.at < rules_begin => {
                core.restore_moisture(sensor, row.at, value);
            }
            (Some(_) | None, _) => {}
        }
        ControlFlow::Continue(())
    })
}
