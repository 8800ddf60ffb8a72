//! The gauges' stored readings, given back to a core for their rain days.

use std::collections::HashMap;
use std::ops::ControlFlow;

use jiff::{SignedDuration, Timestamp};

use crate::garden::Core;
use crate::garden::plan::{Id, Quantity};
use crate::garden::record::SensorIx;
use crate::quality::Flag;
use crate::store::{Filter, Reader, StoreError};

/// This month and the whole one before it.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(64 * 24);

/// Gives back what the gauges of `site` (`None`: of every site) have sent in the
/// last two months before `to`. Called before anything else is given back.
///
/// # Errors
/// When the store cannot be read.
pub(crate) fn restore(
    core: &mut Core,
    reader: &Reader,
    site: Option<&Id>,
    to: Timestamp,
) -> Result<(), StoreError> {
    let mut gauges: HashMap<(String, String), SensorIx> = HashMap::new();
    let all =
        core.sites().flat_map(|garden| garden.sensors.iter().map(move |sensor| (&garden.site.id, sensor)));
    for (number, (id, sensor)) in (0u32..).zip(all) {
        if sensor.measures == Quantity::Rain && site.is_none_or(|site| site == id) {
            gauges.insert((id.to_string(), sensor.id.to_string()), SensorIx(number));
        }
    }
    if gauges.is_empty() {
        return Ok(());
    }
    let filter = Filter {
        site: site.map(Id::to_string),
        sensors: gauges.keys().map(|(_, sensor)| sensor.clone()).collect(),
        from: to.checked_sub(LOOK_BACK).ok(),
        to: Some(to),
        ..Filter::default()
    };
    reader.readings(&filter, |row| {
        let key = (row.series.site.clone(), row.series.sensor.clone());
        if let Some(&sensor) = gauges.get(&key)
            // A late running count says nothing that a later one does not.
            && !(row.late && row.value.is_none())
        {
            core.restore_rain(sensor, row.at, row.raw, row.value.filter(|_| row.flag == Flag::Pass));
        }
        ControlFlow::Continue(())
    })
}
