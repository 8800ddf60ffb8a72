//! `/site/ID/drawing`: where the places lie on the garden's drawing, moved and sized by finger,
//! mouse, keys or numbers. The page writes the lines for the garden's file, and with the password
//! the file itself.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use tracing::{info, warn};

use super::PageSource;
use super::assets;
use super::context::{PageContext, SiteForm, SitePage};
use super::forms::{FormFields, see_other};
use super::problem::Problem;
use crate::garden::ground::GroundRect;
use crate::garden::ground_layout::lay_out;
use crate::garden::plan::Garden;
use crate::model::{Id, Quantity};
use crate::settings::{PlanNumbers, PlanPlace, PlanRefused, plan_metres as metres, plan_value};

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
    /// The same, by its number.
    place: PlanPlace,
    rect: GroundRect,
    /// Whether a landmark, which may lie under others.
    landmark: bool,
}

impl MovedPlace {
    /// "plan = { x = 0.8, y = 0.8, w = 4, h = 1.8 }"
    fn line(&self) -> String {
        format!("plan = {}", plan_value(&numbers(&self.rect)))
    }
}

fn numbers(rect: &GroundRect) -> [f64; 4] {
    [rect.x_m, rect.y_m, rect.width_m, rect.height_m]
}

/// The garden's places as its file, or its own layout, has them.
fn places(garden: &Garden) -> Vec<MovedPlace> {
    let layout = lay_out(garden);
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let beds = garden.beds.iter().zip(&layout.beds).enumerate().map(|(at, (bed, (_, rect)))| MovedPlace {
        key: format!("b{at}"),
        name: bed.name.clone(),
        table: format!("[[bed]], id = {}", quoted(bed.id.as_str())),
        place: PlanPlace { list: "bed", number: at },
        rect: *rect,
        landmark: false,
    });
    let tanks =
        garden.tanks.iter().zip(&layout.tanks).enumerate().map(|(at, (tank, (_, rect)))| MovedPlace {
            key: format!("t{at}"),
            name: tank.name.clone(),
            table: format!("[[tank]], id = {}", quoted(tank.id.as_str())),
            place: PlanPlace { list: "tank", number: at },
            rect: *rect,
            landmark: false,
        });
    let gauge = garden.sensors.iter().enumerate().find(|(_, it)| it.measures == Quantity::Rain);
    let gauge = gauge.zip(layout.gauge).map(|((at, sensor), rect)| MovedPlace {
        key: "g".to_owned(),
        name: "Rain gauge".to_owned(),
        table: format!("[[sensor]], id = {}", quoted(sensor.id.as_str())),
        place: PlanPlace { list: "sensor", number: at },
        rect,
        landmark: false,
    });
    let landmarks = layout.landmarks.iter().enumerate().map(|(at, it)| MovedPlace {
        key: format!("l{at}"),
        name: it.name.clone(),
        table: format!("[[landmark]], name = {}", quoted(&it.name)),
        place: PlanPlace { list: "landmark", number: at },
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

/// What the form that saves sends: "b0 0.8 0.8 4 1.8;b1 ...".
fn sent(places: &[MovedPlace]) -> String {
    let one = |it: &MovedPlace| format!("{} {}", it.key, numbers(&it.rect).map(metres).join(" "));
    places.iter().map(one).collect::<Vec<_>>().join(";")
}

/// Puts what was sent in; `None` where it is no such text.
fn received(places: &mut [MovedPlace], text: &str) -> Option<()> {
    for one in text.split(';').filter(|it| !it.is_empty()) {
        let mut words = one.split(' ');
        let key = words.next()?;
        let place = places.iter_mut().find(|it| it.key == key)?;
        let numbers: Vec<f64> = words.map(|it| it.parse().ok()).collect::<Option<_>>()?;
        let &[x_m, y_m, width_m, height_m] = numbers.as_slice() else { return None };
        let fits = |low: f64| move |number: &f64| (low..=METRES_MAX).contains(number);
        if ![x_m, y_m].iter().all(fits(0.0)) || ![width_m, height_m].iter().all(fits(0.01)) {
            return None;
        }
        place.rect = GroundRect { x_m, y_m, width_m, height_m };
    }
    Some(())
}

/// The places as the file has them now, where this page has written it; `None` where there is
/// no file to write.
async fn as_the_file_has<V: PageSource>(
    context: &Arc<PageContext<V>>,
    site: &Id,
    places: &mut [MovedPlace],
) -> bool {
    let file = context.garden_files.lock().await.iter().find(|it| it.site == *site).cloned();
    let Some(file) = file else { return false };
    let plans = tokio::task::spawn_blocking(move || file.plans()).await.unwrap_or_default();
    for (place, [x_m, y_m, width_m, height_m]) in plans {
        if let Some(moved) = places.iter_mut().find(|it| it.place == place) {
            moved.rect = GroundRect { x_m, y_m, width_m, height_m };
        }
    }
    true
}

pub(super) async fn drawing<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let garden = site.garden()?;
    let mut places = places(garden);
    let may_write = as_the_file_has(&site.context, &garden.site.id, &mut places).await;
    let faults = given(&mut places, &site.fields());
    Ok(page(&site, garden, &places, &faults, may_write))
}

/// Writes the garden's file.
pub(super) async fn take<V: PageSource>(SiteForm { site, form }: SiteForm<V>) -> Result<Response, Problem> {
    let garden = site.garden()?;
    let mut places = places(garden);
    let may_write = as_the_file_has(&site.context, &garden.site.id, &mut places).await;
    let refused = |places: &[MovedPlace], words: String| {
        let page = page(&site, garden, places, &[words], may_write);
        Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
    };
    if received(&mut places, form.text("plan")).is_none() {
        return refused(&places, "These are no numbers of places. Nothing is saved.".to_owned());
    }
    let plans: Vec<(PlanPlace, PlanNumbers)> =
        places.iter().map(|it| (it.place, numbers(&it.rect))).collect();
    let id = garden.site.id.clone();
    let context = Arc::clone(&site.context);
    // One writer at a time.
    let written = tokio::task::spawn_blocking(move || {
        let mut files = context.garden_files.blocking_lock();
        let file = files.iter_mut().find(|it| it.site == id);
        file.map_or_else(
            || Err(PlanRefused::Unreadable("it was not read from a file".to_owned())),
            |file| file.write_plans(&plans).map(|()| file.path.display().to_string()),
        )
    })
    .await
    .map_err(|_| Problem::Fault)?;
    match written {
        Ok(path) => {
            info!("the places of {} are written into {path}", garden.site.id);
            let said = "Saved in the garden's file. The other pages show it after \"trug reload\".";
            site.context.gate.say(&site.headers, said.to_owned());
            Ok(see_other(&format!("/site/{}/drawing", garden.site.id)))
        }
        Err(why) => {
            warn!("the places of {} are not written: {why}", garden.site.id);
            refused(&places, why.to_string())
        }
    }
}

/// Places whose numbers are not folded away.
const NUMBERS_SHOWN: usize = 16;

/// Where each place lies, in numbers.
fn table(places: &[MovedPlace]) -> Markup {
    html! {
        table class="stacks" {
            thead { tr {
                th scope="col" { "Place" }
                @for (_, words) in NUMBERS { th scope="col" { "Metres " (words) } }
            } }
            tbody { @for place in places { (row(place)) } }
        }
    }
}

fn page<V: PageSource>(
    site: &SitePage<V>,
    garden: &Garden,
    places: &[MovedPlace],
    faults: &[String],
    may_write: bool,
) -> Markup {
    let (frame, view) = (site.frame("/drawing"), &site.view);
    let over = over(places, &garden.ground.outline);
    let body = html! {
        h1 { "Move the places" }
        p { "Drag a place to where it lies, and its corner to size it. Or use the numbers below." }
        p class="mover-keys standing" hidden { "With keys: Tab chooses a place, arrows move it, Shift and arrows size it." }
        @if !faults.is_empty() {
            section class="wrong" role="alert" { h2 { "Not taken" } ul { @for fault in faults { li { (fault) } } } }
        }
        @if !over.is_empty() {
            section class="wrong" { h2 { "Look at these" } ul { @for words in &over { li { (words) } } } }
        }
        figure class="garden" { (drawn(places, &garden.ground.outline, &view.name)) }
        form method="get" action=(frame.path) class="sizes" {
            // Of many places the numbers are a long way down.
            @if places.len() > NUMBERS_SHOWN {
                details { summary { "The numbers of " (places.len()) " places" } (table(places)) }
            } @else {
                (table(places))
            }
            p { button type="submit" { "Show the numbers on the drawing" } }
        }
        @if may_write && frame.visitor.sees_forms() {
            form method="post" action=(frame.path) class="entry" {
                (frame.visitor.form_field())
                input type="hidden" id="plan" name="plan" value=(sent(places));
                (frame.visitor.how_to_change())
                button type="submit" { "Save in the garden's file" }
            }
        }
        section {
            h2 { "Lines for the garden's file" }
            p {
                @if may_write && frame.visitor.sees_forms() { "Or do it by hand. " }
                "Whoever runs Trug puts each line into its table in the garden's file, checks it with "
                "\"trug check\" and starts Trug again."
            }
            pre { code id="lines" { (lines(places)) } }
        }
        script defer src=(assets::MOVER.address()) {}
    };
    frame.still(&format!("Move the places of {}", view.name), &body)
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
            place: PlanPlace { list: "bed", number: 0 },
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
    fn what_is_sent_is_received() {
        let before = [place("b0", [0.25, 0.0, 4.0, 1.8]), place("b1", [5.0, 0.0, 1.0, 1.0])];
        let mut after = [place("b0", [0.0; 4]), place("b1", [0.0; 4])];
        assert_eq!(sent(&before), "b0 0.25 0 4 1.8;b1 5 0 1 1");
        assert_eq!(received(&mut after, &sent(&before)), Some(()));
        assert!(before.iter().zip(&after).all(|(before, after)| before.rect == after.rect));
        for text in [
            "b0",
            "b0 1 2 3",
            "b0 1 2 3 4 5",
            "b0 1 2 3 x",
            "b0 1 2 0 4",
            "b0 -1 2 3 4",
            "b0 NaN 2 3 4",
            "b9 1 2 3 4",
        ] {
            assert_eq!(received(&mut after, text), None, "{text}");
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
