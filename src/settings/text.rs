//! Names, ids and addresses of people.

use std::collections::HashMap;

use super::document::Want;
use super::fault::is_unsafe;
use super::table::SettingsTable;
use super::value::SettingsItem;
use crate::model::Id;

/// Longest name, characters.
pub(super) const NAME_MAX: usize = 100;

/// Longest e-mail address, bytes: RFC 5321, section 4.5.3.1.3, allows a path of
/// 256 with its angle brackets.
const EMAIL_MAX: usize = 254;

/// What an id may be.
pub(super) const ID_ACCEPTED: &str =
    "lower-case letters, digits and hyphens, 1 to 64 characters, no hyphen at either end";

/// A name for people: it must be safe inside a line, a mail header and a page.
pub(super) fn named(item: &SettingsItem<'_>) -> Option<String> {
    const ACCEPTED: &str = "a name of 1 to 100 characters on one line";
    let fits = |text: &str| {
        !text.trim().is_empty() && text.chars().count() <= NAME_MAX && !text.chars().any(is_unsafe)
    };
    Some(item.text_that(ACCEPTED, fits)?.trim().to_owned())
}

/// An id.
pub(super) fn id(item: &SettingsItem<'_>) -> Option<Id> {
    let text = item.text(ID_ACCEPTED)?;
    if !Id::is_valid(text) {
        let likely = text.trim().to_lowercase().replace([' ', '_'], "-");
        item.fault(item.given(), ID_ACCEPTED, Id::is_valid(&likely).then_some(likely));
        return None;
    }
    Some(Id::new(text))
}

/// The id of a table, which no other one of `ids` has.
pub(super) fn own_id(table: &SettingsTable<'_>, ids: &mut Names) -> Option<Id> {
    table.read("id", Want::Text, ID_ACCEPTED, |item| {
        let id = id(item)?;
        ids.claim(item, id.as_str()).then_some(id)
    })
}

/// The name at `key`, which nothing else in `names` has.
pub(super) fn own_name(
    table: &SettingsTable<'_>,
    key: &'static str,
    accepted: &str,
    names: &mut Names,
) -> Option<String> {
    table.read(key, Want::Text, accepted, |item| {
        let name = named(item)?;
        names.claim(item, &name).then_some(name)
    })
}

/// The name of a table; without one, its id.
pub(super) fn name_or_id(table: &SettingsTable<'_>, id: Option<&Id>) -> Option<String> {
    match table.get("name", Want::Text) {
        Some(item) => named(&item),
        None => id.map(ToString::to_string),
    }
}

/// An e-mail address, as far as it can be told without sending a letter.
pub(super) fn email(item: &SettingsItem<'_>) -> Option<String> {
    item.text_that("an e-mail address: name@domain", is_email)
}

/// Whether a text is an e-mail address, as far as it can be told without sending
/// a letter.
pub(super) fn is_email(text: &str) -> bool {
    text.len() <= EMAIL_MAX
        && !text.chars().any(|c| is_unsafe(c) || c.is_whitespace() || "<>,;:\"()[]\\".contains(c))
        && text
            .rsplit_once('@')
            .is_some_and(|(local, domain)| !local.is_empty() && !local.contains('@') && is_domain(domain))
        // What the library that sends it would refuse is refused here already.
        && text.parse::<lettre::Address>().is_ok()
}

fn is_domain(domain: &str) -> bool {
    domain.split('.').all(|label| !label.is_empty() && !label.starts_with('-') && !label.ends_with('-'))
}

/// Names that must differ, with where each was first seen.
pub(super) struct Names {
    accepted: &'static str,
    seen: HashMap<String, String>,
}

impl Names {
    /// No names yet; `accepted` is said when one comes twice.
    pub(super) fn new(accepted: &'static str) -> Self {
        Self { accepted, seen: HashMap::new() }
    }

    /// Takes `name` for the place of `item`; `false`, and a fault, if it is taken.
    pub(super) fn claim(&mut self, item: &SettingsItem<'_>, name: &str) -> bool {
        if let Some(first) = self.seen.get(name) {
            item.fault(format!("{}, which {first} has already", item.given()), self.accepted, None);
            return false;
        }
        self.seen.insert(name.to_owned(), item.place());
        true
    }
}
