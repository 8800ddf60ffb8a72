//! Short names for what a report was made from: a changed reading or setting changes
//! them.

use std::fmt::Write as _;

use ring::digest::{Context, SHA256};

use crate::analysis::month::Input;
use crate::garden::plan::Garden;
use crate::model::Place;

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
pub fn fingerprints(garden: &Garden, input: &Input) -> Fingerprints {
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
        site.watering_allowed,
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
    let mut context = Context::new(&SHA256);
    context.update(text.as_bytes());
    hex(context)
}

fn readings(input: &Input) -> String {
    let mut context = Context::new(&SHA256);
    let mut line = String::new();
    for (sensor, points) in &input.readings {
        for point in points {
            line.clear();
            let value = point.value.map(|value| value.to_string()).unwrap_or_default();
            let _ = writeln!(line, "{sensor},{},{},{value},{}", point.at, point.raw, point.flag.number());
            context.update(line.as_bytes());
        }
    }
    hex(context)
}

fn told(input: &Input) -> String {
    let mut context = Context::new(&SHA256);
    for entry in &input.log {
        let place = entry.place.as_ref().map_or("", |place| place.as_str());
        let line = format!("{},{place},{:?},{:?}\n", entry.at, entry.what, entry.note);
        context.update(line.as_bytes());
    }
    for (at, kind, place) in &input.alarms {
        context.update(format!("{at},{kind:?},{place:?}\n").as_bytes());
    }
    hex(context)
}

fn hex(context: Context) -> String {
    context.finish().as_ref().iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}
