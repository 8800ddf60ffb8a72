//! How a command ends: its exit code, and where what went wrong is told.

use std::io::{self, Write};
use std::process::ExitCode;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// It did it, and the answer is yes.
    Yes,
    /// It did it, and the answer is no.
    No,
    /// The input or the configuration is wrong.
    WrongInput,
    /// Something failed while running.
    Failed,
}

impl Exit {
    /// The process's exit code.
    pub fn code(self) -> u8 {
        match self {
            Self::Yes => 0,
            Self::No => 1,
            Self::WrongInput => 2,
            Self::Failed => 3,
        }
    }

    /// Yes or no.
    pub(super) fn yes_if(yes: bool) -> Self {
        if yes { Self::Yes } else { Self::No }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        exit.code().into()
    }
}

/// A request that is wrong, in plain words for the person who made it.
#[derive(Debug, thiserror::Error)]
#[error("{text}")]
pub struct WrongInput {
    text: String,
    /// Whether it is told on standard error, since standard output may go to a program.
    beside: bool,
}

impl WrongInput {
    /// Told where the command's answer would stand.
    pub(super) fn new(text: impl Into<String>) -> Self {
        Self { text: text.into(), beside: false }
    }

    /// Told on standard error.
    pub fn beside(text: impl Into<String>) -> Self {
        Self { text: text.into(), beside: true }
    }
}

/// Tells what went wrong, if anything did, and returns how the command ended. `out` is
/// the command's output.
pub fn finish(outcome: anyhow::Result<Exit>, out: &mut dyn Write) -> Exit {
    let told = outcome.or_else(|error| {
        let wrong = error.downcast::<WrongInput>()?;
        if wrong.beside {
            writeln!(io::stderr(), "{wrong}")?
        } else {
            writeln!(out, "{wrong}")?
        }
        Ok(Exit::WrongInput)
    });
    told.unwrap_or_else(|error: anyhow::Error| {
        // The program that reads our output has read enough.
        if is_broken_pipe(&error) {
            return Exit::Yes;
        }
        eprintln!("error: {error:#}");
        Exit::Failed
    })
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().filter_map(|e| e.downcast_ref::<io::Error>()).any(|e| e.kind() == io::ErrorKind::BrokenPipe)
}
