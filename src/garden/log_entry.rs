//! What an entry of the log may hold: one description of each kind, from which the
//! command's arguments, the page's form, stored rows, tables and all checks are made.
//!
//! The ranges are wide: they keep out slips of the finger and wrong units, not unusual
//! gardens. They are our own choice where no source stands beside them.

use jiff::{SignedDuration, Timestamp};

use crate::garden::log::{LogEvent, WaterTest};
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
    Sensor,
    /// A bed or the whole garden.
    BedOrGarden,
    /// A bed, a tank or the whole garden.
    Any,
    /// Wherever the garden's file has a job.
    Job,
}

impl About {
    /// Whether the whole garden fits.
    pub fn fits_garden(self) -> bool {
        matches!(self, Self::BedOrGarden | Self::Any)
    }

    /// The beds, tanks or sensors of a garden that fit, with their names.
    pub fn places(self, garden: &Garden) -> Vec<(&Id, &str)> {
        let beds = garden.beds.iter().map(|bed| (&bed.id, bed.name.as_str()));
        let tanks = garden.tanks.iter().map(|tank| (&tank.id, tank.name.as_str()));
        match self {
            Self::Bed | Self::BedOrGarden => beds.collect(),
            Self::Tank => tanks.collect(),
            Self::Sensor => garden.sensors.iter().map(|it| (&it.id, it.id.as_str())).collect(),
            Self::Any => beds.chain(tanks).collect(),
            Self::Job => Vec::new(),
        }
    }
}

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
    const fn within(
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

    const fn above(name: &'static str, label: &'static str, unit: &'static str, most: f64) -> Self {
        Self { above: true, ..Self::within(name, label, unit, 0.0, most) }
    }

    const fn needed(self) -> Self {
        Self { needed: true, ..self }
    }

    /// The command's `--name VALUE` for it.
    const fn argument(self, name: &'static str, value: &'static str, help: &'static str) -> Self {
        Self { argument: Argument { name, value, help, ..self.argument }, ..self }
    }

    const fn argument_rank(self, rank: u8) -> Self {
        Self { argument: Argument { rank, ..self.argument }, ..self }
    }

    const fn default(self, default: &'static str) -> Self {
        Self { argument: Argument { default: Some(default), ..self.argument }, ..self }
    }

    /// Its column in tables of the log.
    const fn column(self, symbol: &'static str, meaning: &'static str) -> Self {
        Self { symbol, meaning, ..self }
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

const TEMPERATURE: NumberField =
    NumberField::within("temperature_c", "Temperature of the water", "degrees C", -2.0, 45.0)
        .argument("temp-c", "DEGREES", "Temperature of the water, degrees C")
        .column("°C", "temperature of the water");
const PH: NumberField =
    NumberField::within("ph", "pH", "pH", 0.0, 14.0).argument("ph", "PH", "pH").column("", "pH of the water");
const AMMONIA: NumberField =
    NumberField::within("ammonia_mg_l", "Total ammonia as nitrogen (TAN)", "mg/L", 0.0, 100.0)
        .argument("ammonia", "MG/L", "Total ammonia as nitrogen (TAN), mg/L")
        .column("mg/L", "total ammonia as nitrogen");
const NITRITE: NumberField =
    NumberField::within("nitrite_mg_l", "Nitrite, if the kit says NO2-N (nitrogen)", "mg/L", 0.0, 100.0)
        .argument("nitrite", "MG/L", "Nitrite, if the kit reads nitrogen (NO2-N), mg/L")
        .column("mg/L", "nitrite as nitrogen");
const NITRITE_ION: NumberField =
    NumberField::within("nitrite_ion_mg_l", "Nitrite, if the kit says NO2 (the ion)", "mg/L", 0.0, 330.0)
        .argument("nitrite-ion", "MG/L", "Nitrite, if the kit reads the ion (NO2), mg/L")
        .column("mg/L", "nitrite as the ion");
const NITRATE: NumberField =
    NumberField::within("nitrate_mg_l", "Nitrate, if the kit says NO3-N (nitrogen)", "mg/L", 0.0, 2000.0)
        .argument("nitrate", "MG/L", "Nitrate, if the kit reads nitrogen (NO3-N), mg/L")
        .column("mg/L", "nitrate as nitrogen");
const NITRATE_ION: NumberField =
    NumberField::within("nitrate_ion_mg_l", "Nitrate, if the kit says NO3 (the ion)", "mg/L", 0.0, 9000.0)
        .argument("nitrate-ion", "MG/L", "Nitrate, if the kit reads the ion (NO3), mg/L")
        .column("mg/L", "nitrate as the ion");
const OXYGEN: NumberField = NumberField::within("oxygen_mg_l", "Dissolved oxygen", "mg/L", 0.0, 30.0)
    .argument("oxygen", "MG/L", "Dissolved oxygen, mg/L")
    .column("mg/L", "dissolved oxygen");
const DEPTH: NumberField = NumberField::within("depth_mm", "How deep", "mm", 1.0, 500.0)
    .needed()
    .argument("depth-mm", "MM", "How deep, mm: about 100 is for coarse mulch, 50 for fine")
    .default("100")
    .column("mm", "depth of the mulch");
const LEFT: NumberField = NumberField::within("left_mm", "How deep it is now", "mm", 0.0, 500.0)
    .needed()
    .argument("depth-mm", "MM", "How deep it is now, mm; 0 where none is left")
    .column("mm", "depth of mulch that was measured");
/// Three days: no forecast of rain is worth more. Ours.
const HOLD: NumberField = NumberField::within("hold_hours", "Within how many hours", "hours", 0.0, 72.0)
    .needed()
    .argument("hours", "HOURS", "Watering is held for so long; 0: rain is no longer expected")
    .default("24")
    .column("h", "within how long rain was expected");
const SECONDS: NumberField =
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
const LITRES: NumberField = NumberField::above("litres", "Litres, if somebody measured", "litres", 1e6)
    .argument("litres", "LITRES", "Where somebody measured")
    .column("L", "water given to a bed, or changed in a tank");
/// Of compost and worm castings, which have no water.
const VOLUME: NumberField = NumberField::above("volume_l", "Litres, if somebody measured", "litres", 1e5)
    .argument("litres", "LITRES", "Where somebody measured")
    .column("L", "compost or worm castings spread");
/// Half of what the hardest drinking waters have is far below this: it keeps out slips.
const HARDNESS: NumberField = NumberField::within(
    "carbonate_hardness_mg_l",
    "Carbonate hardness as calcium carbonate",
    "mg/L",
    0.0,
    1000.0,
)
.argument("mg-l", "MG/L", "As calcium carbonate, mg/L (also called ppm)")
.column("mg/L", "carbonate hardness as calcium carbonate");
const HARDNESS_DEGREES: NumberField = NumberField::within(
    "carbonate_hardness_degrees",
    "Carbonate hardness in German degrees",
    "degrees",
    0.0,
    56.0,
)
.argument("degrees", "DEGREES", "In German degrees, where the kit counts drops (dKH)")
.column("°dH", "carbonate hardness in German degrees, each 17.85 mg/L as calcium carbonate");
const KG: NumberField = NumberField::above("kg", "Weight", "kg", 1e5)
    .needed()
    .argument("kg", "KG", "")
    .column("kg", "mass of the harvest");
const COUNT: NumberField = NumberField {
    whole: true,
    ..NumberField::within("count", "How many", "fish", 1.0, 1e6)
        .needed()
        .argument("count", "COUNT", "")
        .column("", "how many fish")
};
const GRAMS_EACH: NumberField = NumberField {
    stored: "grams",
    ..NumberField::above("grams_each", "Weight of one, about", "grams", 1e5)
        .argument("grams-each", "GRAMS", "Weight of one, grams")
        .column("g", "mass of one fish")
};
const GRAMS: NumberField = NumberField::above("grams", "How much food", "grams", 1e6)
    .needed()
    .argument("grams", "GRAMS", "")
    .column("g", "feed given");
const HOURS: NumberField = NumberField::above("hours", "For how many hours", "hours", 48.0)
    .needed()
    .argument("hours", "HOURS", "")
    .default("2")
    .column("h", "how long it takes");

/// One kind of entry.
#[derive(Clone, Copy, Debug)]
pub struct EntryKind {
    /// As in [`LogEvent::name`].
    pub name: &'static str,
    /// As people choose it: "The fish were fed".
    pub label: &'static str,
    /// As the command's help lists it, and its place there.
    pub help: &'static str,
    pub help_rank: u8,
    pub about: About,
    pub numbers: &'static [NumberField],
    /// Where one of the numbers must be there, whichever: what the command answers
    /// without any.
    pub one_needed: Option<&'static str>,
    /// Whether its numbers say the same thing in two units, so that one is enough.
    pub one_only: bool,
    /// Whether a crop of the table can be named.
    pub crop: bool,
    /// Whether it names a job of the garden's file, and by that its place.
    pub job: bool,
    /// Whether it is nothing without a note.
    pub note_needed: bool,
    /// How a test is made, and its cautions.
    pub how_to: Option<&'static str>,
    /// Cautions for whoever does it. Common practice; local rules come first.
    pub caution: Option<&'static str>,
}

const PLAIN: EntryKind = EntryKind {
    name: "note",
    label: "Anything else",
    help: "Anything else, about a bed, a tank or the whole garden",
    help_rank: 14,
    about: About::Any,
    numbers: &[],
    one_needed: None,
    one_only: false,
    crop: false,
    job: false,
    note_needed: false,
    how_to: None,
    caution: None,
};
const OF_BED: EntryKind = EntryKind { about: About::Bed, ..PLAIN };
const OF_TANK: EntryKind = EntryKind { about: About::Tank, ..PLAIN };

/// Every kind, the everyday ones first.
pub const KINDS: [EntryKind; 30] = [
    EntryKind {
        name: "watered",
        label: "Watered by hand",
        help: "A bed was watered by hand",
        help_rank: 5,
        numbers: &[LITRES],
        ..OF_BED
    },
    EntryKind {
        name: "rained",
        label: "Rain wetted a bed",
        help: "Rain wetted a bed, whatever the rain gauge says",
        help_rank: 14,
        ..OF_BED
    },
    EntryKind {
        name: "timer-ran",
        label: "The timer watered a bed",
        help: "A timer watered a bed",
        help_rank: 15,
        ..OF_BED
    },
    EntryKind {
        name: "cause-not-known",
        label: "Nobody knows what watered a bed",
        help: "Nobody knows what watered a bed: it is not asked again",
        help_rank: 16,
        ..OF_BED
    },
    EntryKind {
        name: "planted",
        label: "Planted or sown",
        help: "Something was planted or sown",
        help_rank: 6,
        crop: true,
        ..OF_BED
    },
    EntryKind {
        name: "harvest",
        label: "Harvested",
        help: "A harvest, by weight and crop",
        help_rank: 7,
        numbers: &[KG],
        crop: true,
        ..OF_BED
    },
    EntryKind {
        name: "pests",
        label: "Pests or a disease",
        help: "Pests or a disease: which, how many and what was done, in a note",
        help_rank: 19,
        note_needed: true,
        caution: Some(
            "Find out what it is first, and try hands, water and nets. Sprays are for adults who may use them, by the \
             label and the school's rules: never near a fish tank, and never on what is about to be eaten.",
        ),
        ..OF_BED
    },
    EntryKind {
        name: "compost",
        label: "Compost spread",
        help: "Compost went on a bed",
        help_rank: 17,
        numbers: &[VOLUME],
        caution: Some(DUST),
        ..OF_BED
    },
    EntryKind {
        name: "worm-castings",
        label: "Worm castings spread",
        help: "Worm castings went on a bed",
        help_rank: 18,
        numbers: &[VOLUME],
        caution: Some(DUST),
        ..OF_BED
    },
    EntryKind {
        name: "mulch",
        label: "Mulch laid",
        help: "Mulch went down on a bed",
        help_rank: 1,
        numbers: &[DEPTH],
        ..OF_BED
    },
    EntryKind {
        name: "mulch-depth",
        label: "Mulch measured",
        help: "How deep the mulch on a bed still is",
        help_rank: 1,
        numbers: &[LEFT],
        ..OF_BED
    },
    EntryKind {
        name: "mulch-not-laid",
        label: "Planned mulch not laid",
        help: "Mulch that was planned was not laid: it is not asked again",
        help_rank: 16,
        ..OF_BED
    },
    EntryKind {
        name: "rain-expected",
        label: "Rain is expected: hold the watering",
        help: "Rain is expected: a dry bed is told only when it has not come by then",
        help_rank: 13,
        about: About::BedOrGarden,
        numbers: &[HOLD],
        ..PLAIN
    },
    EntryKind {
        name: "water-drop",
        label: "Water-drop test of dry soil",
        help: "How long a drop of water lay on dry soil before it went in",
        help_rank: 3,
        numbers: &[SECONDS],
        how_to: Some(soil::HOW_TO_WATER_DROP),
        ..OF_BED
    },
    EntryKind {
        name: "wetting-agent",
        label: "Wetting agent used",
        help: "A wetting agent was used on a bed",
        help_rank: 2,
        how_to: Some(soil::AGENT_CARE),
        ..OF_BED
    },
    EntryKind {
        name: "ethanol-drop",
        label: "Ethanol-droplet test, by an adult",
        help: "The weakest solution of ethanol that went in within ten seconds",
        help_rank: 4,
        numbers: &[MOLARITY],
        how_to: Some(soil::HOW_TO_ETHANOL_DROPLET),
        ..OF_BED
    },
    EntryKind {
        name: "water-test",
        label: "Water tested",
        help: "A test of a tank's water, with the values that were tested",
        help_rank: 0,
        numbers: &[
            TEMPERATURE.argument_rank(2),
            PH.argument_rank(1),
            AMMONIA,
            NITRITE.argument_rank(3),
            NITRITE_ION.argument_rank(3),
            NITRATE.argument_rank(3),
            NITRATE_ION.argument_rank(3),
            OXYGEN.argument_rank(3),
        ],
        one_needed: Some(
            "a water test needs at least one value: --ammonia, --ph, --temp-c, --nitrite or --nitrite-ion, --nitrate or \
             --nitrate-ion, or --oxygen",
        ),
        how_to: Some(WATER_TEST),
        ..OF_TANK
    },
    EntryKind {
        name: "fed",
        label: "Fish fed",
        help: "The fish were fed",
        help_rank: 10,
        numbers: &[GRAMS],
        ..OF_TANK
    },
    EntryKind {
        name: "water-change",
        label: "Water changed in part",
        help: "A part of a tank's water was changed",
        help_rank: 20,
        numbers: &[LITRES],
        caution: Some(
            "Unplug pump and heater before a hand goes in. Change a tenth to a fifth at a time, more only where an alarm \
             asks for it, with water of nearly the same temperature. Tap water needs a conditioner for chlorine and \
             chloramine first: standing does not remove chloramine.",
        ),
        ..OF_TANK
    },
    EntryKind {
        name: "carbonate-hardness",
        label: "Carbonate hardness tested",
        help: "A test of a tank's carbonate hardness, in the unit of the kit",
        help_rank: 21,
        numbers: &[HARDNESS, HARDNESS_DEGREES],
        one_needed: Some("a test of carbonate hardness needs its value: --mg-l or --degrees"),
        one_only: true,
        ..OF_TANK
    },
    EntryKind {
        name: "filter-cleaned",
        label: "Filter cleaned",
        help: "A tank's filter was cleaned",
        help_rank: 22,
        caution: Some(
            "Unplug the pump first. Rinse sponges and media in a bucket of the tank's own water: tap water kills the \
             bacteria that keep ammonia down. Never clean all of it on one day.",
        ),
        ..OF_TANK
    },
    EntryKind {
        name: "tank-cleaning",
        label: "Tank being cleaned",
        help: "A tank is being cleaned: its alarms are quiet for so long",
        help_rank: 11,
        numbers: &[HOURS],
        ..OF_TANK
    },
    EntryKind {
        name: "bag",
        label: "Bag of new fish floats on the tank",
        help: "A bag of fish floats on a tank",
        help_rank: 12,
        numbers: &[
            TEMPERATURE.argument("temp-c", "DEGREES", "Temperature of the water in the bag, degrees C"),
            PH.argument("ph", "PH", "Its pH"),
        ],
        one_needed: Some("a bag needs --temp-c, --ph or both"),
        ..OF_TANK
    },
    EntryKind {
        name: "fish-added",
        label: "Fish added",
        help: "Fish went into a tank",
        help_rank: 8,
        numbers: &[COUNT, GRAMS_EACH],
        ..OF_TANK
    },
    EntryKind {
        name: "fish-lost",
        label: "Fish died or taken out",
        help: "Fish died or were taken out",
        help_rank: 9,
        numbers: &[COUNT],
        caution: Some(FISH_LOST),
        ..OF_TANK
    },
    EntryKind {
        name: "probe",
        label: "Probe or other sensor replaced",
        help: "A sensor was replaced by another one: what was learned from it starts afresh",
        help_rank: 13,
        about: About::Sensor,
        ..PLAIN
    },
    EntryKind {
        name: "sensor-cleaned",
        label: "Probe, gauge or other sensor cleaned",
        help: "A probe, gauge or other sensor was cleaned",
        help_rank: 23,
        about: About::Sensor,
        caution: Some(
            "A rain gauge that is tipped by hand counts rain: write it down. Let an adult go up ladders and roofs.",
        ),
        ..PLAIN
    },
    EntryKind {
        name: "battery",
        label: "Battery changed or charged",
        help: "A sensor's battery was changed or charged",
        help_rank: 24,
        about: About::Sensor,
        caution: Some(
            "Use the type that the device's maker names. Old batteries go to a collection point, never into the bin; \
             button cells are deadly when swallowed.",
        ),
        ..PLAIN
    },
    EntryKind {
        name: "job-done",
        label: "A job that comes round was done",
        help: "A job of the garden's file was done: --job NAME",
        help_rank: 25,
        about: About::Job,
        job: true,
        ..PLAIN
    },
    EntryKind { note_needed: true, ..PLAIN },
];

/// 14.007/18.039 of ammonium is nitrogen, by the atomic masses; the rest is common practice.
const WATER_TEST: &str = "Look in the kit's leaflet first: does it read nitrogen (NO2-N, NO3-N, NH3-N) or the ion (NO2, NO3, \
                          NH4)? Use the box that says the same. If it reads ammonia as NH4, enter 0.78 times its number. \
                          Rinse the tube with tank water, and keep to the kit's waiting time. Keep its drops off skin and \
                          eyes, and wash your hands afterwards.";
/// Common practice; states ask for reports of fish kills and of signs of disease.
const FISH_LOST: &str = "Net dead fish out with gloves on, and test the water today. If several died, or you cannot tell why, \
                         ring your state's fisheries hotline. Keep one of the dead fish cool for them, in a bag, away from \
                         food. Put none into a creek, a dam or the compost. Wash your hands.";
const DUST: &str = "Damp it down before you move it, wear gloves and a mask, and wash your hands: its dust can carry \
                    Legionella.";

/// The kind of a name.
pub fn kind(name: &str) -> Option<&'static EntryKind> {
    KINDS.iter().find(|kind| kind.name == name)
}

/// The number of a name, of whichever kind of entry.
pub fn number(name: &str) -> Option<&'static NumberField> {
    KINDS.iter().flat_map(|kind| kind.numbers).find(|number| number.name == name)
}

/// What was seen or done, from numbers by name that were checked, one by one, and the
/// crop or job that it names. `None` where a number or job that it needs is missing, or is
/// not the count that it should be.
pub fn event(
    kind: &EntryKind,
    number: impl Fn(&str) -> Option<f64>,
    named: Option<String>,
) -> Option<LogEvent> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked to be a whole u32")]
    let count = || {
        let count = number("count")?;
        (count.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&count)).then_some(count as u32)
    };
    Some(match kind.name {
        "water-test" => LogEvent::WaterTest(WaterTest {
            temperature_c: number("temperature_c"),
            ph: number("ph"),
            ammonia_mg_l: number("ammonia_mg_l"),
            nitrite_mg_l: number("nitrite_mg_l"),
            nitrite_ion_mg_l: number("nitrite_ion_mg_l"),
            nitrate_mg_l: number("nitrate_mg_l"),
            nitrate_ion_mg_l: number("nitrate_ion_mg_l"),
            oxygen_mg_l: number("oxygen_mg_l"),
        }),
        "mulch" => LogEvent::MulchLaid { depth_mm: number("depth_mm")? },
        "wetting-agent" => LogEvent::WettingAgent,
        "water-drop" => LogEvent::WaterDrop { seconds: number("seconds")? },
        "ethanol-drop" => LogEvent::EthanolDrop { molarity: number("molarity")? },
        "watered" => LogEvent::Watered { litres: number("litres") },
        "rained" => LogEvent::Rained,
        "timer-ran" => LogEvent::TimerRan,
        "cause-not-known" => LogEvent::CauseNotKnown,
        "planted" => LogEvent::Planted { crop: named },
        "compost" => LogEvent::Compost { litres: number("volume_l") },
        "worm-castings" => LogEvent::WormCastings { litres: number("volume_l") },
        "pests" => LogEvent::Pests,
        "harvest" => LogEvent::Harvest { kg: number("kg")?, crop: named },
        "fish-added" => LogEvent::FishAdded { count: count()?, grams_each: number("grams_each") },
        "fish-lost" => LogEvent::FishLost { count: count()? },
        "fed" => LogEvent::Fed { grams: number("grams")? },
        "tank-cleaning" => LogEvent::TankCleaning { hours: number("hours")? },
        "bag" => LogEvent::Bag { temperature_c: number("temperature_c"), ph: number("ph") },
        "mulch-depth" => LogEvent::MulchMeasured { depth_mm: number("left_mm")? },
        "mulch-not-laid" => LogEvent::MulchNotLaid,
        "rain-expected" => LogEvent::RainExpected { hours: number("hold_hours")? },
        "water-change" => LogEvent::WaterChange { litres: number("litres") },
        "carbonate-hardness" => LogEvent::CarbonateHardness {
            mg_l: number("carbonate_hardness_mg_l"),
            degrees: number("carbonate_hardness_degrees"),
        },
        "filter-cleaned" => LogEvent::FilterCleaned,
        "probe" => LogEvent::ProbeReplaced,
        "sensor-cleaned" => LogEvent::SensorCleaned,
        "battery" => LogEvent::BatteryChanged,
        "job-done" => LogEvent::JobDone { job: named? },
        _ => LogEvent::Note,
    })
}

/// Whether nothing is given in two forms: a kit reads the nitrogen or the ion.
///
/// # Errors
/// The field that is one too many, and what to do.
pub fn check_forms(has: impl Fn(&str) -> bool) -> Result<(), (&'static str, &'static str)> {
    for (nitrogen, ion, why) in [
        (
            "nitrite_mg_l",
            "nitrite_ion_mg_l",
            "nitrite is given as nitrogen and as the ion: give only what the kit reads",
        ),
        (
            "nitrate_mg_l",
            "nitrate_ion_mg_l",
            "nitrate is given as nitrogen and as the ion: give only what the kit reads",
        ),
    ] {
        if has(nitrogen) && has(ion) {
            return Err((ion, why));
        }
    }
    Ok(())
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

/// One German degree as calcium carbonate, mg/L: 10 mg/L of CaO by its definition, times
/// 100.09/56.08, the masses of CaCO3 and CaO.
const DEGREE_MG_L: f64 = 17.85;
/// Below this water holds its pH poorly (FAO Technical Paper 589, chapter 3, from memory).
const HARDNESS_LOW_MG_L: f64 = 60.0;

/// What a test of the soil or of a tank's hardness means.
pub fn meaning(what: &LogEvent) -> Option<String> {
    match what {
        LogEvent::WaterDrop { seconds } => {
            let class = soil::WaterDrop::of_seconds(*seconds).ok()?;
            let then = match class {
                soil::WaterDrop::Wettable => "it takes water",
                soil::WaterDrop::Slightly => "water it slowly, and test again when it is drier",
                _ => {
                    "use a wetting agent by its label, away from tanks and off leaves that are eaten, water it in slowly, and lay no mulch before"
                }
            };
            Some(format!("The soil is {}: {then}.", class.name()))
        }
        LogEvent::EthanolDrop { molarity } => {
            let rating = soil::Ethanol::of_molarity(*molarity).ok()?;
            Some(format!("Water repellency: {} (bands of the rating from memory).", rating.name()))
        }
        LogEvent::CarbonateHardness { mg_l, degrees } => {
            let mg_l = mg_l.or(degrees.map(|degrees| degrees * DEGREE_MG_L))?;
            let then = if mg_l < HARDNESS_LOW_MG_L {
                "little holds the pH: it can fall within days. Test pH and hardness each week, and ask whoever supplied \
                 the fish before you add anything"
            } else {
                "it holds the pH"
            };
            Some(format!(
                "That is {mg_l:.0} mg/L as calcium carbonate: {then} (60 to 140 mg/L is usual in tanks: FAO Technical \
                 Paper 589, chapter 3, from memory)."
            ))
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
            let field = |name: &str| kind.numbers.iter().find(|number| number.name == name);
            let job = || kind.job.then(|| "Handover".to_owned());
            let made = event(kind, |name| field(name).map(|number| number.most), job()).unwrap();
            assert_eq!(made.name(), kind.name);
            let expected: Vec<_> = kind.numbers.iter().map(|number| (number.name, number.most)).collect();
            let mut got = made.numbers();
            got.sort_by_key(|(name, _)| kind.numbers.iter().position(|number| number.name == *name));
            assert_eq!(got, expected, "{}", kind.name);
            let needs = kind.job || kind.numbers.iter().any(|number| number.needed);
            assert_eq!(event(kind, |_| None, None).is_none(), needs, "{}", kind.name);
            names.push(kind.name);
        }
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), KINDS.len());
    }

    #[test]
    fn words_for_whoever_tests_or_loses_fish_are_whole() {
        for kind in &KINDS {
            for words in [kind.how_to, kind.caution].into_iter().flatten() {
                assert!(!words.contains("  "), "{}: {words}", kind.name);
            }
        }
        let how_to = kind("water-test").and_then(|it| it.how_to).unwrap();
        assert!(how_to.contains("nitrogen") && how_to.contains("the ion"), "{how_to}");
        // 14.007 of 18.039 by the atomic masses.
        assert!(how_to.contains(&format!("{:.2} times", 14.007 / 18.039)), "{how_to}");
        let lost = kind("fish-lost").and_then(|it| it.caution).unwrap();
        assert!(lost.contains("your state's fisheries hotline"), "{lost}");
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
