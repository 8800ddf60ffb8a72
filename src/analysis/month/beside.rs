//! Two beds beside each other.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::{BedMonth, Beside, SensorMonth};
use crate::analysis::{Effect, Pairing, TooFew, block_of, effect};
use crate::garden::plan::Garden;
use crate::history::Bin;
use crate::model::{Id, Place, Quantity};
use crate::text::spoken;

use super::span::{DaySpan, Span, seconds};

/// Draws begin here, so that the same data give the same figures everywhere.
const SEED: u64 = 20_260_417;
/// Dryings of two beds that share so much of their time are of one event.
const SHARED_PART: f64 = 0.5;
/// Pairs of dryings from which on they are compared as pairs.
const LEAST_PAIRS: usize = 6;
/// A pair with fewer dryings and days than this has little to say.
const SOME: usize = 4;
/// A time constant is compared where its standard error is at most this part of it.
const KNOWN_PART: f64 = 0.5;

/// The pair to compare where nobody names one, among those with some values: a mulched
/// bed and a bare one if there are such, best of the same soil; else the two of the same
/// soil with the most values.
pub(super) fn pair<'a>(
    garden: &Garden,
    beds: &'a [BedMonth],
    span: &Span,
) -> Option<(&'a BedMonth, &'a BedMonth)> {
    let mut best: Option<(_, (&BedMonth, &BedMonth))> = None;
    for (i, a) in beds.iter().enumerate() {
        for (j, b) in beds.iter().enumerate().filter(|(j, _)| *j != i) {
            let mulched = a.mulch.is_some() && b.mulch.is_none();
            // Two bare beds or two mulched ones are one pair, not two.
            if a.mulch.is_some() == b.mulch.is_some() && j < i || a.mulch.is_none() && b.mulch.is_some() {
                continue;
            }
            let enough = daily(a, b, span).0.len() + dryings(a, b, |_| Some(0.0)).values().0.len();
            let alike = garden.beds[i].soil == garden.beds[j].soil;
            let rank = (enough >= SOME, mulched, alike, enough);
            if (enough > 0 || mulched) && best.as_ref().is_none_or(|(of_best, _)| rank > *of_best) {
                best = Some((rank, (a, b)));
            }
        }
    }
    best.map(|(_, pair)| pair)
}

/// Every comparison of a pair.
pub(super) fn beside(
    garden: &Garden,
    (first, second): (&BedMonth, &BedMonth),
    sensors: &[SensorMonth],
    span: &Span,
) -> Vec<Beside> {
    let losses = dryings(first, second, |drying| drying.loss_mm_day);
    let constants = dryings(first, second, |drying| {
        let (days, error) = drying.time_constant_days.zip(drying.time_constant_error_days)?;
        (error <= KNOWN_PART * days).then_some(days)
    });
    let mut all = vec![
        losses.beside(first, second, "Loss of water while drying", "mm a day"),
        constants.beside(first, second, "Time constant of drying", "days"),
    ];
    let (at, one, other) = daily(first, second, span);
    all.push(of_days(first, second, "Loss of water on days without water", "mm a day", (at, one, other)));
    if let Some(swings) = swings(garden, first, second, sensors, span) {
        all.push(of_days(first, second, "Daily swing of the soil's temperature", "°C", swings));
    }
    let count = all.iter().filter(|it| it.outcome.is_ok()).count();
    let differ = differences(garden, first, second);
    let held = held(first, second);
    for it in &mut all {
        it.caution = caution(it, count, &differ, held);
    }
    all
}

/// When the mulch of a pair lay: before that nothing is compared. `None`: both are bare.
fn mulched_since(first: &BedMonth, second: &BedMonth) -> Option<Timestamp> {
    [first, second].into_iter().filter_map(|bed| bed.mulch).map(|mulch| mulch.since).max()
}

/// Values of two beds' dryings with when they began.
struct Dryings {
    /// Of dryings at the same time.
    together: Vec<[(Timestamp, f64); 2]>,
    first: Values,
    second: Values,
}

fn dryings(first: &BedMonth, second: &BedMonth, pick: impl Fn(&super::Drying) -> Option<f64>) -> Dryings {
    let since = mulched_since(first, second);
    let of = |bed: &BedMonth| -> Vec<(Timestamp, Timestamp, f64)> {
        let fair = bed.dryings.iter().filter(|it| since.is_none_or(|since| since <= it.from));
        fair.filter_map(|it| Some((it.from, it.to, pick(it).filter(|value| value.is_finite())?))).collect()
    };
    let (a, b) = (of(first), of(second));
    let mut together = Vec::new();
    for one in &a {
        let shared = |other: &&(Timestamp, Timestamp, f64)| {
            let both = seconds(one.0.max(other.0), one.1.min(other.1)).max(0);
            let either = seconds(one.0.min(other.0), one.1.max(other.1)).max(1);
            both as f64 >= SHARED_PART * either as f64
        };
        // More than half in common: at most one can be.
        together.extend(b.iter().find(shared).map(|other| [(one.0, one.2), (other.0, other.2)]));
    }
    let plain = |of: Vec<(Timestamp, Timestamp, f64)>| of.into_iter().map(|it| (it.0, it.2)).collect();
    Dryings { together, first: plain(a), second: plain(b) }
}

impl Dryings {
    /// The values that are compared: pairs where there are enough of them, which have the
    /// same weather; else all that there are.
    fn values(&self) -> (Values, Values, Pairing) {
        if self.together.len() >= LEAST_PAIRS {
            let side = |i: usize| self.together.iter().map(|pair| pair[i]).collect();
            return (side(0), side(1), Pairing::Events);
        }
        (self.first.clone(), self.second.clone(), Pairing::Apart)
    }

    fn beside(&self, first: &BedMonth, second: &BedMonth, what: &str, unit: &'static str) -> Beside {
        let (one, other, pairing) = self.values();
        let each =
            if pairing == Pairing::Events { "each pair of dryings at the same time" } else { "each drying" };
        made(first, second, what, unit, each, one, other, pairing)
    }
}

/// Days with the values of both beds.
type Days = (Vec<Timestamp>, Vec<f64>, Vec<f64>);
/// Values with when they began.
type Values = Vec<(Timestamp, f64)>;

/// Losses of the days on which both beds' are known.
fn daily(first: &BedMonth, second: &BedMonth, span: &Span) -> Days {
    let since = mulched_since(first, second);
    let mut found = Days::default();
    for (day, (a, b)) in span.days.iter().zip(first.days.iter().zip(&second.days)) {
        if let Some((one, other)) = a.loss_mm.zip(b.loss_mm)
            && since.is_none_or(|since| since <= day.from)
            && one.is_finite()
            && other.is_finite()
        {
            found.0.push(day.from);
            found.1.push(one);
            found.2.push(other);
        }
    }
    found
}

/// Daily swings of two beds' soil, of the days of which 20 hours are known of both.
fn swings(
    garden: &Garden,
    first: &BedMonth,
    second: &BedMonth,
    sensors: &[SensorMonth],
    span: &Span,
) -> Option<Days> {
    const LEAST_HOURS: usize = 20;
    let index = |bed: &BedMonth| garden.beds.iter().position(|it| it.id == bed.id);
    let of = |bed: usize| {
        let own = garden.sensors.iter().zip(sensors).filter(|(plan, _)| {
            plan.measures == Quantity::SoilTemperature
                && matches!(plan.place, Place::Bed(place) if usize::from(place) == bed)
        });
        own.min_by(|a, b| a.0.depth_m.unwrap_or(0.0).total_cmp(&b.0.depth_m.unwrap_or(0.0)))
    };
    let (a, b) = (of(index(first)?)?, of(index(second)?)?);
    // The deeper, the less it swings.
    if (a.0.depth_m.unwrap_or(0.0) - b.0.depth_m.unwrap_or(0.0)).abs() > 0.02 {
        return None;
    }
    let swing = |hours: &[Bin], day: &DaySpan| {
        let own: Vec<f64> = hours
            .iter()
            .filter(|bin| bin.start >= day.from && bin.end <= day.to)
            .filter_map(Bin::mean)
            .collect();
        let most = own.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let least = own.iter().copied().fold(f64::INFINITY, f64::min);
        (own.len() >= LEAST_HOURS).then_some(most - least)
    };
    let since = mulched_since(first, second);
    let mut found = Days::default();
    for day in span.days.iter().filter(|day| since.is_none_or(|since| since <= day.from)) {
        if let Some((one, other)) = swing(&a.1.hours, day).zip(swing(&b.1.hours, day)) {
            found.0.push(day.from);
            found.1.push(one);
            found.2.push(other);
        }
    }
    Some(found)
}

fn of_days(
    first: &BedMonth,
    second: &BedMonth,
    what: &str,
    unit: &'static str,
    (at, one, other): Days,
) -> Beside {
    let pairing = Pairing::Days { block: block_of(at.len()) };
    let with = |values: Vec<f64>| at.iter().copied().zip(values).collect();
    made(first, second, what, unit, "each day", with(one), with(other), pairing)
}

#[expect(clippy::too_many_arguments, reason = "the columns of one comparison")]
fn made(
    first: &BedMonth,
    second: &BedMonth,
    what: &str,
    unit: &'static str,
    each: &'static str,
    one: Values,
    other: Values,
    pairing: Pairing,
) -> Beside {
    let (first_at, first_values): (Vec<_>, Vec<_>) = one.into_iter().unzip();
    let (second_at, second_values): (Vec<_>, Vec<_>) = other.into_iter().unzip();
    let outcome = effect(&first_values, &second_values, pairing, SEED);
    let mut it = Beside {
        first: first.id.clone(),
        second: second.id.clone(),
        first_name: first.name.clone(),
        second_name: second.name.clone(),
        what: what.to_owned(),
        unit,
        each,
        first_values,
        second_values,
        first_at,
        second_at,
        outcome,
        says: String::new(),
        caution: String::new(),
    };
    it.says = match it.outcome {
        Ok(effect) => says(&it, &effect, first.mulch.is_some() != second.mulch.is_some()),
        Err(few) => too_few(&it, few),
    };
    it
}

fn too_few(it: &Beside, few: TooFew) -> String {
    let count = |n: usize, name: &str| format!("{name} has {n}");
    format!(
        "{}: too few values to say anything. {} and {}; each bed needs at least {}.",
        it.what,
        count(few.first, &it.first_name),
        count(few.second, &it.second_name),
        few.least
    )
}

fn says(it: &Beside, effect: &Effect, one_mulched: bool) -> String {
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let (one, other) = (mean(&it.first_values), mean(&it.second_values));
    let (a, b, unit) = (&it.first_name, &it.second_name, it.unit);
    let over = match effect.pairing {
        Pairing::Apart => {
            format!("{} dryings of {a} and {} of {b}", it.first_values.len(), it.second_values.len())
        }
        Pairing::Events => format!("{} dryings of both beds at the same time", it.first_values.len()),
        Pairing::Days { .. } => format!("{} days of both beds", it.first_values.len()),
    };
    let mut text = format!(
        "{}: over {over}, the mean was {one:.2} {unit} in {a} and {other:.2} {unit} in {b}. ",
        it.what
    );
    let (low, high) = (effect.interval.low, effect.interval.high);
    let than = |sign: f64| if sign < 0.0 { "less" } else { "more" };
    let apart = low > 0.0 || high < 0.0;
    if apart {
        let (near, far) = if high < 0.0 { (-high, -low) } else { (low, high) };
        let _ = write!(
            text,
            "{a} had {near:.2} to {far:.2} {unit} {} than {b} (95 % interval). So steady a difference is seldom \
             chance alone. ",
            than(effect.mean_difference)
        );
        text.push_str(if one_mulched {
            "The data do not prove that the mulch made it: the beds may differ in other things too."
        } else {
            "The data do not say what made it."
        });
    } else {
        let _ = write!(
            text,
            "The 95 % interval of the difference, {low:.2} to {high:.2} {unit}, holds 0: these data do not show that \
             the beds differ in this. They do not show that the beds are alike either; a difference within that \
             interval may be there."
        );
    }
    text
}

/// What the garden file says of how two beds differ.
fn differences(garden: &Garden, first: &BedMonth, second: &BedMonth) -> Vec<String> {
    let mut found = Vec::new();
    if first.soil != second.soil || (first.field_capacity - second.field_capacity).abs() > 1e-9 {
        found.push("soil".to_owned());
    }
    if first.crop != second.crop {
        found.push("crop".to_owned());
    }
    if (first.root_depth_m - second.root_depth_m).abs() > 1e-9 {
        found.push("depth of the roots".to_owned());
    }
    let depths = |bed: &BedMonth| bed.probes.iter().map(|probe| probe.1).collect::<Vec<f64>>();
    let (a, b) = (depths(first), depths(second));
    if a.len() != b.len() || a.iter().zip(&b).any(|(a, b)| (a - b).abs() > 0.01) {
        found.push("depth of the probes".to_owned());
    }
    let hours = |bed: &BedMonth| garden.watering_hours(&bed.id).clone();
    if hours(first) != hours(second) {
        found.push("watering hours".to_owned());
    }
    found
}

/// Part of available water that two beds had on the days on which both are known.
fn held(first: &BedMonth, second: &BedMonth) -> Option<(f64, f64)> {
    let days = first.days.iter().zip(&second.days);
    let known: Vec<(f64, f64)> = days.filter_map(|(a, b)| a.available.zip(b.available)).collect();
    let mean = |pick: fn(&(f64, f64)) -> f64| known.iter().map(pick).sum::<f64>() / known.len() as f64;
    (!known.is_empty()).then(|| (mean(|it| it.0), mean(|it| it.1)))
}

fn caution(it: &Beside, count: usize, differ: &[String], held: Option<(f64, f64)>) -> String {
    let mut text = String::from(
        "Hourly readings are not compared: each is nearly the one before it over again (they are autocorrelated), so \
         that hundreds of them tell hardly more than a few days do, and any difference would look certain. ",
    );
    match it.each {
        "each day" => text.push_str(
            "Days too are like their neighbours, so they are drawn in runs; a month has few such runs, and the \
             interval is rough. ",
        ),
        _ => text.push_str("A month has few dryings, so the interval is rough. "),
    }
    if differ.is_empty() {
        text.push_str(
            "By the garden file soil, crop and probes are alike, but sun, watering and the soil beside each probe may \
             differ. ",
        );
    } else {
        let _ = write!(
            text,
            "By the garden file the beds also differ in {}; sun and watering may differ too. ",
            spoken::list(differ)
        );
    }
    if let Some((a, b)) = held {
        let _ = write!(
            text,
            "On average {} had {} of its available water and {} had {}: a wetter bed loses more, and plants that suffer \
             drink less. ",
            it.first_name,
            spoken::percent(a),
            it.second_name,
            spoken::percent(b)
        );
    }
    text.push_str("Each probe sees only the soil around it.");
    if count > 1 {
        let _ = write!(
            text,
            " {count} comparisons were made: the more there are, the sooner one looks sure by chance (of twenty \
             without any difference, about one)."
        );
    }
    text
}

/// The beds of two ids.
pub(super) fn named<'a>(beds: &'a [BedMonth], (a, b): (&Id, &Id)) -> Option<(&'a BedMonth, &'a BedMonth)> {
    let find = |id: &Id| beds.iter().find(|bed| bed.id == *id);
    find(a).zip(find(b)).filter(|_| a != b)
}
