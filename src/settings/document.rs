//! One configuration file as a tree whose every part knows its line.
//!
//! A [`Table`] is asked for its keys one by one; what was never asked for is
//! unknown and becomes a fault when the table is finished. An environment
//! variable stands in front of the file's own value. Nothing here stops at a
//! fault: each is noted and the reader goes on.

use std::borrow::Cow;
use std::cell::RefCell;
use std::ops::{Range as Span, RangeInclusive};

use toml::Spanned;
use toml::de::{DeTable, DeValue};
use toml::value::{Date, Datetime};

use super::environment::{Scope, Variable};
use super::fault::{Fault, any_of, nearest, quoted, shortened};
use super::range::Range;

/// What is shared by all parts of one document.
pub(super) struct Document<'d> {
    /// The file as it is named to people.
    pub(super) file: String,
    /// Byte offsets at which lines begin.
    lines: Vec<usize>,
    env: Scope<'d>,
    faults: RefCell<Vec<Fault>>,
}

/// Where a value stands.
#[derive(Clone, Copy)]
enum Origin<'d> {
    /// At a byte offset of the file.
    File(usize),
    Variable(&'d Variable),
}

impl Origin<'_> {
    /// The origin of a part at byte `at` of a value with this origin.
    fn inner(self, at: usize) -> Self {
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
        }
    }

    /// The outermost table.
    pub(super) fn root<'t>(&'t self, tree: &'t DeTable<'t>) -> Table<'t> {
        Table::new(self, String::new(), String::new(), Some(Cow::Borrowed(tree)), Origin::File(0))
    }

    /// Notes a fault that belongs to no single value.
    pub(super) fn push(&self, fault: Fault) {
        self.faults.borrow_mut().push(fault);
    }

    /// How many faults there are so far.
    pub(super) fn fault_count(&self) -> usize {
        self.faults.borrow().len()
    }

    /// The faults so far.
    pub(super) fn into_faults(self) -> Vec<Fault> {
        self.faults.into_inner()
    }

    fn fault(&self, origin: Origin<'_>, key: &str, given: String, accepted: &str, near: Option<String>) {
        let (file, line) = self.file_and_line(origin);
        let (key, accepted) = (key.to_owned(), accepted.to_owned());
        self.push(Fault { file, line, key, given, accepted, nearest: near });
    }

    fn file_and_line(&self, origin: Origin<'_>) -> (String, Option<usize>) {
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

/// A table of the document, or of a variable's value.
pub(super) struct Table<'t> {
    document: &'t Document<'t>,
    /// For people: `bed[kitchen-bed]`.
    path: String,
    /// For the environment: `bed.kitchen-bed`.
    env_path: String,
    /// `None`: only variables name this table.
    table: Option<Cow<'t, DeTable<'t>>>,
    /// Where the table begins, or the one around it.
    origin: Origin<'t>,
    asked: RefCell<Vec<&'static str>>,
}

impl<'t> Table<'t> {
    fn new(
        document: &'t Document<'t>,
        path: String,
        env_path: String,
        table: Option<Cow<'t, DeTable<'t>>>,
        origin: Origin<'t>,
    ) -> Self {
        Self { document, path, env_path, table, origin, asked: RefCell::default() }
    }

    /// The document that it is a part of.
    pub(super) fn document(&self) -> &'t Document<'t> {
        self.document
    }

    /// The value at `key`, from the environment or the file.
    pub(super) fn get(&self, key: &'static str, want: Want) -> Option<Item<'t>> {
        self.asked.borrow_mut().push(key);
        let path = join(&self.path, key);
        let env_path = join(&self.env_path, key);
        let document = self.document;
        if let Some(variable) = document.env.get(&env_path) {
            let value = Cow::Owned(value_of(&variable.value, want));
            return Some(Item { document, path, env_path, value, origin: Origin::Variable(variable) });
        }
        let (value, at) = match self.table.as_ref()? {
            Cow::Borrowed(table) => {
                let value = table.get(key)?;
                (Cow::Borrowed(value.get_ref()), value.span().start)
            }
            Cow::Owned(table) => {
                let value = table.get(key)?;
                (Cow::Owned(value.get_ref().clone()), value.span().start)
            }
        };
        Some(Item { document, path, env_path, value, origin: self.origin.inner(at) })
    }

    /// The value at `key`; its absence is a fault.
    pub(super) fn need(&self, key: &'static str, want: Want, accepted: impl AsRef<str>) -> Option<Item<'t>> {
        let found = self.get(key, want);
        if found.is_none() {
            self.missing(key, accepted);
        }
        found
    }

    /// Notes that `key` is missing.
    pub(super) fn missing(&self, key: &str, accepted: impl AsRef<str>) {
        self.fault(key, "nothing", accepted, None);
    }

    /// Notes a fault at `key` that is not the fault of one value.
    pub(super) fn fault(
        &self,
        key: &str,
        given: impl Into<String>,
        accepted: impl AsRef<str>,
        near: Option<String>,
    ) {
        self.document.fault(self.origin, &join(&self.path, key), given.into(), accepted.as_ref(), near);
    }

    /// The table at `key`, present if the file or any variable names it.
    pub(super) fn section(&self, key: &'static str) -> Option<Table<'t>> {
        self.section_like(key, &format!("a section [{}]", join(&self.path, key)))
    }

    /// The table at `key`; `accepted` shows how it is written.
    pub(super) fn section_like(&self, key: &'static str, accepted: &str) -> Option<Table<'t>> {
        if let Some(item) = self.get(key, Want::TextOrTable) {
            return item.table(accepted);
        }
        let env_path = join(&self.env_path, key);
        self.document
            .env
            .has_below(&env_path)
            .then(|| Self::new(self.document, join(&self.path, key), env_path, None, self.origin))
    }

    /// The table at `key`; its absence is a fault.
    pub(super) fn need_section(&self, key: &'static str, accepted: &str) -> Option<Table<'t>> {
        let before = self.document.fault_count();
        let found = self.section(key);
        if found.is_none() && self.document.fault_count() == before {
            self.missing(key, accepted);
        }
        found
    }

    /// The tables of `[[key]]`, each named by the text at `name`.
    pub(super) fn sections(&self, key: &'static str, name: &'static str) -> Vec<Table<'t>> {
        let Some(item) = self.get(key, Want::List) else { return Vec::new() };
        let accepted = format!("[[{key}]] with two brackets, once for each");
        let Some(items) = item.list_of(&accepted) else { return Vec::new() };
        let mut tables = Vec::new();
        for (at, item) in items.into_iter().enumerate() {
            let own = match item.value.as_ref() {
                DeValue::Table(t) => t.get(name).and_then(|v| v.get_ref().as_str()).map(str::to_owned),
                _ => None,
            };
            let Some(mut table) = item.table(&accepted) else { continue };
            match own {
                Some(own) => {
                    table.path = format!("{}[{}]", join(&self.path, key), shortened(&own));
                    table.env_path = join(&join(&self.env_path, key), &own);
                }
                None => {
                    table.path = format!("{}[#{}]", join(&self.path, key), at + 1);
                    table.env_path = join(&join(&self.env_path, key), &format!("#{}", at + 1));
                }
            }
            tables.push(table);
        }
        tables
    }

    /// Notes every key that was never asked for.
    pub(super) fn finish(self) {
        let Some(table) = self.table.as_deref() else { return };
        let asked = self.asked.borrow();
        let mut known: Vec<&str> = asked.clone();
        known.sort_unstable();
        known.dedup();
        for (key, _) in table.iter() {
            let name: &str = key.get_ref();
            if known.binary_search(&name).is_err() {
                self.document.fault(
                    self.origin.inner(key.span().start),
                    &join(&self.path, &shortened(name)),
                    "a key that is not known here".to_owned(),
                    &any_of(known.iter().copied()),
                    nearest(name, known.iter().copied()),
                );
            }
        }
    }
}

/// One value of the document.
#[derive(Clone)]
pub(super) struct Item<'t> {
    document: &'t Document<'t>,
    path: String,
    env_path: String,
    value: Cow<'t, DeValue<'t>>,
    origin: Origin<'t>,
}

impl<'t> Item<'t> {
    /// The value itself.
    pub(super) fn value(&self) -> &DeValue<'t> {
        &self.value
    }

    /// File and line in words, for a fault elsewhere that points here.
    pub(super) fn place(&self) -> String {
        match self.document.file_and_line(self.origin) {
            (file, Some(line)) => format!("{file}, line {line}"),
            (file, None) => file,
        }
    }

    /// Whether the value stands in the file, not in the environment.
    pub(super) fn is_from_file(&self) -> bool {
        matches!(self.origin, Origin::File(_))
    }

    /// Notes that this value is not accepted.
    pub(super) fn refuse(&self, accepted: impl AsRef<str>) {
        self.fault(self.given(), accepted, None);
    }

    /// Notes that this value is not one of `names`.
    pub(super) fn refuse_name<'n>(&self, names: impl IntoIterator<Item = &'n str> + Clone) {
        let near = self.value.as_str().and_then(|given| nearest(given, names.clone()));
        self.fault(self.given(), any_of(names), near);
    }

    /// Notes a fault at this value.
    pub(super) fn fault(&self, given: impl Into<String>, accepted: impl AsRef<str>, near: Option<String>) {
        self.document.fault(self.origin, &self.path, given.into(), accepted.as_ref(), near);
    }

    /// The value as it is shown to people.
    pub(super) fn given(&self) -> String {
        match (self.value.as_ref(), self.origin) {
            (DeValue::Array(_) | DeValue::Table(_), Origin::Variable(variable)) => variable.shown(),
            (DeValue::String(text), _) => quoted(text),
            (DeValue::Integer(number), _) => shortened(&number.to_string()),
            (DeValue::Float(number), _) => shortened(&number.to_string()),
            (DeValue::Boolean(b), _) => b.to_string(),
            (DeValue::Datetime(d), _) => d.to_string(),
            (DeValue::Array(list), _) => format!("a list of {}", list.len()),
            (DeValue::Table(table), _) => match table.len() {
                0 => "an empty table".to_owned(),
                _ => shortened(&format!(
                    "a table with {}",
                    table.keys().map(|k| k.get_ref().as_ref()).collect::<Vec<_>>().join(", ")
                )),
            },
        }
    }

    /// Text.
    pub(super) fn text(&self, accepted: impl AsRef<str>) -> Option<&str> {
        let text = self.value.as_str();
        if text.is_none() {
            self.refuse(accepted);
        }
        text
    }

    /// One of `names`, by the function that knows them.
    pub(super) fn name<'n, T>(
        &self,
        of: impl Fn(&str) -> Option<T>,
        names: impl IntoIterator<Item = &'n str> + Clone,
    ) -> Option<T> {
        let found = self.value.as_str().and_then(of);
        if found.is_none() {
            self.refuse_name(names);
        }
        found
    }

    /// A number in `range`; a whole number will do.
    pub(super) fn number(&self, range: Range) -> Option<f64> {
        let number = number_of(&self.value).filter(|x| range.contains(*x));
        if number.is_none() {
            self.refuse(range.to_string());
        }
        number
    }

    /// A whole number in `range`, of `unit`.
    pub(super) fn whole(&self, range: RangeInclusive<u32>, unit: &str) -> Option<u32> {
        let number = match self.value.as_ref() {
            DeValue::Integer(n) => {
                u32::from_str_radix(n.as_str(), n.radix()).ok().filter(|n| range.contains(n))
            }
            _ => None,
        };
        if number.is_none() {
            let unit = if unit.is_empty() { String::new() } else { format!(" ({unit})") };
            self.refuse(format!("a whole number from {} to {}{unit}", range.start(), range.end()));
        }
        number
    }

    /// `true` or `false`.
    pub(super) fn boolean(&self) -> Option<bool> {
        let value = self.value.as_bool();
        if value.is_none() {
            self.refuse("true or false");
        }
        value
    }

    /// A local date without a time.
    pub(super) fn date(&self) -> Option<jiff::civil::Date> {
        const ACCEPTED: &str = "a date without quotes: 2026-04-18";
        let date = match self.value.as_ref() {
            DeValue::Datetime(Datetime { date: Some(date), time: None, offset: None }) => civil(*date),
            _ => None,
        };
        if date.is_none() {
            self.refuse(ACCEPTED);
        }
        date
    }

    /// The parts of a list.
    pub(super) fn list_of(&self, accepted: &str) -> Option<Vec<Item<'t>>> {
        let part = |at: usize, value: Cow<'t, DeValue<'t>>, span: Span<usize>| Item {
            document: self.document,
            path: format!("{}[#{}]", self.path, at + 1),
            env_path: self.env_path.clone(),
            value,
            origin: self.origin.inner(span.start),
        };
        match &self.value {
            Cow::Borrowed(DeValue::Array(list)) => Some(
                list.iter()
                    .enumerate()
                    .map(|(at, v): (usize, &'t Spanned<DeValue<'t>>)| {
                        part(at, Cow::Borrowed(v.get_ref()), v.span())
                    })
                    .collect(),
            ),
            Cow::Owned(DeValue::Array(list)) => Some(
                list.iter()
                    .enumerate()
                    .map(|(at, v)| part(at, Cow::Owned(v.get_ref().clone()), v.span()))
                    .collect(),
            ),
            _ => {
                self.refuse(accepted);
                None
            }
        }
    }

    /// A table.
    pub(super) fn table(self, accepted: &str) -> Option<Table<'t>> {
        let table = match self.value {
            Cow::Borrowed(DeValue::Table(table)) => Cow::Borrowed(table),
            Cow::Owned(DeValue::Table(table)) => Cow::Owned(table),
            _ => {
                self.refuse(accepted);
                return None;
            }
        };
        Some(Table::new(self.document, self.path, self.env_path, Some(table), self.origin))
    }
}

/// The number that a value is, whole or not, finite or not.
pub(super) fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(x) => x.as_str().parse().ok(),
        DeValue::Integer(n) if n.radix() == 10 => n.as_str().parse().ok(),
        // Half of a 64-bit number is more than any register gives.
        #[expect(clippy::cast_precision_loss, reason = "a number this large is out of every range anyway")]
        DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix()).ok().map(|n| n as f64),
        _ => None,
    }
}

/// A TOML date in the calendar of the time library.
pub(super) fn civil(date: Date) -> Option<jiff::civil::Date> {
    let year = i16::try_from(date.year).ok()?;
    let month = i8::try_from(date.month).ok()?;
    jiff::civil::Date::new(year, month, i8::try_from(date.day).ok()?).ok()
}

/// A variable's text as the value that its key wants.
fn value_of(text: &str, want: Want) -> DeValue<'_> {
    let trimmed = text.trim();
    let as_text = || DeValue::String(Cow::Borrowed(text));
    let parsed = || DeValue::parse(trimmed).ok().map(Spanned::into_inner);
    match want {
        Want::Text => as_text(),
        Want::Value => match parsed() {
            Some(value) if !matches!(value, DeValue::String(_)) => value,
            _ => as_text(),
        },
        Want::List if trimmed.starts_with('[') => parsed().unwrap_or_else(as_text),
        Want::List => DeValue::Array(
            trimmed
                .split(',')
                .map(|word| Spanned::new(0..0, DeValue::String(Cow::Borrowed(word.trim()))))
                .collect(),
        ),
        Want::TextOrTable if trimmed.starts_with(['[', '{']) => parsed().unwrap_or_else(as_text),
        Want::TextOrTable => as_text(),
    }
}

/// The dotted path of `key` below `path`.
fn join(path: &str, key: &str) -> String {
    if path.is_empty() {
        key.to_owned()
    } else if key.is_empty() {
        path.to_owned()
    } else {
        format!("{path}.{key}")
    }
}
