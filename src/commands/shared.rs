//! What several commands do alike.

use std::io::Write;
use std::path::Path;

use anyhow::Context as _;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::exit::WrongInput;
use crate::answering::Links;
use crate::garden::plan::{Garden, place_called, shared_zone};
use crate::model::Id;
use crate::settings::Settings;
use crate::store::Reader;
use crate::text::spoken;
use crate::text::times::{self, End};

/// The store, for reading.
///
/// # Errors
/// When it cannot be opened.
pub fn reader(settings: &Settings) -> anyhow::Result<Reader> {
    Reader::open(&settings.store.path).context("opening the store")
}

/// What makes and checks the links in messages, where there are any.
pub(crate) fn answer_links(settings: &Settings) -> Option<Links> {
    let links = settings.answers.links.as_ref()?;
    Some(Links::new(links.page_url.as_str(), links.secret.reveal().as_bytes(), links.hours))
}

/// The ends of a span of time, local ones on the clock of the garden `site` or the one
/// that all gardens share.
///
/// # Errors
/// [`WrongInput`] where there is no such garden or a text is no time.
pub(super) fn span(
    gardens: &[Garden],
    site: Option<&str>,
    from: Option<&str>,
    to: Option<&str>,
) -> anyhow::Result<(Option<Timestamp>, Option<Timestamp>)> {
    let zone = shared_zone(gardens, site).map_err(WrongInput::new)?;
    Ok(span_on(zone.as_ref(), from, to).map_err(WrongInput::new)?)
}

/// The ends of a span of time, local ones on the clock of `zone`.
///
/// # Errors
/// Plain words where a text is no time.
pub(super) fn span_on(
    zone: Option<&TimeZone>,
    from: Option<&str>,
    to: Option<&str>,
) -> Result<(Option<Timestamp>, Option<Timestamp>), String> {
    let moment = |text: Option<&str>, end| text.map(|text| times::moment(text, zone, end)).transpose();
    Ok((moment(from, End::From)?, moment(to, End::To)?))
}

/// Says of each site of which only daily figures are kept at `from`; `None`: the beginning.
///
/// # Errors
/// When the store cannot be read.
pub(super) fn only_daily(
    reader: &Reader,
    gardens: &[Garden],
    site: Option<&str>,
    from: Option<Timestamp>,
) -> anyhow::Result<Vec<String>> {
    let mut thinned = reader.thinned_sites().context("reading which days are kept")?;
    thinned.retain(|it| site.is_none_or(|site| site == it.site) && from.is_none_or(|from| from < it.from));
    let several = thinned.len() > 1;
    Ok(thinned
        .into_iter()
        .map(|it| {
            let garden = gardens.iter().find(|garden| garden.site.id.as_str() == it.site);
            let said = spoken::only_daily(it.from, &zone_of(garden));
            if several { format!("{}: {said}", it.site) } else { said }
        })
        .collect())
}

/// The moment that `--at` names, a local one on the clock of the garden `site`; `now` where
/// none is given.
///
/// # Errors
/// Plain words where the text is no time.
pub(super) fn at_or_now(
    gardens: &[Garden],
    site: &Id,
    text: Option<&str>,
    now: Timestamp,
) -> Result<Timestamp, String> {
    let Some(text) = text else { return Ok(now) };
    let zone = shared_zone(gardens, Some(site.as_str()))?;
    times::moment(text, zone.as_ref(), End::From).map_err(|why| format!("--at {why}"))
}

/// The garden of this id.
pub(super) fn garden_of<'g>(gardens: &'g [Garden], site: &Id) -> Option<&'g Garden> {
    gardens.iter().find(|garden| garden.site.id == *site)
}

/// The garden's clock; UTC, which its times then say, where the garden is no longer
/// configured.
pub(super) fn zone_of(garden: Option<&Garden>) -> TimeZone {
    garden.map_or(TimeZone::UTC, |garden| garden.site.time_zone.clone())
}

/// The place as people say it; its id where the garden is no longer configured.
pub(super) fn place_name(garden: Option<&Garden>, place: &Id) -> String {
    garden.map_or_else(|| place.to_string(), |garden| place_called(garden, place))
}

/// The site of the only garden, or the one of this id.
///
/// # Errors
/// Plain words where there are several or none has the id.
pub(super) fn site_of(gardens: &[Garden], site: Option<&str>) -> Result<Id, String> {
    match (site, gardens) {
        (None, [only]) => Ok(only.site.id.clone()),
        (None, _) => Err("there are several gardens; say which with --site".to_owned()),
        (Some(site), _) => gardens
            .iter()
            .find(|garden| garden.site.id.as_str() == site)
            .map(|garden| garden.site.id.clone())
            .ok_or_else(|| format!("no garden has the id {site:?}")),
    }
}

/// The folder that holds a file or a folder.
pub(super) fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|it| !it.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// A text that came from a person, a file or a server, without what could play with the
/// terminal.
pub(super) fn safe(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// Prints an answer for programs.
pub(super) fn print_json(answer: &impl Serialize, out: &mut dyn Write) -> anyhow::Result<()> {
    Ok(writeln!(out, "{}", serde_json::to_string_pretty(answer).context("writing JSON")?)?)
}
