//! One garden file: the site and its rules; beds, tanks, sensors and who is told
//! have files of their own.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use jiff::tz::TimeZone;

use super::bed::bed;
use super::channels::ChannelNames;
use super::document::Want;
use super::fault::{any_of, nearest};
use super::gateway::Gateways;
use super::ground::{GroundReader, outline};
use super::hours::{cool_hours, hours, working_day};
use super::job::{JobPlaces, handover, jobs};
use super::program::programs;
use super::range::Range;
use super::resistance::SoilWater;
use super::roof::roof;
use super::sensor::{PlaceUse, Places, SensorIds, Topics, sensor};
use super::table::SettingsTable;
use super::tank::tank;
use super::tell::tells;
use super::text::{Names, named, own_id};
use super::value::SettingsItem;
use super::watering::watering;
use crate::alarms::SYSTEM_PLACE;
use crate::alarms::{Kind, Priority, RuleSetting, RuleSettings};
use crate::calibration::DatedCalibration;
use crate::decode::PayloadFormat;
use crate::garden::plan::{Bed, Garden, GardenPlan, Holiday, Sensor, Site, Tank};
use crate::model::Id;
use crate::quality::Limits;
use crate::text::locale::Locale;

const LATITUDE: Range = Range::from_to(-90.0, 90.0, "degrees, south is negative");
/// From the shore of the Dead Sea to above the highest mountain.
const ELEVATION: Range = Range::from_to(-500.0, 9000.0, "metres above sea level");
/// Time after which an alarm is told again: up to a year.
const AGAIN: Range = Range::from_to(0.0, 8760.0, "hours; 0: never again");
/// The smallest step by which an alarm grows worse: below it are a sensor's own errors.
const WORSE_LEAST: f64 = 0.1;
/// Time within which an alarm that comes back is counted as the same: up to 30 days.
const COUNT: Range = Range::from_to(0.0, 720.0, "hours; 0: each time is an alarm of its own");
/// Longest delay of a rule, seconds: 30 days.
const DELAY_MAX_S: u32 = 30 * 86_400;
/// Beds or tanks of one garden at most; their numbers have 16 bits.
const PLACES_MAX: u16 = 10_000;

const TIME_ZONE: &str = "a time zone of the IANA time zone database, such as \"Australia/Adelaide\"";

/// What no two gardens of one daemon may share.
pub(super) struct Across<'a> {
    pub(super) sites: Names,
    pub(super) topics: Names,
    /// What the broker is asked for; `None` where that is itself at fault.
    pub(super) filters: Option<&'a [String]>,
    /// The webhooks and files that a group may name.
    pub(super) ways: ChannelNames,
    alike: Alike,
}

impl<'a> Across<'a> {
    pub(super) fn new(filters: Option<&'a [String]>, ways: ChannelNames) -> Self {
        Self {
            sites: Names::new("an id of its own for each site"),
            topics: Names::new("a topic of its own for each sensor"),
            filters,
            ways,
            alike: Alike::default(),
        }
    }
}

/// What is written alike, in any garden: all that say it share it.
#[derive(Default)]
struct Alike {
    ids: HashSet<Id>,
    payloads: Vec<Arc<PayloadFormat>>,
    calibrations: Vec<Arc<[DatedCalibration]>>,
    limits: Vec<Arc<Limits>>,
}

impl Alike {
    /// So many ids that differ are known, and so many of what a sensor is written with, which
    /// is looked through.
    const IDS_MOST: usize = 20_000;
    const MOST: usize = 32;

    fn share_sensors(&mut self, sensors: &mut [Sensor]) {
        for sensor in sensors {
            self.share_id(&mut sensor.id);
            Self::share(&mut self.payloads, &mut sensor.payload);
            Self::share(&mut self.calibrations, &mut sensor.calibrations);
            Self::share(&mut self.limits, &mut sensor.quality);
        }
    }

    fn share_id(&mut self, it: &mut Id) {
        match self.ids.get(it) {
            Some(same) => *it = same.clone(),
            None if self.ids.len() < Self::IDS_MOST => drop(self.ids.insert(it.clone())),
            None => {}
        }
    }

    fn share<T: PartialEq + ?Sized>(known: &mut Vec<Arc<T>>, it: &mut Arc<T>) {
        match known.iter().find(|known| *known == it) {
            Some(same) => *it = Arc::clone(same),
            None if known.len() < Self::MOST => known.push(Arc::clone(it)),
            None => {}
        }
    }
}

/// Whether a bed's own numbers say that it is of no mineral soil: the pores of those
/// hold 0.60 m3/m3 at most (`quality` has the same number).
fn beyond_mineral_soil(bed: &Bed) -> bool {
    const PORES_MOST: f64 = 0.60;
    bed.saturation.unwrap_or(bed.field_capacity) > PORES_MOST
}

/// Lets the beds' sensors know the soil that they sit in.
fn note_soil(beds: &[Bed], places: &mut HashMap<String, PlaceUse>) {
    for bed in beds {
        if let Some(place) = places.get_mut(bed.id.as_str()) {
            place.soil = Some(SoilWater {
                wilting_point: bed.wilting_point,
                field_capacity: bed.field_capacity,
                saturation: bed.saturation,
                potting_mix: bed.potting_mix || beyond_mineral_soil(bed),
            });
        }
    }
}

/// Notes a fault for each place that no sensor watches.
fn tell_unwatched(
    named: Vec<(String, SettingsItem<'_>)>,
    places: &HashMap<String, PlaceUse>,
    given: &str,
    accepted: &str,
) {
    for (id, named) in named {
        if places.get(&id).is_some_and(|place| !place.watched) {
            named.fault(given, accepted, None);
        }
    }
}

/// Reads a whole garden, section by section: each needs names from those before it. `None`
/// where a fault was noted.
pub(super) fn read(root: SettingsTable<'_>, across: &mut Across<'_>) -> Option<Garden> {
    let before = root.faults();
    let site_table = root.need_section("site", "a section [site] with id, name and time_zone");
    // Where alarms stand, for the groups that name places. A place at fault is one too.
    let mut alarm_places: Vec<String> = site_table.iter().filter_map(id_of).collect();
    let outline = site_table.as_ref().and_then(outline);
    let (site, zone) = match site_table {
        Some(table) => site(table, &mut across.sites),
        None => (None, TimeZone::UTC),
    };
    let watering_rules = watering(root.section("watering"));

    let bed_tables = root.sections("bed", "id");
    let tank_tables = root.sections("tank", "id");
    let mut ids = Names::new("an id of its own for each bed and tank");
    let mut places = Places { beds: HashMap::new(), tanks: HashMap::new() };
    for (tables, key) in [(&bed_tables, "bed"), (&tank_tables, "tank")] {
        alarm_places.extend(tables.iter().filter_map(id_of));
        if tables.len() > usize::from(PLACES_MAX) {
            root.fault(key, format!("{} of them", tables.len()), format!("at most {PLACES_MAX}"));
        }
    }
    let mut ground = GroundReader::new(outline);
    ground.read_beds(&bed_tables);
    ground.read_tanks(&tank_tables);
    let named_beds = places_of(&bed_tables, &mut places.beds);
    let named_tanks = places_of(&tank_tables, &mut places.tanks);
    let mut beds: Vec<Bed> = bed_tables.into_iter().filter_map(|table| bed(table, &mut ids)).collect();
    let mut tanks: Vec<Tank> = tank_tables.into_iter().filter_map(|table| tank(table, &mut ids)).collect();
    beds.iter_mut().for_each(|bed| across.alike.share_id(&mut bed.id));
    note_soil(&beds, &mut places.beds);

    let gateway_tables = root.sections("gateway", "id");
    alarm_places.extend(gateway_tables.iter().filter_map(id_of));
    let mut gateways = Gateways::read(gateway_tables, site.as_ref().map(|site| &site.id));
    let sensor_tables = root.sections("sensor", "id");
    let job_places = JobPlaces {
        beds: places.beds.keys().cloned().collect(),
        tanks: places.tanks.keys().cloned().collect(),
        sensors: sensor_tables.iter().filter_map(id_of).collect(),
    };
    alarm_places.extend(sensor_tables.iter().filter_map(id_of));
    let mut sensor_ids = SensorIds::new(alarm_places.iter().cloned().collect());
    let mut topics = Topics { taken: &mut across.topics, filters: across.filters };
    let mut sensors = Vec::with_capacity(sensor_tables.len());
    for table in sensor_tables {
        ground.read_sensor(&table);
        sensors.extend(sensor(table, &mut sensor_ids, &mut topics, &mut places, &mut gateways, &zone));
    }
    across.alike.share_sensors(&mut sensors);
    let gateways = gateways.finish();
    alarm_places.extend(gateways.iter().map(|gateway| gateway.id.to_string()));
    let bed_accepted =
        "at least one soil-moisture sensor with this bed: without it nothing can be said about its water";
    tell_unwatched(named_beds, &places.beds, "a bed that no soil-moisture sensor names", bed_accepted);
    let tank_accepted = "at least one sensor with this tank";
    tell_unwatched(named_tanks, &places.tanks, "a tank that no sensor names", tank_accepted);

    // The daemon's own alarms.
    alarm_places.push(SYSTEM_PLACE.to_owned());
    let mut tell = tells(root.sections("tell", "who"), &alarm_places, &across.ways);
    let holidays = holidays(root.sections("holiday", "from"));
    let fallback = cool_hours().into();
    let rules_of_site = watering_rules.as_ref().unwrap_or(&fallback);
    let programs = programs(root.sections("program", "name"), &beds, &places, rules_of_site, &holidays);
    let rules = rules(root.section("alarms"));
    let roof = root.section("roof").and_then(roof);
    ground.read_landmarks(root.sections("landmark", "name"));
    let ground = ground.finish();
    let handover = handover(root.section("handover"));
    // Read when the places and groups that they name are known.
    let job_tables = root.sections("job", "name");
    let jobs = jobs(job_tables, &job_places, &mut tell);
    root.finish_whole(before)?;
    let mut site = site?;
    site.watering_rules = watering_rules?;
    site.holidays = holidays;
    beds.shrink_to_fit();
    tanks.shrink_to_fit();
    let plan = GardenPlan {
        site,
        beds,
        tanks,
        sensors,
        gateways,
        tell,
        rules: rules?,
        roof,
        programs,
        ground,
        jobs,
        handover,
    };
    Some(plan.into())
}

/// The id that a table has, right or wrong.
fn id_of(table: &SettingsTable<'_>) -> Option<String> {
    table.get("id", Want::Text)?.value().as_str().map(str::to_owned)
}

/// Numbers the places in the order of the file; the first of one id counts.
fn places_of<'t>(
    tables: &[SettingsTable<'t>],
    places: &mut HashMap<String, PlaceUse>,
) -> Vec<(String, SettingsItem<'t>)> {
    let mut named = Vec::new();
    for (at, table) in (0..PLACES_MAX).zip(tables) {
        let Some(item) = table.get("id", Want::Text) else { continue };
        let Some(id) = item.value().as_str().map(str::to_owned) else { continue };
        if !places.contains_key(&id) {
            places.insert(id.clone(), PlaceUse { at, watched: false, soil: None });
            named.push((id, item));
        }
    }
    named
}

fn site(table: SettingsTable<'_>, sites: &mut Names) -> (Option<Site>, TimeZone) {
    let id = own_id(&table, sites);
    let name = table.read("name", Want::Text, "the garden's name", named);
    let zone = table.read("time_zone", Want::Text, TIME_ZONE, time_zone);
    let tags = Locale::ALL.map(Locale::tag);
    let locale =
        table.read_or("locale", Want::Text, Locale::default(), |item| item.name(Locale::from_tag, tags));
    let latitude_deg = table.number("latitude_deg", LATITUDE);
    let elevation_m = table.number("elevation_m", ELEVATION);
    let working_hours = table.read_or("working_hours", Want::List, working_day(), hours);
    table.finish();
    let site = (|| {
        Some(Site {
            id: id?,
            name: name?,
            time_zone: zone.clone()?,
            locale: locale?,
            latitude_deg: latitude_deg?,
            elevation_m: elevation_m?,
            watering_rules: cool_hours().into(),
            working_hours: working_hours?,
            holidays: Vec::new(),
        })
    })();
    (site, zone.unwrap_or(TimeZone::UTC))
}

fn time_zone(item: &SettingsItem<'_>) -> Option<TimeZone> {
    let name = item.text(TIME_ZONE)?;
    // The library knows a zone for "not known"; a garden needs a real one.
    match TimeZone::get(name) {
        Ok(zone) if !zone.is_unknown() => Some(zone),
        _ => {
            let known: Vec<String> = jiff::tz::db().available().map(|name| name.to_string()).collect();
            // People often write the city alone.
            let by_city = known
                .iter()
                .find(|zone| zone.rsplit('/').next().is_some_and(|city| city.eq_ignore_ascii_case(name)))
                .cloned();
            let near = by_city.or_else(|| nearest(name, known.iter().map(String::as_str)));
            item.faulty(item.given(), TIME_ZONE, near)
        }
    }
}

/// Days on which some alarms are kept quiet.
fn holidays(tables: Vec<SettingsTable<'_>>) -> Vec<Holiday> {
    let kinds = Kind::ALL.map(Kind::name);
    let mut holidays = Vec::new();
    for table in tables {
        let day = |key| table.read(key, Want::Value, "a date: 2026-04-11", SettingsItem::date);
        let (from, to) = (day("from"), day("to"));
        let quiet = table.read("quiet", Want::List, any_of(kinds), |item| {
            item.list_all(KINDS, .., |part| part.name(Kind::from_name, kinds))
        });
        if let (Some(from), Some(to), Some(quiet)) = (from, to, quiet) {
            if to < from {
                let given = format!("{to} with from = {from}");
                table.fault("to", given, "a last day not before the first");
            } else {
                holidays.push(Holiday { from, to, quiet });
            }
        }
        table.finish();
    }
    holidays
}

const KINDS: &str = "a list of at least one alarm kind: [\"dry-bed\"]";

/// The settings of every kind of alarm, changed by what the file says.
fn rules(table: Option<SettingsTable<'_>>) -> Option<RuleSettings> {
    let mut rules = RuleSettings::default();
    let Some(table) = table else { return Some(rules) };
    let before = table.faults();
    for kind in Kind::ALL {
        if let Some(section) = table.section(kind.name()) {
            rule(section, kind, &mut rules[kind]);
        }
    }
    table.finish_whole(before)?;
    Some(rules)
}

/// What the file says of one kind: deadband, delays, priority, latch and reminder.
fn rule(table: SettingsTable<'_>, kind: Kind, setting: &mut RuleSetting) {
    let number = |key, range| table.get(key, Want::Value).and_then(|item| item.number(range));
    if let Some(deadband) = kind.row().deadband
        && let Some(number) = number("deadband", Range::from_to(0.0, deadband.most, deadband.unit))
    {
        setting.delays.deadband = number;
    }
    for (key, seconds) in
        [("on_delay_s", &mut setting.delays.on_s), ("off_delay_s", &mut setting.delays.off_s)]
    {
        if let Some(number) =
            table.get(key, Want::Value).and_then(|item| item.whole(0..=DELAY_MAX_S, "seconds"))
        {
            *seconds = number;
        }
    }
    if let Some(item) = table.get("priority", Want::Text)
        && let Some(priority) = item.name(Priority::from_name, Priority::ALL.map(Priority::name))
    {
        setting.priority = priority;
    }
    if let Some(latching) = table.get("latching", Want::Value).and_then(|item| item.boolean()) {
        setting.latching = latching;
    }
    // Whole seconds of a year at most; less than one is one, since 0 is never.
    setting.again_s = number("again_h", AGAIN).map(|hours| (hours * 3600.0).ceil() as u32);
    if let Some(worse) = kind.row().worse
        && let Some(number) = number("worse_by", Range::from_to(WORSE_LEAST, worse.most, worse.unit))
    {
        setting.worse_by = number;
    }
    if let Some(hours) = number("count_h", COUNT) {
        setting.count_s = (hours * 3600.0).ceil() as u32;
    }
    table.finish();
}
