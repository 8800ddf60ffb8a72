//! Charts over time, drawn as SVG on the server.
//!
//! A chart is one time axis and the panels above each other that share it. It is
//! drawn without script; a script may read the figures that it carries and show the
//! one under the pointer. Every chart has a table of the same figures.

mod draw;
mod hours;
mod scale;
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
    /// What there is to see, for whoever cannot see it: one or two sentences.
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
            let mut names: Vec<&str> = panel.bars.iter().map(|bar| bar.name.as_str()).collect();
            names.sort_unstable();
            names.dedup();
            if names.len() > 1 || names.first().is_some_and(|name| *name != panel.name) {
                bars.extend(names.iter().map(|name| (*name, draw::bar_class(&names, name))));
            }
        }
        bars.dedup();
        let shown = |at: Timestamp| self.from <= at && at < self.to;
        let mut signs: Vec<Sign> = Vec::new();
        for event in self.panels.iter().flat_map(|panel| &panel.events).filter(|event| shown(event.at)) {
            if !signs.contains(&event.sign) {
                signs.push(event.sign);
            }
        }
        let flags = || self.panels.iter().flat_map(|panel| &panel.flagged).filter(|it| shown(it.at));
        let mut doubts: Vec<&str> =
            self.panels.iter().flat_map(|panel| &panel.bars).filter_map(|bar| bar.doubt.as_deref()).collect();
        doubts.sort_unstable();
        doubts.dedup();
        let hours = hours::Hours { from: self.from, to: self.to, zone: &self.zone };
        // On a longer axis an hour cannot be seen.
        let short = self.to.duration_since(self.from) < SignedDuration::from_hours(24 * 10);
        let changes = if short { hours.clock_changes() } else { Vec::new() };
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
                        svg width="20" height="20" viewBox="-10 -10 20 20" aria-hidden="true" class={ "event " (draw::sign_class(sign)) } {
                            path d=(draw::sign_shape(sign)) {}
                        }
                        (sign.words())
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
                    li {
                        svg width="14" height="14" viewBox="-7 -7 14 14" aria-hidden="true" class="flag with-value" { path d="M0-5L5 0 0 5-5 0z" {} }
                        "reading in doubt"
                    }
                }
                @if flags().any(|it| it.value.is_none()) {
                    li {
                        svg width="14" height="14" viewBox="-7 -7 14 14" aria-hidden="true" class="flag at-foot" { path d="M-4-4L4 4M4-4L-4 4" {} }
                        "bad reading"
                    }
                }
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

impl Sign {
    /// What the shape stands for.
    fn words(self) -> &'static str {
        match self {
            Self::Water => "watering",
            Self::Rain => "rain",
            Self::Person => "written down",
            Self::Alarm => "alarm",
            Self::Fish => "fish",
        }
    }
}

/// The page's test sees all colours where they are named: none stands here.
#[test]
fn no_colour_stands_in_the_charts_style() {
    for (number, line) in STYLE.lines().enumerate() {
        assert!(!line.contains('#') && !line.contains("rgb"), "line {number}: {line}");
    }
}
