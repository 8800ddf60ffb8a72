//! Where work in a garden can hurt somebody or a fish: the usual cautions, each subject once.
//!
//! All of them are common practice in school gardens and fish keeping, without one source.
//! Each subject ends with whose rules come first; nothing here takes their place. What is
//! urgent stands in an alarm's own words ("Take care:"), whether or not anybody reads these.

use crate::alarms::Kind;

/// The cautions of one subject.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Caution {
    /// Part of its address: lower case and hyphens.
    pub(crate) key: &'static str,
    pub(crate) title: &'static str,
    pub(crate) points: &'static [&'static str],
    /// Whose rules come first.
    pub(crate) rules: &'static str,
}

pub(crate) const ELECTRICITY: Caution = Caution {
    key: "electricity",
    title: "Electricity and water",
    points: &[
        "Keep plugs, power supplies and joints dry and above the water, on a safety switch.",
        "Unplug pumps and heaters before a hand goes into the water. Dry your hands before you touch a plug.",
        "Let each lead hang in a loop below its plug. Then drops fall off before they reach it.",
        "Stay out of puddles near leads and plugs.",
        "If a safety switch trips again, leave it off and call an electrician.",
    ],
    rules: "Use low voltage in beds and tanks. Mains wiring is work for a licensed electrician.",
};

pub(crate) const SMALL_CHILDREN: Caution = Caution {
    key: "small-children",
    title: "Small children and water",
    points: &[
        "Small children can drown in a few centimetres of water, without a sound.",
        "Keep a lid or a grid on every tank, tub and barrel. A child must not be able to lift it.",
        "An adult stays within reach while children are at an open tank.",
        "Empty buckets and tubs as soon as the work is done.",
    ],
    rules: "The law says where ponds and tanks need a fence. Your school says who watches.",
};

pub(crate) const FISH: Caution = Caution {
    key: "fish",
    title: "Fish and tank water",
    points: &[
        "Look at the fish every day, whatever the page says.",
        "Change a tank's water a little at a time, at nearly its temperature. Sudden change harms fish.",
        "Treat tap water against chlorine and chloramine first. Letting it stand does not remove chloramine.",
        "Move fish with a soft wet net, as seldom as you can. Mind the spines of their fins.",
        "Cover cuts before you work in the water: it can infect them. Wash your hands before and after.",
        "Let no fish and no plant go into a creek, dam or drain. Used tank water goes onto the soil.",
    ],
    rules: "The law says which species may be kept and moved. A vet or fisheries adviser knows more than Trug.",
};

pub(crate) const LIFTING: Caution = Caution {
    key: "lifting",
    title: "Lifting and carrying",
    points: &[
        "Water is heavy: a full watering can weighs about 10 kg. Children carry half-full ones.",
        "Bags of mulch, bags with fish, tubs and full worm trays are for adults, the heavy ones for two.",
        "Bend your knees, keep the load close, and do not twist. A barrow is better.",
        "Never move a tank with water in it.",
    ],
    rules: "Your school's rules on lifting come first.",
};

pub(crate) const CLIMBING: Caution = Caution {
    key: "climbing",
    title: "Ladders and roofs",
    points: &[
        "Only adults go up a ladder, to a gauge, a gateway or a gutter. A second one holds it.",
        "Stay off roofs, tanks and walls. Put sensors where somebody can reach them from the ground.",
        "Keep far from power lines. Do not climb in wind, rain or the dark: a sensor can wait.",
        "Look before you reach: spiders and wasps live in gauges, boxes and below lids. Wear gloves.",
    ],
    rules: "Work on roofs is for licensed people. Your school's rules on work at heights come first.",
};

pub(crate) const CHEMICALS: Caution = Caution {
    key: "chemicals",
    title: "pH products, wetting agent, test kits",
    points: &[
        "Adults only, with gloves and glasses. Read the label and its safety data sheet first.",
        "Put the product into water, never water onto the product. Never mix two products.",
        "Change a tank's pH in small steps, then wait and test again. Sudden change harms fish.",
        "Keep wetting agent and sprays out of tanks, ponds and drains. They harm fish.",
        "Keep them locked away, in their own bottles, and never in one that held a drink.",
        "Put used test liquids where the kit's leaflet says, never into the tank or onto a bed.",
        "Splashes: rinse with much water, and ring the poisons information line.",
    ],
    rules: "The label and your school's rules on chemicals come first.",
};

pub(crate) const SOIL: Caution = Caution {
    key: "soil",
    title: "Soil, compost and mulch",
    points: &[
        "Damp mulch, compost and potting mix down before you move them. Their dust can carry Legionella.",
        "Wear gloves and a mask. Open bags slowly, away from your face, in the open air.",
        "Wear closed shoes, cover cuts, and wash your hands after the work.",
        "Ask whoever runs the grounds where pipes and cables lie before anybody digs.",
        "Keep mulch a hand's breadth away from stems, from walls and from anything hot.",
    ],
    rules: "People with asthma or a weak immune system ask their doctor first. Your school's rules come first.",
};

pub(crate) const WORM_FARM: Caution = Caution {
    key: "worm-farm",
    title: "Worm farm",
    points: &[
        "Wear gloves, and wash your hands afterwards: castings and worm liquid carry germs.",
        "Keep castings damp while you move them. Dry ones make dust.",
        "Pour worm liquid, thinned with water, onto soil only. Keep it off what is eaten raw, and out of tanks.",
        "Look below the lid before you reach in: spiders like it there.",
        "Full trays are heavy: two adults lift them.",
    ],
    rules: "Feed no meat, dairy or droppings. Your school's rules on hygiene come first.",
};

pub(crate) const FOOD: Caution = Caution {
    key: "food",
    title: "Harvest and food",
    points: &[
        "Wash hands, tools and harvest in drinking water. Who is ill does not pick or prepare food.",
        "Water from fish tanks and rain tanks goes onto the soil, never onto what is eaten raw.",
        "While fish get medicine or salt, give no tank water to food plants. Its label says how long after.",
        "Nobody drinks from rain tanks, fish tanks, hoses or drippers.",
        "Eat nothing that an adult does not know by name. Ask about allergies before anybody tastes.",
        "After a spray, wait as long as its label says.",
    ],
    rules: "The food rules of your school and your health authority come first.",
};

pub(crate) const WATERING_RULES: Caution = Caution {
    key: "watering-rules",
    title: "Watering rules",
    points: &[
        "Your water supplier and council say when and how you may water, and change it in dry times.",
        "The hours in the garden's file are only what somebody wrote there. Look whether they still hold.",
        "Rain tanks, bores and recycled water have rules of their own.",
        "Never join a rain tank or a dosing device to a drinking water pipe.",
    ],
    rules: "Their rules come before any advice here, also when a bed is dry.",
};

pub(crate) const LICENSED_TRADES: Caution = Caution {
    key: "trades",
    title: "Work for licensed people",
    points: &[
        "Electrician: everything that is fixed to the mains, new sockets, a safety switch that trips.",
        "Plumber: everything that joins the drinking water pipe, with its backflow device.",
        "Others: roofs and gutters at height, large trees, sick fish, pest sprays.",
    ],
    rules: "The law says which work only they may do. Ask your school's office before you begin.",
};

pub(crate) const PEOPLE: Caution = Caution {
    key: "people",
    title: "Messages and records",
    points: &[
        "Alarms help, and do not guard: a flat battery or a stopped computer tells nobody anything.",
        "Let at least two people be told, and try it once a term.",
        "Write no names of children into notes.",
        "Sensors can be wrong. Feel the soil and look at the fish before you act.",
    ],
    rules: "Your school decides who may read these pages.",
};

/// All subjects, in the order of the page.
pub(crate) const ALL: [&Caution; 12] = [
    &ELECTRICITY,
    &SMALL_CHILDREN,
    &FISH,
    &CHEMICALS,
    &SOIL,
    &WORM_FARM,
    &FOOD,
    &WATERING_RULES,
    &LIFTING,
    &CLIMBING,
    &LICENSED_TRADES,
    &PEOPLE,
];

/// What belongs beside the advice of an alarm. Nothing for the program's own, at which
/// nobody works with water.
pub(crate) fn beside(kind: Kind) -> &'static [&'static Caution] {
    match kind {
        Kind::DryBed | Kind::WateringHours | Kind::WateredTooMuch | Kind::Heat => &[&WATERING_RULES],
        Kind::WateringMissed => &[&ELECTRICITY, &WATERING_RULES],
        Kind::WaterLeftOn => &[&ELECTRICITY],
        Kind::MulchOnDrySoil => &[&SOIL, &WATERING_RULES],
        Kind::WaterRepellentSoil => &[&CHEMICALS],
        Kind::Waterlogged | Kind::Frost => &[&SOIL],
        Kind::TankTemperatureShock
        | Kind::TankTooWarm
        | Kind::TankTooCold
        | Kind::LowOxygen
        | Kind::PumpStopped => &[&FISH, &ELECTRICITY],
        Kind::Ammonia | Kind::Nitrite | Kind::Ph => &[&FISH, &CHEMICALS],
        Kind::SensorSilent | Kind::SensorFault | Kind::GatewaySilent | Kind::BatteryLow => {
            &[&CLIMBING, &ELECTRICITY]
        }
        Kind::GaugeSuspect => &[&CLIMBING],
        Kind::JobOverdue
        | Kind::DeviceClock
        | Kind::BrokerLost
        | Kind::StoreFailing
        | Kind::ForwardingBehind
        | Kind::ForwardingRefused
        | Kind::QueueOverflow
        | Kind::DiskNearlyFull
        | Kind::RecordLarge
        | Kind::ClockJumped
        | Kind::MessageNotSent => &[],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarms::PlaceKind;

    #[test]
    fn each_subject_has_an_address_of_its_own_and_short_sentences() {
        let mut keys: Vec<&str> = ALL.iter().map(|it| it.key).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), ALL.len());
        for caution in ALL {
            assert!(caution.key.chars().all(|c| c.is_ascii_lowercase() || c == '-'), "{}", caution.key);
            assert!(!caution.points.is_empty() && !caution.rules.is_empty(), "{}", caution.key);
            for text in caution.points.iter().chain([&caution.rules]) {
                for sentence in text.split_inclusive(". ") {
                    assert!(sentence.split_whitespace().count() <= 20, "{}: {sentence}", caution.key);
                }
                assert!(text.ends_with('.'), "{}: {text}", caution.key);
            }
        }
    }

    #[test]
    fn beside_every_alarm_at_which_people_work_there_is_a_caution() {
        for kind in Kind::ALL {
            let of_the_program = kind.row().places.contains(&PlaceKind::System);
            let alone = matches!(kind, Kind::JobOverdue | Kind::DeviceClock);
            assert_eq!(beside(kind).is_empty(), of_the_program || alone, "{}", kind.name());
        }
    }
}
