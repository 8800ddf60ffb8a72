//! What a person is shown: each place's state in words, the open alarms, and
//! what to do today. Made by the core on demand; the page and the commands
//! only lay it out.

use crate::model::Condition;
use std::borrow::Cow;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::alarms::{AlarmKey, AlarmRecord, Kind, Priority, State};
use crate::garden::bed::proposals::ProposedProgram;
use crate::garden::jobs::view::JobView;
use crate::model::{Id, Quantity};
use crate::outlook::Ahead;
use crate::quality::Flag;
use crate::text::locale::LocalText;
use crate::why::{Why, without_minus_zero};

/// One site as it stands.
#[derive(Clone, Debug)]
pub struct SiteView {
    pub id: Id,
    pub name: String,
    pub time_zone: TimeZone,
    /// How its people read what is made of this.
    pub local: LocalText,
    /// The time up to which the garden has been judged.
    pub now: Timestamp,
    pub to_do: Vec<ToDo>,
    /// What people are asked, the newest first.
    pub questions: Vec<WettingQuestion>,
    pub mulch_questions: Vec<MulchQuestion>,
    pub change_questions: Vec<ChangeQuestion>,
    /// Watering that is held since rain is expected, until when, in words.
    pub rain_holds: Vec<String>,
    pub alarms: Vec<AlarmView>,
    /// Conditions that hold and have not held for long enough yet, most urgent first.
    pub pending: Vec<PendingAlarm>,
    /// Jobs that come round, what is due first at the front.
    pub jobs: Vec<JobView>,
    pub beds: Vec<BedView>,
    pub tanks: Vec<TankView>,
    pub rain: Option<RainView>,
    /// What is known of the weather beside the rain.
    pub weather: Vec<Figure>,
    pub sensors: Vec<SensorView>,
    /// Programs of timers that the beds speak for and nobody has written down.
    pub proposed_programs: Vec<ProposedProgram>,
}

impl SiteView {
    /// The alarm of a key, whichever its occurrence.
    pub fn alarm(&self, key: &AlarmKey) -> Option<&AlarmView> {
        let named = |it: &AlarmKey| it.kind == key.kind && it.place == key.place;
        self.alarms.iter().find(|alarm| named(&alarm.record.key))
    }
}

/// One thing that needs doing, most urgent first.
#[derive(Clone, Debug)]
pub struct ToDo {
    pub priority: Priority,
    /// The place's name, as people say it.
    pub place: String,
    pub text: String,
}

/// What to do when an alarm about fish is over and nobody has looked yet.
pub(crate) fn look_later(kind: Kind) -> &'static str {
    if kind == Kind::TankTemperatureShock {
        "Look again tomorrow: harm shows late."
    } else {
        "Look at the fish all the same: harm shows late."
    }
}

/// What watered these beds? Nothing that Trug knows of tells.
#[derive(Clone, Debug, PartialEq)]
pub struct WettingQuestion {
    /// Their ids and names, in the garden's order; at least one.
    pub beds: Vec<(Id, String)>,
    /// When the first of them began to grow wetter.
    pub at: Timestamp,
}

/// Was a thermometer changed? Its readings step across a break.
#[derive(Clone, Debug, PartialEq)]
pub struct ChangeQuestion {
    pub sensor: Id,
    /// As people call it.
    pub name: String,
    /// Its first reading after the break.
    pub at: Timestamp,
    pub before_c: f64,
    pub after_c: f64,
}

/// Was the mulch laid that was planned?
#[derive(Clone, Debug, PartialEq)]
pub struct MulchQuestion {
    pub bed: Id,
    pub name: String,
    pub planned: Date,
    /// As it was planned, mm.
    pub depth_mm: f64,
    /// Noon of that day.
    pub at: Timestamp,
}

/// A figure that can be asked why.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// What it is, as people say it: "Water the roots can reach".
    pub name: Cow<'static, str>,
    /// The figure with its unit, or "not known" and what is missing.
    pub value: String,
    /// The number, where it is known, and its unit as programs read it ("mm").
    pub number: Option<f64>,
    pub unit: &'static str,
    /// The equations that gave it, the last one giving the figure.
    pub why: Why,
}

impl Figure {
    /// A figure that is known.
    pub fn known(
        name: impl Into<Cow<'static, str>>,
        value: String,
        number: f64,
        unit: &'static str,
        why: Why,
    ) -> Self {
        Self { name: name.into(), value: without_minus_zero(value), number: Some(number), unit, why }
    }

    /// A figure that is not known, and what is missing: "no probe has a fresh good reading".
    pub fn unknown(name: impl Into<Cow<'static, str>>, missing: &str, unit: &'static str) -> Self {
        Self {
            name: name.into(),
            value: format!("not known: {missing}"),
            number: None,
            unit,
            why: Why::new(),
        }
    }
}

/// An alarm that is not normal.
#[derive(Clone, Debug)]
pub struct AlarmView {
    pub record: AlarmRecord,
    pub place_name: String,
    pub priority: Priority,
}

impl AlarmView {
    /// Whether it has been over for a day at `now`, and only waits for an answer: what holds
    /// comes before it. A day is this project's own; harm from a shock shows within one.
    pub fn is_long_over(&self, now: Timestamp) -> bool {
        const DAY_S: i64 = 86_400;
        matches!(
            self.record.state,
            State::ReturnedUnacknowledged | State::LatchedUnacknowledged | State::LatchedAcknowledged
        ) && now.as_second() - self.record.at.as_second() > DAY_S
    }
}

/// A condition that holds and becomes an alarm when it has held for its on-delay.
#[derive(Clone, Debug, PartialEq)]
pub struct PendingAlarm {
    pub key: AlarmKey,
    pub place_name: String,
    pub priority: Priority,
    /// When the condition began.
    pub since: Timestamp,
    /// When it becomes an alarm, with the next judgement, if it still holds.
    pub due: Timestamp,
}

/// A bed.
#[derive(Clone, Debug)]
pub struct BedView {
    pub id: Id,
    pub name: String,
    pub condition: Condition,
    /// One or two plain sentences.
    pub words: String,
    /// Root-zone water content, m³/m³, with the marks it is read against.
    pub water_content: Option<f64>,
    pub wilting_point: f64,
    pub refill_point: f64,
    pub field_capacity: f64,
    /// How deep its roots reach now, metres.
    pub root_depth_m: f64,
    /// Part of total available water that is left, 0 to 1 (can pass either end).
    pub available_left: Option<f64>,
    pub figures: Vec<Figure>,
    /// What was last seen of watering and rain at this bed, if anything.
    pub last_wetting: Option<String>,
    /// When it may be watered on the local day of the view.
    pub watering_hours: String,
    /// When it will be dry if no water comes, or why that is not known; `None`
    /// without a probe.
    pub outlook: Option<String>,
    /// The water content of the days to come if no water comes; empty where nothing can be
    /// expected.
    pub expected: Vec<(Timestamp, Ahead)>,
    /// "May mulch go down?", where a mulch day is planned.
    pub mulch: Option<String>,
}

/// A tank.
#[derive(Clone, Debug)]
pub struct TankView {
    pub id: Id,
    pub name: String,
    pub condition: Condition,
    pub words: String,
    pub temperature_c: Option<f64>,
    /// Where its fish thrive, °C.
    pub thrives_c: (f64, f64),
    /// Below and above these danger begins, °C.
    pub cold_c: f64,
    pub warm_c: f64,
    /// Largest change in the last hour and the last day, °C.
    pub change_hour_c: Option<f64>,
    pub change_day_c: Option<f64>,
    pub figures: Vec<Figure>,
}

/// The rain gauge.
#[derive(Clone, Debug)]
pub struct RainView {
    pub condition: Condition,
    pub words: String,
    /// Since 9 am local clock time, mm.
    pub since_9am_mm: Option<f64>,
    /// The last seven days, mm.
    pub week_mm: Option<f64>,
    pub figures: Vec<Figure>,
}

/// One sensor's last word.
#[derive(Clone, Debug)]
pub struct SensorView {
    pub id: Id,
    pub place_name: String,
    pub measures: Quantity,
    pub last_at: Option<Timestamp>,
    pub last_value: Option<f64>,
    pub last_flag: Option<Flag>,
    /// How its last raw number became its value.
    pub why: Why,
    /// By itself, or with its gateway.
    pub silent: bool,
    /// It speaks and cannot be believed.
    pub faulty: bool,
    /// What it last reported of its battery, in the device's own unit.
    pub battery: Option<f64>,
    pub battery_low: bool,
}
