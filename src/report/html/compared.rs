//! Two beds beside each other: dots and one sentence for a class; how sure the difference is for
//! the teacher.

use maud::{Markup, html};

use super::{Within, folded, grid, pictures};
use crate::analysis::month::{Beside, Effect, Month, PairReason, Pairing};
use crate::report::lesson::pair_reason;
use crate::report::level::Level;
use crate::report::pages::{FiguresPart, ReportPage};
use crate::report::words;

/// Dots and one plain sentence for each comparison.
pub(super) fn section(month: &Month, level: Level, within: Within<'_>) -> Markup {
    html! {
        p { (pair_reason(&month.pair)) }
        @if let (PairReason::NoneAlike { nearest: Some(it) }, Within::Page { base, .. }) = (&month.pair, within) {
            p {
                a href={ (base) "?level=" (level.name()) "&first=" (it.first) "&second=" (it.second) "#compared" } {
                    "Compare " (it.names.0) " and " (it.names.1) " all the same"
                }
            }
        }
        @for (it, number) in month.comparisons.iter().zip(1..) {
            h4 { (it.what) }
            (pictures::beside(it, number))
            p class="says" { (it.plain) }
        }
        @if !month.comparisons.is_empty() {
            p { "How sure that is, in figures: " a href=(within.to(ReportPage::Figures(FiguresPart::Compared))) { "for the teacher" } "." }
        }
    }
}

/// The figures behind the dots in one table.
pub(super) fn in_figures(month: &Month) -> Markup {
    let of = |pick: &dyn Fn(&Beside, &Effect) -> String, it: &Beside| {
        it.outcome.as_ref().map_or_else(|_| "too few values".to_owned(), |effect| pick(it, effect))
    };
    let mean = |it: &Beside| {
        of(&|it, effect| format!("{} {}", words::number(effect.mean_difference, 2), it.unit), it)
    };
    let interval = |it: &Beside| {
        let ends = |_: &Beside, effect: &Effect| {
            format!("{} to {}", words::number(effect.interval.low, 2), words::number(effect.interval.high, 2))
        };
        of(&ends, it)
    };
    let delta = |it: &Beside| of(&|_, effect| words::number(effect.cliffs_delta, 2), it);
    let p = |it: &Beside| of(&|_, effect| words::number(effect.permutation_p, 3), it);
    grid(
        "Differences, first minus second",
        &month.comparisons,
        &[
            ("What", &|it| format!("{}: {} and {}", it.what, it.first_name, it.second_name)),
            ("Mean difference", &mean),
            ("95 % interval", &interval),
            ("Cliff's delta", &delta),
            ("p (permutation)", &p),
        ],
    )
}

/// The figures behind the dots.
pub(super) fn statistics(month: &Month) -> Markup {
    html! {
        @if month.comparisons.is_empty() { p { (pair_reason(&month.pair)) } }
        @for it in &month.comparisons {
            h3 { (it.what) ": " (it.first_name) " and " (it.second_name) }
            p class="says" { (it.says) }
            @if !it.caution.is_empty() { p class="caution" { strong { "With care: " } (it.caution) } }
            @match &it.outcome {
                Ok(effect) => (figures(it, effect)),
                Err(_) => (values(it)),
            }
        }
        @if !month.comparisons.is_empty() {
            p {
                "Readings an hour apart are nearly the same reading twice. Set side by side they would make every difference "
                "look certain. So one value here is one event or one whole day. Days are drawn in runs, since each day is "
                "like the one before it."
            }
        }
    }
}

fn figures(it: &Beside, effect: &Effect) -> Markup {
    let with_unit = |number: f64| format!("{} {}", words::number(number, 3), it.unit);
    let p = |p: f64| if p < 0.001 { "less than 0.001".to_owned() } else { words::number(p, 3) };
    let mut rows = vec![
        ("Mean difference, first minus second", with_unit(effect.mean_difference)),
        (
            "Its 95 % interval (bootstrap)",
            format!("{} to {}", words::number(effect.interval.low, 3), with_unit(effect.interval.high)),
        ),
        ("Median difference", with_unit(effect.median_difference)),
        ("Cliff's delta, -1 to 1", words::number(effect.cliffs_delta, 2)),
    ];
    rows.extend(effect.hedges_g.map(|g| ("Hedges' g, in standard deviations", words::number(g, 2))));
    rows.push(("Chance alone would do as much (permutation)", p(effect.permutation_p)));
    if let Some(apart) = &effect.apart {
        rows.push(("Welch's test, p", p(apart.welch.p)));
        rows.push(("Mann-Whitney test, p", p(apart.mann_whitney.p)));
    }
    let pairing = match effect.pairing {
        Pairing::Apart => "Each value is an event of its own.".to_owned(),
        Pairing::Events => "Each value of the first is of the same event as one of the second.".to_owned(),
        Pairing::Days { block } => {
            format!(
                "Each value of the first is of the same day as one of the second; days are drawn in runs of {block}."
            )
        }
    };
    html! {
        p { "There is one value for " (it.each) ". " (pairing) }
        (grid("The difference in figures", &rows, &[("Figure", &|it| it.0.to_owned()), ("Value", &|it| it.1.clone())]))
        (values(it))
    }
}

/// The values themselves, for those who cannot see the picture.
fn values(it: &Beside) -> Markup {
    let list = |values: &[f64]| {
        let values: Vec<String> = values.iter().map(|&value| words::number(value, 3)).collect();
        if values.is_empty() { "none".to_owned() } else { values.join(", ") }
    };
    let rows = [(&it.first_name, &it.first_values), (&it.second_name, &it.second_values)];
    let last = format!("Values, {}", it.unit);
    folded(
        "Every value",
        &rows,
        &[
            ("Side", &|(name, _)| (*name).clone()),
            ("Count", &|(_, values)| values.len().to_string()),
            (&last, &|(_, values)| list(values)),
        ],
    )
}
