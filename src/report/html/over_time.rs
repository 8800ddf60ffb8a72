//! A chart over the days of a month, light enough for one page: one picture without
//! script. Its figures are in the month's tables.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::civil::Date;
use maud::{Markup, html};

use crate::page::chart::{Chart, Panel, Stroke, Trace};
use crate::report::words;

const WIDTH: f64 = 440.0;
/// Room for the numbers of the axis at the left, and at the right.
const LEFT: f64 = 34.0;
const RIGHT: f64 = 8.0;
/// Heights of a panel with lines, of one with bars alone, and of what stands above it.
const TALL: f64 = 150.0;
const LOW: f64 = 64.0;
const HEAD: f64 = 20.0;
const FOOT: f64 = 22.0;

fn n(number: f64) -> String {
    let text = format!("{number:.1}");
    text.strip_suffix(".0").map_or_else(|| text.clone(), str::to_owned)
}

/// A panel laid out: where it stands and what it spans.
struct Laid<'c> {
    panel: &'c Panel,
    top: f64,
    height: f64,
    low: f64,
    high: f64,
    step: f64,
}

impl Laid<'_> {
    fn y(&self, value: f64) -> f64 {
        let part = (value - self.low) / (self.high - self.low);
        self.top + self.height * (1.0 - part.clamp(0.0, 1.0))
    }
}

/// Round ends and a step between that hold what a panel shows.
fn ends(panel: &Panel) -> (f64, f64, f64) {
    let points = panel.traces.iter().flat_map(|trace| trace.points.iter().map(|(_, value)| *value));
    let bars = panel.bars.iter().flat_map(|bar| [0.0, bar.value]);
    let least = panel.at_least.into_iter().flat_map(|(low, high)| [low, high]);
    let (low, high) = points
        .chain(bars)
        .chain(least)
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| (low.min(it), high.max(it)));
    let (low, high) = if low < high { (low, high) } else { (0.0, 1.0) };
    let rough = (high - low) / 4.0;
    let power = 10_f64.powf(rough.log10().floor());
    let step =
        [1.0, 2.0, 5.0, 10.0].into_iter().map(|it| it * power).find(|it| *it >= rough).unwrap_or(rough);
    ((low / step).floor() * step, (high / step).ceil() * step, step)
}

/// The chart with its heading and what its lines are.
pub(super) fn draw(chart: &Chart) -> Markup {
    let mut top = 0.0;
    let mut laid = Vec::new();
    for panel in &chart.panels {
        let height = if panel.traces.is_empty() { LOW } else { TALL };
        let (low, high, step) = ends(panel);
        laid.push(Laid { panel, top: top + HEAD, height, low, high, step });
        top += HEAD + height + 8.0;
    }
    let span = (chart.to.as_second() - chart.from.as_second()).max(1) as f64;
    let x = |at: Timestamp| {
        let part = (at.as_second() - chart.from.as_second()) as f64 / span;
        LEFT + part.clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    };
    let first = chart.zone.to_datetime(chart.from).date();
    let days: Vec<(Date, f64)> = first
        .series(jiff::ToSpan::days(1))
        .filter_map(|date| Some((date, chart.zone.to_timestamp(date.at(0, 0, 0, 0)).ok()?)))
        .take_while(|(_, at)| *at < chart.to)
        .take(62)
        .map(|(date, at)| (date, x(at)))
        .collect();
    let (title, description) = (format!("{}-title", chart.id), format!("{}-description", chart.id));
    html! {
        figure class="over-time" {
            svg class="picture wide" viewBox=(format!("0 0 {WIDTH} {}", n(top + FOOT))) role="img"
                aria-labelledby={ (title) " " (description) } {
                title id=(title) { (chart.title) }
                desc id=(description) { (chart.description) }
                @for it in &laid { (panel(it, &x)) }
                @for (date, at) in days.iter().filter(|(date, _)| (date.day() - 1) % 5 == 0) {
                    line class="mark" x1=(n(*at)) x2=(n(*at)) y1=(n(top - 8.0)) y2=(n(top - 3.0)) {}
                    text x=(n(*at)) y=(n(top + 10.0)) { (date.strftime("%-d %b")) }
                }
            }
            figcaption { (key(&laid)) }
        }
    }
}

fn panel(it: &Laid<'_>, x: &impl Fn(Timestamp) -> f64) -> Markup {
    let right = WIDTH - RIGHT;
    let marks = ((it.high - it.low) / it.step).round().clamp(1.0, 12.0) as u32;
    let decimals = (-it.step.log10().floor()).clamp(0.0, 4.0) as usize;
    html! {
        text x="0" y=(n(it.top - 7.0)) { (it.panel.name) ", " (it.panel.unit) }
        @for zone in &it.panel.zones {
            @let (high, low) = (it.y(zone.to.unwrap_or(it.high)), it.y(zone.from.unwrap_or(it.low)));
            @if low - high > 0.5 {
                rect class={ "zone " (zone.class) } x=(n(LEFT)) y=(n(high)) width=(n(right - LEFT)) height=(n(low - high)) {}
                @if low - high > 13.0 { text class="on-zone" x=(n(LEFT + 4.0)) y=(n(low - 3.0)) { (zone.word) } }
            }
        }
        @for step in 0..=marks {
            @let value = it.low + f64::from(step) * it.step;
            @let y = it.y(value);
            line class="grid" x1=(n(LEFT)) x2=(n(right)) y1=(n(y)) y2=(n(y)) {}
            text x=(n(LEFT - 4.0)) y=(n(y + 4.0)) text-anchor="end" { (words::number(value, decimals)) }
        }
        @for bar in &it.panel.bars {
            @let (from, to, y) = (x(bar.from), x(bar.to), it.y(bar.value));
            rect class=(bar_class(&bar.name)) x=(n(from)) y=(n(y)) width=(n((to - from - 1.0).max(1.0)))
                height=(n(it.y(0.0) - y)) {
                title { (bar.name) " " (words::number(bar.value, it.panel.decimals)) " " (it.panel.unit)
                    @if let Some(doubt) = &bar.doubt { ", " (doubt) } }
            }
        }
        @for trace in &it.panel.traces { path class={ "trace " (stroke(trace.stroke)) } d=(path(it, trace, x)) {} }
        line class="mark" x1=(n(LEFT)) x2=(n(right)) y1=(n(it.top + it.height)) y2=(n(it.top + it.height)) {}
    }
}

/// A line that is broken where readings are missing.
fn path(it: &Laid<'_>, trace: &Trace, x: &impl Fn(Timestamp) -> f64) -> String {
    let mut path = String::new();
    let mut before: Option<Timestamp> = None;
    for &(at, value) in trace.points.iter().filter(|(_, value)| value.is_finite()) {
        let joined = before.is_some_and(|before| at.duration_since(before) <= trace.gap);
        let _ = write!(path, "{}{} {}", if joined { 'L' } else { 'M' }, n(x(at)), n(it.y(value)));
        if !joined {
            // A point by itself is a dot.
            path.push_str("h.1");
        }
        before = Some(at);
    }
    path
}

fn stroke(stroke: Stroke) -> &'static str {
    match stroke {
        Stroke::Bold => "trace-bold",
        Stroke::Fine => "trace-fine",
        Stroke::Dashed | Stroke::Expected => "trace-dashed",
        Stroke::Dotted => "trace-dotted",
    }
}

fn bar_class(name: &str) -> &'static str {
    if name == "rain" { "bar-solid" } else { "bar-hollow" }
}

/// What lines and bars are, in words.
fn key(laid: &[Laid<'_>]) -> String {
    let mut parts: Vec<String> = Vec::new();
    for it in laid {
        for trace in &it.panel.traces {
            let how = match trace.stroke {
                Stroke::Bold => "Thick line",
                Stroke::Fine => "thin line",
                Stroke::Dashed | Stroke::Expected => "dashed line",
                Stroke::Dotted => "dotted line",
            };
            parts.push(format!("{how}: {}", trace.name));
        }
        for (name, how) in [("rain", "full bar: rain"), ("watering", "hollow bar: watering")] {
            if it.panel.bars.iter().any(|bar| bar.name == name) {
                parts.push(how.to_owned());
            }
        }
        for rule in &it.panel.rules {
            parts.push(rule.label.clone());
        }
    }
    if parts.is_empty() { "Nothing was measured.".to_owned() } else { format!("{}.", parts.join("; ")) }
}
