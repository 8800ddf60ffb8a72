//! One file for each command: its arguments, and `run`, which answers them.

pub mod acclimatise;
pub mod alarms;
pub mod answer;
pub mod arguments;
pub mod backup;
pub mod calibrate;
pub mod check;
pub mod compact;
mod csv_file;
pub mod daemon;
mod days_asked;
#[cfg(feature = "demo")]
pub mod demo;
pub mod exit;
pub mod export;
pub mod figures;
pub mod forward;
pub mod import;
pub mod keys;
mod local_out;
pub mod log;
pub mod look_over;
pub mod messages;
pub mod mulch;
pub mod new_garden;
pub mod password;
pub mod reload;
pub mod replay;
pub mod report;
pub mod run;
pub mod shared;
pub mod telemetry;
pub mod tell;
pub mod watch;
pub mod water;
pub mod why;
