//! A garden drawn from above: each place where it lies, and how it stands by the ground
//! or water in it, a mark and a word.
//!
//! Nothing is told by colour alone. Dry ground is cracked, moist ground sprouts, wet
//! ground stands in puddles, and what is not known is left empty within dashes; a tank's
//! fish swims as high as its water is warm between its limits; a gauge is filled by rain.

use maud::{Markup, html};

use super::svg::short;
use crate::garden::ground::{GroundRect, LandmarkKind};
use crate::garden::ground_layout::GroundLayout;
use crate::model::Condition;

/// Width of the drawing in its own units: about the pixels of a phone, so that letters
/// are there as large as they are here.
const WIDTH: f64 = 360.0;
/// Height of letters, and about the width of one.
const LETTER_H: f64 = 12.0;
const LETTER_W: f64 = 6.3;
/// The drawing is at most so many times as high as wide, so that the page stays short.
const HIGHEST: f64 = 1.3;

/// How the ground of a bed is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BedGround {
    Dry,
    Drying,
    Moist,
    Wet,
    Unknown,
}

impl BedGround {
    /// In a word, and the pattern's name.
    fn word(self) -> (&'static str, &'static str) {
        match self {
            Self::Dry => ("dry", "ground-dry"),
            Self::Drying => ("drying", "ground-drying"),
            Self::Moist => ("moist", "ground-moist"),
            Self::Wet => ("wet", "ground-wet"),
            Self::Unknown => ("not known", "ground-unknown"),
        }
    }
}

/// What is in a place.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum PlaceFill {
    Bed(BedGround),
    /// How warm the water is, 0 at the cold limit and 1 at the warm one, with the figure.
    Tank(Option<(f64, String)>),
    /// How full the gauge is drawn, 0 to 1, with the figure.
    Gauge(Option<(f64, String)>),
}

/// One watched place.
#[derive(Clone, Debug)]
pub(crate) struct DrawnPlace {
    pub(crate) rect: GroundRect,
    pub(crate) name: String,
    /// Its own page.
    pub(crate) address: String,
    pub(crate) condition: Condition,
    /// The mark of its condition, drawn in 24 by 24 units.
    pub(crate) mark: &'static str,
    pub(crate) fill: PlaceFill,
}

impl DrawnPlace {
    /// How it stands, in one or two words.
    fn word(&self) -> &str {
        match &self.fill {
            PlaceFill::Bed(ground) => ground.word().0,
            PlaceFill::Tank(Some((_, figure))) | PlaceFill::Gauge(Some((_, figure))) => figure,
            PlaceFill::Tank(None) | PlaceFill::Gauge(None) => "not known",
        }
    }
}

/// The drawing; nothing where there is nothing to draw.
pub(crate) fn draw(layout: &GroundLayout, places: &[DrawnPlace], described: &str) -> Option<Markup> {
    let right = layout.width_m;
    let scale = (WIDTH / right).min(WIDTH * HIGHEST / layout.height_m);
    if places.is_empty() || !(scale.is_finite() && scale > 0.0) {
        return None;
    }
    let (width, height) = (WIDTH, layout.height_m * scale);
    let aside = (WIDTH - right * scale) / 2.0;
    let scaled = |rect: &GroundRect| Box {
        x: aside + rect.x_m * scale,
        y: rect.y_m * scale,
        w: rect.width_m * scale,
        h: rect.height_m * scale,
    };
    let marks = layout.landmarks.iter().map(|it| scaled(&it.rect));
    let boxes: Vec<Box> = places.iter().map(|place| scaled(&place.rect)).chain(marks).collect();
    let fence = layout.outline.iter().enumerate().map(|(number, (x, y))| {
        let step = if number == 0 { 'M' } else { 'L' };
        format!("{step}{} {}", short(aside + x * scale), short(y * scale))
    });
    let fence: String = fence.collect();
    Some(html! {
        svg class="ground" viewBox=(format!("-2 -2 {} {}", short(width + 4.0), short(height + 4.0)))
            role="group" aria-label=(described) {
            (patterns())
            @if fence.is_empty() {
                rect class="lawn" x="0" y="0" width=(short(width)) height=(short(height)) rx="6" {}
            } @else {
                path class="lawn" d={ (fence) "Z" } {}
            }
            @for mark in &layout.landmarks { (landmark(mark.kind, &mark.name, scaled(&mark.rect))) }
            @for (number, place) in (1..).zip(places) {
                @let label = Label::of(number, place, scaled(&place.rect), &boxes, (width, height));
                (self::place(place, scaled(&place.rect), &label))
            }
        }
    })
}

/// A rectangle in the drawing's units.
#[derive(Clone, Copy)]
struct Box {
    x: f64,
    y: f64,
    w: f64,
    h: f64,
}

impl Box {
    fn mid(self) -> (f64, f64) {
        (self.x + self.w / 2.0, self.y + self.h / 2.0)
    }

    fn meets(self, other: Self) -> bool {
        self.x < other.x + other.w
            && other.x < self.x + self.w
            && self.y < other.y + other.h
            && other.y < self.y + self.h
    }
}

fn patterns() -> Markup {
    html! {
        defs {
            pattern id="ground-dry" width="18" height="14" patternUnits="userSpaceOnUse" {
                path class="crack" d="M0 4l5 2 3-3 6 3 4-2M5 6l2 5-3 3M14 6l-1 4 3 4M7 11l6-1" {}
            }
            pattern id="ground-drying" width="26" height="20" patternUnits="userSpaceOnUse" {
                path class="crack" d="M3 6l6 2 3-3M16 15l5 1 3-2" {}
            }
            pattern id="ground-moist" width="16" height="13" patternUnits="userSpaceOnUse" {
                path class="sprout" d="M5 10V5M5 7L2 4M5 7l3-3M13 12V9" {}
            }
            pattern id="ground-wet" width="20" height="10" patternUnits="userSpaceOnUse" {
                path class="puddle" d="M0 4q2.5-3 5 0t5 0 5 0 5 0M0 9q2.5-3 5 0t5 0 5 0 5 0" {}
            }
        }
    }
}

fn place(place: &DrawnPlace, at: Box, label: &Label) -> Markup {
    let said =
        format!("{}: {}. {}", place.name, place.word(), crate::text::labels::condition(place.condition));
    html! {
        a class={ "spot " (place.condition.name()) } href=(place.address) aria-label=(said) {
            // For who points at a number.
            @if label.lines[0] != place.name { title { (place.name) } }
            @match &place.fill {
                PlaceFill::Bed(ground) => (bed(*ground, at)),
                PlaceFill::Tank(water) => (tank(water.as_ref().map(|(part, _)| *part), at)),
                PlaceFill::Gauge(rain) => (gauge(rain.as_ref().map(|(part, _)| *part), at)),
            }
            (label.draw(place.mark))
        }
    }
}

fn bed(ground: BedGround, at: Box) -> Markup {
    let (_, pattern) = ground.word();
    let unknown = ground == BedGround::Unknown;
    html! {
        rect class={ "soil " (pattern) } x=(short(at.x)) y=(short(at.y)) width=(short(at.w)) height=(short(at.h)) rx="3" {}
        @if !unknown {
            rect fill={ "url(#" (pattern) ")" } x=(short(at.x)) y=(short(at.y)) width=(short(at.w)) height=(short(at.h)) rx="3" {}
        }
    }
}

/// Water with a fish in it, as high as the water is warm.
fn tank(warmth: Option<f64>, at: Box) -> Markup {
    let surface = at.y + at.h * 0.16;
    let depth = at.y + at.h - surface;
    // Beyond a limit the fish lies at the very top or bottom.
    let swims = warmth.map(|part| surface + depth * (0.88 - 0.76 * part.clamp(0.0, 1.0)));
    let size = (at.w.min(at.h) / 46.0).clamp(0.3, 1.3);
    html! {
        rect class="basin" x=(short(at.x)) y=(short(at.y)) width=(short(at.w)) height=(short(at.h)) rx=(short(at.h.min(at.w) * 0.18)) {}
        path class="water" d=(format!("M{} {}h{}v{}h-{}z", short(at.x + 2.0), short(surface), short((at.w - 4.0).max(0.0)), short((depth - 2.0).max(0.0)), short((at.w - 4.0).max(0.0)))) {}
        @if let Some(y) = swims {
            path class="fish" transform=(format!("translate({} {}) scale({})", short(at.x + at.w * 0.24), short(y), short(size)))
                d="M-10 0c5-7 14-7 19 0-5 7-14 7-19 0zM-9 0l-7-5v10zM5-1.5a1.2 1.2 0 1 0 .1 0z" {}
        }
    }
}

/// A tube, filled by rain.
fn gauge(full: Option<f64>, at: Box) -> Markup {
    let level = full.map(|part| at.h * 0.9 * part.clamp(0.0, 1.0));
    html! {
        rect class="tube" x=(short(at.x)) y=(short(at.y)) width=(short(at.w)) height=(short(at.h)) rx="4" {}
        @if let Some(level) = level.filter(|level| *level > 0.5) {
            rect class="water" x=(short(at.x + 2.0)) y=(short(at.y + at.h - level - 2.0)) width=(short((at.w - 4.0).max(0.0))) height=(short(level)) {}
        }
        path class="tick" d=(format!("M{} {}h6m-6 {}h6m-6 {}h6", short(at.x), short(at.y + at.h * 0.3), short(at.h * 0.2), short(at.h * 0.2))) {}
    }
}

/// Units on a side of the mark.
const MARK: f64 = 15.0;
const LINE_H: f64 = LETTER_H + 3.0;

/// Where the words of a place stand, and which of them.
struct Label {
    lines: Vec<String>,
    /// The middle of all lines.
    x: f64,
    y: f64,
    /// Written along a place that stands on end.
    turned: bool,
}

impl Label {
    /// Name and word in the place, else below it, else what of them has room; at the
    /// least the place's number in the list below the drawing. `others` is what else
    /// stands on the drawing, which ends at `end`.
    fn of(number: usize, place: &DrawnPlace, at: Box, others: &[Box], end: (f64, f64)) -> Self {
        let (x, y) = at.mid();
        let both = vec![place.name.clone(), place.word().to_owned()];
        let name = vec![place.name.clone()];
        let inside = |lines: &[String], turned: bool| {
            let (w, h) = size(lines);
            let (long, across) = if turned { (at.h, at.w) } else { (at.w, at.h) };
            w + 4.0 <= long && h + 2.0 <= across
        };
        // Water and rain are looked at, not written on.
        let is_bed = matches!(place.fill, PlaceFill::Bed(_));
        for (lines, turned) in [(&both, false), (&both, true), (&name, false), (&name, true)] {
            if is_bed && inside(lines, turned) {
                return Self { lines: lines.clone(), x, y, turned };
            }
        }
        for lines in [&both, &name] {
            let (w, h) = size(lines);
            let below = Box { x: (x - w / 2.0).clamp(0.0, (end.0 - w).max(0.0)), y: at.y + at.h + 1.0, w, h };
            if below.y + h <= end.1 && w <= end.0 && !others.iter().any(|other| other.meets(below)) {
                return Self {
                    lines: lines.clone(),
                    x: below.x + w / 2.0,
                    y: below.y + h / 2.0,
                    turned: false,
                };
            }
        }
        Self { lines: vec![number.to_string()], x, y, turned: false }
    }

    fn draw(&self, mark: &str) -> Markup {
        let first = self.y - LINE_H * (self.lines.len() as f64 - 1.0) / 2.0 + LETTER_H * 0.35;
        let last = self.lines.len() - 1;
        let half = letters(&self.lines[last]) / 2.0;
        // The mark stands before the last line.
        let (mark_x, mark_y) = (self.x - half - MARK * 0.55, first + LINE_H * last as f64 - LETTER_H * 0.85);
        let turn = self.turned.then(|| format!("rotate(-90 {} {})", short(self.x), short(self.y)));
        html! {
            g transform=[turn] {
                @for (row, line) in self.lines.iter().enumerate() {
                    @let shift = if row == last { MARK * 0.45 } else { 0.0 };
                    text class=(if row == 0 { "spot-name" } else { "spot-word" }) x=(short(self.x + shift))
                        y=(short(first + LINE_H * row as f64)) text-anchor="middle" { (line) }
                }
                path class="spot-mark" fill-rule="evenodd" d=(mark)
                    transform=(format!("translate({} {}) scale(0.5)", short(mark_x), short(mark_y))) {}
            }
        }
    }
}

/// About the width of a line.
fn letters(line: &str) -> f64 {
    line.chars().count() as f64 * LETTER_W
}

/// About the room that lines need, with the mark before the last one.
fn size(lines: &[String]) -> (f64, f64) {
    let last = lines.len() - 1;
    let width = |(row, line): (usize, &String)| letters(line) + if row == last { MARK } else { 0.0 };
    (lines.iter().enumerate().map(width).fold(0.0, f64::max), lines.len() as f64 * LINE_H)
}

fn landmark(kind: LandmarkKind, name: &str, at: Box) -> Markup {
    let (x, y) = at.mid();
    let radius = at.w.min(at.h) / 2.0;
    let below = at.y + at.h + LETTER_H * 0.9;
    let room = name.chars().count() as f64 * LETTER_W <= at.w;
    html! {
        g class="landmark" {
            title { (name) }
            @match kind {
                LandmarkKind::Tree => circle cx=(short(x)) cy=(short(y)) r=(short(radius)) {},
                LandmarkKind::Tap => path d=(format!("M{} {}h10v4h-10zm5-6v6m-4-6h8", short(x - 5.0), short(y))) {},
                LandmarkKind::RainTank => circle class="basin" cx=(short(x)) cy=(short(y)) r=(short(radius)) {},
                LandmarkKind::Path => rect class="way" x=(short(at.x)) y=(short(at.y)) width=(short(at.w)) height=(short(at.h)) {},
                LandmarkKind::Shed => {
                    rect x=(short(at.x)) y=(short(at.y)) width=(short(at.w)) height=(short(at.h)) {}
                    path d=(format!("M{} {}h{}", short(at.x), short(y), short(at.w))) {}
                }
                LandmarkKind::WormFarm | LandmarkKind::Compost | LandmarkKind::Gate | LandmarkKind::Other => {
                    rect x=(short(at.x)) y=(short(at.y)) width=(short(at.w)) height=(short(at.h)) rx="2" {}
                }
            }
            @if room && at.h >= LETTER_H {
                text x=(short(x)) y=(short(y + LETTER_H * 0.35)) text-anchor="middle" { (name) }
            } @else if kind != LandmarkKind::Path {
                text x=(short(x)) y=(short(below)) text-anchor="middle" { (name) }
            }
        }
    }
}
