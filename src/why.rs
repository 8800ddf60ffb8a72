//! Why: the equation behind a figure, with its numbers put in, its source and
//! the check that holds it against that source.
//!
//! Each room of science names its equations as constants; the code that computes a
//! figure makes a [`Step`] of each equation on the way. Alarms, pages, commands
//! and letters all carry the same steps.

use std::borrow::Cow;

/// An equation as it is published.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Equation {
    /// What it gives, as people say it: "total available water".
    pub gives: &'static str,
    /// The equation in the source's letters: "TAW = 1000 (FC - WP) Zr".
    pub form: &'static str,
    /// The publication with the number of the equation or table, or that there is none.
    pub source: &'static str,
    pub check: Check,
}

/// What holds an equation against its source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Check {
    /// A table of `tests/published/`, by its file name.
    Table(&'static str),
    /// It is a sum, a product or a unit that needs no publication.
    Arithmetic,
    /// Nothing outside the project holds it, and why.
    None(&'static str),
}

impl Check {
    /// The check as people read it.
    pub fn words(self) -> Cow<'static, str> {
        match self {
            Self::Table(file) => Cow::Owned(format!("checked against tests/published/{file}")),
            Self::Arithmetic => Cow::Borrowed("plain arithmetic"),
            Self::None(why) => Cow::Borrowed(why),
        }
    }
}

/// One equation with its numbers put in.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Step {
    pub gives: Cow<'static, str>,
    pub form: Cow<'static, str>,
    /// "1000 x (0.150 - 0.065) x 0.50 m = 42.5 mm".
    pub with: String,
    pub source: Cow<'static, str>,
    pub check: Cow<'static, str>,
}

/// The steps to a figure, the last one giving it.
pub type Why = Vec<Step>;

impl Equation {
    /// The equation with its numbers put in, as `with` writes them: the right
    /// side, an equals sign, the result with its unit.
    pub fn step(&self, with: String) -> Step {
        Step {
            gives: Cow::Borrowed(self.gives),
            form: Cow::Borrowed(self.form),
            with: without_minus_zero(with),
            source: Cow::Borrowed(self.source),
            check: self.check.words(),
        }
    }
}

/// The text with each "-0.0" as "0.0": a number that rounds to nothing has no sign that
/// means anything to people.
pub(crate) fn without_minus_zero(text: String) -> String {
    if !text.contains("-0") {
        return text;
    }
    let mut kept = String::with_capacity(text.len());
    let mut before = ' ';
    for (at, c) in text.char_indices() {
        let number = &text[at + c.len_utf8()..];
        let end = number.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(number.len());
        let digits = number[..end].trim_end_matches('.');
        let zero = digits.starts_with('0') && digits.bytes().all(|byte| matches!(byte, b'0' | b'.'));
        // A hyphen in a date, a range or a word is no sign.
        let sign = c == '-' && !before.is_alphanumeric() && !number[end..].starts_with(['-', ':']);
        if !(sign && zero) {
            kept.push(c);
        }
        before = c;
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_carries_what_its_equation_says() {
        const TAW: Equation = Equation {
            gives: "total available water",
            form: "TAW = 1000 (FC - WP) Zr",
            source: "FAO-56 eq. 82",
            check: Check::Table("fao56_example_36.csv"),
        };
        let step = TAW.step("1000 x (0.150 - 0.065) x 0.50 m = 42.5 mm".to_owned());
        assert_eq!(step.form, TAW.form);
        assert_eq!(step.check, "checked against tests/published/fao56_example_36.csv");
    }

    #[test]
    fn a_number_that_rounds_to_nothing_has_no_sign() {
        for (given, kept) in [
            ("The water is -0.0 °C.", "The water is 0.0 °C."),
            ("it is -0.0.", "it is 0.0."),
            ("1.5 - 1.5 = -0.00 mm (-0 %)", "1.5 - 1.5 = 0.00 mm (0 %)"),
            ("-0.04 and -0.5 and -10.0", "-0.04 and -0.5 and -10.0"),
            ("2026-04-07, bed-0, 5-0, 10 to -05:00", "2026-04-07, bed-0, 5-0, 10 to -05:00"),
            ("nothing", "nothing"),
        ] {
            assert_eq!(without_minus_zero(given.to_owned()), kept);
        }
    }
}
