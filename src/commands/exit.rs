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
/// the command's output; with `as_json` the words are in a JSON object.
pub fn finish(outcome: anyhow::Result<Exit>, as_json: bool, out: &mut dyn Write) -> Exit {
    let told = outcome.or_else(|error| {
        let wrong = error.downcast::<WrongInput>()?;
        let text = shaped(&wrong.text, Exit::WrongInput, as_json);
        if wrong.beside {
            // Where nobody reads it, the exit code still says it.
            let _ = writeln!(io::stderr(), "{text}");
        } else {
            writeln!(out, "{text}")?
        }
        Ok(Exit::WrongInput)
    });
    told.unwrap_or_else(|error: anyhow::Error| {
        // The program that reads our output has read enough.
        if is_broken_pipe(&error) {
            return Exit::Yes;
        }
        let text = format!("{error:#}");
        let text = if as_json { shaped(&text, Exit::Failed, true) } else { format!("error: {text}") };
        let _ = writeln!(io::stderr(), "{text}");
        Exit::Failed
    })
}

/// Tells that the command line itself is wrong, as [`finish`] does.
pub fn finish_usage(error: &clap::Error, as_json: bool) -> Exit {
    if !error.use_stderr() {
        // Help or the version was asked for.
        let _ = error.print();
        return Exit::Yes;
    }
    if as_json {
        let text = error.render().to_string();
        let _ = writeln!(io::stderr(), "{}", shaped(text.trim_end(), Exit::WrongInput, true));
    } else {
        let _ = error.print();
    }
    Exit::WrongInput
}

/// Words as people or as programs read them.
fn shaped(text: &str, exit: Exit, as_json: bool) -> String {
    if !as_json {
        return text.to_owned();
    }
    let error = if exit == Exit::Failed { "failed" } else { "wrong input" };
    serde_json::json!({ "error": error, "text": text, "exit_code": exit.code() }).to_string()
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().filter_map(|e| e.downcast_ref::<io::Error>()).any(|e| e.kind() == io::ErrorKind::BrokenPipe)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(outcome: anyhow::Result<Exit>, as_json: bool) -> (Exit, String) {
        let mut out = Vec::new();
        let exit = finish(outcome, as_json, &mut out);
        (exit, String::from_utf8(out).expect("UTF-8"))
    }

    #[test]
    fn wrong_input_is_json_where_json_was_asked_for() {
        let wrong = || Err(WrongInput::new("no bed is called \"x\"").into());
        assert_eq!(told(wrong(), false), (Exit::WrongInput, "no bed is called \"x\"\n".to_owned()));
        let (exit, text) = told(wrong(), true);
        let json: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(exit, Exit::WrongInput);
        assert_eq!(
            json,
            serde_json::json!({ "error": "wrong input", "text": "no bed is called \"x\"", "exit_code": 2 })
        );
    }

    #[test]
    fn a_reader_that_has_gone_is_no_fault() {
        let gone = io::Error::from(io::ErrorKind::BrokenPipe);
        assert_eq!(told(Err(anyhow::Error::from(gone).context("writing")), true), (Exit::Yes, String::new()));
    }
}
