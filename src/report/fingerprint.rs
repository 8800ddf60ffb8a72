//! Short names for what a report was made from: a changed reading or setting changes
//! them.

use std::fmt::Write as _;

use ring::digest::{Context, SHA256};

use crate::analysis::month::MonthInput;
use crate::garden::plan::Garden;
use crate::model::Place;
use crate::text::labels::written;

/// SHA-256 (FIPS 180-4) of what went in, in hex digits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fingerprints {
    /// The garden's settings that matter for the figures: place and clock, beds, tanks,
    /// sensors with their calibrations and quality limits. Not who is told, and not how
    /// readings arrive.
    pub settings: String,
    /// One line `sensor,time,raw,value,flag` for each reading, in order of sensor and
    /// time, as `trug export` writes these columns, each line ended by LF.
    pub readings: String,
    /// The log's entries and the alarms.
    pub told: String,
}

/// The fingerprints of what a month is made from.
pub fn fingerprints(garden: &Garden, input: &MonthInput) -> Fingerprints {
    Fingerprints { settings: settings(garden), readings: readings(input), told: told(input) }
}

fn settings(garden: &Garden) -> String {
    let site = &garden.site;
    let mut text = format!(
        "site {} {:?} {:?} {} {} {:?}\n",
        site.id,
        site.name,
        site.time_zone.iana_name(),
        site.latitude_deg,
        site.elevation_m,
        site.watering_rules,
    );
    for bed in &garden.beds {
        let _ = writeln!(text, "{bed:?}");
    }
    for tank in &garden.tanks {
        let _ = writeln!(text, "{tank:?}");
    }
    for sensor in &garden.sensors {
        let place = match sensor.place {
            Place::Bed(at) => format!("bed {at}"),
            Place::Tank(at) => format!("tank {at}"),
            Place::Site => "site".to_owned(),
        };
        let _ = writeln!(
            text,
            "sensor {} {} {place} {:?} {:?} {} {:?} {:?}",
            sensor.id,
            sensor.measures.name(),
            sensor.depth_m,
            sensor.height_m,
            sensor.every_s,
            sensor.calibrations,
            sensor.quality,
        );
    }
    let _ = writeln!(text, "{:?}", garden.roof);
    digest([text])
}

fn readings(input: &MonthInput) -> String {
    let all = input.readings.iter().flat_map(|(sensor, points)| points.iter().map(move |it| (sensor, it)));
    digest(all.map(|(sensor, point)| {
        let value = point.value.map(written).unwrap_or_default();
        format!("{sensor},{},{},{value},{}\n", point.at, point.raw, point.flag.number())
    }))
}

fn told(input: &MonthInput) -> String {
    let log = input.log.iter().map(|entry| {
        let place = entry.place.as_ref().map_or("", |place| place.as_str());
        format!("{},{place},{:?},{:?}\n", entry.at, entry.what, entry.note)
    });
    let alarms = input.alarms.iter().map(|(at, kind, place)| format!("{at},{kind:?},{place:?}\n"));
    digest(log.chain(alarms))
}

fn digest(lines: impl IntoIterator<Item = String>) -> String {
    let mut context = Context::new(&SHA256);
    lines.into_iter().for_each(|line| context.update(line.as_bytes()));
    context.finish().as_ref().iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}
