//! Writes the manual pages and the shells' completions, from the definitions of the command line.
//!
//!     cargo run --example manual -- FOLDER
//!
//! makes `FOLDER/man/trug.1`, one page for each command, and `FOLDER/completions/` for bash, zsh and fish.

use std::path::PathBuf;

use anyhow::Context as _;
use clap::{Command, CommandFactory as _};
use clap_complete::Shell;
use trug::commands::arguments::ProgramArguments;

fn main() -> anyhow::Result<()> {
    let folder = PathBuf::from(std::env::args_os().nth(1).context("a folder is wanted")?);
    let (man, completions) = (folder.join("man"), folder.join("completions"));
    for folder in [&man, &completions] {
        std::fs::create_dir_all(folder).with_context(|| format!("making {}", folder.display()))?;
    }

    let mut program = ProgramArguments::command();
    program.build();
    pages(&program, &man)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut program, "trug", &completions)?;
    }
    Ok(())
}

/// The page of `command` and of all below it: `trug.1`, `trug-alarms.1`, `trug-alarms-ack.1`.
fn pages(command: &Command, folder: &std::path::Path) -> anyhow::Result<()> {
    clap_mangen::Man::new(command.clone().disable_help_subcommand(true)).generate_to(folder)?;
    for below in command.get_subcommands().filter(|it| it.get_name() != "help") {
        pages(below, folder)?;
    }
    Ok(())
}
