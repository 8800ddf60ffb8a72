//! The kinds of entry of the log, one row for each.

use super::About;
use super::number_field::{
    AMMONIA, COUNT, DEPTH, GRAMS, GRAMS_EACH, HARDNESS, HARDNESS_DEGREES, HOLD, HOURS, KG, LEFT, LITRES,
    MOLARITY, NITRATE, NITRATE_ION, NITRITE, NITRITE_ION, NumberField, OXYGEN, PH, SECONDS, TEMPERATURE,
    VOLUME,
};
use crate::soil;

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
        caution: Some(
            "Give water in the hours that your water supplier and council allow. Nobody drinks from the hose.",
        ),
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
        caution: Some(
            "Wear gloves, and wash your hands after work with soil. Ask where pipes and cables lie before anybody digs deep.",
        ),
        ..OF_BED
    },
    EntryKind {
        name: "harvest",
        label: "Harvested",
        help: "A harvest, by weight and crop",
        help_rank: 7,
        numbers: &[KG],
        crop: true,
        caution: Some(
            "Wash hands, tools and harvest in drinking water. Ask about allergies before anybody tastes. Who is ill does not pick. \
             The school's food rules come first.",
        ),
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
        caution: Some(
            "Wear gloves and wash your hands: castings carry germs. Damp them down before you move them. Pour worm liquid, \
             thinned with water, onto soil only, and keep it off what is eaten raw. Two adults lift full trays.",
        ),
        ..OF_BED
    },
    EntryKind {
        name: "mulch",
        label: "Mulch laid",
        help: "Mulch went down on a bed",
        help_rank: 1,
        numbers: &[DEPTH],
        caution: Some(
            "Damp mulch down before you move it, wear gloves and a mask, and wash your hands: its dust can carry Legionella. \
             Bags are for adults, heavy ones for two.",
        ),
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
        caution: Some(soil::AGENT_CARE),
        ..OF_BED
    },
    EntryKind {
        name: "ethanol-drop",
        label: "Ethanol-droplet test, by an adult",
        help: "The weakest solution of ethanol that went in within ten seconds",
        help_rank: 4,
        numbers: &[MOLARITY],
        how_to: Some(soil::HOW_TO_ETHANOL_DROPLET),
        caution: Some(
            "An adult does it, away from flames and pupils. Methylated spirit burns and is poisonous.",
        ),
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
        caution: Some(
            "Keep the kit's drops off skin and eyes, and out of the tank. An adult handles what the label calls poisonous.",
        ),
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
        caution: Some(
            "Keep the kit's drops off skin and eyes, and out of the tank. Raise hardness in small steps, by the label.",
        ),
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
        caution: Some(
            "Unplug pump and heater first. Use no soap. Cover cuts, and wash your hands afterwards. Never move a tank with water \
             in it.",
        ),
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
        caution: Some(BAG),
        ..OF_TANK
    },
    EntryKind {
        name: "fish-added",
        label: "Fish added",
        help: "Fish went into a tank",
        help_rank: 8,
        numbers: &[COUNT, GRAMS_EACH],
        caution: Some(BAG),
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
        caution: Some(
            "Ask whoever runs the grounds where pipes and cables lie before anybody digs. Unplug what hangs on mains power \
             first. Let an adult go up ladders.",
        ),
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
/// Common practice; the law on species comes first.
const BAG: &str = "Let adults lift heavy bags and tubs. Mind the fish's spines. Unplug pump and heater before a hand goes in. \
                   Cover cuts, and wash your hands before and after. Let none go into a creek or dam.";
const DUST: &str = "Damp it down before you move it, wear gloves and a mask, and wash your hands: its dust can carry \
                    Legionella.";
