//! `trug mulch BED`: may mulch go down today?

use std::io::Write;
use std::sync::Arc;

use anyhow::Context as _;
use jiff::Timestamp;

use crate::engine::alarm_json::steps;
use crate::engine::recent;
use crate::garden::MulchAnswer;
use crate::settings::Settings;

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
    let site = match recent::place(&gardens, site, bed, recent::Wanted::Bed) {
        Ok(site) => site,
        Err(why) => {
            writeln!(out, "{why}")?;
            return Ok(2);
        }
    };
    let core = recent::core(&gardens, settings, &site, now)?;
    let day = core.mulch_day(Some(site.as_str()), bed, now).context("the bed has just been found")?;
    if json {
        let told = serde_json::json!({
            "bed": bed, "site": site.as_str(), "answer": day.answer.name(), "text": day.text,
            "available_left": day.available_left, "depletion_mm": day.depletion_mm,
            "water_l": day.water_l,
            "water": day.runs.iter().map(|run| serde_json::json!({
                "from": run.from.to_string(), "to": run.to.to_string(), "litres": run.litres,
            })).collect::<Vec<_>>(),
            "mulch_l": day.mulch_l, "mulch_m3": day.mulch_l / 1000.0, "depth_mm": day.depth_mm,
            "laid": day.laid.map(|at| at.to_string()), "renew": day.renew, "at": day.at.to_string(),
            "source": "common practice, no published source; depletion by FAO-56 eq. 82-83, water-drop classes by \
                       Bisdom, Dekker and Schoute 1993",
            "why": steps(&day.why),
        });
        writeln!(out, "{told:#}")?;
    } else {
        writeln!(out, "{}", day.text)?;
    }
    Ok(if day.answer == MulchAnswer::Yes { 0 } else { 1 })
}
