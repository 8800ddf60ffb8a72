//! The plan of a garden: what stands where and which sensor watches it.
//!
//! Plain values that `settings` has already checked; nothing here can be
//! impossible (an area is above zero, field capacity is above the wilting
//! point, every sensor's place exists).

mod people;

use std::borrow::Cow;
use std::ops::{Deref, DerefMut};
use std::sync::Arc;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::ground::Ground;
use crate::alarms::{AlarmRecord, Kind, Priority, SYSTEM_NAME, SYSTEM_PLACE};
use crate::calibration::DatedCalibration;
use crate::decode::PayloadFormat;
use crate::garden::jobs::job::Job;
use crate::model::{Id, LocalHours, Place, Quantity, names};
use crate::quality::Limits;
use crate::soil::{Composition, Lengths, RootZone};
use crate::text::locale::{LocalText, Locale};
use crate::watering::{AllowedHours, Irrigation, Timetable, WateringMethod, WateringMethods, WateringRules};

pub use crate::alarms::RuleSettings;
pub use people::{Address, Channel, Next, Repeats, Tell};

/// One school garden. The daemon's parts each hold the plan of every garden: copies share it,
/// and one that is changed becomes a plan of its own.
#[derive(Clone, Debug)]
pub struct Garden(Arc<GardenPlan>);

impl From<GardenPlan> for Garden {
    fn from(plan: GardenPlan) -> Self {
        Self(Arc::new(plan))
    }
}

impl Deref for Garden {
    type Target = GardenPlan;

    fn deref(&self) -> &GardenPlan {
        &self.0
    }
}

impl DerefMut for Garden {
    fn deref_mut(&mut self) -> &mut GardenPlan {
        Arc::make_mut(&mut self.0)
    }
}

/// What the file of a garden says.
#[derive(Clone, Debug)]
pub struct GardenPlan {
    pub site: Site,
    pub beds: Vec<Bed>,
    pub tanks: Vec<Tank>,
    pub sensors: Vec<Sensor>,
    pub gateways: Vec<Gateway>,
    pub tell: Vec<Tell>,
    pub rules: RuleSettings,
    pub roof: Option<RoofTank>,
    /// What its watering timers do.
    pub programs: Vec<Program>,
    /// Where things lie.
    pub ground: Ground,
    /// What comes round.
    pub jobs: Vec<Job>,
    /// What whoever looks after it in the holidays reads.
    pub handover: Handover,
}

impl Garden {
    /// How soon somebody must act on an alarm of a kind at a place: what leaves fish
    /// without their only thermometer is of high priority, unless the garden gives its
    /// kind another priority than the usual one.
    pub fn priority_at(&self, kind: Kind, place: &Id) -> Priority {
        let (own, row) = (self.rules[kind].priority, kind.row());
        let blind = || row.blinds_from == 0 && self.tank_left_blind(kind, place).is_some();
        if own == kind.priority() && blind() { Priority::High } else { own }
    }

    /// The same of an alarm that went `severity` steps beyond its limit: of some kinds that
    /// decides, unless the garden gives them another priority than the usual one.
    pub(crate) fn priority_graded(&self, kind: Kind, place: &Id, severity: u16) -> Priority {
        let (own, row) = (self.rules[kind].priority, kind.row());
        if own != kind.priority() {
            return own;
        }
        if severity >= row.blinds_from && self.tank_left_blind(kind, place).is_some() {
            return Priority::High;
        }
        *row.by_severity.get(usize::from(severity)).or(row.by_severity.last()).unwrap_or(&own)
    }

    /// How soon somebody must act on an alarm as it stands.
    pub fn priority_of(&self, alarm: &AlarmRecord) -> Priority {
        self.priority_graded(alarm.key.kind, &alarm.key.place, alarm.course.severity)
    }

    /// The tank that an alarm of a sensor or gateway leaves without a thermometer to be
    /// judged by: its only one is silent, faulty, out of the water or of a wrong time, or
    /// all of its thermometers come by the gateway that is silent.
    pub(crate) fn tank_left_blind(&self, kind: Kind, place: &Id) -> Option<&Tank> {
        let blinded: &dyn Fn(&Sensor) -> bool = match kind {
            Kind::SensorSilent | Kind::SensorFault | Kind::DeviceClock => &|sensor| sensor.id == *place,
            Kind::GatewaySilent => &|sensor| self.gateway(self.gateway_of(sensor)).0 == place,
            _ => return None,
        };
        (0u16..).zip(&self.tanks).map(|(index, tank)| (Place::Tank(index), tank)).find_map(|(here, tank)| {
            let mut thermometers = self
                .sensors
                .iter()
                .filter(|it| it.place == here && it.measures == Quantity::WaterTemperature)
                .peekable();
            thermometers.peek()?;
            thermometers.all(blinded).then_some(tank)
        })
    }

    /// Whether an alarm of a kind at a place concerns a group: by its own kinds and
    /// places, or because it leaves a tank blind and the group is told of that tank's
    /// temperature.
    pub fn concerns(&self, group: &Tell, kind: Kind, place: &Id) -> bool {
        const FISH: [Kind; 3] = [Kind::TankTooWarm, Kind::TankTooCold, Kind::TankTemperatureShock];
        group.concerns(kind, place)
            || self
                .tank_left_blind(kind, place)
                .is_some_and(|tank| FISH.iter().any(|fish| group.concerns(*fish, &tank.id)))
    }

    /// What turns a text into the one that the site's people read; names of the plan stay as
    /// they are.
    pub fn local_text(&self) -> LocalText {
        let site = &self.site;
        if site.locale == Locale::default() {
            return LocalText::default();
        }
        let beds = self.beds.iter().flat_map(|it| [it.id.as_str(), &it.name]);
        let tanks = self.tanks.iter().flat_map(|it| [it.id.as_str(), &it.name]);
        let sensors = self.sensors.iter().flat_map(|it| [it.id.as_str(), &it.topic]);
        let gateways = self.gateways.iter().flat_map(|it| [it.id.as_str(), &it.name]);
        let jobs =
            self.jobs.iter().flat_map(|it| [it.id.as_str(), &it.name].into_iter().chain(it.how.as_deref()));
        let handover = [&self.handover.call, &self.handover.do_not, &self.handover.notes];
        let names = [site.id.as_str(), &site.name]
            .into_iter()
            .chain(beds)
            .chain(tanks)
            .chain(sensors)
            .chain(gateways)
            .chain(jobs)
            .chain(self.ground.landmarks.iter().map(|it| it.name.as_str()))
            .chain(self.programs.iter().map(|it| it.name.as_str()))
            .chain(self.tell.iter().map(|it| it.who.as_str()))
            .chain(handover.into_iter().flatten().map(String::as_str));
        LocalText::new(site.locale, names)
    }

    /// A bed by its number.
    pub(crate) fn bed(&self, index: u16) -> &Bed {
        &self.beds[usize::from(index)]
    }

    /// A tank by its number.
    pub(crate) fn tank(&self, index: u16) -> &Tank {
        &self.tanks[usize::from(index)]
    }

    /// A job by its number.
    pub(crate) fn job(&self, index: u16) -> &Job {
        &self.jobs[usize::from(index)]
    }

    /// A sensor by its number.
    pub(crate) fn sensor(&self, index: u16) -> &Sensor {
        &self.sensors[usize::from(index)]
    }

    /// The groups that an alarm of this kind at this place concerns.
    pub(crate) fn told_of(&self, kind: Kind, place: &Id) -> Vec<String> {
        self.tell
            .iter()
            .filter(|group| self.concerns(group, kind, place))
            .map(|group| group.who.clone())
            .collect()
    }

    /// The number of a sensor's gateway; that after the last one where it has none.
    pub(crate) fn gateway_of(&self, sensor: &Sensor) -> u16 {
        let none = u16::try_from(self.gateways.len()).unwrap_or(u16::MAX);
        sensor.gateway.map_or(none, |number| number.min(none))
    }

    /// The id and the name of a gateway by its number; the site's after the last one.
    pub(crate) fn gateway(&self, number: u16) -> (&Id, &str) {
        let gateway = self.gateways.get(usize::from(number));
        gateway.map_or((&self.site.id, &self.site.name), |gateway| (&gateway.id, &gateway.name))
    }

    /// The id of a bed or a tank; `None` of the whole site.
    pub(crate) fn place_id(&self, place: Place) -> Option<&Id> {
        match place {
            Place::Bed(at) => self.beds.get(usize::from(at)).map(|bed| &bed.id),
            Place::Tank(at) => self.tanks.get(usize::from(at)).map(|tank| &tank.id),
            Place::Site => None,
        }
    }

    /// The name of a sensor's place, as people say it.
    pub(crate) fn place_name(&self, sensor: &Sensor) -> &str {
        match sensor.place {
            Place::Bed(index) => &self.beds[usize::from(index)].name,
            Place::Tank(index) => &self.tanks[usize::from(index)].name,
            Place::Site => &self.site.name,
        }
    }

    /// A sensor, as people say it at the beginning of a sentence.
    pub(crate) fn sensor_name(&self, sensor: &Sensor) -> String {
        let what = sensor.measures.name().replace('-', " ");
        match sensor.place {
            Place::Bed(_) | Place::Tank(_) => {
                format!("{}: the {what} sensor ({})", self.place_name(sensor), sensor.id)
            }
            Place::Site if sensor.measures == Quantity::Rain => format!("The rain gauge ({})", sensor.id),
            Place::Site => format!("The {what} sensor ({})", sensor.id),
        }
    }

    /// The hours in which a place may be watered in its own way: by a bed's own rules,
    /// else the site's. Where the way is not known, only hours that allow each that is
    /// possible: nobody is told to water when it may be forbidden.
    pub fn watering_hours(&self, place: &Id) -> AllowedHours<'_> {
        match self.beds.iter().find(|bed| bed.id == *place) {
            Some(bed) => self.watering_rules(bed).all(bed.own_methods()),
            None => (&self.site.watering_rules).into(),
        }
    }

    /// The hours in which a place may be watered by hand, in some way.
    pub(crate) fn hand_watering_hours(&self, place: &Id) -> AllowedHours<'_> {
        let bed = self.beds.iter().find(|bed| bed.id == *place);
        bed.map_or(&self.site.watering_rules, |bed| self.watering_rules(bed)).any(WateringMethods::BY_HAND)
    }

    /// A bed's own rules, else the site's.
    pub(crate) fn watering_rules<'a>(&'a self, bed: &'a Bed) -> &'a WateringRules {
        bed.watering_rules.as_deref().unwrap_or(&self.site.watering_rules)
    }

    /// The ways in which a program may water a bed: the program's own, else the bed's.
    pub(crate) fn program_methods(&self, program: &Program, bed: &Bed) -> WateringMethods {
        match program.method.or(bed.method) {
            Some(method) => WateringMethods::one(method),
            None => WateringMethods::INSTALLED,
        }
    }
}

/// What whoever looks after the garden in the holidays reads beside what Trug knows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Handover {
    /// Whom to call, with a number each, the first one first.
    pub call: Vec<String>,
    /// What not to do.
    pub do_not: Vec<String>,
    /// Anything else: keys, taps, where the feed is.
    pub notes: Vec<String>,
}

/// A program of a watering timer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Program {
    /// The program's own name in the garden's file.
    pub name: String,
    /// The beds that it waters, by their numbers, sorted; never empty.
    pub beds: Vec<u16>,
    pub timetable: Timetable,
    /// How it waters; `None`: as the file says of each bed.
    pub method: Option<WateringMethod>,
}

/// A roof, and the tank that it fills.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RoofTank {
    pub roof: crate::rain::Roof,
    /// What the tank holds, litres, above 0.
    pub tank_l: Option<f64>,
}

/// Where the garden is and how its day runs.
#[derive(Clone, Debug)]
pub struct Site {
    pub id: Id,
    pub name: String,
    pub time_zone: TimeZone,
    /// How its people read: spelling, units, dates.
    pub locale: Locale,
    /// Degrees north, -90 to 90.
    pub latitude_deg: f64,
    /// Metres above sea level.
    pub elevation_m: f64,
    /// When water may run, local clock time.
    pub watering_rules: WateringRules,
    /// Hours of a weekday when people are in the garden, local clock time.
    pub working_hours: LocalHours,
    pub holidays: Vec<Holiday>,
}

/// Days on which the garden keeps some alarms quiet.
#[derive(Clone, Debug, PartialEq)]
pub struct Holiday {
    /// First and last day, in the site's own calendar.
    pub from: Date,
    pub to: Date,
    pub quiet: Vec<Kind>,
}

/// A garden bed.
#[derive(Clone, Debug)]
pub struct Bed {
    pub id: Id,
    pub name: String,
    /// Square metres, above 0.
    pub area_m2: f64,
    /// The texture's name, or how the two limits below were given.
    pub soil: Cow<'static, str>,
    /// Volumetric water content at field capacity, m³/m³.
    pub field_capacity: f64,
    /// Volumetric water content at the wilting point, m³/m³.
    pub wilting_point: f64,
    /// Volumetric water content at saturation, m³/m³, where it is known: above
    /// field capacity.
    pub saturation: Option<f64>,
    /// What the soil is made of, where the file gives it.
    pub composition: Option<Box<Composition>>,
    /// The crop's name in the table; `None`: the file gives its own numbers.
    pub crop: Option<&'static str>,
    /// Rooting depth used for scheduling, metres.
    pub root_depth_m: f64,
    /// Fraction of total available water that may be used before stress, 0.1 to 0.8.
    pub depletion_fraction: f64,
    /// The day of planting or sowing, in the site's own calendar.
    pub planted: Option<Date>,
    /// The garden's own lengths of the growth stages.
    pub stage_lengths: Option<Lengths>,
    pub irrigation: Option<Irrigation>,
    pub mulch: Option<Mulch>,
    /// Nothing grows in it: it wants no water.
    pub fallow: bool,
    /// It is of potting mix, compost or peat, which may be nearly all pores: it can hold
    /// up to 1 m³ of water in a m³.
    pub potting_mix: bool,
    /// When water may run here; `None`: as at the site.
    pub watering_rules: Option<Box<WateringRules>>,
    /// How it is watered; `None`: the file does not say.
    pub method: Option<WateringMethod>,
}

impl Bed {
    /// Its root zone, with the depletion fraction of the table or the file.
    pub(crate) fn root_zone(&self) -> RootZone {
        RootZone {
            field_capacity: self.field_capacity,
            wilting_point: self.wilting_point,
            root_depth_m: self.root_depth_m,
            depletion_fraction: self.depletion_fraction,
        }
    }

    /// The part of its own watering's water that reaches the roots; 1 where it has none.
    pub(crate) fn efficiency(&self) -> f64 {
        self.irrigation.map_or(1.0, |irrigation| irrigation.efficiency)
    }

    /// The ways in which it is watered, as far as the file says: by its own watering
    /// where it has one, else by hand.
    pub(crate) fn own_methods(&self) -> WateringMethods {
        match (self.method, self.irrigation) {
            (Some(method), _) => WateringMethods::one(method),
            (None, Some(_)) => WateringMethods::INSTALLED,
            (None, None) => WateringMethods::BY_HAND,
        }
    }

    /// Its plants, as people say it.
    pub fn plants(&self) -> String {
        self.crop.map_or_else(|| "its plants".to_owned(), |crop| format!("its plants ({crop})"))
    }
}

/// Mulch on a bed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mulch {
    /// Millimetres.
    pub depth_mm: f64,
    /// It is fine (compost, sawdust, clippings), not coarse; `None`: the file does not say.
    pub fine: Option<bool>,
    /// The day on which it is to go down, in the site's own calendar.
    pub planned: Option<Date>,
}

/// A fish tank.
#[derive(Clone, Debug)]
pub struct Tank {
    pub id: Id,
    pub name: String,
    /// Litres, above 0.
    pub volume_l: f64,
    /// The species' name in the table; `None`: the file gives its own limits.
    pub species: Option<String>,
    pub fish: Option<u32>,
    /// Mass of one fish on average, g, where somebody has weighed them.
    pub fish_grams: Option<f64>,
    /// What they are fed in a day, g.
    pub feed_g_day: Option<f64>,
    pub limits: crate::tank::TankLimits,
    pub pump: PumpLimits,
}

/// What a tank's pump does at least while it runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpLimits {
    /// Below this it draws too little power, W, above 0.
    pub power_w: f64,
    /// Below this it moves too little water, L an hour, above 0.
    pub flow_l_h: f64,
    /// Below this the tank's water is too low, cm; `None`: not judged.
    pub level_cm: Option<f64>,
}

impl Default for PumpLimits {
    /// Any power and any water at all (this project's own figures).
    fn default() -> Self {
        Self { power_w: 1.0, flow_l_h: 1.0, level_cm: None }
    }
}

impl Tank {
    /// Its fish, as people say it.
    pub fn fish_name(&self) -> &str {
        self.species.as_deref().unwrap_or("its fish")
    }
}

/// What brings the words of several sensors to the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gateway {
    pub id: Id,
    pub name: String,
}

/// What is known of a sensor's battery, in whatever unit its device reports.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Battery {
    /// Below this it is to be changed or charged, above 0.
    pub low: f64,
    /// At this the device stops; below `low`.
    pub empty: Option<f64>,
    /// The unit in which the device reports it, where the file says so.
    pub unit: Option<BatteryUnit>,
}

/// In what a device reports its battery.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BatteryUnit {
    Volts,
    Millivolts,
    Percent,
}

names!(BatteryUnit {
    Volts = "V",
    Millivolts = "mV",
    Percent = "%",
});

impl BatteryUnit {
    /// As it stands behind a number.
    pub fn shown(self) -> &'static str {
        match self {
            Self::Volts => " V",
            Self::Millivolts => " mV",
            Self::Percent => " %",
        }
    }
}

/// One sensor.
#[derive(Clone, Debug)]
pub struct Sensor {
    pub id: Id,
    /// Earlier ids, whose history is its own.
    pub formerly: Vec<Id>,
    pub measures: Quantity,
    pub place: Place,
    /// Metres below the surface, for soil sensors.
    pub depth_m: Option<f64>,
    /// Metres above the ground, for wind sensors; `None`: 2 m, the height for which
    /// the equations of evapotranspiration are made.
    pub height_m: Option<f64>,
    pub topic: String,
    /// Sensors of one kind share it, as the two below.
    pub payload: Arc<PayloadFormat>,
    /// Seconds between readings, as the sensor is set up.
    pub every_s: u32,
    /// Sorted by the instant from which each holds; never empty.
    pub calibrations: Arc<[DatedCalibration]>,
    /// Whether the file says in which unit the raw number is.
    pub unit_said: bool,
    pub quality: Arc<Limits>,
    /// Its number in [`Garden::gateways`]; `None`: it speaks for itself.
    pub gateway: Option<u16>,
    /// Its battery, where its payload reports one.
    pub battery: Option<Box<Battery>>,
}

impl Sensor {
    /// Its id, and those that it had before.
    pub fn ids(&self) -> impl Iterator<Item = &Id> {
        std::iter::once(&self.id).chain(&self.formerly)
    }
}

/// The place of an alarm as people call it: the name of a bed, tank, site, gateway or
/// of the program itself; a sensor's id with the name of its place; else the id.
pub(crate) fn place_called(garden: &Garden, id: &Id) -> String {
    let bed = garden.beds.iter().find(|bed| bed.id == *id).map(|bed| bed.name.clone());
    let tank = || garden.tanks.iter().find(|tank| tank.id == *id).map(|tank| tank.name.clone());
    let site = || (garden.site.id == *id).then(|| garden.site.name.clone());
    let own = || (id.as_str() == SYSTEM_PLACE).then(|| SYSTEM_NAME.to_owned());
    let gateway = || garden.gateways.iter().find(|it| it.id == *id).map(|gateway| gateway.name.clone());
    let job = || garden.jobs.iter().find(|job| job.id == *id).map(|job| job.name.clone());
    let sensor = || {
        let sensor = garden.sensors.iter().find(|sensor| sensor.id == *id)?;
        let at = match sensor.place {
            Place::Bed(at) => garden.beds.get(usize::from(at)).map(|bed| &bed.name),
            Place::Tank(at) => garden.tanks.get(usize::from(at)).map(|tank| &tank.name),
            Place::Site => None,
        };
        Some(at.map_or_else(|| id.to_string(), |at| format!("{id} ({at})")))
    };
    bed.or_else(tank)
        .or_else(site)
        .or_else(own)
        .or_else(gateway)
        .or_else(sensor)
        .or_else(job)
        .unwrap_or_else(|| id.to_string())
}

/// The clock of the garden `site`, or of all gardens where they share one.
///
/// # Errors
///
/// When no garden has the id `site`.
pub fn shared_zone(gardens: &[Garden], site: Option<&str>) -> Result<Option<TimeZone>, String> {
    if let Some(site) = site {
        return gardens
            .iter()
            .find(|garden| garden.site.id.as_str() == site)
            .map(|garden| Some(garden.site.time_zone.clone()))
            .ok_or_else(|| {
                let known: Vec<_> = gardens.iter().map(|garden| garden.site.id.as_str()).collect();
                format!("no garden is called {site:?}; the gardens are: {}", known.join(", "))
            });
    }
    let mut zones = gardens.iter().map(|garden| &garden.site.time_zone);
    let first = zones.next();
    Ok(first.filter(|first| zones.all(|zone| zone == *first)).cloned())
}
