//! A table: asked for its keys one by one.

use std::borrow::Cow;
use std::cell::RefCell;
use std::ops::RangeInclusive;
use std::time::Duration;

use jiff::civil::Date;
use toml::de::{DeTable, DeValue};

use super::document::{Document, Origin, Want, join};
use super::fault::{any_of, nearest, quoted, shortened};
use super::range::Range;
use super::value::{SettingsItem, value_of};

/// A table of the document, or of a variable's value.
pub(super) struct SettingsTable<'t> {
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
    /// Missing keys and what they accept, told when the table is finished.
    missing: RefCell<Vec<(&'static str, String)>>,
}

impl<'t> SettingsTable<'t> {
    /// A table that stands at `path`, for the environment at `env_path`.
    pub(super) fn new(
        document: &'t Document<'t>,
        path: String,
        env_path: String,
        table: Option<Cow<'t, DeTable<'t>>>,
        origin: Origin<'t>,
    ) -> Self {
        let (asked, missing) = (RefCell::default(), RefCell::default());
        Self { document, path, env_path, table, origin, asked, missing }
    }

    /// The outermost table of a document.
    pub(super) fn root(document: &'t Document<'t>, tree: &'t DeTable<'t>) -> Self {
        Self::new(document, String::new(), String::new(), Some(Cow::Borrowed(tree)), Origin::File(0))
    }

    /// How many faults the document has so far.
    pub(super) fn faults(&self) -> usize {
        self.document.fault_count()
    }

    /// The value at `key`, from the environment or the file.
    pub(super) fn get(&self, key: &'static str, want: Want) -> Option<SettingsItem<'t>> {
        self.asked.borrow_mut().push(key);
        let path = join(&self.path, key);
        let env_path = join(&self.env_path, key);
        let document = self.document;
        document.note_asked(&path);
        if let Some(variable) = document.env.get(&env_path) {
            let value = Cow::Owned(value_of(&variable.value, want));
            return Some(SettingsItem {
                document,
                path,
                env_path,
                value,
                origin: Origin::Variable(variable),
            });
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
        Some(SettingsItem { document, path, env_path, value, origin: self.origin.inner(at) })
    }

    /// The value at `key`; its absence is a fault.
    pub(super) fn need(
        &self,
        key: &'static str,
        want: Want,
        accepted: impl AsRef<str>,
    ) -> Option<SettingsItem<'t>> {
        let found = self.get(key, want);
        if found.is_none() {
            self.missing(key, accepted);
        }
        found
    }

    /// What `read` makes of the value at `key`, whose absence is a fault.
    pub(super) fn read<T>(
        &self,
        key: &'static str,
        want: Want,
        accepted: impl AsRef<str>,
        read: impl FnOnce(&SettingsItem<'t>) -> Option<T>,
    ) -> Option<T> {
        self.need(key, want, accepted).and_then(|item| read(&item))
    }

    /// What `read` makes of the value at `key`, or `default` where there is none.
    pub(super) fn read_or<T>(
        &self,
        key: &'static str,
        want: Want,
        default: T,
        read: impl FnOnce(&SettingsItem<'t>) -> Option<T>,
    ) -> Option<T> {
        self.get(key, want).map_or(Some(default), |item| read(&item))
    }

    /// What `read` makes of the value at `key`: `Some(None)` where there is none, `None`
    /// after a fault.
    #[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
    pub(super) fn read_if<T>(
        &self,
        key: &'static str,
        want: Want,
        read: impl FnOnce(&SettingsItem<'t>) -> Option<T>,
    ) -> Option<Option<T>> {
        self.get(key, want).map_or(Some(None), |item| read(&item).map(Some))
    }

    /// The number at `key`, whose absence is a fault.
    pub(super) fn number(&self, key: &'static str, range: Range) -> Option<f64> {
        self.read(key, Want::Value, range.to_string(), |item| item.number(range))
    }

    /// The number at `key`, or `default` where there is none.
    pub(super) fn number_or(&self, key: &'static str, range: Range, default: f64) -> Option<f64> {
        self.read_or(key, Want::Value, default, |item| item.number(range))
    }

    /// The number at `key`; `None` where there is none or after a fault.
    pub(super) fn number_if(&self, key: &'static str, range: Range) -> Option<f64> {
        self.get(key, Want::Value)?.number(range)
    }

    /// The number at `key`, else `otherwise`; without either it is missing.
    pub(super) fn number_over(
        &self,
        key: &'static str,
        range: Range,
        otherwise: Option<f64>,
        accepted: impl FnOnce() -> String,
    ) -> Option<f64> {
        match (self.get(key, Want::Value), otherwise) {
            (Some(item), _) => item.number(range),
            (None, Some(otherwise)) => Some(otherwise),
            (None, None) => self.lacks(key, accepted()),
        }
    }

    /// The whole number at `key`, or `default` where there is none.
    pub(super) fn whole_or(
        &self,
        key: &'static str,
        range: RangeInclusive<u32>,
        default: u32,
        unit: &str,
    ) -> Option<u32> {
        self.read_or(key, Want::Value, default, |item| item.whole(range, unit))
    }

    /// The whole number of seconds at `key`, or `default` where there is none.
    pub(super) fn seconds_or(
        &self,
        key: &'static str,
        range: RangeInclusive<u32>,
        default: u32,
    ) -> Option<Duration> {
        let seconds = self.whole_or(key, range, default, "seconds")?;
        Some(Duration::from_secs(seconds.into()))
    }

    /// The date at `to`, not before `from`: `Some(None)` where there is none, `None` after a fault.
    #[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
    pub(super) fn last_day(&self, from: Option<Option<Date>>) -> Option<Option<Date>> {
        self.read_if("to", Want::Value, |item| match (item.date(), from.flatten()) {
            (Some(to), Some(from)) if to < from => item.refused("a last day not before from"),
            (to, _) => to,
        })
    }

    /// `true` or `false` at `key`; `false` where there is none.
    pub(super) fn flag(&self, key: &'static str) -> Option<bool> {
        self.read_or(key, Want::Value, false, SettingsItem::boolean)
    }

    /// Notes that `key` is missing; there is nothing to return then.
    pub(super) fn lacks<T>(&self, key: &'static str, accepted: impl AsRef<str>) -> Option<T> {
        self.missing(key, accepted);
        None
    }

    /// Notes a fault at `key`; there is nothing to return then.
    pub(super) fn faulty<T>(
        &self,
        key: &str,
        given: impl Into<String>,
        accepted: impl AsRef<str>,
    ) -> Option<T> {
        self.fault(key, given, accepted);
        None
    }

    /// Notes that `key` is missing; it is told when the table is finished.
    pub(super) fn missing(&self, key: &'static str, accepted: impl AsRef<str>) {
        self.missing.borrow_mut().push((key, accepted.as_ref().to_owned()));
    }

    /// Notes a fault at `key` that is not the fault of one value.
    pub(super) fn fault(&self, key: &str, given: impl Into<String>, accepted: impl AsRef<str>) {
        self.document.fault(self.origin, &join(&self.path, key), given.into(), accepted.as_ref(), None);
    }

    /// The table at `key`, present if the file or any variable names it.
    pub(super) fn section(&self, key: &'static str) -> Option<SettingsTable<'t>> {
        self.section_like(key, &format!("a section [{}]", join(&self.path, key)))
    }

    /// The table at `key`; `accepted` shows how it is written.
    pub(super) fn section_like(&self, key: &'static str, accepted: &str) -> Option<SettingsTable<'t>> {
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
    pub(super) fn need_section(&self, key: &'static str, accepted: &str) -> Option<SettingsTable<'t>> {
        let before = self.faults();
        let found = self.section(key);
        // A value that is no table has been told already.
        if found.is_none() && self.faults() == before {
            self.missing(key, accepted);
        }
        found
    }

    /// The tables of `[[key]]`, each named by the text at `name`.
    pub(super) fn sections(&self, key: &'static str, name: &'static str) -> Vec<SettingsTable<'t>> {
        let Some(item) = self.get(key, Want::List) else { return Vec::new() };
        let accepted = format!("[[{}]] with two brackets, once for each", join(&self.path, key));
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

    /// Finishes the table; `None` where the document has more faults than the `before` that
    /// it had when the table was begun. A key that is missing is noted only here, and counts as
    /// none of them.
    pub(super) fn finish_whole(self, before: usize) -> Option<()> {
        let whole = self.faults() == before;
        self.finish();
        whole.then_some(())
    }

    /// Notes every key that was never asked for and every one that is missing. A
    /// missing one that was misspelt is told once, as the misspelt one.
    pub(super) fn finish(self) {
        let mut missing = self.missing.take();
        let mut known = self.asked.take();
        known.sort_unstable();
        known.dedup();
        for (key, _) in self.table.iter().flat_map(|table| table.iter()) {
            let name: &str = key.get_ref();
            if known.binary_search(&name).is_err() {
                let near = nearest(name, known.iter().copied());
                missing.retain(|(key, _)| near.as_deref() != Some(key));
                self.document.fault(
                    self.origin.inner(key.span().start),
                    &join(&self.path, &key_as_written(name)),
                    "a key that is not known here".to_owned(),
                    &any_of(known.iter().copied()),
                    near,
                );
            }
        }
        for (key, accepted) in missing {
            self.fault(key, "nothing", accepted);
        }
    }
}

/// A key as it has to be written: in quotes where it holds more than letters, digits, `-`
/// and `_` (TOML 1.0, "Keys"), so that an empty one is seen as well.
fn key_as_written(name: &str) -> String {
    let bare = !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_');
    if bare { shortened(name) } else { quoted(name) }
}

impl<'t> SettingsItem<'t> {
    /// The table that this value is.
    pub(super) fn table(self, accepted: &str) -> Option<SettingsTable<'t>> {
        let table = match self.value {
            Cow::Borrowed(DeValue::Table(table)) => Cow::Borrowed(table),
            Cow::Owned(DeValue::Table(table)) => Cow::Owned(table),
            _ => return self.refused(accepted),
        };
        Some(SettingsTable::new(self.document, self.path, self.env_path, Some(table), self.origin))
    }
}
