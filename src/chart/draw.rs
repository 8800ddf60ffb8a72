//! A chart as SVG.
//!
//! Places from left to right are parts of the width, so that a chart is as wide as its
//! page and its words keep their size; heights are pixels. What must stretch with the
//! width (lines, bands) stands in an inner drawing of [`WIDE`] units.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use maud::{Markup, PreEscaped, html};

use crate::chart::hours::{Anchor, Hours, Tick};
use crate::chart::scale::Scale;
use crate::chart::thin::runs;
use crate::chart::{Chart, Event, Flagged, Panel, Sign, Stroke, Trace};

/// Units of an inner drawing's width.
const WIDE: f64 = 1000.0;
/// Heights in pixels: the first panel's plot, a further panel's, the line that names a
/// panel, each further line of its name, the lane of events, and the words of the time axis.
const FIRST: f64 = 180.0;
const FURTHER: f64 = 96.0;
const NAME: f64 = 30.0;
const NAME_LINE: f64 = 17.0;
const LANE: f64 = 22.0;
const AXIS: f64 = 24.0;
/// Pixels left of the plots for the marks of the value axes; the stylesheet's margin.
const GUTTER: f64 = 40.0;
/// Widths in pixels for which the time axis has words: the plot on a phone of 360
/// pixels, and on whatever is wider than the limit in `chart.css`.
const NARROW_PIXELS: f64 = 280.0;
const WIDE_PIXELS: f64 = 600.0;

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
        y += NAME + NAME_LINE * (name(panel).len() - 1) as f64;
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

/// A panel's name and unit in the lines that a phone has room for.
fn name(panel: &Panel) -> Vec<String> {
    /// Letters of the name's size beside each other on a phone of 360 pixels.
    const LETTERS: usize = 40;
    let mut name = panel.name.clone();
    if !panel.unit.is_empty() {
        name = format!("{name}, {}", panel.unit);
    }
    let mut lines = vec![String::new()];
    for word in name.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.is_empty() => line.push_str(word),
            Some(line) if line.chars().count() + word.chars().count() < LETTERS => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

fn scale(panel: &Panel, high: f64) -> Scale {
    let traces = panel.traces.iter().flat_map(|trace| trace.points.iter().map(|(_, value)| *value));
    let spread = panel.traces.iter().flat_map(|trace| trace.spread.iter().flat_map(|(l, h)| [*l, *h]));
    let bars = panel.bars.iter().map(|bar| bar.value);
    // Bars stand on zero.
    let foot = panel.bars.first().map(|_| 0.0);
    Scale::of(traces.chain(spread).chain(bars).chain(foot), panel.at_least, high / 45.0)
}

/// The time axis's ticks, with words for a phone and for a wide page, and where days
/// begin.
struct Times {
    narrow: Vec<Tick>,
    wide: Vec<Tick>,
    midnights: Vec<f64>,
}

impl Times {
    fn of(chart: &Chart) -> Self {
        let hours = Hours { from: chart.from, to: chart.to, zone: &chart.zone };
        Self {
            narrow: hours.ticks(NARROW_PIXELS),
            wide: hours.ticks(WIDE_PIXELS),
            midnights: hours.midnights().into_iter().map(|at| along(chart, at)).collect(),
        }
    }
}

pub(super) fn svg(chart: &Chart) -> Markup {
    let layout = layout(chart);
    let times = Times::of(chart);
    let (title, about) = (format!("{}-title", chart.id), format!("{}-about", chart.id));
    html! {
        svg class="chart" width="100%" height=(short(layout.height)) role="img"
            aria-labelledby={ (title) " " (about) } {
            title id=(title) { (chart.title) }
            desc id=(about) { (chart.description) }
            defs {
                pattern id={ (chart.id) "-gap" } patternUnits="userSpaceOnUse" width="9" height="9" {
                    path class="hatch" d="M-1 10L10-1M-1 1L1-1M8 10L10 8" {}
                }
            }
            @for (number, (panel, place)) in chart.panels.iter().zip(&layout.panels).enumerate() {
                (self::panel(chart, panel, *place, &times, number == 0))
            }
            (axis(&times, layout.height))
        }
    }
}

fn axis(times: &Times, height: f64) -> Markup {
    let base = short(height - 8.0);
    let same = times.narrow == times.wide;
    let words = |ticks: &[Tick], pixels: f64, class: &str| {
        html! {
            g class=(class) {
                @for tick in ticks.iter().filter(|tick| !tick.label.is_empty()) {
                    @let (anchor, x) = match tick.anchor(pixels) {
                        Anchor::Start => (Some("start"), 0.0),
                        // The stylesheet's own.
                        Anchor::Middle => (None, tick.words_at),
                        Anchor::End => (Some("end"), 1.0),
                    };
                    text class=[anchor] x=(percent(x)) y=(base) { (tick.label) }
                }
            }
        }
    };
    html! {
        @if same {
            (words(&times.narrow, NARROW_PIXELS, "ticks"))
        } @else {
            (words(&times.narrow, NARROW_PIXELS, "ticks narrow"))
            (words(&times.wide, WIDE_PIXELS, "ticks wide"))
        }
    }
}

fn panel(
    chart: &Chart,
    panel: &Panel,
    (lane, top, high): (f64, f64, f64),
    times: &Times,
    first: bool,
) -> Markup {
    let scale = scale(panel, high);
    let y = |value: f64| top + high * (1.0 - scale.place(value).clamp(0.0, 1.0));
    let name = name(panel);
    html! {
        @for (number, line) in name.iter().enumerate() {
            @let above = NAME_LINE * (name.len() - 1 - number) as f64;
            text class="panel-name" x=(short(-GUTTER)) y=(short(lane - 11.0 - above)) { (line) }
        }
        @if top > lane { (events(chart, panel, lane)) }
        (zones(panel, &scale, top, high))
        @for mark in scale.marks() {
            line class="grid" x2="100%" y1=(short(y(mark))) y2=(short(y(mark))) {}
        }
        @for tick in times.wide.iter().filter(|tick| tick.part > 0.0 && tick.part < 1.0) {
            (upright("grid", tick.part, top, high))
        }
        @for part in times.midnights.iter().filter(|part| **part > 0.0 && **part < 1.0) {
            (upright("midnight", *part, top, high))
        }
        (gaps(chart, panel, top, high))
        (plot(chart, panel, &scale, top, high))
        @for rule in panel.rules.iter().filter(|rule| rule.at >= scale.low && rule.at <= scale.high) {
            line class="rule" x2="100%" y1=(short(y(rule.at))) y2=(short(y(rule.at))) {}
        }
        (single(chart, panel, &scale, top, high))
        (doubts(chart, panel, &scale, top, high))
        (words(panel, &scale, top, high))
        (flagged(chart, panel, &scale, top, high))
        @if let Some(now) = chart.now.filter(|now| inside(chart, *now)) {
            @let part = along(chart, now);
            (upright("now-line", part, top, high))
            @if first {
                @let (class, step) = if part > 0.8 { ("now-word end", "-4") } else { ("now-word", "4") };
                text class=(class) x=(percent(part)) dx=(step) y=(short(top + high - 5.0)) { "now" }
            }
        }
        rect class="panel-frame" width="100%" y=(short(top)) height=(short(high)) {}
    }
}

fn upright(class: &str, part: f64, top: f64, high: f64) -> Markup {
    let x = percent(part);
    html! { line class=(class) x1=(x) x2=(x) y1=(short(top)) y2=(short(top + high)) {} }
}

/// A question mark over each bar that is in doubt.
fn doubts(chart: &Chart, panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    /// More of them would be a smear; the table has each.
    const SHOWN: usize = 60;
    let (from, to) = (chart.from, chart.to);
    let doubtful = panel
        .bars
        .iter()
        .filter(|bar| bar.doubt.is_some() && bar.from < to && bar.to > from && bar.value.is_finite());
    html! {
        @for bar in doubtful.take(SHOWN) {
            @let middle = f64::midpoint(along(chart, bar.from.max(from)), along(chart, bar.to.min(to)));
            @let y = top + high * (1.0 - scale.place(bar.value).clamp(0.0, 1.0));
            text class="bar-doubt" x=(percent(middle)) y=(short((y - 3.0).max(top + 12.0))) { "?" }
        }
    }
}

fn zones(panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    let y = |value: f64| top + high * (1.0 - scale.place(value).clamp(0.0, 1.0));
    html! {
        @for zone in panel.zones.iter().filter(|zone| zone.is_drawn()) {
            @let upper = zone.to.map_or(top, y);
            @let lower = zone.from.map_or(top + high, y);
            @if lower - upper >= 0.5 {
                rect class={ "band-of " (zone.class) } x="0" width="100%" y=(short(upper)) height=(short(lower - upper)) {}
            }
        }
    }
}

/// Marks of the value axis in the gutter, the zones' words at the left of the plot, the
/// rules' at its right; each kind keeps clear of itself.
fn words(panel: &Panel, scale: &Scale, top: f64, high: f64) -> Markup {
    let y = |value: f64| top + high * (1.0 - scale.place(value).clamp(0.0, 1.0));
    let rules = panel.rules.iter().filter(|rule| rule.at >= scale.low && rule.at <= scale.high);
    let rules = apart(rules.map(|rule| (y(rule.at) - 3.0, rule.label.as_str())).collect(), top, high);
    let zones = panel.zones.iter().filter(|zone| zone.is_drawn()).filter_map(|zone| {
        let (upper, lower) = (zone.to.map_or(top, y), zone.from.map_or(top + high, y));
        (lower - upper >= 0.5).then(|| (f64::midpoint(upper, lower) + 4.0, zone.word.as_str()))
    });
    let zones = apart(zones.collect(), top, high);
    html! {
        @for mark in scale.marks() {
            text class="value" x="-5" y=(short(y(mark) + 4.0)) { (scale.label(mark)) }
        }
        @for (at, text) in zones { text class="zone-name" x="5" y=(short(at)) { (text) } }
        @for (at, text) in rules { text class="rule-name" x="99.3%" y=(short(at)) { (text) } }
    }
}

/// Height in pixels of a line of words in a plot.
const LINE: f64 = 14.0;

/// Moves words that would lie on each other apart, as little as it takes, inside the
/// plot. Where there is no room for all, the last are left out.
fn apart(mut words: Vec<(f64, &str)>, top: f64, high: f64) -> Vec<(f64, &str)> {
    let (first, last) = (top + 11.0, top + high - 3.0);
    words.truncate((((last - first) / LINE).max(0.0) as usize) + 1);
    words.sort_by(|one, other| one.0.total_cmp(&other.0));
    let mut least = first;
    for (at, _) in &mut words {
        *at = at.max(least);
        least = *at + LINE;
    }
    let mut most = last;
    for (at, _) in words.iter_mut().rev() {
        *at = at.min(most);
        most = *at - LINE;
    }
    words
}

/// Stretches in which no line has a point, as parts of the width: those that are longer
/// than what every line calls a gap, and long enough to be seen.
pub(super) fn empty_stretches(chart: &Chart, panel: &Panel) -> Vec<(f64, f64)> {
    const SEEN: f64 = 0.02;
    let measured = || panel.traces.iter().filter(|trace| trace.stroke != Stroke::Expected);
    let Some(gap) = measured().map(|trace| trace.gap).max() else { return Vec::new() };
    let end = chart.now.filter(|now| inside(chart, *now)).unwrap_or(chart.to);
    let mut known: Vec<(Timestamp, Timestamp)> = Vec::new();
    for run in measured().flat_map(|trace| runs(&trace.points, trace.gap, chart.from, chart.to)) {
        if let (Some(first), Some(last)) = (run.first(), run.last()) {
            known.push((first.0, last.0));
        }
    }
    // With no reading at all, the whole of it is one stretch however short.
    let gap = if known.is_empty() { SignedDuration::ZERO } else { gap };
    known.sort_unstable();
    let mut empty = Vec::new();
    let mut until = chart.from;
    for (from, to) in known.into_iter().chain([(end, end)]) {
        if from.duration_since(until) > gap {
            empty.push((along(chart, until), along(chart, from)));
        }
        until = until.max(to);
    }
    empty.retain(|(from, to)| to - from >= SEEN);
    empty
}

fn gaps(chart: &Chart, panel: &Panel, top: f64, high: f64) -> Markup {
    /// Half of its words' length on a phone, and where they are clear of the zones'
    /// words, in parts of the width.
    const HALF: f64 = 0.14;
    const CLEAR: f64 = 0.38;
    let zoned = !panel.zones.is_empty();
    html! {
        @for (from, to) in empty_stretches(chart, panel) {
            rect class="no-readings" fill={ "url(#" (chart.id) "-gap)" } x=(percent(from)) width=(percent(to - from))
                y=(short(top)) height=(short(high)) {
                title { "no readings" }
            }
            @let middle = f64::midpoint(from, to);
            @let middle = if zoned { middle.max(CLEAR) } else { middle };
            @if middle - HALF >= from && middle + HALF <= to {
                text class="gap-name" x=(percent(middle)) y=(short(top + high / 2.0 + 4.0)) { "no readings" }
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
            @for bar in panel.bars.iter().filter(|bar| bar.value.is_finite() && bar.value > 0.0 && bar.from < chart.to && bar.to > chart.from) {
                @let (left, right) = (x(bar.from), x(bar.to));
                @let room = (right - left) * 0.12;
                @if right > left {
                    // Bars that stand close have no outline, which would be all that is seen.
                    rect class={ "bar " (bar_class(&names, &bar.name)) (if right - left < 8.0 { " close" } else { "" })
                            (if bar.doubt.is_some() { " in-doubt" } else { "" }) } x=(short(left + room)) width=(short((right - left - 2.0 * room).max(0.5)))
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

/// The signs of a lane. Those of a kind that would lie on each other share one.
fn events(chart: &Chart, panel: &Panel, lane: f64) -> Markup {
    /// About one sign's width, in parts of a phone's plot.
    const SIGN: f64 = 0.06;
    let mut inside: Vec<&Event> = panel.events.iter().filter(|event| self::inside(chart, event.at)).collect();
    inside.sort_by_key(|event| event.at);
    let mut signs: Vec<(f64, Sign, Vec<&str>)> = Vec::new();
    for event in inside {
        let at = along(chart, event.at);
        match signs.iter_mut().rev().find(|(_, sign, _)| *sign == event.sign) {
            Some((first, _, words)) if at - *first < SIGN => words.push(&event.words),
            _ => signs.push((at, event.sign, vec![&event.words])),
        }
    }
    // Signs of two kinds stand beside each other, the later one a little late.
    let mut free = 0.0;
    for (at, ..) in &mut signs {
        *at = at.max(free).min(*at + 2.0 * SIGN).min(1.0);
        free = *at + SIGN;
    }
    html! {
        @for (at, sign, words) in signs {
            svg class={ "event " (sign_class(sign)) } overflow="visible" x=(percent(at)) y=(short(lane + LANE / 2.0)) {
                title {
                    (words[..words.len().min(3)].join("; "))
                    @if words.len() > 3 { "; and " (words.len() - 3) " more" }
                }
                path d=(sign_shape(sign)) {}
            }
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
        // A pennant on a pole.
        Sign::Alarm => "M-5 9V-8L8-3.5-5 1",
        Sign::Fish => "M-8 0C-3-6 3-5 5 0L9-4V4L5 0C3 5-3 6-8 0z",
    }
}

#[cfg(test)]
mod tests;
