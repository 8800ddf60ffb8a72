//! The first days of a garden: where sensors go, tests of soil and probes, and the lines for
//! the garden's file. These pages only compute: nothing is saved.

mod fit_chart;
mod keys;
mod new_sensor;
mod payload_choice;
mod placing;
mod probe;
mod sheet;
mod sketches;
mod soil_test;

pub(super) use keys::keys;
pub(super) use new_sensor::new_sensor;
pub(super) use placing::placing;
pub(super) use probe::probe;
pub(super) use soil_test::soil_test;

use maud::{Markup, html};

use super::assets;
use super::forms::FormFields;
use super::forms::write::field;
use super::layout::PageFrame;
use crate::text::labels;

/// A page for setting up, with the style that these pages share.
fn still(frame: &PageFrame, title: &str, body: &Markup) -> Markup {
    frame.still(title, &html! { link rel="stylesheet" href=(assets::SETUP.address()); (body) })
}

/// Characters of a value that come back in its field.
const SHOWN_MAX: usize = 200;

/// The faults of a form: the field of each, and a sentence.
#[derive(Debug, Default)]
struct FormFaults(Vec<(String, String)>);

impl FormFaults {
    fn note(&mut self, field: &str, words: impl Into<String>) {
        self.0.push((field.to_owned(), words.into()));
    }

    fn of(&self, field: &str) -> Option<&str> {
        self.0.iter().find(|(it, _)| it == field).map(|(_, words)| words.as_str())
    }

    fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Each fault as a link to its field; nothing where there are none.
    fn list(&self) -> Markup {
        html! {
            @if !self.0.is_empty() {
                section class="wrong" role="alert" aria-labelledby="wrong" {
                    h2 id="wrong" { "Put these right" }
                    ul { @for (field, words) in &self.0 { li { a href={ "#" (field) } { (words) } } } }
                }
            }
        }
    }

    /// The number of a field between `least` and `most`; a fault where it is none. `None`
    /// for an empty field.
    fn number(
        &mut self,
        form: &FormFields,
        name: &str,
        label: &str,
        (least, most): (f64, f64),
    ) -> Option<f64> {
        let text = form.text(name);
        if text.is_empty() {
            return None;
        }
        let read = text.replace(',', ".").parse::<f64>().ok().filter(|it| (least..=most).contains(it));
        if read.is_none() {
            let shown = labels::shown(text, 30);
            self.note(name, format!("{label}: {shown} is not a number from {least} to {most}."));
        }
        read
    }

    /// The same; an empty field is a fault.
    fn needed(&mut self, form: &FormFields, name: &str, label: &str, range: (f64, f64)) -> Option<f64> {
        if form.text(name).is_empty() {
            self.note(name, format!("{label}: this number is needed."));
        }
        self.number(form, name, label, range)
    }
}

/// A field for a number.
fn number_field(
    name: &str,
    label: &str,
    help: Option<&str>,
    form: &FormFields,
    faults: &FormFaults,
) -> Markup {
    field(name, label, help, faults.of(name), &|attributes| {
        html! {
            input id=(name) name=(name) type="text" inputmode="decimal" autocomplete="off" size="10"
                value=(labels::shown(form.text(name), SHOWN_MAX))
                aria-invalid=[attributes.invalid] aria-describedby=[attributes.described];
        }
    })
}

/// A field for a line of text.
fn text_field(name: &str, label: &str, help: Option<&str>, value: &str, faults: &FormFaults) -> Markup {
    field(name, label, help, faults.of(name), &|attributes| {
        html! {
            input id=(name) name=(name) type="text" autocomplete="off" autocapitalize="none" spellcheck="false"
                value=(labels::shown(value, SHOWN_MAX))
                aria-invalid=[attributes.invalid] aria-describedby=[attributes.described];
        }
    })
}

/// A field with a list to choose from: values and words.
fn choice_field(
    name: &str,
    label: &str,
    help: Option<&str>,
    choices: &[(String, String)],
    chosen: &str,
    faults: &FormFaults,
) -> Markup {
    field(name, label, help, faults.of(name), &|attributes| {
        html! {
            select id=(name) name=(name) aria-invalid=[attributes.invalid] aria-describedby=[attributes.described] {
                @for (value, words) in choices { option value=(value) selected[value == chosen] { (words) } }
            }
        }
    })
}

/// Lines for the garden's file, and what to do with them.
fn lines_to_paste(where_to: &str, lines: &str) -> Markup {
    html! {
        section class="answer-lines" {
            h3 { "Lines for the garden's file" }
            p { (where_to) " Then check the file with \"trug check\" and have Trug use it with \"trug reload\"." }
            pre { code { (lines) } }
        }
    }
}
