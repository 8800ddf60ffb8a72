//! `trug log`: what people saw or did, written into the record.

use std::io::Write;

use anyhow::Context as _;
use clap::{Args, Subcommand};
use jiff::Timestamp;

use super::exit::{Exit, WrongInput};
use super::shared::{garden_of, place_name, print_json, reader, safe, site_of, span, zone_of};
use crate::engine::recent;
use crate::garden::log::{LogEntry, Seen, WaterTest};
use crate::garden::log_entry::{self, Number};
use crate::garden::plan::{Garden, shared_zone};
use crate::model::Id;
use crate::settings::Settings;
use crate::soil;
use crate::store::{LogRow, write_log};
use crate::text::labels;
use crate::text::times;

/// What the command line says.
#[derive(Args, Clone, Debug)]
pub struct Log {
    #[command(subcommand)]
    pub entry: Entry,
    #[arg(from_global)]
    pub json: bool,
}

/// What every entry may say.
#[derive(Args, Clone, Debug, Default)]
pub struct Common {
    /// The garden, where two have a place of one id
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// When it was, if not now: a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Anything else worth keeping; no names of children
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
}

/// What was seen or done.
#[derive(Subcommand, Clone, Debug)]
pub enum Entry {
    /// A test of a tank's water, with the values that were tested
    WaterTest {
        tank: String,
        /// Total ammonia as nitrogen (TAN), mg/L
        #[arg(long, value_name = "MG/L")]
        ammonia: Option<f64>,
        /// pH
        #[arg(long)]
        ph: Option<f64>,
        /// Temperature of the water, degrees C
        #[arg(long, value_name = "DEGREES")]
        temp_c: Option<f64>,
        /// Nitrite as nitrogen, mg/L
        #[arg(long, value_name = "MG/L")]
        nitrite: Option<f64>,
        /// Nitrate as nitrogen, mg/L
        #[arg(long, value_name = "MG/L")]
        nitrate: Option<f64>,
        /// Dissolved oxygen, mg/L
        #[arg(long, value_name = "MG/L")]
        oxygen: Option<f64>,
        #[command(flatten)]
        common: Common,
    },
    /// Mulch went down on a bed
    Mulch {
        bed: String,
        /// How deep, mm
        #[arg(long, value_name = "MM", default_value_t = 100.0)]
        depth_mm: f64,
        #[command(flatten)]
        common: Common,
    },
    /// A wetting agent was used on a bed
    WettingAgent {
        bed: String,
        #[command(flatten)]
        common: Common,
    },
    /// How long a drop of water lay on dry soil before it went in
    #[command(after_help = soil::HOW_TO_WATER_DROP)]
    WaterDrop {
        bed: String,
        #[arg(long)]
        seconds: f64,
        #[command(flatten)]
        common: Common,
    },
    /// The weakest solution of ethanol that went in within ten seconds
    #[command(after_help = soil::HOW_TO_ETHANOL_DROPLET)]
    EthanolDrop {
        bed: String,
        /// mol/L
        #[arg(long, value_name = "MOL/L")]
        molarity: f64,
        #[command(flatten)]
        common: Common,
    },
    /// A bed was watered by hand
    Watered {
        bed: String,
        /// Where somebody measured
        #[arg(long)]
        litres: Option<f64>,
        #[command(flatten)]
        common: Common,
    },
    /// Something was planted or sown
    Planted {
        bed: String,
        /// A crop of the table
        #[arg(long)]
        crop: Option<String>,
        #[command(flatten)]
        common: Common,
    },
    /// A harvest
    Harvest {
        bed: String,
        #[arg(long)]
        kg: f64,
        #[command(flatten)]
        common: Common,
    },
    /// Fish went into a tank
    FishAdded {
        tank: String,
        #[arg(long)]
        count: u32,
        /// Weight of one, grams
        #[arg(long, value_name = "GRAMS")]
        grams_each: Option<f64>,
        #[command(flatten)]
        common: Common,
    },
    /// Fish died or were taken out
    FishLost {
        tank: String,
        #[arg(long)]
        count: u32,
        #[command(flatten)]
        common: Common,
    },
    /// The fish were fed
    Fed {
        tank: String,
        #[arg(long)]
        grams: f64,
        #[command(flatten)]
        common: Common,
    },
    /// A tank is being cleaned: its alarms are quiet for so long
    TankCleaning {
        tank: String,
        #[arg(long, default_value_t = 2.0)]
        hours: f64,
        #[command(flatten)]
        common: Common,
    },
    /// A bag of fish floats on a tank
    Bag {
        tank: String,
        /// Temperature of the water in the bag, degrees C
        #[arg(long, value_name = "DEGREES")]
        temp_c: Option<f64>,
        /// Its pH
        #[arg(long)]
        ph: Option<f64>,
        #[command(flatten)]
        common: Common,
    },
    /// Anything else, about a bed, a tank or the whole garden
    Note {
        /// A bed or a tank; without it, the whole garden
        place: Option<String>,
        #[command(flatten)]
        common: Common,
    },
    /// What is in the log
    List {
        /// One bed or tank only
        #[arg(long, value_name = "ID")]
        place: Option<String>,
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// From here: a date or a date and time on the garden's clock, or RFC 3339
        #[arg(long, value_name = "TIME")]
        from: Option<String>,
        /// To here
        #[arg(long, value_name = "TIME")]
        to: Option<String>,
    },
}

/// A number, where it can be; `name` is the command's own for it.
fn taken(field: &Number, name: &str, given: f64) -> Result<f64, String> {
    field.check(given).map_err(|accepted| format!("--{name} {given}: {accepted}"))
}

fn maybe(field: &Number, name: &str, given: Option<f64>) -> Result<Option<f64>, String> {
    given.map(|given| taken(field, name, given)).transpose()
}

/// What is written down, once its numbers are found possible.
struct Checked {
    place: Option<String>,
    wanted: recent::Wanted,
    what: Seen,
    common: Common,
}

fn checked(entry: Entry) -> Result<Checked, String> {
    let fish = |count: u32| taken(&log_entry::COUNT, "count", f64::from(count)).map(|_| count);
    let degrees = |given| maybe(&log_entry::TEMPERATURE, "temp-c", given);
    let acid = |given| maybe(&log_entry::PH, "ph", given);
    use recent::Wanted::{Any, Bed, Tank};
    let (place, wanted, what, common) = match entry {
        Entry::WaterTest { tank, ammonia, ph, temp_c, nitrite, nitrate, oxygen, common } => {
            let test = WaterTest {
                temperature_c: degrees(temp_c)?,
                ph: acid(ph)?,
                ammonia_mg_l: maybe(&log_entry::AMMONIA, "ammonia", ammonia)?,
                nitrite_mg_l: maybe(&log_entry::NITRITE, "nitrite", nitrite)?,
                nitrate_mg_l: maybe(&log_entry::NITRATE, "nitrate", nitrate)?,
                oxygen_mg_l: maybe(&log_entry::OXYGEN, "oxygen", oxygen)?,
            };
            if test == WaterTest::default() {
                return Err(
                    "a water test needs at least one value: --ammonia, --ph, --temp-c, --nitrite, --nitrate \
                            or --oxygen"
                        .to_owned(),
                );
            }
            (Some(tank), Tank, Seen::WaterTest(test), common)
        }
        Entry::Mulch { bed, depth_mm, common } => {
            let depth_mm = taken(&log_entry::DEPTH, "depth-mm", depth_mm)?;
            (Some(bed), Bed, Seen::MulchLaid { depth_mm }, common)
        }
        Entry::WettingAgent { bed, common } => (Some(bed), Bed, Seen::WettingAgent, common),
        Entry::WaterDrop { bed, seconds, common } => {
            let seconds = taken(&log_entry::SECONDS, "seconds", seconds)?;
            (Some(bed), Bed, Seen::WaterDrop { seconds }, common)
        }
        Entry::EthanolDrop { bed, molarity, common } => {
            log_entry::check_molarity(molarity).map_err(|fault| format!("--molarity {molarity}: {fault}"))?;
            (Some(bed), Bed, Seen::EthanolDrop { molarity }, common)
        }
        Entry::Watered { bed, litres, common } => {
            let litres = maybe(&log_entry::LITRES, "litres", litres)?;
            (Some(bed), Bed, Seen::Watered { litres }, common)
        }
        Entry::Planted { bed, crop, common } => {
            if let Some(crop) = &crop {
                log_entry::check_crop(crop).map_err(|why| format!("--crop {crop:?} {why}"))?;
            }
            (Some(bed), Bed, Seen::Planted { crop }, common)
        }
        Entry::Harvest { bed, kg, common } => {
            (Some(bed), Bed, Seen::Harvest { kg: taken(&log_entry::KG, "kg", kg)? }, common)
        }
        Entry::FishAdded { tank, count, grams_each, common } => {
            let grams_each = maybe(&log_entry::GRAMS_EACH, "grams-each", grams_each)?;
            (Some(tank), Tank, Seen::FishAdded { count: fish(count)?, grams_each }, common)
        }
        Entry::FishLost { tank, count, common } => {
            (Some(tank), Tank, Seen::FishLost { count: fish(count)? }, common)
        }
        Entry::Fed { tank, grams, common } => {
            (Some(tank), Tank, Seen::Fed { grams: taken(&log_entry::GRAMS, "grams", grams)? }, common)
        }
        Entry::TankCleaning { tank, hours, common } => (
            Some(tank),
            Tank,
            Seen::TankCleaning { hours: taken(&log_entry::HOURS, "hours", hours)? },
            common,
        ),
        Entry::Bag { tank, temp_c, ph, common } => {
            if temp_c.is_none() && ph.is_none() {
                return Err("a bag needs --temp-c, --ph or both".to_owned());
            }
            (Some(tank), Tank, Seen::Bag { temperature_c: degrees(temp_c)?, ph: acid(ph)? }, common)
        }
        Entry::Note { place, common } => {
            if common.note.trim().is_empty() {
                return Err("a note needs words: --note TEXT".to_owned());
            }
            (place, Any, Seen::Note, common)
        }
        Entry::List { .. } => return Err("nothing to write down".to_owned()),
    };
    log_entry::check_note(&common.note)?;
    Ok(Checked { place, wanted, what, common })
}

/// Writes an entry down, or lists what is there.
///
/// # Errors
/// When the store cannot be read or written, or [`WrongInput`].
pub fn run(settings: &Settings, it: Log, now: Timestamp, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let Log { entry, json } = it;
    if let Entry::List { place, site, from, to } = entry {
        let span = span(&settings.gardens, site.as_deref(), from.as_deref(), to.as_deref())?;
        return list(settings, place.as_deref(), site.as_deref(), span, json, out);
    }
    let written =
        checked(entry).and_then(|it| placed(&settings.gardens, it, now)).map_err(WrongInput::new)?;
    write_log(&settings.store.path, &written, now).context("writing the log")?;
    let row = LogRow { seq: 0, written_at: now, entry: written };
    if json {
        print_json(&as_json(&row), out)?;
    } else {
        writeln!(out, "Written down: {}", line(&settings.gardens, &row.entry))?;
        if let Some(meaning) = log_entry::meaning(&row.entry.what) {
            writeln!(out, "{meaning}")?;
        }
    }
    Ok(Exit::Yes)
}

/// Finds the garden, the place and the time of an entry.
fn placed(gardens: &[Garden], it: Checked, now: Timestamp) -> Result<LogEntry, String> {
    let Checked { place, wanted, what, common } = it;
    let site = match &place {
        Some(place) => recent::place(gardens, common.site.as_deref(), place, wanted)?,
        None => site_of(gardens, common.site.as_deref())?,
    };
    let at = match &common.at {
        None => now,
        Some(text) => {
            let zone = shared_zone(gardens, Some(site.as_str()))?;
            times::moment(text, zone.as_ref(), times::End::From)?
        }
    };
    log_entry::check_time(at, now).map_err(|why| format!("--at {at} {why}"))?;
    let note = common.note.trim().to_owned();
    Ok(LogEntry { site, place: place.as_deref().map(Id::new), at, what, note })
}

fn list(
    settings: &Settings,
    place: Option<&str>,
    site: Option<&str>,
    (from, to): (Option<Timestamp>, Option<Timestamp>),
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let mut rows = reader(settings)?.log(0).context("reading the log")?;
    rows.retain(|row| {
        site.is_none_or(|site| row.entry.site.as_str() == site)
            && place.is_none_or(|place| row.entry.place.as_ref().is_some_and(|p| p.as_str() == place))
            && from.is_none_or(|from| row.entry.at >= from)
            && to.is_none_or(|to| row.entry.at < to)
    });
    rows.sort_by_key(|row| row.entry.at);
    if json {
        print_json(&rows.iter().map(as_json).collect::<Vec<_>>(), out)?;
    } else if rows.is_empty() {
        writeln!(out, "The log holds nothing of that.")?;
    } else {
        for row in &rows {
            writeln!(out, "{}", line(&settings.gardens, &row.entry))?;
        }
    }
    Ok(Exit::Yes)
}

fn line(gardens: &[Garden], entry: &LogEntry) -> String {
    let garden = garden_of(gardens, &entry.site);
    let zone = zone_of(garden);
    let place = entry.place.as_ref().map_or_else(String::new, |id| format!("{}: ", place_name(garden, id)));
    let note = if entry.note.is_empty() { String::new() } else { format!(" ({})", safe(&entry.note)) };
    format!("{}: {place}{}{note}", labels::full_moment(entry.at, &zone), entry.what.words())
}

fn as_json(row: &LogRow) -> serde_json::Value {
    let entry = &row.entry;
    let numbers: serde_json::Map<String, serde_json::Value> =
        entry.what.numbers().into_iter().map(|(name, number)| (name.to_owned(), number.into())).collect();
    let crop = match &entry.what {
        Seen::Planted { crop } => crop.clone(),
        _ => None,
    };
    serde_json::json!({
        "at": entry.at.to_string(), "written_at": row.written_at.to_string(), "site": entry.site.as_str(),
        "place": entry.place.as_ref().map(Id::as_str), "kind": entry.what.name(), "values": numbers, "crop": crop,
        "note": entry.note,
    })
}
