//! Gardens for tests, each made from its file as a school's own is, and readings and
//! alarms made by hand. Saltbush Gully Primary School is invented.

use std::fmt::Write as _;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::DateTime;
use trug::alarms::{AlarmKey, AlarmRecord, AlarmText, Kind, State};
use trug::garden::plan::Garden;
use trug::garden::record::{AlarmChange, Batch, Reading, Reject, Unplaced};
use trug::model::{Id, Place, Quantity};
use trug::model::{SensorIx, TimeFrom};
use trug::quality::{Flag, Tests};
use trug::settings::{Settings, from_text};
use trug::store::{AlarmPublication, ForwardProgress, Transaction};

/// The configuration that ships with the program.
pub(crate) const SHIPPED_TRUG: &str = include_str!("../../config/trug.toml");
/// The demonstration's garden.
pub(crate) const SHIPPED: &str = include_str!("../../config/gardens/saltbush-gully.toml");

/// A bed of 100 mm of available water, 40 mm of which may be used: it is dry below 0.22.
pub(crate) const BED_KEYS: &str = "area_m2 = 10\nfield_capacity = 0.30\nwilting_point = 0.10\n\
    root_depth_m = 0.5\ndepletion_fraction = 0.4\n";

/// The hours in which the beds may be watered, as most of these gardens have them.
pub(crate) const WATERING: &str = "[watering]\nallowed = [\"00:00-09:00\", \"18:00-24:00\"]\n";

/// 2026-04-17 05:30 UTC, a Friday afternoon in Adelaide.
pub(crate) const START_MS: i64 = 1_776_403_800_000;

/// So many milliseconds after [`START_MS`].
pub(crate) fn at(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(START_MS + ms).expect("a time of this century")
}

/// A moment by Adelaide's clocks, such as `2026-03-10T09:00`.
pub(crate) fn local(text: &str) -> Timestamp {
    let local: DateTime = text.parse().expect("a date and a time");
    local.in_tz("Australia/Adelaide").expect("a zone of the bundled database").timestamp()
}

/// The settings of one garden's file beside a daemon's.
///
/// # Panics
/// With every fault of the two files.
pub(crate) fn settings_with(trug: &str, garden: &str) -> Settings {
    from_text(("trug.toml", trug), &[("garden.toml", garden)], std::iter::empty())
        .unwrap_or_else(|faults| panic!("{faults}"))
}

/// The settings of one garden's file beside the shortest file that a daemon can have.
pub(crate) fn settings(garden: &str) -> Settings {
    settings_with("[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"trug.db\"\n", garden)
}

/// The settings that ship with the program.
pub(crate) fn shipped() -> Settings {
    settings_with(SHIPPED_TRUG, SHIPPED)
}

/// The garden of a file.
pub(crate) fn garden_of(text: &str) -> Arc<Garden> {
    Arc::new(settings(text).gardens.remove(0))
}

/// A garden's file, written part by part. Lines of `keys` stand in the table of the part,
/// and in the place of those that it has otherwise.
#[derive(Clone)]
pub(crate) struct GardenFile {
    site: String,
    text: String,
}

impl GardenFile {
    /// The school by this id, with nothing in its garden.
    pub(crate) fn new(site: &str) -> Self {
        let text = format!(
            "[site]\nid = \"{site}\"\nname = \"Saltbush Gully Primary School\"\n\
             time_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.93\nelevation_m = 95\n"
        );
        Self { site: site.to_owned(), text }
    }

    /// More lines of the last table, or tables of their own.
    pub(crate) fn with(mut self, lines: &str) -> Self {
        self.text.push_str(lines);
        self
    }

    pub(crate) fn bed(self, id: &str, name: &str, keys: &str) -> Self {
        self.part("bed", id, &format!("name = \"{name}\"\n{keys}"))
    }

    pub(crate) fn tank(self, id: &str, name: &str, keys: &str) -> Self {
        let name = format!("name = \"{name}\"");
        self.part(
            "tank",
            id,
            &or_usual(keys, &[name.as_str(), "volume_l = 500", "species = \"silver perch\""]),
        )
    }

    /// A sensor that sends a number each quarter of an hour.
    pub(crate) fn sensor(self, id: &str, measures: &str, keys: &str) -> Self {
        let topic = format!("topic = \"{}/{id}\"", self.site);
        let measures = format!("measures = \"{measures}\"");
        let usual = [measures.as_str(), topic.as_str(), "payload = \"number\"", "every_s = 900"];
        self.part("sensor", id, &or_usual(keys, &usual))
    }

    /// A moisture probe in a bed.
    pub(crate) fn probe(self, id: &str, bed: &str, depth_cm: u32) -> Self {
        self.sensor(id, "soil-moisture", &format!("bed = \"{bed}\"\ndepth_cm = {depth_cm}\n"))
    }

    fn part(mut self, table: &str, id: &str, keys: &str) -> Self {
        let _ = writeln!(self.text, "[[{table}]]\nid = \"{id}\"\n{keys}");
        self
    }

    pub(crate) fn text(&self) -> &str {
        &self.text
    }

    pub(crate) fn garden(&self) -> Garden {
        settings(&self.text).gardens.remove(0)
    }
}

/// These keys, and each usual line whose key is not among them.
fn or_usual(keys: &str, usual: &[&str]) -> String {
    let given = |line: &str| keys.lines().any(|own| own.split(" =").next() == line.split(" =").next());
    let mut lines: Vec<&str> = usual.iter().copied().filter(|line| !given(line)).collect();
    lines.push(keys);
    lines.join("\n")
}

/// A garden with one bed and these sensors: id, quantity, whether it is in the bed.
pub(crate) fn garden(site: &str, sensors: &[(&str, Quantity, bool)]) -> Garden {
    let keys = "area_m2 = 7.2\nsoil = \"loamy sand\"\nwilting_point = 0.06\ncrop = \"cabbage\"\n";
    let mut file = GardenFile::new(site).with(WATERING).bed("kitchen-bed", "Kitchen bed", keys);
    for &(id, measures, _) in sensors {
        let soil = matches!(measures, Quantity::SoilMoisture | Quantity::SoilTemperature);
        let keys = if soil { "bed = \"kitchen-bed\"\ndepth_cm = 15" } else { "" };
        file = file.sensor(id, measures.name(), keys);
    }
    // A bed's file has to name a probe of it, a test's garden has not.
    let mut garden = file.probe("another", "kitchen-bed", 30).garden();
    garden.sensors.pop();
    for (sensor, &(_, _, in_bed)) in garden.sensors.iter_mut().zip(sensors) {
        sensor.place = if in_bed { Place::Bed(0) } else { Place::Site };
    }
    garden
}

/// A moisture probe in the bed and the site's rain gauge.
pub(crate) fn school() -> Garden {
    garden(
        "saltbush-gully",
        &[("kitchen-15cm", Quantity::SoilMoisture, true), ("yard-gauge", Quantity::Rain, false)],
    )
}

/// A garden of so many moisture probes.
pub(crate) fn probes(count: u32) -> Garden {
    let names: Vec<String> = (0..count).map(|n| format!("probe-{n}")).collect();
    let sensors: Vec<_> = names.iter().map(|name| (name.as_str(), Quantity::SoilMoisture, true)).collect();
    garden("saltbush-gully", &sensors)
}

/// A reading that passed, `ms` after the start.
pub(crate) fn reading(sensor: u32, ms: i64, raw: f64) -> Reading {
    Reading {
        sensor: SensorIx(sensor),
        at: at(ms),
        raw,
        value: Some(raw / 10_000.0),
        flag: Flag::Pass,
        tests: Tests::NOT_EVALUATED,
        time_from: TimeFrom::Device,
        late: false,
    }
}

/// How far a forwarder has come, with nothing refused.
pub(crate) fn forwarded(name: &str, position: i64) -> ForwardProgress {
    ForwardProgress { name: name.to_owned(), position, refused: Vec::new() }
}

/// A transaction with a batch and nothing else.
pub(crate) fn only(batch: &Batch) -> Transaction<'_> {
    Transaction {
        at: at(0),
        batch,
        letters: &[],
        letters_sent: &[],
        forwarded: &[],
        forward: false,
        messages: &[],
        sent: &[],
        tries: &[],
        waiting: &[],
        received: &[],
        confirmed: 0,
    }
}

/// A step of the kitchen bed's dry-bed alarm.
pub(crate) fn dry_bed(ms: i64, from: State, to: State) -> AlarmChange {
    let said = AlarmText::new(
        "Kitchen bed is dry: 38 % of its available water is left.",
        &[("depletion_mm", 8.0), ("available_left", 0.38)],
        "FAO-56 eq. 82-83",
    );
    let key = AlarmKey { site: Id::new("saltbush-gully"), kind: Kind::DryBed, place: Id::new("kitchen-bed") };
    AlarmChange {
        record: AlarmRecord {
            key,
            state: to,
            since: at(0),
            at: at(ms),
            shelf: None,
            course: trug::alarms::AlarmCourse::default(),
            said,
        },
        priority: Kind::DryBed.priority(),
        from,
        how: None,
        tell: vec!["grounds".to_owned()],
    }
}

/// The letter of a step.
pub(crate) fn letter(change: &AlarmChange) -> AlarmPublication {
    let AlarmKey { site, kind, place } = &change.record.key;
    let kind = kind.name();
    AlarmPublication {
        key: format!(
            "{site}/{kind}/{place}/{}/{}",
            change.record.at.as_millisecond(),
            change.record.state.name()
        ),
        topic: format!("trug/{site}/alarm/{kind}/{place}"),
        payload: change.record.said.text.clone().into_bytes(),
    }
}

/// A payload that could not be read.
pub(crate) fn reject(ms: i64) -> Reject {
    Reject {
        at: at(ms),
        topic: "saltbush-gully/kitchen-15cm".to_owned(),
        payload: b"wet".to_vec(),
        reason: "\"wet\" is not a number".to_owned(),
    }
}

/// A message on a topic that no sensor names.
pub(crate) fn unplaced(ms: i64, topic: &str) -> Unplaced {
    Unplaced { at: at(ms), topic: topic.to_owned(), payload: b"21.5".to_vec() }
}
