//! The trug program: reads the command line, loads the settings, calls one
//! command, and turns what came of it into an exit code.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use clap::{Parser, Subcommand};
use trug::commands;
use trug::garden::Clock;
use trug::settings::{self, Settings};

/// It did it, and the answer is yes.
const YES: u8 = 0;
/// The input or the configuration is wrong.
const WRONG_INPUT: u8 = 2;
/// Something failed while running.
const FAILED: u8 = 3;

/// Listens to a school garden's sensors, judges them, tells people, keeps the record.
#[derive(Parser)]
#[command(name = "trug", version, about, max_term_width = 100)]
struct Arguments {
    /// The daemon's file; garden files are found from it
    #[arg(long, global = true, value_name = "FILE", default_value = "config/trug.toml")]
    config: PathBuf,
    /// Print JSON for programs
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// The daemon: listens until it is told to stop
    Run {
        /// What moves a garden's time on: the arrival of readings, or their own times (for simulations)
        #[arg(long, value_enum, default_value = "arrival")]
        clock: ClockChoice,
    },
    /// A whole school garden in one process, with a month behind it; nothing to install
    #[cfg(feature = "demo")]
    Demo {
        /// End by itself after so many seconds
        #[arg(long, value_name = "SECONDS")]
        r#for: Option<u64>,
        /// How many times faster than life the school goes on
        #[arg(long, value_name = "N", default_value_t = 600.0, value_parser = speed)]
        speed: f64,
        /// What happens in the month
        #[arg(long, value_name = "NAME", default_value = "demonstration", value_parser = scenarios())]
        scenario: String,
        /// Another seed, another weather
        #[arg(long, value_name = "NUMBER")]
        seed: Option<u64>,
        /// Keep the data in this folder
        #[arg(long, value_name = "FOLDER")]
        keep: Option<PathBuf>,
    },
    /// Make the line for the page's password file, from a password on the terminal or standard input
    Password,
    /// Read the configuration and say what is in it, or every fault
    Check,
    /// Take loggers' past readings from CSV files
    Import {
        /// The sensor of the value column, SENSOR=COLUMN or SENSOR=FILE:COLUMN; may be repeated
        #[arg(long = "sensor", value_name = "ID")]
        sensors: Vec<String>,
        /// The garden, where two have a sensor of one id
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// The column of the time; may be repeated where files differ
        #[arg(long, value_name = "COLUMN", default_value = "time")]
        time: Vec<String>,
        /// The column of the raw number
        #[arg(long, value_name = "COLUMN", default_value = "raw")]
        value: String,
        /// The offset of times that are written without one; without it, the garden's own clock
        #[arg(long, value_name = "OFFSET", allow_hyphen_values = true)]
        utc_offset: Option<String>,
        /// How times are written, such as "%d/%m/%Y %H:%M"
        #[arg(long, value_name = "FORM")]
        time_format: Option<String>,
        /// The CSV files; readings of all of them are judged in order of time
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
    },
    /// Fit a calibration to pairs of raw numbers and reference values
    Calibrate {
        /// The sensor that was read; its unit, its bed and its present calibration are looked at
        #[arg(long, value_name = "ID")]
        sensor: Option<String>,
        /// The garden, where two have a sensor of one id
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// The column of the raw number
        #[arg(long, value_name = "COLUMN", default_value = "raw")]
        raw: String,
        /// The column of the reference value
        #[arg(long, value_name = "COLUMN", default_value = "value")]
        value: String,
        /// The CSV file
        file: PathBuf,
    },
    /// Present alarms, their history with --from and --to, or how they do with --figures
    Alarms {
        /// One garden only
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// From here: a date or a date and time on the garden's clock, or RFC 3339
        #[arg(long, value_name = "TIME")]
        from: Option<String>,
        /// To here
        #[arg(long, value_name = "TIME")]
        to: Option<String>,
        /// How the alarms do, beside the standard's targets; of the last thirty days without --from
        #[arg(long)]
        figures: bool,
        #[command(subcommand)]
        answer: Option<Answer>,
    },
    /// What was told to whom, when and by which way, what waits, and what nobody would take
    Messages {
        /// One garden only
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// From here: a date or a date and time on the garden's clock, or RFC 3339; without it,
        /// the last seven days
        #[arg(long, value_name = "TIME")]
        from: Option<String>,
        /// To here
        #[arg(long, value_name = "TIME")]
        to: Option<String>,
    },
    /// May mulch go down on a bed today, and how many litres does it take
    Mulch {
        /// The bed's id
        bed: String,
        /// The garden, where two have a bed of one id
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// The moment to answer for, if not now
        #[arg(long, value_name = "TIME")]
        at: Option<jiff::Timestamp>,
    },
    /// New fish in their bag: how long it floats, when tank water goes in, when they are let go
    Acclimatise {
        #[command(flatten)]
        asked: commands::acclimatise::Asked,
    },
    /// Every figure of a place: the equation with its numbers, the source, the check
    Why {
        /// A bed, a tank or a rain gauge; without it, rain and weather
        place: Option<String>,
        /// The garden, where two have a place of one id
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// The moment to answer for, if not now
        #[arg(long, value_name = "TIME")]
        at: Option<jiff::Timestamp>,
    },
    /// Write down what people saw or did: a water test, mulch laid, planting, harvest, fish
    Log {
        #[command(subcommand)]
        entry: commands::log::Entry,
    },
    /// Who is told what, how and when; with --test, whether a message reaches a group
    Tell {
        /// Send a test message by every address of this group, and say what happened
        #[arg(long, value_name = "GROUP")]
        test: Option<String>,
        /// One garden only
        #[arg(long, value_name = "ID")]
        site: Option<String>,
    },
    /// A month for a class in one folder: a page, a spreadsheet, CSV with a dictionary
    Report {
        /// The month, such as 2026-04
        #[arg(long, value_name = "MONTH")]
        month: String,
        /// The garden, where there are several
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// A bed to compare with another; given twice. Without it, the pair that says most
        #[arg(long = "bed", value_name = "ID")]
        beds: Vec<String>,
        /// The folder to make; without it, report-SITE-MONTH
        #[arg(long, value_name = "FOLDER")]
        out: Option<PathBuf>,
        /// Replace a report's folder that is there
        #[arg(long)]
        replace: bool,
        /// Leave out the notes that people wrote in the log
        #[arg(long)]
        without_notes: bool,
    },
    /// Stored readings, or their hours or days, as CSV, spreadsheet or line protocol
    Export {
        /// Only these sensors; may be repeated
        #[arg(long = "sensor", value_name = "ID")]
        sensors: Vec<String>,
        /// One garden only
        #[arg(long, value_name = "ID")]
        site: Option<String>,
        /// From here: a date or a date and time on the garden's clock, or RFC 3339
        #[arg(long, value_name = "TIME")]
        from: Option<String>,
        /// To here
        #[arg(long, value_name = "TIME")]
        to: Option<String>,
        /// Each reading, or hours or days of the garden's clock with how good they are
        #[arg(long, value_enum, default_value = "raw")]
        step: StepChoice,
        /// How to write them; a spreadsheet (xlsx) needs --out
        #[arg(long, value_enum, default_value = "csv")]
        format: FormatChoice,
        /// Into this file; without it, to standard output
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
}

/// What is answered, and what is said with it.
#[derive(clap::Args)]
struct Answered {
    /// The alarm, such as dry-bed/kitchen-bed
    #[arg(value_name = "KIND/PLACE")]
    alarm: String,
    /// A line to keep with the answer, at most 500 characters; no names of children
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
}

#[derive(Subcommand)]
enum Answer {
    /// Mark an alarm as seen: somebody has taken it on
    Ack {
        #[command(flatten)]
        answered: Answered,
    },
    /// Say that all is well, of an alarm that stays after its end because harm may be done
    Reset {
        #[command(flatten)]
        answered: Answered,
    },
    /// Put an alarm aside for a while; nobody is told of it
    Shelve {
        #[command(flatten)]
        answered: Answered,
        /// How long: 90m, 2h, 3d
        #[arg(long, value_name = "TIME")]
        r#for: String,
        /// Only until its condition is over, if that comes first
        #[arg(long)]
        once: bool,
    },
    /// Take an alarm up again that was put aside
    Unshelve {
        #[command(flatten)]
        answered: Answered,
    },
    /// Switch an alarm off until it is put back
    Off {
        #[command(flatten)]
        answered: Answered,
    },
    /// Put an alarm back that was switched off
    On {
        #[command(flatten)]
        answered: Answered,
    },
    /// Write a line beside an open alarm: what was found or done; no names of children
    Note {
        /// The alarm, such as dry-bed/kitchen-bed
        #[arg(value_name = "KIND/PLACE")]
        alarm: String,
        /// At most 500 characters; it is kept and shown with the alarm
        #[arg(value_name = "TEXT")]
        text: String,
    },
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum FormatChoice {
    Csv,
    LineProtocol,
    Xlsx,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum StepChoice {
    Raw,
    Hour,
    Day,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum ClockChoice {
    Arrival,
    Readings,
}

#[cfg(feature = "demo")]
fn scenarios() -> clap::builder::PossibleValuesParser {
    garden_simulator::SCENARIOS.map(|(name, _)| name).into()
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if (0.1..=100_000.0).contains(&n) => Ok(n),
        _ => Err(format!("{text:?} is not a number from 0.1 to 100000")),
    }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match run(arguments) {
        Ok(code) => ExitCode::from(code),
        // Whoever reads our output has seen enough.
        Err(error) if is_broken_pipe(&error) => ExitCode::from(YES),
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::from(FAILED)
        }
    }
}

fn run(arguments: Arguments) -> anyhow::Result<u8> {
    let Arguments { config, json, command } = arguments;
    let mut out = std::io::stdout().lock();
    match command {
        Command::Password => commands::password::run(&mut out),
        Command::Check => Ok(commands::check::run(&config, settings::variables(), json, &mut out)?),
        // Without a sensor it needs no configuration.
        Command::Calibrate { sensor: None, site, raw, value, file } => {
            let calibrate = commands::calibrate::Calibrate { file, sensor: None, site, raw, value, json };
            commands::calibrate::run(None, &calibrate, &mut out)
        }
        #[cfg(feature = "demo")]
        Command::Demo { r#for, speed, scenario, seed, keep } => {
            drop(out);
            commands::telemetry::start(None);
            let demo = commands::demo::Demo { for_s: r#for, speed, scenario, seed, keep };
            runtime()?.block_on(commands::demo::run(demo))?;
            Ok(YES)
        }
        other => match settings::load(&config, settings::variables()) {
            Ok(settings) => with_settings(other, settings, json),
            Err(faults) => {
                writeln!(std::io::stderr(), "{faults}\n\nthe configuration has faults; nothing was started")?;
                Ok(WRONG_INPUT)
            }
        },
    }
}

fn with_settings(command: Command, settings: Settings, json: bool) -> anyhow::Result<u8> {
    if let Command::Run { clock } = command {
        commands::telemetry::start(Some(settings.log));
        let clock = match clock {
            ClockChoice::Arrival => Clock::Arrival,
            ClockChoice::Readings => Clock::Readings,
        };
        runtime()?.block_on(commands::run::run(settings, clock))?;
        return Ok(YES);
    }
    let mut out = std::io::stdout().lock();
    match command {
        Command::Import { sensors, site, time, value, utc_offset, time_format, files } => {
            let import =
                commands::import::Import { files, sensors, site, time, value, utc_offset, time_format, json };
            commands::import::run(&settings, &import, &mut out)
        }
        Command::Calibrate { sensor, site, raw, value, file } => {
            let calibrate = commands::calibrate::Calibrate { file, sensor, site, raw, value, json };
            commands::calibrate::run(Some(&settings), &calibrate, &mut out)
        }
        Command::Mulch { bed, site, at } => {
            let now = at.unwrap_or_else(trug::engine::system_now);
            commands::mulch::run(&settings, site.as_deref(), &bed, now, json, &mut out)
        }
        Command::Acclimatise { asked } => {
            let now = asked.at.unwrap_or_else(trug::engine::system_now);
            commands::acclimatise::run(&settings, &asked, now, json, &mut out)
        }
        Command::Why { place, site, at } => {
            let now = at.unwrap_or_else(trug::engine::system_now);
            commands::why::run(&settings, site.as_deref(), place.as_deref(), now, json, &mut out)
        }
        Command::Log { entry } => {
            commands::log::run(&settings, entry, trug::engine::system_now(), json, &mut out)
        }
        Command::Alarms { site, answer: Some(answer), .. } => {
            use commands::answer::Answer as Given;
            let (answered, given) = match answer {
                Answer::Ack { answered } => (answered, Given::Acknowledge),
                Answer::Reset { answered } => (answered, Given::Reset),
                Answer::Shelve { answered, r#for: length, once } => {
                    (answered, Given::Shelve { length, once })
                }
                Answer::Unshelve { answered } => (answered, Given::Unshelve),
                Answer::Off { answered } => (answered, Given::TakeOut),
                Answer::On { answered } => (answered, Given::PutBack),
                Answer::Note { alarm, text } => (Answered { alarm, note: Some(text) }, Given::Note),
            };
            let Answered { alarm, note } = answered;
            let (site, note) = (site.as_deref(), note.as_deref());
            commands::answer::run(&settings, site, &alarm, &given, note, json, &mut out)
        }
        Command::Alarms { site, from, to, figures, answer: None } => {
            let alarms = commands::alarms::Alarms { site, from, to, figures, json };
            commands::alarms::run(&reader(&settings)?, &settings.gardens, &alarms, &mut out)
        }
        Command::Messages { site, from, to } => {
            let messages = commands::messages::Messages { site, from, to, json };
            let now = trug::engine::system_now();
            commands::messages::run(&reader(&settings)?, &settings.gardens, &messages, now, &mut out)
        }
        Command::Tell { test, site } => {
            let asked = commands::tell::Asked { test, site, json };
            runtime()?.block_on(commands::tell::run(&settings, &asked, trug::engine::system_now, &mut out))
        }
        Command::Report { month, site, beds, out: folder, replace, without_notes } => {
            let report =
                commands::report::Report { month, site, beds, out: folder, replace, without_notes, json };
            let now = trug::engine::system_now();
            commands::report::run(&reader(&settings)?, &settings.gardens, &report, now, &mut out)
        }
        Command::Export { sensors, site, from, to, step, format, out: file } => {
            let format = match format {
                FormatChoice::Csv => commands::export::Format::Csv,
                FormatChoice::LineProtocol => commands::export::Format::LineProtocol,
                FormatChoice::Xlsx => commands::export::Format::Xlsx,
            };
            let step = match step {
                StepChoice::Raw => trug::history::Step::Raw,
                StepChoice::Hour => trug::history::Step::Hour,
                StepChoice::Day => trug::history::Step::Day,
            };
            let export = commands::export::Export { sensors, site, from, to, format, step };
            let reader = reader(&settings)?;
            commands::export::run(&reader, &settings.gardens, &export, file.as_deref(), json, &mut out)
        }
        Command::Run { .. } | Command::Check | Command::Password => {
            anyhow::bail!("this command has been handled")
        }
        #[cfg(feature = "demo")]
        Command::Demo { .. } => anyhow::bail!("this command has been handled"),
    }
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .chain()
        .filter_map(|e| e.downcast_ref::<std::io::Error>())
        .any(|e| e.kind() == std::io::ErrorKind::BrokenPipe)
}

fn reader(settings: &Settings) -> anyhow::Result<trug::store::Reader> {
    trug::store::Reader::open(&settings.store.path).context("opening the store")
}

fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread().enable_all().build()?)
}
