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
use crate::text::locale::LocalText;

/// Width of the drawing in its own units: about the pixels of a phone, so that letters
/// are there as large as they are here.
const WIDTH: f64 = 360.0;
/// Height of letters, and about the width of one: of a name, which is bold, and of a word.
const LETTER_H: f64 = 12.0;
const BOLD_W: f64 = 7.2;
const LETTER_W: f64 = 6.6;
/// Letters of a name that still tells something when its end is left out.
const SHORTEST: usize = 6;
/// More places than these have words only inside.
const CROWD: usize = 24;
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

/// The drawing; nothing where there is nothing to draw. `local`: how its people read, since
/// a figure with a second unit beside it needs more room.
pub(crate) fn draw(
    layout: &GroundLayout,
    places: &[DrawnPlace],
    described: &str,
    local: &LocalText,
) -> Option<Markup> {
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
    let mut taken: Vec<Box> = places.iter().map(|place| scaled(&place.rect)).chain(marks).collect();
    let crowded = places.len() > CROWD;
    let labels: Vec<Label> = places
        .iter()
        .map(|place| {
            let label = Label::of(
                place,
                scaled(&place.rect),
                &taken,
                (width, if crowded { 0.0 } else { height }),
                local,
            );
            taken.extend(label.below);
            label
        })
        .collect();
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
            @for (place, label) in places.iter().zip(&labels) {
                (self::place(place, scaled(&place.rect), label))
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
            // For who points at a place that has no room for its name.
            @if label.lines.first() != Some(&place.name) { title { (place.name) } }
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

/// Units on a side of the mark, and of the room between it and a word.
const MARK: f64 = 12.0;
const MARK_ROOM: f64 = 3.0;
const LINE_H: f64 = LETTER_H + 3.0;

/// Where the words of a place stand, and which of them.
struct Label {
    /// None where there is room for the mark alone.
    lines: Vec<String>,
    /// The middle of all lines.
    x: f64,
    y: f64,
    /// Written along a place that stands on end.
    turned: bool,
    /// Units on a side of its mark.
    mark: f64,
    /// Half the width of the line with the mark.
    half: f64,
    /// What it covers outside its own place.
    below: Option<Box>,
}

impl Label {
    /// Name and word in the place, else below it, else what of them has room, at last with
    /// the end of the name left out, or the mark alone. `taken` is what else stands on the
    /// drawing, which ends at `end`.
    fn of(place: &DrawnPlace, at: Box, taken: &[Box], end: (f64, f64), local: &LocalText) -> Self {
        let (x, y) = at.mid();
        let word = place.word().to_owned();
        let both = vec![place.name.clone(), word.clone()];
        let name = vec![place.name.clone()];
        let label = |lines: Vec<String>, (x, y): (f64, f64), turned: bool, below: Option<Box>| {
            let half = lines.last().map_or(0.0, |last| last_line(last, lines.len(), local) / 2.0);
            Self { lines, x, y, turned, mark: MARK, half, below }
        };
        let inside = |lines: &[String], turned: bool| {
            let (w, h) = size(lines, local);
            let (long, across) = if turned { (at.h, at.w) } else { (at.w, at.h) };
            w + 4.0 <= long && h + 2.0 <= across
        };
        let below = |lines: &[String]| {
            let (w, h) = size(lines, local);
            let room = Box { x: (x - w / 2.0).clamp(0.0, (end.0 - w).max(0.0)), y: at.y + at.h + 1.0, w, h };
            let free = room.y + h <= end.1 && w <= end.0 && !taken.iter().any(|other| other.meets(room));
            free.then_some(room)
        };
        // Water and rain are looked at, not written on.
        let is_bed = matches!(place.fill, PlaceFill::Bed(_));
        for (lines, turned) in [(&both, false), (&both, true), (&name, false), (&name, true)] {
            if is_bed && inside(lines, turned) {
                return label(lines.clone(), (x, y), turned, None);
            }
        }
        let short_both = shortened(&place.name, at.w).map(|short| vec![short, word]);
        if let Some(lines) = short_both.as_ref().filter(|lines| is_bed && inside(lines, false)) {
            return label(lines.clone(), (x, y), false, None);
        }
        for lines in [Some(&both), Some(&name), short_both.as_ref()].into_iter().flatten() {
            if let Some(room) = below(lines) {
                return label(
                    lines.clone(),
                    (room.x + room.w / 2.0, room.y + room.h / 2.0),
                    false,
                    Some(room),
                );
            }
        }
        let mark = (at.w.min(at.h) - 4.0).clamp(0.0, MARK);
        Self { mark, ..label(Vec::new(), (x, y), false, None) }
    }

    fn draw(&self, mark: &str) -> Markup {
        let rows = self.lines.len() as f64;
        let first = self.y - LINE_H * (rows - 1.0) / 2.0 + LETTER_H * 0.35;
        // The mark stands before the last line.
        let (mark_x, mark_y) = match self.lines.len().checked_sub(1) {
            Some(last) => (self.x - self.half, first + LINE_H * last as f64 - LETTER_H * 0.85),
            None => (self.x - self.mark / 2.0, self.y - self.mark / 2.0),
        };
        let turn = self.turned.then(|| format!("rotate(-90 {} {})", short(self.x), short(self.y)));
        html! {
            g transform=[turn] {
                @for (row, line) in self.lines.iter().enumerate() {
                    @let (x, anchor) = if row + 1 == self.lines.len() {
                        (mark_x + MARK + MARK_ROOM, "start")
                    } else {
                        (self.x, "middle")
                    };
                    text class=(if row == 0 { "spot-name" } else { "spot-word" }) x=(short(x))
                        y=(short(first + LINE_H * row as f64)) text-anchor=(anchor) { (line) }
                }
                path class="spot-mark" fill-rule="evenodd" d=(mark)
                    transform=(format!("translate({} {}) scale({:.2})", short(mark_x), short(mark_y), self.mark / 24.0)) {}
            }
        }
    }
}

/// A name without its end, as wide as a place; `None` where nothing of it would be left that
/// tells something.
fn shortened(name: &str, wide: f64) -> Option<String> {
    let letters = ((wide - 4.0) / BOLD_W).floor() as usize;
    let kept = letters.checked_sub(1).filter(|kept| *kept >= SHORTEST && name.chars().count() > *kept)?;
    let start: String = name.chars().take(kept).collect();
    Some(format!("{}…", start.trim_end()))
}

/// About the width of a line; the first one is a name.
fn letters(line: &str, row: usize, local: &LocalText) -> f64 {
    local.text(line).chars().count() as f64 * if row == 0 { BOLD_W } else { LETTER_W }
}

/// About the width of the last of so many lines, with the mark before it.
fn last_line(line: &str, rows: usize, local: &LocalText) -> f64 {
    letters(line, rows - 1, local) + MARK + MARK_ROOM
}

/// About the room that lines need, with the mark before the last one.
fn size(lines: &[String], local: &LocalText) -> (f64, f64) {
    let width = |(row, line): (usize, &String)| {
        if row + 1 == lines.len() { last_line(line, lines.len(), local) } else { letters(line, row, local) }
    };
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
