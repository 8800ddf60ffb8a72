//! The command line as a whole: what goes before every command, and the list of commands.

use std::path::{Path, PathBuf};

use clap::{Parser, Subcommand};

/// Where an installed program keeps its file.
const INSTALLED: &str = "/etc/trug/trug.toml";
/// Where it stands in a copy of the source.
const BESIDE_THE_SOURCE: &str = "config/trug.toml";

/// Listens to a school garden's sensors, judges them, tells people, keeps the record.
#[derive(Parser)]
#[command(name = "trug", version, about, max_term_width = 100)]
pub struct ProgramArguments {
    /// The daemon's file, from which garden files are found [default: /etc/trug/trug.toml where it
    /// exists, else config/trug.toml]
    #[arg(long, global = true, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Print JSON for programs
    #[arg(long, global = true)]
    pub json: bool,
    #[command(subcommand)]
    pub command: ProgramCommand,
}

#[derive(Subcommand)]
pub enum ProgramCommand {
    /// The daemon: listens until it is told to stop
    Run(super::run::Run),
    /// A whole school garden in one process, with a month behind it; nothing to install
    #[cfg(feature = "demo")]
    Demo(super::demo::Demo),
    /// Make the line for the page's password file, from a password on the terminal or standard input
    Password,
    /// Describe a new garden by questions or flags: writes its commented file
    NewGarden(Box<super::new_garden::NewGarden>),
    /// Every key of trug.toml and of a garden's file: what it accepts, and what it is for
    Keys(super::keys::Keys),
    /// Read the configuration and say what is in it, or every fault
    Check(super::check::CheckArgs),
    /// Have the running daemon use a changed configuration; one with faults is refused
    Reload(super::reload::ReloadArgs),
    /// Look at broker, record, clocks, sensors and ways of telling: what is wrong and what to do, worst first
    LookOver(super::look_over::LookOverArgs),
    /// Readings as they come from the broker, raw and calibrated, one line each
    Watch(super::watch::WatchArgs),
    /// Take loggers' past readings from CSV files
    Import(super::import::Import),
    /// Stored raw readings through today's calibration and rules: what differs; --apply writes it
    Replay(super::replay::ReplayArgs),
    /// Fit a calibration to pairs of raw numbers and reference values
    Calibrate(super::calibrate::Calibrate),
    /// Present alarms, their history with --from and --to, or how they do with --figures
    Alarms(super::alarms::AlarmsArgs),
    /// What was told to whom, when and by which way, what waits, and what nobody would take
    Messages(super::messages::Messages),
    /// A whole copy of the record in one file, while trug runs; a plain copy would lose the newest
    Backup(super::backup::BackupArgs),
    /// Put a backup in the place of the record, which is moved aside; trug must be stopped
    Restore(super::backup::RestoreArgs),
    /// Give room back to the disk: old readings go into daily figures, and the record is written again
    /// without gaps; trug must be stopped
    Compact(super::compact::CompactArgs),
    /// How sending readings on to other servers goes; send again what they refused, or past days
    Forward(super::forward::ForwardArgs),
    /// May mulch go down on a bed today, and how many litres does it take
    Mulch(super::mulch::MulchArgs),
    /// New fish in their bag: how long it floats, when tank water goes in, when they are let go
    Acclimatise(super::acclimatise::Acclimatise),
    /// Every figure of a place: the equation with its numbers, the source, the check
    Why(super::why::WhyArgs),
    /// Write down what people saw or did: a water test, mulch laid, planting, harvest, fish
    Log(super::log::LogArgs),
    /// Who is told what, how and when; with --test, whether a message reaches a group
    Tell(super::tell::TellArgs),
    /// A month for a class in one folder: a page, a spreadsheet, CSV with a dictionary
    Report(super::report::Report),
    /// Litres given beside litres needed, bed by bed, over a term or other days
    Water(super::water::Water),
    /// Stored readings, or their hours or days, as CSV, spreadsheet or line protocol
    Export(super::export::Export),
}

impl ProgramArguments {
    /// The daemon's file: the one that was named, else the installed one, else the one beside the source.
    #[must_use]
    pub fn config_file(&self) -> PathBuf {
        config_file(self.config.as_deref(), Path::new(INSTALLED))
    }
}

fn config_file(named: Option<&Path>, installed: &Path) -> PathBuf {
    match named {
        Some(named) => named.to_path_buf(),
        // A folder that may not be read is said by whoever opens the file.
        None if installed.try_exists().unwrap_or(true) => installed.to_path_buf(),
        None => PathBuf::from(BESIDE_THE_SOURCE),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_installed_file_is_taken_where_none_is_named() {
        let folder = tempfile::tempdir().expect("a folder");
        let installed = folder.path().join("trug.toml");
        assert_eq!(config_file(None, &installed), Path::new(BESIDE_THE_SOURCE));
        std::fs::write(&installed, "").expect("written");
        assert_eq!(config_file(None, &installed), installed);
        assert_eq!(config_file(Some(Path::new("my.toml")), &installed), Path::new("my.toml"));
    }
}
