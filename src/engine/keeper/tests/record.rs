//! The garden of the world, and its record.

use std::path::PathBuf;
use std::sync::OnceLock;

use super::broker::{START_S, moment};
use super::disk::DiskImage;
use crate::engine::keeper::Engine;
use crate::garden::Clock;
use crate::settings::{Settings, from_text};

/// Saltbush Gully Primary School is invented.
const GARDEN: &str = r#"
[site]
id = "saltbush-gully"
name = "Saltbush Gully Primary School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.93
elevation_m = 95
[watering]
allowed = ["00:00-24:00"]
[[tank]]
id = "perch-tank"
name = "Perch tank"
volume_l = 500
species = "silver perch"
fish = 12
[[bed]]
id = "kitchen-bed"
name = "Kitchen bed"
area_m2 = 10
field_capacity = 0.30
wilting_point = 0.10
root_depth_m = 0.5
depletion_fraction = 0.4
[[sensor]]
id = "perch-water"
measures = "water-temperature"
tank = "perch-tank"
topic = "saltbush-gully/perch-water"
payload = { json = { value = "/raw", time = "/t" } }
every_s = 300
[[sensor]]
id = "kitchen-15cm"
measures = "soil-moisture"
bed = "kitchen-bed"
depth_cm = 15
topic = "saltbush-gully/kitchen-15cm"
payload = { json = { value = "/raw", time = "/t" } }
every_s = 900
[alarms.tank-too-warm]
on_delay_s = 600
off_delay_s = 600
[alarms.dry-bed]
on_delay_s = 900
off_delay_s = 900
[[tell]]
who = "grounds"
alarms = ["tank-too-warm", "tank-temperature-shock", "dry-bed", "sensor-silent"]
file = ["record"]
"#;

const TRUG: &str = r#"
[broker]
url = "mqtt://127.0.0.1"
[store]
path = "trug.db"
[[told_file]]
name = "record"
path = "told.jsonl"
[[forward]]
name = "school"
url = "http://127.0.0.1:8086/write?db=garden"
"#;

pub(super) const FORWARDER: &str = "school";

fn settings() -> &'static Settings {
    static SETTINGS: OnceLock<Settings> = OnceLock::new();
    SETTINGS.get_or_init(|| {
        from_text(("trug.toml", TRUG), &[("garden.toml", GARDEN)], std::iter::empty())
            .unwrap_or_else(|faults| panic!("{faults}"))
    })
}

/// Memory where there is some: nothing here waits for a disk.
pub(super) fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).expect("a folder for the world")
}

/// A record in which nothing is stored yet.
pub(super) fn empty_record() -> &'static DiskImage {
    static EMPTY: OnceLock<DiskImage> = OnceLock::new();
    EMPTY.get_or_init(|| {
        let folder = folder();
        let path = folder.path().join("trug.db");
        let settings = settings_at(path.clone());
        drop(Engine::open_at(&settings, Clock::Arrival, moment(START_S)).expect("a new record"));
        DiskImage::of(&path)
    })
}

pub(super) fn settings_at(path: PathBuf) -> Settings {
    let mut settings = settings().clone();
    settings.store.path = path;
    settings
}
