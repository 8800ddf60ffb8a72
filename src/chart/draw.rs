//! A chart as SVG.
//!
//! Places from left to right are parts of the width, so that a chart is as wide as its
//! page and its words keep their size; heights are pixels. What must stretch with the
//! width (lines, bands) stands in an inner drawing of [`WIDE`] units.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use maud::{Markup, PreEscaped, html};

use crate::chart::hours::{Anchor, Tick, TimeAxis};
use crate::chart::scale::Scale;
use crate::chart::svg::{percent, short};
use crate::chart::thin::runs;
use crate::chart::{Chart, Event, Flagged, Panel, Rule, Sign, Stroke, Trace, Zone};

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
/// pixels, and on anything wider than the limit in `chart.css`.
const NARROW_PIXELS: f64 = 280.0;
const WIDE_PIXELS: f64 = 600.0;

/// Marks of a reading in doubt, about the middle: a diamond at its value, and a cross at
/// the panel's foot where it has none.
pub(super) const DIAMOND: &str = "M0-5L5 0 0 5-5 0z";
pub(super) const CROSS: &str = "M-4-4L4 4M4-4L-4 4";

/// A panel with where its parts lie in the drawing, pixels from the top.
struct PanelFrame<'a> {
    chart: &'a Chart,
    panel: &'a Panel,
    scale: Scale,
    /// Top of the lane of events; that of the plot where there is none.
    lane: f64,
    /// Top and height of the plot.
    top: f64,
    high: f64,
}

/// The panels, and the drawing's height.
fn frames(chart: &Chart) -> (Vec<PanelFrame<'_>>, f64) {
    let mut y = 0.0;
    let mut frames = Vec::new();
    for (number, panel) in chart.panels.iter().enumerate() {
        y += NAME + NAME_LINE * (name(panel).len() - 1) as f64;
        let lane = y;
        if panel.events.iter().any(|event| chart.shows(event.at)) {
            y += LANE;
        }
        let high = if number == 0 { FIRST } else { FURTHER };
        frames.push(PanelFrame { chart, panel, scale: scale(panel, high), lane, top: y, high });
        y += high + 6.0;
    }
    (frames, y + AXIS)
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
        let hours = TimeAxis { from: chart.from, to: chart.to, zone: &chart.zone };
        Self {
            narrow: hours.ticks(NARROW_PIXELS),
            wide: hours.ticks(WIDE_PIXELS),
            midnights: hours.midnights().into_iter().map(|at| chart.along(at)).collect(),
        }
    }
}

pub(super) fn svg(chart: &Chart) -> Markup {
    let (frames, height) = frames(chart);
    let times = Times::of(chart);
    let (title, about) = (format!("{}-title", chart.id), format!("{}-about", chart.id));
    html! {
        svg class="chart" width="100%" height=(short(height)) role="img"
            aria-labelledby={ (title) " " (about) } {
            title id=(title) { (chart.title) }
            desc id=(about) { (chart.description) }
            defs {
                pattern id={ (chart.id) "-gap" } patternUnits="userSpaceOnUse" width="9" height="9" {
                    path class="hatch" d="M-1 10L10-1M-1 1L1-1M8 10L10 8" {}
                }
            }
            @for (number, frame) in frames.iter().enumerate() { (frame.draw(&times, number == 0)) }
            (axis(&times, height))
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

impl PanelFrame<'_> {
    /// Where a value lies, from the plot's top.
    fn down(&self, value: f64) -> f64 {
        self.high * (1.0 - self.scale.place(value).clamp(0.0, 1.0))
    }

    fn y(&self, value: f64) -> f64 {
        self.top + self.down(value)
    }

    fn draw(&self, times: &Times, first: bool) -> Markup {
        let (top, high) = (self.top, self.high);
        let name = name(self.panel);
        let inner = |part: &&f64| **part > 0.0 && **part < 1.0;
        html! {
            @for (number, line) in name.iter().enumerate() {
                @let above = NAME_LINE * (name.len() - 1 - number) as f64;
                text class="panel-name" x=(short(-GUTTER)) y=(short(self.lane - 11.0 - above)) { (line) }
            }
            @if top > self.lane { (self.events()) }
            @for (zone, upper, lower) in self.zones() {
                rect class={ "band-of " (zone.class) } x="0" width="100%" y=(short(upper)) height=(short(lower - upper)) {}
            }
            @for mark in self.scale.marks() { (self.level("grid", mark)) }
            @for part in times.wide.iter().map(|tick| &tick.part).filter(inner) { (self.upright("grid", *part)) }
            @for part in times.midnights.iter().filter(inner) { (self.upright("midnight", *part)) }
            (self.gaps())
            (self.plot())
            @for rule in self.rules() { (self.level("rule", rule.at)) }
            (self.single())
            (self.doubts())
            (self.words())
            (self.flagged())
            @if let Some(now) = self.chart.now.filter(|now| self.chart.shows(*now)) {
                @let part = self.chart.along(now);
                (self.upright("now-line", part))
                @if first {
                    @let (class, step) = if part > 0.8 { ("now-word end", "-4") } else { ("now-word", "4") };
                    text class=(class) x=(percent(part)) dx=(step) y=(short(top + high - 5.0)) { "now" }
                }
            }
            rect class="panel-frame" width="100%" y=(short(top)) height=(short(high)) {}
        }
    }

    /// A line across the plot at a value.
    fn level(&self, class: &str, value: f64) -> Markup {
        let y = short(self.y(value));
        html! { line class=(class) x2="100%" y1=(y) y2=(y) {} }
    }

    /// A line from the plot's top to its foot.
    fn upright(&self, class: &str, part: f64) -> Markup {
        let x = percent(part);
        html! { line class=(class) x1=(x) x2=(x) y1=(short(self.top)) y2=(short(self.top + self.high)) {} }
    }

    /// The zones that are high enough to be seen, with their upper and lower ends.
    fn zones(&self) -> impl Iterator<Item = (&Zone, f64, f64)> {
        self.panel.zones.iter().filter(|zone| zone.is_drawn()).filter_map(|zone| {
            let upper = zone.to.map_or(self.top, |to| self.y(to));
            let lower = zone.from.map_or(self.top + self.high, |from| self.y(from));
            (lower - upper >= 0.5).then_some((zone, upper, lower))
        })
    }

    fn rules(&self) -> impl Iterator<Item = &Rule> {
        self.panel.rules.iter().filter(|rule| rule.at >= self.scale.low && rule.at <= self.scale.high)
    }

    /// A question mark over each bar that is in doubt.
    fn doubts(&self) -> Markup {
        /// More of them would be a smear; the table has each.
        const SHOWN: usize = 60;
        let (chart, from, to) = (self.chart, self.chart.from, self.chart.to);
        let doubtful = self
            .panel
            .bars
            .iter()
            .filter(|bar| bar.doubt.is_some() && bar.from < to && bar.to > from && bar.value.is_finite());
        html! {
            @for bar in doubtful.take(SHOWN) {
                @let middle = f64::midpoint(chart.along(bar.from.max(from)), chart.along(bar.to.min(to)));
                @let y = (self.y(bar.value) - 3.0).max(self.top + 12.0);
                text class="bar-doubt" x=(percent(middle)) y=(short(y)) { "?" }
            }
        }
    }

    /// Marks of the value axis in the gutter, the zones' words at the left of the plot, the
    /// rules' at its right; each kind keeps clear of itself.
    fn words(&self) -> Markup {
        let rules = self.rules().map(|rule| (self.y(rule.at) - 3.0, rule.label.as_str()));
        let zones =
            self.zones().map(|(zone, upper, lower)| (f64::midpoint(upper, lower) + 4.0, zone.word.as_str()));
        html! {
            @for mark in self.scale.marks() {
                text class="value" x="-5" y=(short(self.y(mark) + 4.0)) { (self.scale.label(mark)) }
            }
            @for (at, text) in apart(zones.collect(), self.top, self.high) {
                text class="zone-name" x="5" y=(short(at)) { (text) }
            }
            @for (at, text) in apart(rules.collect(), self.top, self.high) {
                text class="rule-name" x="99.3%" y=(short(at)) { (text) }
            }
        }
    }

    fn gaps(&self) -> Markup {
        /// Half of its words' length on a phone, and where they are clear of the zones'
        /// words, in parts of the width.
        const HALF: f64 = 0.14;
        const CLEAR: f64 = 0.38;
        let zoned = !self.panel.zones.is_empty();
        html! {
            @for (from, to) in empty_stretches(self.chart, self.panel) {
                rect class="no-readings" fill={ "url(#" (self.chart.id) "-gap)" } x=(percent(from))
                    width=(percent(to - from)) y=(short(self.top)) height=(short(self.high)) {
                    title { "no readings" }
                }
                @let middle = f64::midpoint(from, to);
                @let middle = if zoned { middle.max(CLEAR) } else { middle };
                @if middle - HALF >= from && middle + HALF <= to {
                    text class="gap-name" x=(percent(middle)) y=(short(self.top + self.high / 2.0 + 4.0)) { "no readings" }
                }
            }
        }
    }

    /// What stretches with the width: spreads, bars and lines.
    fn plot(&self) -> Markup {
        let (chart, panel, high) = (self.chart, self.panel, self.high);
        let names = panel.bar_names();
        let bars = panel.bars.iter().filter(|bar| {
            bar.value.is_finite() && bar.value > 0.0 && bar.from < chart.to && bar.to > chart.from
        });
        html! {
            svg x="0" y=(short(self.top)) width="100%" height=(short(high)) viewBox={ "0 0 1000 " (short(high)) }
                preserveAspectRatio="none" overflow="hidden" {
                @for trace in &panel.traces {
                    @if let Some(outline) = self.spread(trace) { path class="spread" d=(PreEscaped(outline)) {} }
                }
                @for bar in bars {
                    @let (left, right, y) = (self.x(bar.from), self.x(bar.to), self.down(bar.value));
                    @let room = (right - left) * 0.12;
                    @if right > left {
                        // Bars that stand close have no outline, which would be all that is seen.
                        rect class={ "bar " (bar_class(&names, &bar.name)) (if right - left < 8.0 { " close" } else { "" })
                                (if bar.doubt.is_some() { " in-doubt" } else { "" }) } x=(short(left + room)) width=(short((right - left - 2.0 * room).max(0.5)))
                            y=(short(y)) height=(short((high - y).max(0.5))) {}
                    }
                }
                @for trace in &panel.traces {
                    @let lines = self.lines(trace);
                    @if !lines.is_empty() { path class={ "trace " (stroke_class(trace.stroke)) } d=(PreEscaped(lines)) {} }
                }
            }
        }
    }

    /// Where a moment lies in the inner drawing.
    fn x(&self, at: Timestamp) -> f64 {
        WIDE * self.chart.along(at).clamp(0.0, 1.0)
    }

    fn runs(&self, points: &[(Timestamp, f64)], gap: SignedDuration) -> Vec<Vec<(Timestamp, f64)>> {
        runs(points, gap, self.chart.from, self.chart.to)
    }

    fn lines(&self, trace: &Trace) -> String {
        let mut path = String::new();
        for run in self.runs(&trace.points, trace.gap).into_iter().filter(|run| run.len() > 1) {
            self.line(&mut path, run.iter());
        }
        path
    }

    /// One line through points.
    fn line<'p>(&self, path: &mut String, points: impl Iterator<Item = &'p (Timestamp, f64)>) {
        let mut before = (0.0, 0.0);
        for (number, (at, value)) in points.enumerate() {
            // Steps are written from the rounded place, so that errors do not add up.
            let tenths = |it: f64| (it * 10.0).round() / 10.0;
            let (x, y) = (tenths(self.x(*at)), tenths(self.down(*value)));
            let _ = match number {
                0 => write!(path, "M{} {}", short(x), short(y)),
                _ => write!(path, "l{} {}", short(x - before.0), short(y - before.1)),
            };
            before = (x, y);
        }
    }

    fn spread(&self, trace: &Trace) -> Option<String> {
        if trace.spread.len() != trace.points.len() || trace.spread.is_empty() {
            return None;
        }
        let side = |pick: fn(&(f64, f64)) -> f64| {
            let points: Vec<_> =
                trace.points.iter().zip(&trace.spread).map(|((at, _), both)| (*at, pick(both))).collect();
            self.runs(&points, trace.gap)
        };
        let mut path = String::new();
        for (low, high) in side(|both| both.0).iter().zip(&side(|both| both.1)) {
            if low.len() < 2 {
                continue;
            }
            self.line(&mut path, high.iter().chain(low.iter().rev()));
            path.push('z');
        }
        (!path.is_empty()).then_some(path)
    }

    /// Points that stand alone between two gaps.
    fn single(&self) -> Markup {
        /// More than these are no longer single.
        const SHOWN: usize = 200;
        let alone = |trace: &Trace| -> Vec<_> {
            let runs = self.runs(&trace.points, trace.gap).into_iter();
            runs.filter(|run| run.len() == 1).flatten().take(SHOWN).collect()
        };
        html! {
            @for trace in &self.panel.traces {
                @for (at, value) in alone(trace) {
                    circle class={ "single " (stroke_class(trace.stroke)) } r="3" cx=(percent(self.chart.along(at)))
                        cy=(short(self.y(value))) {}
                }
            }
        }
    }

    fn flagged(&self) -> Markup {
        /// More marks than these would be a smear; the table has every count.
        const SHOWN: usize = 150;
        let inside: Vec<&Flagged> = self.panel.flagged.iter().filter(|it| self.chart.shows(it.at)).collect();
        let every = inside.len().div_ceil(SHOWN).max(1);
        let within = |value: &f64| value.is_finite() && (0.0..=1.0).contains(&self.scale.place(*value));
        html! {
            @for it in inside.into_iter().step_by(every) {
                @let value = it.value.filter(within);
                @let y = value.map_or(self.top + self.high - 7.0, |value| self.y(value));
                svg class={ "flag " (if it.value.is_some() { "with-value" } else { "at-foot" }) } overflow="visible"
                    x=(percent(self.chart.along(it.at))) y=(short(y)) {
                    title { (it.words) }
                    path d=(if value.is_some() { DIAMOND } else { CROSS }) {}
                }
            }
        }
    }

    /// The signs of the lane. Those of a kind that would lie on each other share one.
    fn events(&self) -> Markup {
        /// About one sign's width, in parts of a phone's plot.
        const SIGN: f64 = 0.06;
        let mut inside: Vec<&Event> =
            self.panel.events.iter().filter(|event| self.chart.shows(event.at)).collect();
        inside.sort_by_key(|event| event.at);
        let mut signs: Vec<(f64, Sign, Vec<&str>)> = Vec::new();
        for event in inside {
            let at = self.chart.along(event.at);
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
                svg class={ "event " (sign.look().class) } overflow="visible" x=(percent(at)) y=(short(self.lane + LANE / 2.0)) {
                    title {
                        (words[..words.len().min(3)].join("; "))
                        @if words.len() > 3 { "; and " (words.len() - 3) " more" }
                    }
                    path d=(sign.look().shape) {}
                }
            }
        }
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
    let end = chart.now.filter(|now| chart.shows(*now)).unwrap_or(chart.to);
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
            empty.push((chart.along(until), chart.along(from)));
        }
        until = until.max(to);
    }
    empty.retain(|(from, to)| to - from >= SEEN);
    empty
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

#[cfg(test)]
mod tests;
