//! Charts over time, drawn as SVG on the server.
//!
//! A chart is one time axis and the panels above each other that share it. It is
//! drawn without script; a script may read the figures that it carries and show the
//! one under the pointer. Every chart has a table of the same figures.

mod draw;
pub(crate) mod ground;
mod hours;
pub(crate) mod scale;
pub(crate) mod svg;
mod table;
mod thin;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

/// The style of charts; its colours are the variables of the page's stylesheet.
pub const STYLE: &str = include_str!("chart.css");

/// The script that shows the figures under the pointer.
pub const SCRIPT: &str = include_str!("pointer.js");

/// Panels over one time axis.
#[derive(Clone, Debug)]
pub struct Chart {
    /// Unlike any other on the page; letters, digits and hyphens.
    pub id: String,
    /// What it shows, as a heading says it.
    pub title: String,
    /// What there is to see, for those who cannot see it: one or two sentences.
    pub description: String,
    /// The first moment shown, and the first that is not.
    pub from: Timestamp,
    pub to: Timestamp,
    /// Where the present lies, if it does.
    pub now: Option<Timestamp>,
    pub zone: TimeZone,
    pub panels: Vec<Panel>,
}

impl Chart {
    /// The chart with its heading, its key and what to know beside it.
    pub fn draw(&self) -> Markup {
        self.figure(Some(table::figures(self)))
    }

    /// The same without the figures that a script reads, for a page that has none.
    pub fn draw_alone(&self) -> Markup {
        self.figure(None)
    }

    /// Whether a moment lies on the axis.
    fn shows(&self, at: Timestamp) -> bool {
        self.from <= at && at < self.to
    }

    /// Where a moment lies, 0 to 1 of the width.
    fn along(&self, at: Timestamp) -> f64 {
        let length = self.to.as_millisecond().saturating_sub(self.from.as_millisecond()).max(1);
        let passed = at.as_millisecond().saturating_sub(self.from.as_millisecond());
        passed as f64 / length as f64
    }

    fn figure(&self, figures: Option<String>) -> Markup {
        html! {
            figure class="chart-figure" data-chart=[figures] {
                figcaption { (self.title) }
                (draw::svg(self))
                (self.key())
                p class="readout" aria-live="polite" hidden {}
            }
        }
    }

    /// The same figures as a table, folded away.
    pub fn table(&self) -> Markup {
        table::table(self)
    }

    /// What each line, bar and shape is.
    fn key(&self) -> Markup {
        let lines: Vec<(&str, Stroke)> = self
            .panels
            .iter()
            .filter(|panel| panel.traces.len() > 1 || panel.traces.iter().any(|t| t.name != panel.name))
            .flat_map(|panel| panel.traces.iter().map(|trace| (trace.name.as_str(), trace.stroke)))
            .collect();
        let mut bars: Vec<(&str, &str)> = Vec::new();
        for panel in &self.panels {
            let names = panel.bar_names();
            if names.len() > 1 || names.first().is_some_and(|name| *name != panel.name) {
                bars.extend(names.iter().map(|name| (*name, draw::bar_class(&names, name))));
            }
        }
        bars.dedup();
        let mut signs: Vec<Sign> = Vec::new();
        for event in self.panels.iter().flat_map(|panel| &panel.events).filter(|event| self.shows(event.at)) {
            if !signs.contains(&event.sign) {
                signs.push(event.sign);
            }
        }
        let flags = || self.panels.iter().flat_map(|panel| &panel.flagged).filter(|it| self.shows(it.at));
        let mut doubts: Vec<&str> =
            self.panels.iter().flat_map(|panel| &panel.bars).filter_map(|bar| bar.doubt.as_deref()).collect();
        doubts.sort_unstable();
        doubts.dedup();
        let hours = hours::TimeAxis { from: self.from, to: self.to, zone: &self.zone };
        // On a longer axis an hour cannot be seen.
        let short = self.to.duration_since(self.from) < SignedDuration::from_hours(24 * 10);
        let changes = if short { hours.clock_changes() } else { Vec::new() };
        let reading = |class, shape, word: &str| {
            html! {
                li {
                    svg width="14" height="14" viewBox="-7 -7 14 14" aria-hidden="true" class=(class) { path d=(shape) {} }
                    (word)
                }
            }
        };
        html! {
            ul class="key" {
                @for (name, stroke) in lines {
                    li {
                        svg width="34" height="12" aria-hidden="true" {
                            line class={ "trace " (draw::stroke_class(stroke)) } x1="1" x2="33" y1="6" y2="6" {}
                        }
                        (name)
                    }
                }
                @for (name, class) in bars {
                    li {
                        svg width="14" height="14" aria-hidden="true" { rect class={ "bar " (class) } x="1" y="1" width="12" height="12" {} }
                        (name)
                    }
                }
                @for sign in signs {
                    li {
                        svg width="20" height="20" viewBox="-10 -10 20 20" aria-hidden="true" class={ "event " (sign.look().class) } {
                            path d=(sign.look().shape) {}
                        }
                        (sign.look().words)
                    }
                }
                @if self.panels.iter().any(|panel| !draw::empty_stretches(self, panel).is_empty()) {
                    li {
                        svg width="18" height="14" aria-hidden="true" {
                            rect class="no-readings" fill={ "url(#" (self.id) "-gap)" } width="18" height="14" {}
                        }
                        "no readings"
                    }
                }
                @if flags().any(|it| it.value.is_some()) {
                    (reading("flag with-value", draw::DIAMOND, "reading in doubt"))
                }
                @if flags().any(|it| it.value.is_none()) { (reading("flag at-foot", draw::CROSS, "bad reading")) }
            }
            @for doubt in doubts { p class="doubt" { "? " (doubt) } }
            @for (date, hours) in changes {
                p class="doubt" {
                    "The clocks change on " (date.strftime("%a %-d %b").to_string()) ": that day has "
                    (hours) " hours."
                }
            }
        }
    }
}

/// One value axis.
#[derive(Clone, Debug)]
pub struct Panel {
    /// What is measured: "Water in the root zone".
    pub name: String,
    /// As people write it: "mm", "%", "°C".
    pub unit: &'static str,
    /// Digits behind the point that a figure is shown with.
    pub decimals: usize,
    /// What the axis shows at least; it grows with the figures.
    pub at_least: Option<(f64, f64)>,
    /// Ranges that mean something, the lowest first.
    pub zones: Vec<Zone>,
    /// Single marks across the panel.
    pub rules: Vec<Rule>,
    pub traces: Vec<Trace>,
    pub bars: Vec<Bar>,
    /// Readings that may not be believed: shown, not hidden.
    pub flagged: Vec<Flagged>,
    pub events: Vec<Event>,
}

impl Panel {
    /// A panel without anything in it yet.
    pub fn new(name: impl Into<String>, unit: &'static str, decimals: usize) -> Self {
        Self {
            name: name.into(),
            unit,
            decimals,
            at_least: None,
            zones: Vec::new(),
            rules: Vec::new(),
            traces: Vec::new(),
            bars: Vec::new(),
            flagged: Vec::new(),
            events: Vec::new(),
        }
    }

    /// Whether nothing but events could be drawn in it.
    pub fn has_no_figures(&self) -> bool {
        self.traces.is_empty() && self.bars.is_empty() && self.flagged.is_empty()
    }

    /// What its bars are of, each once.
    fn bar_names(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.bars.iter().map(|bar| bar.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }
}

/// A range of values with a word: "dry".
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// `None`: the panel's end.
    pub from: Option<f64>,
    pub to: Option<f64>,
    pub word: String,
    /// A class of the stylesheet: `zone-far`, `zone-near`, `zone-fine`, `zone-wet`.
    pub class: &'static str,
}

impl Zone {
    /// The zones between ascending marks, and below and above them: word and class of
    /// each, one more than marks, the lowest first.
    pub fn between(marks: &[f64], words: &[(&str, &'static str)]) -> Vec<Self> {
        let ends = || marks.iter().copied().map(Some);
        let (from, to) = (std::iter::once(None).chain(ends()), ends().chain([None]));
        let zones = from.zip(to).zip(words);
        zones.map(|((from, to), &(word, class))| Self { from, to, word: word.to_owned(), class }).collect()
    }

    /// Whether its ends are numbers.
    fn is_drawn(&self) -> bool {
        self.from.is_none_or(f64::is_finite) && self.to.is_none_or(f64::is_finite)
    }
}

/// A value with a name: "refill point 11.0 %".
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    pub at: f64,
    pub label: String,
}

/// How a trace is drawn; told apart without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stroke {
    /// The panel's main figure.
    Bold,
    Fine,
    Dashed,
    Dotted,
    /// What is expected and not measured.
    Expected,
}

/// One line.
#[derive(Clone, Debug)]
pub struct Trace {
    pub name: String,
    pub stroke: Stroke,
    /// In order of time.
    pub points: Vec<(Timestamp, f64)>,
    /// The least and the greatest about each point, where it stands for several
    /// readings; as long as `points`, or empty.
    pub spread: Vec<(f64, f64)>,
    /// A longer time between two points is a gap and is shown as one.
    pub gap: SignedDuration,
}

impl Trace {
    /// A line without a spread.
    pub fn new(
        name: impl Into<String>,
        stroke: Stroke,
        points: Vec<(Timestamp, f64)>,
        gap: SignedDuration,
    ) -> Self {
        Self { name: name.into(), stroke, points, spread: Vec::new(), gap }
    }
}

/// A value of a stretch of time: a day's rain.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    pub from: Timestamp,
    pub to: Timestamp,
    pub value: f64,
    /// What it is a bar of, where a panel has several: "watering".
    pub name: String,
    /// Whether it is known to be too low or in doubt; said beside it.
    pub doubt: Option<String>,
}

/// A reading that is doubtful or bad, or a bin that holds some.
#[derive(Clone, Debug, PartialEq)]
pub struct Flagged {
    pub at: Timestamp,
    /// `None`: there is no value to draw; it is marked at the panel's foot.
    pub value: Option<f64>,
    /// "doubtful", "bad", "3 of 60 readings bad".
    pub words: String,
}

/// Something that happened: a watering, an entry of the log, an alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    pub at: Timestamp,
    pub sign: Sign,
    pub words: String,
}

/// The shape of an event's mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    Water,
    Rain,
    Person,
    Alarm,
    Fish,
}

/// How a sign looks.
struct SignLook {
    /// What it stands for.
    words: &'static str,
    /// A class of the stylesheet.
    class: &'static str,
    /// Its path about the middle, eight pixels either way at most.
    shape: &'static str,
}

impl Sign {
    fn look(self) -> SignLook {
        let (words, class, shape) = match self {
            // A drop.
            Self::Water => ("watering", "water", "M0-8C3-3 6 0 6 3.5A6 5 0 0 1-6 3.5C-6 0-3-3 0-8z"),
            // Three slanting strokes.
            Self::Rain => ("rain", "rain", "M-5-6l-2 12M1-6l-2 12M7-6l-2 12"),
            // A small leaf of paper.
            Self::Person => ("written down", "person", "M-5-7H3L6-4V7H-5zM-2-1H3M-2 3H3"),
            // A pennant on a pole.
            Self::Alarm => ("alarm", "alarm-sign", "M-5 9V-8L8-3.5-5 1"),
            Self::Fish => ("fish", "fish", "M-8 0C-3-6 3-5 5 0L9-4V4L5 0C3 5-3 6-8 0z"),
        };
        SignLook { words, class, shape }
    }
}

/// The page's test sees all colours where they are named: none stands here.
#[test]
fn no_colour_stands_in_the_charts_style() {
    for (number, line) in STYLE.lines().enumerate() {
        assert!(!line.contains('#') && !line.contains("rgb"), "line {number}: {line}");
    }
}
