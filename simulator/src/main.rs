//! `garden-simulator`: plays scenarios to a broker, writes them to files, and
//! makes load.

mod program;

use std::process::ExitCode;

use clap::Parser;

use program::{delay, echo, load, run, sink};

/// A simulated school garden that speaks MQTT and writes down what truly happened.
#[derive(Parser)]
#[command(name = "garden-simulator", version)]
enum Command {
    /// Lists the scenarios that are built in.
    Scenarios,
    /// Plays a scenario to a broker, at QoS 1 and in order.
    Run(run::Run),
    /// Writes a scenario's messages and its truth to files, without a broker.
    Write(run::Write),
    /// Sends plain readings of many sites at a steady rate.
    Load(load::Load),
    /// Receives and acknowledges, and does nothing else: a measure to compare with.
    Sink(sink::Sink),
    /// Answers each message on another topic: a measure to compare with.
    Echo(echo::Echo),
    /// Measures how long after a message its answer is at the broker.
    Delay(delay::Delay),
}

fn main() -> ExitCode {
    let done = match Command::parse() {
        Command::Scenarios => run::list(),
        Command::Run(run) => run.play(),
        Command::Write(write) => write.play(),
        Command::Load(load) => load.play(),
        Command::Sink(sink) => sink.play(),
        Command::Echo(echo) => echo.play(),
        Command::Delay(delay) => delay.play(),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            // A refused input is told from a failure while running.
            if error.is::<program::Refused>() { ExitCode::from(2) } else { ExitCode::from(3) }
        }
    }
}
