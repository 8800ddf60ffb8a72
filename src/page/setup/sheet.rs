//! The calibration sheet: samples of soil that were weighed wet and dry, beside the probe's
//! raw numbers. The fit is that of `trug calibrate`.

use maud::{Markup, html};

use super::{FormFaults, fit_chart, lines_to_paste, number_field};
use crate::calibration::fit::{Fit, fit};
use crate::page::forms::FormFields;
use crate::page::markup::stacked_table;
use crate::text::labels;
use crate::text::spoken::counted;

/// Samples that the sheet takes.
const SAMPLES: usize = 8;
/// A sampling ring of a school is not larger, mL.
const RING_ML: (f64, f64) = (5.0, 5000.0);
/// Grams on the scales.
const GRAMS: (f64, f64) = (0.0, 20_000.0);
/// Raw numbers that a probe can send.
const RAW: (f64, f64) = (-1e9, 1e9);
/// Columns of a sample: letter of its field, and what it is.
const COLUMNS: [(&str, &str); 3] =
    [("r", "Raw number"), ("w", "Wet, grams with the tin"), ("d", "Dry, grams with the tin")];

/// One sample: its number on the sheet, the raw number, and the water content that was weighed,
/// m3/m3.
#[derive(Clone, Copy, Debug, PartialEq)]
struct WeighedSample {
    number: usize,
    raw: f64,
    content: f64,
}

/// The sheet with what was filled in, and its answer.
pub(super) fn section(form: &FormFields, path: &str, place: &str) -> Markup {
    let mut faults = FormFaults::default();
    let asked = (1..=SAMPLES)
        .any(|at| COLUMNS.iter().any(|(letter, _)| form.given(&format!("{letter}{at}")).is_some()));
    let samples = if asked { samples(form, &mut faults) } else { Vec::new() };
    let answer = (asked && faults.is_empty()).then(|| answer(&samples, place));
    html! {
        section id="sheet" {
            h2 { "Calibration sheet" }
            p { "Weigh soil to learn what a raw number means. The more samples from dry to wet, the better: five at least." }
            ol class="guide" {
                @for step in STEPS { li { (step) } }
            }
            p class="caution" { "Take care: a grown-up handles the oven, the hot tins and sharp rings. Let the tins cool before anybody weighs them." }
            (faults.list())
            @if let Some(answer) = answer { (answer) }
            form class="entry sheet" method="get" action={ (path) "#sheet" } novalidate {
                (number_field("ring", "Volume of the ring, mL", Some("3.14 x radius x radius x height, in cm."), form, &faults))
                table class="stacks" {
                    caption { "Samples" }
                    thead { tr { th scope="col" { "Sample" } @for (_, words) in COLUMNS { th scope="col" { (words) } } } }
                    tbody {
                        @for at in 1..=SAMPLES {
                            tr {
                                th scope="row" { (at) }
                                @for (letter, words) in COLUMNS { (cell(&format!("{letter}{at}"), at, words, form, &faults)) }
                            }
                        }
                    }
                }
                button type="submit" { "Fit the calibration" }
            }
        }
    }
}

const STEPS: [&str; 6] = [
    "Read the probe's raw number where it sits in the bed.",
    "Push a ring of known volume into the soil right beside it. Cut it off flat at both ends.",
    "Put all of that soil into a tin. Weigh it and write the grams under Wet.",
    "Dry it in an oven at 105 °C for a day. Weigh the same tin again: the grams under Dry.",
    "Do the same on other days: after rain, after watering, and when the bed is dry.",
    "Fill in the sheet. One gram that is lost is one millilitre of water.",
];

fn cell(name: &str, at: usize, words: &str, form: &FormFields, faults: &FormFaults) -> Markup {
    let fault = faults.of(name);
    html! {
        td data-label=(words) {
            input id=(name) name=(name) type="text" inputmode="decimal" autocomplete="off" size="8"
                value=(labels::shown(form.text(name), 30)) aria-label={ "Sample " (at) ": " (words) }
                aria-invalid=[fault.map(|_| "true")];
        }
    }
}

/// The samples that are filled in; what is wrong with others is noted.
fn samples(form: &FormFields, faults: &mut FormFaults) -> Vec<WeighedSample> {
    let ring = faults.needed(form, "ring", "Volume of the ring", RING_ML);
    let mut samples = Vec::new();
    for number in 1..=SAMPLES {
        let names = COLUMNS.map(|(letter, words)| (format!("{letter}{number}"), words));
        if names.iter().all(|(name, _)| form.given(name).is_none()) {
            continue;
        }
        let ranges = [RAW, GRAMS, GRAMS];
        let mut read = |at: usize| {
            let (name, words) = &names[at];
            faults.needed(form, name, &format!("Sample {number}, {words}"), ranges[at])
        };
        let [raw, wet_g, dry_g] = [read(0), read(1), read(2)];
        let (Some(raw), Some(wet_g), Some(dry_g), Some(ring)) = (raw, wet_g, dry_g, ring) else { continue };
        // Water has a gram in a millilitre.
        let content = (wet_g - dry_g) / ring;
        if wet_g < dry_g {
            faults.note(
                &names[1].0,
                format!("Sample {number}: wet soil is heavier than dry soil. Look which number is which."),
            );
        } else if content > 1.0 {
            faults.note(&names[1].0, format!("Sample {number}: it lost more water than the ring can hold. Check the ring and both weights."));
        } else {
            samples.push(WeighedSample { number, raw, content });
        }
    }
    samples
}

fn answer(samples: &[WeighedSample], place: &str) -> Markup {
    let pairs: Vec<(f64, f64)> = samples.iter().map(|it| (it.raw, it.content)).collect();
    match fit(&pairs) {
        Ok(fitted) => found(samples, &pairs, &fitted, place),
        Err(why) => html! {
            section class="wrong" role="status" {
                h2 { "These samples make no calibration" }
                p { (sentence(&why.to_string())) }
            }
        },
    }
}

/// A message as a sentence.
fn sentence(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), chars.as_str()))
}

fn found(samples: &[WeighedSample], pairs: &[(f64, f64)], fitted: &Fit, place: &str) -> Markup {
    let content = |value: f64| labels::with_unit(value, 3, " m3/m3");
    let rows = samples.iter().map(|it| {
        let by_fit = fitted.calibration.convert(it.raw).ok();
        [
            html! { (it.number) },
            html! { (labels::written(it.raw)) },
            html! { (content(it.content)) },
            html! { (by_fit.map_or_else(|| "no value".to_owned(), content)) },
            html! { (by_fit.map_or_else(String::new, |value| content((value - it.content).abs()))) },
        ]
    });
    html! {
        section class="found" role="status" {
            h2 { "The fit: " (fitted.form.name()) }
            p {
                (counted(samples.len(), "sample", "samples")) " from raw " (labels::written(fitted.raw.0)) " to "
                (labels::written(fitted.raw.1)) ", water from " (content(fitted.value.0)) " to " (content(fitted.value.1)) "."
            }
            @match &fitted.error {
                Some(error) => {
                    p { strong { "Its error is about " (content(error.rmse)) "." } " The largest is "
                        (content(error.largest)) ", at raw " (labels::written(error.at_raw)) "." }
                    p class="standing" { "Each sample is left out in turn and told from the others." }
                }
                None => p { "Its error is not known: two samples make a line and leave nothing to check it with. Weigh one more between them." }
            }
            (fit_chart::draw(pairs, fitted))
            (stacked_table(Some("Sample by sample"), &["Sample", "Raw number", "Weighed", "By the fit", "Difference"], rows))
            (lines_to_paste(
                &format!("Whoever runs Trug puts this line into {place}, instead of its calibration line."),
                &format!("{}\n", fitted.numbers.line())
            ))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(query: &str) -> String {
        section(&FormFields::of(query), "/p", "the probe's [[sensor]]").into_string()
    }

    /// 100 mL; wet less dry are 5, 16, 25 and 35 g: 0.05 to 0.35 m3/m3.
    const GOOD: &str =
        "ring=100&r1=2900&w1=205&d1=200&r2=2400&w2=216&d2=200&r3=1900&w3=225&d3=200&r4=1400&w4=235&d4=200";

    #[test]
    fn a_filled_sheet_has_the_fit_of_the_command() {
        let page = sheet(GOOD);
        let pairs = [(2900.0, 0.05), (2400.0, 0.16), (1900.0, 0.25), (1400.0, 0.35)];
        let line = fit(&pairs).expect("a line").numbers.line();
        assert!(page.contains(&line) && line.contains("[1400, 0.35"), "{line}\n{page}");
        assert!(
            page.contains("The fit: straight line") && page.matches("class=\"sample\"").count() == 4,
            "{page}"
        );
    }

    #[test]
    fn what_cannot_be_is_said_and_nothing_is_fitted() {
        for (query, words) in [
            (GOOD.replace("ring=100", "ring="), "Volume of the ring: this number is needed."),
            (GOOD.replace("w2=216", "w2=190"), "Sample 2: wet soil is heavier than dry soil."),
            (GOOD.replace("w3=225", "w3=999"), "Sample 3: it lost more water than the ring can hold."),
            (GOOD.replace("d4=200", "d4="), "Sample 4, Dry, grams with the tin: this number is needed."),
            (GOOD.replace("r1=2900", "r1=NaN"), "Sample 1, Raw number: NaN is not a number"),
            ("ring=100&r1=5&w1=9&d1=8".to_owned(), "These samples make no calibration"),
        ] {
            let page = sheet(&query);
            assert!(page.contains(words) && !page.contains("calibration = {"), "{query}: {page}");
        }
        assert!(!sheet("").contains("class=\"wrong\""));
    }
}
