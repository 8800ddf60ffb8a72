//! `trug look-over`: looks at everything that Trug needs, and says what to do, worst first. It changes
//! nothing, and sends nobody a message.

mod around;
mod record;
mod sensors;

use std::io::Write;
use std::path::Path;

use jiff::Timestamp;
use serde_json::json;

use super::daemon::card::{DaemonCard, ReloadResult};
use super::exit::Exit;
use super::local_out::LocalWriter;
use super::shared::{print_json, safe};
use crate::engine::error_chain::ErrorChain;
use crate::settings::{Settings, load};
use crate::text::spoken::counted;

/// What the command line says.
#[derive(Clone, Copy, Debug, Default, clap::Args)]
pub struct LookOverArgs {
    /// Read the whole record through, also where it is large
    #[arg(long)]
    thorough: bool,
}

/// How bad something is, the worst first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Weight {
    /// Nothing is watched, or something is being lost.
    Bad,
    /// Something is not as it should be.
    Look,
    /// It cannot be told.
    Unknown,
    Well,
}

impl Weight {
    fn name(self) -> &'static str {
        match self {
            Self::Bad => "bad",
            Self::Look => "look",
            Self::Unknown => "unknown",
            Self::Well => "well",
        }
    }
}

/// One thing that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
struct LookFinding {
    weight: Weight,
    about: &'static str,
    /// A whole sentence.
    what: String,
    /// What to do, in whole sentences; empty where nothing is.
    todo: String,
}

impl LookFinding {
    fn new(weight: Weight, about: &'static str, what: impl Into<String>, todo: impl Into<String>) -> Self {
        Self { weight, about, what: what.into(), todo: todo.into() }
    }

    fn bad(about: &'static str, what: impl Into<String>, todo: impl Into<String>) -> Self {
        Self::new(Weight::Bad, about, what, todo)
    }

    fn look(about: &'static str, what: impl Into<String>, todo: impl Into<String>) -> Self {
        Self::new(Weight::Look, about, what, todo)
    }

    fn unknown(about: &'static str, what: impl Into<String>, todo: impl Into<String>) -> Self {
        Self::new(Weight::Unknown, about, what, todo)
    }

    fn well(about: &'static str, what: impl Into<String>) -> Self {
        Self::new(Weight::Well, about, what, "")
    }
}

/// Looks over the daemon of `config`: yes where all is well, no where something is to be done.
///
/// # Errors
/// When `out` cannot be written.
pub async fn run(
    config: &Path,
    env: impl Iterator<Item = (String, String)>,
    it: LookOverArgs,
    now: fn() -> Timestamp,
    as_json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let settings = match load(config, env) {
        Ok(settings) => settings,
        Err(faults) => {
            let what = format!(
                "The configuration has {}:\n\n{faults}",
                counted(faults.as_slice().len(), "fault", "faults")
            );
            let todo =
                "Mend it with \"trug check\". A Trug that runs goes on with the configuration of before.";
            tell(&mut [LookFinding::bad("configuration", what, todo)], as_json, out)?;
            return Ok(Exit::WrongInput);
        }
    };
    let mut found = configuration(&settings);
    found.extend(daemon(&settings));
    found.extend(record::look(&settings, it.thorough, now()));
    found.extend(around::look(&settings, now).await);
    let out: &mut dyn Write = &mut LocalWriter::new(out, as_json, &settings.gardens, None);
    tell(&mut found, as_json, out)?;
    Ok(Exit::yes_if(found.iter().all(|it| it.weight >= Weight::Unknown)))
}

fn configuration(settings: &Settings) -> Vec<LookFinding> {
    match &settings.borne {
        Some(borne) => vec![LookFinding::look(
            "configuration",
            format!("Trug runs with this, and it should be otherwise:\n\n{borne}"),
            "Put it right, and have Trug use it with \"trug reload\".",
        )],
        None => vec![LookFinding::well("configuration", "The configuration has no faults.")],
    }
}

/// Whether the daemon runs, which version, and how its configuration was last read again.
fn daemon(settings: &Settings) -> Vec<LookFinding> {
    const ABOUT: &str = "daemon";
    let card = match DaemonCard::of_running(&settings.store.path) {
        Ok(Some(card)) => card,
        Ok(None) => {
            return vec![LookFinding::bad(
                ABOUT,
                "No Trug runs on this record, so nothing is watched.",
                "Start it with \"systemctl start trug\". If it does not stay, read \"journalctl -u trug\".",
            )];
        }
        Err(fault) => {
            return vec![LookFinding::unknown(
                ABOUT,
                format!("Whether Trug runs cannot be told: {fault}."),
                "Run this as the user trug or as root.",
            )];
        }
    };
    let DaemonCard { process, version, started, .. } = &card;
    let mut found = vec![LookFinding::well(
        ABOUT,
        format!("Trug {} runs since {} (process {process}).", safe(version), safe(started)),
    )];
    if version != env!("CARGO_PKG_VERSION") {
        let what = format!("Trug {} runs, and {} is installed.", safe(version), env!("CARGO_PKG_VERSION"));
        found.push(LookFinding::look(ABOUT, what, "Restart it with \"systemctl restart trug\"."));
    }
    if let Some(outcome) = card.outcome
        && matches!(outcome.result, ReloadResult::Refused | ReloadResult::Failed)
    {
        let what =
            format!("Trug did not take the configuration that it read again at {}.", safe(&outcome.at));
        let todo = "Mend it with \"trug check\", then \"trug reload\".";
        found.push(LookFinding::look(ABOUT, what, todo));
    }
    found
}

/// Prints the findings, the worst first.
fn tell(found: &mut [LookFinding], as_json: bool, out: &mut dyn Write) -> anyhow::Result<()> {
    found.sort_by_key(|it| it.weight);
    let to_do = found.iter().filter(|it| it.weight < Weight::Unknown).count();
    if as_json {
        let one = |it: &LookFinding| json!({ "weight": it.weight.name(), "about": it.about, "found": it.what, "to_do": it.todo });
        let all: Vec<_> = found.iter().map(one).collect();
        return print_json(&json!({ "ok": to_do == 0, "to_do": to_do, "findings": all }), out);
    }
    for it in found.iter() {
        writeln!(out, "{} {}: {}", it.weight.name().to_uppercase(), it.about, it.what)?;
        if !it.todo.is_empty() {
            writeln!(out, "  -> {}", it.todo)?;
        }
    }
    let end = match to_do {
        0 => "\nnothing to do".to_owned(),
        more => format!("\n{}", counted(more, "thing to do", "things to do")),
    };
    Ok(writeln!(out, "{end}")?)
}

/// An error with what is behind it.
fn chain(fault: &dyn std::error::Error) -> String {
    safe(&ErrorChain(&fault).to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worst_comes_first_and_says_what_to_do() {
        let mut found = [
            LookFinding::well("record", "It is there."),
            LookFinding::look("sensor", "It is late.", "Look at it."),
            LookFinding::bad("broker", "It is away.", "Start it."),
        ];
        let mut out = Vec::new();
        tell(&mut found, false, &mut out).expect("written");
        assert_eq!(
            String::from_utf8(out).expect("UTF-8"),
            "BAD broker: It is away.\n  -> Start it.\nLOOK sensor: It is late.\n  -> Look at it.\n\
             WELL record: It is there.\n\n2 things to do\n"
        );
    }
}
