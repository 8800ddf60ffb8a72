//! `trug why [PLACE]`: every figure of a place, the equation with its numbers, the
//! source and the check.

use std::io::Write;

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};

use super::exit::{Exit, WrongInput};
use super::shared::{at_or_now, only_daily, print_json, site_of};
use crate::alarms::AlarmRecord;
use crate::engine::alarm_json::steps;
use crate::engine::{recent, system_now};
use crate::garden::RESTORE_S;
use crate::garden::view::{AlarmView, Figure, SiteView};
use crate::settings::Settings;
use crate::store::Reader;
use crate::text::labels;
use crate::why::Step;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct WhyArgs {
    /// A bed, a tank or a rain gauge; without it, rain and weather
    place: Option<String>,
    /// The garden, where two have a place of one id
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// The moment to answer for, if not now: a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    #[arg(from_global)]
    json: bool,
}

/// Explains a bed, a tank, a rain gauge or the site's weather, as the garden stood by
/// the store: no where nothing is known of it.
///
/// # Errors
/// When the store cannot be read, or [`WrongInput`] where there is no such place.
pub fn run(settings: &Settings, it: &WhyArgs, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let (site, place) = (it.site.as_deref(), it.place.as_deref());
    let site = match place {
        Some(place) => recent::place(&settings.gardens, site, place, recent::PlaceWanted::Any),
        None => site_of(&settings.gardens, site),
    }
    .map_err(WrongInput::new)?;
    let now = at_or_now(&settings.gardens, &site, it.at.as_deref(), system_now()).map_err(WrongInput::new)?;
    let core = recent::core(settings, &site, now)?;
    let mut view = core.view(site.as_str()).context("the garden has just been found")?;
    // Without any reading it stands as it does at the moment that is asked for: not known.
    if view.now == Timestamp::UNIX_EPOCH {
        view.now = now;
    }
    let last = place.and_then(|place| last_reading(&view, place));
    let figures: Vec<&Figure> = last.iter().chain(figures_of(&view, place)).collect();
    let alarms: Vec<&AlarmView> = view
        .alarms
        .iter()
        .filter(|a| place.is_none_or(|place| a.record.key.place.as_str() == place))
        .collect();
    let nothing = figures.is_empty() && alarms.is_empty();
    // As far back as the rules remember.
    let back_to = now.checked_sub(SignedDuration::from_secs(RESTORE_S)).unwrap_or(now);
    let only_daily = match Reader::open(&settings.store.path) {
        Ok(reader) => only_daily(&reader, &settings.gardens, Some(site.as_str()), Some(back_to))?,
        Err(_) => Vec::new(),
    };
    if it.json {
        let told = serde_json::json!({
            "site": site.as_str(), "place": place, "at": view.now.to_string(), "only_daily": only_daily,
            "figures": figures.iter().map(|f| serde_json::json!({
                "name": f.name, "value": f.value, "number": f.number, "unit": f.unit, "why": steps(&f.why),
            })).collect::<Vec<_>>(),
            "alarms": alarms.iter().map(|a| &a.record).map(|AlarmRecord { key, said, .. }| serde_json::json!({
                "kind": key.kind.name(), "place": key.place.as_str(), "text": said.text, "source": said.source,
                "why": steps(&said.why),
            })).collect::<Vec<_>>(),
        });
        print_json(&told, out)?;
    } else {
        writeln!(out, "As the garden stood {}.", labels::full_moment(view.now, &view.time_zone))?;
        for said in &only_daily {
            writeln!(out, "{said} What the rules remember of those days is missing here.")?;
        }
        for figure in &figures {
            writeln!(out, "\n{}: {}", figure.name, figure.value)?;
            print(&figure.why, out)?;
        }
        for AlarmView { record: AlarmRecord { key, said, .. }, place_name, .. } in &alarms {
            writeln!(out, "\n{} at {place_name}: {}", labels::kind(key.kind), said.text)?;
            print(&said.why, out)?;
            writeln!(out, "  By the rule of: {}", said.source)?;
        }
        if nothing {
            writeln!(out, "Nothing is known of it yet.")?;
        }
    }
    Ok(Exit::yes_if(!nothing))
}

/// A sensor's last reading as a figure: how its raw number became a value.
fn last_reading(view: &SiteView, place: &str) -> Option<Figure> {
    let sensor = view.sensors.iter().find(|s| s.id.as_str() == place)?;
    let number = sensor.last_value?;
    let unit = sensor.measures.unit();
    Some(Figure::known("Last reading", format!("{number:.4} {unit}"), number, unit, sensor.why.clone()))
}

/// The figures of one place, or of the weather.
fn figures_of<'v>(view: &'v SiteView, place: Option<&str>) -> Vec<&'v Figure> {
    let Some(place) = place else {
        let rain = view.rain.iter().flat_map(|rain| &rain.figures);
        return rain.chain(&view.weather).collect();
    };
    if let Some(bed) = view.beds.iter().find(|b| b.id.as_str() == place) {
        return bed.figures.iter().collect();
    }
    if let Some(tank) = view.tanks.iter().find(|t| t.id.as_str() == place) {
        return tank.figures.iter().collect();
    }
    let sensor = view.sensors.iter().find(|s| s.id.as_str() == place);
    let gauge = sensor.is_some_and(|s| s.measures == crate::model::Quantity::Rain);
    view.rain.iter().filter(|_| gauge).flat_map(|rain| &rain.figures).collect()
}

fn print(why: &[Step], out: &mut dyn Write) -> std::io::Result<()> {
    for step in why {
        writeln!(out, "  {}", step.gives)?;
        writeln!(out, "    {}", step.form)?;
        writeln!(out, "    {}", step.with)?;
        writeln!(out, "    {}; {}", step.source, step.check)?;
    }
    Ok(())
}
