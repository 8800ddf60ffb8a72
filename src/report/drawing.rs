//! What small drawings share: size, bands told by hatching, axes, dots. Told apart by shape and
//! hatching, not by colour, so that they read in black and white.

use maud::{Markup, html};

use crate::analysis::month::WaterBand;
use crate::chart::scale::Scale;
use crate::chart::svg::short;
use crate::report::words;

/// Width of every drawing, in its own units: small, so that letters stay large on a
/// phone.
pub(super) const WIDTH: f64 = 360.0;
/// Room at either side.
pub(super) const SIDE: f64 = 8.0;
/// Letters of a name over a drawing.
const NAME_LETTERS: usize = 40;

/// A name that fits over a drawing.
pub(super) fn fitting(text: &str) -> String {
    if text.chars().count() <= NAME_LETTERS {
        return text.to_owned();
    }
    crate::text::labels::cut_name(text, NAME_LETTERS)
}

/// A drawing with its title and description for those who cannot see it. `id`: unlike any
/// other on the page.
pub(super) fn drawing(
    id: &str,
    height: f64,
    title: &str,
    description: &str,
    inside: &Markup,
    caption: &str,
) -> Markup {
    let (title_id, description_id) = (format!("{id}-title"), format!("{id}-description"));
    html! {
        figure {
            svg class="picture" viewBox=(format!("0 0 {WIDTH} {}", short(height))) role="img"
                aria-labelledby={ (title_id) " " (description_id) } {
                title id=(title_id) { (title) }
                desc id=(description_id) { (description) }
                (inside)
            }
            @if !caption.is_empty() { figcaption { (caption) } }
        }
    }
}

/// A band's class, and the hatching that tells it in black and white.
fn look(band: WaterBand) -> (&'static str, Option<&'static str>) {
    match band {
        WaterBand::BelowWilting => ("zone zone-far", Some("close")),
        WaterBand::Dry => ("zone zone-near", Some("wide")),
        WaterBand::Moist => ("zone zone-fine", None),
        WaterBand::Wet => ("zone zone-wet", Some("dots")),
    }
}

/// A piece of a band in the drawing `id`.
pub(super) fn piece(id: &str, band: WaterBand, (x, y): (f64, f64), (width, height): (f64, f64)) -> Markup {
    let (class, hatch) = look(band);
    let [x, y, width, height] = [x, y, width, height].map(short);
    html! {
        rect class=(class) x=(x) y=(y) width=(width) height=(height) {}
        @if let Some(hatch) = hatch {
            rect x=(x) y=(y) width=(width) height=(height) fill={ "url(#" (id) "-" (hatch) ")" } {}
        }
    }
}

/// An outline filled as a band in the drawing `id`.
pub(super) fn outlined(id: &str, band: WaterBand, outline: &str) -> Markup {
    let (class, hatch) = look(band);
    html! {
        path class=(class) d=(outline) {}
        @if let Some(hatch) = hatch { path d=(outline) fill={ "url(#" (id) "-" (hatch) ")" } {} }
    }
}

/// The hatchings that tell bands apart in black and white, for the drawing `id`.
pub(super) fn hatchings(id: &str) -> Markup {
    html! {
        defs {
            pattern id={ (id) "-close" } width="4" height="4" patternUnits="userSpaceOnUse" {
                path class="hatch" d="M0 4L4 0" {}
            }
            pattern id={ (id) "-wide" } width="10" height="10" patternUnits="userSpaceOnUse" {
                path class="hatch" d="M0 10L10 0" {}
            }
            pattern id={ (id) "-dots" } width="6" height="6" patternUnits="userSpaceOnUse" {
                circle class="hatch-dot" cx="3" cy="3" r="0.9" {}
            }
        }
    }
}

/// Where a number lies on an axis across the drawing.
pub(super) fn along(axis: &Scale, number: f64) -> f64 {
    const INSET: f64 = 18.0;
    INSET + axis.place(number).clamp(0.0, 1.0) * (WIDTH - 2.0 * INSET)
}

/// An axis across the drawing at a height, with its marks below.
pub(super) fn across(axis: &Scale, y: f64) -> Markup {
    html! {
        line class="mark" x1=(short(along(axis, axis.low))) x2=(short(along(axis, axis.high))) y1=(short(y)) y2=(short(y)) {}
        @for mark in axis.marks() {
            @let x = along(axis, mark);
            (upright("mark", x, y, y + 5.0))
            text x=(short(x)) y=(short(y + 18.0)) text-anchor="middle" { (words::number(mark, axis.decimals)) }
        }
    }
}

pub(super) fn upright(class: &str, x: f64, top: f64, foot: f64) -> Markup {
    html! { line class=(class) x1=(short(x)) x2=(short(x)) y1=(short(top)) y2=(short(foot)) {} }
}

/// A dot plot: each value a mark, those that fall together stacked on each other over `foot`,
/// no higher than `room`. The first side has full dots, the second hollow squares.
pub(super) fn dots(axis: &Scale, values: &[f64], foot: f64, room: f64, first: bool) -> Markup {
    const ACROSS: f64 = 8.0;
    let mut columns = std::collections::BTreeMap::<i64, u32>::new();
    let columns_of: Vec<i64> =
        values.iter().map(|&value| (along(axis, value) / ACROSS).round() as i64).collect();
    columns_of.iter().for_each(|at| *columns.entry(*at).or_default() += 1);
    let highest = f64::from(columns.values().copied().max().unwrap_or(1));
    let step = (room / highest).min(ACROSS);
    let mut stacked = std::collections::BTreeMap::<i64, u32>::new();
    let places: Vec<(f64, f64)> = columns_of
        .iter()
        .map(|at| {
            let below = stacked.entry(*at).or_default();
            let place = (*at as f64 * ACROSS, foot - 4.5 - f64::from(*below) * step);
            *below += 1;
            place
        })
        .collect();
    html! {
        @for (x, y) in places {
            @if first {
                circle class="value" cx=(short(x)) cy=(short(y)) r="3.4" {}
            } @else {
                rect class="value-hollow" x=(short(x - 3.0)) y=(short(y - 3.0)) width="6" height="6" {}
            }
        }
    }
}

/// A drop of rain, or a bucket, with its foot at a point.
pub(super) fn water_sign(rain: bool, x: f64, foot: f64) -> Markup {
    water_signs(&[(rain, x)], foot)
}

/// Drops of rain and buckets in a row.
pub(super) fn water_signs(all: &[(bool, f64)], foot: f64) -> Markup {
    let of = |rain: bool| {
        all.iter().filter(|it| it.0 == rain).fold(String::new(), |path, (_, x)| {
            path + &if rain {
                format!(
                    "M{} {}c3 4 3.4 5 3.4 6.4a3.4 3.4 0 0 1-6.8 0c0-1.4.4-2.4 3.4-6.4z",
                    short(*x),
                    short(foot - 10.0)
                )
            } else {
                format!("M{} {}h7l-1.5 5.5h-4z", short(x - 3.5), short(foot - 6.0))
            }
        })
    };
    html! {
        @for (rain, class) in [(false, "sign-water"), (true, "sign-rain")] {
            @let path = of(rain);
            @if !path.is_empty() { path class=(class) d=(path) {} }
        }
    }
}
