//! What a class month holds.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::analysis::{Effect, Summary, TooFew};
use crate::garden::WettingCause;
use crate::garden::log::{LogEntry, LogEvent};
use crate::history::Bin;
use crate::model::{CalendarMonth, Id, Quantity};
use crate::text::locale::LocalText;

/// A month of one garden.
#[derive(Clone, Debug)]
pub struct Month {
    pub site: Id,
    pub name: String,
    pub time_zone: TimeZone,
    /// How its people read.
    pub local: LocalText,
    pub which: CalendarMonth,
    /// The first moment of the month on the site's clock, and the first after it.
    pub from: Timestamp,
    pub to: Timestamp,
    /// The last moment that was known when it was made, where the month was not over.
    pub until: Option<Timestamp>,
    /// In the order of the garden's file; so are the beds and the tanks.
    pub sensors: Vec<SensorMonth>,
    /// `None`: the garden has no rain gauge.
    pub rain: Option<RainMonth>,
    pub beds: Vec<BedMonth>,
    pub tanks: Vec<TankMonth>,
    pub comparisons: Vec<Beside>,
    /// Why these are compared, or why nothing is.
    pub pair: PairReason,
    /// Entries of the month.
    pub log: Vec<LogEntry>,
    pub alarms: Vec<(Timestamp, String, String)>,
    pub questions: Vec<Question>,
    /// The one thing to do after this month.
    pub action: MonthAction,
}

/// How complete and how good a sensor's month is.
#[derive(Clone, Debug)]
pub struct SensorMonth {
    pub id: Id,
    /// The place's name: its bed, its tank or the site.
    pub place: String,
    pub measures: Quantity,
    /// Seconds between readings, as it is set up.
    pub every_s: u32,
    /// How many readings its interval promises in the time that has passed.
    pub expected: u32,
    /// Those of the month; `good`, `suspect` and `bad` add up to it.
    pub readings: u32,
    pub good: u32,
    pub suspect: u32,
    pub bad: u32,
    /// The longest time without a good reading, where it is longer than three of its
    /// intervals and five minutes.
    pub longest_gap: Option<(Timestamp, Timestamp)>,
    /// Of the good readings.
    pub summary: Option<Summary>,
    /// The hours of the site's clock that have a reading, oldest first.
    pub hours: Vec<Bin>,
    /// Every day of the month that has begun, also those without a reading.
    pub days: Vec<DayOf>,
}

impl SensorMonth {
    /// Good readings as a part of those that its interval promises, at most 1.
    pub fn complete(&self) -> f64 {
        if self.expected == 0 { 0.0 } else { (f64::from(self.good) / f64::from(self.expected)).min(1.0) }
    }
}

/// A day of one sensor, of its good readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayOf {
    pub date: Date,
    pub readings: u32,
    pub good: u32,
    pub suspect: u32,
    pub bad: u32,
    pub mean: Option<f64>,
    pub min: Option<f64>,
    pub max: Option<f64>,
    /// The sum, where the quantity adds up: rain, water used.
    pub total: Option<f64>,
}

/// Rain of the month, by rain days (9 am to 9 am, named by the day they end), of the gauge
/// whose record of it is the most whole.
#[derive(Clone, Debug)]
pub struct RainMonth {
    /// Each rain day of the month that has ended.
    pub days: Vec<RainDayOf>,
    /// What fell on all days, mm; at least so much where `days_unknown` is not 0.
    pub total_mm: f64,
    pub days_unknown: u32,
    /// Days that are known, with at least 1 mm.
    pub days_of_1mm: u32,
    pub wettest: Option<(Date, f64)>,
    /// The longest run of days with less than 1 mm, where every one is known: its
    /// first day and how many.
    pub longest_dry: Option<(Date, u32)>,
}

/// A rain day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RainDayOf {
    pub date: Date,
    /// Millimetres; at least so much where there is a gap, `None` where nothing is
    /// known of that day by itself.
    pub mm: Option<f64>,
    /// Whether a gap may hide some rain, or its rain was read together with that of
    /// other days.
    pub gap: bool,
}

impl RainDayOf {
    /// The day's rain where all of it is known, mm.
    pub fn whole_mm(&self) -> Option<f64> {
        self.mm.filter(|_| !self.gap)
    }
}

/// What wetted a bed, as tables name it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WaterSource {
    Rain,
    Watering,
    Both,
    Unknown,
}

impl From<WettingCause> for WaterSource {
    fn from(cause: WettingCause) -> Self {
        match cause {
            WettingCause::Rain { .. } => Self::Rain,
            WettingCause::RainAndWatering { .. } => Self::Both,
            WettingCause::Watering { .. } => Self::Watering,
            WettingCause::Unknown(_) => Self::Unknown,
        }
    }
}

impl WaterSource {
    /// The name in tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rain => "rain",
            Self::Watering => "watering",
            Self::Both => "rain-and-watering",
            Self::Unknown => "unknown",
        }
    }
}

/// One wetting of a bed.
#[derive(Clone, Debug, PartialEq)]
pub struct MonthWetting {
    /// When its soil began to grow wetter.
    pub from: Timestamp,
    /// When its root zone was wettest, within twelve hours.
    pub to: Timestamp,
    /// How far the probe rose that showed it, m³/m³.
    pub rise: f64,
    /// What the probes gained, spread over the root zone, mm; `None` where not all of
    /// them were heard. It is no measure of the water that came: a wet front that has
    /// passed a probe stands for a whole layer, and on simulated months it lies 10 to
    /// 100 % above the truth.
    pub gain_mm: Option<f64>,
    pub cause: WaterSource,
    /// Nobody wrote the watering down, no meter counted it and no program of the timer
    /// explains it: the gauge was heard
    /// and caught no rain, and few beds rose at once.
    pub inferred: bool,
    /// Largest catch of the gauges in the day before and until it was seen, mm;
    /// `None` where no gauge was heard all that time.
    pub rain_mm: Option<f64>,
    /// What water meters counted then, litres; `None` without one that was heard.
    pub metered_l: Option<f64>,
    /// What a run of the timer's program gives by the garden file, litres; `None` where
    /// no program can have begun it.
    pub program_l: Option<f64>,
    /// When the log says that the bed was watered, and litres where somebody measured.
    pub logged: Option<(Timestamp, Option<f64>)>,
    /// What speaks for the cause, in words.
    pub why: String,
}

/// How a bed dried after a wetting: an exponential approach to a lower limit, and the
/// plain loss a day beside it. The loss leaves out the first two days, in which water
/// still spreads and drains; the curve leaves out the first, so that the drainage of the
/// second is in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Drying {
    pub from: Timestamp,
    pub to: Timestamp,
    /// Water content at the beginning and the end, m³/m³.
    pub start: f64,
    pub end: f64,
    /// Mean loss of the root zone over whole days after the first two, mm a day; `None`
    /// where an hour that it needs is missing.
    pub loss_mm_day: Option<f64>,
    /// Whole days that the loss is of.
    pub loss_days: u32,
    /// Days after which 37 % of what can be lost is left; `None` where no curve fits.
    pub time_constant_days: Option<f64>,
    /// Standard error of the time constant, days.
    pub time_constant_error_days: Option<f64>,
    /// The water content that the curve ends at, m³/m³.
    pub dries_towards: Option<f64>,
    /// How far the curve is from the readings, root mean square, m³/m³.
    pub error: Option<f64>,
    /// Why no curve fits, where none does.
    pub unfit: Option<String>,
    /// Whether mulch lay on the bed all that time.
    pub mulched: bool,
}

/// Between which marks of the soil a bed's water lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum WaterBand {
    /// Below the wilting point.
    BelowWilting,
    /// Between wilting point and refill point.
    Dry,
    /// Between refill point and field capacity.
    Moist,
    /// Above field capacity.
    Wet,
}

impl WaterBand {
    /// Every band, the driest first.
    pub const ALL: [Self; 4] = [Self::BelowWilting, Self::Dry, Self::Moist, Self::Wet];

    /// The name in tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::BelowWilting => "below-wilting-point",
            Self::Dry => "dry",
            Self::Moist => "moist",
            Self::Wet => "wet",
        }
    }
}

/// A day of a bed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BedDay {
    pub date: Date,
    /// Hours of the day in which every probe was heard.
    pub hours_known: u32,
    /// How deep the roots reached, metres.
    pub roots_m: f64,
    /// Mean water content of that root zone, m³/m³; `None` with fewer than 12 such hours.
    pub water_content: Option<f64>,
    /// The same water, mm over the depth of the roots.
    pub water_mm: Option<f64>,
    /// Part of total available water that was left, of the mean.
    pub available: Option<f64>,
    pub band: Option<WaterBand>,
    /// What the soil lost from midnight to midnight as deep as grown roots go, mm; `None` where either
    /// midnight or more than two hours of the day are missing, or the bed was wetted on
    /// that day or within two days before: it still drained.
    pub loss_mm: Option<f64>,
    /// What the crop needed, mm; `None` where the weather is not known.
    pub need_mm: Option<f64>,
    /// Rain from midnight to midnight, mm; `None` where the gauge was not heard all day.
    pub rain_mm: Option<f64>,
    /// What waterings brought by log, meter or the timer's program, mm. `None` where a
    /// watering's amount is not known, or more than two hours of the day are missing, in
    /// which nobody would have seen one.
    pub watering_mm: Option<f64>,
    /// What the probes saw of wettings of unknown cause, mm.
    pub unknown_mm: f64,
    /// Whether mulch lay on it all day.
    pub mulched: bool,
}

/// Mulch on a bed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MulchOn {
    pub depth_mm: f64,
    pub since: Timestamp,
}

/// A bed's month.
#[derive(Clone, Debug)]
pub struct BedMonth {
    pub id: Id,
    pub name: String,
    pub area_m2: f64,
    /// The soil's name, and the crop's where the file gives one.
    pub soil: String,
    pub crop: Option<String>,
    pub root_depth_m: f64,
    /// m³/m³.
    pub wilting_point: f64,
    pub refill_point: f64,
    pub field_capacity: f64,
    /// Moisture probes by depth, metres.
    pub probes: Vec<(Id, f64)>,
    /// `None`: bare, as far as the log says.
    pub mulch: Option<MulchOn>,
    /// The day for which the garden file plans mulch, laid or not.
    pub mulch_planned: Option<Date>,
    /// Every day of the month that has begun.
    pub days: Vec<BedDay>,
    pub wettings: Vec<MonthWetting>,
    pub dryings: Vec<Drying>,
    /// What it needed and what it got (rain and waterings) over the days on which all
    /// of that is known, mm, and how many days those were.
    pub need_mm: Option<f64>,
    pub got_mm: Option<f64>,
    pub balance_days: u32,
    /// Why the need is not known, where it is not, for the first such day.
    pub need_unknown: Option<String>,
    /// Why what it got is not known, where it is not.
    pub got_unknown: Option<String>,
}

impl BedMonth {
    /// How many days lay in each band, the driest first.
    pub fn days_in_bands(&self) -> [(WaterBand, u32); 4] {
        let count = |band| self.days.iter().filter(|day| day.band == Some(band)).count();
        WaterBand::ALL.map(|band| (band, u32::try_from(count(band)).unwrap_or(u32::MAX)))
    }

    /// Days whose band is known.
    pub fn known_days(&self) -> u32 {
        self.days_in_bands().iter().map(|(_, days)| days).sum()
    }

    /// Known days below the refill point.
    pub fn dry_days(&self) -> u32 {
        self.days_in_bands().iter().filter(|(band, _)| *band <= WaterBand::Dry).map(|(_, days)| days).sum()
    }
}

impl Month {
    /// What was harvested, kg, by the log.
    pub fn harvest_kg(&self) -> f64 {
        let kg = |entry: &LogEntry| match entry.what {
            LogEvent::Harvest { kg, .. } if kg.is_finite() => kg.max(0.0),
            _ => 0.0,
        };
        self.log.iter().map(kg).sum()
    }
}

/// A tank's day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TankDay {
    pub date: Date,
    pub mean_c: Option<f64>,
    pub min_c: Option<f64>,
    pub max_c: Option<f64>,
    /// Hours with their mean outside the range that suits the fish, of the hours that
    /// are known.
    pub hours_cold: u32,
    pub hours_warm: u32,
    pub hours_known: u32,
}

impl TankDay {
    /// Warmest less coldest, °C.
    pub fn swing_c(&self) -> Option<f64> {
        Some(self.max_c? - self.min_c?)
    }
}

/// A tank's month.
#[derive(Clone, Debug)]
pub struct TankMonth {
    pub id: Id,
    pub name: String,
    pub fish: String,
    pub cold_c: f64,
    pub warm_c: f64,
    /// The thermometer that was heard best.
    pub thermometer: Option<Id>,
    pub days: Vec<TankDay>,
    /// The day with the greatest swing, and °C.
    pub widest: Option<(Date, f64)>,
}

/// Two places beside each other.
#[derive(Clone, Debug)]
pub struct Beside {
    pub first: Id,
    pub second: Id,
    pub first_name: String,
    pub second_name: String,
    /// What is compared: "Loss of water while drying".
    pub what: String,
    /// The same as the beginning of a question: "Which lost less water while it dried:".
    pub ask: &'static str,
    pub unit: &'static str,
    /// What one value is: "each drying", "each day".
    pub each: &'static str,
    pub first_values: Vec<f64>,
    pub second_values: Vec<f64>,
    /// When each value's event or day began; as many as there are values.
    pub first_at: Vec<Timestamp>,
    pub second_at: Vec<Timestamp>,
    pub outcome: Result<Effect, TooFew>,
    /// What the dots show, in one sentence for a class.
    pub plain: String,
    /// What the data do and do not show, with the figures.
    pub says: String,
    /// What must be known beside it: that days depend on each other, that the beds
    /// differ in more than the mulch.
    pub caution: String,
}

/// Something for the class to find out with this month's data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    pub ask: String,
    /// The table and its columns that it can be answered from.
    pub look_at: String,
    /// How one may begin.
    pub begin: String,
    /// What comes out, for the teacher.
    pub answer: String,
}

/// Why two sides are beside each other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PairReason {
    /// Chosen here: the same soil, and probes at the same depths.
    Alike,
    /// Chosen here: one bed before and after its mulch was laid.
    BeforeAndAfterMulch,
    /// Somebody named the two; in what they differ by the garden file.
    Named { differ: Vec<String> },
    /// Nothing is compared, since no two beds are alike; the two that come nearest.
    NoneAlike { nearest: Option<UnlikePair> },
}

/// Two beds that are not alike.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnlikePair {
    pub first: Id,
    pub second: Id,
    pub names: (String, String),
    /// In what they differ by the garden file.
    pub differ: Vec<String>,
}

/// The kinds of the one thing to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ActionKind {
    AskAboutTank,
    ChangeTimer,
    CheckWatering,
    WaterMore,
    WaterLess,
    Mulch,
    LookAtSensor,
    NothingToChange,
    Wait,
}

/// The one thing to do after a month, from its record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MonthAction {
    pub kind: ActionKind,
    /// The bed, tank or sensor that it is about.
    pub place: Option<Id>,
    /// What to do: short sentences, the first thing first.
    pub steps: Vec<String>,
    /// What of the record says so.
    pub why: String,
}
