//! The kinds of alarm: one row for each, with all that is fixed about it. Whoever adds
//! a kind adds a row, and a rule that judges it.

use crate::alarms::Priority::{self, High, Low, Medium};
use crate::model::Quantity;

/// All that is fixed about one kind of alarm.
pub(crate) struct KindRow {
    /// In topics, files and commands; its section of `[alarms]` in a garden's file, too.
    pub(crate) name: &'static str,
    /// How soon somebody must act on it, where the garden does not say otherwise.
    pub(crate) priority: Priority,
    /// Whether it usually stays until somebody has looked, since a fish may be hurt.
    pub(crate) latching: bool,
    /// Which places have it.
    pub(crate) places: &'static [PlaceKind],
    /// Usual seconds that a breach must hold before it is raised.
    pub(crate) on_s: u32,
    /// Usual seconds that the recovery must hold before it returns.
    pub(crate) off_s: u32,
    /// `None`: what it judges is so or is not.
    pub(crate) deadband: Option<Deadband>,
    /// How far beyond its limit a further step is, where one that grows worse is told again.
    pub(crate) worse: Option<Deadband>,
    /// Its priority by the steps beyond its limit, where that decides: without a whole one, with
    /// one, and so on, the last for all further ones; unless the garden gives its kind another
    /// than the usual one. Empty: it has one priority.
    pub(crate) by_severity: &'static [Priority],
    /// From how many steps on one of a tank's only thermometer leaves the tank unwatched, which
    /// is of high priority.
    pub(crate) blinds_from: u16,
    /// Whether its words are still right when the value is back inside its limit and
    /// not yet past the deadband.
    pub(crate) words_in_deadband: bool,
    /// Whether somebody ought to act on it though it is over: it is told all the same.
    pub(crate) told_when_over: bool,
    /// Whether it is of the day: by day it does not wait for a group's summary, which would
    /// tell it on the next morning.
    pub(crate) of_the_day: bool,
    /// Whether its answer says what ran: a timer, a hose, or not found.
    pub(crate) asks_found: bool,
    /// Whether a bed in which nothing grows keeps it quiet.
    pub(crate) quiet_when_fallow: bool,
    /// What it is, as a heading.
    pub(crate) title: &'static str,
    /// In a few words, `{}` standing for the place.
    pub(crate) one: &'static str,
    /// Of several places, `{}` standing for their number.
    pub(crate) many: &'static str,
    /// What the trouble is, where it is over.
    pub(crate) trouble: &'static str,
}

/// What has an alarm of some kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum PlaceKind {
    Bed,
    /// The first bed of each program of the timers.
    FirstOfProgram,
    Tank,
    /// Tanks with a sensor that tells whether the pump runs.
    TankWithPump,
    /// Every sensor.
    Sensor,
    /// Sensors of this quantity.
    SensorOf(Quantity),
    /// Sensors that report their battery.
    SensorWithBattery,
    /// Every gateway, and the site for its sensors without one.
    Gateway,
    /// The site, where a sensor of the whole site measures this.
    SiteWith(Quantity),
    /// Jobs of which somebody wants to be told.
    JobToTell,
    /// The program itself.
    System,
}

/// How far back inside its limit a value must come, or how far a further step beyond it is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Deadband {
    pub(crate) usual: f64,
    /// The most that a garden may set.
    pub(crate) most: f64,
    /// The unit, as people read it.
    pub(crate) unit: &'static str,
}

const PART_OF_WATER: Deadband = Deadband { usual: 0.10, most: 1.0, unit: "of the readily available water" };
const WATER_CONTENT: Deadband = Deadband { usual: 0.01, most: 0.2, unit: "m3 of water in a m3 of soil" };
const DEGREES: Deadband = Deadband { usual: 0.5, most: 10.0, unit: "degrees C" };
const DISSOLVED: Deadband = Deadband { usual: 0.5, most: 5.0, unit: "mg/L" };
/// Further steps beyond a limit, of our own choice.
const DEGREE_WORSE: Deadband = Deadband { usual: 1.0, ..DEGREES };
const OXYGEN_WORSE: Deadband = Deadband { usual: 1.0, ..DISSOLVED };
const LIMIT_WORSE: Deadband = Deadband { usual: 1.0, most: 10.0, unit: "of the limit" };
const PH: Deadband = Deadband { usual: 0.1, most: 2.0, unit: "pH" };
const PH_WORSE: Deadband = Deadband { usual: 0.5, ..PH };
const PART_OF_BATTERY: Deadband = Deadband { usual: 0.05, most: 1.0, unit: "of battery_low" };

const MIN_S: u32 = 60;
const HOUR_S: u32 = 3600;
const DAY_S: u32 = 86_400;

/// What a row holds that does not say otherwise.
const USUAL: KindRow = KindRow {
    name: "",
    priority: Low,
    latching: false,
    places: &[],
    on_s: 0,
    off_s: 0,
    deadband: None,
    worse: None,
    by_severity: &[],
    blinds_from: 0,
    words_in_deadband: false,
    told_when_over: false,
    of_the_day: false,
    asks_found: false,
    quiet_when_fallow: false,
    title: "",
    one: "",
    many: "",
    trouble: "",
};

/// Makes the kinds of their rows, so that none can be without one.
macro_rules! kinds {
    ($($kind:ident { $($columns:tt)* })*) => {
        /// What an alarm is about.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
        pub enum Kind { $($kind),* }

        impl Kind {
            /// Every kind, in the order of the contract.
            pub const ALL: [Self; [$(stringify!($kind)),*].len()] = [$(Self::$kind),*];
        }

        static ROWS: [KindRow; Kind::ALL.len()] = [$(KindRow { $($columns)* ..USUAL }),*];
    };
}

kinds! {
    DryBed {
        name: "dry-bed", priority: Medium, places: &[PlaceKind::Bed],
        on_s: HOUR_S, off_s: HOUR_S, deadband: Some(PART_OF_WATER),
        words_in_deadband: true, quiet_when_fallow: true,
        title: "Bed needs water",
        one: "{} needs water", many: "{} beds need water", trouble: "dry soil",
    }
    // It is told days before the mulch is to go down.
    MulchOnDrySoil {
        name: "mulch-on-dry-soil", places: &[PlaceKind::Bed],
        on_s: HOUR_S, off_s: HOUR_S, deadband: Some(PART_OF_WATER),
        words_in_deadband: true, quiet_when_fallow: true,
        title: "Water before mulching",
        one: "{} is too dry for its mulch", many: "{} beds are too dry for their mulch",
        trouble: "mulch on dry soil",
    }
    WateringHours {
        name: "watering-hours", places: &[PlaceKind::Bed],
        off_s: 6 * HOUR_S, told_when_over: true, asks_found: true,
        title: "Watering outside the allowed hours",
        one: "{} was watered outside the allowed hours",
        many: "{} beds were watered outside the allowed hours",
        trouble: "watering outside the allowed hours",
    }
    // It is told once for a program, at the first of its beds, and leaves days: what is
    // dry is told as that.
    WateringMissed {
        name: "watering-missed", places: &[PlaceKind::FirstOfProgram],
        title: "Timer's water did not arrive",
        one: "{}: the timer's water did not arrive", many: "The timer's water did not arrive at {} beds",
        trouble: "timer's water that did not arrive",
    }
    // The on-delay is how long the soil must have stayed wet. A bed's own meter tells of
    // its bed.
    WaterLeftOn {
        name: "water-left-on", priority: High, told_when_over: true, asks_found: true,
        places: &[PlaceKind::Bed, PlaceKind::SensorOf(Quantity::WaterFlow)],
        on_s: 6 * HOUR_S, off_s: HOUR_S, deadband: Some(WATER_CONTENT),
        // A leak, and water that runs.
        by_severity: &[Medium, High],
        title: "Water left on",
        one: "{}: the water may be left on", many: "The water may be left on at {} beds",
        trouble: "water left on",
    }
    WaterRepellentSoil {
        name: "water-repellent-soil", places: &[PlaceKind::Bed],
        quiet_when_fallow: true,
        title: "Water isn't soaking in",
        one: "Water isn't soaking into {}", many: "Water isn't soaking into {} beds",
        trouble: "water that is not soaking in",
    }
    // The on-delay is how long the soil must have stayed wet.
    Waterlogged {
        name: "waterlogged", priority: Medium, places: &[PlaceKind::Bed],
        on_s: 2 * DAY_S, off_s: HOUR_S, deadband: Some(WATER_CONTENT),
        title: "Bed too wet",
        one: "{} is waterlogged", many: "{} beds are waterlogged", trouble: "waterlogged soil",
    }
    // It is judged once a day, over ten days.
    WateredTooMuch {
        name: "watered-too-much", places: &[PlaceKind::Bed],
        quiet_when_fallow: true,
        title: "Timer gives too much water",
        one: "{} gets more water than it uses", many: "{} beds get more water than they use",
        trouble: "too much water by the timer",
    }
    TankTemperatureShock {
        name: "tank-temperature-shock", priority: High, latching: true, places: &[PlaceKind::Tank],
        on_s: 1, off_s: HOUR_S, deadband: Some(Deadband { usual: 0.3, ..DEGREES }),
        worse: Some(DEGREE_WORSE),
        title: "Water temperature changed too fast",
        one: "{}: the temperature changed too fast", many: "The temperature changed too fast in {} tanks",
        trouble: "temperature shock",
    }
    TankTooWarm {
        name: "tank-too-warm", priority: High, places: &[PlaceKind::Tank],
        on_s: 30 * MIN_S, off_s: 30 * MIN_S, deadband: Some(DEGREES),
        worse: Some(DEGREE_WORSE),
        title: "Tank too warm",
        one: "{} is too warm", many: "{} tanks are too warm", trouble: "water too warm",
    }
    TankTooCold {
        name: "tank-too-cold", priority: High, places: &[PlaceKind::Tank],
        on_s: 30 * MIN_S, off_s: 30 * MIN_S, deadband: Some(DEGREES),
        worse: Some(DEGREE_WORSE),
        title: "Tank too cold",
        one: "{} is too cold", many: "{} tanks are too cold", trouble: "water too cold",
    }
    LowOxygen {
        name: "low-oxygen", priority: High, latching: true, places: &[PlaceKind::Tank],
        on_s: 15 * MIN_S, off_s: 30 * MIN_S, deadband: Some(DISSOLVED),
        worse: Some(OXYGEN_WORSE),
        title: "Too little oxygen in the water",
        one: "{} is short of oxygen", many: "{} tanks are short of oxygen", trouble: "low oxygen",
    }
    // The deadband is of un-ionised ammonia as nitrogen. Up to twice its limit, of water that
    // fish bear for weeks, a part of the water is changed within the day and tested on the next
    // morning; nobody need be called at night. From twice on it is now. Nitrite likewise.
    Ammonia {
        name: "ammonia", priority: Medium, of_the_day: true, by_severity: &[Medium, High], latching: true, places: &[PlaceKind::Tank],
        deadband: Some(Deadband { usual: 0.005, ..DISSOLVED }),
        worse: Some(LIMIT_WORSE),
        title: "Too much ammonia in the water",
        one: "{} has too much ammonia", many: "{} tanks have too much ammonia", trouble: "ammonia",
    }
    Nitrite {
        name: "nitrite", priority: Medium, of_the_day: true, by_severity: &[Medium, High], latching: true, places: &[PlaceKind::Tank],
        worse: Some(LIMIT_WORSE),
        title: "Too much nitrite in the water",
        one: "{} has too much nitrite", many: "{} tanks have too much nitrite", trouble: "nitrite",
    }
    Ph {
        name: "ph", priority: Medium, places: &[PlaceKind::Tank],
        on_s: 30 * MIN_S, off_s: 30 * MIN_S, deadband: Some(PH),
        worse: Some(PH_WORSE),
        // The first step is pH 6.
        by_severity: &[Medium, High],
        title: "Water pH out of range",
        one: "{}: pH is outside its limits", many: "pH is outside its limits in {} tanks",
        trouble: "pH outside its limits",
    }
    // It is told in the afternoon, while plants can be covered.
    Frost {
        name: "frost", priority: Medium, of_the_day: true, places: &[PlaceKind::SiteWith(Quantity::AirTemperature)],
        on_s: 15 * MIN_S, off_s: 3 * HOUR_S, deadband: Some(Deadband { usual: 1.0, ..DEGREES }),
        title: "Frost",
        one: "Frost is possible at {}", many: "Frost is possible at {} gardens", trouble: "frost",
    }
    Heat {
        name: "heat", priority: Medium, of_the_day: true, places: &[PlaceKind::SiteWith(Quantity::AirTemperature)],
        on_s: 15 * MIN_S, off_s: 3 * HOUR_S, deadband: Some(Deadband { usual: 1.0, ..DEGREES }),
        title: "Hot day",
        one: "It is a hot day at {}", many: "It is a hot day at {} gardens", trouble: "heat",
    }
    PumpStopped {
        name: "pump-stopped", priority: High, places: &[PlaceKind::TankWithPump],
        on_s: 10 * MIN_S, off_s: 10 * MIN_S,
        title: "Pump stopped",
        one: "{}: the pump has stopped", many: "The pumps of {} tanks have stopped", trouble: "stopped pump",
    }
    // The on-delay is added to three of the sensor's own intervals.
    SensorSilent {
        name: "sensor-silent", places: &[PlaceKind::Sensor],
        on_s: 5 * MIN_S,
        title: "Sensor silent",
        one: "Sensor {} is silent", many: "{} sensors are silent", trouble: "silent sensor",
    }
    // The share of bad readings has its own two thresholds.
    SensorFault {
        name: "sensor-fault", places: &[PlaceKind::Sensor],
        title: "Sensor faulty",
        one: "Sensor {} seems to be faulty", many: "{} sensors seem to be faulty", trouble: "faulty sensor",
    }
    // The evidence has its own two thresholds.
    GaugeSuspect {
        name: "gauge-suspect", places: &[PlaceKind::SensorOf(Quantity::Rain)],
        told_when_over: true,
        title: "Rain gauge in doubt",
        one: "Rain gauge {} is in doubt", many: "{} rain gauges are in doubt", trouble: "rain gauge in doubt",
    }
    // The on-delay is how long the broker must have been out of reach.
    BrokerLost {
        name: "broker-lost", priority: High, places: &[PlaceKind::System],
        on_s: 15 * MIN_S, off_s: MIN_S,
        title: "Broker lost",
        one: "{} gets no readings from the broker", many: "No readings come from the broker ({} alarms)",
        trouble: "broker out of reach",
    }
    StoreFailing {
        name: "store-failing", priority: High, places: &[PlaceKind::System],
        on_s: MIN_S, off_s: 5 * MIN_S,
        title: "Readings cannot be stored",
        one: "{} cannot store readings", many: "Readings cannot be stored ({} alarms)",
        trouble: "readings not stored",
    }
    // The deadband is a part of the limits.
    ForwardingBehind {
        name: "forwarding-behind", places: &[PlaceKind::System],
        on_s: 10 * MIN_S, deadband: Some(Deadband { usual: 0.5, ..PART_OF_WATER }),
        title: "Sending readings on has fallen behind",
        one: "{} is behind with passing readings on", many: "Passing readings on is behind ({} alarms)",
        trouble: "readings not passed on",
    }
    ForwardingRefused {
        name: "forwarding-refused", places: &[PlaceKind::System],
        title: "Another server refuses readings",
        one: "{} has readings that another server refuses", many: "Other servers refuse readings ({} alarms)",
        trouble: "readings refused by another server",
    }
    QueueOverflow {
        name: "queue-overflow", priority: Medium, places: &[PlaceKind::System],
        title: "Trug dropped what waited too long",
        one: "{} has dropped what could not be delivered", many: "What could not be delivered was dropped ({} alarms)",
        trouble: "what could not be delivered was dropped",
    }
    GatewaySilent {
        name: "gateway-silent", priority: Medium, places: &[PlaceKind::Gateway],
        title: "Gateway silent",
        one: "Gateway {} is silent", many: "{} gateways are silent", trouble: "silent gateway",
    }
    // What the sun lifts by day and the night lets sink again is still low.
    BatteryLow {
        name: "battery-low", places: &[PlaceKind::SensorWithBattery],
        off_s: DAY_S, deadband: Some(PART_OF_BATTERY),
        title: "Battery low",
        one: "The battery of {} is low", many: "{} batteries are low", trouble: "low battery",
    }
    // How many wrong times are too many is the rule's own. Readings under a wrong time still
    // watch a tank; the first step is that they come too late to be judged.
    DeviceClock {
        name: "device-clock", places: &[PlaceKind::Sensor], blinds_from: 1,
        title: "Device's clock wrong",
        one: "The clock of {} is wrong", many: "{} devices have a wrong clock", trouble: "wrong clock of a device",
    }
    JobOverdue {
        name: "job-overdue", places: &[PlaceKind::JobToTell],
        title: "Job overdue",
        one: "{} is overdue", many: "{} jobs are overdue", trouble: "overdue job",
    }
    // The deadband is a part of the limit.
    DiskNearlyFull {
        name: "disk-nearly-full", priority: Medium, places: &[PlaceKind::System],
        on_s: MIN_S, off_s: 5 * MIN_S, deadband: Some(PART_OF_WATER),
        title: "Disk nearly full",
        one: "{}: the disk is nearly full", many: "{} disks are nearly full", trouble: "disk nearly full",
    }
    // The deadband is a part of the limit.
    RecordLarge {
        name: "record-large", places: &[PlaceKind::System],
        on_s: MIN_S, off_s: 5 * MIN_S, deadband: Some(PART_OF_WATER),
        title: "Record larger than planned",
        one: "{}: the record is larger than planned", many: "{} records are larger than planned",
        trouble: "record larger than planned",
    }
    // The off-delay is how long the clock must not have jumped.
    ClockJumped {
        name: "clock-jumped", places: &[PlaceKind::System],
        off_s: HOUR_S,
        title: "The computer's clock jumped",
        one: "{}: the clock has jumped", many: "{} clocks have jumped", trouble: "clock that jumped",
    }
    MessageNotSent {
        name: "message-not-sent", priority: Medium, places: &[PlaceKind::System],
        on_s: 2 * MIN_S, off_s: 5 * MIN_S,
        // That of the message that was lost.
        by_severity: &[Low, Medium, High],
        title: "A message could not be sent",
        one: "{} could not deliver a message", many: "Messages could not be delivered ({} alarms)",
        trouble: "messages not delivered",
    }
}

impl Kind {
    /// All that is fixed about it.
    pub(crate) fn row(self) -> &'static KindRow {
        &ROWS[self as usize]
    }

    /// The name in topics, files and commands.
    pub fn name(self) -> &'static str {
        self.row().name
    }

    /// The kind of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// How soon somebody must act on it, where the garden does not say otherwise.
    pub fn priority(self) -> Priority {
        self.row().priority
    }

    /// Whether it is about fish: a tank has it.
    pub fn is_about_fish(self) -> bool {
        self.row().places.iter().any(|place| matches!(place, PlaceKind::Tank | PlaceKind::TankWithPump))
    }

    /// The longest time for which it may be put aside, seconds, where that is less than
    /// usual. Fish cannot wait for a week: two hours, this project's own figure.
    pub fn shelf_most_s(self) -> Option<i64> {
        const FISH_S: i64 = 2 * HOUR_S as i64;
        self.is_about_fish().then_some(FISH_S)
    }

    /// Whether its answer says what ran: see [`Finding`](super::Finding).
    pub fn asks_found(self) -> bool {
        self.row().asks_found
    }

    /// The kinds that a place of some sort has, in order.
    pub(crate) fn at(fits: impl Fn(PlaceKind) -> bool) -> impl Iterator<Item = Self> {
        Self::ALL.into_iter().filter(move |kind| kind.row().places.iter().any(|place| fits(*place)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_whole_and_found_by_its_name() {
        for (number, kind) in Kind::ALL.into_iter().enumerate() {
            let row = kind.row();
            assert_eq!(kind as usize, number);
            assert_eq!(Kind::from_name(row.name), Some(kind));
            assert!(!row.places.is_empty() && !row.title.is_empty(), "{}", row.name);
            assert_eq!(row.one.matches("{}").count(), 1, "{}", row.one);
            assert_eq!(row.many.matches("{}").count(), 1, "{}", row.many);
            assert!(!row.trouble.contains("{}") && row.trouble.len() > 1, "{}", row.trouble);
            assert!(row.deadband.is_none_or(|it| (0.0..=it.most).contains(&it.usual)), "{}", row.name);
            assert!(row.by_severity.is_empty() || row.by_severity.contains(&row.priority), "{}", row.name);
            assert!(row.by_severity.is_sorted(), "{}: it grows no less urgent", row.name);
            assert!(row.worse.is_none_or(|it| 0.0 < it.usual && it.usual <= it.most), "{}", row.name);
        }
    }
}
