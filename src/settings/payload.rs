//! How a sensor's payload is written.

use toml::de::DeValue;

use super::document::Want;
use super::fault::nearest;
use super::table::SettingsTable;
use super::value::SettingsItem;
use crate::decode::{JsonPointer, PayloadFormat};

/// The formats' names.
const FORMATS: [&str; 5] = ["number", "senml", "line-protocol", "one-wire", "json"];

const ACCEPTED: &str = "\"number\", \"senml\", \"line-protocol\", \"one-wire\", { json = { value = \"/raw\", time = \"/t\" } }, \
                        { senml = { name = \"...\" } } or { line-protocol = { field = \"...\" } }, with battery = \"...\" \
                        beside them where it is reported";

const POINTER: &str = "a JSON Pointer (RFC 6901): \"/raw\", or \"\" where the payload is the number itself";

/// The payload's format.
pub(super) fn payload(item: &SettingsItem<'_>) -> Option<PayloadFormat> {
    let text = match item.value() {
        DeValue::String(text) => text.to_string(),
        DeValue::Table(_) => return from_table(item.clone().table(ACCEPTED)?),
        _ => return item.refused(ACCEPTED),
    };
    match text.as_str() {
        "number" => Some(PayloadFormat::Number),
        "one-wire" => Some(PayloadFormat::OneWire),
        "senml" => Some(PayloadFormat::Senml { name: None, battery: None }),
        "line-protocol" => {
            Some(PayloadFormat::LineProtocol { measurement: None, field: None, battery: None })
        }
        other => item.faulty(item.given(), ACCEPTED, nearest(other, FORMATS)),
    }
}

fn from_table(table: SettingsTable<'_>) -> Option<PayloadFormat> {
    let before = table.faults();
    let json = table.section("json");
    let senml = table.section("senml");
    let line_protocol = table.section("line-protocol");
    let found = match (json, senml, line_protocol) {
        (Some(json), None, None) => from_json(json),
        (None, Some(senml), None) => {
            let name = text(&senml, "name", "the name of a SenML record");
            let battery = text(&senml, "battery", "the name of a SenML record");
            senml.finish();
            Some(PayloadFormat::Senml { name, battery })
        }
        (None, None, Some(line)) => {
            let measurement = text(&line, "measurement", "the name of a measurement");
            let field = text(&line, "field", "the name of a field");
            let battery = text(&line, "battery", "the name of a field");
            line.finish();
            Some(PayloadFormat::LineProtocol { measurement, field, battery })
        }
        _ => table.faulty("", "not exactly one format", ACCEPTED),
    };
    table.finish_whole(before)?;
    found
}

fn from_json(table: SettingsTable<'_>) -> Option<PayloadFormat> {
    let value = table.read("value", Want::Text, POINTER, pointer);
    let time = table.read_if("time", Want::Text, pointer);
    let battery = table.read_if("battery", Want::Text, pointer);
    table.finish();
    Some(PayloadFormat::Json { value: value?, time: time?, battery: battery? })
}

fn pointer(item: &SettingsItem<'_>) -> Option<JsonPointer> {
    let text = item.text(POINTER)?;
    match JsonPointer::parse(text) {
        Ok(pointer) => Some(pointer),
        Err(e) => {
            let likely = format!("/{text}");
            let near = (!text.starts_with('/') && JsonPointer::parse(&likely).is_ok()).then_some(likely);
            item.faulty(format!("{} ({e})", item.given()), POINTER, near)
        }
    }
}

fn text(table: &SettingsTable<'_>, key: &'static str, accepted: &str) -> Option<String> {
    let fits = |text: &str| !text.is_empty() && !text.chars().any(char::is_control);
    table.get(key, Want::Text)?.text_that(accepted, fits)
}
