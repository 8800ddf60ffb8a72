//! A chart as SVG.
//!
//! Places from left to right are parts of the width, so that a chart is as wide as its
//! page and its words keep their size; heights are pixels. What must stretch with the
//! width (lines, bands) stands in an inner drawing of [`WIDE`] units.

use std::fmt::Write as _;

use jiff::Timestamp;
use maud::{Markup, PreEscaped, html};

use super::hours::{Tick, ticks};
use super::scale::Scale;
use super::thin::runs;
use super::{Chart, Event, Flagged, Panel, Sign, Stroke, Trace};

/// Units of an inner drawing's width.
const WIDE: f64 = 1000.0;
/// Heights in pixels: the first panel's plot, a further panel's, the line that names a
/// panel, the lane of events, and the words of the time axis.
const FIRST: f64 = 180.0;
const FURTHER: f64 = 96.0;
const NAME: f64 = 24.0;
const LANE: f64 = 22.0;
const AXIS: f64 = 24.0;

/// Where a moment lies, 0 to 1 of the width.
pub(super) fn along(chart: &Chart, at: Timestamp) -> f64 {
    let length = chart.to.as_millisecond().saturating_sub(chart.from.as_millisecond()).max(1);
    let passed = at.as_millisecond().saturating_sub(chart.from.as_millisecond());
    passed as f64 / length as f64
}

fn inside(chart: &Chart, at: Timestamp) -> bool {
    chart.from <= at && at < chart.to
}

/// A number as short as it can be.
pub(super) fn short(number: f64) -> String {
    let text = format!("{number:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn percent(part: f64) -> String {
    format!("{}%", short((part * 1000.0).round() / 10.0))
}

/// Where each panel's plot lies in the drawing, and the drawing's height.
struct Layout {
    /// Top of the lane of events (0 where there is none), of the plot, its height.
    panels: Vec<(f64, f64, f64)>,
    height: f64,
}

fn layout(chart: &Chart) -> Layout {
    let mut y = 0.0;
    let mut panels = Vec::new();
    for (number, panel) in chart.panels.iter().enumerate() {
        y += NAME;
        let lane = y;
        if panel.events.iter().any(|event| inside(chart, event.at)) {
            y += LANE;
        }
        let high = if number == 0 { FIRST } else { FURTHER };
        panels.push((lane, y, high));
        y += high + 6.0;
    }
    Layout { panels, height: y + AXIS }
}

fn scale(panel: &Panel, high: f64) -> Scale {
    let traces = panel.traces.iter().flat_map(|trace| trace.points.iter().map(|(_, value)| *value));
    let spread = panel.traces.iter().flat_map(|trace| trace.spread.iter().flat_map(|(l, h)| [*l, *h]));
    let bars = panel.bars.iter().map(|bar| bar.value);
    // Bars stand on zero.
    let foot = panel.bars.first().map(|_| 0.0);
    Scale::of(traces.chain(spread).chain(bars).chain(foot), panel.at_least, high / 45.0)
}

pub(super) fn svg(chart: &Chart) -> Markup {
    let layout = layout(chart);
    let ticks = ticks(chart.from, chart.to, &chart.zone);
    let (title, about) = (format!("{}-title", chart.id), format!("{}-about", chart.id));
    html! {
        svg class="chart" width="100%" height=(short(layout.height)) role="img"
            aria-labelledby={ (title) " " (about) } {
            title id=(title) { (chart.title) }
            desc id=(about) { (chart.description) }
            @for (panel, place) in chart.panels.iter().zip(&layout.panels) {
                (self::panel(chart, panel, *place, &ticks))
            }
            (axis(chart, &ticks, layout.height))
        }
    }
}

fn axis(chart: &Chart, ticks: &[Tick], height: f64) -> Markup {
    let base = short(height - 8.0);
    html! {
        @for (number, tick) in ticks.iter().enumerate() {
            @if !tick.label.is_empty() {
                @let at = along(chart, tick.at);
                @if tick.names_what_follows {
                    @let end = ticks.get(number + 1).map_or(1.0, |next| along(chart, next.at));
                    text class="tick" text-anchor="middle" x=(percent(f64::midpoint(at, end))) y=(base) { (tick.label) }
                } @else {
                    @let anchor = if at < 0.04 { "start" } else if at > 0.93 { "end" } else { "middle" };
                    text class="tick" text-anchor=(anchor) x=(percent(at)) y=(base) { (tick.label) }
                }
            }
        }
    }
}

fn panel(chart: &Chart, panel: &Panel, (lane, top, high): (f64, f64, f64), ticks: &[Tick]) -> Markup {
    let scale = scale(panel, high);
    let y = |value: f64| top + high * (1.0 - scale.place(value).clamp(0.0, 1.0));
    let unit = if panel.unit.is_empty() { String::new() } else { format!(", {}", panel.unit) };
    html! {
        text class="panel-name" x="0" y=(short(lane - 8.0)) { (panel.name) (unit) }
        @if top > lane { (events(chart, panel, lane)) }
        (zones(panel, &scale, top, high))
        @for mark in scale.marks() {
            line class="grid" x1="0" x2="100%" y1=(short(y(mark))) y2=(short(y(mark))) {}
        }
        @for tick in ticks {
            @let x = percent(along(chart, tick.at));
            line class=(if tick.label.is_empty() { "grid" } else { "grid strong" }) x1=(x) x2=(x)
                y1=(short(top)) y2=(short(top + high)) {}
        }
        (gaps(chart, panel, top, high))
        (plot(chart, panel, &scale, top, high))
        @for rule in panel.rules.iter().filter(|rule| rule.at >= scale.low && rule.at <= scale.high) {
            line class="rule" x1="0" x2="100%" y1=(short(y(rule.at))) y2=(short(y(rule.at))) {}
        }
        (words(panel, &scale, top, high))
        (single(chart, panel, &scale, top, high))
        (flagged(chart, panel, &scale, top, high))
        @if let Some(now) = chart.now.filter(|now| inside(chart, *now)) {
            @let x = percent(along(chart, now));
            line class="now-line" x1=(x) x2=(x) y1=(short(top)) y2=(short(top + high)) {}
        }
        rect class="panel-frame" x="0" width="100%" y=(short(top)) height=(short(high)) {}
    }
}

fn zones(panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    let y = |value: f64| top + high * (1.0 - scale.place(value).clamp(0.0, 1.0));
    html! {
        @for zone in &panel.zones {
            @let upper = zone.to.map_or(top, y);
            @let lower = zone.from.map_or(top + high, y);
            @if lower - upper >= 0.5 {
                rect class={ "band-of " (zone.class) } x="0" width="100%" y=(short(upper)) height=(short(lower - upper)) {}
            }
        }
    }
}

/// Marks of the value axis at the left, and the names of zones and rules at the right,
/// each where it has room: the values first, then rules, then zones.
fn words(panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    const LINE: f64 = 15.0;
    let y = |value: f64| top + high * (1.0 - scale.place(value).clamp(0.0, 1.0));
    let marks: Vec<f64> = scale.marks().collect();
    let mut taken: Vec<f64> = Vec::new();
    let mut right: Vec<(f64, &str, &str)> = Vec::new();
    let mut place = |wanted: f64, lowest: f64, text, class| {
        let at = wanted.clamp(top + 12.0, lowest);
        if taken.iter().all(|other| (other - at).abs() >= LINE) {
            taken.push(at);
            right.push((at, text, class));
        }
    };
    for rule in panel.rules.iter().filter(|rule| rule.at >= scale.low && rule.at <= scale.high) {
        place(y(rule.at) - 3.0, top + high - 3.0, rule.label.as_str(), "rule-name");
    }
    for zone in &panel.zones {
        let upper = zone.to.map_or(top, y);
        let lower = zone.from.map_or(top + high, y);
        if lower - upper >= LINE {
            place(f64::midpoint(upper, lower) + 4.0, lower - 2.0, zone.word.as_str(), "zone-name");
        }
    }
    let decimals = scale.decimals();
    html! {
        @for mark in marks {
            @let baseline = (y(mark) - 3.0).max(top + 11.0);
            text class="value" x="3" y=(short(baseline)) { (format!("{mark:.decimals$}").replace("-0", if mark.abs() < 1e-9 { "0" } else { "-0" })) }
        }
        @for (at, text, class) in right {
            text class=(class) text-anchor="end" x="99.3%" y=(short(at)) { (text) }
        }
    }
}

/// Stretches in which no line has a point, where they are long enough to be seen.
fn gaps(chart: &Chart, panel: &Panel, top: f64, high: f64) -> Markup {
    const SEEN: f64 = 0.02;
    let ends = [chart.from, chart.now.filter(|now| inside(chart, *now)).unwrap_or(chart.to)];
    let mut known: Vec<(Timestamp, Timestamp)> = Vec::new();
    for trace in panel.traces.iter().filter(|trace| trace.stroke != Stroke::Expected) {
        for run in runs(&trace.points, trace.gap, chart.from, chart.to) {
            if let (Some(first), Some(last)) = (run.first(), run.last()) {
                known.push((first.0, last.0));
            }
        }
    }
    if panel.traces.iter().all(|trace| trace.stroke == Stroke::Expected) {
        return html! {};
    }
    known.sort_unstable();
    let mut empty = Vec::new();
    let mut until = ends[0];
    for (from, to) in known.into_iter().chain([(ends[1], ends[1])]) {
        if from > until {
            empty.push((along(chart, until), along(chart, from)));
        }
        until = until.max(to);
    }
    html! {
        @for (from, to) in empty.into_iter().filter(|(from, to)| to - from >= SEEN) {
            rect class="no-readings" x=(percent(from)) width=(percent(to - from)) y=(short(top)) height=(short(high)) {
                title { "no readings" }
            }
            @if to - from >= 0.22 {
                text class="zone-name" text-anchor="middle" x=(percent(f64::midpoint(from, to)))
                    y=(short(top + high / 2.0 + 4.0)) { "no readings" }
            }
        }
    }
}

/// What stretches with the width: spreads, bars and lines.
fn plot(chart: &Chart, panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    let x = |at: Timestamp| WIDE * along(chart, at).clamp(0.0, 1.0);
    let y = |value: f64| high * (1.0 - scale.place(value).clamp(0.0, 1.0));
    let mut names: Vec<&str> = panel.bars.iter().map(|bar| bar.name.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    html! {
        svg x="0" y=(short(top)) width="100%" height=(short(high)) viewBox={ "0 0 1000 " (short(high)) }
            preserveAspectRatio="none" overflow="hidden" {
            @for trace in &panel.traces {
                @if let Some(outline) = spread(chart, trace, &x, &y) { path class="spread" d=(PreEscaped(outline)) {} }
            }
            @for bar in panel.bars.iter().filter(|bar| bar.value.is_finite() && bar.value > 0.0) {
                @let (left, right) = (x(bar.from), x(bar.to));
                @let room = (right - left) * 0.12;
                @if right > left {
                    // Bars that stand close have no outline, which would be all that is seen.
                    rect class={ "bar " (bar_class(&names, &bar.name)) (if right - left < 8.0 { " close" } else { "" }) } x=(short(left + room)) width=(short((right - left - 2.0 * room).max(0.5)))
                        y=(short(y(bar.value))) height=(short((high - y(bar.value)).max(0.5))) {}
                }
            }
            @for trace in &panel.traces {
                @let lines = lines(chart, trace, &x, &y);
                @if !lines.is_empty() { path class={ "trace " (stroke_class(trace.stroke)) } d=(PreEscaped(lines)) {} }
            }
        }
    }
}

pub(super) fn bar_class(names: &[&str], name: &str) -> &'static str {
    match names.iter().position(|known| *known == name) {
        Some(0) | None => "bar-1",
        Some(1) => "bar-2",
        Some(_) => "bar-3",
    }
}

pub(super) fn stroke_class(stroke: Stroke) -> &'static str {
    match stroke {
        Stroke::Bold => "bold",
        Stroke::Fine => "fine",
        Stroke::Dashed => "dashed",
        Stroke::Dotted => "dotted",
        Stroke::Expected => "expected",
    }
}

fn lines(chart: &Chart, trace: &Trace, x: &dyn Fn(Timestamp) -> f64, y: &dyn Fn(f64) -> f64) -> String {
    let mut path = String::new();
    for run in runs(&trace.points, trace.gap, chart.from, chart.to) {
        if run.len() == 1 {
            continue;
        }
        let mut before = (0.0, 0.0);
        for (number, (at, value)) in run.iter().enumerate() {
            // Steps are written from the rounded place, so that errors do not add up.
            let here = ((x(*at) * 10.0).round() / 10.0, (y(*value) * 10.0).round() / 10.0);
            let _ = match number {
                0 => write!(path, "M{} {}", short(here.0), short(here.1)),
                _ => write!(path, "l{} {}", short(here.0 - before.0), short(here.1 - before.1)),
            };
            before = here;
        }
    }
    path
}

fn spread(
    chart: &Chart,
    trace: &Trace,
    x: &dyn Fn(Timestamp) -> f64,
    y: &dyn Fn(f64) -> f64,
) -> Option<String> {
    if trace.spread.len() != trace.points.len() || trace.spread.is_empty() {
        return None;
    }
    let of = |pick: fn(&(f64, f64)) -> f64| -> Vec<(Timestamp, f64)> {
        trace.points.iter().zip(&trace.spread).map(|((at, _), both)| (*at, pick(both))).collect()
    };
    let (low, high) = (of(|both| both.0), of(|both| both.1));
    let (low, high) =
        (runs(&low, trace.gap, chart.from, chart.to), runs(&high, trace.gap, chart.from, chart.to));
    let mut path = String::new();
    for (low, high) in low.iter().zip(&high).filter(|(low, _)| low.len() > 1) {
        for (number, (at, value)) in high.iter().chain(low.iter().rev()).enumerate() {
            let letter = if number == 0 { 'M' } else { 'L' };
            let _ = write!(path, "{letter}{} {}", short(x(*at)), short(y(*value)));
        }
        path.push('z');
    }
    (!path.is_empty()).then_some(path)
}

/// Points that stand alone between two gaps.
fn single(chart: &Chart, panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    /// More than these are no longer single.
    const SHOWN: usize = 200;
    let alone = |trace: &Trace| {
        let runs = runs(&trace.points, trace.gap, chart.from, chart.to);
        runs.into_iter().filter(|run| run.len() == 1).filter_map(|run| run.first().copied()).take(SHOWN)
    };
    html! {
        @for trace in &panel.traces {
            @for (at, value) in alone(trace).collect::<Vec<_>>() {
                circle class={ "single " (stroke_class(trace.stroke)) } r="3" cx=(percent(along(chart, at)))
                    cy=(short(top + high * (1.0 - scale.place(value).clamp(0.0, 1.0)))) {}
            }
        }
    }
}

fn flagged(chart: &Chart, panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    /// More marks than these would be a smear; the table has every count.
    const SHOWN: usize = 150;
    let inside: Vec<&Flagged> = panel.flagged.iter().filter(|it| self::inside(chart, it.at)).collect();
    let every = inside.len().div_ceil(SHOWN).max(1);
    html! {
        @for it in inside.into_iter().step_by(every) {
            @let value = it.value.filter(|value| value.is_finite() && (0.0..=1.0).contains(&scale.place(*value)));
            @let y = value.map_or(top + high - 7.0, |value| top + high * (1.0 - scale.place(value)));
            svg class={ "flag " (if it.value.is_some() { "with-value" } else { "at-foot" }) } overflow="visible"
                x=(percent(along(chart, it.at))) y=(short(y)) {
                title { (it.words) }
                @if value.is_some() { path d="M0-5L5 0 0 5-5 0z" {} } @else { path d="M-4-4L4 4M4-4L-4 4" {} }
            }
        }
    }
}

fn events(chart: &Chart, panel: &Panel, lane: f64) -> Markup {
    html! {
        @for event in panel.events.iter().filter(|event| inside(chart, event.at)) { (self::event(chart, event, lane)) }
    }
}

fn event(chart: &Chart, event: &Event, lane: f64) -> Markup {
    html! {
        svg class={ "event " (sign_class(event.sign)) } overflow="visible" x=(percent(along(chart, event.at)))
            y=(short(lane + LANE / 2.0)) {
            title { (event.words) }
            path d=(sign_shape(event.sign)) {}
        }
    }
}

pub(super) fn sign_class(sign: Sign) -> &'static str {
    match sign {
        Sign::Water => "water",
        Sign::Rain => "rain",
        Sign::Person => "person",
        Sign::Alarm => "alarm-sign",
        Sign::Fish => "fish",
    }
}

/// About the middle, eight pixels either way at most.
pub(super) fn sign_shape(sign: Sign) -> &'static str {
    match sign {
        // A drop.
        Sign::Water => "M0-8C3-3 6 0 6 3.5A6 5 0 0 1-6 3.5C-6 0-3-3 0-8z",
        // Three slanting strokes.
        Sign::Rain => "M-5-6l-2 12M1-6l-2 12M7-6l-2 12",
        // A small leaf of paper.
        Sign::Person => "M-5-7H3L6-4V7H-5zM-2-1H3M-2 3H3",
        // A square on its corner.
        Sign::Alarm => "M0-8L8 0 0 8-8 0z",
        Sign::Fish => "M-8 0C-3-6 3-5 5 0L9-4V4L5 0C3 5-3 6-8 0z",
    }
}
