//! Charts over time, drawn as SVG on the server.
//!
//! A chart is one time axis and the panels above each other that share it. It is
//! drawn without script; a script may read the figures that it carries and show the
//! one under the pointer. Every chart has a table of the same figures.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

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
