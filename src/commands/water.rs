//! `trug water --from 2026-04-28`: litres given beside litres needed, by bed and term.

use std::io::Write;

use anyhow::Context as _;
use jiff::Timestamp;
use jiff::civil::Date;

use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::print_json;
use crate::analysis::month::{TermWater, term_water};
use crate::garden::plan::Garden;
use crate::page::month::{CannotMake, figures_between, term_days};
use crate::store::Reader;
use crate::text::spoken::{self, counted};

/// Longest span, days: a school year and some.
const DAYS_MAX: i32 = 400;

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
/// When the store cannot be read, or [`WrongInput`].
pub fn run(
    reader: &Reader,
    gardens: &[Garden],
    it: &Water,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let out: &mut dyn Write = &mut LocalWriter::new(out, it.json, gardens, it.site.as_deref());
    let now = known_to(reader, now)?;
    let garden = garden_called(gardens, it.site.as_deref()).map_err(WrongInput::beside)?;
    let days = days_asked(garden, it.from.as_deref(), it.to.as_deref(), now);
    let (first, last) = days.map_err(WrongInput::beside)?;
    let months = of_months(figures_between(reader, garden, (first, last), now, usize::MAX))?;
    let beds: Vec<TermWater> =
        (0..garden.beds.len()).map(|bed| term_water(garden, &months, bed, (first, last))).collect();
    if it.json {
        print_json(&json(garden, &beds, (first, last)), out)?;
    } else {
        text(garden, &beds, (first, last), out)?;
    }
    Ok(Exit::yes_if(beds.iter().any(|bed| bed.given_mm.is_some())))
}

/// The moment that the record is known up to: the present one, or that of its last reading
/// where its readings are ahead of the clock, such as a simulation's.
pub(super) fn known_to(reader: &Reader, now: Timestamp) -> anyhow::Result<Timestamp> {
    let latest = reader.latest_at().context("reading the latest reading")?;
    Ok(latest.map_or(now, |latest| latest.max(now)))
}

/// What was worked out of months. Where their single readings are no more, other days must be
/// asked for.
pub(super) fn of_months<T>(worked_out: Result<T, CannotMake>) -> anyhow::Result<T> {
    match worked_out {
        Err(fault @ CannotMake::Summarised { .. }) => Err(WrongInput::beside(fault.to_string()).into()),
        worked_out => worked_out.context("working out the months"),
    }
}

/// The garden of a name, or plain words about what is wrong.
pub(super) fn garden_called<'g>(gardens: &'g [Garden], site: Option<&str>) -> Result<&'g Garden, String> {
    let names = || gardens.iter().map(|garden| garden.site.id.as_str()).collect::<Vec<_>>().join(", ");
    match (site, gardens) {
        (None, [only]) => Ok(only),
        (None, _) => Err(format!("there are several gardens; say which with --site: {}", names())),
        (Some(site), _) => gardens
            .iter()
            .find(|garden| garden.site.id.as_str() == site)
            .ok_or_else(|| format!("no garden is called {site:?}; the gardens are: {}", names())),
    }
}

/// The days that are asked for, or plain words about what is wrong.
pub(super) fn days_asked(
    garden: &Garden,
    from: Option<&str>,
    to: Option<&str>,
    now: Timestamp,
) -> Result<(Date, Date), String> {
    let date = |key: &str, given: &str| {
        given
            .parse::<Date>()
            .map_err(|_| format!("--{key} {given:?} is not a day; accepted is a date such as 2026-04-28"))
    };
    let last = to.map(|given| date("to", given)).transpose()?;
    let first = from.map(|given| date("from", given)).transpose()?;
    let (first, last) = term_days(garden, first, last, now).ok_or_else(|| {
        "the garden's file has no [[holiday]] that is over, so no term begins; give the first day with --from, such as \
         --from 2026-04-28"
            .to_owned()
    })?;
    let days = last.since(first).map_or(i32::MAX, |span| span.get_days());
    match days {
        ..0 => Err(format!("the first day, {first}, is after the last, {last}")),
        0..DAYS_MAX => Ok((first, last)),
        _ => {
            Err(format!("from {first} to {last} are more than {DAYS_MAX} days; give a later day with --from"))
        }
    }
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
