//! `trug log`: what people saw or did, written into the record.

use std::io::Write;
use std::sync::Arc;

use anyhow::Context as _;
use clap::{Args, Subcommand};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::engine::recent;
use crate::garden::log::{LogEntry, Seen, WaterTest};
use crate::garden::log_entry::{self, Number};
use crate::garden::plan;
use crate::garden::plan::Garden;
use crate::garden::plan::place_called;
use crate::model::Id;
use crate::settings::Settings;
use crate::soil;
use crate::store::{LogRow, Reader, write_log};
use crate::text::labels;
use crate::text::times;

/// Exit codes: done; the request is wrong.
const DONE: u8 = 0;
const WRONG_INPUT: u8 = 2;

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
/// When the store cannot be read or written (exit code 3).
pub fn run(
    settings: &Settings,
    entry: Entry,
    now: Timestamp,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    if let Entry::List { place, site, from, to } = entry {
        return list(settings, place.as_deref(), site.as_deref(), from.as_deref(), to.as_deref(), json, out);
    }
    let gardens: Vec<Arc<Garden>> = settings.gardens.iter().cloned().map(Arc::new).collect();
    let written = match checked(entry).and_then(|it| placed(&gardens, settings, it, now)) {
        Ok(written) => written,
        Err(why) => {
            writeln!(out, "{why}")?;
            return Ok(WRONG_INPUT);
        }
    };
    write_log(&settings.store.path, &written, now).context("writing the log")?;
    let row = LogRow { seq: 0, written_at: now, entry: written };
    if json {
        writeln!(out, "{:#}", as_json(&row))?;
    } else {
        writeln!(out, "Written down: {}", line(&settings.gardens, &row.entry))?;
        if let Some(meaning) = log_entry::meaning(&row.entry.what) {
            writeln!(out, "{meaning}")?;
        }
    }
    Ok(DONE)
}

/// Finds the garden, the place and the time of an entry.
fn placed(
    gardens: &[Arc<Garden>],
    settings: &Settings,
    it: Checked,
    now: Timestamp,
) -> Result<LogEntry, String> {
    let Checked { place, wanted, what, common } = it;
    let site = match (&place, &common.site, gardens) {
        (Some(place), site, _) => recent::place(gardens, site.as_deref(), place, wanted)?,
        (None, Some(site), _) => gardens
            .iter()
            .find(|g| g.site.id.as_str() == site)
            .map(|g| g.site.id.clone())
            .ok_or_else(|| format!("no garden has the id {site:?}"))?,
        (None, None, [only]) => only.site.id.clone(),
        (None, None, _) => return Err("there are several gardens; say which with --site".to_owned()),
    };
    let at = match &common.at {
        None => now,
        Some(text) => {
            let zone = plan::shared_zone(&settings.gardens, Some(site.as_str()))?;
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
    from: Option<&str>,
    to: Option<&str>,
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<u8> {
    let span = plan::shared_zone(&settings.gardens, site).and_then(|zone| {
        let moment =
            |text: Option<&str>, end| text.map(|text| times::moment(text, zone.as_ref(), end)).transpose();
        Ok((moment(from, times::End::From)?, moment(to, times::End::To)?))
    });
    let (from, to) = match span {
        Ok(span) => span,
        Err(why) => {
            writeln!(out, "{why}")?;
            return Ok(WRONG_INPUT);
        }
    };
    let reader = Reader::open(&settings.store.path).context("opening the store")?;
    let mut rows = reader.log(0).context("reading the log")?;
    rows.retain(|row| {
        site.is_none_or(|site| row.entry.site.as_str() == site)
            && place.is_none_or(|place| row.entry.place.as_ref().is_some_and(|p| p.as_str() == place))
            && from.is_none_or(|from| row.entry.at >= from)
            && to.is_none_or(|to| row.entry.at < to)
    });
    rows.sort_by_key(|row| row.entry.at);
    if json {
        let all: Vec<_> = rows.iter().map(as_json).collect();
        writeln!(out, "{}", serde_json::to_string_pretty(&all).context("writing JSON")?)?;
    } else if rows.is_empty() {
        writeln!(out, "The log holds nothing of that.")?;
    } else {
        for row in &rows {
            writeln!(out, "{}", line(&settings.gardens, &row.entry))?;
        }
    }
    Ok(DONE)
}

fn line(gardens: &[Garden], entry: &LogEntry) -> String {
    let garden = gardens.iter().find(|g| g.site.id == entry.site);
    let zone = garden.map_or(TimeZone::UTC, |g| g.site.time_zone.clone());
    let name = entry
        .place
        .as_ref()
        .map(|id| garden.map_or_else(|| id.to_string(), |garden| place_called(garden, id)));
    let place = name.map_or_else(String::new, |name| format!("{name}: "));
    let note = if entry.note.is_empty() {
        String::new()
    } else {
        // It came from a person or a file: nothing in it may play with the terminal.
        let safe: String = entry.note.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        format!(" ({safe})")
    };
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
