//! The trug program: reads the command line, loads the settings and calls one command.

use std::io::{Write, stderr, stdout};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use trug::commands::exit::{Exit, WrongInput, finish, finish_usage};
use trug::commands::{self, shared::reader};
use trug::engine::system_now;
use trug::settings;

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
    Run(commands::run::Run),
    /// A whole school garden in one process, with a month behind it; nothing to install
    #[cfg(feature = "demo")]
    Demo(commands::demo::Demo),
    /// Make the line for the page's password file, from a password on the terminal or standard input
    Password,
    /// Read the configuration and say what is in it, or every fault
    Check(commands::check::CheckArgs),
    /// Take loggers' past readings from CSV files
    Import(commands::import::Import),
    /// Stored raw readings through today's calibration and rules: what differs; --apply writes it
    Replay(commands::replay::ReplayArgs),
    /// Fit a calibration to pairs of raw numbers and reference values
    Calibrate(commands::calibrate::Calibrate),
    /// Present alarms, their history with --from and --to, or how they do with --figures
    Alarms(commands::alarms::AlarmsArgs),
    /// What was told to whom, when and by which way, what waits, and what nobody would take
    Messages(commands::messages::Messages),
    /// A whole copy of the record in one file, while trug runs; a plain copy would lose the newest
    Backup(commands::backup::BackupArgs),
    /// Put a backup in the place of the record, which is moved aside; trug must be stopped
    Restore(commands::backup::RestoreArgs),
    /// How sending readings on to other servers goes; send again what they refused, or past days
    Forward(commands::forward::ForwardArgs),
    /// May mulch go down on a bed today, and how many litres does it take
    Mulch(commands::mulch::MulchArgs),
    /// New fish in their bag: how long it floats, when tank water goes in, when they are let go
    Acclimatise(commands::acclimatise::Acclimatise),
    /// Every figure of a place: the equation with its numbers, the source, the check
    Why(commands::why::WhyArgs),
    /// Write down what people saw or did: a water test, mulch laid, planting, harvest, fish
    Log(commands::log::LogArgs),
    /// Who is told what, how and when; with --test, whether a message reaches a group
    Tell(commands::tell::TellArgs),
    /// A month for a class in one folder: a page, a spreadsheet, CSV with a dictionary
    Report(commands::report::Report),
    /// Litres given beside litres needed, bed by bed, over a term or other days
    Water(commands::water::Water),
    /// Stored readings, or their hours or days, as CSV, spreadsheet or line protocol
    Export(commands::export::Export),
}

fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return finish_usage(&error, std::env::args_os().any(|it| it == "--json")).into(),
    };
    let (mut out, as_json) = (stdout(), arguments.json);
    let outcome = run(arguments, &mut out);
    finish(outcome, as_json, &mut out).into()
}

fn run(Arguments { config, json, command }: Arguments, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let load = || {
        let settings = settings::load(&config, settings::variables()).map_err(|faults| {
            WrongInput::beside(format!("{faults}\n\nthe configuration has faults; nothing was started"))
        })?;
        if let Some(borne) = &settings.borne {
            // Where nobody reads it, `trug check` says it.
            let _ =
                writeln!(stderr(), "{borne}\n\nthis should be otherwise; Trug goes on with it as it is\n");
        }
        Ok::<_, WrongInput>(settings)
    };
    match command {
        Command::Run(it) => runtime()?.block_on(commands::run::run(load()?, it)),
        #[cfg(feature = "demo")]
        Command::Demo(it) => runtime()?.block_on(commands::demo::run(it)),
        Command::Password => commands::password::run(out),
        Command::Check(it) => {
            let live = it.live.then(system_now);
            commands::check::run_at(&config, settings::variables(), live, json, out)
        }
        Command::Import(it) => commands::import::run(&load()?, &it, out),
        Command::Replay(it) => commands::replay::run(&load()?, &it, system_now(), out),
        Command::Calibrate(it) => {
            // Without a sensor it needs no configuration.
            let settings = it.sensor.is_some().then(load).transpose()?;
            commands::calibrate::run(settings.as_ref(), &it, out)
        }
        Command::Alarms(it) => {
            let settings = load()?;
            match &it.reply {
                Some(reply) => commands::answer::run(&settings, it.site.as_deref(), reply, it.json, out),
                None => commands::alarms::run(&reader(&settings)?, &settings.gardens, &it, out),
            }
        }
        Command::Messages(it) => {
            let settings = load()?;
            commands::messages::run(&reader(&settings)?, &settings.gardens, &it, system_now(), out)
        }
        Command::Backup(it) => commands::backup::back_up_to(&load()?, &it, out),
        Command::Restore(it) => commands::backup::restore(&load()?, &it, system_now(), out),
        Command::Forward(it) => {
            let settings = load()?;
            let reader = reader(&settings)?;
            runtime()?.block_on(commands::forward::run(&settings, &reader, &it, system_now(), out))
        }
        Command::Mulch(it) => commands::mulch::run(&load()?, &it, out),
        Command::Acclimatise(it) => commands::acclimatise::run(&load()?, &it, out),
        Command::Why(it) => commands::why::run(&load()?, &it, out),
        Command::Log(it) => commands::log::run(&load()?, it, system_now(), out),
        Command::Tell(it) => runtime()?.block_on(commands::tell::run(&load()?, &it, system_now, out)),
        Command::Report(it) => {
            let settings = load()?;
            commands::report::run(&reader(&settings)?, &settings.gardens, &it, system_now(), out)
        }
        Command::Water(it) => {
            let settings = load()?;
            commands::water::run(&reader(&settings)?, &settings.gardens, &it, system_now(), out)
        }
        Command::Export(it) => {
            let settings = load()?;
            commands::export::run(&reader(&settings)?, &settings.gardens, &it, out)
        }
    }
}

fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread().enable_all().build()?)
}
