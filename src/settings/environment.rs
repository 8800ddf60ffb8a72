//! The environment's layer: variables that begin with `TRUG__`.
//!
//! The `config` crate collects them: it strips the prefix, lower-cases the
//! rest and turns `__` into a dot. What it does not do, and what is done here,
//! is to say which variable nobody asked for. Values stay text; the reader
//! turns each into the type that its key wants, or says why it cannot.

use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, HashMap};

use config::Source;

use super::fault::{Fault, nearest, quoted, shortened};

/// What every variable of ours begins with.
const PREFIX: &str = "TRUG__";

/// One variable.
#[derive(Debug)]
pub(super) struct Variable {
    /// As it stands in the environment.
    pub(super) name: String,
    /// Dotted, lower-case, underscores for hyphens.
    key: String,
    pub(super) value: String,
    used: Cell<bool>,
}

/// All variables of ours, by key.
#[derive(Debug, Default)]
pub(super) struct Environment {
    /// Sorted by key.
    variables: Vec<Variable>,
    /// Keys that were asked for, so that a misspelt one can be put right. Kept
    /// only where there is a variable that may be misspelt.
    asked: RefCell<Vec<String>>,
}

/// The form in which keys of files and of the environment meet.
///
/// `config` makes a dot of every `__`, so an id with two hyphens has to become
/// one too.
fn key_form(path: &str) -> String {
    path.to_lowercase().replace([' ', '-'], "_").replace("__", ".")
}

impl Environment {
    /// Picks our variables out of `env`; two that mean the same key are a fault.
    pub(super) fn collect(env: impl Iterator<Item = (String, String)>, faults: &mut Vec<Fault>) -> Self {
        let mut names: BTreeMap<String, String> = BTreeMap::new();
        let mut ours = HashMap::new();
        for (name, value) in env {
            let Some(rest) = name.to_lowercase().strip_prefix(&PREFIX.to_lowercase()).map(str::to_owned)
            else {
                continue;
            };
            let key = rest.replace("__", ".");
            if let Some(other) = names.insert(key.clone(), name.clone()) {
                let variable = format!("environment variable {}", shortened(&name));
                let given = format!("the same key as {other}");
                faults.push(Fault { key, ..Fault::of_whole(variable, given, "one variable for each key") });
            }
            ours.insert(name, value);
        }
        let layer = config::Environment::with_prefix("TRUG").separator("__").source(Some(ours));
        let mut variables: Vec<Variable> = Vec::new();
        match layer.collect() {
            Ok(values) => {
                for (key, value) in values {
                    let name = names.get(&key).cloned().unwrap_or_else(|| key.clone());
                    let value = value.into_string().unwrap_or_default();
                    variables.push(Variable { name, key: key_form(&key), value, used: Cell::new(false) });
                }
            }
            // Cannot come from text; said all the same, should `config` change.
            Err(e) => faults.push(Fault::of_whole("environment", e.to_string(), "variables that are text")),
        }
        variables.sort_by(|a, b| a.key.cmp(&b.key));
        Self { variables, asked: RefCell::default() }
    }

    /// The variables at and below `path`, for one document.
    pub(super) fn scope(&self, path: &str) -> Scope<'_> {
        let mut base = key_form(path);
        if !base.is_empty() {
            base.push('.');
        }
        let from = self.variables.partition_point(|v| v.key < base);
        let count = self.variables.iter().skip(from).take_while(|v| v.key.starts_with(&base)).count();
        let variables = self.variables.get(from..from + count).unwrap_or_default();
        Scope { base, variables, asked: &self.asked }
    }

    /// No variable at all, for a document that none can name.
    pub(super) fn nothing(&self) -> Scope<'_> {
        Scope { base: String::new(), variables: &[], asked: &self.asked }
    }

    /// Faults for the variables that no key asked for. `sites` are the bases of
    /// the gardens' scopes; of a variable that `excused` names nothing is said,
    /// since the file that it may be for could not be read.
    pub(super) fn unused(&self, sites: &[String], excused: impl Fn(&str) -> bool, faults: &mut Vec<Fault>) {
        let asked = self.asked.borrow();
        for variable in self.variables.iter().filter(|v| !v.used.get() && !excused(&v.key)) {
            let of_no_site = variable.key.starts_with("garden.")
                && !sites.iter().any(|site| variable.key.starts_with(site.as_str()));
            let (given, accepted, near) = if of_no_site {
                let site = variable.key.split('.').nth(1).unwrap_or_default();
                let known = sites.iter().filter_map(|base| base.strip_prefix("garden.")?.strip_suffix('.'));
                (
                    "a garden that no file describes",
                    "TRUG__GARDEN__SITE_ID__SECTION__KEY with the id of a site, _ for -",
                    nearest(site, known).map(|site| format!("garden.{site}")),
                )
            } else {
                (
                    "a key that nothing reads",
                    "TRUG__SECTION__KEY for trug.toml, TRUG__GARDEN__SITE_ID__SECTION__KEY for a garden; \
                     a bed, tank or sensor by its id, with _ for -",
                    nearest(&variable.key, asked.iter().map(String::as_str)),
                )
            };
            faults.push(Fault {
                file: format!("environment variable {}", shortened(&variable.name)),
                line: None,
                key: shortened(&variable.key),
                given: given.to_owned(),
                accepted: accepted.to_owned(),
                nearest: near.map(|key| format!("{PREFIX}{}", key.to_uppercase().replace('.', "__"))),
            });
        }
    }
}

/// The variables of one document.
#[derive(Clone, Debug)]
pub(super) struct Scope<'e> {
    base: String,
    variables: &'e [Variable],
    asked: &'e RefCell<Vec<String>>,
}

impl<'e> Scope<'e> {
    /// What the keys of all its variables begin with.
    pub(super) fn base(&self) -> &str {
        &self.base
    }

    /// The variable for the key at `path` of this document.
    pub(super) fn get(&self, path: &str) -> Option<&'e Variable> {
        if self.variables.is_empty() {
            return None;
        }
        let key = format!("{}{}", self.base, key_form(path));
        let found = self.variables.binary_search_by(|v| v.key.cmp(&key)).ok();
        self.asked.borrow_mut().push(key);
        let variable = self.variables.get(found?)?;
        variable.used.set(true);
        Some(variable)
    }

    /// Whether any variable stands below `path`.
    pub(super) fn has_below(&self, path: &str) -> bool {
        if self.variables.is_empty() {
            return false;
        }
        let base = format!("{}{}.", self.base, key_form(path));
        self.variables.iter().any(|v| v.key.starts_with(&base))
    }
}

impl Variable {
    /// The value as it may be shown.
    pub(super) fn shown(&self) -> String {
        quoted(&self.value)
    }
}
