//! `/site/ID/placing`: where probes, thermometers and the gauge go, to print and take along.

use maud::{Markup, html};

use super::{sketches, still};
use crate::garden::plan::{Bed, Garden};
use crate::model::{Place, Quantity};
use crate::page::PageSource;
use crate::page::context::SitePage;
use crate::page::markup::stacked_table;
use crate::page::problem::Problem;
use crate::text::labels;
use crate::text::spoken::list;

pub(in crate::page) async fn placing<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, garden) = (site.frame("/placing"), site.garden()?);
    let own = format!("/site/{}", site.view.id);
    let body = html! {
        h1 { "Where to put sensors" }
        p { "A sensor in the wrong place measures the wrong thing. Print this page and take it along." }
        p class="caution" {
            "Take care: ask whoever runs the grounds where pipes and cables lie before anybody digs. Wear gloves, and wash your hands after work with soil. "
            "Keep mains plugs and leads away from water; licensed people install them. Your school's rules come first."
        }
        div class="placing" {
        section {
            h2 { "Moisture probes in a bed" }
            (sketches::probes_in_a_bed())
            (points(&[
                "Put the first probe a third of the way down the roots. Put a second one at two thirds.",
                "Choose a spot like the rest of the bed: not at its edge, not in its lowest corner.",
                "Dig a narrow hole. Push the probe from the side into soil that nobody has loosened.",
                "Press the soil firmly against it. A gap with air in it reads dry.",
                "Let the lead hang in a loop below the probe. Then water does not run along it.",
                "Fill the hole in the order in which you dug it out, and water it once.",
            ]))
            @if !garden.beds.is_empty() { (depths(garden)) }
        }
        section {
            h2 { "Beside a dripper, not below it" }
            (sketches::beside_a_dripper())
            (points(&[
                "Put the probe 10 to 20 cm from a dripper, at most half way to the next one.",
                "Right below a dripper it always reads wet, and the bed dries out unseen.",
                "Where no dripper reaches it always reads dry, and Trug asks for too much water.",
                "Below a sprinkler, choose a spot that no leaf or post shelters.",
            ]))
        }
        section {
            h2 { "Thermometer in the soil" }
            (points(&[
                "Put it 15 cm deep beside the moisture probe, in the same undisturbed soil.",
                "Keep it in the bed's own shade: a bare patch in the sun is warmer.",
            ]))
        }
        section {
            h2 { "Thermometer in the tank" }
            (sketches::in_a_tank())
            (points(&[
                "Hang it half way down, so that it stays under water when the level falls.",
                "Keep it away from the heater, the inlet and the sun.",
                "Tie its lead above the water. Do not let it lie on the bottom.",
                "Unplug pumps and heaters before a hand goes into the water.",
            ]))
        }
        section {
            h2 { "Thermometer in the air" }
            (sketches::in_the_air())
            (points(&[
                "Put it in the shade of a white screen with slats, so that air passes and sun does not.",
                "Put it 1.25 to 2 m above the ground, over grass or soil.",
                "Keep away from walls, roofs, paving and air conditioners.",
            ]))
        }
        section {
            h2 { "Rain gauge" }
            (sketches::gauge_in_the_open())
            (points(&[
                "Put it on open ground. A roof's wind blows rain past it.",
                "Trees and walls stand at least twice as far away as they are higher than its rim. Four times is better.",
                "Set the rim level, 0.5 to 1.5 m above the ground, so that nothing splashes in.",
                "Keep it out of reach of sprinklers. Clear leaves and insects out every month.",
            ]))
        }
        }
        section class="next-steps" {
            h2 { "Then" }
            ul {
                li { a href={ (own) "/probe" } { "Check each probe" } ", dry and wet, before it goes into the ground." }
                li { a href={ (own) "/sensors" } { "Look at Sensors" } ": a new sensor shows up there first." }
            }
        }
        details class="sources" {
            summary { "Where this comes from" }
            ul {
                li { p class="source" { "Rain gauge and air thermometer: World Meteorological Organization, WMO-No. 8, as handbooks quote it (twice the height, 1.25 to 2 m); the height of the rim from memory. The guide itself was not read." } }
                li { p class="source" { "Depth of roots: FAO Irrigation and Drainage Paper 56, table 22." } }
                li { p class="source" { "A third and two thirds, the distance from a dripper, the loop and all else: common practice." } }
            }
        }
    };
    Ok(still(&frame, "Where to put sensors", &body))
}

fn points(points: &[&str]) -> Markup {
    html! { ul class="guide" { @for point in points { li { (point) } } } }
}

/// How deep the probes of each bed of this garden go, beside those that are there.
fn depths(garden: &Garden) -> Markup {
    let rows = (0u16..).zip(&garden.beds).map(|(at, bed)| {
        let [first, second] = probe_depths_cm(bed);
        [
            html! { bdi { (labels::shown(&bed.name, 80)) } },
            html! { (centimetres(bed.root_depth_m * 100.0)) },
            html! { (centimetres(first)) " and " (centimetres(second)) },
            html! { (present(garden, at)) },
        ]
    });
    stacked_table(
        Some("How deep in this garden"),
        &["Bed", "Roots drink down to", "Put the probes at", "Probes now"],
        rows,
    )
}

/// A third and two thirds of the depth that is watered, cm, in steps of 5.
fn probe_depths_cm(bed: &Bed) -> [f64; 2] {
    let step = |part: f64| ((bed.root_depth_m * 100.0 * part / 5.0).round() * 5.0).max(5.0);
    [step(1.0 / 3.0), step(2.0 / 3.0)]
}

fn centimetres(cm: f64) -> String {
    labels::with_unit(cm, 0, " cm")
}

fn present(garden: &Garden, bed: u16) -> String {
    let depths: Vec<String> = garden
        .sensors
        .iter()
        .filter(|sensor| sensor.place == Place::Bed(bed) && sensor.measures == Quantity::SoilMoisture)
        .filter_map(|sensor| Some(centimetres(sensor.depth_m? * 100.0)))
        .collect();
    if depths.is_empty() { "none".to_owned() } else { list(&depths) }
}
