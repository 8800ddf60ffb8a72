//! `[[sensor]]`: what is measured where, and how it is heard.

use std::collections::{HashMap, HashSet};

use jiff::tz::TimeZone;

use super::calibration::{by_unit, calibrations, unwritten};
use super::document::Want;
use super::fault::nearest;
use super::gateway::Gateways;
use super::payload::payload;
use super::quality::limits;
use super::range::Range;
use super::resistance::{CalibratedSensor, SoilWater};
use super::table::SettingsTable;
use super::text::{Names, id, own_id};
use super::topic::{TOPIC_ACCEPTED, covers, refused_topic};
use super::value::SettingsItem;
use crate::decode::PayloadFormat;
use crate::garden::plan::{Battery, BatteryUnit, Sensor};
use crate::model::{Id, MeasuredIn, Place, Quantity};

const FORMERLY: &str = "a list of the sensor's earlier ids: [\"kitchen-a\"]";
const DEPTH_CM: Range = Range::from_to(0.0, 500.0, "cm below the surface");
/// Heights for which the wind can be brought to 2 m.
const HEIGHT_M: Range = Range::from_to(0.5, 50.0, "m above the ground");
/// Volts, millivolts or per cent: whatever the device reports.
const BATTERY_LOW: Range = Range::above_to(0.0, 1_000_000.0, "in the unit that the device reports");
const BATTERY_EMPTY: Range = Range::from_to(0.0, 1_000_000.0, "in the unit that the device reports");

/// The places of one garden, by id, and what stands on them.
pub(super) struct Places {
    pub(super) beds: HashMap<String, PlaceUse>,
    pub(super) tanks: HashMap<String, PlaceUse>,
}

impl Places {
    fn soil(&self, place: Place) -> Option<SoilWater> {
        match place {
            Place::Bed(at) => self.beds.values().find(|bed| bed.at == at)?.soil,
            Place::Tank(_) | Place::Site => None,
        }
    }
}

/// One bed or tank and whether a sensor watches it.
pub(super) struct PlaceUse {
    /// Its number in the garden.
    pub(super) at: u16,
    pub(super) watched: bool,
    /// `None` for tanks, and for a bed that is itself at fault.
    pub(super) soil: Option<SoilWater>,
}

/// Ids of sensors that must differ.
pub(super) struct SensorIds {
    own: Names,
    former: Names,
    /// Of everything in the garden.
    present: HashSet<String>,
}

impl SensorIds {
    pub(super) fn new(present: HashSet<String>) -> Self {
        Self {
            own: Names::new("an id of its own for each sensor of a garden"),
            former: Names::new("an earlier id for one sensor alone, and once"),
            present,
        }
    }

    /// An id that no longer stands in the garden's file, and that no other sensor claims.
    fn former(&mut self, item: &SettingsItem<'_>) -> Option<Id> {
        let id = id(item)?;
        if self.present.contains(id.as_str()) {
            let given = format!("{}, which is still there", item.given());
            return item.faulty(given, "an id that nothing in this garden has any more", None);
        }
        self.former.claim(item, id.as_str()).then_some(id)
    }
}

/// What a sensor must not share with those of any garden.
pub(super) struct Topics<'a> {
    pub(super) taken: &'a mut Names,
    /// What the broker is asked for; `None` where that is itself at fault.
    pub(super) filters: Option<&'a [String]>,
}

/// Reads one sensor; `None` where a fault was noted.
pub(super) fn sensor(
    table: SettingsTable<'_>,
    ids: &mut SensorIds,
    topics: &mut Topics<'_>,
    places: &mut Places,
    gateways: &mut Gateways<'_>,
    zone: &TimeZone,
) -> Option<Sensor> {
    let before = table.faults();
    let id = own_id(&table, &mut ids.own);
    let formerly = match table.get("formerly", Want::List) {
        Some(item) => item.list_all(FORMERLY, .., |part| ids.former(part)),
        None => Some(Vec::new()),
    };
    let quantities = Quantity::ALL.map(Quantity::name);
    let measures = table.read("measures", Want::Text, super::fault::any_of(quantities), |item| {
        item.name(Quantity::from_name, quantities)
    });
    let place = place(&table, measures, places);
    let depth_m = depth_m(&table, measures);
    let height_m = height_m(&table, measures);
    let topic = table.read("topic", Want::Text, TOPIC_ACCEPTED, |item| topic(item, topics));
    let payload = table.read(
        "payload",
        Want::TextOrTable,
        "\"number\", \"senml\", \"line-protocol\", \"one-wire\" or { json = { value = \"/raw\" } }",
        payload,
    );
    let gateway = table.read_if("gateway", Want::Text, |item| gateways.named_by(item));
    let battery = battery(&table, payload.as_ref());
    let every_s = table.read("every_s", Want::Value, "the seconds between two readings", |item| {
        item.whole(1..=86_400, "seconds between two readings")
    });
    let calibrated = CalibratedSensor { measures, zone, soil: place.and_then(|place| places.soil(place)) };
    let unit = table.get("unit", Want::Text);
    let calibrations = match (table.get("calibration", Want::TextOrTable), &unit) {
        (Some(_), Some(unit)) => {
            let given = format!("{} beside a calibration", unit.given());
            unit.faulty(given, "either unit or calibration: a calibration gives m3/m3 by itself", None)
        }
        (Some(item), None) => calibrations(&item, &calibrated),
        (None, Some(unit)) => by_unit(unit, measures),
        (None, None) => unwritten(&table, payload.as_ref(), measures),
    };
    let quality_table = table.section_like("quality", "{ gross_fail = [LOWEST, HIGHEST], ... }");
    // Where the quantity is at fault, any will do to find the other faults.
    let quality = limits(
        quality_table,
        measures.unwrap_or(Quantity::SoilMoisture),
        every_s.unwrap_or(900),
        place.and_then(|place| places.soil(place)),
    );
    table.finish_whole(before)?;
    Some(Sensor {
        id: id?,
        formerly: formerly?,
        measures: measures?,
        place: place?,
        depth_m: depth_m?,
        height_m: height_m?,
        topic: topic?,
        payload: payload?.into(),
        every_s: every_s?,
        calibrations: calibrations?.into(),
        unit_said: unit.is_some(),
        quality: quality?.into(),
        gateway: gateway?,
        battery: battery?.map(Box::new),
    })
}

/// The battery's limits; needed where the payload reports it, and without use where
/// it does not.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
fn battery(table: &SettingsTable<'_>, payload: Option<&PayloadFormat>) -> Option<Option<Battery>> {
    let low = table.get("battery_low", Want::Value);
    let empty = table.get("battery_empty", Want::Value);
    let unit = table.get("battery_unit", Want::Text);
    let reported = match payload {
        Some(PayloadFormat::Json { battery, .. }) => battery.is_some(),
        Some(PayloadFormat::Senml { battery, .. } | PayloadFormat::LineProtocol { battery, .. }) => {
            battery.is_some()
        }
        Some(PayloadFormat::Number | PayloadFormat::OneWire) => false,
        // A payload that is itself at fault may report it.
        None => return None,
    };
    match (reported, low) {
        (true, Some(low)) => {
            let number = low.number(BATTERY_LOW);
            let empty = match &empty {
                Some(item) => {
                    let empty = item.number(BATTERY_EMPTY)?;
                    if let Some(low) = number.filter(|low| empty >= *low) {
                        return item.refused(format!("a number below battery_low = {low}"));
                    }
                    Some(empty)
                }
                None => None,
            };
            let units = BatteryUnit::ALL.map(BatteryUnit::name);
            let unit = match &unit {
                Some(item) => Some(item.name(BatteryUnit::from_name, units)?),
                None => None,
            };
            Some(Some(Battery { low: number?, empty, unit }))
        }
        (true, None) => table.lacks("battery_low", format!("{BATTERY_LOW}: the payload reports a battery")),
        (false, None) if empty.is_none() && unit.is_none() => Some(None),
        (false, low) => {
            for item in [low, empty, unit].into_iter().flatten() {
                let accepted = "a payload that reports it: payload = { json = { value = \"/raw\", battery = \
                                \"/battery\" } }";
                item.fault(format!("{} with a payload that has no battery", item.given()), accepted, None);
            }
            None
        }
    }
}

fn place(table: &SettingsTable<'_>, measures: Option<Quantity>, places: &mut Places) -> Option<Place> {
    let bed = table.get("bed", Want::Text);
    let tank = table.get("tank", Want::Text);
    // An unreadable quantity may be the right one.
    let moisture = measures.is_none_or(|m| m == Quantity::SoilMoisture);
    let place = match (&bed, &tank) {
        (Some(_), Some(tank)) => {
            return tank.faulty(format!("{} beside a bed", tank.given()), "either bed or tank", None);
        }
        (Some(bed), None) => Place::Bed(find(bed, "bed", &mut places.beds, moisture)?),
        (None, Some(tank)) => Place::Tank(find(tank, "tank", &mut places.tanks, true)?),
        (None, None) => Place::Site,
    };
    let measures = measures?;
    let (key, other) = match (measures.measured_in(), place) {
        (MeasuredIn::Anywhere, _)
        | (MeasuredIn::Bed, Place::Bed(_))
        | (MeasuredIn::Tank, Place::Tank(_))
        | (MeasuredIn::Site, Place::Site) => return Some(place),
        (MeasuredIn::Bed, _) => ("bed", tank),
        (MeasuredIn::Tank, _) => ("tank", bed),
        (MeasuredIn::Site, _) => {
            for item in [bed, tank].into_iter().flatten() {
                item.refuse(format!("neither bed nor tank: {} is the whole site's", measures.name()));
            }
            return None;
        }
    };
    let accepted = format!("the {key} in which it measures {}", measures.name());
    match other {
        Some(item) => item.refused(format!("{key} = {accepted}")),
        None => table.lacks(key, accepted),
    }
}

/// The number of the place that `item` names.
fn find(
    item: &SettingsItem<'_>,
    kind: &str,
    places: &mut HashMap<String, PlaceUse>,
    watches: bool,
) -> Option<u16> {
    let accepted = format!("the id of a {kind} of this garden");
    let name = item.text(&accepted)?;
    match places.get_mut(name) {
        Some(place) => {
            place.watched |= watches;
            Some(place.at)
        }
        None => {
            let mut known: Vec<&str> = places.keys().map(String::as_str).collect();
            known.sort_unstable();
            let near = nearest(name, known.iter().copied());
            let accepted = match known.as_slice() {
                [] => format!("{accepted}; there is none"),
                known => format!("{accepted}: {}", super::fault::any_of(known.iter().copied())),
            };
            item.faulty(format!("{}, which is not there", item.given()), accepted, near)
        }
    }
}

/// The depth of a soil sensor, metres; no other sensor has one.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
fn depth_m(table: &SettingsTable<'_>, measures: Option<Quantity>) -> Option<Option<f64>> {
    let item = table.get("depth_cm", Want::Value);
    match (item, measures.map(|m| m.measured_in() == MeasuredIn::Bed)) {
        (Some(item), Some(false)) => item.refused("no depth_cm: it is for soil sensors"),
        (Some(item), _) => Some(Some(item.number(DEPTH_CM)? / 100.0)),
        (None, Some(true)) => table.lacks("depth_cm", DEPTH_CM.to_string()),
        (None, _) => Some(None),
    }
}

/// The height of a wind sensor, metres; no other sensor has one.
#[expect(clippy::option_option, reason = "the outer one says whether there was a fault")]
fn height_m(table: &SettingsTable<'_>, measures: Option<Quantity>) -> Option<Option<f64>> {
    let Some(item) = table.get("height_m", Want::Value) else { return Some(None) };
    if measures.is_some_and(|m| m != Quantity::WindSpeed) {
        return item.refused("no height_m: it is for wind sensors");
    }
    Some(Some(item.number(HEIGHT_M)?))
}

fn topic(item: &SettingsItem<'_>, topics: &mut Topics<'_>) -> Option<String> {
    let topic = item.text(TOPIC_ACCEPTED)?;
    if let Some(why) = refused_topic(topic) {
        return item.unusable(why, TOPIC_ACCEPTED);
    }
    if !topics.taken.claim(item, topic) {
        return None;
    }
    if let Some(filters) = topics.filters
        && !filters.iter().any(|filter| covers(filter, topic))
    {
        let accepted =
            format!("a topic that [broker] topics covers: {}", super::fault::shortened(&filters.join(", ")));
        return item.refused(accepted);
    }
    Some(topic.to_owned())
}
