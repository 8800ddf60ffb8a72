//! Trug listens to a school garden's sensors, judges them by the rules of the
//! trade, tells the right person in plain words, and keeps the record.
//!
//! A reading goes one way: [`intake`] → [`decode`] → [`calibration`] → [`quality`] →
//! [`garden`] → [`store`], and only then is the broker told. The rooms stand in one
//! order, in which an import only points down; from [`report`] down they are pure:
//! values and a time in, values out.

// Lets unit tests share the integration tests' support files.
#[cfg(test)]
extern crate self as trug;

pub mod alarms;
pub mod analysis;
pub mod answering;
pub mod calibration;
pub mod chart;
pub mod commands;
pub mod decode;
pub mod deliver;
pub mod engine;
pub mod evapotranspiration;
pub mod export;
pub mod garden;
pub mod history;
pub mod intake;
pub mod model;
pub mod outlook;
pub mod page;
pub mod password;
pub mod quality;
pub mod rain;
pub mod report;
pub mod settings;
pub mod soil;
pub mod store;
pub mod tank;
pub mod telling;
pub mod text;
pub mod watering;
pub mod why;
