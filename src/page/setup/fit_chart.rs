//! A small chart of a fitted calibration: the samples, and the line through them.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::calibration::fit::Fit;
use crate::text::labels;

/// The drawing, and the room of its panel in it.
const WIDE: f64 = 320.0;
const HIGH: f64 = 220.0;
const LEFT: f64 = 44.0;
const RIGHT: f64 = 10.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 40.0;
/// Pieces of the line, so that a bend is seen.
const PIECES: u32 = 48;

/// The samples and the fit, with the numbers in words for those who do not see it.
pub(super) fn draw(pairs: &[(f64, f64)], fitted: &Fit) -> Markup {
    let (raw_low, raw_high) = fitted.raw;
    let most = pairs.iter().fold(fitted.value.1, |most, pair| most.max(pair.1)).max(0.1);
    let top = (most * 10.0).ceil() / 10.0;
    let x = |raw: f64| LEFT + (raw - raw_low) / (raw_high - raw_low) * (WIDE - LEFT - RIGHT);
    let y = |value: f64| HIGH - BOTTOM - value.clamp(0.0, top) / top * (HIGH - TOP - BOTTOM);
    let mut path = String::new();
    for piece in 0..=PIECES {
        let raw = raw_low + (raw_high - raw_low) * f64::from(piece) / f64::from(PIECES);
        if let Ok(value) = fitted.calibration.convert(raw) {
            let letter = if path.is_empty() { 'M' } else { 'L' };
            let _ = write!(path, "{letter}{:.1} {:.1}", x(raw), y(value));
        }
    }
    let described = format!(
        "{} samples from raw {} to {}, with the fitted {} through them",
        pairs.len(),
        labels::written(raw_low),
        labels::written(raw_high),
        fitted.form.name()
    );
    let (bottom, middle) = (HIGH - BOTTOM, (LEFT + WIDE - RIGHT) / 2.0);
    html! {
        figure class="sketch" {
            svg viewBox=(format!("0 0 {WIDE} {HIGH}")) role="img" aria-label=(described) {
                path class="dim" d=(format!("M{LEFT} {TOP}V{bottom}H{}", WIDE - RIGHT)) {}
                path class="lead" d=(path) {}
                @for (raw, value) in pairs {
                    circle class="sample" cx=(format!("{:.1}", x(*raw))) cy=(format!("{:.1}", y(*value))) r="5" {}
                }
                text x=(LEFT - 6.0) y=(TOP + 6.0) text-anchor="end" { (format!("{top:.1}")) }
                text x=(LEFT - 6.0) y=(bottom) text-anchor="end" { "0" }
                text x=(LEFT) y=(bottom + 16.0) { (labels::written(raw_low)) }
                text x=(WIDE - RIGHT) y=(bottom + 16.0) text-anchor="end" { (labels::written(raw_high)) }
                text x=(middle) y=(bottom + 32.0) text-anchor="middle" { "raw number" }
                text x=(LEFT + 8.0) y=(TOP + 6.0) { "water, m3/m3" }
            }
        }
    }
}
