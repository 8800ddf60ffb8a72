//! `trug mulch BED`: may mulch go down today?

use std::io::Write;
use std::sync::Arc;

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};

use crate::garden::record::{Batch, SensorIx};
use crate::garden::{Clock, Core, MulchAnswer};
use crate::intake::Sample;
use crate::settings::Settings;
use crate::store::{Filter, Reader};

/// Stored readings of this long before are enough: older ones are not fresh.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(14 * 24);

/// Answers for `bed` at `now` from the stored readings. Exit code 0 for yes, 1
/// for any other answer, 2 where there is no such bed.
///
/// # Errors
/// When the store cannot be read.
pub fn run(
    settings: &Settings,
    site: Option<&str>,
    bed: &str,
    now: Timestamp,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    let gardens: Vec<_> = settings.gardens.iter().cloned().map(Arc::new).collect();
    let with_bed: Vec<&str> = gardens
        .iter()
        .filter(|g| {
            site.is_none_or(|id| g.site.id.as_str() == id) && g.beds.iter().any(|b| b.id.as_str() == bed)
        })
        .map(|g| g.site.id.as_str())
        .collect();
    let site = match with_bed.as_slice() {
        [only] => *only,
        [] => {
            let beds: Vec<String> = gardens.iter().flat_map(|g| &g.beds).map(|b| b.id.to_string()).collect();
            writeln!(out, "no bed is called {bed:?}; the beds are: {}", beds.join(", "))?;
            return Ok(2);
        }
        several => {
            writeln!(
                out,
                "several gardens have a bed {bed:?}: {}; say which with --site",
                several.join(", ")
            )?;
            return Ok(2);
        }
    };
    let core = recent(&gardens, settings, site, now)?;
    let day = core.mulch_day(Some(site), bed, now).context("the bed has just been found")?;
    if json {
        let told = serde_json::json!({
            "bed": bed, "site": site, "answer": day.answer.name(), "text": day.text,
            "available_left": day.available_left, "depletion_mm": day.depletion_mm,
            "mulch_l": day.mulch_l, "depth_mm": day.depth_mm, "at": day.at.to_string(),
            "source": "common practice, no published source; depletion by FAO-56 eq. 82-83",
        });
        writeln!(out, "{told:#}")?;
    } else {
        writeln!(out, "{}", day.text)?;
    }
    Ok(if day.answer == MulchAnswer::Yes { 0 } else { 1 })
}

/// A core that has seen the site's last fortnight up to `now`.
fn recent(
    gardens: &[Arc<crate::garden::plan::Garden>],
    settings: &Settings,
    site: &str,
    now: Timestamp,
) -> anyhow::Result<Core> {
    let reader = Reader::open(&settings.store.path).context("opening the store")?;
    let mut numbers = std::collections::HashMap::new();
    let mut next = 0u32;
    for garden in gardens {
        for sensor in &garden.sensors {
            if garden.site.id.as_str() == site {
                numbers.insert(sensor.id.to_string(), SensorIx(next));
            }
            next += 1;
        }
    }
    let mut core = Core::new(gardens, Clock::Readings);
    let mut scratch = Batch::default();
    let filter = Filter {
        site: Some(site.to_owned()),
        from: now.checked_sub(LOOK_BACK).ok(),
        to: now.checked_add(SignedDuration::from_secs(1)).ok(),
        ..Filter::default()
    };
    reader
        .readings(&filter, |row| {
            if let Some(&sensor) = numbers.get(&row.series.sensor)
                && !row.late
            {
                scratch.clear();
                core.take(sensor, Sample { at: Some(row.at), raw: row.raw }, row.at, &mut scratch);
            }
            std::ops::ControlFlow::Continue(())
        })
        .context("reading the store")?;
    Ok(core)
}
