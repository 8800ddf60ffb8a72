//! `trug compact`: giving room back to the disk.

use std::io::Write;

use anyhow::Context as _;
use jiff::Timestamp;
use serde_json::json;

use super::exit::{Exit, WrongInput};
use super::shared::print_json;
use crate::settings::Settings;
use crate::store::{PackProgress, Store, ThinProgress};
use crate::text::spoken::{self, counted};

/// What the command line says.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct CompactArgs {
    #[arg(from_global)]
    json: bool,
}

/// Puts what is older than `keep_readings_days` into its days' figures, packs the readings of
/// other days that are over, and writes the record again without the gaps that this and other work have left. The daemon must be stopped.
///
/// # Errors
/// When the daemon runs, there is no record, or it cannot be written; it is whole then.
pub fn run(
    settings: &Settings,
    it: &CompactArgs,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let path = &settings.store.path;
    if !path.exists() {
        let why = format!("there is no record at {}; `trug run` makes it", path.display());
        return Err(WrongInput::beside(why).into());
    }
    let mut store = Store::open(path, &settings.gardens).context("opening the store")?;
    let before = store.bytes();
    let mut readings = 0;
    if let Some(days) = settings.store.keep_readings_days {
        store.set_keep_readings(Some(days), &settings.gardens);
        while let ThinProgress::More { readings: more } =
            store.thin_now(now).context("putting old readings into daily figures")?
        {
            readings += more;
        }
    }
    while let PackProgress::More { .. } = store.pack(now).context("packing the readings of past days")? {}
    store.give_room_back().context(
        "writing the record again (it needs as much free room on the disk as the record takes; nothing is lost)",
    )?;
    let after = store.bytes();
    let given_back = before.saturating_sub(after);
    if it.json {
        let told = json!({
            "summarised": readings, "bytes_before": before, "bytes_after": after, "bytes_given_back": given_back,
        });
        print_json(&told, out)?;
        return Ok(Exit::Yes);
    }
    if readings > 0 {
        writeln!(
            out,
            "{} went into their days' figures, since keep_readings_days says so.",
            counted(readings, "reading", "readings")
        )?;
    }
    writeln!(
        out,
        "The record takes {}, and took {}: {} given back to the disk.",
        spoken::bytes(after),
        spoken::bytes(before),
        spoken::bytes(given_back)
    )?;
    writeln!(out, "Start trug again.")?;
    Ok(Exit::Yes)
}
