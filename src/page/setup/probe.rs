//! `/site/ID/probe`: a probe is checked dry and wet, and calibrated with weighed soil.

use maud::{Markup, html};

use super::{FormFaults, choice_field, number_field, sheet, still};
use crate::garden::plan::{Garden, Sensor};
use crate::model::{Place, Quantity};
use crate::page::PageSource;
use crate::page::context::SitePage;
use crate::page::forms::FormFields;
use crate::page::problem::Problem;
use crate::text::labels;

/// In air a calibrated probe reads at most this, m3/m3: a threshold of our own.
const AIR_MOST: f64 = 0.05;
/// Two raw numbers nearer together than this part of the larger one are the same: our own.
const SAME_PART: f64 = 0.02;
/// Raw numbers that a probe can send.
const RAW: (f64, f64) = (-1e9, 1e9);

pub(in crate::page) async fn probe<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, form, garden) = (site.frame("/probe"), site.fields(), site.garden()?);
    let probes: Vec<&Sensor> =
        garden.sensors.iter().filter(|it| it.measures == Quantity::SoilMoisture).collect();
    let chosen = probes.iter().copied().find(|it| it.id.as_str() == form.text("sensor"));
    let mut faults = FormFaults::default();
    let asked = ["dry", "wet"].iter().any(|name| form.given(name).is_some());
    let numbers = if asked {
        let dry = faults.needed(&form, "dry", "Raw number in dry air", RAW);
        dry.zip(faults.needed(&form, "wet", "Raw number in soaked soil", RAW))
    } else {
        None
    };
    let body = html! {
        h1 { "Check a probe" }
        p { "Check each moisture probe before it goes into the ground, and once a year." }
        section {
            h2 { "Dry and wet" }
            ol class="guide" {
                li { "Clean the probe and dry it. Hold it in the air by its lead, and touch nothing. Read its raw number." }
                li { "Soak a pot of the bed's soil until water runs out below. Push the probe in and press the soil to it." }
                li { "Wait 5 minutes. Read its raw number again." }
                li { "Dry the probe and read it in the air once more. It must come back to the first number." }
            }
            p class="standing" { "The page Sensors shows the last message of each topic. The raw number is the one that the probe sends." }
            p class="caution" { "Take care: only the probe gets wet. Keep its plug, its box and its battery dry." }
            (faults.list())
            @if let Some((dry, wet)) = numbers {
                section class="found" role="status" {
                    h2 { "What this shows" }
                    ul { @for words in verdict(dry, wet, chosen, garden) { li { (words) } } }
                }
            }
            (dry_and_wet(&form, &faults, &probes, garden, &frame.path))
        }
        (sheet::section(&form, &frame.path, "the probe's [[sensor]]"))
        details class="sources" {
            summary { "Where this comes from" }
            ul {
                li { p class="source" { "Dry and wet: common practice. Its limits, 0.05 in air and the bed's field capacity when soaked, are this project's own." } }
                li { p class="source" { "Weighing: soil that dries at 105 °C to a steady weight is the usual reference of soil laboratories (ISO 11461 and 11465, from memory)." } }
                li { p class="source" { "The fit: straight line, parabola or lines from point to point, as trug calibrate chooses." } }
            }
        }
    };
    Ok(still(&frame, "Check a probe", &body))
}

fn dry_and_wet(
    form: &FormFields,
    faults: &FormFaults,
    probes: &[&Sensor],
    garden: &Garden,
    path: &str,
) -> Markup {
    let mut choices = vec![(String::new(), "A new one, without a calibration".to_owned())];
    choices.extend(probes.iter().map(|it| (it.id.to_string(), named(it, garden))));
    html! {
        form class="entry" method="get" action=(path) novalidate {
            (choice_field("sensor", "Which probe", None, &choices, form.text("sensor"), faults))
            (number_field("dry", "Raw number in dry air", None, form, faults))
            (number_field("wet", "Raw number in soaked soil", None, form, faults))
            button type="submit" { "Show what it means" }
        }
    }
}

/// "Kitchen bed, 15 cm (kitchen-15cm)".
fn named(sensor: &Sensor, garden: &Garden) -> String {
    let depth = sensor.depth_m.map_or_else(String::new, |m| format!(", {:.0} cm", m * 100.0));
    format!("{}{depth} ({})", labels::name(garden.place_name(sensor)), sensor.id)
}

/// What two raw numbers say of a probe, and of its calibration where it has one.
fn verdict(dry: f64, wet: f64, sensor: Option<&Sensor>, garden: &Garden) -> Vec<String> {
    let (dry_shown, wet_shown) = (labels::written(dry), labels::written(wet));
    if (wet - dry).abs() <= SAME_PART * dry.abs().max(wet.abs()) {
        return vec![format!(
            "The number hardly changes, from {dry_shown} to {wet_shown}. Check the lead and the plug. If both are whole, the probe is broken."
        )];
    }
    let way = if wet > dry { "rises" } else { "falls" };
    let mut said =
        vec![format!("The number {way} from {dry_shown} to {wet_shown} when it gets wet. The probe works.")];
    let Some((sensor, calibration)) = sensor.and_then(|it| Some((it, &it.calibrations.last()?.calibration)))
    else {
        said.push(
            "Next, fill in the calibration sheet below, so that Trug knows what its numbers mean.".to_owned(),
        );
        return said;
    };
    let content = |value: f64| labels::with_unit(value, 2, " m3/m3");
    let (in_air, soaked) = (calibration.convert(dry).ok(), calibration.convert(wet).ok());
    said.push(match in_air {
        Some(value) if value > AIR_MOST => format!(
            "In air its calibration gives {}. That is too much: {} is the most. Calibrate it again.",
            content(value),
            content(AIR_MOST)
        ),
        Some(value) => format!("In air its calibration gives {}. That is right.", content(value)),
        None => {
            "In air its calibration gives no value. That is right: air is drier than any soil.".to_owned()
        }
    });
    let field_capacity = match sensor.place {
        Place::Bed(at) => Some(garden.bed(at).field_capacity),
        Place::Tank(_) | Place::Site => None,
    };
    said.push(match (soaked, field_capacity) {
        (Some(value), Some(least)) if value < least => format!(
            "In soaked soil its calibration gives {}. That is too little: the bed holds {} after draining. Calibrate it again.",
            content(value),
            content(least)
        ),
        (Some(value), _) => format!("In soaked soil its calibration gives {}. That is right.", content(value)),
        (None, _) => "In soaked soil its calibration gives no value. Calibrate it again, with wet samples too.".to_owned(),
    });
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_numbers_tell_of_the_probe_and_of_its_calibration() {
        let trug = "[broker]\nurl = \"mqtt://localhost\"\n[store]\npath = \"t.db\"\n";
        let shipped = include_str!("../../../config/gardens/saltbush-gully.toml");
        let read =
            crate::settings::from_text(("trug.toml", trug), &[("g.toml", shipped)], std::iter::empty());
        let garden = &read.expect("the demonstration's garden").gardens[0];
        let sensor = garden.sensors.iter().find(|it| it.id.as_str() == "kitchen-15cm");
        let said = |dry, wet, sensor| verdict(dry, wet, sensor, garden).join(" ");
        assert!(said(2900.0, 2880.0, None).starts_with("The number hardly changes"));
        assert!(said(2900.0, 1500.0, None).contains("calibration sheet"));
        let right = said(2900.0, 1450.0, sensor);
        assert!(right.contains("falls") && right.matches("That is right").count() == 2, "{right}");
        let wrong = said(2500.0, 2600.0, sensor);
        assert!(
            wrong.contains("rises") && wrong.contains("too much") && wrong.contains("too little"),
            "{wrong}"
        );
        let beyond = said(9000.0, 10.0, sensor);
        assert!(beyond.contains("air is drier") && beyond.contains("with wet samples too"), "{beyond}");
    }
}
