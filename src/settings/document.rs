//! One configuration file as a tree whose every part knows its line.
//!
//! A [`Table`](super::table::Table) is asked for its keys one by one; what was never asked for is
//! unknown and becomes a fault when the table is finished. An environment
//! variable stands in front of the file's own value. Nothing here stops at a
//! fault: each is noted and the reader goes on.

use std::cell::RefCell;

use toml::de::DeTable;

use super::environment::{Scope, Variable};
use super::fault::Fault;

/// What is shared by all parts of one document.
pub(super) struct Document<'d> {
    /// The file as it is named to people.
    file: String,
    /// Byte offsets at which lines begin.
    lines: Vec<usize>,
    pub(super) env: Scope<'d>,
    faults: RefCell<Vec<Fault>>,
    /// Faults with which the daemon runs all the same.
    borne: RefCell<Vec<Fault>>,
    /// Paths of the keys that were asked for, where they are noted.
    asked: Option<RefCell<Vec<String>>>,
}

/// Where a value stands.
#[derive(Clone, Copy)]
pub(super) enum Origin<'d> {
    /// At a byte offset of the file.
    File(usize),
    Variable(&'d Variable),
}

impl Origin<'_> {
    /// The origin of a part at byte `at` of a value with this origin.
    pub(super) fn inner(self, at: usize) -> Self {
        match self {
            Self::File(_) => Self::File(at),
            Self::Variable(_) => self,
        }
    }
}

/// What a key wants, which decides how a variable's text is read.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Want {
    /// The text itself.
    Text,
    /// A number, `true`, a date; anything else stays text.
    Value,
    /// A list: in brackets, or words with commas between.
    List,
    /// A table or list in brackets; anything else stays text.
    TextOrTable,
}

impl<'d> Document<'d> {
    /// A document of `text`, named `file`.
    pub(super) fn new(file: &str, text: &str, env: Scope<'d>) -> Self {
        let after_newlines = text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(at, _)| at + 1);
        Self {
            file: file.to_owned(),
            lines: std::iter::once(0).chain(after_newlines).collect(),
            env,
            faults: RefCell::default(),
            borne: RefCell::default(),
            asked: None,
        }
    }

    /// The same document, which notes the path of each key that it is asked for.
    pub(super) fn noting(mut self, notes: bool) -> Self {
        self.asked = notes.then(RefCell::default);
        self
    }

    /// Notes that somebody asked for the key at a path.
    pub(super) fn note_asked(&self, path: &str) {
        if let Some(asked) = &self.asked {
            asked.borrow_mut().push(path.to_owned());
        }
    }

    /// The paths of the keys that were asked for, if they were noted.
    pub(super) fn asked(&self) -> Vec<String> {
        self.asked.as_ref().map_or_else(Vec::new, |asked| asked.borrow().clone())
    }

    /// Notes a fault that belongs to no single value.
    pub(super) fn push(&self, fault: Fault) {
        self.faults.borrow_mut().push(fault);
    }

    /// How many faults there are so far.
    pub(super) fn fault_count(&self) -> usize {
        self.faults.borrow().len()
    }

    /// The faults so far, and those with which the daemon runs all the same.
    pub(super) fn into_faults(self) -> (Vec<Fault>, Vec<Fault>) {
        (self.faults.into_inner(), self.borne.into_inner())
    }

    /// Notes a fault at `origin`.
    pub(super) fn fault(
        &self,
        origin: Origin<'_>,
        key: &str,
        given: String,
        accepted: &str,
        near: Option<String>,
    ) {
        let (file, line) = self.file_and_line(origin);
        let (key, accepted) = (key.to_owned(), accepted.to_owned());
        self.push(Fault { file, line, key, given, accepted, nearest: near });
    }

    /// Notes a fault with which the daemon runs all the same: what is written is how the
    /// garden is, and the garden should be otherwise.
    pub(super) fn borne_fault(&self, origin: Origin<'_>, key: &str, given: String, accepted: &str) {
        let (file, line) = self.file_and_line(origin);
        let (key, accepted) = (key.to_owned(), accepted.to_owned());
        self.borne.borrow_mut().push(Fault { file, line, key, given, accepted, nearest: None });
    }

    /// The file, or the variable in its place, and the line.
    pub(super) fn file_and_line(&self, origin: Origin<'_>) -> (String, Option<usize>) {
        match origin {
            Origin::File(at) => (self.file.clone(), Some(self.line(at))),
            Origin::Variable(variable) => (format!("environment variable {}", variable.name), None),
        }
    }

    fn line(&self, at: usize) -> usize {
        self.lines.partition_point(|start| *start <= at)
    }
}

/// Parses the text of `file`.
///
/// # Errors
///
/// When it is not TOML: a fault for each place where it is not.
pub(super) fn parse<'t>(file: &str, text: &'t str) -> Result<DeTable<'t>, Vec<Fault>> {
    let (tree, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Ok(tree.into_inner());
    }
    let fault = |error: &toml::de::Error| {
        let at = error.span().map_or(0, |span| span.start);
        let before = text.as_bytes().get(..at).unwrap_or(text.as_bytes());
        let (line, column) = position(before);
        Fault {
            file: file.to_owned(),
            line: Some(line),
            key: String::new(),
            given: format!("text that is not TOML at column {column}"),
            accepted: format!("TOML ({})", shortened_message(error.message())),
            nearest: None,
        }
    };
    Err(errors.iter().map(fault).collect())
}

/// Line and column, from 1, of what comes after `before`.
pub(super) fn position(before: &[u8]) -> (usize, usize) {
    let line = before.iter().filter(|b| **b == b'\n').count() + 1;
    let start = before.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
    let column = String::from_utf8_lossy(before.get(start..).unwrap_or_default()).chars().count() + 1;
    (line, column)
}

/// The parser's message on one line.
fn shortened_message(message: &str) -> String {
    message.lines().collect::<Vec<_>>().join(", ")
}

/// The dotted path of `key` below `path`.
pub(super) fn join(path: &str, key: &str) -> String {
    if path.is_empty() {
        key.to_owned()
    } else if key.is_empty() {
        path.to_owned()
    } else {
        format!("{path}.{key}")
    }
}
