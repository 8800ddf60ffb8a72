//! Small drawings: how complete each day is, days in each band, water needed and got,
//! two beds beside each other. Told apart by shape and hatching, not by colour, so that
//! they read in black and white.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::analysis::month::{Beside, Month, SensorMonth, WaterBand};
use crate::chart::scale::Scale;
use crate::chart::svg::short;
use crate::report::words;

/// Width of every drawing, in its own units: small, so that letters stay large on a
/// phone.
const WIDTH: f64 = 360.0;
/// Room at either side.
const SIDE: f64 = 8.0;

/// A name that fits over a drawing.
fn name(text: &str) -> String {
    crate::text::labels::shown(text, 40)
}

fn drawing(id: &str, height: f64, title: &str, description: &str, inside: &Markup, caption: &str) -> Markup {
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

/// A bar for each sensor and day, as high as the day is complete.
pub(super) fn days_complete(month: &Month) -> Markup {
    const ROW: f64 = 36.0;
    const BAR: f64 = 16.0;
    let days = month.sensors.iter().map(|it| it.days.len()).max().unwrap_or(0).max(1);
    let step = (WIDTH - 2.0 * SIDE) / days as f64;
    let inside = html! {
        @for (sensor, row) in month.sensors.iter().zip(0_u32..) {
            @let foot = f64::from(row) * ROW + 18.0 + BAR;
            text x=(short(SIDE)) y=(short(foot - BAR - 4.0)) { (name(&words::sensor(month, sensor))) }
            line class="mark" x1=(short(SIDE)) x2=(short(WIDTH - SIDE)) y1=(short(foot)) y2=(short(foot)) {}
            path class="bar" d=(bars(sensor, step, foot, BAR)) {}
        }
    };
    let description = "One bar for each day from the first to the last of the month; a full bar is a day on which every \
                       reading came and was good, no bar a day without one. The table below has the sums.";
    let caption = "One bar for each day. A full bar: every reading came and was good. No bar: none.";
    let height = month.sensors.len() as f64 * ROW + 6.0;
    drawing("days-complete", height, "How complete each day is", description, &inside, caption)
}

/// All bars of a sensor as one outline, so that thirty days of it stay light.
fn bars(sensor: &SensorMonth, step: f64, foot: f64, height: f64) -> String {
    let width = short((step - 1.5).max(0.5));
    let days = sensor.days.iter().zip(0_u32..).map(|(day, at)| (complete(sensor, day.good), f64::from(at)));
    days.filter(|(part, _)| *part > 0.0).fold(String::new(), |mut path, (part, at)| {
        let _ = write!(
            path,
            "M{} {}v-{}h{width}V{}z",
            short(SIDE + at * step),
            short(foot),
            short(height * part),
            short(foot)
        );
        path
    })
}

/// The part of a day's readings that came and are good.
fn complete(sensor: &SensorMonth, good: u32) -> f64 {
    const DAY_S: f64 = 86_400.0;
    (f64::from(good) * f64::from(sensor.every_s) / DAY_S).clamp(0.0, 1.0)
}

/// A band's class, and the hatching that tells it in black and white.
fn look(band: WaterBand) -> (&'static str, Option<&'static str>) {
    match band {
        WaterBand::BelowWilting => ("zone zone-far", Some("url(#hatch-close)")),
        WaterBand::Dry => ("zone zone-near", Some("url(#hatch-wide)")),
        WaterBand::Moist => ("zone zone-fine", None),
        WaterBand::Wet => ("zone zone-wet", Some("url(#hatch-dots)")),
    }
}

/// A piece of a band.
fn piece(band: WaterBand, (x, y): (f64, f64), (width, height): (f64, f64)) -> Markup {
    let (class, hatch) = look(band);
    let [x, y, width, height] = [x, y, width, height].map(short);
    html! {
        rect class=(class) x=(x) y=(y) width=(width) height=(height) {}
        @if let Some(hatch) = hatch { rect x=(x) y=(y) width=(width) height=(height) fill=(hatch) {} }
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
                heard.push(format!("{} {}", words::counted(count, "day", "days"), words::band(band)));
                parts.push(html! {
                    (piece(band, (x, top), (width, BAR)))
                    text class="on-zone" x=(short(x + width / 2.0)) y=(short(top + 17.0)) text-anchor="middle" { (label) }
                });
                x += width;
            }
            said.push(format!("{}: {}", bed.name, if heard.is_empty() { "not known".into() } else { heard.join(", ") }));
            html! {
                text x=(short(SIDE)) y=(short(top - 5.0)) { (name(&bed.name)) }
                rect class="frame" x=(short(SIDE)) y=(short(top)) width=(short(WIDTH - 2.0 * SIDE)) height=(short(BAR)) {}
                @for part in &parts { (part) }
            }
        })
        .collect();
    let key = html! {
        @for (band, at) in WaterBand::ALL.iter().zip([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]) {
            @let (x, y) = (SIDE + at.0 * 172.0, foot + 8.0 + at.1 * 22.0);
            (piece(*band, (x, y), (16.0, 14.0)))
            text x=(short(x + 22.0)) y=(short(y + 12.0)) { (words::band(*band)) }
        }
    };
    let inside = html! { (hatchings()) @for row in &rows { (row) } (key) };
    let caption = "Days of the month by band, the driest first. White at the end: not known.";
    drawing("days-in-bands", foot + 56.0, "Days in each band", &(said.join("; ") + "."), &inside, caption)
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
                said.push(format!("{} {word} {} mm", bed.name, words::known(mm, 1, "")));
            }
            html! {
                text x=(short(SIDE)) y=(short(top - 5.0)) { (name(&bed.name)) }
                @for ((word, mm, class), at) in bars.into_iter().zip(0_u32..) {
                    @let y = top + f64::from(at) * 20.0;
                    @let width = mm.map_or(0.0, |mm| (mm * scale).max(0.0));
                    @if mm.is_some() {
                        rect class=(class) x=(short(SIDE)) y=(short(y)) width=(short(width)) height="15" {}
                    }
                    text x=(short(SIDE + width + 5.0)) y=(short(y + 12.0)) {
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
    let height = month.beds.len() as f64 * ROW;
    let caption =
        "Hollow: what the plants needed. Full: rain and waterings. Only days on which all is known.";
    drawing("water-balance", height, "Water needed and got", &(said.join("; ") + "."), &inside, caption)
}

/// Where a number lies on an axis across the drawing.
fn along(axis: &Scale, number: f64) -> f64 {
    const INSET: f64 = 18.0;
    INSET + axis.place(number).clamp(0.0, 1.0) * (WIDTH - 2.0 * INSET)
}

fn drawn(axis: &Scale, y: f64) -> Markup {
    html! {
        line class="mark" x1=(short(along(axis, axis.low))) x2=(short(along(axis, axis.high))) y1=(short(y)) y2=(short(y)) {}
        @for mark in axis.marks() {
            @let x = along(axis, mark);
            (upright("mark", x, y, y + 5.0))
            text x=(short(x)) y=(short(y + 18.0)) text-anchor="middle" { (words::number(mark, axis.decimals)) }
        }
    }
}

fn upright(class: &str, x: f64, top: f64, foot: f64) -> Markup {
    html! { line class=(class) x1=(short(x)) x2=(short(x)) y1=(short(top)) y2=(short(foot)) {} }
}

/// Every value as a mark, and below it the difference of the means with its interval.
pub(super) fn beside(it: &Beside, number: u32) -> Markup {
    let all = || it.first_values.iter().chain(&it.second_values).copied();
    let Some(axis) = Scale::covering(all()) else { return html! {} };
    let sides = [(&it.first_name, &it.first_values, true), (&it.second_name, &it.second_values, false)];
    let mean =
        |values: &[f64]| (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64);
    let effect = it.outcome.as_ref().ok();
    let between = effect.and_then(|effect| {
        Scale::covering([effect.interval.low, effect.interval.high, effect.mean_difference, 0.0].into_iter())
            .map(|axis| (effect, axis))
    });
    let inside = html! {
        @for ((label, values, first), row) in sides.into_iter().zip(0_u32..) {
            @let top = f64::from(row) * 54.0;
            text x=(short(SIDE)) y=(short(top + 14.0)) {
                (name(label)) ": " (words::counted(values.len(), "value", "values"))
                @if let Some(mean) = mean(values) { ", mean " (words::number(mean, axis.decimals + 1)) }
            }
            @for (&value, at) in values.iter().zip(0_u32..) {
                // Marks that fall on each other are set a little apart.
                @let (x, y) = (along(&axis, value), top + 34.0 + [0.0, -6.0, 6.0, -3.0, 3.0][(at % 5) as usize]);
                @if first {
                    circle class="value" cx=(short(x)) cy=(short(y)) r="3.5" {}
                } @else {
                    rect class="value-hollow" x=(short(x - 3.5)) y=(short(y - 3.5)) width="7" height="7" {}
                }
            }
            @if let Some(mean) = mean(values) {
                (upright("mean", along(&axis, mean), top + 21.0, top + 47.0))
            }
        }
        (drawn(&axis, 112.0))
        text x=(short(SIDE)) y="148" { "Each mark: " (it.each) ", in " (it.unit) ". Upright line: mean." }
        @if let Some((effect, axis)) = &between {
            text x=(short(SIDE)) y="180" { "Difference of the means, with its 95 % interval:" }
            (upright("zero", along(axis, 0.0), 188.0, 226.0))
            @let (low, high) = (along(axis, effect.interval.low), along(axis, effect.interval.high));
            line class="interval" x1=(short(low)) x2=(short(high)) y1="208" y2="208" {}
            @for end in [low, high] { (upright("interval", end, 200.0, 216.0)) }
            circle class="value" cx=(short(along(axis, effect.mean_difference))) cy="208" r="5" {}
            (drawn(axis, 226.0))
            text x=(short(SIDE)) y="262" { "Dashed: no difference. Right of it: more in the first." }
        }
    };
    let mut said = Vec::new();
    for (label, values, _) in sides {
        said.push(format!(
            "{label}: {} with a mean of {} {}",
            words::counted(values.len(), "value", "values"),
            words::known(mean(values), 3, ""),
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
    drawing(&format!("beside-{number}"), height, &title, &(said.join("; ") + "."), &inside, "")
}
