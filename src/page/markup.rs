//! Markup that many pages repeat.

use maud::{Markup, Render, html};

use crate::text::labels;

/// The head of a table: a row of column names.
pub(super) fn columns(names: &[&str]) -> Markup {
    html! { thead { tr { @for name in names { th scope="col" { (name) } } } } }
}

/// A table that becomes a list on narrow screens: its first column names the row, and each
/// other cell repeats its column's name.
pub(super) fn stacked_table<const N: usize>(
    caption: Option<&str>,
    names: &[&str],
    rows: impl IntoIterator<Item = [Markup; N]>,
) -> Markup {
    html! {
        table class="stacks" {
            @if let Some(caption) = caption { caption { (caption) } }
            (columns(names))
            tbody {
                @for cells in rows {
                    tr {
                        @for (at, (name, cell)) in names.iter().zip(cells).enumerate() {
                            @if at == 0 { th scope="row" { (cell) } } @else { td data-label=(name) { (cell) } }
                        }
                    }
                }
            }
        }
    }
}

/// A difference of two temperatures, which is not turned as a temperature is where people read
/// other units.
pub(super) fn apart(value: impl Render) -> Markup {
    html! { span data-apart="" { (value) } }
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
