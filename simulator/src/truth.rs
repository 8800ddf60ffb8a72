//! What truly happened: the page that a watchful daemon is scored against.

use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// Everything that happened from `from` to `to`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    pub scenario: String,
    pub seed: u64,
    pub site: String,
    #[serde(with = "rfc3339")]
    pub from: Timestamp,
    #[serde(with = "rfc3339")]
    pub to: Timestamp,
    /// Sorted by `from`, then kind and place.
    pub events: Vec<TrueEvent>,
    pub waterings: Vec<Watering>,
    pub top_ups: Vec<TopUp>,
    /// One for each local day.
    pub rain: Vec<RainDay>,
}

/// Something that an alarm is about.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueEvent {
    /// The alarm's kind, as it is published.
    pub kind: String,
    /// A bed, tank or sensor id.
    pub place: String,
    /// An alarm raised from here ...
    #[serde(with = "rfc3339")]
    pub from: Timestamp,
    /// ... to here belongs to this event.
    #[serde(with = "rfc3339")]
    pub to: Timestamp,
    /// A watchful daemon has to tell it; otherwise telling is neither right nor wrong.
    pub must: bool,
    /// Why it is what it is, in words.
    pub note: String,
}

/// Water on a bed by hand, tap or timer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Watering {
    pub bed: String,
    #[serde(with = "rfc3339")]
    pub from: Timestamp,
    #[serde(with = "rfc3339")]
    pub to: Timestamp,
    pub litres: f64,
    /// What reaches the soil.
    pub mm: f64,
    /// By the schedule; otherwise somebody's own doing.
    pub scheduled: bool,
}

/// Mains water into a tank.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TopUp {
    pub tank: String,
    #[serde(with = "rfc3339")]
    pub from: Timestamp,
    #[serde(with = "rfc3339")]
    pub to: Timestamp,
    pub litres: f64,
    pub water_c: f64,
}

/// Rain of one local day, midnight to midnight.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RainDay {
    #[serde(with = "iso_date")]
    pub date: Date,
    pub mm: f64,
}

impl Truth {
    /// The truth as JSON for a file.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).expect("strings and finite numbers always fit into JSON")
    }
}

mod rfc3339 {
    use jiff::Timestamp;
    use serde::de::Error as _;
    use serde::{Deserialize, Deserializer, Serializer};

    pub(super) fn serialize<S: Serializer>(at: &Timestamp, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(at)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Timestamp, D::Error> {
        String::deserialize(from)?.parse().map_err(D::Error::custom)
    }
}

mod iso_date {
    use jiff::civil::Date;
    use serde::de::Error as _;
    use serde::{Deserialize, Deserializer, Serializer};

    pub(super) fn serialize<S: Serializer>(date: &Date, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(date)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Date, D::Error> {
        String::deserialize(from)?.parse().map_err(D::Error::custom)
    }
}
