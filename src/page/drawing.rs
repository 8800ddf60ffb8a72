//! `/site/ID/drawing`: where the places lie on the garden's drawing, moved and sized by finger,
//! mouse, keys or numbers. The page saves nothing: it writes the lines for the garden's file.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::PageSource;
use super::assets;
use super::context::SitePage;
use super::forms::FormFields;
use super::problem::Problem;
use crate::garden::ground::GroundRect;
use crate::garden::ground_layout::lay_out;
use crate::garden::plan::Garden;
use crate::model::Quantity;

/// From a corner, and across, metres: what a garden's file accepts.
const METRES_MAX: f64 = 1000.0;
/// Two edges that were paced out may cross by so much, m2.
const SHARED_M2: f64 = 0.05;
/// The numbers of a place: name of its field, and as people read it.
const NUMBERS: [(&str, &str); 4] =
    [("x", "from the left"), ("y", "from the top"), ("w", "wide"), ("h", "deep")];
/// About the width of a letter beside its height.
const LETTER_W: f64 = 0.62;
/// Room to move a place to, beside and below what is drawn, metres.
const MARGIN_M: f64 = 2.0;

/// A place that can be moved.
struct MovedPlace {
    /// Of its fields.
    key: String,
    name: String,
    /// The table of the garden's file that its line belongs to.
    table: String,
    rect: GroundRect,
    /// Whether a landmark, which may lie under others.
    landmark: bool,
}

impl MovedPlace {
    /// "plan = { x = 0.8, y = 0.8, w = 4, h = 1.8 }"
    fn line(&self) -> String {
        let [x, y, w, h] = numbers(&self.rect).map(metres);
        format!("plan = {{ x = {x}, y = {y}, w = {w}, h = {h} }}")
    }
}

fn numbers(rect: &GroundRect) -> [f64; 4] {
    [rect.x_m, rect.y_m, rect.width_m, rect.height_m]
}

/// To the centimetre, without zeros that say nothing.
fn metres(number: f64) -> String {
    let text = format!("{number:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The garden's places as its file, or its own layout, has them.
fn places(garden: &Garden) -> Vec<MovedPlace> {
    let layout = lay_out(garden);
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let beds = garden.beds.iter().zip(&layout.beds).enumerate().map(|(at, (bed, (_, rect)))| MovedPlace {
        key: format!("b{at}"),
        name: bed.name.clone(),
        table: format!("[[bed]], id = {}", quoted(bed.id.as_str())),
        rect: *rect,
        landmark: false,
    });
    let tanks =
        garden.tanks.iter().zip(&layout.tanks).enumerate().map(|(at, (tank, (_, rect)))| MovedPlace {
            key: format!("t{at}"),
            name: tank.name.clone(),
            table: format!("[[tank]], id = {}", quoted(tank.id.as_str())),
            rect: *rect,
            landmark: false,
        });
    let gauge = garden.sensors.iter().find(|it| it.measures == Quantity::Rain).zip(layout.gauge);
    let gauge = gauge.map(|(sensor, rect)| MovedPlace {
        key: "g".to_owned(),
        name: "Rain gauge".to_owned(),
        table: format!("[[sensor]], id = {}", quoted(sensor.id.as_str())),
        rect,
        landmark: false,
    });
    let landmarks = layout.landmarks.iter().enumerate().map(|(at, it)| MovedPlace {
        key: format!("l{at}"),
        name: it.name.clone(),
        table: format!("[[landmark]], name = {}", quoted(&it.name)),
        rect: it.rect,
        landmark: true,
    });
    beds.chain(tanks).chain(gauge).chain(landmarks).collect()
}

/// Puts the numbers of a form in; what is wrong with them is said.
fn given(places: &mut [MovedPlace], query: &FormFields) -> Vec<String> {
    let mut faults = Vec::new();
    for place in places {
        let mut numbers = numbers(&place.rect);
        for ((field, words), number) in NUMBERS.iter().zip(&mut numbers) {
            let Some(text) = query.given(&format!("{}{field}", place.key)) else { continue };
            let read = text.trim().replace(',', ".").parse::<f64>().ok();
            let least = if matches!(*field, "w" | "h") { 0.01 } else { 0.0 };
            match read.filter(|it| (least..=METRES_MAX).contains(it)) {
                Some(read) => *number = read,
                None => faults.push(format!(
                    "{}, {words}: {} is not a number from {least} to {METRES_MAX} metres.",
                    place.name,
                    crate::text::labels::shown(text, 30)
                )),
            }
        }
        let [x_m, y_m, width_m, height_m] = numbers;
        place.rect = GroundRect { x_m, y_m, width_m, height_m };
    }
    faults
}

/// What lies over something else or over the fence.
fn over(places: &[MovedPlace], outline: &[(f64, f64)]) -> Vec<String> {
    let watched: Vec<&MovedPlace> = places.iter().filter(|it| !it.landmark).collect();
    let mut said = Vec::new();
    for (at, place) in watched.iter().enumerate() {
        for other in &watched[..at] {
            if place.rect.shared_m2(&other.rect) > SHARED_M2 {
                said.push(format!("{} lies over {}.", place.name, other.name));
            }
        }
        if !outline.is_empty() && !place.rect.lies_within(outline) {
            said.push(format!("{} lies outside the garden's outline.", place.name));
        }
    }
    said
}

pub(super) async fn drawing<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, view, garden) = (site.frame("/drawing"), &site.view, site.garden()?);
    let mut places = places(garden);
    let faults = given(&mut places, &site.fields());
    let over = over(&places, &garden.ground.outline);
    let body = html! {
        h1 { "Move the places" }
        p { "Drag a place to where it lies, and its corner to size it. Or use the numbers below." }
        p class="mover-keys standing" hidden { "With keys: Tab chooses a place, arrows move it, Shift and arrows size it." }
        @if !faults.is_empty() {
            section class="wrong" role="alert" { h2 { "Not taken" } ul { @for fault in &faults { li { (fault) } } } }
        }
        @if !over.is_empty() {
            section class="wrong" { h2 { "Look at these" } ul { @for words in &over { li { (words) } } } }
        }
        figure class="garden" { (drawn(&places, &garden.ground.outline, &view.name)) }
        form method="get" action=(frame.path) class="sizes" {
            table class="stacks" {
                thead { tr {
                    th scope="col" { "Place" }
                    @for (_, words) in NUMBERS { th scope="col" { "Metres " (words) } }
                } }
                tbody { @for place in &places { (row(place)) } }
            }
            p { button type="submit" { "Show the numbers on the drawing" } }
        }
        section {
            h2 { "Lines for the garden's file" }
            p { "This page saves nothing. Whoever runs Trug puts each line into its table in the garden's file, checks it with "
                "\"trug check\" and starts Trug again." }
            pre { code id="lines" { (lines(&places)) } }
        }
        script defer src=(assets::mover_address()) {}
    };
    Ok(frame.still(&format!("Move the places of {}", view.name), &body))
}

fn row(place: &MovedPlace) -> Markup {
    html! {
        tr {
            th scope="row" { (place.name) }
            @for ((field, words), number) in NUMBERS.iter().zip(numbers(&place.rect)) {
                td data-label={ "Metres " (words) } {
                    input type="number" inputmode="decimal" step="any" min="0" max=(METRES_MAX)
                        name={ (place.key) (field) } value=(metres(number)) aria-label={ (place.name) ", metres " (words) };
                }
            }
        }
    }
}

fn lines(places: &[MovedPlace]) -> String {
    let mut lines = String::new();
    for place in places {
        let _ = writeln!(lines, "# {}\n{}", place.table, place.line());
    }
    lines
}

/// The drawing in metres, so that the script needs no scale of its own.
fn drawn(places: &[MovedPlace], outline: &[(f64, f64)], name: &str) -> Markup {
    let corners = places.iter().map(|it| (it.rect.right(), it.rect.bottom())).chain(outline.iter().copied());
    let (right, bottom) = corners.fold((1.0, 1.0), |(w, h): (f64, f64), (x, y)| (w.max(x), h.max(y)));
    let (width, height) = (right + MARGIN_M, bottom + MARGIN_M);
    let (letter, grip) = (width / 28.0, width / 34.0);
    let fence: String = outline
        .iter()
        .enumerate()
        .map(|(at, (x, y))| format!("{}{} {}", if at == 0 { 'M' } else { 'L' }, metres(*x), metres(*y)))
        .collect();
    // A line for each metre, while they can be told apart.
    let step = (width / 60.0).ceil().max(1.0);
    let along = |end: f64| (1..200).map(move |n| f64::from(n) * step).take_while(move |it| *it < end);
    html! {
        svg class="mover" viewBox=(format!("0 0 {} {}", metres(width), metres(height))) role="group"
            aria-label={ (name) " from above, in metres" } {
            @for x in along(width) { path class="metre" d={ "M" (metres(x)) " 0V" (metres(height)) } {} }
            @for y in along(height) { path class="metre" d={ "M0 " (metres(y)) "H" (metres(width)) } {} }
            @if !fence.is_empty() { path class="fence" d={ (fence) "Z" } {} }
            @for place in places {
                @let [x, y, w, h] = numbers(&place.rect);
                g class="moved" data-key=(place.key) data-table=(place.table) role="img" aria-label=(place.name)
                    transform=(format!("translate({} {})", metres(x), metres(y))) {
                    rect class={ "plot" @if place.landmark { " mark-only" } } width=(metres(w)) height=(metres(h)) {}
                    // A name that has no room stands below.
                    @let long = place.name.chars().count() as f64 * letter * LETTER_W > w;
                    @let line = if long { h + letter * 0.7 } else { h / 2.0 };
                    text x=(metres(w / 2.0)) y=(metres(line)) font-size=(metres(letter)) text-anchor="middle"
                        dominant-baseline="middle" { (place.name) }
                    rect class="grip" x=(metres(w - grip)) y=(metres(h - grip)) width=(metres(grip)) height=(metres(grip)) {}
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(key: &str, rect: [f64; 4]) -> MovedPlace {
        let [x_m, y_m, width_m, height_m] = rect;
        MovedPlace {
            key: key.to_owned(),
            name: format!("Place {key}"),
            table: "[[bed]]".to_owned(),
            rect: GroundRect { x_m, y_m, width_m, height_m },
            landmark: false,
        }
    }

    #[test]
    fn numbers_of_the_form_are_taken_and_what_is_wrong_is_named() {
        let mut places = [place("b0", [0.0, 0.0, 4.0, 1.8]), place("b1", [5.0, 0.0, 1.0, 1.0])];
        let query = FormFields::of("b0x=1%2C25&b0w=3&b1y=-1&b1h=NaN&b1w=0&b1x=7");
        let faults = given(&mut places, &query);
        assert_eq!(places[0].line(), "plan = { x = 1.25, y = 0, w = 3, h = 1.8 }");
        assert_eq!(places[1].line(), "plan = { x = 7, y = 0, w = 1, h = 1 }");
        assert_eq!(faults.len(), 3, "{faults:?}");
        for (fault, start) in
            faults.iter().zip(["Place b1, from the top: -1", "Place b1, wide: 0", "Place b1, deep: NaN"])
        {
            assert!(fault.starts_with(start), "{fault}");
        }
    }

    #[test]
    fn what_lies_over_another_or_outside_is_named() {
        let places = [
            place("a", [0.0, 0.0, 4.0, 2.0]),
            place("b", [3.0, 1.0, 4.0, 2.0]),
            place("c", [9.0, 0.0, 2.0, 1.0]),
        ];
        let outline = [(0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0)];
        assert_eq!(
            over(&places, &outline),
            ["Place b lies over Place a.", "Place c lies outside the garden's outline."]
        );
        assert_eq!(over(&places, &[]), ["Place b lies over Place a."]);
    }
}
