//! The unit that a number is entered in, where people at the site read customary units: a
//! choice beside the field, of the unit of the Garden log and of their own.

use maud::{Markup, html};

use super::FormFields;
use crate::garden::log_entry::NumberField;
use crate::text::locale::Locale;
use crate::text::locale::figures::{
    FAHRENHEIT_AT_ZERO_CELSIUS, FAHRENHEIT_IN_CELSIUS, GRAMS_IN_OUNCE, KILOGRAMS_IN_POUND, LITRES_IN_GALLON,
    MILLIMETRES_IN_INCH,
};

/// Decimals of the log's unit that are kept of a number in another one.
const KEPT: f64 = 1000.0;

/// A customary unit beside the one that the Garden log keeps.
#[derive(Debug)]
pub(super) struct EntryUnit {
    /// The log's unit, as [`NumberField::unit`] has it, and as the choice shows it.
    si: &'static str,
    si_shown: &'static str,
    customary: &'static str,
    /// Units of the log in a customary one.
    factor: f64,
    /// The customary figure at nothing of the log's.
    zero: f64,
}

const UNITS: [EntryUnit; 5] = [
    unit("litres", "liters", "US gallons", LITRES_IN_GALLON),
    unit("grams", "grams", "ounces", GRAMS_IN_OUNCE),
    unit("kg", "kg", "pounds", KILOGRAMS_IN_POUND),
    unit("mm", "mm", "inches", MILLIMETRES_IN_INCH),
    EntryUnit {
        si: "degrees C",
        si_shown: "°C",
        customary: "°F",
        factor: 1.0 / FAHRENHEIT_IN_CELSIUS,
        zero: FAHRENHEIT_AT_ZERO_CELSIUS,
    },
];

const fn unit(si: &'static str, si_shown: &'static str, customary: &'static str, factor: f64) -> EntryUnit {
    EntryUnit { si, si_shown, customary, factor, zero: 0.0 }
}

/// The choice of a number's unit; `None` where there is none.
pub(super) fn choice(number: &NumberField, locale: Locale) -> Option<&'static EntryUnit> {
    UNITS.iter().find(|unit| locale.has_customary_units() && unit.si == number.unit)
}

impl EntryUnit {
    fn field(number: &NumberField) -> String {
        format!("{}-unit", number.name)
    }

    /// The number in the log's unit. A form that names no unit means the log's.
    pub(super) fn to_log(&self, number: &NumberField, form: &FormFields, entered: f64) -> f64 {
        if form.text(&Self::field(number)) != self.customary {
            return entered;
        }
        (((entered - self.zero) * self.factor) * KEPT).round() / KEPT
    }

    /// The list beside the field. A number that is there already is in the log's unit, an
    /// empty field offers the customary one.
    pub(super) fn list(&self, number: &NumberField, form: &FormFields) -> Markup {
        let field = Self::field(number);
        let chosen = match form.text(&field) {
            "" if form.text(number.name).is_empty() => self.customary,
            chosen => chosen,
        };
        html! {
            " "
            select name=(field) class="unit" translate="no" aria-label={ "Unit of: " (number.label) } {
                option value=(self.customary) selected[chosen == self.customary] { (self.customary) }
                option value=(self.si) selected[chosen != self.customary] { (self.si_shown) }
            }
        }
    }
}
