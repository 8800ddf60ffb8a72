//! `/site/ID/soil-test`: the jar test. Three layers in millimetres give the texture class and
//! the line for the garden's file.

use maud::{Markup, html};

use super::{FormFaults, lines_to_paste, number_field, sketches, still};
use crate::page::PageSource;
use crate::page::context::SitePage;
use crate::page::problem::Problem;
use crate::soil::{Composition, JarLayers, SoilParts, TextureClass};
use crate::text::labels;

/// A jar that a class can shake is not higher, mm.
const JAR_MM: f64 = 500.0;

/// Organic matter of the rows of Saxton and Rawls 2006, table 3, per cent by weight: a jar
/// shows none.
const ORGANIC_PERCENT: f64 = 2.5;

/// The layers: name of the field, label, and how each is found.
const LAYERS: [(&str, &str, &str); 3] = [
    ("sand", "Sand layer, mm", "From the bottom of the jar to the mark after 1 minute."),
    ("silt", "Silt layer, mm", "From the first mark to the mark after 2 hours."),
    ("clay", "Clay layer, mm", "From the second mark to the top of the soil after 2 days."),
];

const STEPS: [&str; 7] = [
    "Take soil from the depth of the roots. Pick out stones, roots and mulch.",
    "Let it dry. Crush the lumps and fill a straight jar to a third.",
    "Add water almost to the top, and a teaspoon of dishwashing powder or detergent.",
    "Close the jar tightly and shake it for 5 minutes. Put it where nobody moves it.",
    "After 1 minute, mark the top of what has settled. This is the sand.",
    "After 2 hours, mark the top again. What lies above the sand is the silt.",
    "After 2 days, or when the water is clear, mark the top once more. The last layer is the clay.",
];

pub(in crate::page) async fn soil_test<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, form) = (site.frame("/soil-test"), site.fields());
    let mut faults = FormFaults::default();
    let asked = LAYERS.iter().any(|(name, ..)| form.given(name).is_some());
    let mut parts = None;
    if asked {
        let [sand_mm, silt_mm, clay_mm] = LAYERS.map(|(name, label, _)| {
            faults.needed(&form, name, label.trim_end_matches(", mm"), (0.0, JAR_MM))
        });
        let layers = || Some(JarLayers { sand_mm: sand_mm?, silt_mm: silt_mm?, clay_mm: clay_mm? });
        parts = layers().and_then(JarLayers::parts);
        if parts.is_none() && faults.is_empty() {
            faults.note("sand", "All three layers are 0 mm: there is no soil in this jar.");
        }
    }
    let found = parts.and_then(|parts| Some((parts, parts.class()?)));
    let body = html! {
        h1 { "Soil test in a jar" }
        p { "Sand falls first, then silt, then clay. The three layers show what kind of soil a bed has." }
        (faults.list())
        @if let Some((parts, class)) = found { (answer(parts, class)) }
        form class="entry" method="get" action=(frame.path) novalidate {
            @for (name, label, help) in LAYERS { (number_field(name, label, Some(help), &form, &faults)) }
            button type="submit" { "Show the kind of soil" }
        }
        section {
            h2 { "How to do it" }
            (sketches::jar())
            ol class="guide" { @for step in STEPS { li { (step) } } }
            p class="caution" { "Take care: wear gloves, and wash your hands after work with soil. Use a jar that does not break, or shake it wrapped in a towel. Keep the powder away from eyes and small children." }
        }
        details {
            summary { "How sure is it?" }
            p { "A jar is rougher than a laboratory. Clay settles loosely, so its layer stands too high. The soil beside yours in the list can be the right one." }
            p { "Shake and settle a second jar. If both give the same kind of soil, use it." }
            p class="source" { "Class: Soil Survey Manual (USDA Handbook 18, 2017), chapter 3. The jar and its times are common practice." }
        }
    };
    Ok(still(&frame, "Soil test in a jar", &body))
}

fn answer(parts: SoilParts, class: TextureClass) -> Markup {
    let (line, holds) = match class.texture() {
        Some(texture) => (
            format!("soil = \"{}\"\n", texture.name),
            Some((texture.field_capacity_mid(), texture.wilting_point_mid())),
        ),
        None => {
            // The three classes that FAO-56 leaves out are reckoned from their parts.
            let (sand_percent, clay_percent) = (parts.sand.round(), parts.clay.round());
            let made_of = Composition { sand_percent, clay_percent, organic_percent: ORGANIC_PERCENT };
            let line = format!(
                "soil = {{ sand_percent = {sand_percent}, clay_percent = {clay_percent}, organic_percent = {ORGANIC_PERCENT} }}\n"
            );
            (line, made_of.held_water().ok().map(|held| (held.field_capacity, held.wilting_point)))
        }
    };
    html! {
        section class="found" role="status" {
            h2 { "This soil is " (class.name()) }
            p { "Sand " (labels::whole_percent(parts.sand / 100.0)) ", silt " (labels::whole_percent(parts.silt / 100.0))
                ", clay " (labels::whole_percent(parts.clay / 100.0)) "." }
            @if let Some((field_capacity, wilting_point)) = holds {
                p { "Drained, it holds about " (labels::whole_percent(field_capacity)) " of its volume as water. Plants wilt at about "
                    (labels::whole_percent(wilting_point)) "." }
            }
            @if class.texture().is_none() {
                p { "A jar shows no humus: the line takes 2.5 % of organic matter. A laboratory's number is better." }
            }
            (lines_to_paste("Whoever runs Trug puts this line into the bed's table, instead of its soil line.", &line))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every class has a line that the settings take.
    #[test]
    fn each_class_has_a_line_for_the_garden_s_file() {
        for sand in (0..=100).step_by(5) {
            for clay in (0..=(100 - sand).min(95)).step_by(5) {
                let (sand, clay) = (f64::from(sand), f64::from(clay));
                let parts = SoilParts { sand, silt: 100.0 - sand - clay, clay };
                let class = parts.class().expect("a class");
                let page = answer(parts, class).into_string();
                let line = page.split("<code>").nth(1).and_then(|rest| rest.split("</code>").next());
                let line = line.expect("a line").replace("&quot;", "\"");
                let bed = format!("[[bed]]\nid = \"b\"\narea_m2 = 1\ncrop = \"cabbage\"\n{line}");
                let garden = format!(
                    "[site]\nid = \"s\"\nname = \"S\"\ntime_zone = \"UTC\"\nlatitude_deg = 0\nelevation_m = 0\n{bed}\
                     [[sensor]]\nid = \"p\"\nmeasures = \"soil-moisture\"\nbed = \"b\"\ndepth_cm = 10\ntopic = \"t\"\n\
                     payload = \"number\"\nevery_s = 900\n"
                );
                let trug = "[broker]\nurl = \"mqtt://localhost\"\n[store]\npath = \"t.db\"\n";
                let read = crate::settings::from_text(
                    ("trug.toml", trug),
                    &[("g.toml", &garden)],
                    std::iter::empty(),
                );
                assert!(read.is_ok(), "{line}: {read:?}");
            }
        }
    }
}
