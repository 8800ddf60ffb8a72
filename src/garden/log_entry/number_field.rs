//! The numbers that an entry of the log may hold, each with its range, its names and its texts.

use crate::soil;

/// One number of an entry: what the command's argument, the form's field, the stored
/// row, the column of a table and the check of its range are made from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NumberField {
    /// As in [`LogEvent::numbers`].
    pub name: &'static str,
    /// Its name in stored rows.
    pub stored: &'static str,
    /// As the form asks for it.
    pub label: &'static str,
    pub unit: &'static str,
    pub least: f64,
    pub most: f64,
    /// Whether `least` itself is no value: amounts are above nothing.
    pub above: bool,
    /// Whether it counts things.
    pub whole: bool,
    /// Whether an entry needs it.
    pub needed: bool,
    pub argument: Argument,
    /// The unit's symbol and the meaning in tables of the log.
    pub symbol: &'static str,
    pub meaning: &'static str,
}

/// How the command asks for a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Argument {
    /// Without its dashes.
    pub name: &'static str,
    /// What stands for the value.
    pub value: &'static str,
    /// Empty where the name says it all.
    pub help: &'static str,
    /// The value where none is given.
    pub default: Option<&'static str>,
    /// Its place among the arguments: those of one rank keep the order of the form.
    pub rank: u8,
}

impl NumberField {
    pub(super) const fn within(
        name: &'static str,
        label: &'static str,
        unit: &'static str,
        least: f64,
        most: f64,
    ) -> Self {
        let argument = Argument { name, value: "", help: "", default: None, rank: 0 };
        Self {
            name,
            stored: name,
            label,
            unit,
            least,
            most,
            above: false,
            whole: false,
            needed: false,
            argument,
            symbol: "",
            meaning: "",
        }
    }

    pub(super) const fn above(
        name: &'static str,
        label: &'static str,
        unit: &'static str,
        most: f64,
    ) -> Self {
        Self { above: true, ..Self::within(name, label, unit, 0.0, most) }
    }

    pub(super) const fn needed(self) -> Self {
        Self { needed: true, ..self }
    }

    /// The command's `--name VALUE` for it.
    pub(super) const fn argument(self, name: &'static str, value: &'static str, help: &'static str) -> Self {
        Self { argument: Argument { name, value, help, ..self.argument }, ..self }
    }

    pub(super) const fn argument_rank(self, rank: u8) -> Self {
        Self { argument: Argument { rank, ..self.argument }, ..self }
    }

    pub(super) const fn default(self, default: &'static str) -> Self {
        Self { argument: Argument { default: Some(default), ..self.argument }, ..self }
    }

    /// Its column in tables of the log.
    pub(super) const fn column(self, symbol: &'static str, meaning: &'static str) -> Self {
        Self { symbol, meaning, ..self }
    }

    /// The number, where it is one that can be.
    ///
    /// # Errors
    /// What is accepted: "accepted are 0 to 14 mg/L".
    pub fn check(&self, given: f64) -> Result<f64, String> {
        let inside = given >= self.least && given <= self.most && !(self.above && given <= self.least);
        let whole = !self.whole || given.fract() == 0.0;
        if inside && whole { Ok(given) } else { Err(self.accepted()) }
    }

    /// What is accepted.
    pub fn accepted(&self) -> String {
        let Self { least, most, unit, .. } = self;
        // pH has no unit.
        let unit = if *unit == "pH" { String::new() } else { format!(" {unit}") };
        let whole = if self.whole && self.unit != "fish" { "whole numbers from " } else { "" };
        if self.above {
            format!("accepted is more than {least}, {most}{unit} at most")
        } else {
            format!("accepted are {whole}{least} to {most}{unit}")
        }
    }
}

pub(super) const TEMPERATURE: NumberField =
    NumberField::within("temperature_c", "Temperature of the water", "degrees C", -2.0, 45.0)
        .argument("temp-c", "DEGREES", "Temperature of the water, degrees C")
        .column("°C", "temperature of the water");
pub(super) const PH: NumberField =
    NumberField::within("ph", "pH", "pH", 0.0, 14.0).argument("ph", "PH", "pH").column("", "pH of the water");
pub(super) const AMMONIA: NumberField =
    NumberField::within("ammonia_mg_l", "Total ammonia as nitrogen (TAN)", "mg/L", 0.0, 100.0)
        .argument("ammonia", "MG/L", "Total ammonia as nitrogen (TAN), mg/L")
        .column("mg/L", "total ammonia as nitrogen");
pub(super) const NITRITE: NumberField =
    NumberField::within("nitrite_mg_l", "Nitrite, if the kit says NO2-N", "mg/L", 0.0, 100.0)
        .argument("nitrite", "MG/L", "Nitrite, if the kit reads nitrogen (NO2-N), mg/L")
        .column("mg/L", "nitrite as nitrogen");
pub(super) const NITRITE_ION: NumberField =
    NumberField::within("nitrite_ion_mg_l", "Nitrite, if the kit says NO2", "mg/L", 0.0, 330.0)
        .argument("nitrite-ion", "MG/L", "Nitrite, if the kit reads the ion (NO2), mg/L")
        .column("mg/L", "nitrite as the ion");
pub(super) const NITRATE: NumberField =
    NumberField::within("nitrate_mg_l", "Nitrate, if the kit says NO3-N", "mg/L", 0.0, 2000.0)
        .argument("nitrate", "MG/L", "Nitrate, if the kit reads nitrogen (NO3-N), mg/L")
        .column("mg/L", "nitrate as nitrogen");
pub(super) const NITRATE_ION: NumberField =
    NumberField::within("nitrate_ion_mg_l", "Nitrate, if the kit says NO3", "mg/L", 0.0, 9000.0)
        .argument("nitrate-ion", "MG/L", "Nitrate, if the kit reads the ion (NO3), mg/L")
        .column("mg/L", "nitrate as the ion");
pub(super) const OXYGEN: NumberField =
    NumberField::within("oxygen_mg_l", "Dissolved oxygen", "mg/L", 0.0, 30.0)
        .argument("oxygen", "MG/L", "Dissolved oxygen, mg/L")
        .column("mg/L", "dissolved oxygen");
pub(super) const DEPTH: NumberField = NumberField::within("depth_mm", "How deep", "mm", 1.0, 500.0)
    .needed()
    .argument("depth-mm", "MM", "How deep, mm: about 100 is for coarse mulch, 50 for fine")
    .default("100")
    .column("mm", "depth of the mulch");
pub(super) const LEFT: NumberField = NumberField::within("left_mm", "How deep it is now", "mm", 0.0, 500.0)
    .needed()
    .argument("depth-mm", "MM", "How deep it is now, mm; 0 where none is left")
    .column("mm", "depth of mulch that was measured");
/// Three days: no forecast of rain is worth more. Ours.
pub(super) const HOLD: NumberField =
    NumberField::within("hold_hours", "Within how many hours", "hours", 0.0, 72.0)
        .needed()
        .argument("hours", "HOURS", "Watering is held for so long; 0: rain is no longer expected")
        .default("24")
        .column("h", "within how long rain was expected");
pub(super) const SECONDS: NumberField =
    NumberField::within("seconds", "Seconds until the drop had gone in", "seconds", 0.0, 86_400.0)
        .needed()
        .argument("seconds", "SECONDS", "")
        .column("s", "time that a drop of water took to go into dry soil");
/// The ratings lie 0.2 mol/L apart; [`check_molarity`] refuses what lies between them.
pub const MOLARITY: NumberField = NumberField::within(
    "molarity",
    "Ethanol that went in within ten seconds",
    "mol/L",
    0.0,
    soil::ETHANOL_MAX_MOL_L,
)
.needed()
.argument("molarity", "MOL/L", "mol/L")
.column("mol/L", "weakest ethanol solution that goes in within ten seconds");
pub(super) const LITRES: NumberField =
    NumberField::above("litres", "Litres, if somebody measured", "litres", 1e6)
        .argument("litres", "LITRES", "Where somebody measured")
        .column("L", "water given to a bed, or changed in a tank");
/// Of compost and worm castings, which have no water.
pub(super) const VOLUME: NumberField =
    NumberField::above("volume_l", "Litres, if somebody measured", "litres", 1e5)
        .argument("litres", "LITRES", "Where somebody measured")
        .column("L", "compost or worm castings spread");
/// Half of what the hardest drinking waters have is far below this: it keeps out slips.
pub(super) const HARDNESS: NumberField = NumberField::within(
    "carbonate_hardness_mg_l",
    "Carbonate hardness as calcium carbonate",
    "mg/L",
    0.0,
    1000.0,
)
.argument("mg-l", "MG/L", "As calcium carbonate, mg/L (also called ppm)")
.column("mg/L", "carbonate hardness as calcium carbonate");
pub(super) const HARDNESS_DEGREES: NumberField = NumberField::within(
    "carbonate_hardness_degrees",
    "Carbonate hardness in German degrees",
    "degrees",
    0.0,
    56.0,
)
.argument("degrees", "DEGREES", "In German degrees, where the kit counts drops (dKH)")
.column("°dH", "carbonate hardness in German degrees, each 17.85 mg/L as calcium carbonate");
pub(super) const KG: NumberField = NumberField::above("kg", "Weight", "kg", 1e5)
    .needed()
    .argument("kg", "KG", "")
    .column("kg", "mass of the harvest");
pub(super) const COUNT: NumberField = NumberField {
    whole: true,
    ..NumberField::within("count", "How many", "fish", 1.0, 1e6)
        .needed()
        .argument("count", "COUNT", "")
        .column("", "how many fish")
};
pub(super) const GRAMS_EACH: NumberField = NumberField {
    stored: "grams",
    ..NumberField::above("grams_each", "Weight of one, about", "grams", 1e5)
        .argument("grams-each", "GRAMS", "Weight of one, grams")
        .column("g", "mass of one fish")
};
pub(super) const GRAMS: NumberField = NumberField::above("grams", "How much food", "grams", 1e6)
    .needed()
    .argument("grams", "GRAMS", "")
    .column("g", "feed given");
pub(super) const HOURS: NumberField = NumberField::above("hours", "For how many hours", "hours", 48.0)
    .needed()
    .argument("hours", "HOURS", "")
    .default("2")
    .column("h", "how long it takes");
