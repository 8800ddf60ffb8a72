//! `trug reload`: has the running daemon read its configuration again, and says how that went.

use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::json;

use super::daemon::card::{DaemonCard, ReloadOutcome, ReloadResult};
use super::exit::Exit;
use super::shared::print_json;
use crate::settings::{load, store_path};
use crate::text::spoken::counted;

/// What the command line says.
#[derive(Clone, Copy, Debug, clap::Args)]
pub struct ReloadArgs {
    /// How long to wait for the outcome, seconds: a long record is read for gardens that changed
    #[arg(long, value_name = "SECONDS", default_value_t = 600, value_parser = clap::value_parser!(u64).range(1..=86_400))]
    wait: u64,
}

/// Between two looks at the daemon's file.
const LOOK: Duration = Duration::from_millis(50);

/// Asks the daemon on the record of `config` and the variables of `env` to read its configuration
/// again, and waits for the outcome. What the daemon finds counts: it may have other variables and
/// passwords than this command. Where none runs, the faults of the files are told.
///
/// # Errors
/// When the daemon cannot be asked, or does not say in time how it went.
pub fn run(
    config: &Path,
    env: impl Iterator<Item = (String, String)>,
    it: ReloadArgs,
    as_json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let env: Vec<_> = env.collect();
    let (store, faults) = match load(config, env.iter().cloned()) {
        Ok(settings) => (Some(settings.store.path), None),
        Err(faults) => (store_path(config, env.into_iter()), Some(faults)),
    };
    let card = match &store {
        Some(store) => DaemonCard::of_running(store).context("looking for the daemon")?,
        None => None,
    };
    match (card, store, faults) {
        (Some(card), Some(store), _) => tell(&outcome(&card, &store, it)?, as_json, out),
        (_, _, Some(faults)) => {
            refused(&faults.to_string(), &faults.to_json(), faults.as_slice().len(), as_json, out)
        }
        (_, store, None) => {
            let store = store.unwrap_or_default();
            let words = format!(
                "No Trug runs on the record {}. It reads its configuration when it starts: systemctl start trug",
                store.display()
            );
            say(&[words], "not-running", as_json, out)?;
            Ok(Exit::No)
        }
    }
}

/// Asks the daemon of this card, and waits for what comes of it.
fn outcome(before: &DaemonCard, store: &Path, it: ReloadArgs) -> anyhow::Result<ReloadOutcome> {
    let process =
        i32::try_from(before.process).ok().and_then(Pid::from_raw).context("the daemon's process")?;
    kill_process(process, Signal::HUP).with_context(|| {
        format!("asking the daemon (process {}); run this as its user or as root", before.process)
    })?;
    let until = Instant::now() + Duration::from_secs(it.wait);
    loop {
        let card = DaemonCard::of_running(store).context("looking for the daemon")?;
        let card = card.context("the daemon ended while it read its configuration; see its log")?;
        if card.process != before.process {
            anyhow::bail!("the daemon was started again meanwhile, with the configuration as it was then");
        }
        // What was begun before we asked may have read the files before they were changed.
        if let (true, Some(outcome)) = (card.ended > before.begun, card.outcome) {
            return Ok(outcome);
        }
        if Instant::now() >= until {
            let wait = it.wait;
            anyhow::bail!(
                "the daemon has not said within {wait} s how it went; it goes on with it, see its log"
            );
        }
        std::thread::sleep(LOOK);
    }
}

fn tell(outcome: &ReloadOutcome, as_json: bool, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let (result, exit) = match outcome.result {
        ReloadResult::TakenOver => ("taken-over", Exit::Yes),
        ReloadResult::Unchanged => ("unchanged", Exit::Yes),
        ReloadResult::Failed => ("failed", Exit::Failed),
        ReloadResult::Refused => {
            let count = outcome.faults_json.as_array().map_or(1, Vec::len);
            return refused(&outcome.faults, &outcome.faults_json, count, as_json, out);
        }
    };
    say(&outcome.words, result, as_json, out)?;
    Ok(exit)
}

/// The faults as `trug check` tells them, and that nothing changes.
fn refused(
    faults: &str,
    faults_json: &serde_json::Value,
    count: usize,
    as_json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    if as_json {
        print_json(&json!({ "ok": false, "result": "refused", "faults": faults_json }), out)?;
    } else {
        let count = counted(count, "fault", "faults");
        writeln!(out, "{faults}\n\n{count}; nothing changes, and a Trug that runs goes on as it is")?;
    }
    Ok(Exit::WrongInput)
}

fn say(words: &[String], result: &str, as_json: bool, out: &mut dyn Write) -> anyhow::Result<()> {
    if as_json {
        let ok = matches!(result, "taken-over" | "unchanged");
        return print_json(&json!({ "ok": ok, "result": result, "words": words }), out);
    }
    for line in words {
        writeln!(out, "{line}")?;
    }
    Ok(())
}
