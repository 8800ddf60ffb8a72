//! A sensor's calibrations: from raw number to value.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use toml::de::DeValue;
use toml::value::{Datetime, Offset};

use super::document::Want;
use super::range::Range;
use super::table::Table;
use super::value::{Item, civil};
use crate::calibration::{Calibration, Counts, DatedCalibration};
use crate::garden::plan::Quantity;

const ACCEPTED: &str = "\"topp\", { points = [[RAW, VALUE], ...] }, { polynomial = [C0, C1, ...] }, \
                        { mm_per_tip = MM }, or a list of these, each with the date from which it holds";

/// Keys of which a calibration has exactly one.
const CURVES: [&str; 5] = ["points", "polynomial", "topp", "identity", "mm_per_tip"];

/// A sensor whose raw number is the value.
pub(super) fn identity() -> Vec<DatedCalibration> {
    vec![DatedCalibration { from: None, calibration: Calibration::identity() }]
}

/// The calibrations, sorted by the instant from which each holds.
pub(super) fn calibrations(
    item: &Item<'_>,
    measures: Option<Quantity>,
    zone: &TimeZone,
) -> Option<Vec<DatedCalibration>> {
    if !matches!(item.value(), DeValue::Array(_)) {
        return Some(vec![calibration(item, measures, zone)?]);
    }
    let parts = item.list_of(ACCEPTED)?;
    if parts.is_empty() {
        item.refuse(ACCEPTED);
        return None;
    }
    let read: Vec<_> = parts.iter().map(|part| (part, calibration(part, measures, zone))).collect();
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

fn calibration(item: &Item<'_>, measures: Option<Quantity>, zone: &TimeZone) -> Option<DatedCalibration> {
    if let Some(text) = item.value().as_str() {
        if text == "topp" {
            return topp_suits(item, measures)
                .then(|| DatedCalibration { from: None, calibration: Calibration::topp() });
        }
        let near = super::fault::nearest(text, ["topp"]);
        item.fault(item.given(), ACCEPTED, near);
        return None;
    }
    let table = item.clone().table(ACCEPTED)?;
    let from = table.get("from", Want::Value).map(|item| instant(&item, zone));
    let valid =
        table.get("valid", Want::List).map(|item| pair(&item, "the lowest and the highest raw number"));
    let curve = curve(&table, measures);
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
fn curve(table: &Table<'_>, measures: Option<Quantity>) -> Option<Calibration> {
    let points = table.get("points", Want::List);
    let polynomial = table.get("polynomial", Want::List);
    let topp = table.get("topp", Want::Value);
    let identity = table.get("identity", Want::Value);
    let mm_per_tip = table.get("mm_per_tip", Want::Value);
    let counts = table.get("counts", Want::Text);
    let wraps_at = table.get("wraps_at", Want::Value);

    let given: Vec<&str> = [&points, &polynomial, &topp, &identity, &mm_per_tip]
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

fn made(
    item: &Item<'_>,
    made: Result<Calibration, crate::calibration::CalibrationError>,
    accepted: &str,
) -> Option<Calibration> {
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
