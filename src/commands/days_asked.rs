//! The days of a term or a year that a command is asked about.

use anyhow::Context as _;
use jiff::Timestamp;
use jiff::civil::Date;

use super::exit::WrongInput;
use crate::garden::plan::Garden;
use crate::page::month::{CannotMake, term_days};
use crate::store::Reader;

/// Longest span, days: a school year and some.
const DAYS_MAX: i32 = 400;

/// Days of a garden.
pub(super) struct DaysAsked<'g> {
    pub(super) garden: &'g Garden,
    /// The first and the last.
    pub(super) days: (Date, Date),
    /// The moment that the record is known up to.
    pub(super) now: Timestamp,
}

impl<'g> DaysAsked<'g> {
    /// By what the command line says: `--site`, `--from` and `--to`.
    ///
    /// # Errors
    /// When the store cannot be read, or [`WrongInput`].
    pub(super) fn of(
        reader: &Reader,
        gardens: &'g [Garden],
        (site, from, to): (Option<&str>, Option<&str>, Option<&str>),
        now: Timestamp,
    ) -> anyhow::Result<Self> {
        let now = known_to(reader, now)?;
        let garden = garden_called(gardens, site).map_err(WrongInput::beside)?;
        let days = days_asked(garden, from, to, now).map_err(WrongInput::beside)?;
        Ok(Self { garden, days, now })
    }
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
fn days_asked(
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
