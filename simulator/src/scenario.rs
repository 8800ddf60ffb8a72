//! What happens to the garden: read from a scenario's TOML text.
//!
//! `scenarios/README.md` describes every key. An unknown key is an error that
//! names it.

use std::str::FromStr;

use jiff::civil::{Date, DateTime, Time};
use serde::Deserialize;
use serde::de::{Deserializer, Error as _};

use crate::instrument::InstrumentKeys;

/// A scenario.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// The name under which it is known; set from the list, or `own`.
    #[serde(skip)]
    pub name: String,
    /// One line for people.
    pub title: String,
    /// Local midnight of this day is the beginning.
    #[serde(deserialize_with = "date")]
    pub start: Date,
    /// How many local days it lasts.
    pub days: u16,
    /// The seed, where none is given.
    pub seed: u64,
    /// Part of the available water that the beds begin with, 0 to 1.
    #[serde(default = "moist")]
    pub(crate) start_available: f64,
    #[serde(default)]
    pub(crate) climate: ClimateKeys,
    #[serde(default)]
    pub(crate) soil: SoilKeys,
    #[serde(default)]
    pub(crate) watering: Vec<Schedule>,
    #[serde(default)]
    pub(crate) timer: Vec<Timer>,
    #[serde(default)]
    pub(crate) instrument: Vec<InstrumentKeys>,
    #[serde(default)]
    pub(crate) event: Vec<Event>,
}

fn moist() -> f64 {
    0.85
}

/// Changes to the climate.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ClimateKeys {
    pub(crate) warmer_c: Option<f64>,
    pub(crate) wet_day_mm: Option<f64>,
    /// Soil may freeze, and snow falls.
    #[serde(default)]
    pub(crate) frost: bool,
    #[serde(default)]
    pub(crate) spell: Vec<SpellKeys>,
}

/// Days whose weather is partly decided.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SpellKeys {
    #[serde(deserialize_with = "date")]
    pub(crate) from: Date,
    #[serde(deserialize_with = "date")]
    pub(crate) to: Date,
    pub(crate) wet: Option<bool>,
    pub(crate) warmer_c: Option<f64>,
    pub(crate) rain_mm: Option<f64>,
}

/// How water goes through the beds' soil.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SoilKeys {
    /// How fast water that passes a layer goes down, metres an hour: the least and
    /// the most of a day. Without it, it is down at once.
    pub(crate) front_m_per_h: Option<[f64; 2]>,
}

/// One timer that waters several beds for so many minutes.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Timer {
    /// All of the school's beds, where none is named.
    #[serde(default)]
    pub(crate) beds: Vec<String>,
    #[serde(deserialize_with = "date")]
    pub(crate) first: Date,
    pub(crate) every_days: u16,
    #[serde(deserialize_with = "time")]
    pub(crate) at: Time,
    pub(crate) minutes: u16,
    /// One bed after the other; otherwise all at once.
    #[serde(default)]
    pub(crate) in_turn: bool,
    /// Days on which it fails.
    #[serde(default)]
    pub(crate) fails: Vec<Failure>,
}

/// Watering that comes round.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Schedule {
    pub(crate) bed: String,
    #[serde(deserialize_with = "date")]
    pub(crate) first: Date,
    pub(crate) every_days: u16,
    #[serde(deserialize_with = "time")]
    pub(crate) at: Time,
    pub(crate) litres: f64,
    /// Days on which it fails.
    #[serde(default)]
    pub(crate) fails: Vec<Failure>,
}

/// Days, both included, on which a schedule does not run.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Failure {
    #[serde(deserialize_with = "date")]
    pub(crate) from: Date,
    #[serde(deserialize_with = "date")]
    pub(crate) to: Date,
}

/// Something that happens once, in local time.
#[derive(Clone, Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub(crate) enum Event {
    /// Somebody waters a bed.
    Watering {
        bed: String,
        #[serde(deserialize_with = "date_time")]
        at: DateTime,
        litres: f64,
    },
    /// Mains water runs into a tank while as much runs over.
    TopUp {
        tank: String,
        #[serde(deserialize_with = "date_time")]
        at: DateTime,
        litres: f64,
        water_c: f64,
        minutes: u16,
    },
    /// A tank's pump stands still: its plug was pulled, or its inlet is blocked.
    PumpStops {
        tank: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// Rain on top of what the weather brings.
    Shower {
        #[serde(deserialize_with = "date_time")]
        at: DateTime,
        mm: f64,
        minutes: u16,
    },
    /// Mulch goes down.
    Mulch {
        bed: String,
        #[serde(deserialize_with = "date_time")]
        at: DateTime,
    },
    /// The funnel is blocked: the gauge goes on sending that nothing fell, or that
    /// a part of it did.
    GaugeClogged {
        sensor: String,
        /// The part of the rain that still gets through.
        #[serde(default)]
        passes: f64,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A sensor sends nothing, and what it would have sent is lost.
    Silent {
        sensor: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A sensor repeats the last number.
    Frozen {
        sensor: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A sensor's cable is cut: it goes on sending what its bare input shows.
    BrokenCable {
        sensor: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A plug is loose: seven readings in ten are those of a cut cable.
    LoosePlug {
        sensor: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// Now and then a reading falls to zero, with messages lost beside it.
    Dropouts {
        sensor: String,
        /// The part of the readings at which that begins.
        part: f64,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A sensor is taken out; hours later another one is in its place, which reads
    /// higher or lower by an offset.
    Swapped {
        sensor: String,
        #[serde(deserialize_with = "date_time")]
        at: DateTime,
        hours: u16,
        offset: f64,
    },
    /// A thermometer fails: it shows this temperature, at once or by drifting there.
    FailsHot {
        sensor: String,
        reads_c: f64,
        /// Degrees an hour; without it, at once.
        c_per_h: Option<f64>,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A battery runs down; at `to` it is changed.
    BatteryRunsDown {
        sensor: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A gateway sends nothing, and what it would have sent is lost.
    GatewayDead {
        gateway: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A gateway keeps everything and sends it in one go at the end, oldest first.
    LateGateway {
        beds: Vec<String>,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A tap stays open, or a valve sticks: water runs onto a bed all the time.
    TapLeftOn {
        bed: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
        litres_per_hour: f64,
    },
    /// The soil lets hardly any water through: it is packed, or a drain is blocked.
    BlockedDrain {
        bed: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// The soil sheds water while its surface is dry; a wetting agent ends it.
    Repellent {
        bed: String,
        #[serde(deserialize_with = "date_time")]
        from: DateTime,
        #[serde(deserialize_with = "date_time")]
        to: DateTime,
    },
    /// A sensor restarts.
    Restart {
        sensor: String,
        #[serde(deserialize_with = "date_time")]
        at: DateTime,
    },
}

/// Why a scenario cannot be played.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// No scenario has that name.
    #[error("no scenario is called {0:?}; there are: {list}", list = names())]
    Unknown(String),
    /// The text is not TOML, or a key is unknown, missing or of a wrong type.
    #[error("reading the scenario: {0}")]
    Toml(String),
    /// A value is impossible.
    #[error("reading the scenario: {key} = {given} must be {accepted}")]
    Value { key: &'static str, given: String, accepted: &'static str },
}

fn names() -> String {
    SCENARIOS.iter().chain(&FIELD_SCENARIOS).map(|(name, _)| *name).collect::<Vec<_>>().join(", ")
}

/// Every scenario of the demonstration school that comes with the simulator: name
/// and TOML text.
pub const SCENARIOS: [(&str, &str); 22] = [
    ("ordinary-month", include_str!("../scenarios/ordinary-month.toml")),
    ("dry-bed-before-mulch-day", include_str!("../scenarios/dry-bed-before-mulch-day.toml")),
    ("midday-watering", include_str!("../scenarios/midday-watering.toml")),
    ("cold-top-up", include_str!("../scenarios/cold-top-up.toml")),
    ("dead-gauge-watering", include_str!("../scenarios/dead-gauge-watering.toml")),
    ("silent-gauge-watering", include_str!("../scenarios/silent-gauge-watering.toml")),
    ("frozen-sensor", include_str!("../scenarios/frozen-sensor.toml")),
    ("late-gateway", include_str!("../scenarios/late-gateway.toml")),
    ("dead-gateway", include_str!("../scenarios/dead-gateway.toml")),
    ("faulty-sensors", include_str!("../scenarios/faulty-sensors.toml")),
    ("low-battery", include_str!("../scenarios/low-battery.toml")),
    ("heat-week", include_str!("../scenarios/heat-week.toml")),
    ("cold-snap", include_str!("../scenarios/cold-snap.toml")),
    ("tap-left-on", include_str!("../scenarios/tap-left-on.toml")),
    ("generous-timer", include_str!("../scenarios/generous-timer.toml")),
    ("soggy-bed", include_str!("../scenarios/soggy-bed.toml")),
    ("shedding-bed", include_str!("../scenarios/shedding-bed.toml")),
    ("hot-fortnight", include_str!("../scenarios/hot-fortnight.toml")),
    ("night-dips", include_str!("../scenarios/night-dips.toml")),
    ("hose-at-three", include_str!("../scenarios/hose-at-three.toml")),
    ("noon-watering", include_str!("../scenarios/noon-watering.toml")),
    ("demonstration", include_str!("../scenarios/demonstration.toml")),
];

/// The garden of the scenarios of [`FIELD_SCENARIOS`].
pub const FIELD_GARDEN: &str = include_str!("../scenarios/creek-road.garden.toml");

/// Scenarios as bad as the field, in the garden of [`FIELD_GARDEN`]: name and TOML
/// text.
pub const FIELD_SCENARIOS: [(&str, &str); 10] = [
    ("coarse-sensors", include_str!("../scenarios/coarse-sensors.toml")),
    ("one-timer", include_str!("../scenarios/one-timer.toml")),
    ("thaw", include_str!("../scenarios/thaw.toml")),
    ("half-clogged-gauge", include_str!("../scenarios/half-clogged-gauge.toml")),
    ("gauge-kilometres-off", include_str!("../scenarios/gauge-kilometres-off.toml")),
    ("slow-soil", include_str!("../scenarios/slow-soil.toml")),
    ("swapped-sensors", include_str!("../scenarios/swapped-sensors.toml")),
    ("hot-thermometers", include_str!("../scenarios/hot-thermometers.toml")),
    ("peat-bed", include_str!("../scenarios/peat-bed.toml")),
    ("pump-stops", include_str!("../scenarios/pump-stops.toml")),
];

impl Scenario {
    /// The scenario of that name.
    ///
    /// # Errors
    ///
    /// When there is none; the error lists the names.
    pub fn named(name: &str) -> Result<Self, ScenarioError> {
        let (name, text) = SCENARIOS
            .iter()
            .chain(&FIELD_SCENARIOS)
            .find(|(n, _)| *n == name)
            .ok_or_else(|| ScenarioError::Unknown(name.to_owned()))?;
        let mut scenario = Self::parse(text)?;
        (*name).clone_into(&mut scenario.name);
        Ok(scenario)
    }

    /// Reads a scenario's text.
    ///
    /// # Errors
    ///
    /// When the text is not TOML or a key is unknown, missing, of a wrong type
    /// or impossible; the error names it.
    pub fn parse(text: &str) -> Result<Self, ScenarioError> {
        let mut scenario: Self = toml::from_str(text).map_err(|e| ScenarioError::Toml(e.to_string()))?;
        "own".clone_into(&mut scenario.name);
        scenario.check()?;
        Ok(scenario)
    }

    fn check(&self) -> Result<(), ScenarioError> {
        within("days", f64::from(self.days), 1.0, 3660.0, "between 1 and 3660")?;
        within("start_available", self.start_available, 0.0, 1.0, "between 0 and 1")?;
        within("climate.warmer_c", self.climate.warmer_c.unwrap_or(0.0), -30.0, 30.0, "between -30 and 30")?;
        within(
            "climate.wet_day_mm",
            self.climate.wet_day_mm.unwrap_or(1.0),
            0.2,
            100.0,
            "between 0.2 and 100",
        )?;
        for spell in &self.climate.spell {
            within(
                "climate.spell.warmer_c",
                spell.warmer_c.unwrap_or(0.0),
                -30.0,
                30.0,
                "between -30 and 30",
            )?;
            within("climate.spell.rain_mm", spell.rain_mm.unwrap_or(0.0), 0.0, 300.0, "between 0 and 300")?;
        }
        for schedule in &self.watering {
            within("watering.every_days", f64::from(schedule.every_days), 1.0, 366.0, "between 1 and 366")?;
            within("watering.litres", schedule.litres, 0.1, 100_000.0, "between 0.1 and 100000")?;
        }
        self.check_field()?;
        for event in &self.event {
            if let Event::GaugeClogged { passes, .. } = event {
                within("event.passes", *passes, 0.0, 1.0, "between 0 and 1")?;
            }
            if let Event::TapLeftOn { litres_per_hour, .. } = event {
                within("event.litres_per_hour", *litres_per_hour, 0.1, 100_000.0, "between 0.1 and 100000")?;
            }
            match event {
                Event::Watering { litres, .. } => {
                    within("event.litres", *litres, 0.1, 100_000.0, "between 0.1 and 100000")?;
                }
                Event::TopUp { litres, water_c, minutes, .. } => {
                    within("event.litres", *litres, 0.1, 100_000.0, "between 0.1 and 100000")?;
                    within("event.water_c", *water_c, 0.0, 60.0, "between 0 and 60")?;
                    within("event.minutes", f64::from(*minutes), 1.0, 1440.0, "between 1 and 1440")?;
                }
                Event::Shower { mm, minutes, .. } => {
                    within("event.mm", *mm, 0.0, 300.0, "between 0 and 300")?;
                    within("event.minutes", f64::from(*minutes), 1.0, 1440.0, "between 1 and 1440")?;
                }
                Event::GaugeClogged { from, to, .. }
                | Event::PumpStops { from, to, .. }
                | Event::Silent { from, to, .. }
                | Event::Frozen { from, to, .. }
                | Event::BrokenCable { from, to, .. }
                | Event::Dropouts { from, to, .. }
                | Event::FailsHot { from, to, .. }
                | Event::LoosePlug { from, to, .. }
                | Event::BatteryRunsDown { from, to, .. }
                | Event::GatewayDead { from, to, .. }
                | Event::LateGateway { from, to, .. }
                | Event::TapLeftOn { from, to, .. }
                | Event::BlockedDrain { from, to, .. }
                | Event::Repellent { from, to, .. } => {
                    if to <= from {
                        return Err(ScenarioError::Value {
                            key: "event.to",
                            given: to.to_string(),
                            accepted: "after event.from",
                        });
                    }
                }
                Event::Mulch { .. } | Event::Restart { .. } | Event::Swapped { .. } => {}
            }
        }
        Ok(())
    }

    /// What makes a garden as bad as the field.
    fn check_field(&self) -> Result<(), ScenarioError> {
        if let Some([least, most]) = self.soil.front_m_per_h {
            within("soil.front_m_per_h", most, 0.001, 100.0, "two speeds of 0.001 to 100, the lower first")?;
            within("soil.front_m_per_h", least, 0.001, most, "two speeds of 0.001 to 100, the lower first")?;
        }
        for timer in &self.timer {
            within("timer.every_days", f64::from(timer.every_days), 1.0, 366.0, "between 1 and 366")?;
            within("timer.minutes", f64::from(timer.minutes), 1.0, 720.0, "between 1 and 720")?;
        }
        for instrument in &self.instrument {
            instrument.check()?;
        }
        for event in &self.event {
            match event {
                Event::Dropouts { part, .. } => {
                    within("event.part", *part, 0.0, 0.2, "between 0 and 0.2")?;
                }
                Event::Swapped { hours, offset, .. } => {
                    within("event.hours", f64::from(*hours), 1.0, 720.0, "between 1 and 720")?;
                    within("event.offset", *offset, -50.0, 50.0, "between -50 and 50")?;
                }
                Event::FailsHot { reads_c, c_per_h, .. } => {
                    within("event.reads_c", *reads_c, 40.0, 200.0, "between 40 and 200")?;
                    within("event.c_per_h", c_per_h.unwrap_or(1.0), 0.01, 100.0, "between 0.01 and 100")?;
                }
                _ => {}
            }
        }
        Ok(())
    }
}

pub(crate) fn within(
    key: &'static str,
    given: f64,
    low: f64,
    high: f64,
    accepted: &'static str,
) -> Result<(), ScenarioError> {
    // Not a number fails this too.
    if (low..=high).contains(&given) {
        Ok(())
    } else {
        Err(ScenarioError::Value { key, given: given.to_string(), accepted })
    }
}

fn date<'de, D: Deserializer<'de>>(from: D) -> Result<Date, D::Error> {
    let given = toml::value::Datetime::deserialize(from)?.to_string();
    Date::from_str(&given).map_err(|_| D::Error::custom(format!("{given} is not a date such as 2026-04-18")))
}

fn date_time<'de, D: Deserializer<'de>>(from: D) -> Result<DateTime, D::Error> {
    let given = toml::value::Datetime::deserialize(from)?.to_string();
    let fault = || D::Error::custom(format!("{given} is not a local time such as 2026-04-18T12:30:00"));
    // An offset would be read and thrown away: these are times of the wall clock.
    let offset = given.ends_with('Z') || given.contains('+') || given.matches('-').count() > 2;
    if offset || !given.contains('T') {
        return Err(fault());
    }
    DateTime::from_str(&given).map_err(|_| fault())
}

fn time<'de, D: Deserializer<'de>>(from: D) -> Result<Time, D::Error> {
    let given = String::deserialize(from)?;
    Time::strptime("%H:%M", &given)
        .map_err(|_| D::Error::custom(format!("{given:?} is not a time such as \"06:30\"")))
}
