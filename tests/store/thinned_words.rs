//! What the commands say of a record whose old single readings have gone into their days'
//! figures.

use std::path::Path;

use crate::support::garden::{SHIPPED, SHIPPED_TRUG, settings_with};
use crate::support::month::{self, at};
use crate::support::plain_words::{assert_plain, words_of_page};
use clap::Parser;
use trug::commands::arguments::{ProgramArguments, ProgramCommand};
use trug::commands::exit::{Exit, WrongInput};
use trug::commands::{compact, export, replay, report, water, why};
use trug::history::BinWidth;
use trug::settings::Settings;
use trug::store::Reader;

const NOW: &str = "2026-06-30T03:00:00Z";
const SAID: &str = "Only daily figures are kept from before 1 April 2026.";

fn settings(path: &Path) -> Settings {
    let mut settings = settings_with(SHIPPED_TRUG, SHIPPED);
    settings.store.path = path.to_owned();
    settings.store.keep_readings_days = Some(90);
    settings
}

fn command(line: &str) -> ProgramCommand {
    ProgramArguments::try_parse_from(line.split(' ')).unwrap_or_else(|fault| panic!("{fault}")).command
}

/// Runs a command; the text that it printed, or why it would not.
fn run(settings: &Settings, line: &str) -> Result<(Exit, String), String> {
    let (mut out, now) = (Vec::new(), at(NOW));
    let reader = Reader::open(&settings.store.path).unwrap();
    let gardens = &settings.gardens;
    let done = match command(line) {
        ProgramCommand::Compact(it) => compact::run(settings, &it, now, &mut out),
        ProgramCommand::Export(it) => export::run(&reader, gardens, &it, &mut out),
        ProgramCommand::Replay(it) => replay::run(settings, &it, now, &mut out),
        ProgramCommand::Report(it) => report::run(&reader, gardens, &it, now, &mut out),
        ProgramCommand::Water(it) => water::run(&reader, gardens, &it, now, &mut out),
        ProgramCommand::Why(it) => why::run(settings, &it, &mut out),
        _ => panic!("{line} is not run here"),
    };
    let exit = done.map_err(|fault| {
        assert!(fault.is::<WrongInput>(), "{line}: {fault:#}");
        fault.to_string()
    })?;
    Ok((exit, String::from_utf8(out).unwrap()))
}

#[test]
fn commands_work_from_days_or_say_what_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let settings = settings(&folder.path().join("trug.db"));
    let garden = &settings.gardens[0];
    let readings = month::hourly(garden, at("2026-01-31T13:30:00Z"), at(NOW));
    let count = readings.len();
    drop(month::store(&settings.store.path, garden, readings));
    let lines = |step: &str| run(&settings, &format!("trug export --step {step}")).unwrap().1.lines().count();
    let (days, single) = (lines("day"), lines("raw"));
    assert_eq!(single, count + 1);

    let (exit, said) = run(&settings, "trug compact").unwrap();
    assert_eq!(exit, Exit::Yes);
    let gone = 59 * 24 * garden.sensors.len();
    assert!(said.starts_with(&format!("{gone} readings went into their days' figures")), "{said}");
    assert!(said.contains("given back to the disk.\nStart trug again."), "{said}");
    // Twice changes nothing.
    let (_, said) = run(&settings, "trug compact --json").unwrap();
    let told: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(told["summarised"], 0, "{said}");

    assert_eq!(lines("day"), days, "each day is there");
    assert_eq!(lines("raw"), count - gone + 1);
    let reader = Reader::open(&settings.store.path).unwrap();
    let zone = &garden.site.time_zone;
    let month = reader.bins(
        "saltbush-gully",
        "kitchen-15cm",
        at("2026-02-28T13:30:00Z"),
        at("2026-03-30T13:30:00Z"),
        BinWidth::Day,
        zone,
    );
    assert!(month.unwrap().iter().all(|day| day.readings == 24));

    for line in [
        "trug report --month 2026-03 --bed kitchen-bed --bed herb-bed",
        "trug report --from 2026-03-15 --to 2026-04-20",
        "trug water --from 2026-03-15 --to 2026-04-20",
        "trug replay --from 2026-03-15",
        // The rules would lack what they remember.
        "trug replay --from 2026-04-10",
    ] {
        let why = run(&settings, line).expect_err(line);
        assert!(why.contains(SAID), "{line}: {why}");
    }
    // A month of before is made by its days, and says so.
    let folder = settings.store.path.with_file_name("march");
    let line = format!("trug report --month 2026-03 --out {}", folder.display());
    let (exit, said) = run(&settings, &line).unwrap();
    assert_eq!(exit, Exit::Yes);
    assert!(said.starts_with("Day by day: the garden in March 2026") && said.contains(SAID), "{said}");
    let file = |name: &str| std::fs::read(folder.join(name)).unwrap();
    let page = String::from_utf8(file("report.html")).unwrap();
    assert!(page.contains(SAID) && page.contains("<svg") && page.contains("Kitchen bed"), "no page");
    assert_plain(&words_of_page(&page));
    // 31 days of each sensor, and the head.
    let days = String::from_utf8(file("daily.csv")).unwrap();
    assert_eq!(days.lines().count(), 31 * garden.sensors.len() + 1);
    let first = days.lines().find(|line| line.starts_with("2026-03-15,kitchen-15cm")).unwrap();
    assert!(first.ends_with(",24,24,0,0"), "{first}");
    let before: Vec<_> = ["report.html", "month.xlsx", "daily.csv", "dictionary.csv"].map(file).into();
    run(&settings, &format!("{line} --replace")).unwrap();
    let again: Vec<_> = ["report.html", "month.xlsx", "daily.csv", "dictionary.csv"].map(file).into();
    assert!(before == again, "the same record gives the same bytes");
    assert!(
        run(&settings, "trug replay --from 2026-04-10").unwrap_err().contains("The rules look back 15 days")
    );
    run(&settings, "trug replay --from 2026-06-20").unwrap();
    let (_, said) = run(&settings, "trug why kitchen-bed --at 2026-03-15T12:00").unwrap();
    assert!(
        said.contains(&format!("{SAID} What the rules remember of those days is missing here.")),
        "{said}"
    );
    let (_, said) = run(&settings, "trug why kitchen-bed --at 2026-06-15T12:00").unwrap();
    assert!(!said.contains("Only daily"), "{said}");
}
