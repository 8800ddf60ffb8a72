//! `trug acclimatise TANK`: new fish in their bag, step by step.

use std::io::Write;
use std::sync::Arc;

use anyhow::Context as _;
use jiff::Timestamp;

use crate::engine::alarm_json::steps;
use crate::engine::recent;
use crate::garden::{AcclimatiseAnswer, BagGiven, TankGiven};
use crate::settings::Settings;

/// Exit codes: yes; not today or not known; the request is wrong.
const YES: u8 = 0;
const NO: u8 = 1;
const WRONG_INPUT: u8 = 2;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct Asked {
    /// The tank's id
    pub tank: String,
    /// Temperature of the water in the bag, degrees C; without it, the bag that was last written down
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    pub bag_temp_c: Option<f64>,
    /// pH of the water in the bag
    #[arg(long, value_name = "PH")]
    pub bag_ph: Option<f64>,
    /// Temperature of the tank, degrees C; without it, the tank's thermometer
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    pub tank_temp_c: Option<f64>,
    /// pH of the tank; without it, its sensor or its last water test
    #[arg(long, value_name = "PH")]
    pub tank_ph: Option<f64>,
    /// Hours that the fish were under way
    #[arg(long, value_name = "N")]
    pub hauled_hours: Option<f64>,
    /// The garden, where two have a tank of one id
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// The moment to answer for, if not now
    #[arg(long, value_name = "TIME")]
    pub at: Option<Timestamp>,
}

/// Answers at `now` from the stored readings and the log.
///
/// # Errors
/// When the store cannot be read.
pub fn run(
    settings: &Settings,
    asked: &Asked,
    now: Timestamp,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    const WATER_C: (f64, f64) = (0.0, 45.0);
    const PH: (f64, f64) = (3.0, 11.0);
    // A fortnight; nobody hauls fish longer.
    const HAUL_H: (f64, f64) = (0.0, 336.0);
    for (flag, given, (low, high), unit) in [
        ("--bag-temp-c", asked.bag_temp_c, WATER_C, " degrees C"),
        ("--tank-temp-c", asked.tank_temp_c, WATER_C, " degrees C"),
        ("--bag-ph", asked.bag_ph, PH, ""),
        ("--tank-ph", asked.tank_ph, PH, ""),
        ("--hauled-hours", asked.hauled_hours, HAUL_H, " hours"),
    ] {
        if let Some(given) = given
            && !(given >= low && given <= high)
        {
            writeln!(out, "{flag} is {given}; it must be from {low} to {high}{unit}")?;
            return Ok(WRONG_INPUT);
        }
    }
    let gardens: Vec<_> = settings.gardens.iter().cloned().map(Arc::new).collect();
    let site = match recent::place(&gardens, asked.site.as_deref(), &asked.tank, recent::Wanted::Tank) {
        Ok(site) => site,
        Err(why) => {
            writeln!(out, "{why}")?;
            return Ok(WRONG_INPUT);
        }
    };
    let core = recent::core(&gardens, settings, &site, now)?;
    let bag = BagGiven { temperature_c: asked.bag_temp_c, ph: asked.bag_ph, hauled_h: asked.hauled_hours };
    let tank = TankGiven { temperature_c: asked.tank_temp_c, ph: asked.tank_ph };
    let told = core
        .acclimatise(Some(site.as_str()), &asked.tank, bag, tank, now)
        .context("the tank has just been found")?;
    if json {
        let told = serde_json::json!({
            "tank": asked.tank, "site": site.as_str(), "answer": told.answer.name(), "text": told.text,
            "steps": told.steps.iter().map(|(minute, words)| serde_json::json!({
                "after_min": minute, "text": words,
            })).collect::<Vec<_>>(),
            "differs": told.differs, "tank_c": told.tank_c, "bag_c": told.bag_c,
            "tank_ph": told.tank_ph, "bag_ph": told.bag_ph, "at": told.at.to_string(), "why": steps(&told.why),
        });
        writeln!(out, "{told:#}")?;
    } else {
        writeln!(out, "{}", told.text)?;
        for (number, (minute, words)) in (1..).zip(&told.steps) {
            match minute {
                0 => writeln!(out, "\n{number}. Now: {words}")?,
                minute => writeln!(out, "\n{number}. After {minute} minutes: {words}")?,
            }
        }
        for words in &told.differs {
            writeln!(out, "\n{words}")?;
        }
        if !told.why.is_empty() {
            writeln!(out, "\nWhy:")?;
        }
        for step in &told.why {
            writeln!(
                out,
                "  {}: {}\n    {}\n    {}; {}",
                step.gives, step.form, step.with, step.source, step.check
            )?;
        }
    }
    Ok(if told.answer == AcclimatiseAnswer::Yes { YES } else { NO })
}
