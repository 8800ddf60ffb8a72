//! The trug program: reads the command line, loads the settings and calls one command.

use std::io::{Write, stderr, stdout};
use std::process::ExitCode;

use clap::Parser as _;
use trug::commands::arguments::{ProgramArguments, ProgramCommand as Command};
use trug::commands::exit::{Exit, WrongInput, finish, finish_usage};
use trug::commands::{self, shared::reader};
use trug::engine::system_now;
use trug::settings;

fn main() -> ExitCode {
    let arguments = match ProgramArguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return finish_usage(&error, std::env::args_os().any(|it| it == "--json")).into(),
    };
    let (mut out, as_json) = (stdout(), arguments.json);
    let outcome = run(arguments, &mut out);
    finish(outcome, as_json, &mut out).into()
}

fn run(arguments: ProgramArguments, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let config = arguments.config_file();
    let ProgramArguments { json, command, .. } = arguments;
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
        Command::Run(it) => runtime()?.block_on(commands::run::run(load()?, &config, it)),
        #[cfg(feature = "demo")]
        Command::Demo(it) => runtime()?.block_on(commands::demo::run(it)),
        Command::Password => commands::password::run(out),
        Command::NewGarden(it) => commands::new_garden::run_here(&config, &it, out),
        Command::Keys(it) => commands::keys::run(&it, out),
        Command::Check(it) => {
            let live = it.live.then(system_now);
            commands::check::run(&config, settings::variables(), live, json, out)
        }
        Command::Reload(it) => commands::reload::run(&config, settings::variables(), it, json, out),
        Command::LookOver(it) => {
            let looking = commands::look_over::run(&config, settings::variables(), it, system_now, json, out);
            runtime()?.block_on(looking)
        }
        Command::Watch(it) => runtime()?.block_on(commands::watch::run(&load()?, &it, system_now, json, out)),
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
        Command::Compact(it) => commands::compact::run(&load()?, &it, system_now(), out),
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
