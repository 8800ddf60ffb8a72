//! The garden file as serde sees it, and the way from there to [`School`].

use std::str::FromStr;

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use serde::Deserialize;

use super::inverse::{COUNT_MAX, Inverse};
use super::tables::{crop, species, texture, young_days};
use super::{Bed, Payload, Place, Quantity, School, SchoolError, Sensor, Tank, TimerProgram};
use crate::payload;

#[derive(Deserialize)]
struct GardenFile {
    site: SiteTable,
    #[serde(default)]
    watering: WateringTable,
    #[serde(default)]
    bed: Vec<BedTable>,
    #[serde(default)]
    tank: Vec<TankTable>,
    #[serde(default)]
    sensor: Vec<SensorTable>,
    #[serde(default)]
    program: Vec<ProgramTable>,
}

#[derive(Deserialize)]
struct ProgramTable {
    /// A list of ids, or "all".
    beds: toml::Value,
    every_days: Option<u16>,
    from: Option<toml::value::Datetime>,
    to: Option<toml::value::Datetime>,
    days: Option<Vec<String>>,
    starts: Vec<String>,
    minutes: u16,
    #[serde(default)]
    off_in_holidays: bool,
}

#[derive(Deserialize)]
struct SiteTable {
    id: String,
    time_zone: String,
    latitude_deg: f64,
}

#[derive(Deserialize, Default)]
struct WateringTable {
    allowed: Option<Vec<String>>,
}

#[derive(Deserialize)]
struct BedTable {
    id: String,
    area_m2: f64,
    soil: Option<String>,
    field_capacity: Option<f64>,
    wilting_point: Option<f64>,
    saturation: Option<f64>,
    crop: Option<String>,
    root_depth_m: Option<f64>,
    depletion_fraction: Option<f64>,
    planted: Option<toml::value::Datetime>,
    irrigation: Option<IrrigationTable>,
    mulch: Option<MulchTable>,
    watering: Option<WateringTable>,
}

#[derive(Deserialize)]
struct IrrigationTable {
    litres_per_hour: f64,
    efficiency: f64,
}

#[derive(Deserialize)]
struct MulchTable {
    planned: Option<toml::value::Datetime>,
}

#[derive(Deserialize)]
struct TankTable {
    id: String,
    volume_l: f64,
    species: Option<String>,
    #[serde(default)]
    limits: LimitsTable,
}

#[derive(Deserialize, Default)]
struct LimitsTable {
    cold_c: Option<f64>,
    warm_c: Option<f64>,
    change_hour_c: Option<f64>,
    change_day_c: Option<f64>,
}

#[derive(Deserialize)]
struct SensorTable {
    id: String,
    measures: String,
    bed: Option<String>,
    tank: Option<String>,
    depth_cm: Option<f64>,
    topic: String,
    payload: PayloadValue,
    every_s: u32,
    gateway: Option<String>,
    battery_low: Option<f64>,
    calibration: Option<CalibrationValue>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum PayloadValue {
    Name(String),
    Json {
        json: JsonTable,
    },
    Senml {
        senml: SenmlTable,
    },
    LineProtocol {
        #[serde(rename = "line-protocol")]
        line_protocol: LineProtocolTable,
    },
}

#[derive(Deserialize)]
struct JsonTable {
    value: String,
    time: Option<String>,
    battery: Option<String>,
}

#[derive(Deserialize)]
struct SenmlTable {
    name: Option<String>,
    battery: Option<String>,
}

#[derive(Deserialize)]
struct LineProtocolTable {
    measurement: Option<String>,
    field: Option<String>,
    battery: Option<String>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum CalibrationValue {
    Name(String),
    One(CalibrationTable),
    Dated(Vec<CalibrationTable>),
}

#[derive(Deserialize)]
struct CalibrationTable {
    from: Option<toml::value::Datetime>,
    points: Option<Vec<[f64; 2]>>,
    polynomial: Option<Vec<f64>>,
    mm_per_tip: Option<f64>,
    counts: Option<String>,
    wraps_at: Option<f64>,
    valid: Option<[f64; 2]>,
}

fn fault(place: &str, what: impl Into<String>) -> SchoolError {
    SchoolError::Value { place: place.to_owned(), what: what.into() }
}

pub(super) fn read(text: &str) -> Result<School, SchoolError> {
    let file: GardenFile = toml::from_str(text).map_err(|e| SchoolError::Toml(e.to_string()))?;
    let time_zone = TimeZone::get(&file.site.time_zone)
        .map_err(|e| fault("site.time_zone", format!("{:?}: {e}", file.site.time_zone)))?;
    if !(-90.0..=90.0).contains(&file.site.latitude_deg) {
        return Err(fault(
            "site.latitude_deg",
            format!("{} is not between -90 and 90", file.site.latitude_deg),
        ));
    }
    let allowed = match &file.watering.allowed {
        Some(texts) => hours("watering.allowed", texts)?,
        None => vec![(0, 1440)],
    };
    let mut school = School {
        site: file.site.id,
        time_zone,
        latitude_deg: file.site.latitude_deg,
        allowed,
        beds: file.bed.into_iter().map(bed).collect::<Result<_, _>>()?,
        tanks: file.tank.into_iter().map(tank).collect::<Result<_, _>>()?,
        sensors: Vec::new(),
        programs: Vec::new(),
    };
    school.programs = file.program.into_iter().map(|table| program(&school, table)).collect();
    for table in file.sensor {
        let sensor = sensor(&school, table)?;
        school.sensors.push(sensor);
    }
    Ok(school)
}

/// Intervals such as `18:00-24:00`, as minutes after midnight.
fn hours(place: &str, texts: &[String]) -> Result<Vec<(u16, u16)>, SchoolError> {
    let minute = |text: &str| -> Option<u16> {
        let (h, m) = text.trim().split_once(':')?;
        let minute = h.parse::<u16>().ok()?.checked_mul(60)?.checked_add(m.parse::<u16>().ok()?)?;
        (minute <= 1440).then_some(minute)
    };
    texts
        .iter()
        .map(|text| {
            text.split_once('-')
                .and_then(|(a, b)| Some((minute(a)?, minute(b)?)))
                .filter(|(a, b)| a < b)
                .ok_or_else(|| fault(place, format!("{text:?} is not an interval such as 18:00-24:00")))
        })
        .collect()
}

/// What cannot be read of a program leaves it less than whole: the file is the daemon's.
fn program(school: &School, table: ProgramTable) -> TimerProgram {
    let beds = match table.beds.as_array() {
        Some(ids) => ids.iter().filter_map(|id| school.bed_of(id.as_str()?)).collect(),
        None => (0..school.beds.len()).collect(),
    };
    let from = table.from.and_then(|from| Date::from_str(&from.to_string()).ok());
    let start = match table.starts.as_slice() {
        [only] => Time::from_str(only).ok(),
        _ => None,
    };
    let plain = table.to.is_none() && table.days.is_none() && !table.off_in_holidays;
    TimerProgram {
        beds,
        every_days: table.every_days.unwrap_or(0),
        from: from.unwrap_or(Date::ZERO),
        start: start.unwrap_or(Time::midnight()),
        minutes: table.minutes,
        whole: plain && table.every_days.is_some_and(|days| days > 0) && from.is_some() && start.is_some(),
    }
}

fn bed(table: BedTable) -> Result<Bed, SchoolError> {
    let place = format!("bed {}", table.id);
    let soil = table.soil.as_deref().map(|name| {
        texture(name).ok_or_else(|| fault(&place, format!("soil {name:?} is not a texture of the table")))
    });
    let soil = soil.transpose()?;
    let plant = table.crop.as_deref().map(|name| {
        crop(name).ok_or_else(|| fault(&place, format!("crop {name:?} is not a crop of the table")))
    });
    let plant = plant.transpose()?;
    let need = |given: Option<f64>, from_table: Option<f64>, key: &str| {
        given.or(from_table).ok_or_else(|| fault(&place, format!("{key} is missing")))
    };
    let (litres_per_hour, efficiency) =
        table.irrigation.map_or((100.0, 0.9), |i| (i.litres_per_hour, i.efficiency));
    let mulch_planned = match table.mulch.and_then(|m| m.planned) {
        Some(d) => Some(
            Date::from_str(&d.to_string())
                .map_err(|e| fault(&place, format!("mulch.planned {d} is not a date: {e}")))?,
        ),
        None => None,
    };
    let allowed = match table.watering.and_then(|w| w.allowed) {
        Some(texts) => Some(hours(&place, &texts)?),
        None => None,
    };
    // The day begins at midnight UTC, half a day off at most.
    let young = match (&table.planted, table.crop.as_deref().and_then(young_days)) {
        (Some(planted), Some((initial_d, development_d))) => Date::from_str(&planted.to_string())
            .ok()
            .and_then(|date| TimeZone::UTC.to_timestamp(date.at(0, 0, 0, 0)).ok())
            .map(|planted| (planted.as_second(), initial_d, development_d)),
        _ => None,
    };
    let bed = Bed {
        area_m2: table.area_m2,
        field_capacity: need(table.field_capacity, soil.map(|s| s.field_capacity_mid()), "field_capacity")?,
        saturation: table.saturation,
        wilting_point: need(table.wilting_point, soil.map(|s| s.wilting_point_mid()), "wilting_point")?,
        root_depth_m: need(table.root_depth_m, plant.map(|c| c.root_depth_min_m), "root_depth_m")?,
        depletion_fraction: need(
            table.depletion_fraction,
            plant.map(|c| c.depletion_fraction),
            "depletion_fraction",
        )?,
        planted: table.planted.is_some(),
        young,
        litres_per_hour,
        efficiency,
        mulch_planned,
        allowed,
        id: table.id,
    };
    let possible = bed.area_m2 > 0.0
        && bed.area_m2.is_finite()
        && bed.wilting_point > 0.0
        && bed.field_capacity > bed.wilting_point
        && bed.field_capacity < 0.9
        && bed.saturation.is_none_or(|full| full > bed.field_capacity && full <= 1.0)
        && (0.05..=5.0).contains(&bed.root_depth_m)
        && (0.05..=0.95).contains(&bed.depletion_fraction)
        && bed.litres_per_hour > 0.0
        && bed.litres_per_hour.is_finite()
        && bed.efficiency > 0.0
        && bed.efficiency <= 1.0;
    if possible { Ok(bed) } else { Err(fault(&place, format!("a number is impossible: {bed:?}"))) }
}

fn tank(table: TankTable) -> Result<Tank, SchoolError> {
    let place = format!("tank {}", table.id);
    let kind = table.species.as_deref().map(|name| {
        species(name).ok_or_else(|| fault(&place, format!("species {name:?} is not in the table")))
    });
    let kind = kind.transpose()?;
    let need = |given: Option<f64>, from_table: Option<f64>, key: &str| {
        given.or(from_table).ok_or_else(|| fault(&place, format!("limits.{key} is missing")))
    };
    let own = table.limits;
    let tank = Tank {
        volume_l: table.volume_l,
        cold_c: need(own.cold_c, kind.map(|s| s.cold_c), "cold_c")?,
        warm_c: need(own.warm_c, kind.map(|s| s.warm_c), "warm_c")?,
        change_hour_c: own.change_hour_c.unwrap_or(2.0),
        change_day_c: own.change_day_c.or(kind.map(|s| s.change_day_c)).unwrap_or(6.0),
        id: table.id,
    };
    if tank.volume_l > 0.0 && tank.volume_l.is_finite() {
        Ok(tank)
    } else {
        Err(fault(&place, format!("volume_l {} is not above 0", tank.volume_l)))
    }
}

fn sensor(school: &School, table: SensorTable) -> Result<Sensor, SchoolError> {
    let place = format!("sensor {}", table.id);
    let measures = Quantity::from_name(&table.measures)
        .ok_or_else(|| fault(&place, format!("measures {:?} is not known", table.measures)))?;
    let sits = match (&table.bed, &table.tank) {
        (Some(id), None) => {
            Place::Bed(school.bed_of(id).ok_or_else(|| fault(&place, format!("no bed {id:?}")))?)
        }
        (None, Some(id)) => {
            Place::Tank(school.tank_of(id).ok_or_else(|| fault(&place, format!("no tank {id:?}")))?)
        }
        (None, None) => Place::Site,
        (Some(_), Some(_)) => return Err(fault(&place, "names both a bed and a tank")),
    };
    if !measures.sits_at(sits) {
        return Err(fault(&place, format!("{} needs a place of its own kind", table.measures)));
    }
    if table.every_s == 0 || table.every_s > 86_400 {
        return Err(fault(&place, format!("every_s {} is not between 1 and 86400", table.every_s)));
    }
    let depth_m = table.depth_cm.unwrap_or(0.0) / 100.0;
    if !(0.0..=5.0).contains(&depth_m) {
        return Err(fault(&place, format!("depth_cm {:?} is not between 0 and 500", table.depth_cm)));
    }
    let payload = match table.payload {
        PayloadValue::Name(name) => match name.as_str() {
            "number" => Payload::Number,
            "senml" => Payload::Senml { name: table.id.clone(), battery: None },
            "line-protocol" => Payload::LineProtocol {
                measurement: table.measures.clone(),
                field: "value".to_owned(),
                battery: None,
            },
            other => return Err(fault(&place, format!("payload {other:?} is not known"))),
        },
        PayloadValue::Json { json } => {
            payload::json_at(&json.value, json.time.as_deref(), json.battery.as_deref())
                .ok_or_else(|| fault(&place, "the JSON pointers of the payload get in each other's way"))?
        }
        PayloadValue::Senml { senml } => {
            Payload::Senml { name: senml.name.unwrap_or_else(|| table.id.clone()), battery: senml.battery }
        }
        PayloadValue::LineProtocol { line_protocol: l } => Payload::LineProtocol {
            measurement: l.measurement.unwrap_or_else(|| table.measures.clone()),
            field: l.field.unwrap_or_else(|| "value".to_owned()),
            battery: l.battery,
        },
    };
    let calibrations = calibrations(&place, &school.time_zone, table.calibration)?;
    Ok(Sensor {
        id: table.id,
        measures,
        place: sits,
        depth_m,
        topic: table.topic,
        payload,
        every_s: table.every_s,
        gateway: table.gateway,
        battery_low: table.battery_low.filter(|low| *low > 0.0 && low.is_finite()),
        calibrations,
    })
}

fn calibrations(
    place: &str,
    zone: &TimeZone,
    value: Option<CalibrationValue>,
) -> Result<Vec<(Option<i64>, Inverse)>, SchoolError> {
    let tables = match value {
        None => return Ok(vec![(None, Inverse::Identity)]),
        Some(CalibrationValue::Name(name)) if name == "topp" => return Ok(vec![(None, Inverse::Topp)]),
        Some(CalibrationValue::Name(name)) => {
            return Err(fault(place, format!("calibration {name:?} is not known")));
        }
        Some(CalibrationValue::One(table)) => vec![table],
        Some(CalibrationValue::Dated(tables)) => tables,
    };
    let mut dated = Vec::new();
    for table in tables {
        let from = table.from.map(|d| instant(place, zone, &d.to_string())).transpose()?;
        let inverse = match (table.points, table.polynomial, table.mm_per_tip) {
            (Some(points), None, None) => Inverse::points(points),
            (None, Some(coefficients), None) => {
                Inverse::polynomial(coefficients, table.valid.unwrap_or([0.0, COUNT_MAX]))
            }
            (None, None, Some(mm)) if mm > 0.0 && mm.is_finite() => Some(Inverse::Tips {
                mm_per_tip: mm,
                running: table.counts.as_deref() == Some("running"),
                wraps_at: table.wraps_at,
            }),
            _ => None,
        };
        let inverse = inverse.ok_or_else(|| fault(place, "this calibration cannot be turned round"))?;
        dated.push((from, inverse));
    }
    dated.sort_by_key(|(from, _)| *from);
    if dated.is_empty() { Err(fault(place, "the list of calibrations is empty")) } else { Ok(dated) }
}

/// A local date, a local date-time or an RFC 3339 instant, as Unix seconds.
fn instant(place: &str, zone: &TimeZone, text: &str) -> Result<i64, SchoolError> {
    if let Ok(at) = jiff::Timestamp::from_str(text) {
        return Ok(at.as_second());
    }
    let local = DateTime::from_str(text)
        .or_else(|_| Date::from_str(text).map(|d| d.to_datetime(Time::midnight())))
        .map_err(|e| fault(place, format!("{text:?} is not a date: {e}")))?;
    zone.to_ambiguous_zoned_datetime(local)
        .compatible()
        .map(|z| z.timestamp().as_second())
        .map_err(|e| fault(place, format!("{text:?} is not a time of this zone: {e}")))
}
