//! `trug calibrate FILE.csv`: pairs of raw numbers and reference values come to a
//! calibration, its error, and the line to paste.

use std::io::Write;
use std::path::PathBuf;

use serde_json::json;

use super::csv_file::{CsvFile, CsvLine, is_missing, number};
use super::exit::Exit;
use super::shared::print_json;
use crate::calibration::fit::{Fit, LeftOut, fit};
use crate::garden::plan::{Garden, Sensor};
use crate::model::{Place, Quantity};
use crate::settings::Settings;
use crate::text::spoken::counted;

/// Wrong lines that are shown.
const SHOWN_MAX: usize = 20;

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct Calibrate {
    /// The sensor that was read; its unit, its bed and its present calibration are looked at
    #[arg(long, value_name = "ID")]
    pub sensor: Option<String>,
    /// The garden, where two have a sensor of one id
    #[arg(long, value_name = "ID")]
    pub site: Option<String>,
    /// The column of the raw number
    #[arg(long, value_name = "COLUMN", default_value = "raw")]
    pub raw: String,
    /// The column of the reference value
    #[arg(long, value_name = "COLUMN", default_value = "value")]
    pub value: String,
    /// The CSV file
    pub file: PathBuf,
    #[arg(from_global)]
    pub json: bool,
}

/// Fits the pairs of the file and prints the calibration: no where they support none.
/// `settings` are needed where a sensor is named.
///
/// # Errors
/// When `out` cannot be written.
pub fn run(settings: Option<&Settings>, it: &Calibrate, out: &mut dyn Write) -> anyhow::Result<Exit> {
    let refusal =
        |answer: &str, text: String| FitAnswer { json: json!({ "answer": answer, "text": text }), text };
    let (answer, exit) = match read(settings, it) {
        Err(why) => (refusal("wrong input", why), Exit::WrongInput),
        Ok((named, pairs)) => match fit(&pairs) {
            Ok(fitted) => (told(it, named, &pairs, &fitted), Exit::Yes),
            Err(why) => {
                let why = format!("{} supports no calibration: {why}.", it.file.display());
                (refusal("no", why), Exit::No)
            }
        },
    };
    if it.json {
        print_json(&answer.json, out)?;
    } else {
        writeln!(out, "{}", answer.text)?;
    }
    Ok(exit)
}

/// An answer in words and for programs.
struct FitAnswer {
    text: String,
    json: serde_json::Value,
}

/// A garden's sensor.
type NamedSensor<'s> = (&'s Garden, &'s Sensor);

/// Raw and reference values, with the sensor where one is named.
type CalibrationRequest<'s> = (Option<NamedSensor<'s>>, Vec<(f64, f64)>);

/// The sensor that is named, and the pairs of the file.
fn read<'s>(settings: Option<&'s Settings>, it: &Calibrate) -> Result<CalibrationRequest<'s>, String> {
    let named = match &it.sensor {
        Some(id) => Some(sensor(settings, it.site.as_deref(), id)?),
        None => None,
    };
    Ok((named, pairs(it, named.map(|(_, sensor)| sensor))?))
}

/// The garden and the sensor of that id.
fn sensor<'s>(
    settings: Option<&'s Settings>,
    site: Option<&str>,
    id: &str,
) -> Result<NamedSensor<'s>, String> {
    let Some(settings) = settings else {
        return Err(format!("the configuration is needed to know the sensor {id:?}"));
    };
    let all: Vec<(&Garden, &Sensor)> = settings
        .gardens
        .iter()
        .filter(|garden| site.is_none_or(|site| garden.site.id.as_str() == site))
        .flat_map(|garden| garden.sensors.iter().map(move |sensor| (garden, sensor)))
        .collect();
    let found: Vec<_> = all.iter().filter(|(_, sensor)| sensor.id.as_str() == id).collect();
    match found.as_slice() {
        [] => {
            let nearest = all
                .iter()
                .map(|(_, sensor)| sensor.id.as_str())
                .max_by(|a, b| strsim::jaro_winkler(a, id).total_cmp(&strsim::jaro_winkler(b, id)));
            let near = nearest.map_or(String::new(), |near| format!("; the nearest is {near:?}"));
            Err(format!("no sensor is called {id:?}{near}"))
        }
        [(garden, sensor)] => Ok((garden, sensor)),
        _ => Err(format!("several gardens have a sensor {id:?}; say which with --site")),
    }
}

/// The pairs of the file, or every line that is wrong.
fn pairs(it: &Calibrate, sensor: Option<&Sensor>) -> Result<Vec<(f64, f64)>, String> {
    let name = it.file.display();
    let csv = CsvFile::open(&it.file)?;
    let headers = csv.headers()?;
    let column = |wanted: &str, flag: &str| {
        headers.iter().position(|header| header == wanted).ok_or_else(|| {
            format!(
                "{name} has no column {wanted:?}; its columns are: {}. Name the right one with {flag} COLUMN",
                headers.join(", ")
            )
        })
    };
    let (raw, value) = (column(&it.raw, "--raw")?, column(&it.value, "--value")?);
    let (mut pairs, mut wrong, mut more) = (Vec::new(), Vec::new(), 0);
    let mut fault = |fault: String| {
        if wrong.len() < SHOWN_MAX {
            wrong.push(fault);
        } else {
            more += 1;
        }
    };
    csv.each_line(|line| match line {
        Ok(CsvLine { number, cells }) => {
            let cell = |at: usize| String::from_utf8_lossy(cells.get(at).unwrap_or_default());
            match pair(&cell(raw), &cell(value), csv.decimal_comma(), sensor) {
                Ok(pair) => pairs.extend(pair),
                Err(why) => fault(format!("line {number}: {why}")),
            }
        }
        Err((line, why)) => fault(format!("line {line}: {why}")),
    });
    if wrong.is_empty() {
        return Ok(pairs);
    }
    if more > 0 {
        wrong.push(format!("and {}", counted(more, "more line", "more lines")));
    }
    Err(format!("{name} has lines that are no pair of numbers; nothing was fitted:\n{}", wrong.join("\n")))
}

/// The numbers of a line; none where both are missing.
fn pair(
    raw: &str,
    value: &str,
    decimal_comma: bool,
    sensor: Option<&Sensor>,
) -> Result<Option<(f64, f64)>, String> {
    let of = |text: &str| {
        if is_missing(text) { Err("a number is missing".to_owned()) } else { number(text, decimal_comma) }
    };
    if is_missing(raw) && is_missing(value) {
        return Ok(None);
    }
    match (of(raw), of(value)) {
        (Ok(raw), Ok(value)) => impossible(value, sensor).map_or(Ok(Some((raw, value))), Err),
        (raw, value) => {
            Err([raw.err(), value.err()].into_iter().flatten().collect::<Vec<_>>().join(", and "))
        }
    }
}

/// Why a reference value cannot be what the sensor measures.
fn impossible(value: f64, sensor: Option<&Sensor>) -> Option<String> {
    let sensor = sensor?;
    let (min, max) = sensor.quality.gross_fail;
    if (min..=max).contains(&value) {
        return None;
    }
    let (measures, unit) = (sensor.measures.name(), sensor.measures.unit());
    let percent = sensor.measures == Quantity::SoilMoisture && (0.0..=100.0).contains(&value);
    let hint = if percent { "; percent are divided by 100" } else { "" };
    Some(format!("{value} {unit} is no {measures} that {} can have ({min} to {max}){hint}", sensor.id))
}

/// A fit in words and for programs.
fn told(it: &Calibrate, named: Option<NamedSensor<'_>>, pairs: &[(f64, f64)], fitted: &Fit) -> FitAnswer {
    let unit = named.map_or("", |(_, sensor)| sensor.measures.unit());
    let spaced = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    let line = fitted.numbers.line();
    let mut text = format!(
        "{} at {}: raw {} to {}, value {} to {}{spaced}.\n",
        counted(pairs.len(), "pair", "pairs"),
        counted(fitted.places, "place", "places"),
        short(fitted.raw.0),
        short(fitted.raw.1),
        short(fitted.value.0),
        short(fitted.value.1),
    );
    let mut notes = Vec::new();
    match fitted.error {
        None => notes.push(
            "The error is unknown: two places make a line and leave nothing to check it with. Measure one more \
             between them at least."
                .to_owned(),
        ),
        Some(_) => {
            text.push_str("\nEach place left out in turn and foretold from the others:\n");
            for (form, error) in &fitted.tried {
                let mark = if *form == fitted.form { "  <- taken" } else { "" };
                text.push_str(&format!(
                    "  {:<25} error {}{spaced}, largest {} at raw {}{mark}\n",
                    form.name(),
                    short(error.rmse),
                    short(error.largest),
                    short(error.at_raw),
                ));
            }
        }
    }
    if let Some((garden, sensor)) = named {
        notes.extend(present(sensor, pairs, &spaced));
        notes.extend(bed_beyond(garden, sensor, fitted));
        if sensor.measures == Quantity::Rain {
            notes.push(
                "For a tipping-bucket gauge take mm_per_tip instead: rain over tips, from one long pour."
                    .to_owned(),
            );
        }
    }
    notes.push(match fitted.calibration.valid() {
        Some((min, max)) => {
            format!("It holds from raw {} to {} and gives no value beyond.", short(min), short(max))
        }
        None => "Beyond its ends it is carried on for a tenth of its span and gives no value farther out."
            .to_owned(),
    });
    for note in &notes {
        text.push_str(&format!("\n{note}"));
    }
    let place = named.map_or_else(
        || "Paste into the [[sensor]] of the garden's file:".to_owned(),
        |(garden, sensor)| {
            format!("Paste into the [[sensor]] with id = \"{}\" of the garden {}:", sensor.id, garden.site.id)
        },
    );
    text.push_str(&format!("\n\n{place}\n\n{line}"));
    let error =
        |error: &LeftOut| json!({ "rmse": error.rmse, "largest": error.largest, "at_raw": error.at_raw });
    let json = json!({
        "answer": "yes",
        "pairs": pairs.len(),
        "places": fitted.places,
        "raw": [fitted.raw.0, fitted.raw.1],
        "value": [fitted.value.0, fitted.value.1],
        "unit": named.map(|_| unit),
        "form": fitted.form.name(),
        "error": fitted.error.as_ref().map(error),
        "tried": fitted
            .tried
            .iter()
            .map(|(form, e)| json!({ "form": form.name(), "error": error(e) }))
            .collect::<Vec<_>>(),
        "sensor": it.sensor,
        "toml": line,
        "notes": notes,
        "text": text,
    });
    FitAnswer { text, json }
}

/// How far the calibration that the sensor has now is off on these pairs.
fn present(sensor: &Sensor, pairs: &[(f64, f64)], spaced: &str) -> Option<String> {
    let now = &sensor.calibrations.last()?.calibration;
    let off: Vec<f64> =
        pairs.iter().filter_map(|&(raw, value)| Some(now.convert(raw).ok()? - value)).collect();
    if off.is_empty() {
        return Some(
            "The calibration that the sensor has now gives no value for any of these pairs.".to_owned(),
        );
    }
    let rmse = (off.iter().map(|e| e * e).sum::<f64>() / off.len() as f64).sqrt();
    let none = match pairs.len() - off.len() {
        0 => String::new(),
        without => format!(", and gives no value for {without} of them"),
    };
    Some(format!(
        "The calibration that the sensor has now is off by {}{spaced} on these pairs{none}.",
        short(rmse)
    ))
}

/// Whether the bed's water contents lie beyond the pairs.
fn bed_beyond(garden: &Garden, sensor: &Sensor, fitted: &Fit) -> Option<String> {
    let Place::Bed(at) = sensor.place else { return None };
    let bed = garden.beds.get(usize::from(at)).filter(|_| sensor.measures == Quantity::SoilMoisture)?;
    let (low, high) = fitted.value;
    if low <= bed.wilting_point && bed.field_capacity <= high {
        return None;
    }
    Some(format!(
        "The pairs reach from {} to {} m3/m3, and the bed's water from {} (wilting point) to {} (field capacity): \
         measure drier and wetter soil too before the rules are to trust it there.",
        short(low),
        short(high),
        short(bed.wilting_point),
        short(bed.field_capacity),
    ))
}

/// Four significant digits, or the whole number.
fn short(x: f64) -> String {
    let digits = format!("{x:.3e}").parse().unwrap_or(x);
    if x.abs() >= 1000.0 { format!("{x:.0}") } else { format!("{digits}") }
}
