//! What an entry of the log may hold: one description of each kind, from which the
//! command's arguments, the page's form, stored rows, tables and all checks are made.
//!
//! The ranges are wide: they keep out slips of the finger and wrong units, not unusual
//! gardens. They are our own choice where no source stands beside them.

mod kinds;
mod number_field;

use jiff::{SignedDuration, Timestamp};

use crate::garden::log::{LogEvent, WaterTest};
use crate::garden::plan::Garden;
use crate::model::Id;
use crate::soil;

pub use kinds::{EntryKind, KINDS};
pub use number_field::{Argument, MOLARITY, NumberField};

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
        assert!(number_field::COUNT.check(2.5).is_err());
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
