//! Charts over time, drawn as SVG on the server.
//!
//! A chart is one time axis and the panels above each other that share it. It is
//! drawn without script; a script may read the figures that it carries and show the
//! one under the pointer. Every chart has a table of the same figures.

pub mod calendar;
mod draw;
pub(crate) mod ground;
mod hours;
mod key;
mod lane;
pub(crate) mod scale;
pub(crate) mod small_ground;
pub(crate) mod svg;
mod table;
mod thin;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use crate::text::locale::Locale;
use crate::text::locale::figures::Unit;

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
    /// How its axes' figures are read.
    pub locale: Locale,
    pub panels: Vec<Panel>,
    /// Which panels a phone shows, and the ways to others; `None`: all of them.
    pub choice: Option<PanelChoice>,
}

/// Which panels of a chart a narrow screen shows: there all at once are too much to read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PanelChoice {
    /// Keys of the panels, in the order in which they were chosen. Empty: the first ones.
    pub chosen: Vec<&'static str>,
    /// The page's address up to where the keys follow: `/site/x/bed/y?span=week&show=`.
    pub address: String,
}

impl PanelChoice {
    /// Panels that are shown where nobody chose, and the most that are shown at one time.
    const FIRST: usize = 2;
    const MOST: usize = 3;
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

    /// The name of a panel's hatching in the page.
    fn hatch(&self, number: usize) -> String {
        format!("{}-gap-{number}", self.id)
    }

    /// The name of its time axis's words in the page, which the panels share.
    fn axis(&self) -> String {
        format!("{}-axis", self.id)
    }

    /// The keys of the panels that a narrow screen shows.
    fn shown_keys(&self) -> Vec<&'static str> {
        let there = |key: &&'static str| self.panels.iter().any(|panel| panel.key == *key);
        let chosen = self.choice.iter().flat_map(|it| &it.chosen).copied();
        let mut shown: Vec<&'static str> = chosen.filter(there).collect();
        if shown.is_empty() {
            shown = self.panels.iter().take(PanelChoice::FIRST).map(|panel| panel.key).collect();
        }
        shown.truncate(PanelChoice::MOST);
        shown
    }

    fn figure(&self, figures: Option<String>) -> Markup {
        let (title, about) = (format!("{}-title", self.id), format!("{}-about", self.id));
        let shown = self.shown_keys();
        let aside = |panel: &Panel| self.choice.is_some() && !shown.contains(&panel.key);
        let times = draw::Times::of(self);
        html! {
            figure class="chart-figure" id=(self.id) data-chart=[figures] {
                figcaption id=(title) { (self.title) }
                p class="about" id=(about) { (self.description) }
                div class="panels" role="group" aria-labelledby=(title) aria-describedby=(about) {
                    @for (number, panel) in self.panels.iter().enumerate() {
                        div class={ "panel" (if aside(panel) { " aside" } else { "" }) } {
                            p class="panel-name" { (panel.heading()) }
                            (draw::panel(self, &times, number, panel))
                            (self.key(number, panel))
                        }
                    }
                }
                (self.choices(&shown))
                (self.notes())
                p class="readout" aria-live="polite" hidden {}
            }
        }
    }

    /// The ways to other panels, which only a narrow screen shows.
    fn choices(&self, shown: &[&'static str]) -> Markup {
        let Some(choice) = self.choice.as_ref().filter(|_| self.panels.len() > PanelChoice::FIRST) else {
            return html! {};
        };
        // One that is shown goes; another one comes, in the place of the oldest where there
        // are enough.
        let after = |key: &'static str| -> String {
            let mut keys: Vec<&str> = shown.iter().copied().filter(|it| *it != key).collect();
            if !shown.contains(&key) {
                keys.drain(..(keys.len() + 1).saturating_sub(PanelChoice::MOST));
                keys.push(key);
            }
            keys.join(",")
        };
        html! {
            nav class="choices-of-panels" aria-label={ "Shown in the chart: " (self.title) } {
                ul {
                    @for panel in &self.panels {
                        @let is_shown = shown.contains(&panel.key);
                        // The last one stays.
                        @if is_shown && shown.len() == 1 {
                            li { span aria-current="true" { (panel.short_name()) } }
                        } @else {
                            li {
                                a href={ (choice.address) (after(panel.key)) "#" (self.id) } aria-current=[is_shown.then_some("true")] {
                                    (if is_shown { "\u{2212} " } else { "+ " }) (panel.short_name())
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    /// The same figures as a table, folded away.
    pub fn table(&self) -> Markup {
        table::table(self)
    }
}

/// One value axis.
#[derive(Clone, Debug)]
pub struct Panel {
    /// Its name in an address; unlike those of the chart's other panels.
    pub key: &'static str,
    /// What is measured: "Water in the root zone".
    pub name: String,
    /// As people write it: "mm", "%", "°C".
    pub unit: &'static str,
    /// Digits behind the point that a figure is shown with.
    pub decimals: usize,
    /// Whether its figures are differences of two temperatures.
    pub differences: bool,
    /// What the axis shows at least; it grows with the figures.
    pub at_least: Option<(f64, f64)>,
    /// Ranges that mean something, the lowest first.
    pub zones: Vec<Zone>,
    /// Single marks across the panel.
    pub rules: Vec<Rule>,
    pub traces: Vec<Trace>,
    /// What is expected, as far as it is; it goes with an [`Stroke::Expected`] line.
    pub fan: Vec<FanPoint>,
    pub bars: Vec<Bar>,
    /// When the sensors of the bars sent readings; `None`: the bars are of single acts, and
    /// nothing is missing between them.
    pub bars_read: Option<ReadingTimes>,
    /// Readings that may not be believed: shown, not hidden.
    pub flagged: Vec<Flagged>,
    pub events: Vec<Event>,
}

impl Panel {
    /// A panel without anything in it yet.
    pub fn new(name: impl Into<String>, unit: &'static str, decimals: usize) -> Self {
        Self {
            key: "",
            name: name.into(),
            unit,
            decimals,
            differences: false,
            at_least: None,
            zones: Vec::new(),
            rules: Vec::new(),
            traces: Vec::new(),
            fan: Vec::new(),
            bars: Vec::new(),
            bars_read: None,
            flagged: Vec::new(),
            events: Vec::new(),
        }
    }

    /// The unit at its right side, where people of the locale know another than its own.
    fn customary(&self, locale: Locale) -> Option<&'static Unit> {
        locale.customary(self.unit)
    }

    /// Its name with the unit.
    fn heading(&self) -> String {
        if self.unit.is_empty() { self.name.clone() } else { format!("{}, {}", self.name, self.unit) }
    }

    /// Its name without what is said behind a comma.
    fn short_name(&self) -> &str {
        self.name.split(',').next().unwrap_or_default()
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
    /// What stands at the line's end, where a panel has several: "15 cm".
    pub label: String,
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
        let name = name.into();
        Self { label: name.clone(), name, stroke, points, spread: Vec::new(), gap }
    }

    /// The same with another word at the line's end.
    #[must_use]
    pub fn labelled(mut self, label: impl Into<String>) -> Self {
        self.label = label.into();
        self
    }
}

/// What is expected at one moment, as two intervals about the expected value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FanPoint {
    pub at: Timestamp,
    /// Holds half of the time: its low and its high end.
    pub inner: (f64, f64),
    /// Holds four times in five.
    pub outer: (f64, f64),
}

/// One of the intervals of a point.
type FanInterval = fn(&FanPoint) -> (f64, f64);

impl FanPoint {
    /// Whether its ends are numbers.
    fn is_drawn(&self) -> bool {
        [self.inner.0, self.inner.1, self.outer.0, self.outer.1].iter().all(|end| end.is_finite())
    }
}

/// When readings came.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingTimes {
    /// Stretches with readings, in any order.
    pub stretches: Vec<(Timestamp, Timestamp)>,
    /// A longer time between two stretches is one without readings.
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
    Mulch,
    Planting,
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
            // Three layers.
            Self::Mulch => {
                ("mulch", "mulch", "M-8 6h16M-8 2q4-3 8 0t8 0M-6-2q3-3 6 0t6 0M-3-6q1.5-2 3 0t3 0")
            }
            // A seedling.
            Self::Planting => {
                ("planting", "planting", "M0 8V-1M0 0C-1-5-4-7-8-7C-8-3-5 0 0 0C0-4 3-6 8-6C8-2 5 0 0 0")
            }
            // A small leaf of paper.
            Self::Person => ("Garden log", "person", "M-5-7H3L6-4V7H-5zM-2-1H3M-2 3H3"),
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
