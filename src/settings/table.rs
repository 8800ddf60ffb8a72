//! A table: asked for its keys one by one.

use std::borrow::Cow;
use std::cell::RefCell;

use toml::de::{DeTable, DeValue};

use super::document::{Document, Origin, Want, join};
use super::fault::{any_of, nearest, shortened};
use super::value::{Item, value_of};

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
    /// Missing keys and what they accept, told when the table is finished.
    missing: RefCell<Vec<(&'static str, String)>>,
}

impl<'t> Table<'t> {
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

    /// Notes that `key` is missing; it is told when the table is finished.
    pub(super) fn missing(&self, key: &'static str, accepted: impl AsRef<str>) {
        self.missing.borrow_mut().push((key, accepted.as_ref().to_owned()));
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
        // A value that is no table has been told already.
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
                    &join(&self.path, &shortened(name)),
                    "a key that is not known here".to_owned(),
                    &any_of(known.iter().copied()),
                    near,
                );
            }
        }
        for (key, accepted) in missing {
            self.fault(key, "nothing", accepted, None);
        }
    }
}
