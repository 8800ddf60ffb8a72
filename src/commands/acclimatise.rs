//! `trug acclimatise TANK`: new fish in their bag, step by step.

use std::io::Write;

use anyhow::Context as _;

use super::exit::{Exit, WrongInput};
use super::local_out::local_of;
use super::shared::{at_or_now, print_json};
use crate::engine::alarm_json::steps;
use crate::engine::{recent, system_now};
use crate::garden::{AcclimatiseAnswer, BagGiven, TankGiven};
use crate::settings::Settings;
use crate::text::spoken;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct Acclimatise {
    /// The tank's id
    tank: String,
    /// Temperature of the water in the bag, degrees C; without it, the bag that was last written down
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    bag_temp_c: Option<f64>,
    /// pH of the water in the bag
    #[arg(long, value_name = "PH")]
    bag_ph: Option<f64>,
    /// Temperature of the tank, degrees C; without it, the tank's thermometer
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    tank_temp_c: Option<f64>,
    /// pH of the tank; without it, its sensor or its last water test
    #[arg(long, value_name = "PH")]
    tank_ph: Option<f64>,
    /// Hours that the fish were under way; slow mixing is the risky choice after a long haul
    #[arg(long, value_name = "N")]
    hauled_hours: Option<f64>,
    /// How many new fish there are
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    fish: Option<u32>,
    /// What one of them weighs, grams
    #[arg(long, value_name = "GRAMS")]
    grams_each: Option<f64>,
    /// The garden, where two have a tank of one id
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// The moment to answer for, if not now: a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    #[arg(from_global)]
    json: bool,
}

/// Answers from the stored readings and the log: no where it is not today or not known.
///
/// # Errors
/// When the store cannot be read, or [`WrongInput`].
pub fn run(settings: &Settings, it: &Acclimatise, out: &mut dyn Write) -> anyhow::Result<Exit> {
    const WATER_C: (f64, f64) = (0.0, 45.0);
    const PH: (f64, f64) = (3.0, 11.0);
    // A fortnight; nobody hauls fish longer.
    const HAUL_H: (f64, f64) = (0.0, 336.0);
    // From fry to what no school tank holds.
    const GRAMS: (f64, f64) = (0.01, 20_000.0);
    for (flag, given, (low, high), unit) in [
        ("--bag-temp-c", it.bag_temp_c, WATER_C, " degrees C"),
        ("--tank-temp-c", it.tank_temp_c, WATER_C, " degrees C"),
        ("--bag-ph", it.bag_ph, PH, ""),
        ("--tank-ph", it.tank_ph, PH, ""),
        ("--hauled-hours", it.hauled_hours, HAUL_H, " hours"),
        ("--grams-each", it.grams_each, GRAMS, " grams"),
    ] {
        if let Some(given) = given
            && !(given >= low && given <= high)
        {
            let why = format!("{flag} is {given}; it must be from {low} to {high}{unit}");
            return Err(WrongInput::new(why).into());
        }
    }
    let site = recent::place(&settings.gardens, it.site.as_deref(), &it.tank, recent::PlaceWanted::Tank)
        .map_err(WrongInput::new)?;
    let now = at_or_now(&settings.gardens, &site, it.at.as_deref(), system_now()).map_err(WrongInput::new)?;
    let core = recent::core(settings, &site, now)?;
    let bag = BagGiven {
        temperature_c: it.bag_temp_c,
        ph: it.bag_ph,
        hauled_h: it.hauled_hours,
        fish: it.fish,
        grams_each: it.grams_each,
    };
    let tank = TankGiven { temperature_c: it.tank_temp_c, ph: it.tank_ph };
    let told = core
        .acclimatise(Some(site.as_str()), &it.tank, bag, tank, now)
        .context("the tank has just been found")?;
    let local = local_of(&settings.gardens, Some(site.as_str()));
    if it.json {
        let told = serde_json::json!({
            "tank": it.tank, "site": site.as_str(), "answer": told.answer.name(), "text": local.text(&told.text),
            "missing": told.lacks.iter().map(|lack| lack.words()).collect::<Vec<_>>(),
            "steps": told.steps.iter().map(|(minute, words)| serde_json::json!({
                "after_min": minute, "text": local.text(words),
            })).collect::<Vec<_>>(),
            "differs": told.differs.iter().map(|words| local.text(words)).collect::<Vec<_>>(), "tank_c": told.tank_c, "bag_c": told.bag_c,
            "tank_ph": told.tank_ph, "bag_ph": told.bag_ph, "at": told.at.to_string(), "why": steps(&told.why),
        });
        print_json(&told, out)?;
    } else {
        writeln!(out, "{}", local.text(&told.text))?;
        for (number, (minute, words)) in (1..).zip(&told.steps) {
            let words = local.text(words);
            match minute {
                0 => writeln!(out, "\n{number}. Now: {words}")?,
                minute => {
                    writeln!(out, "\n{number}. After {}: {words}", spoken::duration(i64::from(*minute) * 60))?
                }
            }
        }
        for words in &told.differs {
            writeln!(out, "\n{}", local.text(words))?;
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
    Ok(Exit::yes_if(told.answer == AcclimatiseAnswer::Yes))
}
