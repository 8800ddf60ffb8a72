//! `/site/ID/new-sensor`: a topic that no sensor names becomes the lines of one.

use std::collections::BTreeSet;

use maud::{Markup, html};

use super::payload_choice::{self, PayloadChoice};
use super::{FormFaults, choice_field, lines_to_paste, number_field, still, text_field};
use crate::garden::plan::Garden;
use crate::model::{MeasuredIn, Quantity};
use crate::page::PageSource;
use crate::page::context::SitePage;
use crate::page::forms::FormFields;
use crate::page::layout::PageFrame;
use crate::page::problem::Problem;
use crate::settings::{
    Fault, RawMeaning, SensorDraft, SensorPlace, check_new_sensor, free_id, id_for, quoted_text,
};
use crate::text::labels;

/// Minutes between two readings where nobody says.
const MINUTES: &str = "15";
const MINUTES_RANGE: (f64, f64) = (1.0 / 60.0, 1440.0);
const DEPTH_CM: (f64, f64) = (0.0, 500.0);
const ANY: (f64, f64) = (-1e9, 1e9);
const MM_PER_TIP: (f64, f64) = (0.001, 10.0);
/// The whole garden among the places.
const SITE: &str = "site";

/// What a number means: value of the field, and words.
const MEANINGS: [(&str, &str); 5] = [
    ("value", "It is the value: °C, mm, % or the unit of what is measured"),
    ("percent", "Moisture: per cent of the soil"),
    ("m3/m3", "Moisture: m3 of water in a m3 of soil"),
    ("points", "A raw number, and I know what two of them mean"),
    ("tips", "Tips of a rain gauge since the last message"),
];

pub(in crate::page) async fn new_sensor<V: PageSource>(site: SitePage<V>) -> Result<Markup, Problem> {
    let (frame, garden, form) = (site.frame("/new-sensor"), site.garden()?, site.fields());
    let topics = site.context.not_placed(&site.view).await?;
    let topic = form.text("topic");
    let payload = topics.iter().find(|it| it.topic == topic).map(|it| it.payload.as_slice());
    let mut messages =
        payload.map_or_else(Vec::new, |it| payload_choice::choices(it, site.context.views.now()));
    if messages.is_empty() {
        messages.push(PayloadChoice {
            written: quoted_text("number"),
            words: "a number and nothing else".to_owned(),
        });
    }
    let mut faults = FormFaults::default();
    let draft =
        if form.given("measures").is_some() { draft(&form, garden, &messages, &mut faults) } else { None };
    let lines = draft.map(|draft| draft.lines()).filter(|lines| match check_new_sensor(garden, lines) {
        Ok(()) => true,
        Err(found) => {
            found.iter().for_each(|fault| note(fault, &mut faults));
            false
        }
    });
    let form = if form.given("measures").is_some() { form } else { offered(topic, garden) };
    Ok(page(&frame, garden, &form, &messages, payload, &faults, lines.as_deref()))
}

/// Notes a fault of the lines at the field that it comes from.
fn note(fault: &Fault, faults: &mut FormFaults) {
    let key = fault.key.rsplit(['.', ']']).find(|it| !it.is_empty()).unwrap_or_default();
    let field = match key {
        "id" | "topic" | "depth_cm" | "measures" => key,
        "payload" => "message",
        "every_s" => "minutes",
        "calibration" | "unit" | "mm_per_tip" | "points" => "meaning",
        _ => "place",
    };
    faults.note(field, format!("{} is not taken. Accepted: {}.", fault.given, fault.accepted));
}

/// The sensor that the form describes; `None` after a fault.
fn draft(
    form: &FormFields,
    garden: &Garden,
    messages: &[PayloadChoice],
    faults: &mut FormFaults,
) -> Option<SensorDraft> {
    let measures = Quantity::from_name(form.text("measures"));
    if measures.is_none() {
        faults.note("measures", "Choose what it measures.");
    }
    let place = place(form.text("place"), garden);
    if place.is_none() {
        faults.note("place", "Choose a place of the list.");
    }
    if form.given("topic").is_none() {
        faults.note("topic", "The topic is needed.");
    }
    let in_soil = measures.is_some_and(|it| it.measured_in() == MeasuredIn::Bed);
    let depth_cm = if in_soil { faults.needed(form, "depth_cm", "Depth", DEPTH_CM) } else { None };
    let minutes = faults.needed(form, "minutes", "Minutes between two readings", MINUTES_RANGE);
    let message = messages.iter().find(|it| it.written == form.text("message"));
    if message.is_none() {
        faults.note("message", "Choose a number of the message.");
    }
    let meaning = meaning(form, measures, faults);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "1 second to a day")]
    let every_s = (minutes? * 60.0).round().max(1.0) as u32;
    let (measures, place) = (measures?, place?);
    let id = match form.text("id") {
        "" => id_of(measures, &place, depth_cm, garden),
        given => given.to_owned(),
    };
    let (topic, payload) = (form.text("topic").to_owned(), message?.written.clone());
    let draft = SensorDraft { id, measures, place, depth_cm, topic, payload, every_s, meaning: meaning? };
    faults.is_empty().then_some(draft)
}

fn meaning(form: &FormFields, measures: Option<Quantity>, faults: &mut FormFaults) -> Option<RawMeaning> {
    let moisture = measures.is_none_or(|it| it == Quantity::SoilMoisture);
    match form.text("meaning") {
        "value" if measures == Some(Quantity::SoilMoisture) => Some(RawMeaning::WaterContent),
        "value" => Some(RawMeaning::Value),
        "percent" if moisture => Some(RawMeaning::Percent),
        "m3/m3" if moisture => Some(RawMeaning::WaterContent),
        "percent" | "m3/m3" => {
            faults.note("meaning", "That is for soil moisture. Choose another meaning.");
            None
        }
        "points" => {
            let mut number = |name, label| faults.needed(form, name, label, ANY);
            let first = (number("raw_1", "First raw number"), number("value_1", "What the first one means"));
            let second =
                (number("raw_2", "Second raw number"), number("value_2", "What the second one means"));
            Some(RawMeaning::Points([(first.0?, first.1?), (second.0?, second.1?)]))
        }
        "tips" => Some(RawMeaning::Tips(faults.needed(form, "mm", "Rain for one tip", MM_PER_TIP)?)),
        _ => {
            faults.note("meaning", "Choose what the number means.");
            None
        }
    }
}

fn place(text: &str, garden: &Garden) -> Option<SensorPlace> {
    match text.split_once(':') {
        Some(("bed", id)) => {
            garden.beds.iter().any(|it| it.id.as_str() == id).then(|| SensorPlace::Bed(id.to_owned()))
        }
        Some(("tank", id)) => {
            garden.tanks.iter().any(|it| it.id.as_str() == id).then(|| SensorPlace::Tank(id.to_owned()))
        }
        _ => (text == SITE).then_some(SensorPlace::Site),
    }
}

/// An id that says where and what, and that nothing in the garden has.
fn id_of(measures: Quantity, place: &SensorPlace, depth_cm: Option<f64>, garden: &Garden) -> String {
    let stem = match place {
        SensorPlace::Bed(id) | SensorPlace::Tank(id) => id.as_str(),
        SensorPlace::Site => garden.site.id.as_str(),
    };
    let what = match (measures, depth_cm) {
        (Quantity::SoilMoisture, Some(cm)) => format!("{cm}cm"),
        (_, Some(cm)) => format!("{}-{cm}cm", measures.name()),
        (_, None) => measures.name().to_owned(),
    };
    let taken: BTreeSet<&str> = garden
        .sensors
        .iter()
        .map(|it| it.id.as_str())
        .chain(garden.beds.iter().map(|it| it.id.as_str()))
        .chain(garden.tanks.iter().map(|it| it.id.as_str()))
        .chain(garden.gateways.iter().map(|it| it.id.as_str()))
        .collect();
    free_id(&id_for(&format!("{stem} {what}"), "sensor"), |id| taken.contains(id))
}

/// What the form begins with: as far as the topic's own words tell.
fn offered(topic: &str, garden: &Garden) -> FormFields {
    let words = topic.to_lowercase();
    let is = |part: &str| words.contains(part);
    let measures = match () {
        () if is("rain") || is("gauge") => Quantity::Rain,
        () if is("soil") && is("temp") => Quantity::SoilTemperature,
        () if is("water") && is("temp") || is("tank") && is("temp") => Quantity::WaterTemperature,
        () if is("temp") => Quantity::AirTemperature,
        () if is("humid") => Quantity::RelativeHumidity,
        () if is("oxygen") => Quantity::DissolvedOxygen,
        () if is("flow") => Quantity::WaterFlow,
        () => Quantity::SoilMoisture,
    };
    let named = |id: &str| !id.is_empty() && words.contains(id);
    let bed = garden.beds.iter().find(|it| named(it.id.as_str()));
    let tank = garden.tanks.iter().find(|it| named(it.id.as_str()));
    let place = match (measures.measured_in(), bed.or(garden.beds.first()), tank.or(garden.tanks.first())) {
        (MeasuredIn::Bed, Some(bed), _) => format!("bed:{}", bed.id),
        (MeasuredIn::Tank, _, Some(tank)) => format!("tank:{}", tank.id),
        _ => SITE.to_owned(),
    };
    let depth = words.split(|c: char| !c.is_ascii_alphanumeric()).find_map(|it| it.strip_suffix("cm"));
    let depth = depth.filter(|it| !it.is_empty() && it.bytes().all(|b| b.is_ascii_digit()));
    let mut form = FormFields::default();
    for (name, value) in [
        ("topic", topic),
        ("measures", measures.name()),
        ("place", &place),
        ("depth_cm", depth.unwrap_or(if measures.measured_in() == MeasuredIn::Bed { "15" } else { "" })),
        ("minutes", MINUTES),
        ("meaning", if measures == Quantity::Rain { "tips" } else { "value" }),
        ("mm", if measures == Quantity::Rain { "0.2" } else { "" }),
    ] {
        form.add(name, value);
    }
    form
}

fn page(
    frame: &PageFrame,
    garden: &Garden,
    form: &FormFields,
    messages: &[PayloadChoice],
    payload: Option<&[u8]>,
    faults: &FormFaults,
    lines: Option<&str>,
) -> Markup {
    let pair = |value: &str, words: &str| (value.to_owned(), words.to_owned());
    let quantities: Vec<_> = Quantity::ALL.into_iter().map(|it| pair(it.name(), it.title())).collect();
    let mut places = vec![pair(SITE, "The whole garden")];
    places.extend(garden.beds.iter().map(|it| (format!("bed:{}", it.id), labels::name(&it.name))));
    places.extend(garden.tanks.iter().map(|it| (format!("tank:{}", it.id), labels::name(&it.name))));
    let read: Vec<_> = messages.iter().map(|it| pair(&it.written, &it.words)).collect();
    let meanings: Vec<_> = MEANINGS.iter().map(|(value, words)| pair(value, words)).collect();
    let own = format!("/site/{}", garden.site.id);
    let body = html! {
        h1 { "Add a sensor" }
        p { "A new sensor needs a few lines in the garden's file. Say what it measures and where: this page writes them." }
        (faults.list())
        @if let Some(lines) = lines {
            section class="found" role="status" {
                h2 { "The lines are ready" }
                (lines_to_paste("Whoever runs Trug puts these lines at the end of the garden's file.", lines))
                p { "Before it goes into the ground, " a href={ (own) "/probe" } { "check the probe" } " and look " a href={ (own) "/placing" } { "where to put it" } "." }
            }
        }
        form class="entry" method="get" action=(frame.path) novalidate {
            (text_field("topic", "Topic", Some("The name under which its messages come. The page Sensors lists those without a place."), form.text("topic"), faults))
            @if let Some(payload) = payload {
                p { "Its last message: " code { bdi { (labels::shown(&String::from_utf8_lossy(payload), 120)) } } }
            }
            (choice_field("measures", "What it measures", None, &quantities, form.text("measures"), faults))
            (choice_field("place", "Where", None, &places, form.text("place"), faults))
            (number_field("depth_cm", "How deep, cm", Some("For sensors in the soil."), form, faults))
            (choice_field("message", "Which number of the message", None, &read, form.text("message"), faults))
            (choice_field("meaning", "What the number means", None, &meanings, form.text("meaning"), faults))
            fieldset {
                legend { "If it is a raw number" }
                p class="standing" { "Two raw numbers and what each means, such as dry soil and soaked soil. "
                    a href={ (own) "/probe#sheet" } { "Calibration sheet" } }
                (number_field("raw_1", "First raw number", None, form, faults))
                (number_field("value_1", "What the first one means", Some("For moisture, m3/m3: 0.05."), form, faults))
                (number_field("raw_2", "Second raw number", None, form, faults))
                (number_field("value_2", "What the second one means", None, form, faults))
            }
            (number_field("mm", "If it is a rain gauge: rain for one tip, mm", Some("It stands on the gauge: 0.2 is usual."), form, faults))
            (number_field("minutes", "Minutes between two readings", None, form, faults))
            (text_field("id", "Id, if you want your own", Some("Small letters, digits and hyphens."), form.text("id"), faults))
            button type="submit" { "Make the lines" }
        }
    };
    still(frame, "Add a sensor", &body)
}
