//! Two beds beside each other.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::span::{DaySpan, MonthSpan, seconds};
use super::wettings::is_bed;
use super::{BedMonth, Beside, Drying, PairReason, SensorMonth, UnlikePair};
use crate::analysis::summary::mean;
use crate::analysis::{Effect, Pairing, TooFew, block_of, effect};
use crate::garden::plan::Garden;
use crate::history::Bin;
use crate::model::{Id, Quantity};
use crate::text::spoken;
use crate::watering::{WateringMethod, WateringRules};

/// Draws begin here, so that the same data give the same figures everywhere.
const SEED: u64 = 20_260_417;
/// Dryings of two beds that share so much of their time are of one event.
const SHARED_PART: f64 = 0.5;
/// Pairs of dryings from which on they are compared as pairs.
const LEAST_PAIRS: usize = 6;
/// A pair with fewer dryings and days than this has little to say.
const SOME: usize = 4;
/// What is compared of dryings.
const LOSS: &str = "Loss of water while drying";
const DAILY: &str = "Loss of water on days without water";
const CONSTANT: &str = "Time constant of drying";
/// In what two beds must not differ that are compared unasked.
const SOIL: &str = "soil";
const PROBES: &str = "depth of the probes";
/// A time constant is compared where its standard error is at most this part of it.
const KNOWN_PART: f64 = 0.5;

/// Two beds beside each other.
type Pair<'a> = (&'a BedMonth, &'a BedMonth);

/// What a month puts beside each other.
#[derive(Clone, Copy, Debug)]
pub(super) enum Compare<'a> {
    Beds(Pair<'a>),
    /// One bed before and after its mulch was laid.
    Mulch(&'a BedMonth, Timestamp),
}

/// What to compare where nobody names two beds, and why. Only what is alike: two beds of the
/// same soil and with probes at the same depths, best one mulched and the other bare; else one
/// bed before and after its mulch. Where nothing is alike it is nothing.
pub(super) fn chosen<'a>(
    garden: &Garden,
    beds: &'a [BedMonth],
    span: &MonthSpan,
) -> (Option<Compare<'a>>, PairReason) {
    let pairs = || beds.iter().enumerate().flat_map(|(i, a)| beds[i + 1..].iter().map(move |b| (a, b)));
    // The mulched one first.
    let turned = |(a, b): Pair<'a>| if a.mulch.is_none() && b.mulch.is_some() { (b, a) } else { (a, b) };
    let rank = |pair: &Pair<'_>| {
        let enough = daily(*pair, span).len() + Compared::dryings("", "", *pair, |_| Some(0.0)).first.len();
        let mulched = pair.0.mulch.is_some() != pair.1.mulch.is_some();
        (enough >= SOME, mulched, differences(garden, *pair).is_empty(), enough)
    };
    let mut best = None;
    for pair in pairs().map(turned).filter(|pair| are_alike(garden, *pair)) {
        let rank = rank(&pair);
        if (rank.3 > 0 || rank.1) && best.as_ref().is_none_or(|(of_best, _)| rank > *of_best) {
            best = Some((rank, pair));
        }
    }
    let laid = beds.iter().filter_map(|bed| {
        let since =
            bed.mulch.map(|mulch| mulch.since).filter(|since| span.from < *since && *since < span.end)?;
        let (under, before) = mulch_dryings(bed, since, |it| it.loss_mm_day);
        Some((under.len().min(before.len()), bed, since))
    });
    let laid = laid.filter(|it| it.0 > 0).max_by_key(|it| it.0);
    match (best, laid) {
        (Some(((true, true, ..), pair)), _) | (Some((_, pair)), None) => {
            (Some(Compare::Beds(pair)), PairReason::Alike)
        }
        (_, Some((_, bed, since))) => (Some(Compare::Mulch(bed, since)), PairReason::BeforeAndAfterMulch),
        (None, None) => {
            let nearest = pairs().map(turned).filter(|(a, b)| !a.probes.is_empty() && !b.probes.is_empty());
            let nearest = nearest.map(|pair| (differences(garden, pair), pair)).min_by_key(|it| it.0.len());
            let nearest = nearest.map(|(differ, (a, b))| UnlikePair {
                first: a.id.clone(),
                second: b.id.clone(),
                names: (a.name.clone(), b.name.clone()),
                differ,
            });
            (None, PairReason::NoneAlike { nearest })
        }
    }
}

/// The beds that somebody named, and whether they are alike.
pub(super) fn named<'a>(
    garden: &Garden,
    beds: &'a [BedMonth],
    (a, b): (&Id, &Id),
) -> (Option<Compare<'a>>, PairReason) {
    let find = |id: &Id| beds.iter().find(|bed| bed.id == *id);
    let pair = find(a).zip(find(b)).filter(|_| a != b);
    let reason = PairReason::Named { differ: pair.map(|pair| differences(garden, pair)).unwrap_or_default() };
    (pair.map(Compare::Beds), reason)
}

/// Whether two beds have the same soil and probes at the same depths.
fn are_alike(garden: &Garden, pair: Pair<'_>) -> bool {
    let differ = differences(garden, pair);
    !pair.0.probes.is_empty() && !differ.iter().any(|it| it == SOIL || it == PROBES)
}

/// Every comparison of what was chosen.
pub(super) fn beside(
    garden: &Garden,
    compare: Compare<'_>,
    sensors: &[SensorMonth],
    span: &MonthSpan,
) -> Vec<Beside> {
    let constant = |drying: &Drying| {
        let (days, error) = drying.time_constant_days.zip(drying.time_constant_error_days)?;
        (error <= KNOWN_PART * days).then_some(days)
    };
    let loss = |drying: &Drying| drying.loss_mm_day;
    let (all, names, differ, held): (Vec<Compared>, _, _, _) = match compare {
        Compare::Beds(pair) => {
            let mut all = vec![
                Compared::dryings(LOSS, "mm a day", pair, loss),
                Compared::dryings(CONSTANT, "days", pair, constant),
                Compared::days(DAILY, "mm a day", daily(pair, span)),
            ];
            let swings = swings(garden, pair, sensors, span);
            all.extend(swings.map(|it| Compared::days("Daily swing of the soil's temperature", "°C", it)));
            let names = (pair.0.name.clone(), pair.1.name.clone());
            (all, (pair, names), Some(differences(garden, pair)), held(pair))
        }
        Compare::Mulch(bed, since) => {
            let all = vec![
                Compared::mulch(LOSS, "mm a day", bed, since, loss),
                Compared::mulch(CONSTANT, "days", bed, since, constant),
            ];
            let names = (format!("{} under mulch", bed.name), format!("{} before mulch", bed.name));
            (all, ((bed, bed), names), None, None)
        }
    };
    let mut all: Vec<Beside> = all.into_iter().map(|it| it.beside(names.0, &names.1)).collect();
    let count = all.iter().filter(|it| it.outcome.is_ok()).count();
    for it in &mut all {
        it.caution = caution(it, count, differ.as_deref(), held);
    }
    all
}

/// Dryings of a bed all under its mulch, and all before it.
fn mulch_dryings(
    bed: &BedMonth,
    since: Timestamp,
    pick: impl Fn(&Drying) -> Option<f64>,
) -> (DatedValues, DatedValues) {
    let value = |it: &Drying| Some((it.from, pick(it).filter(|value| value.is_finite())?));
    (
        bed.dryings.iter().filter(|it| since <= it.from).filter_map(value).collect(),
        bed.dryings.iter().filter(|it| it.to <= since).filter_map(value).collect(),
    )
}

/// Whether the mulch of a pair lay at a moment, or both are bare: before that nothing is
/// compared.
fn comparable((first, second): Pair<'_>) -> impl Fn(Timestamp) -> bool {
    let since = [first, second].into_iter().filter_map(|bed| bed.mulch).map(|mulch| mulch.since).max();
    move |at| since.is_none_or(|since| since <= at)
}

/// Values with when they began.
type DatedValues = Vec<(Timestamp, f64)>;
/// Days with the values of both beds.
type DayPairs = Vec<(Timestamp, f64, f64)>;

/// What is compared of two beds.
struct Compared {
    what: &'static str,
    unit: &'static str,
    each: &'static str,
    pairing: Pairing,
    first: DatedValues,
    second: DatedValues,
}

impl Compared {
    /// Values of dryings: of pairs at the same time where there are enough of them, which
    /// have the same weather; else of all that there are.
    fn dryings(
        what: &'static str,
        unit: &'static str,
        pair: Pair<'_>,
        pick: impl Fn(&Drying) -> Option<f64>,
    ) -> Self {
        let comparable = comparable(pair);
        let of = |bed: &BedMonth| -> Vec<(Timestamp, Timestamp, f64)> {
            let fair = bed.dryings.iter().filter(|it| comparable(it.from));
            fair.filter_map(|it| Some((it.from, it.to, pick(it).filter(|value| value.is_finite())?)))
                .collect()
        };
        let (a, b) = (of(pair.0), of(pair.1));
        let together = a.iter().filter_map(|one| {
            let shared = |other: &&(Timestamp, Timestamp, f64)| {
                let both = seconds(one.0.max(other.0), one.1.min(other.1)).max(0);
                let either = seconds(one.0.min(other.0), one.1.max(other.1)).max(1);
                both as f64 >= SHARED_PART * either as f64
            };
            // More than half in common: at most one can be.
            b.iter().find(shared).map(|other| ((one.0, one.2), (other.0, other.2)))
        });
        let (first, second): (DatedValues, DatedValues) = together.unzip();
        if first.len() >= LEAST_PAIRS {
            let each = "each pair of dryings at the same time";
            return Self { what, unit, each, pairing: Pairing::Events, first, second };
        }
        let plain = |of: Vec<(Timestamp, Timestamp, f64)>| of.into_iter().map(|it| (it.0, it.2)).collect();
        Self { what, unit, each: "each drying", pairing: Pairing::Apart, first: plain(a), second: plain(b) }
    }

    /// Values of one bed's dryings under its mulch and before it.
    fn mulch(
        what: &'static str,
        unit: &'static str,
        bed: &BedMonth,
        since: Timestamp,
        pick: impl Fn(&Drying) -> Option<f64>,
    ) -> Self {
        let (first, second) = mulch_dryings(bed, since, pick);
        Self { what, unit, each: "each drying", pairing: Pairing::Apart, first, second }
    }

    fn days(what: &'static str, unit: &'static str, days: DayPairs) -> Self {
        let pairing = Pairing::Days { block: block_of(days.len()) };
        let (first, second) = days.into_iter().map(|(at, one, other)| ((at, one), (at, other))).unzip();
        Self { what, unit, each: "each day", pairing, first, second }
    }

    fn beside(self, (first, second): Pair<'_>, names: &(String, String)) -> Beside {
        let (first_at, first_values): (Vec<_>, Vec<_>) = self.first.into_iter().unzip();
        let (second_at, second_values): (Vec<_>, Vec<_>) = self.second.into_iter().unzip();
        let outcome = effect(&first_values, &second_values, self.pairing, SEED);
        let mut it = Beside {
            first: first.id.clone(),
            second: second.id.clone(),
            first_name: names.0.clone(),
            second_name: names.1.clone(),
            what: self.what.to_owned(),
            ask: match self.what {
                LOSS => "Which lost less water while it dried:",
                CONSTANT => "Which dried more slowly:",
                DAILY => "Which lost less water on days without water:",
                _ => "In which did the soil's temperature swing less:",
            },
            unit: self.unit,
            each: self.each,
            first_values,
            second_values,
            first_at,
            second_at,
            outcome,
            plain: String::new(),
            says: String::new(),
            caution: String::new(),
        };
        (it.plain, it.says) = match it.outcome {
            Ok(effect) => {
                let one_mulched = first.mulch.is_some() != second.mulch.is_some();
                (plain(&it, &effect), says(&it, &effect, one_mulched, first.id == second.id))
            }
            Err(few) => (too_few_plain(&it, few), too_few(&it, few)),
        };
        it
    }
}

/// Losses of the days on which both beds' are known.
fn daily(pair: Pair<'_>, span: &MonthSpan) -> DayPairs {
    let comparable = comparable(pair);
    let days = span.days.iter().zip(pair.0.days.iter().zip(&pair.1.days));
    days.filter(|(day, _)| comparable(day.from))
        .filter_map(|(day, (a, b))| Some((day.from, a.loss_mm?, b.loss_mm?)))
        .filter(|(_, one, other)| one.is_finite() && other.is_finite())
        .collect()
}

/// Daily swings of two beds' soil, of the days of which 20 hours are known of both.
fn swings(garden: &Garden, pair: Pair<'_>, sensors: &[SensorMonth], span: &MonthSpan) -> Option<DayPairs> {
    const LEAST_HOURS: usize = 20;
    // The thermometer nearest to the surface, with its depth.
    let of = |bed: &BedMonth| {
        let bed = garden.beds.iter().position(|it| it.id == bed.id)?;
        let own = garden
            .sensors
            .iter()
            .zip(sensors)
            .filter(|(plan, _)| plan.measures == Quantity::SoilTemperature && is_bed(plan.place, bed));
        own.map(|(plan, month)| (plan.depth_m.unwrap_or(0.0), month)).min_by(|a, b| a.0.total_cmp(&b.0))
    };
    let (a, b) = (of(pair.0)?, of(pair.1)?);
    // The deeper, the less it swings.
    if (a.0 - b.0).abs() > 0.02 {
        return None;
    }
    let swing = |sensor: &SensorMonth, day: &DaySpan| {
        let of_day = sensor.hours.iter().filter(|bin| bin.start >= day.from && bin.end <= day.to);
        let means: Vec<f64> = of_day.filter_map(Bin::mean).collect();
        let most = means.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let least = means.iter().copied().fold(f64::INFINITY, f64::min);
        (means.len() >= LEAST_HOURS).then_some(most - least)
    };
    let comparable = comparable(pair);
    let days = span.days.iter().filter(|day| comparable(day.from));
    Some(days.filter_map(|day| Some((day.from, swing(a.1, day)?, swing(b.1, day)?))).collect())
}

fn too_few(it: &Beside, few: TooFew) -> String {
    format!(
        "{}: too few values to say anything. {} has {} and {} has {}; each bed needs at least {}.",
        it.what, it.first_name, few.first, it.second_name, few.second, few.least
    )
}

/// One plain sentence for a class.
fn plain(it: &Beside, effect: &Effect) -> String {
    let (one, other) = (mean(&it.first_values), mean(&it.second_values));
    let (a, b, unit) = (&it.first_name, &it.second_name, it.unit);
    let both = format!("{one:.1} {unit} in {a} and {other:.1} {unit} in {b}");
    let (low, high) = (effect.interval.low, effect.interval.high);
    if low > 0.0 || high < 0.0 {
        let than = if effect.mean_difference < 0.0 { "less" } else { "more" };
        format!("{a} had {than} than {b}: on average {both}.")
    } else {
        format!("The dots do not show which has more: on average {both}.")
    }
}

fn too_few_plain(it: &Beside, few: TooFew) -> String {
    format!(
        "There are too few dots to tell: {} has {} and {} has {}, and each needs {}.",
        it.first_name, few.first, it.second_name, few.second, few.least
    )
}

fn says(it: &Beside, effect: &Effect, one_mulched: bool, one_bed: bool) -> String {
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
            "{a} had {near:.2} to {far:.2} {unit} {} than {b} (95 % interval). Chance alone seldom makes so steady a \
             difference. ",
            than(effect.mean_difference)
        );
        text.push_str(if one_bed {
            "The data do not prove that the mulch made it: the weather before it was another."
        } else if one_mulched {
            "The data do not prove that the mulch made it: the beds may differ in other things too."
        } else {
            "The data do not say what made it."
        });
    } else {
        let _ = write!(
            text,
            "The 95 % interval of the difference, {low:.2} to {high:.2} {unit}, holds 0: these data do not show a \
             difference. They do not show that both are alike either; a difference within that interval may be there."
        );
    }
    text
}

/// When a bed may be watered, and how it is.
fn rules_of<'a>(garden: &'a Garden, id: &Id) -> Option<(&'a WateringRules, Option<WateringMethod>)> {
    let bed = garden.beds.iter().find(|bed| bed.id == *id)?;
    Some((garden.watering_rules(bed), bed.method))
}

/// What the garden file says of how two beds differ.
fn differences(garden: &Garden, (first, second): Pair<'_>) -> Vec<String> {
    let apart = |a: f64, b: f64, by: f64| (a - b).abs() > by;
    let (a, b) = (&first.probes, &second.probes);
    let checks = [
        (first.soil != second.soil || apart(first.field_capacity, second.field_capacity, 1e-9), SOIL),
        (first.crop != second.crop, "crop"),
        (apart(first.root_depth_m, second.root_depth_m, 1e-9), "depth of the roots"),
        (a.len() != b.len() || a.iter().zip(b).any(|(a, b)| apart(a.1, b.1, 0.01)), PROBES),
        (rules_of(garden, &first.id) != rules_of(garden, &second.id), "watering hours"),
    ];
    checks.into_iter().filter(|(differ, _)| *differ).map(|(_, what)| what.to_owned()).collect()
}

/// Part of available water that two beds had on the days on which both are known.
fn held((first, second): Pair<'_>) -> Option<(f64, f64)> {
    let days = first.days.iter().zip(&second.days);
    let known: Vec<(f64, f64)> = days.filter_map(|(a, b)| a.available.zip(b.available)).collect();
    let mean = |pick: fn(&(f64, f64)) -> f64| known.iter().map(pick).sum::<f64>() / known.len() as f64;
    (!known.is_empty()).then(|| (mean(|it| it.0), mean(|it| it.1)))
}

/// What must be known beside a comparison. `differ`: in what two beds differ by the garden
/// file; `None`: it is one bed.
fn caution(it: &Beside, count: usize, differ: Option<&[String]>, held: Option<(f64, f64)>) -> String {
    let mut text = String::from(
        "Hourly readings are not compared: each is nearly the same as the one before it (they are autocorrelated). \
         Hundreds of them tell hardly more than a few days do, and any difference would look certain. ",
    );
    text.push_str(if it.each == "each day" {
        "Days too are like their neighbours, so they are drawn in runs. A month has few such runs, so the interval is \
         rough. "
    } else {
        "A month has few dryings, so the interval is rough. "
    });
    match differ {
        None => text.push_str(
            "It is one bed with the same soil and probes, but the weather before the mulch was not the weather after it. ",
        ),
        Some([]) => text.push_str(
            "By the garden file soil, crop and probes are alike, but sun, watering and the soil beside each probe may \
             differ. ",
        ),
        Some(differ) => {
            let _ = write!(
                text,
                "By the garden file the beds also differ in {}; sun and watering may differ too. ",
                spoken::list(differ)
            );
        }
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
    text.push_str("Each probe measures only the soil around it.");
    if count > 1 {
        let _ = write!(
            text,
            " {count} comparisons were made: the more there are, the sooner one looks sure by chance (of twenty \
             without any difference, about one)."
        );
    }
    text
}
