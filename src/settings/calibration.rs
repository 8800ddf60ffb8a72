//! A sensor's calibrations: from raw number to value.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use toml::de::DeValue;
use toml::value::{Datetime, Offset};

use super::document::Want;
use super::range::Range;
use super::resistance::{self, suits_temperature};
use super::sensor::SoilWater;
use super::table::Table;
use super::value::{Item, civil};
use crate::calibration::{Calibration, CalibrationError, Counts, DatedCalibration, Platinum};
use crate::decode::PayloadFormat;
use crate::model::Quantity;

const ACCEPTED: &str = "\"topp\", \"pt100\", \"pt1000\", \"one-wire\", { points = [[RAW, VALUE], ...] }, \
                        { polynomial = [C0, C1, ...] }, { mm_per_tip = MM }, { thermistor = { r25_ohm = OHM, \
                        beta_k = KELVIN } }, { steinhart_hart = [A, B, C] }, { granular_matrix = { soil_temp_c \
                        = 18 } }, or a list of these, each with the date from which it holds";

/// Calibrations that are a word alone.
const WORDS: [&str; 4] = ["topp", "pt100", "pt1000", "one-wire"];

/// Keys of which a calibration has exactly one.
const CURVES: [&str; 10] = [
    "points",
    "polynomial",
    "topp",
    "identity",
    "mm_per_tip",
    "thermistor",
    "steinhart_hart",
    "platinum_r0_ohm",
    "granular_matrix",
    "one_wire",
];

/// The sensor that is calibrated.
pub(super) struct Setting<'s> {
    /// `None`: its quantity is itself at fault.
    pub(super) measures: Option<Quantity>,
    pub(super) zone: &'s TimeZone,
    /// What its bed's soil holds.
    pub(super) soil: Option<SoilWater>,
}

/// The calibration of a sensor that has none written: its raw number is the
/// value, but a 1-wire register counts sixteenths of a degree.
pub(super) fn unwritten(
    table: &Table<'_>,
    payload: Option<&PayloadFormat>,
    measures: Option<Quantity>,
) -> Option<Vec<DatedCalibration>> {
    use Quantity as Q;
    let calibration = match (payload, measures) {
        (
            Some(PayloadFormat::OneWire),
            None | Some(Q::SoilTemperature | Q::WaterTemperature | Q::AirTemperature),
        ) => Calibration::one_wire(),
        (Some(PayloadFormat::OneWire), Some(_)) => {
            table.fault(
                "payload",
                "\"one-wire\" for a sensor that measures no temperature",
                "one-wire only beside soil-temperature, water-temperature or air-temperature",
                None,
            );
            return None;
        }
        (_, _) => Calibration::identity(),
    };
    Some(vec![DatedCalibration { from: None, calibration }])
}

/// The calibrations, sorted by the instant from which each holds.
pub(super) fn calibrations(item: &Item<'_>, setting: &Setting<'_>) -> Option<Vec<DatedCalibration>> {
    if !matches!(item.value(), DeValue::Array(_)) {
        return Some(vec![calibration(item, setting)?]);
    }
    let parts = item.list_of(ACCEPTED)?;
    if parts.is_empty() {
        item.refuse(ACCEPTED);
        return None;
    }
    let read: Vec<_> = parts.iter().map(|part| (part, calibration(part, setting))).collect();
    let mut dated: Vec<DatedCalibration> = Vec::new();
    let mut whole = true;
    for (part, one) in read {
        let Some(one) = one else {
            whole = false;
            continue;
        };
        if dated.iter().any(|other| other.from == one.from) {
            let from = one.from.map_or("a second calibration without from".to_owned(), |from| {
                format!("a second calibration from {from}")
            });
            part.fault(from, "one calibration for each date, and one without a date", None);
            whole = false;
        }
        dated.push(one);
    }
    dated.sort_by_key(|one| one.from);
    whole.then_some(dated)
}

fn calibration(item: &Item<'_>, setting: &Setting<'_>) -> Option<DatedCalibration> {
    if let Some(text) = item.value().as_str() {
        let calibration = match text {
            "topp" => topp_suits(item, setting.measures).then(Calibration::topp),
            "pt100" => suits_temperature(item, setting).then(|| platinum_of(100.0)),
            "pt1000" => suits_temperature(item, setting).then(|| platinum_of(1000.0)),
            "one-wire" => suits_temperature(item, setting).then(Calibration::one_wire),
            other => {
                item.fault(item.given(), ACCEPTED, super::fault::nearest(other, WORDS));
                None
            }
        };
        return Some(DatedCalibration { from: None, calibration: calibration? });
    }
    let table = item.clone().table(ACCEPTED)?;
    let from = table.get("from", Want::Value).map(|item| instant(&item, setting.zone));
    let valid =
        table.get("valid", Want::List).map(|item| pair(&item, "the lowest and the highest raw number"));
    let curve = curve(&table, setting);
    let calibration = match (curve, valid) {
        (Some(curve), Some(valid)) => valid.and_then(|(min, max)| {
            let checked = curve.with_valid(min, max);
            if let Err(e) = &checked {
                table.fault(
                    "valid",
                    e.to_string(),
                    "[LOWEST, HIGHEST] raw number, the lower one first",
                    None,
                );
            }
            checked.ok()
        }),
        (curve, None) => curve,
        (None, Some(_)) => None,
    };
    table.finish();
    let from = match from {
        Some(from) => Some(from?),
        None => None,
    };
    Some(DatedCalibration { from, calibration: calibration? })
}

/// The standard's two thermometers.
fn platinum_of(r0_ohm: f64) -> Calibration {
    Calibration::platinum(Platinum::new(r0_ohm).expect("100 and 1000 ohm are in the range of platinum"))
}

fn topp_suits(item: &Item<'_>, measures: Option<Quantity>) -> bool {
    let suits = measures.is_none_or(|m| m == Quantity::SoilMoisture);
    if !suits {
        item.fault(
            format!("{} for a sensor that does not measure soil-moisture", item.given()),
            "topp for soil moisture only: it turns permittivity into water content",
            None,
        );
    }
    suits
}

/// The one curve of a calibration.
fn curve(table: &Table<'_>, setting: &Setting<'_>) -> Option<Calibration> {
    let measures = setting.measures;
    let points = table.get("points", Want::List);
    let polynomial = table.get("polynomial", Want::List);
    let topp = table.get("topp", Want::Value);
    let identity = table.get("identity", Want::Value);
    let mm_per_tip = table.get("mm_per_tip", Want::Value);
    let thermistor = table.get("thermistor", Want::TextOrTable);
    let steinhart_hart = table.get("steinhart_hart", Want::List);
    let platinum = table.get("platinum_r0_ohm", Want::Value);
    let granular_matrix = table.get("granular_matrix", Want::TextOrTable);
    let one_wire = table.get("one_wire", Want::Value);
    let counts = table.get("counts", Want::Text);
    let wraps_at = table.get("wraps_at", Want::Value);

    let given: Vec<&str> = [
        &points,
        &polynomial,
        &topp,
        &identity,
        &mm_per_tip,
        &thermistor,
        &steinhart_hart,
        &platinum,
        &granular_matrix,
        &one_wire,
    ]
    .into_iter()
    .zip(CURVES)
    .filter_map(|(item, name)| item.as_ref().map(|_| name))
    .collect();
    if given.len() != 1 {
        let given = if given.is_empty() { "none of them".to_owned() } else { given.join(" and ") };
        table.fault("", given, format!("exactly one of {}", super::fault::any_of(CURVES)), None);
        return None;
    }
    if mm_per_tip.is_none() {
        for item in [&counts, &wraps_at].into_iter().flatten() {
            item.fault(item.given(), "only beside mm_per_tip", None);
        }
    }
    if let Some(item) = points {
        const POINTS: &str = "at least two points [RAW, VALUE]; raw numbers all rising or all falling, \
                              and values all rising or all falling";
        let parts = item.list_of(POINTS)?;
        let mut pairs = Vec::with_capacity(parts.len());
        for part in &parts {
            pairs.push(pair(part, "the raw number and its value")?);
        }
        return made(&item, Calibration::piecewise(pairs), POINTS);
    }
    if let Some(item) = polynomial {
        const COEFFICIENTS: &str = "at least one number: [C0, C1, C2, ...] for C0 + C1 raw + C2 raw^2 + ...";
        let parts = item.list_of(COEFFICIENTS)?;
        let mut coefficients = Vec::with_capacity(parts.len());
        for part in &parts {
            coefficients.push(part.number(Range::finite(""))?);
        }
        return made(&item, Calibration::polynomial(coefficients), COEFFICIENTS);
    }
    if let Some(item) = topp {
        return (truly(&item)? && topp_suits(&item, measures)).then(Calibration::topp);
    }
    if let Some(item) = identity {
        return truly(&item)?.then(Calibration::identity);
    }
    if let Some(item) = thermistor {
        return resistance::thermistor(&item, setting);
    }
    if let Some(item) = steinhart_hart {
        return resistance::steinhart_hart(&item, setting);
    }
    if let Some(item) = platinum {
        return resistance::platinum(&item, setting);
    }
    if let Some(item) = granular_matrix {
        return resistance::granular_matrix(&item, setting);
    }
    if let Some(item) = one_wire {
        return (truly(&item)? && suits_temperature(&item, setting)).then(Calibration::one_wire);
    }
    tips(&mm_per_tip?, counts, wraps_at, measures)
}

fn tips<'t>(
    item: &Item<'t>,
    counts: Option<Item<'t>>,
    wraps_at: Option<Item<'t>>,
    measures: Option<Quantity>,
) -> Option<Calibration> {
    if measures.is_some_and(|m| m != Quantity::Rain) {
        item.fault(
            format!("{} for a sensor that does not measure rain", item.given()),
            "mm_per_tip for rain gauges only",
            None,
        );
    }
    let running = match &counts {
        Some(counts) => counts.name(
            |name| match name {
                "tips" => Some(false),
                "running" => Some(true),
                _ => None,
            },
            ["tips", "running"],
        ),
        None => Some(false),
    };
    let wraps = match &wraps_at {
        Some(item) => Some(item.number(Range::from_to(2.0, 9_007_199_254_740_992.0, "tips"))?),
        None => None,
    };
    if let (Some(item), Some(false)) = (&wraps_at, running) {
        item.fault(item.given(), "only beside counts = \"running\"", None);
    }
    let mm = item.number(Range::above_to(0.0, Calibration::MM_PER_TIP_MAX, "mm of rain for one tip"))?;
    let counts = if running? { Counts::Running { wraps_at: wraps } } else { Counts::Message };
    let made_of = wraps_at.as_ref().unwrap_or(item);
    made(
        made_of,
        Calibration::tips(mm, counts),
        "mm for one tip, and the whole number at which the count restarts",
    )
}

/// What was made, or the fault that it cannot be.
pub(super) fn made<T>(item: &Item<'_>, made: Result<T, CalibrationError>, accepted: &str) -> Option<T> {
    if let Err(e) = &made {
        item.fault(e.to_string(), accepted, None);
    }
    made.ok()
}

/// `true`; `false` is a fault, since leaving the key out says the same.
fn truly(item: &Item<'_>) -> Option<bool> {
    let yes = item.value().as_bool() == Some(true);
    if !yes {
        item.refuse("true, or leave it out");
    }
    yes.then_some(true)
}

/// Two finite numbers.
pub(super) fn pair(item: &Item<'_>, what: &str) -> Option<(f64, f64)> {
    let accepted = format!("two numbers in brackets: {what}");
    let parts = item.list_of(&accepted)?;
    let [first, second] = parts.as_slice() else {
        item.refuse(accepted);
        return None;
    };
    let numbers = (first.number(Range::finite("")), second.number(Range::finite("")));
    Some((numbers.0?, numbers.1?))
}

/// The instant from which something holds: the beginning of a local day, or a
/// date and time with its offset.
fn instant(item: &Item<'_>, zone: &TimeZone) -> Option<Timestamp> {
    let found = match item.value() {
        DeValue::Datetime(Datetime { date: Some(date), time: None, offset: None }) => {
            // The day's first instant, also where a clock change skips midnight.
            civil(*date)
                .and_then(|date| date.to_zoned_datetime(zone.clone()).ok())
                .map(|zoned| zoned.timestamp())
        }
        DeValue::Datetime(datetime @ Datetime { date: Some(_), time: Some(_), offset: Some(offset) }) => {
            let (Offset::Z | Offset::Custom { .. }) = offset;
            datetime.to_string().parse().ok()
        }
        _ => None,
    };
    if found.is_none() {
        item.refuse(
            "a local date (2026-04-10) or a date and time with its offset (2026-04-10T09:30:00+09:30)",
        );
    }
    found
}
