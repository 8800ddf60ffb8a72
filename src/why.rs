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
#[derive(Clone, Debug, PartialEq)]
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
            with,
            source: Cow::Borrowed(self.source),
            check: self.check.words(),
        }
    }
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
}
