//! `trug mulch BED`: may mulch go down today?

use std::io::Write;

use anyhow::Context as _;

use super::exit::{Exit, WrongInput};
use super::local_out::local_of;
use super::shared::{at_or_now, print_json};
use crate::engine::alarm_json::steps;
use crate::engine::{recent, system_now};
use crate::garden::MulchAnswer;
use crate::settings::Settings;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct MulchArgs {
    /// The bed's id
    bed: String,
    /// The garden, where two have a bed of one id
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// The moment to answer for, if not now: a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    #[arg(from_global)]
    json: bool,
}

/// Answers from the stored readings: yes, or no for any other answer.
///
/// # Errors
/// When the store cannot be read, or [`WrongInput`] where there is no such bed.
pub fn run(settings: &Settings, it: &MulchArgs, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let bed = it.bed.as_str();
    let site = recent::place(&settings.gardens, it.site.as_deref(), bed, recent::PlaceWanted::Bed)
        .map_err(WrongInput::new)?;
    let now = at_or_now(&settings.gardens, &site, it.at.as_deref(), system_now()).map_err(WrongInput::new)?;
    let core = recent::core(settings, &site, now)?;
    let day = core.mulch_day(Some(site.as_str()), bed, now).context("the bed has just been found")?;
    let local = local_of(&settings.gardens, Some(site.as_str()));
    if it.json {
        let told = serde_json::json!({
            "bed": bed, "site": site.as_str(), "answer": day.answer.name(), "text": local.text(&day.text),
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
        print_json(&told, out)?;
    } else {
        writeln!(out, "{}", local.text(&day.text))?;
    }
    Ok(Exit::yes_if(day.answer == MulchAnswer::Yes))
}
