//! The beds' stored water contents, given back to a core for their outlook.

use std::collections::HashMap;
use std::ops::ControlFlow;

use jiff::{SignedDuration, Timestamp};

use crate::garden::plan::{Id, Quantity};
use crate::garden::record::SensorIx;
use crate::garden::{Core, restore_from};
use crate::quality::Flag;
use crate::store::{Filter, Reader, StoreError};

/// Two months: some drydowns of most beds.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(64 * 24);

/// Gives back what the beds' probes of `site` (`None`: of every site) have sent
/// in the two months before `to`, up to where [`Core::restore_reading`] begins.
/// Called before that.
///
/// # Errors
/// When the store cannot be read.
pub(crate) fn restore(
    core: &mut Core,
    reader: &Reader,
    site: Option<&Id>,
    to: Timestamp,
) -> Result<(), StoreError> {
    let mut probes: HashMap<(String, String), SensorIx> = HashMap::new();
    let all =
        core.sites().flat_map(|garden| garden.sensors.iter().map(move |sensor| (&garden.site.id, sensor)));
    for (number, (id, sensor)) in (0u32..).zip(all) {
        if sensor.measures == Quantity::SoilMoisture && site.is_none_or(|site| site == id) {
            probes.insert((id.to_string(), sensor.id.to_string()), SensorIx(number));
        }
    }
    if probes.is_empty() {
        return Ok(());
    }
    let filter = Filter {
        site: site.map(Id::to_string),
        sensors: probes.keys().map(|(_, sensor)| sensor.clone()).collect(),
        from: to.checked_sub(LOOK_BACK).ok(),
        to: Some(restore_from(to)),
        ..Filter::default()
    };
    reader.readings(&filter, |row| {
        let key = (row.series.site.clone(), row.series.sensor.clone());
        if let (Some(&sensor), Some(value)) = (probes.get(&key), row.value)
            && row.flag == Flag::Pass
            && !row.late
        {
            core.restore_moisture(sensor, row.at, value);
        }
        ControlFlow::Continue(())
    })
}
