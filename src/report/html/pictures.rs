//! Small drawings: how complete each day is, days in each band, water needed and got,
//! two beds beside each other. Told apart by shape and hatching, not by colour, so that
//! they read in black and white.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::analysis::month::{Beside, Month, SensorMonth, WaterBand};
use crate::report::words;

/// Width of every drawing, in its own units: small, so that letters stay large on a
/// phone.
const WIDTH: f64 = 360.0;
/// Room at either side.
const SIDE: f64 = 8.0;

/// A number as a drawing has it.
fn n(number: f64) -> String {
    let text = format!("{number:.1}");
    text.strip_suffix(".0").map_or_else(|| text.clone(), str::to_owned)
}

/// A name that fits over a drawing.
fn name(text: &str) -> String {
    crate::text::labels::shown(text, 40)
}

fn drawing(id: &str, height: f64, title: &str, description: &str, inside: &Markup) -> Markup {
    let (title_id, description_id) = (format!("{id}-title"), format!("{id}-description"));
    html! {
        svg class="picture" viewBox=(format!("0 0 {WIDTH} {}", n(height))) role="img"
            aria-labelledby={ (title_id) " " (description_id) } {
            title id=(title_id) { (title) }
            desc id=(description_id) { (description) }
            (inside)
        }
    }
}

/// A bar for each sensor and day, as high as the day is complete.
pub(super) fn days_complete(month: &Month) -> Markup {
    const ROW: f64 = 36.0;
    const BAR: f64 = 16.0;
    let days = month.sensors.iter().map(|it| it.days.len()).max().unwrap_or(0).max(1);
    let step = (WIDTH - 2.0 * SIDE) / days as f64;
    let inside = html! {
        @for (sensor, row) in month.sensors.iter().zip(0_u32..) {
            @let foot = f64::from(row) * ROW + 18.0 + BAR;
            text x=(n(SIDE)) y=(n(foot - BAR - 4.0)) { (name(&words::sensor(month, sensor))) }
            line class="mark" x1=(n(SIDE)) x2=(n(WIDTH - SIDE)) y1=(n(foot)) y2=(n(foot)) {}
            path class="bar" d=(bars(sensor, step, foot, BAR)) {}
        }
    };
    let description = "One bar for each day from the first to the last of the month; a full bar is a day on which every \
                       reading came and was good, no bar a day without one. The table below has the sums.";
    html! {
        figure {
            (drawing("days-complete", month.sensors.len() as f64 * ROW + 6.0, "How complete each day is", description,
                &inside))
            figcaption { "One bar for each day. A full bar: every reading came and was good. No bar: none." }
        }
    }
}

/// All bars of a sensor as one outline, so that thirty days of it stay light.
fn bars(sensor: &SensorMonth, step: f64, foot: f64, height: f64) -> String {
    let width = n((step - 1.5).max(0.5));
    let days = sensor.days.iter().zip(0_u32..).map(|(day, at)| (complete(sensor, day.good), f64::from(at)));
    days.filter(|(part, _)| *part > 0.0).fold(String::new(), |mut path, (part, at)| {
        let _ =
            write!(path, "M{} {}v-{}h{width}V{}z", n(SIDE + at * step), n(foot), n(height * part), n(foot));
        path
    })
}

/// The part of a day's readings that came and are good.
fn complete(sensor: &SensorMonth, good: u32) -> f64 {
    const DAY_S: f64 = 86_400.0;
    (f64::from(good) * f64::from(sensor.every_s) / DAY_S).clamp(0.0, 1.0)
}

fn class(band: WaterBand) -> &'static str {
    match band {
        WaterBand::BelowWilting => "zone zone-far",
        WaterBand::Dry => "zone zone-near",
        WaterBand::Moist => "zone zone-fine",
        WaterBand::Wet => "zone zone-wet",
    }
}

fn hatch(band: WaterBand) -> Option<&'static str> {
    match band {
        WaterBand::BelowWilting => Some("url(#hatch-close)"),
        WaterBand::Dry => Some("url(#hatch-wide)"),
        WaterBand::Moist => None,
        WaterBand::Wet => Some("url(#hatch-dots)"),
    }
}

/// The hatchings that tell bands apart in black and white.
fn hatchings() -> Markup {
    html! {
        defs {
            pattern id="hatch-close" width="4" height="4" patternUnits="userSpaceOnUse" {
                path class="hatch" d="M0 4L4 0" {}
            }
            pattern id="hatch-wide" width="10" height="10" patternUnits="userSpaceOnUse" {
                path class="hatch" d="M0 10L10 0" {}
            }
            pattern id="hatch-dots" width="6" height="6" patternUnits="userSpaceOnUse" {
                circle class="hatch-dot" cx="3" cy="3" r="0.9" {}
            }
        }
    }
}

/// A bar for each bed, cut by the days in each band.
pub(super) fn bands(month: &Month) -> Markup {
    const ROW: f64 = 50.0;
    const BAR: f64 = 24.0;
    let days = month.beds.iter().map(|bed| bed.days.len()).max().unwrap_or(0).max(1) as f64;
    let step = (WIDTH - 2.0 * SIDE) / days;
    let foot = month.beds.len() as f64 * ROW;
    let mut said = Vec::new();
    let rows: Vec<Markup> = month
        .beds
        .iter()
        .zip(0_u32..)
        .map(|(bed, row)| {
            let top = f64::from(row) * ROW + 18.0;
            let mut x = SIDE;
            let mut parts = Vec::new();
            let mut heard = Vec::new();
            for (band, count) in bed.days_in_bands() {
                if count == 0 {
                    continue;
                }
                let width = f64::from(count) * step;
                let label = format!("{} {count}", words::band(band));
                let room = |text: &str| text.len() as f64 * 6.6 + 8.0 <= width;
                let label = if room(&label) { label } else { count.to_string() };
                heard.push(format!("{} {}", words::count(count, "day", "days"), words::band(band)));
                parts.push(html! {
                    rect class=(class(band)) x=(n(x)) y=(n(top)) width=(n(width)) height=(n(BAR)) {}
                    @if let Some(hatch) = hatch(band) {
                        rect x=(n(x)) y=(n(top)) width=(n(width)) height=(n(BAR)) fill=(hatch) {}
                    }
                    text class="on-zone" x=(n(x + width / 2.0)) y=(n(top + 17.0)) text-anchor="middle" { (label) }
                });
                x += width;
            }
            said.push(format!("{}: {}", bed.name, if heard.is_empty() { "not known".into() } else { heard.join(", ") }));
            html! {
                text x=(n(SIDE)) y=(n(top - 5.0)) { (name(&bed.name)) }
                rect class="frame" x=(n(SIDE)) y=(n(top)) width=(n(WIDTH - 2.0 * SIDE)) height=(n(BAR)) {}
                @for part in &parts { (part) }
            }
        })
        .collect();
    let key = html! {
        @for (band, at) in WaterBand::ALL.iter().zip([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]) {
            @let (x, y) = (SIDE + at.0 * 172.0, foot + 8.0 + at.1 * 22.0);
            rect class=(class(*band)) x=(n(x)) y=(n(y)) width="16" height="14" {}
            @if let Some(hatch) = hatch(*band) { rect x=(n(x)) y=(n(y)) width="16" height="14" fill=(hatch) {} }
            text x=(n(x + 22.0)) y=(n(y + 12.0)) { (words::band(*band)) }
        }
    };
    let inside = html! { (hatchings()) @for row in &rows { (row) } (key) };
    html! {
        figure {
            (drawing("days-in-bands", foot + 56.0, "Days in each band", &(said.join("; ") + "."), &inside))
            figcaption { "Days of the month by band, the driest first. White at the end: not known." }
        }
    }
}

/// Two bars for each bed: water needed and water got.
pub(super) fn balance(month: &Month) -> Markup {
    const ROW: f64 = 68.0;
    let most = month.beds.iter().flat_map(|bed| [bed.need_mm, bed.got_mm]).flatten().fold(1.0_f64, f64::max);
    // Room for the figure behind the longest bar.
    let scale = (WIDTH - 2.0 * SIDE - 130.0) / most;
    let mut said = Vec::new();
    let rows: Vec<Markup> = month
        .beds
        .iter()
        .zip(0_u32..)
        .map(|(bed, row)| {
            let top = f64::from(row) * ROW + 18.0;
            let bars = [("needed", bed.need_mm, "bar-hollow"), ("got", bed.got_mm, "bar")];
            for (word, mm, _) in bars {
                said.push(format!("{} {word} {} mm", bed.name, words::maybe(mm, 1)));
            }
            html! {
                text x=(n(SIDE)) y=(n(top - 5.0)) { (name(&bed.name)) }
                @for ((word, mm, class), at) in bars.into_iter().zip(0_u32..) {
                    @let y = top + f64::from(at) * 20.0;
                    @let width = mm.map_or(0.0, |mm| (mm * scale).max(0.0));
                    @if mm.is_some() {
                        rect class=(class) x=(n(SIDE)) y=(n(y)) width=(n(width)) height="15" {}
                    }
                    text x=(n(SIDE + width + 5.0)) y=(n(y + 12.0)) {
                        @match mm {
                            Some(mm) => { (words::number(mm, 1)) " mm " (word) },
                            None => { (word) ": " (words::NOT_KNOWN) },
                        }
                    }
                }
            }
        })
        .collect();
    let inside = html! { @for row in &rows { (row) } };
    html! {
        figure {
            (drawing("water-balance", month.beds.len() as f64 * ROW, "Water needed and got", &(said.join("; ") + "."),
                &inside))
            figcaption { "Hollow: what the plants needed. Full: rain and waterings. Only days on which all is known." }
        }
    }
}

/// A stretch of an axis with marks at round numbers.
struct Axis {
    low: f64,
    high: f64,
    marks: Vec<f64>,
    decimals: usize,
}

impl Axis {
    /// An axis that holds all numbers, with three to seven marks.
    fn over(numbers: impl Iterator<Item = f64>) -> Option<Self> {
        let (low, high) = numbers
            .filter(|number| number.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| (low.min(it), high.max(it)));
        if low > high {
            return None;
        }
        let span = if high - low > 0.0 { high - low } else { low.abs().max(1.0) };
        let rough = span / 4.0;
        let power = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|it| it * power).find(|it| *it >= rough)?;
        let (first, last) = ((low / step).floor(), (high / step).ceil());
        let last = if last > first { last } else { first + 1.0 };
        let count = (last - first).clamp(1.0, 12.0) as u32;
        let marks: Vec<f64> = (0..=count).map(|at| (first + f64::from(at)) * step).collect();
        let decimals = (-power.log10().floor()).clamp(0.0, 6.0) as usize;
        Some(Self { low: first * step, high: (first + f64::from(count)) * step, marks, decimals })
    }

    fn x(&self, number: f64) -> f64 {
        const INSET: f64 = 18.0;
        let part = (number - self.low) / (self.high - self.low);
        INSET + part.clamp(0.0, 1.0) * (WIDTH - 2.0 * INSET)
    }

    fn draw(&self, y: f64) -> Markup {
        html! {
            line class="mark" x1=(n(self.x(self.low))) x2=(n(self.x(self.high))) y1=(n(y)) y2=(n(y)) {}
            @for &mark in &self.marks {
                @let x = self.x(mark);
                line class="mark" x1=(n(x)) x2=(n(x)) y1=(n(y)) y2=(n(y + 5.0)) {}
                text x=(n(x)) y=(n(y + 18.0)) text-anchor="middle" { (words::number(mark, self.decimals)) }
            }
        }
    }
}

/// Every value as a mark, and beneath it the difference of the means with its interval.
pub(super) fn beside(it: &Beside, number: u32) -> Markup {
    let all = || it.first_values.iter().chain(&it.second_values).copied();
    let Some(axis) = Axis::over(all()) else { return html! {} };
    let sides = [(&it.first_name, &it.first_values, true), (&it.second_name, &it.second_values, false)];
    let mean =
        |values: &[f64]| (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64);
    let effect = it.outcome.as_ref().ok();
    let between = effect.and_then(|effect| {
        Axis::over([effect.interval.low, effect.interval.high, effect.mean_difference, 0.0].into_iter())
            .map(|axis| (effect, axis))
    });
    let inside = html! {
        @for ((label, values, first), row) in sides.into_iter().zip(0_u32..) {
            @let top = f64::from(row) * 54.0;
            text x=(n(SIDE)) y=(n(top + 14.0)) {
                (name(label)) ": " (words::count(values.len() as i64, "value", "values"))
                @if let Some(mean) = mean(values) { ", mean " (words::number(mean, axis.decimals + 1)) }
            }
            @for (&value, at) in values.iter().zip(0_u32..) {
                // Marks that fall on each other are set a little apart.
                @let (x, y) = (axis.x(value), top + 34.0 + [0.0, -6.0, 6.0, -3.0, 3.0][(at % 5) as usize]);
                @if first {
                    circle class="value" cx=(n(x)) cy=(n(y)) r="3.5" {}
                } @else {
                    rect class="value-hollow" x=(n(x - 3.5)) y=(n(y - 3.5)) width="7" height="7" {}
                }
            }
            @if let Some(mean) = mean(values) {
                line class="mean" x1=(n(axis.x(mean))) x2=(n(axis.x(mean))) y1=(n(top + 21.0)) y2=(n(top + 47.0)) {}
            }
        }
        (axis.draw(112.0))
        text x=(n(SIDE)) y="148" { "Each mark: " (it.each) ", in " (it.unit) ". Upright line: mean." }
        @if let Some((effect, axis)) = &between {
            text x=(n(SIDE)) y="180" { "Difference of the means, with its 95 % interval:" }
            @let zero = axis.x(0.0);
            line class="zero" x1=(n(zero)) x2=(n(zero)) y1="188" y2="226" {}
            @let (low, high) = (axis.x(effect.interval.low), axis.x(effect.interval.high));
            line class="interval" x1=(n(low)) x2=(n(high)) y1="208" y2="208" {}
            @for end in [low, high] { line class="interval" x1=(n(end)) x2=(n(end)) y1="200" y2="216" {} }
            circle class="value" cx=(n(axis.x(effect.mean_difference))) cy="208" r="5" {}
            (axis.draw(226.0))
            text x=(n(SIDE)) y="262" { "Dashed: no difference. Right of it: more in the first." }
        }
    };
    let mut said = Vec::new();
    for (label, values, _) in sides {
        said.push(format!(
            "{label}: {} with a mean of {} {}",
            words::count(values.len() as i64, "value", "values"),
            words::maybe(mean(values), 3),
            it.unit
        ));
    }
    if let Some(effect) = effect {
        said.push(format!(
            "mean difference {} with a 95 % interval from {} to {} {}",
            words::number(effect.mean_difference, 3),
            words::number(effect.interval.low, 3),
            words::number(effect.interval.high, 3),
            it.unit
        ));
    }
    let height = if between.is_some() { 270.0 } else { 156.0 };
    let title = format!("{}: {} and {}", it.what, it.first_name, it.second_name);
    html! {
        figure { (drawing(&format!("beside-{number}"), height, &title, &(said.join("; ") + "."), &inside)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_hold_their_numbers_between_round_marks() {
        for numbers in
            [&[0.1, 0.42][..], &[-3.0, 8.0], &[5.0], &[0.0], &[1e-9, 2e-9], &[-1e12, 1e12], &[2.5, 2.5]]
        {
            let axis = Axis::over(numbers.iter().copied()).expect("an axis");
            assert!((2..=13).contains(&axis.marks.len()), "{numbers:?}: {:?}", axis.marks);
            for &number in numbers {
                assert!(
                    axis.low <= number && number <= axis.high,
                    "{numbers:?}: {} to {}",
                    axis.low,
                    axis.high
                );
            }
        }
        assert!(Axis::over([f64::NAN, f64::INFINITY].into_iter()).is_none());
        let axis = Axis::over([1.2, 4.9].into_iter()).expect("an axis");
        assert_eq!(axis.marks, [1.0, 2.0, 3.0, 4.0, 5.0]);
    }
}
