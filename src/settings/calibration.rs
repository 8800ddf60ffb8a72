//! A sensor's calibrations: from raw number to value.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use toml::de::DeValue;
use toml::value::{Datetime, Offset};

use super::document::Want;
use super::range::Range;
use super::resistance::{self, CalibratedSensor, made};
use super::table::SettingsTable;
use super::value::{SettingsItem, civil};
use crate::calibration::{Calibration, CountMode, DatedCalibration, Platinum};
use crate::decode::PayloadFormat;
use crate::model::Quantity;

const ACCEPTED: &str = "\"topp\", \"pt100\", \"pt1000\", \"one-wire\", { points = [[RAW, VALUE], ...] }, \
                        { polynomial = [C0, C1, ...] }, { mm_per_tip = MM }, { thermistor = { r25_ohm = OHM, \
                        beta_k = KELVIN } }, { steinhart_hart = [A, B, C] }, { granular_matrix = { soil_temp_c \
                        = 18 } }, or a list of these, each with the date from which it holds";

/// Calibrations that are a word alone.
const WORDS: [&str; 4] = ["topp", "pt100", "pt1000", "one-wire"];

type ReadCurve = fn(&SettingsItem<'_>, &CalibratedSensor<'_>) -> Option<Calibration>;

/// Keys of which a calibration has exactly one, and how each is read. Tips need their
/// neighbours as well.
const CURVES: [(&str, Want, Option<ReadCurve>); 10] = [
    ("points", Want::List, Some(points)),
    ("polynomial", Want::List, Some(polynomial)),
    ("topp", Want::Value, Some(|item, sensor| truly(item).and_then(|()| topp(item, sensor)))),
    ("identity", Want::Value, Some(|item, _| truly(item).map(|()| Calibration::identity()))),
    ("mm_per_tip", Want::Value, None),
    ("thermistor", Want::TextOrTable, Some(resistance::thermistor)),
    ("steinhart_hart", Want::List, Some(resistance::steinhart_hart)),
    ("platinum_r0_ohm", Want::Value, Some(resistance::platinum)),
    ("granular_matrix", Want::TextOrTable, Some(resistance::granular_matrix)),
    ("one_wire", Want::Value, Some(|item, sensor| truly(item).and_then(|()| one_wire(item, sensor)))),
];

/// The calibration of a sensor that has none written: its raw number is the
/// value, but a 1-wire register counts sixteenths of a degree.
pub(super) fn unwritten(
    table: &SettingsTable<'_>,
    payload: Option<&PayloadFormat>,
    measures: Option<Quantity>,
) -> Option<Vec<DatedCalibration>> {
    let register = matches!(payload, Some(PayloadFormat::OneWire));
    if register && measures.is_some_and(|measures| !measures.is_temperature()) {
        return table.faulty(
            "payload",
            "\"one-wire\" for a sensor that measures no temperature",
            "one-wire only beside soil-temperature, water-temperature or air-temperature",
        );
    }
    let calibration = if register { Calibration::one_wire() } else { Calibration::identity() };
    Some(vec![DatedCalibration { from: None, calibration }])
}

/// The calibration of a sensor that says in which unit its raw number is.
pub(super) fn by_unit(item: &SettingsItem<'_>, measures: Option<Quantity>) -> Option<Vec<DatedCalibration>> {
    const UNITS: &str =
        "\"percent\" or \"m3/m3\", of a soil-moisture sensor whose raw number is its water content";
    if measures.is_some_and(|measures| measures != Quantity::SoilMoisture) {
        let given = format!("{} for a sensor that does not measure soil-moisture", item.given());
        return item.faulty(given, "unit for soil moisture only", None);
    }
    let calibration = match item.value().as_str() {
        Some("percent") => {
            Calibration::polynomial(vec![0.0, 0.01]).expect("two finite coefficients make a polynomial")
        }
        Some("m3/m3") => Calibration::identity(),
        _ => return item.refused(UNITS),
    };
    Some(vec![DatedCalibration { from: None, calibration }])
}

/// The calibrations, sorted by the instant from which each holds.
pub(super) fn calibrations(
    item: &SettingsItem<'_>,
    sensor: &CalibratedSensor<'_>,
) -> Option<Vec<DatedCalibration>> {
    if !matches!(item.value(), DeValue::Array(_)) {
        return Some(vec![calibration(item, sensor)?]);
    }
    let parts = item.list_of(ACCEPTED)?;
    if parts.is_empty() {
        return item.refused(ACCEPTED);
    }
    let read: Vec<_> = parts.iter().map(|part| (part, calibration(part, sensor))).collect();
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

fn calibration(item: &SettingsItem<'_>, sensor: &CalibratedSensor<'_>) -> Option<DatedCalibration> {
    if let Some(text) = item.value().as_str() {
        let calibration = match text {
            "topp" => topp(item, sensor),
            "pt100" => sensor.is_thermometer(item).then(|| platinum_of(100.0)),
            "pt1000" => sensor.is_thermometer(item).then(|| platinum_of(1000.0)),
            "one-wire" => one_wire(item, sensor),
            other => item.faulty(item.given(), ACCEPTED, super::fault::nearest(other, WORDS)),
        };
        return Some(DatedCalibration { from: None, calibration: calibration? });
    }
    let table = item.clone().table(ACCEPTED)?;
    let from = table.read_if("from", Want::Value, |item| instant(item, sensor.zone));
    let valid = table.read_if("valid", Want::List, |item| item.pair("the lowest and the highest raw number"));
    let curve = curve(&table, sensor);
    let calibration = match (curve, valid) {
        (Some(curve), Some(Some((min, max)))) => curve.with_valid(min, max).map_or_else(
            |e| table.faulty("valid", e.to_string(), "[LOWEST, HIGHEST] raw number, the lower one first"),
            Some,
        ),
        (curve, valid) => curve.filter(|_| valid.is_some()),
    };
    table.finish();
    Some(DatedCalibration { from: from?, calibration: calibration? })
}

/// The standard's two thermometers.
fn platinum_of(r0_ohm: f64) -> Calibration {
    Calibration::platinum(Platinum::new(r0_ohm).expect("100 and 1000 ohm are in the range of platinum"))
}

fn topp(item: &SettingsItem<'_>, sensor: &CalibratedSensor<'_>) -> Option<Calibration> {
    let suits = sensor.suits(
        item,
        |m| m == Quantity::SoilMoisture,
        "does not measure soil-moisture",
        "topp for soil moisture only: it turns permittivity into water content",
    );
    suits.then(Calibration::topp)
}

fn one_wire(item: &SettingsItem<'_>, sensor: &CalibratedSensor<'_>) -> Option<Calibration> {
    sensor.is_thermometer(item).then(Calibration::one_wire)
}

fn points(item: &SettingsItem<'_>, _: &CalibratedSensor<'_>) -> Option<Calibration> {
    const POINTS: &str = "at least two points [RAW, VALUE]; raw numbers all rising or all falling, \
                          and values all rising or all falling";
    let pairs = item.list(POINTS, .., |part| part.pair("the raw number and its value"))?;
    made(item, Calibration::piecewise(pairs), POINTS)
}

fn polynomial(item: &SettingsItem<'_>, _: &CalibratedSensor<'_>) -> Option<Calibration> {
    const COEFFICIENTS: &str = "at least one number: [C0, C1, C2, ...] for C0 + C1 raw + C2 raw^2 + ...";
    let coefficients = item.list(COEFFICIENTS, .., |part| part.number(Range::finite("")))?;
    made(item, Calibration::polynomial(coefficients), COEFFICIENTS)
}

/// The one curve of a calibration.
fn curve(table: &SettingsTable<'_>, sensor: &CalibratedSensor<'_>) -> Option<Calibration> {
    let given: Vec<_> =
        CURVES.into_iter().filter_map(|(key, want, read)| Some((key, table.get(key, want)?, read))).collect();
    let counts = table.get("counts", Want::Text);
    let wraps_at = table.get("wraps_at", Want::Value);
    let [(_, item, read)] = given.as_slice() else {
        let keys: Vec<&str> = given.iter().map(|(key, ..)| *key).collect();
        let given = if keys.is_empty() { "none of them".to_owned() } else { keys.join(" and ") };
        let one_of = super::fault::any_of(CURVES.map(|(key, ..)| key));
        return table.faulty("", given, format!("exactly one of {one_of}"));
    };
    let Some(read) = read else { return tips(item, counts, wraps_at, sensor) };
    for beside in [&counts, &wraps_at].into_iter().flatten() {
        beside.refuse("only beside mm_per_tip");
    }
    read(item, sensor)
}

fn tips<'t>(
    item: &SettingsItem<'t>,
    counts: Option<SettingsItem<'t>>,
    wraps_at: Option<SettingsItem<'t>>,
    sensor: &CalibratedSensor<'_>,
) -> Option<Calibration> {
    sensor.suits(item, |m| m == Quantity::Rain, "does not measure rain", "mm_per_tip for rain gauges only");
    let running = counts.map_or(Some(false), |it| it.word(&[("tips", false), ("running", true)]));
    let wraps = match &wraps_at {
        Some(item) => Some(item.number(Range::from_to(2.0, 9_007_199_254_740_992.0, "tips"))?),
        None => None,
    };
    if let (Some(item), Some(false)) = (&wraps_at, running) {
        item.refuse("only beside counts = \"running\"");
    }
    let mm = item.number(Range::above_to(0.0, Calibration::MM_PER_TIP_MAX, "mm of rain for one tip"))?;
    let counts = if running? { CountMode::Running { wraps_at: wraps } } else { CountMode::Message };
    let made_of = wraps_at.as_ref().unwrap_or(item);
    made(
        made_of,
        Calibration::tips(mm, counts),
        "mm for one tip, and the whole number at which the count restarts",
    )
}

/// `true`; `false` is a fault, since leaving the key out says the same.
fn truly(item: &SettingsItem<'_>) -> Option<()> {
    if item.value().as_bool() == Some(true) { Some(()) } else { item.refused("true, or leave it out") }
}

/// The instant from which something holds: the beginning of a local day, or a
/// date and time with its offset.
fn instant(item: &SettingsItem<'_>, zone: &TimeZone) -> Option<Timestamp> {
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
    found.or_else(|| {
        item.refused(
            "a local date (2026-04-10) or a date and time with its offset (2026-04-10T09:30:00+09:30)",
        )
    })
}
