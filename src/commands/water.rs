//! `trug water --from 2026-04-28`: litres given beside litres needed, by bed and term.

use std::io::Write;

use jiff::Timestamp;
use jiff::civil::Date;

use super::days_asked::{DaysAsked, of_months};
use super::exit::Exit;
use super::local_out::LocalWriter;
use super::shared::print_json;
use crate::analysis::month::{TermWater, term_water};
use crate::garden::plan::Garden;
use crate::page::month::figures_between;
use crate::store::Reader;
use crate::text::spoken::{self, counted};

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Water {
    /// The first day, such as 2026-04-28; without it, the day after the last [[holiday]]
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// The last day; without it, today
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
    /// The garden, where there are several
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    #[arg(from_global)]
    pub json: bool,
}

/// Says what each bed got and needed: no where nothing of it is known.
///
/// # Errors
/// When the store cannot be read, or [`WrongInput`](super::exit::WrongInput).
pub fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &Water,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let out: &mut dyn Write = &mut LocalWriter::new(out, it.json, gardens, it.site.as_deref());
    let asked = (it.site.as_deref(), it.from.as_deref(), it.to.as_deref());
    let DaysAsked { garden, days, now } = DaysAsked::of(reader, gardens, asked, now)?;
    let months = of_months(figures_between(reader, garden, days, now, usize::MAX))?;
    let beds: Vec<TermWater> =
        (0..garden.beds.len()).map(|bed| term_water(garden, &months, bed, days)).collect();
    if it.json {
        print_json(&json(garden, &beds, days), out)?;
    } else {
        text(garden, &beds, days, out)?;
    }
    Ok(Exit::yes_if(beds.iter().any(|bed| bed.given_mm.is_some())))
}

fn text(
    garden: &Garden,
    beds: &[TermWater],
    (first, last): (Date, Date),
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let (first, last) = (spoken::dated_day(first, last), format!("{} {}", spoken::day(last), last.year()));
    writeln!(out, "Water of the beds of {}, {first} to {last}:", garden.site.name)?;
    for (plan, bed) in garden.beds.iter().zip(beds) {
        let litres = |mm: f64| spoken::litres(mm * plan.area_m2);
        let days = format!("on {} of {}", bed.days_known, counted(bed.days, "day", "days"));
        match (bed.given_mm, &bed.unknown) {
            (Some(given), _) => {
                let wanted = bed.wanted_mm();
                let balance = if given >= wanted {
                    format!("{} more than needed", litres(given - wanted))
                } else {
                    format!("{} less than needed", litres(wanted - given))
                };
                writeln!(
                    out,
                    "  {}: {} given, {} needed beside the rain: {balance} ({days}).",
                    plan.name,
                    litres(given),
                    litres(wanted)
                )?;
            }
            (None, why) => {
                let why = why.as_deref().unwrap_or("its waterings are not known");
                writeln!(out, "  {}: what it was given is not known: {why}.", plan.name)?;
            }
        }
        match bed.timer_saved_l {
            Some(saved) if bed.timer_changed && saved >= 0.0 => {
                writeln!(
                    out,
                    "    Its timer was set to less; that has saved {} so far.",
                    spoken::litres(saved)
                )?;
            }
            Some(more) if bed.timer_changed => {
                writeln!(
                    out,
                    "    Its timer was set to more; that has taken {} so far.",
                    spoken::litres(-more)
                )?;
            }
            _ => {}
        }
    }
    writeln!(
        out,
        "Needed: by weather and crop (FAO-56), less the rain. Given: by log, water meter or the timer's program; a probe \
         cannot tell litres."
    )?;
    Ok(())
}

fn json(garden: &Garden, beds: &[TermWater], (first, last): (Date, Date)) -> serde_json::Value {
    let bed = |(plan, bed): (&crate::garden::plan::Bed, &TermWater)| {
        let litres = |mm: f64| mm * plan.area_m2;
        serde_json::json!({
            "bed": plan.id.as_str(),
            "days": bed.days,
            "days_known": bed.days_known,
            "needed_l": (bed.days_known > 0).then(|| litres(bed.wanted_mm())),
            "rain_l": (bed.days_known > 0).then(|| litres(bed.rain_mm)),
            "given_l": bed.given_mm.map(litres),
            "unknown": bed.unknown,
            "timer_changed": bed.timer_changed,
            "timer_saved_l": bed.timer_saved_l.filter(|_| bed.timer_changed),
        })
    };
    serde_json::json!({
        "site": garden.site.id.as_str(),
        "from": first.to_string(),
        "to": last.to_string(),
        "beds": garden.beds.iter().zip(beds).map(bed).collect::<Vec<_>>(),
    })
}
