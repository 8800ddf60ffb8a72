//! What an entry of the log may hold: one description of each kind, from which the
//! command, the page's form and their checks are made.
//!
//! The ranges are wide: they keep out slips of the finger and wrong units, not unusual
//! gardens. They are our own choice where no source stands beside them.

use jiff::{SignedDuration, Timestamp};

use crate::garden::log::{Seen, WaterTest};
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::soil;

/// Characters of a note at most.
pub const NOTE_MAX: usize = 2000;

/// How long ago an entry may lie, days: ten years. Older is a slip in the year.
pub const AGE_MAX_DAYS: i64 = 3653;

/// Which places an entry may be about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum About {
    Bed,
    Tank,
    /// A bed, a tank or the whole garden.
    Any,
}

impl About {
    /// The beds or tanks of a garden that fit, with their names.
    pub fn places(self, garden: &Garden) -> Vec<(&Id, &str)> {
        let beds = garden.beds.iter().map(|bed| (&bed.id, bed.name.as_str()));
        let tanks = garden.tanks.iter().map(|tank| (&tank.id, tank.name.as_str()));
        match self {
            Self::Bed => beds.collect(),
            Self::Tank => tanks.collect(),
            Self::Any => beds.chain(tanks).collect(),
        }
    }
}

/// One number of an entry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Number {
    /// As in [`Seen::numbers`].
    pub name: &'static str,
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
}

impl Number {
    const fn within(
        name: &'static str,
        label: &'static str,
        unit: &'static str,
        least: f64,
        most: f64,
    ) -> Self {
        Self { name, label, unit, least, most, above: false, whole: false, needed: false }
    }

    const fn above(name: &'static str, label: &'static str, unit: &'static str, most: f64) -> Self {
        Self { name, label, unit, least: 0.0, most, above: true, whole: false, needed: false }
    }

    const fn needed(self) -> Self {
        Self { needed: true, ..self }
    }

    const fn whole(self) -> Self {
        Self { whole: true, ..self }
    }

    /// The number, where it is one that can be.
    ///
    /// # Errors
    /// What is accepted: "accepted are 0 to 14 pH".
    pub fn check(&self, given: f64) -> Result<f64, String> {
        let inside = given >= self.least && given <= self.most && !(self.above && given <= self.least);
        let whole = !self.whole || given.fract() == 0.0;
        if inside && whole { Ok(given) } else { Err(self.accepted()) }
    }

    /// What is accepted.
    pub fn accepted(&self) -> String {
        let Self { least, most, unit, .. } = self;
        let whole = if self.whole && self.unit != "fish" { "whole numbers from " } else { "" };
        if self.above {
            format!("accepted is above {least} to {most} {unit}")
        } else {
            format!("accepted are {whole}{least} to {most} {unit}")
        }
    }
}

pub const TEMPERATURE: Number =
    Number::within("temperature_c", "Temperature of the water", "degrees C", -2.0, 45.0);
pub const PH: Number = Number::within("ph", "pH", "pH", 0.0, 14.0);
pub const AMMONIA: Number =
    Number::within("ammonia_mg_l", "Total ammonia as nitrogen (TAN)", "mg/L", 0.0, 100.0);
pub const NITRITE: Number = Number::within("nitrite_mg_l", "Nitrite as nitrogen", "mg/L", 0.0, 100.0);
pub const NITRATE: Number = Number::within("nitrate_mg_l", "Nitrate as nitrogen", "mg/L", 0.0, 2000.0);
pub const OXYGEN: Number = Number::within("oxygen_mg_l", "Dissolved oxygen", "mg/L", 0.0, 30.0);
pub const DEPTH: Number = Number::within("depth_mm", "How deep", "mm", 1.0, 500.0).needed();
pub const SECONDS: Number =
    Number::within("seconds", "Seconds until the drop had gone in", "seconds", 0.0, 86_400.0).needed();
/// The ratings lie 0.2 mol/L apart; [`seen`] refuses what lies between them.
pub const MOLARITY: Number = Number::within(
    "molarity",
    "Ethanol that went in within ten seconds",
    "mol/L",
    0.0,
    soil::ETHANOL_MAX_MOL_L,
)
.needed();
pub const LITRES: Number = Number::above("litres", "Litres, if somebody measured", "litres", 1e6);
pub const KG: Number = Number::above("kg", "Weight", "kg", 1e5).needed();
pub const COUNT: Number = Number::within("count", "How many", "fish", 1.0, 1e6).needed().whole();
pub const GRAMS_EACH: Number = Number::above("grams_each", "Weight of one, about", "grams", 1e5);
pub const GRAMS: Number = Number::above("grams", "How much food", "grams", 1e6).needed();
pub const HOURS: Number = Number::above("hours", "For how many hours", "hours", 48.0).needed();

/// One kind of entry.
#[derive(Clone, Copy, Debug)]
pub struct EntryKind {
    /// As [`Seen::name`] gives it.
    pub name: &'static str,
    /// As people choose it: "The fish were fed".
    pub label: &'static str,
    pub about: About,
    pub numbers: &'static [Number],
    /// Whether one of the numbers must be there, whichever.
    pub one_needed: bool,
    /// Whether a crop of the table can be named.
    pub crop: bool,
    /// Whether it is nothing without a note.
    pub note_needed: bool,
    /// How a test is made, and its cautions.
    pub how_to: Option<&'static str>,
}

const PLAIN: EntryKind = EntryKind {
    name: "note",
    label: "Anything else",
    about: About::Any,
    numbers: &[],
    one_needed: false,
    crop: false,
    note_needed: false,
    how_to: None,
};

/// Every kind, the everyday ones first.
pub const KINDS: [EntryKind; 14] = [
    EntryKind { name: "watered", label: "Watered by hand", about: About::Bed, numbers: &[LITRES], ..PLAIN },
    EntryKind { name: "planted", label: "Planted or sown", about: About::Bed, crop: true, ..PLAIN },
    EntryKind { name: "harvest", label: "Harvested", about: About::Bed, numbers: &[KG], ..PLAIN },
    EntryKind { name: "mulch", label: "Mulch laid", about: About::Bed, numbers: &[DEPTH], ..PLAIN },
    EntryKind {
        name: "water-drop",
        label: "Water-drop test of dry soil",
        about: About::Bed,
        numbers: &[SECONDS],
        how_to: Some(soil::HOW_TO_WATER_DROP),
        ..PLAIN
    },
    EntryKind { name: "wetting-agent", label: "Wetting agent used", about: About::Bed, ..PLAIN },
    EntryKind {
        name: "ethanol-drop",
        label: "Ethanol-droplet test, by an adult",
        about: About::Bed,
        numbers: &[MOLARITY],
        how_to: Some(soil::HOW_TO_ETHANOL_DROPLET),
        ..PLAIN
    },
    EntryKind {
        name: "water-test",
        label: "Water tested",
        about: About::Tank,
        numbers: &[TEMPERATURE, PH, AMMONIA, NITRITE, NITRATE, OXYGEN],
        one_needed: true,
        ..PLAIN
    },
    EntryKind { name: "fed", label: "Fish fed", about: About::Tank, numbers: &[GRAMS], ..PLAIN },
    EntryKind {
        name: "tank-cleaning",
        label: "Tank being cleaned",
        about: About::Tank,
        numbers: &[HOURS],
        ..PLAIN
    },
    EntryKind {
        name: "bag",
        label: "Bag of new fish floats on the tank",
        about: About::Tank,
        numbers: &[TEMPERATURE, PH],
        one_needed: true,
        ..PLAIN
    },
    EntryKind {
        name: "fish-added",
        label: "Fish added",
        about: About::Tank,
        numbers: &[COUNT, GRAMS_EACH],
        ..PLAIN
    },
    EntryKind {
        name: "fish-lost",
        label: "Fish died or taken out",
        about: About::Tank,
        numbers: &[COUNT],
        ..PLAIN
    },
    EntryKind { note_needed: true, ..PLAIN },
];

/// The kind of a name.
pub fn kind(name: &str) -> Option<&'static EntryKind> {
    KINDS.iter().find(|kind| kind.name == name)
}

/// What was seen or done, from numbers that were checked, one by one. `None` where a
/// number that it needs is missing.
pub fn seen(kind: &EntryKind, number: impl Fn(&Number) -> Option<f64>, crop: Option<String>) -> Option<Seen> {
    // Whole and up to a million, as the check says.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked to be 1 to 1000000")]
    let count = || number(&COUNT).map(|count| count as u32);
    Some(match kind.name {
        "water-test" => Seen::WaterTest(WaterTest {
            temperature_c: number(&TEMPERATURE),
            ph: number(&PH),
            ammonia_mg_l: number(&AMMONIA),
            nitrite_mg_l: number(&NITRITE),
            nitrate_mg_l: number(&NITRATE),
            oxygen_mg_l: number(&OXYGEN),
        }),
        "mulch" => Seen::MulchLaid { depth_mm: number(&DEPTH)? },
        "wetting-agent" => Seen::WettingAgent,
        "water-drop" => Seen::WaterDrop { seconds: number(&SECONDS)? },
        "ethanol-drop" => Seen::EthanolDrop { molarity: number(&MOLARITY)? },
        "watered" => Seen::Watered { litres: number(&LITRES) },
        "planted" => Seen::Planted { crop },
        "harvest" => Seen::Harvest { kg: number(&KG)? },
        "fish-added" => Seen::FishAdded { count: count()?, grams_each: number(&GRAMS_EACH) },
        "fish-lost" => Seen::FishLost { count: count()? },
        "fed" => Seen::Fed { grams: number(&GRAMS)? },
        "tank-cleaning" => Seen::TankCleaning { hours: number(&HOURS)? },
        "bag" => Seen::Bag { temperature_c: number(&TEMPERATURE), ph: number(&PH) },
        _ => Seen::Note,
    })
}

/// Whether a molarity is one of the test's mixtures.
///
/// # Errors
/// What is wrong with it.
pub fn check_molarity(molarity: f64) -> Result<f64, String> {
    soil::Ethanol::of_molarity(molarity).map(|_| molarity).map_err(|fault| fault.to_string())
}

/// The crop, where it is one of the table.
///
/// # Errors
/// The crops that there are.
pub fn check_crop(crop: &str) -> Result<(), String> {
    if soil::crop(crop).is_some() {
        return Ok(());
    }
    let known: Vec<&str> = soil::CROPS.iter().map(|c| c.name).collect();
    Err(format!("is not in the table; the crops are: {}", known.join(", ")))
}

/// # Errors
/// How long a note may be.
pub fn check_note(note: &str) -> Result<(), String> {
    let length = note.chars().count();
    if length <= NOTE_MAX {
        return Ok(());
    }
    Err(format!("a note of {length} characters: accepted are {NOTE_MAX} at most"))
}

/// Whether something can have been seen or done at a time.
///
/// # Errors
/// Completes "that time ...".
pub fn check_time(at: Timestamp, now: Timestamp) -> Result<(), &'static str> {
    if at > now {
        return Err("has not come yet: the log holds what was seen or done");
    }
    if now.duration_since(at) > SignedDuration::from_hours(AGE_MAX_DAYS * 24) {
        return Err("is more than ten years ago: look at the year");
    }
    Ok(())
}

/// What a test of the soil means.
pub fn meaning(what: &Seen) -> Option<String> {
    match what {
        Seen::WaterDrop { seconds } => {
            let class = soil::WaterDrop::of_seconds(*seconds).ok()?;
            let then = match class {
                soil::WaterDrop::Wettable => "it takes water",
                soil::WaterDrop::Slightly => "water it slowly, and test again when it is drier",
                _ => "use a wetting agent by its label, water it in slowly, and lay no mulch before",
            };
            Some(format!("The soil is {}: {then}.", class.name()))
        }
        Seen::EthanolDrop { molarity } => {
            let rating = soil::Ethanol::of_molarity(*molarity).ok()?;
            Some(format!("Water repellency: {} (bands of the rating from memory).", rating.name()))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every kind makes its own entry, and every number of an entry comes from a field.
    #[test]
    fn each_kind_makes_its_entry_from_its_numbers() {
        let mut names: Vec<&str> = Vec::new();
        for kind in &KINDS {
            let value = |number: &Number| number.most;
            let made = seen(kind, |number| Some(value(number)), None).unwrap();
            assert_eq!(made.name(), kind.name);
            let expected: Vec<_> = kind.numbers.iter().map(|number| (number.name, value(number))).collect();
            let mut got = made.numbers();
            got.sort_by_key(|(name, _)| kind.numbers.iter().position(|number| number.name == *name));
            assert_eq!(got, expected, "{}", kind.name);
            let needs = kind.numbers.iter().any(|number| number.needed);
            assert_eq!(seen(kind, |_| None, None).is_none(), needs, "{}", kind.name);
            names.push(kind.name);
        }
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), KINDS.len());
    }

    #[test]
    fn a_number_is_taken_up_to_its_ends_and_no_further() {
        for number in KINDS.iter().flat_map(|kind| kind.numbers) {
            assert_eq!(number.check(number.most), Ok(number.most), "{}", number.name);
            assert_eq!(number.check(number.least).is_ok(), !number.above, "{}", number.name);
            for wrong in
                [number.most * 1.001 + 0.001, number.least - 0.001, f64::NAN, f64::INFINITY, -f64::INFINITY]
            {
                assert_eq!(number.check(wrong), Err(number.accepted()), "{} {wrong}", number.name);
            }
        }
        assert!(COUNT.check(2.5).is_err());
    }

    #[test]
    fn a_time_must_have_come_and_not_be_of_another_decade() {
        let now: Timestamp = "2026-04-17T05:30:00Z".parse().unwrap();
        let at = |text: &str| check_time(text.parse().unwrap(), now);
        assert_eq!(at("2026-04-17T05:30:00Z"), Ok(()));
        assert!(at("2026-04-17T05:30:00.001Z").is_err());
        assert_eq!(at("2016-04-20T00:00:00Z"), Ok(()));
        assert!(at("2016-04-01T00:00:00Z").is_err());
        assert!(check_time(Timestamp::MIN, Timestamp::MAX).is_err());
    }
}
