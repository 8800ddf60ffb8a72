//! Beds, tanks and the rain gauge, each with its state in a word and a shape.

use maud::{Markup, html};

use super::band::{Band, BandMark, BandZone};
use super::markup::{apart, item, known_item, or_not_known};
use super::reasons;
use crate::garden::view::{BedView, RainView, SiteView, TankView};
use crate::model::{Condition, Id};
use crate::text::labels;

/// Beds of which each has a card; of more, only those in trouble.
const CARDS_MAX: usize = 12;

/// Trouble before what is well.
pub(super) fn trouble_first(condition: Condition) -> u8 {
    match condition {
        Condition::Act => 0,
        Condition::Unknown => 1,
        Condition::Watch => 2,
        Condition::Well => 3,
    }
}

/// Each place in a line, trouble first: the drawing as a list.
pub(super) fn glance(view: &SiteView) -> Markup {
    let site = &view.id;
    let beds = view.beds.iter().map(|it| {
        let (address, figure) = bed_in_short(site, it);
        (address, it.name.as_str(), it.condition, figure)
    });
    let tanks = view.tanks.iter().map(|it| {
        (
            format!("/site/{site}/tank/{}", it.id),
            it.name.as_str(),
            it.condition,
            it.temperature_c.map(labels::degrees),
        )
    });
    let rain = view.rain.iter().map(|it| {
        let figure = it.since_9am_mm.map(|mm| format!("{} since 9 am", labels::millimetres(mm)));
        (format!("/site/{site}/rain"), "Rain gauge", it.condition, figure)
    });
    let mut all: Vec<_> = beds.chain(tanks).chain(rain).collect();
    // Stable: within one condition the garden's own order stays.
    all.sort_by_key(|(_, _, condition, _)| trouble_first(*condition));
    html! {
        @if !all.is_empty() {
            ul class="glance-list" {
                @for (to, name, condition, figure) in all { (line(&to, name, condition, figure)) }
            }
        }
    }
}

/// A place in a line: its mark, its name, a figure, and how it stands.
fn line(to: &str, name: &str, condition: Condition, figure: Option<String>) -> Markup {
    html! {
        li class=(condition.name()) {
            span class="condition" { (shape(condition)) }
            a href=(to) { (name) }
            @if let Some(figure) = figure { span class="figure" { (figure) } }
            span class="state" { (labels::condition(condition)) }
        }
    }
}

/// A bed's address and its figure for a line.
fn bed_in_short(site: &Id, bed: &BedView) -> (String, Option<String>) {
    let left = bed.available_left.filter(|_| bed.condition != Condition::Unknown);
    (format!("/site/{site}/bed/{}", bed.id), left.map(water_left))
}

/// A bed in a line.
fn bed_line(site: &Id, bed: &BedView) -> Markup {
    let (address, figure) = bed_in_short(site, bed);
    line(&address, &bed.name, bed.condition, figure)
}

/// "54 % of its water left".
fn water_left(part: f64) -> String {
    if part > 1.0 && part.is_finite() {
        "full".to_owned()
    } else {
        format!("{} water left", available_left(part))
    }
}

pub(super) fn beds(view: &SiteView) -> Markup {
    let mut beds: Vec<&BedView> = view.beds.iter().collect();
    beds.sort_by_key(|bed| trouble_first(bed.condition));
    // Of many beds those in trouble have their cards, the rest a line each.
    let in_trouble = |bed: &&BedView| matches!(bed.condition, Condition::Act | Condition::Watch);
    let (cards, lines): (Vec<_>, Vec<_>) =
        if beds.len() > CARDS_MAX { beds.into_iter().partition(in_trouble) } else { (beds, Vec::new()) };
    html! {
        section {
            h2 { "Beds" }
            @if cards.is_empty() && lines.is_empty() { p { "This garden has no beds in its file." } }
            div class="places" { @for bed in cards { (self::bed(view, bed)) } }
            @if !lines.is_empty() {
                ul class="glance-list" { @for bed in lines { (bed_line(&view.id, bed)) } }
            }
        }
    }
}

pub(super) fn tanks(view: &SiteView) -> Markup {
    let mut tanks: Vec<&TankView> = view.tanks.iter().collect();
    tanks.sort_by_key(|tank| trouble_first(tank.condition));
    html! {
        @if !tanks.is_empty() {
            section {
                h2 { "Tanks" }
                div class="places" { @for tank in tanks { (self::tank(view, tank)) } }
            }
        }
    }
}

pub(super) fn rain(view: &SiteView) -> Markup {
    html! {
        section {
            h2 { "Rain" }
            @match &view.rain {
                None => p { "This garden has no rain gauge in its file." },
                Some(rain) => div class="places" { (gauge(&view.id, rain)) },
            }
        }
    }
}

/// The weather beside the rain; nothing where nothing is measured.
pub(super) fn weather(view: &SiteView) -> Markup {
    html! {
        @if !view.weather.is_empty() {
            section {
                h2 { "Weather" }
                (reasons::figures(&view.weather))
            }
        }
    }
}

fn bed(view: &SiteView, bed: &BedView) -> Markup {
    let site = &view.id;
    let body = html! {
        @if let Some(drawing) = soil_band(bed).draw(&view.local) { (drawing) }
        dl {
            (item("Water left", or_not_known(bed.available_left, available_left)))
            (known_item("Last got wetter", bed.last_wetting.as_ref()))
            (known_item("Outlook", bed.outlook.as_ref()))
            (known_item("Mulch", bed.mulch.as_ref()))
        }
    };
    let (id, address) = (format!("bed-{}", bed.id), format!("/site/{site}/bed/{}", bed.id));
    card([&id, &address, &bed.name], bed.condition, &bed.words, &body)
}

fn tank(view: &SiteView, tank: &TankView) -> Markup {
    let site = &view.id;
    let body = html! {
        @if let Some(drawing) = tank_band(tank).draw(&view.local) { (drawing) }
        dl { (tank_items(tank)) }
    };
    let (id, address) = (format!("tank-{}", tank.id), format!("/site/{site}/tank/{}", tank.id));
    card([&id, &address, &tank.name], tank.condition, &tank.words, &body)
}

/// A tank's water at present.
pub(super) fn tank_items(tank: &TankView) -> Markup {
    html! {
        (item("Water now", or_not_known(tank.temperature_c, labels::degrees)))
        (item("Safe range", format!("{} to {}", labels::degrees(tank.thrives_c.0), labels::degrees(tank.thrives_c.1))))
        (item("Danger", format!("below {}, above {}", labels::degrees(tank.cold_c), labels::degrees(tank.warm_c))))
        (item("Change in the last hour", apart(or_not_known(tank.change_hour_c, labels::degrees))))
        (item("Change in the last day", apart(or_not_known(tank.change_day_c, labels::degrees))))
    }
}

fn gauge(site: &Id, rain: &RainView) -> Markup {
    let address = format!("/site/{site}/rain");
    card(
        ["rain-gauge", &address, "Rain gauge"],
        rain.condition,
        &rain.words,
        &html! { dl { (rain_items(rain)) } },
    )
}

/// The rain of the last days.
pub(super) fn rain_items(rain: &RainView) -> Markup {
    html! {
        (item("Since 9 am", or_not_known(rain.since_9am_mm, labels::millimetres)))
        (item("Last seven days", or_not_known(rain.week_mm, labels::millimetres)))
    }
}

/// One place: its id on the page, address and name, and its condition in a word and a shape.
fn card([id, address, name]: [&str; 3], condition: Condition, words: &str, rest: &Markup) -> Markup {
    html! {
        article id=(id) class={ "place " (condition.name()) } {
            h3 { a href=(address) { (name) } }
            p class="condition" { (shape(condition)) (labels::condition(condition)) }
            p { (words) }
            (rest)
        }
    }
}

/// The outline of a condition's mark, in 24 by 24 units; each differs without colour.
pub(super) fn mark(condition: Condition) -> &'static str {
    match condition {
        // A leaf.
        Condition::Well => "M3 21C1 9 9 3 21 3c0 12-6 20-15 16l7-8-8 7z",
        // A ring with a dot.
        Condition::Watch => "M12 1a11 11 0 1 0 .1 0zM12 5a7 7 0 1 1-.1 0zM12 9a3 3 0 1 0 .1 0z",
        // A full square on its corner, with a stroke and a dot cut out.
        Condition::Act => "M12 0L24 12 12 24 0 12zM10.5 5.5v8h3v-8zM10.5 15.5v3h3v-3z",
        // Four dashes of a square, nothing inside.
        Condition::Unknown => "M2 2h7v3H5v4H2zM15 2h7v7h-3V5h-4zM2 15h3v4h4v3H2zM19 15h3v7h-7v-3h4z",
    }
}

/// A condition's mark. The word stands beside it, so it is hidden from those who hear the
/// page.
pub(super) fn shape(condition: Condition) -> Markup {
    html! {
        svg class="shape" viewBox="0 0 24 24" aria-hidden="true" {
            path fill-rule="evenodd" d=(mark(condition)) {}
        }
    }
}

pub(super) fn soil_band(bed: &BedView) -> Band<'_> {
    let now = bed.water_content.filter(|content| content.is_finite());
    let [wilting, refill, full] =
        [bed.wilting_point, bed.refill_point, bed.field_capacity].map(labels::percent);
    let present = or_not_known(now, labels::percent);
    Band {
        id: format!("band-{}", bed.id),
        title: "Water in the root zone, in percent of the soil's volume",
        description: format!(
            "Now {present}. Wilting point {wilting}, refill point {refill}, field capacity {full}."
        ),
        marks: vec![
            BandMark { at: bed.wilting_point, label: format!("wilting point {wilting}") },
            BandMark { at: bed.refill_point, label: format!("refill point {refill}") },
            BandMark { at: bed.field_capacity, label: format!("field capacity {full}") },
        ],
        zones: &[
            BandZone { word: "wilting", class: "zone-far" },
            BandZone { word: "dry", class: "zone-near" },
            BandZone { word: "moist", class: "zone-fine" },
            BandZone { word: "wet", class: "zone-wet" },
        ],
        now: now.map(|content| (content, format!("now {present}"))),
    }
}

pub(super) fn tank_band(tank: &TankView) -> Band<'_> {
    let now = tank.temperature_c.filter(|celsius| celsius.is_finite());
    let [cold, warm] = [tank.cold_c, tank.warm_c].map(labels::degrees);
    let present = or_not_known(now, labels::degrees);
    Band {
        id: format!("band-{}", tank.id),
        title: "Temperature of the water",
        description: format!("Now {present}. Too cold below {cold}, too warm above {warm}."),
        marks: vec![
            BandMark { at: tank.cold_c, label: format!("cold below {cold}") },
            BandMark { at: tank.warm_c, label: format!("warm above {warm}") },
        ],
        zones: &[
            BandZone { word: "cold", class: "zone-wet" },
            BandZone { word: "suits them", class: "zone-fine" },
            BandZone { word: "warm", class: "zone-near" },
        ],
        now: now.map(|celsius| (celsius, format!("now {present}"))),
    }
}

/// The part of the water that plants can use that is left; past either end in words, since
/// more than all of it puzzles people.
pub(super) fn available_left(part: f64) -> String {
    if part > 1.0 && part.is_finite() {
        return "full".to_owned();
    }
    if part < 0.0 && part.is_finite() {
        return "none".to_owned();
    }
    labels::whole_percent(part)
}
