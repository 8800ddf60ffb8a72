//! A chart as SVG: one drawing for each panel, under each other.
//!
//! Places from left to right are parts of the width, so that a chart is as wide as its
//! page and its words keep their size; heights are pixels. What must stretch with the
//! width (lines, bands) stands in an inner drawing of [`WIDE`] units.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use maud::{Markup, PreEscaped, html};

use crate::chart::hours::{Anchor, Tick, TimeAxis, width_of};
use crate::chart::lane;
use crate::chart::scale::Scale;
use crate::chart::svg::{percent, short, terse};
use crate::chart::thin::runs;
use crate::chart::{Chart, FanInterval, FanPoint, Flagged, Panel, Rule, Stroke, Trace, Zone};
use crate::text::locale::LocalText;

/// Units of an inner drawing's width.
const WIDE: f64 = 1000.0;
/// Heights in pixels: the first panel's plot, a further panel's, and the words of the
/// time axis.
const FIRST: f64 = 180.0;
const FURTHER: f64 = 96.0;
const AXIS: f64 = 24.0;
/// Widths in pixels for which the time axis has words: the plot on a phone of 360
/// pixels, and on anything wider than the limit in `chart.css`.
const NARROW_PIXELS: f64 = 280.0;
const WIDE_PIXELS: f64 = 600.0;
/// Letters of a line's own label; a longer name stands in the key alone.
const LABEL_MAX: usize = 22;

/// Marks of a reading in doubt, about the middle: a diamond at its value, and a cross at
/// the panel's foot where it has none.
pub(super) const DIAMOND: &str = "M0-5L5 0 0 5-5 0z";
pub(super) const CROSS: &str = "M-4-4L4 4M4-4L-4 4";

/// A panel with where its parts lie in its drawing, pixels from the top.
struct PanelFrame<'a> {
    chart: &'a Chart,
    number: usize,
    panel: &'a Panel,
    scale: Scale,
    /// Height of the plot, which begins at the top.
    high: f64,
}

impl<'a> PanelFrame<'a> {
    fn of(chart: &'a Chart, number: usize, panel: &'a Panel) -> Self {
        let high = if number == 0 { FIRST } else { FURTHER };
        Self { chart, number, panel, scale: scale(panel, high), high }
    }
}

fn scale(panel: &Panel, high: f64) -> Scale {
    let traces = panel.traces.iter().flat_map(|trace| trace.points.iter().map(|(_, value)| *value));
    let spread = panel.traces.iter().flat_map(|trace| trace.spread.iter().flat_map(|(l, h)| [*l, *h]));
    let fan = panel.fan.iter().flat_map(|it| [it.outer.0, it.outer.1]);
    let bars = panel.bars.iter().map(|bar| bar.value);
    // Bars stand on zero.
    let foot = panel.bars.first().map(|_| 0.0);
    Scale::of(traces.chain(spread).chain(fan).chain(bars).chain(foot), panel.at_least, high / 45.0)
}

/// The time axis's ticks, with words for a phone and for a wide page, and where days
/// begin.
pub(super) struct Times {
    narrow: Vec<Tick>,
    wide: Vec<Tick>,
    midnights: Vec<f64>,
}

impl Times {
    pub(super) fn of(chart: &Chart) -> Self {
        let hours = TimeAxis { from: chart.from, to: chart.to, zone: &chart.zone };
        Self {
            narrow: hours.ticks(NARROW_PIXELS),
            wide: hours.ticks(WIDE_PIXELS),
            midnights: hours.midnights().into_iter().map(|at| chart.along(at)).collect(),
        }
    }
}

/// One panel: its lane of events, and its plot over the time axis.
pub(super) fn panel(chart: &Chart, times: &Times, number: usize, panel: &Panel) -> Markup {
    let frame = PanelFrame::of(chart, number, panel);
    let height = frame.high + AXIS;
    html! {
        (lane::lane(chart, panel))
        svg class="chart" width="100%" height=(short(height)) role="img" aria-label=(panel.heading()) {
            defs {
                pattern id=(chart.hatch(number)) patternUnits="userSpaceOnUse" width="9" height="9" {
                    path class="hatch" d="M-1 10L10-1M-1 1L1-1M8 10L10 8" {}
                }
            }
            (frame.draw(times))
            @if number == 0 {
                g id=(chart.axis()) { (axis(times, height)) }
            } @else {
                use href={ "#" (chart.axis()) } y=(short(FURTHER - FIRST)) {}
            }
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

impl<'a> PanelFrame<'a> {
    /// Where a value lies, from the plot's top.
    fn y(&self, value: f64) -> f64 {
        self.high * (1.0 - self.scale.place(value).clamp(0.0, 1.0))
    }

    fn draw(&self, times: &Times) -> Markup {
        let high = self.high;
        let inner = |part: &&f64| **part > 0.0 && **part < 1.0;
        html! {
            @for (zone, upper, lower) in self.zones() {
                rect class={ "band-of " (zone.class) } x="0" width="100%" y=(short(upper)) height=(short(lower - upper)) {}
            }
            @for mark in self.scale.marks() { (self.level("grid", mark)) }
            @for part in times.wide.iter().map(|tick| &tick.part).filter(inner) { (self.upright("grid", *part)) }
            @for part in times.midnights.iter().filter(inner) { (self.upright("midnight", *part)) }
            (self.gaps())
            @for rule in self.rules() { (self.level("rule", rule.at)) }
            // Below the lines, so that no word hides a figure.
            (self.words())
            (self.plot())
            (self.single())
            (self.ends())
            (self.doubts())
            (self.flagged())
            @if let Some(now) = self.chart.now.filter(|now| self.chart.shows(*now)) {
                @let part = self.chart.along(now);
                (self.upright("now-line", part))
                @if self.number == 0 {
                    @let (class, step) = if part > 0.8 { ("now-word end", "-4") } else { ("now-word", "4") };
                    text class=(class) x=(percent(part)) dx=(step) y=(short(high - 5.0)) { "now" }
                }
            }
            rect class="panel-frame" width="100%" y="0" height=(short(high)) {}
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
        html! { line class=(class) x1=(x) x2=(x) y1="0" y2=(short(self.high)) {} }
    }

    /// The zones that are high enough to be seen, with their upper and lower ends.
    fn zones(&self) -> impl Iterator<Item = (&Zone, f64, f64)> {
        self.panel.zones.iter().filter(|zone| zone.is_drawn()).filter_map(|zone| {
            let upper = zone.to.map_or(0.0, |to| self.y(to));
            let lower = zone.from.map_or(self.high, |from| self.y(from));
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
                @let y = (self.y(bar.value) - 3.0).max(12.0);
                text class="bar-doubt" x=(percent(middle)) y=(short(y)) { "?" }
            }
        }
    }

    /// Marks of the value axis in the gutter, the zones' words at the left of the plot, the
    /// rules' and the lines' at its right; each side keeps clear of itself.
    fn words(&self) -> Markup {
        let zones =
            self.zones().map(|(zone, upper, lower)| (f64::midpoint(upper, lower) + 4.0, zone.word.as_str()));
        let rules = self.rules().map(|rule| {
            (self.y(rule.at) - 3.0, SideWord { text: &rule.label, class: "rule-name", x: 0.993 })
        });
        let ends = self.line_ends();
        let lines = ends.iter().filter_map(|end| self.line_name(end));
        html! {
            @for mark in self.scale.marks() {
                text class="value" x="-5" y=(short(self.y(mark) + 4.0)) { (self.scale.label(mark)) }
                // The same in the unit that people there know, at the other side.
                @if let Some(unit) = self.panel.customary(self.chart.locale) {
                    text class="value-beside" x="100%" dx="4" y=(short(self.y(mark) + 4.0)) {
                        (unit.figure(mark, self.scale.decimals(), self.panel.differences))
                    }
                }
            }
            @for (at, text) in apart(zones.collect(), self.high) {
                text class="zone-name" x="5" y=(short(at)) { (text) }
            }
            @for (at, word) in apart(rules.collect(), self.high) {
                text class=(word.class) x=(percent(word.x)) y=(short(at)) { (word.text) }
            }
            @for (at, word) in apart(lines.collect(), self.high) {
                text class=(word.class) x=(percent(word.x)) dx="8" y=(short(at)) { (word.text) }
            }
        }
    }

    /// A line's own name beside its end, where that hides neither lines nor the rules' words;
    /// elsewhere the key alone tells it, by the mark at the line's end.
    fn line_name<'t>(&self, end: &LineEnd<'t>) -> Option<(f64, SideWord<'t>)> {
        let text = end.trace.label.as_str();
        let locale = self.chart.locale;
        let width = |text: &str| width_of(&LocalText::new(locale, []).text(text));
        let rules = self.rules().map(|rule| width(&rule.label)).fold(0.0, f64::max);
        let fits = |pixels: f64| (1.0 - end.part) * pixels > width(text) + rules + 16.0;
        if text.chars().count() > LABEL_MAX || !fits(WIDE_PIXELS) {
            return None;
        }
        let class = if fits(NARROW_PIXELS) { "line-name" } else { "line-name wide" };
        Some((end.y + 4.0, SideWord { text, class, x: end.part }))
    }

    /// The marks at the ends of lines.
    fn ends(&self) -> Markup {
        html! {
            @for end in self.line_ends() {
                svg class={ "line-end " (stroke_class(end.trace.stroke)) } overflow="visible"
                    x=(percent(end.part)) y=(short(end.y)) { path d=(end_mark(end.trace.stroke)) {} }
            }
        }
    }

    /// Where each measured line ends, where there are several to be told apart.
    fn line_ends(&self) -> Vec<LineEnd<'a>> {
        if !tells_apart(self.panel) {
            return Vec::new();
        }
        let measured = self.panel.traces.iter().filter(|trace| trace.stroke != Stroke::Expected);
        let end = |trace: &'a Trace| {
            let (at, value) = *self.runs(&trace.points, trace.gap).last()?.last()?;
            Some(LineEnd { trace, part: self.chart.along(at), y: self.y(value) })
        };
        measured.filter_map(end).collect()
    }

    fn gaps(&self) -> Markup {
        /// Half of its words' length on a phone, and where they are clear of the zones'
        /// words, in parts of the width.
        const HALF: f64 = 0.14;
        const CLEAR: f64 = 0.38;
        let zoned = !self.panel.zones.is_empty();
        html! {
            @for (from, to) in empty_stretches(self.chart, self.panel) {
                rect class="no-readings" fill={ "url(#" (self.chart.hatch(self.number)) ")" } x=(percent(from))
                    width=(percent(to - from)) y="0" height=(short(self.high)) {
                    title { "no readings" }
                }
                @let middle = f64::midpoint(from, to);
                @let middle = if zoned { middle.max(CLEAR) } else { middle };
                @if middle - HALF >= from && middle + HALF <= to {
                    text class="gap-name" x=(percent(middle)) y=(short(self.high / 2.0 + 4.0)) { "no readings" }
                }
            }
        }
    }

    /// What stretches with the width: spreads, bars and lines.
    fn plot(&self) -> Markup {
        let (panel, high) = (self.panel, self.high);
        html! {
            svg x="0" y="0" width="100%" height=(short(high)) viewBox={ "0 0 1000 " (short(high)) }
                preserveAspectRatio="none" overflow="hidden" {
                @for (class, pick) in FAN {
                    @if let Some(outline) = self.fan(pick) { path class={ "fan " (class) } d=(PreEscaped(outline)) {} }
                }
                @for trace in &panel.traces {
                    @if let Some(outline) = self.spread(trace) { path class="spread" d=(PreEscaped(outline)) {} }
                }
                @for (class, path) in self.bars() { path class=(class) d=(PreEscaped(path)) {} }
                @for trace in &panel.traces {
                    @let lines = self.lines(trace);
                    @if !lines.is_empty() { path class={ "trace " (stroke_class(trace.stroke)) } d=(PreEscaped(lines)) {} }
                }
            }
        }
    }

    /// The bars, those of one look as one outline: of a year they would weigh most of a page.
    fn bars(&self) -> Vec<(String, String)> {
        let (chart, panel) = (self.chart, self.panel);
        let names = panel.bar_names();
        let mut looks: Vec<(String, String)> = Vec::new();
        let shown = panel.bars.iter().filter(|bar| {
            bar.value.is_finite() && bar.value > 0.0 && bar.from < chart.to && bar.to > chart.from
        });
        for bar in shown {
            let (left, right, y) = (self.x(bar.from), self.x(bar.to), self.y(bar.value));
            if right <= left {
                continue;
            }
            let room = (right - left) * 0.12;
            // Bars that stand close have no outline, which would be all that is seen.
            let close = if right - left < 8.0 { " close" } else { "" };
            let doubt = if bar.doubt.is_some() { " in-doubt" } else { "" };
            let class = format!("bar {}{close}{doubt}", bar_class(&names, &bar.name));
            let found = looks.iter().position(|(look, _)| *look == class).unwrap_or_else(|| {
                looks.push((class, String::new()));
                looks.len() - 1
            });
            let (width, height) = ((right - left - 2.0 * room).max(0.5), (self.high - y).max(0.5));
            let foot = (y + height).min(self.high);
            let _ = write!(
                looks[found].1,
                "M{} {}V{}h{}V{}z",
                short(left + room),
                short(foot),
                short(foot - height),
                short(width),
                short(foot)
            );
        }
        looks
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

    /// One line through points. Across it is written in whole units, which are about a
    /// pixel, so that a month of hours stays light.
    fn line<'p>(&self, path: &mut String, points: impl Iterator<Item = &'p (Timestamp, f64)>) {
        let mut before = (0.0, 0.0);
        for (number, (at, value)) in points.enumerate() {
            // Steps are written from the rounded place, so that errors do not add up.
            let (x, y) = (self.x(*at).round(), (self.y(*value) * 10.0).round() / 10.0);
            let (step, across, down) = match number {
                0 => ('M', x, y),
                _ => ('l', x - before.0, y - before.1),
            };
            let (across, down) = (terse(across), terse(down));
            let between = if down.starts_with('-') { "" } else { " " };
            let _ = write!(path, "{step}{across}{between}{down}");
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

    /// The outline between the two sides of the fan; `None` with fewer than two points.
    fn fan(&self, pick: FanInterval) -> Option<String> {
        let shown: Vec<&FanPoint> = self
            .panel
            .fan
            .iter()
            .filter(|it| it.at >= self.chart.from && it.at <= self.chart.to && it.is_drawn())
            .collect();
        if shown.len() < 2 {
            return None;
        }
        let side = |side: fn((f64, f64)) -> f64| -> Vec<(Timestamp, f64)> {
            shown.iter().map(|it| (it.at, side(pick(it)))).collect()
        };
        let mut path = String::new();
        self.line(&mut path, side(|both| both.1).iter().chain(side(|both| both.0).iter().rev()));
        path.push('z');
        Some(path)
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
        const SHOWN: usize = 60;
        let inside: Vec<&Flagged> = self.panel.flagged.iter().filter(|it| self.chart.shows(it.at)).collect();
        let every = inside.len().div_ceil(SHOWN).max(1);
        let within = |value: &f64| value.is_finite() && (0.0..=1.0).contains(&self.scale.place(*value));
        html! {
            @for it in inside.into_iter().step_by(every) {
                @let value = it.value.filter(within);
                @let y = value.map_or(self.high - 7.0, |value| self.y(value));
                svg class={ "flag " (if it.value.is_some() { "with-value" } else { "at-foot" }) } overflow="visible"
                    x=(percent(self.chart.along(it.at))) y=(short(y)) {
                    title { (it.words) }
                    path d=(if value.is_some() { DIAMOND } else { CROSS }) {}
                }
            }
        }
    }
}

/// Height in pixels of a line of words in a plot.
const LINE: f64 = 14.0;

/// Moves words that would lie on each other apart, as little as it takes, inside the
/// plot. Where there is no room for all, the last are left out.
fn apart<T>(mut words: Vec<(f64, T)>, high: f64) -> Vec<(f64, T)> {
    let (first, last) = (11.0, high - 3.0);
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

/// A word at the right of a plot, from or up to a place.
struct SideWord<'a> {
    text: &'a str,
    class: &'static str,
    /// In parts of the width.
    x: f64,
}

/// The end of a line.
struct LineEnd<'a> {
    trace: &'a Trace,
    /// In parts of the width.
    part: f64,
    y: f64,
}

/// The two sides of a fan, the outer first.
const FAN: [(&str, FanInterval); 2] = [("outer", |it| it.outer), ("inner", |it| it.inner)];

/// Whether a panel has several measured lines.
pub(super) fn tells_apart(panel: &Panel) -> bool {
    panel.traces.iter().filter(|trace| trace.stroke != Stroke::Expected && !trace.points.is_empty()).count()
        > 1
}

/// The mark at a line's end, about the middle; each stroke has its own.
pub(super) fn end_mark(stroke: Stroke) -> &'static str {
    match stroke {
        // A disc, a ring, a square, a triangle, a bar.
        Stroke::Bold => "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z",
        Stroke::Fine => "M-4.5 0a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0-9 0z",
        Stroke::Dashed => "M-4-4h8v8h-8z",
        Stroke::Dotted => "M0-5L5 4H-5z",
        Stroke::Expected => "M0-5V5",
    }
}

/// Stretches in which nothing was read, as parts of the width: no line has a point, or the
/// sensors of the bars sent nothing. Those that are longer than what is called a gap, and
/// long enough to be seen.
pub(super) fn empty_stretches(chart: &Chart, panel: &Panel) -> Vec<(f64, f64)> {
    const SEEN: f64 = 0.02;
    let measured = || panel.traces.iter().filter(|trace| trace.stroke != Stroke::Expected);
    let gaps = measured().map(|trace| trace.gap).chain(panel.bars_read.iter().map(|it| it.gap));
    let Some(gap) = gaps.max() else { return Vec::new() };
    let end = chart.now.filter(|now| chart.shows(*now)).unwrap_or(chart.to);
    let mut known: Vec<(Timestamp, Timestamp)> = Vec::new();
    for run in measured().flat_map(|trace| runs(&trace.points, trace.gap, chart.from, chart.to)) {
        if let (Some(first), Some(last)) = (run.first(), run.last()) {
            known.push((first.0, last.0));
        }
    }
    known.extend(
        panel
            .bars_read
            .iter()
            .flat_map(|it| &it.stretches)
            .filter(|(from, to)| *to > chart.from && *from < end),
    );
    // With no reading at all, the whole of it is one stretch however short.
    let gap = if known.is_empty() { SignedDuration::ZERO } else { gap };
    known.sort_unstable();
    let mut empty = Vec::new();
    let mut until = chart.from;
    for (from, to) in known.into_iter().chain([(end, end)]) {
        let from = from.min(end);
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
