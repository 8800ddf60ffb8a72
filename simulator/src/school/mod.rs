//! What stands in the garden, read from a garden's configuration file.
//!
//! Only the parts that the simulator needs are read; the rest of the file is
//! left alone. This is a reading of its own on purpose: the simulator is the
//! truth that the daemon is scored against, so it shares no code with it.

mod file;
mod inverse;
mod quantity;
mod tables;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;

pub use inverse::Inverse;
pub use quantity::Quantity;
pub(crate) use quantity::WhenCut;

/// A school garden as the simulator sees it.
#[derive(Clone, Debug)]
pub struct School {
    /// The site's id, as it stands in the file.
    pub site: String,
    /// The clock on the wall.
    pub time_zone: TimeZone,
    /// Degrees north, -90 to 90.
    pub latitude_deg: f64,
    /// When water may run, minutes after local midnight, `[from, to)`.
    pub allowed: Vec<(u16, u16)>,
    pub beds: Vec<Bed>,
    pub tanks: Vec<Tank>,
    pub sensors: Vec<Sensor>,
    /// What the file says of the watering timer.
    pub programs: Vec<TimerProgram>,
}

/// A program of the watering timer, as the file has it.
#[derive(Clone, Debug)]
pub struct TimerProgram {
    /// Numbers of its beds.
    pub beds: Vec<usize>,
    /// Every so many days, counted from `from`.
    pub every_days: u16,
    pub from: Date,
    pub start: Time,
    pub minutes: u16,
    /// Whether that is all that the file says: else it runs on other days, or more often.
    pub whole: bool,
}

/// A bed.
#[derive(Clone, Debug)]
pub struct Bed {
    pub id: String,
    /// Square metres, above 0.
    pub area_m2: f64,
    /// Water content at field capacity, m³/m³.
    pub field_capacity: f64,
    /// Water content at the wilting point, m³/m³.
    pub wilting_point: f64,
    /// Water content where all pores are full, where the file says so, m³/m³.
    pub saturation: Option<f64>,
    /// Root depth for scheduling, metres.
    pub root_depth_m: f64,
    /// Part of total available water that may be used before stress.
    pub depletion_fraction: f64,
    /// Whether the file says when its crop was planted, so that the fraction can
    /// be adjusted for what the crop uses.
    pub planted: bool,
    /// While the crop is young: the first moment of its day of planting (Unix seconds) and
    /// the days of its initial and development stage.
    pub young: Option<(i64, u16, u16)>,
    /// Litres an hour for the whole bed.
    pub litres_per_hour: f64,
    /// Part of the water that reaches the root zone, above 0 to 1.
    pub efficiency: f64,
    /// The day on which mulch is to go down, local calendar.
    pub mulch_planned: Option<Date>,
    /// The bed's own hours; `None`: the site's.
    pub allowed: Option<Vec<(u16, u16)>>,
}

/// A fish tank.
#[derive(Clone, Debug)]
pub struct Tank {
    pub id: String,
    /// Litres, above 0.
    pub volume_l: f64,
    /// Below this it is too cold for the fish, °C.
    pub cold_c: f64,
    /// Above this it is too warm, °C.
    pub warm_c: f64,
    /// Largest change within an hour, °C.
    pub change_hour_c: f64,
    /// Largest change within a day, °C.
    pub change_day_c: f64,
}

/// Where a sensor sits; the numbers index [`School::beds`] and [`School::tanks`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    Bed(usize),
    Tank(usize),
    Site,
}

/// A sensor.
#[derive(Clone, Debug)]
pub struct Sensor {
    pub id: String,
    pub measures: Quantity,
    pub place: Place,
    /// Metres below the surface; 0 where the file gives none.
    pub depth_m: f64,
    pub topic: String,
    pub payload: Payload,
    /// Seconds between readings.
    pub every_s: u32,
    /// Sorted by the instant (Unix seconds) from which each holds.
    pub calibrations: Vec<(Option<i64>, Inverse)>,
    /// What brings its messages; `None`: it speaks for itself.
    pub gateway: Option<String>,
    /// Below this its battery is low, where it reports one.
    pub battery_low: Option<f64>,
}

/// How a sensor writes its messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Payload {
    /// Nothing but the number: no time.
    Number,
    /// JSON with the number and perhaps the time at RFC 6901 pointers.
    Json { value: Vec<String>, time: Option<Vec<String>>, battery: Option<Vec<String>> },
    /// SenML JSON (RFC 8428), the record named so.
    Senml { name: String, battery: Option<String> },
    /// Line protocol with a time in nanoseconds.
    LineProtocol { measurement: String, field: String, battery: Option<String> },
}

impl Payload {
    /// Whether it has a place for the battery.
    pub(crate) fn has_battery(&self) -> bool {
        match self {
            Self::Number => false,
            Self::Json { battery, .. } => battery.is_some(),
            Self::Senml { battery, .. } | Self::LineProtocol { battery, .. } => battery.is_some(),
        }
    }
}

/// Why a garden file cannot be simulated.
#[derive(Debug, thiserror::Error)]
pub enum SchoolError {
    /// The text is not TOML, or a key has a wrong type.
    #[error("reading the garden file: {0}")]
    Toml(String),
    /// A value cannot be used.
    #[error("reading the garden file: {place}: {what}")]
    Value { place: String, what: String },
}

impl School {
    /// Reads a garden file's text.
    ///
    /// # Errors
    ///
    /// When the text is not TOML, a needed key is missing or has a wrong type,
    /// or a value cannot be simulated; the error names it.
    pub fn parse(text: &str) -> Result<Self, SchoolError> {
        file::read(text)
    }

    /// The hours in which `bed` may be watered.
    pub(crate) fn allowed(&self, bed: usize) -> &[(u16, u16)] {
        self.beds[bed].allowed.as_deref().unwrap_or(&self.allowed)
    }

    /// The place's id, for messages.
    pub(crate) fn bed_of(&self, id: &str) -> Option<usize> {
        self.beds.iter().position(|b| b.id == id)
    }

    pub(crate) fn tank_of(&self, id: &str) -> Option<usize> {
        self.tanks.iter().position(|t| t.id == id)
    }

    /// The sensors of each gateway, and last those that have none, which share the
    /// site's own way: the id that an alarm has, the least number of them that show
    /// it to be silent, and their numbers.
    pub(crate) fn gateways(&self) -> Vec<(String, usize, Vec<usize>)> {
        let mut all: Vec<(String, usize, Vec<usize>)> = Vec::new();
        let mut own = Vec::new();
        for (number, sensor) in self.sensors.iter().enumerate() {
            match &sensor.gateway {
                None => own.push(number),
                Some(gateway) => match all.iter_mut().find(|(id, ..)| id == gateway) {
                    Some((_, _, members)) => members.push(number),
                    None => all.push((gateway.clone(), 2, vec![number])),
                },
            }
        }
        all.push((self.site.clone(), 3, own));
        all
    }

    pub(crate) fn sensor_of(&self, id: &str) -> Option<usize> {
        self.sensors.iter().position(|s| s.id == id)
    }
}

impl Bed {
    /// How deep its roots reach at a moment (Unix seconds), metres: 0.20 m at first, and
    /// deeper day by day in the development stage (FAO-56 annex 8, page 279, as in the
    /// Python package pyfao56 1.4.3).
    pub(crate) fn roots_m(&self, now_s: i64) -> f64 {
        let Some((planted_s, initial_d, development_d)) = self.young.filter(|it| it.0 <= now_s) else {
            return self.root_depth_m;
        };
        let first_m = self.root_depth_m.min(0.20);
        let day = (now_s - planted_s).div_euclid(86_400) + 1;
        let part = (day - i64::from(initial_d)) as f64 / f64::from(development_d.max(1));
        first_m + (self.root_depth_m - first_m) * part.clamp(0.0, 1.0)
    }

    /// Total available water, mm (FAO-56 eq. 82).
    pub fn total_available_mm(&self) -> f64 {
        1000.0 * (self.field_capacity - self.wilting_point) * self.root_depth_m
    }

    /// Readily available water, mm (FAO-56 eq. 83).
    pub fn readily_available_mm(&self) -> f64 {
        self.depletion_fraction * self.total_available_mm()
    }
}
