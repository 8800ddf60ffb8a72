//! Two places beside each other, and the values behind it.

use super::moment;
use crate::analysis::month::{Effect, Month, Pairing};
use crate::report::table::{Cell, Kind, Table, column};

const VALUES: &str = "the table comparison_values";

/// One row for each comparison.
pub(super) fn outcomes(month: &Month) -> Table {
    const TOO_FEW: &str = "too few values to compare";
    const APART: &str = "too few values, or values that are paired";
    let mut columns = vec![
        column("comparison", "", Kind::Whole, "its number in this file", "this report"),
        column("what", "", Kind::Text, "what is compared", "this report"),
        column(
            "unit",
            "",
            Kind::Text,
            "the unit of means, differences and interval in this row",
            "this report",
        ),
        column("each", "", Kind::Text, "what one value is", "this report"),
        column("first", "", Kind::Text, "the name of the first place", "the garden's settings"),
        column("second", "", Kind::Text, "the name of the second place", "the garden's settings"),
        column("first_count", "", Kind::Whole, "values of the first place", VALUES),
        column("second_count", "", Kind::Whole, "values of the second place", VALUES),
        column(
            "pairing",
            "",
            Kind::Text,
            "how the values belong together: apart, by event, or by day in runs of so many days",
            VALUES,
        )
        .or_empty(TOO_FEW),
    ];
    for (name, unit, decimals, meaning, missing) in [
        ("mean_difference", "see unit", 3, "mean of the first less mean of the second", TOO_FEW),
        ("median_difference", "see unit", 3, "median of the first less median of the second", TOO_FEW),
        (
            "interval_low",
            "see unit",
            3,
            "lower end of the 95 % bootstrap interval of the mean difference",
            TOO_FEW,
        ),
        ("interval_high", "see unit", 3, "its upper end", TOO_FEW),
        (
            "cliffs_delta",
            "",
            2,
            "how often a value of the first is above one of the second, less how often below: -1 to 1",
            TOO_FEW,
        ),
        (
            "hedges_g",
            "",
            2,
            "mean difference in standard deviations, made for few values",
            "too few values, or nothing varies",
        ),
        ("permutation_p", "", 4, "how often chance alone would make the means differ by as much", TOO_FEW),
        ("welch_t", "", 2, "t of Welch's test", APART),
        ("welch_freedom", "", 1, "its degrees of freedom", APART),
        ("welch_p", "", 4, "its p, two-sided", APART),
        ("mann_whitney_u", "", 1, "U of the Mann-Whitney test, of the first place", APART),
        ("mann_whitney_p", "", 4, "its p, two-sided", APART),
    ] {
        columns.push(column(name, unit, Kind::Number(decimals), meaning, VALUES).or_empty(missing));
    }
    columns.extend([
        column("says", "", Kind::Text, "what the data do and do not show", VALUES),
        column("caution", "", Kind::Text, "what must be known beside it", "this report")
            .or_empty("nothing to add"),
    ]);
    let rows = month.comparisons.iter().zip(1_i64..).map(|(it, number)| {
        let outcome = it.outcome.as_ref().ok();
        let apart = outcome.and_then(|effect| effect.apart.as_ref());
        let of = |pick: fn(&Effect) -> f64| Cell::number(outcome.map(pick));
        let test = |pick: fn(&crate::analysis::Comparison) -> f64| Cell::number(apart.map(pick));
        let count = |values: &[f64]| Cell::whole(i64::try_from(values.len()).unwrap_or(i64::MAX));
        vec![
            Cell::Whole(number),
            Cell::text(&it.what),
            Cell::text(it.unit),
            Cell::text(it.each),
            Cell::text(&it.first_name),
            Cell::text(&it.second_name),
            count(&it.first_values),
            count(&it.second_values),
            outcome.map_or(Cell::Empty, |effect| Cell::text(pairing(effect.pairing))),
            of(|it| it.mean_difference),
            of(|it| it.median_difference),
            of(|it| it.interval.low),
            of(|it| it.interval.high),
            of(|it| it.cliffs_delta),
            Cell::number(outcome.and_then(|effect| effect.hedges_g)),
            of(|it| it.permutation_p),
            test(|it| it.welch.t),
            test(|it| it.welch.freedom),
            test(|it| it.welch.p),
            test(|it| it.mann_whitney.u),
            test(|it| it.mann_whitney.p),
            Cell::text(&it.says),
            Cell::text(&it.caution),
        ]
    });
    Table {
        name: "comparison",
        about: "Two places beside each other: by how much they differ, and how sure that is.",
        columns,
        rows: rows.collect(),
    }
}

/// How values belong together, in words.
pub(in crate::report) fn pairing(pairing: Pairing) -> String {
    match pairing {
        Pairing::Apart => "apart".to_owned(),
        Pairing::Events => "by event".to_owned(),
        Pairing::Days { block } => format!("by day, in runs of {block}"),
    }
}

/// One row for each value that went into a comparison.
pub(super) fn values(month: &Month) -> Table {
    let mut columns = vec![
        column("comparison", "", Kind::Whole, "its number in the table comparison", "this report"),
        column("what", "", Kind::Text, "what is compared", "this report"),
        column("side", "", Kind::Text, "first or second", "this report"),
        column("place", "", Kind::Text, "the place's id", "the garden's settings"),
        column("place_name", "", Kind::Text, "the place's name", "the garden's settings"),
    ];
    const NO_TIME: &str = "the time is not known";
    columns.extend(
        moment("time", "when the event or the day began", "the tables of the beds")
            .map(|it| it.or_empty(NO_TIME)),
    );
    columns.extend([
        column("value", "see unit", Kind::Number(3), "one value", "the tables of the beds"),
        column("unit", "", Kind::Text, "its unit", "this report"),
        column("each", "", Kind::Text, "what one value is", "this report"),
    ]);
    let mut rows = Vec::new();
    for (it, number) in month.comparisons.iter().zip(1_i64..) {
        let sides = [
            ("first", &it.first, &it.first_name, &it.first_values, &it.first_at),
            ("second", &it.second, &it.second_name, &it.second_values, &it.second_at),
        ];
        for (side, place, name, values, times) in sides {
            rows.extend(values.iter().enumerate().map(|(at, &value)| {
                let time = times.get(at).copied();
                vec![
                    Cell::Whole(number),
                    Cell::text(&it.what),
                    Cell::text(side),
                    Cell::text(place.as_str()),
                    Cell::text(name),
                    Cell::moment(time),
                    Cell::moment(time),
                    Cell::number(value),
                    Cell::text(it.unit),
                    Cell::text(it.each),
                ]
            }));
        }
    }
    Table { name: "comparison_values", about: "The values that went into each comparison.", columns, rows }
}
