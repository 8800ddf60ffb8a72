//! Two places beside each other, and the values behind it.

use jiff::Timestamp;

use super::SETTINGS;
use crate::analysis::month::{Beside, Month, Pairing};
use crate::model::Id;
use crate::report::table::CellKind::{Number, Text, Whole};
use crate::report::table::{Describe, Table};

const VALUES: &str = "the table comparison_values";
const REPORT: &str = "this report";

/// One row for each comparison.
pub(super) fn outcomes(month: &Month) -> Table {
    const TOO_FEW: &str = "too few values to compare";
    const APART: &str = "too few values, or values that are paired";
    let figures = |it: &Beside| it.outcome.ok();
    let tests = move |it: &Beside| figures(it)?.apart;
    Describe::<(&Beside, usize)>::new(
        "comparison",
        "Two places beside each other: by how much they differ, and how sure that is.",
    )
    .column("comparison", "", Whole, |(_, number)| number)
    .means("its number in this file", REPORT)
    .column("what", "", Text, |(it, _)| it.what.as_str())
    .means("what is compared", REPORT)
    .column("unit", "", Text, |(it, _)| it.unit)
    .means("the unit of means, differences and interval in this row", REPORT)
    .column("each", "", Text, |(it, _)| it.each)
    .means("what one value is", REPORT)
    .column("first", "", Text, |(it, _)| it.first_name.as_str())
    .means("the name of the first place", SETTINGS)
    .column("second", "", Text, |(it, _)| it.second_name.as_str())
    .means("the name of the second place", SETTINGS)
    .column("first_count", "", Whole, |(it, _)| it.first_values.len())
    .means("values of the first place", VALUES)
    .column("second_count", "", Whole, |(it, _)| it.second_values.len())
    .means("values of the second place", VALUES)
    .column("pairing", "", Text, move |(it, _)| figures(it).map(|it| pairing(it.pairing)))
    .means("how the values belong together: apart, by event, or by day in runs of so many days", VALUES)
    .or_empty(TOO_FEW)
    .column("mean_difference", "see unit", Number(3), move |(it, _)| figures(it).map(|it| it.mean_difference))
    .means("mean of the first minus mean of the second", VALUES)
    .or_empty(TOO_FEW)
    .column("median_difference", "see unit", Number(3), move |(it, _)| {
        figures(it).map(|it| it.median_difference)
    })
    .means("median of the first minus median of the second", VALUES)
    .or_empty(TOO_FEW)
    .column("interval_low", "see unit", Number(3), move |(it, _)| figures(it).map(|it| it.interval.low))
    .means("lower end of the 95 % bootstrap interval of the mean difference", VALUES)
    .or_empty(TOO_FEW)
    .column("interval_high", "see unit", Number(3), move |(it, _)| figures(it).map(|it| it.interval.high))
    .means("its upper end", VALUES)
    .or_empty(TOO_FEW)
    .column("cliffs_delta", "", Number(2), move |(it, _)| figures(it).map(|it| it.cliffs_delta))
    .means(
        "how often a value of the first is above one of the second, minus how often below: -1 to 1",
        VALUES,
    )
    .or_empty(TOO_FEW)
    .column("hedges_g", "", Number(2), move |(it, _)| figures(it)?.hedges_g)
    .means("mean difference in standard deviations, made for few values", VALUES)
    .or_empty("too few values, or nothing varies")
    .column("permutation_p", "", Number(4), move |(it, _)| figures(it).map(|it| it.permutation_p))
    .means("how often chance alone would make the means differ by as much", VALUES)
    .or_empty(TOO_FEW)
    .column("welch_t", "", Number(2), move |(it, _)| tests(it).map(|it| it.welch.t))
    .means("t of Welch's test", VALUES)
    .or_empty(APART)
    .column("welch_freedom", "", Number(1), move |(it, _)| tests(it).map(|it| it.welch.freedom))
    .means("its degrees of freedom", VALUES)
    .or_empty(APART)
    .column("welch_p", "", Number(4), move |(it, _)| tests(it).map(|it| it.welch.p))
    .means("its p, two-sided", VALUES)
    .or_empty(APART)
    .column("mann_whitney_u", "", Number(1), move |(it, _)| tests(it).map(|it| it.mann_whitney.u))
    .means("U of the Mann-Whitney test, of the first place", VALUES)
    .or_empty(APART)
    .column("mann_whitney_p", "", Number(4), move |(it, _)| tests(it).map(|it| it.mann_whitney.p))
    .means("its p, two-sided", VALUES)
    .or_empty(APART)
    .column("says", "", Text, |(it, _)| it.says.as_str())
    .means("what the data do and do not show", VALUES)
    .column("caution", "", Text, |(it, _)| it.caution.as_str())
    .means("what must be known beside it", REPORT)
    .or_empty("nothing to add")
    .rows(month.comparisons.iter().zip(1..))
}

/// How values belong together, in words.
fn pairing(pairing: Pairing) -> String {
    match pairing {
        Pairing::Apart => "apart".to_owned(),
        Pairing::Events => "by event".to_owned(),
        Pairing::Days { block } => format!("by day, in runs of {block}"),
    }
}

/// A value that went into a comparison.
#[derive(Clone, Copy)]
struct ComparedRow<'a> {
    number: usize,
    of: &'a Beside,
    side: &'static str,
    place: (&'a Id, &'a str),
    at: Option<Timestamp>,
    value: f64,
}

/// One row for each value that went into a comparison.
pub(super) fn values(month: &Month) -> Table {
    const BEDS: &str = "the tables of the beds";
    let mut rows = Vec::new();
    for (of, number) in month.comparisons.iter().zip(1..) {
        let first = ("first", (&of.first, of.first_name.as_str()), &of.first_values, &of.first_at);
        let second = ("second", (&of.second, of.second_name.as_str()), &of.second_values, &of.second_at);
        for (side, place, values, times) in [first, second] {
            let times = times.iter().copied().map(Some).chain(std::iter::repeat(None));
            let values = values.iter().zip(times);
            rows.extend(values.map(|(&value, at)| ComparedRow { number, of, side, place, at, value }));
        }
    }
    Describe::<ComparedRow<'_>>::new("comparison_values", "The values that went into each comparison.")
        .column("comparison", "", Whole, |it| it.number)
        .means("its number in the table comparison", REPORT)
        .column("what", "", Text, |it| it.of.what.as_str())
        .means("what is compared", REPORT)
        .column("side", "", Text, |it| it.side)
        .means("first or second", REPORT)
        .column("place", "", Text, |it| it.place.0.as_str())
        .means("the place's id", SETTINGS)
        .column("place_name", "", Text, |it| it.place.1)
        .means("the place's name", SETTINGS)
        .moment("time", |it| it.at)
        .means("when the event or the day began", BEDS)
        .or_empty("the time is not known")
        .column("value", "see unit", Number(3), |it| it.value)
        .means("one value", BEDS)
        .column("unit", "", Text, |it| it.of.unit)
        .means("its unit", REPORT)
        .column("each", "", Text, |it| it.of.each)
        .means("what one value is", REPORT)
        .rows(rows)
}
