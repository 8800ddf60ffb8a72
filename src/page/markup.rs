//! Markup that many pages repeat.

use maud::{Markup, Render, html};

use crate::text::labels;

/// The head of a table: a row of column names.
pub(super) fn columns(names: &[&str]) -> Markup {
    html! { thead { tr { @for name in names { th scope="col" { (name) } } } } }
}

/// A name and its value in a list of them.
pub(super) fn item(name: &str, value: impl Render) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

/// The same; nothing where there is no value.
pub(super) fn known_item(name: &str, value: Option<&String>) -> Markup {
    html! { @if let Some(value) = value { (item(name, value)) } }
}

/// A number in words, or that it is not known.
pub(super) fn or_not_known(number: Option<f64>, words: fn(f64) -> String) -> String {
    number.map_or_else(|| labels::NOT_KNOWN.to_owned(), words)
}
