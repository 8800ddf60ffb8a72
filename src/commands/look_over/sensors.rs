//! What the record says of each sensor: when it last sent, its clock, the quality of its last day,
//! and its battery.

use std::collections::HashMap;

use jiff::{SignedDuration, Timestamp};

use super::LookFinding;
use crate::commands::shared::safe;
use crate::decode::PayloadFormat;
use crate::engine::kept_batteries;
use crate::garden::patience_s;
use crate::garden::plan::{BatteryUnit, Garden, Sensor};
use crate::store::{Reader, SensorTally, StoreError};
use crate::text::labels;
use crate::text::spoken::{counted, duration};

/// How far back a sensor's last reading is looked for.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(35 * 24);
const DAY: SignedDuration = SignedDuration::from_hours(24);
/// A reading that is further ahead of this computer's clock says that one of the clocks is wrong.
pub(super) const AHEAD: SignedDuration = SignedDuration::from_mins(5);
/// From so many bad readings on, and from such a part of them, a day is worth a look. Our own
/// figures: single ones come with every radio.
const BAD_LEAST: u64 = 3;
const BAD_PART: u64 = 10;
/// The same for readings that came late or whose time could not be true: a half.
const TIMES_PART: u64 = 2;

/// A sensor and its garden's id.
type SensorKey = (String, String);

/// Each sensor's last reading against how often it should send, then its last day, then its
/// battery.
pub(super) fn look(
    gardens: &[Garden],
    reader: &Reader,
    now: Timestamp,
) -> Result<Vec<LookFinding>, StoreError> {
    let since = |length| now.saturating_sub(length).unwrap_or(Timestamp::MIN);
    let mut last: HashMap<SensorKey, Timestamp> = HashMap::new();
    for row in reader.activity(since(LOOK_BACK))? {
        let known = last.entry((row.series.site, row.series.sensor)).or_insert(row.last);
        *known = row.last.max(*known);
    }
    let days = reader.sensor_tallies(since(DAY))?.into_iter();
    let days: HashMap<SensorKey, SensorTally> =
        days.map(|day| ((day.site.clone(), day.sensor.clone()), day)).collect();
    let (mut found, mut well) = (Vec::new(), 0_usize);
    for garden in gardens {
        for sensor in &garden.sensors {
            let key = (garden.site.id.to_string(), sensor.id.to_string());
            let name = format!("{} of {}", sensor.id, garden.site.id);
            let of_last = last_reading(&name, sensor, last.get(&key).copied(), now);
            let of_day = days.get(&key).map(|day| of_last_day(&name, sensor, day)).unwrap_or_default();
            well += usize::from(of_last.is_none() && of_day.is_empty());
            found.extend(of_last.into_iter().chain(of_day));
        }
    }
    if well > 0 {
        let sensors = counted(well, "sensor has", "sensors have");
        found.push(LookFinding::well("sensors", format!("{sensors} sent in time, with good readings.")));
    }
    found.extend(batteries(gardens, reader, now));
    Ok(found)
}

/// What is wrong with the age of a sensor's last reading.
fn last_reading(name: &str, sensor: &Sensor, last: Option<Timestamp>, now: Timestamp) -> Option<LookFinding> {
    let look = |what: String, todo: String| Some(LookFinding::look("sensor", what, todo));
    let topic = safe(&sensor.topic);
    let todo = format!(
        "Look at its power, its network and its topic {topic}. \"trug watch {}\" shows what comes, and how old it is: \
         of one that sends, the clock is behind.",
        sensor.id
    );
    let Some(last) = last else {
        return look(format!("{name} has sent nothing for five weeks, or never."), todo);
    };
    let age_s = now.as_second() - last.as_second();
    if -age_s > AHEAD.as_secs() {
        let ahead = duration(-age_s);
        let what = format!("{name}: its last reading is {ahead} ahead of this computer's clock.");
        let todo = "Set the device's clock or its time service. If several sensors are ahead, look at this \
                    computer's clock first.";
        return look(what, todo.to_owned());
    }
    if age_s > patience_s(sensor.every_s) {
        let (age, every) = (duration(age_s), duration(i64::from(sensor.every_s)));
        return look(format!("{name}: no reading for {age}; it should send every {every}."), todo);
    }
    None
}

/// What is wrong with the readings of a sensor's last day.
fn of_last_day(name: &str, sensor: &Sensor, day: &SensorTally) -> Vec<LookFinding> {
    let of_all =
        |count: u64| format!("{count} of {} in the last day", counted(day.readings, "reading", "readings"));
    let is_part = |count: u64, part: u64| count >= BAD_LEAST && count * part >= day.readings;
    let mut found = Vec::new();
    let mut look = |what: String, todo: String| found.push(LookFinding::look("sensor", what, todo));
    if is_part(day.bad, BAD_PART) {
        let todo = format!(
            "Look for water in its plug, a chafed cable, and whether it sits where it should. \"trug watch {}\" shows \
             which test each reading fails.",
            sensor.id
        );
        look(format!("{name}: {} are bad.", of_all(day.bad)), todo);
    }
    if is_part(day.late, TIMES_PART) {
        let todo =
            "Set the device's clock or its time service. If its clock is right, its gateway sends late.";
        look(format!("{name}: {} came too late to be judged.", of_all(day.late)), todo.to_owned());
    }
    let gives_time = matches!(*sensor.payload, PayloadFormat::Json { time: Some(_), .. });
    if gives_time && is_part(day.by_arrival, TIMES_PART) {
        let what = format!(
            "{name}: {} stand under the time at which they came, since the device's own could not be true.",
            of_all(day.by_arrival)
        );
        look(what, "Set the device's clock or its time service.".to_owned());
    }
    found
}

/// What the devices last said of their batteries, as far as it was kept.
fn batteries(gardens: &[Garden], reader: &Reader, now: Timestamp) -> Vec<LookFinding> {
    let watched = gardens.iter().flat_map(|garden| {
        garden.sensors.iter().filter_map(move |it| Some((garden, it, it.battery.as_deref()?)))
    });
    let watched: Vec<_> = watched.collect();
    if watched.is_empty() {
        return Vec::new();
    }
    let kept = kept_batteries(gardens, reader, now);
    let (mut found, mut well, mut unknown) = (Vec::new(), 0_usize, 0_usize);
    for (garden, sensor, battery) in watched {
        let key = (garden.site.id.clone(), sensor.id.clone());
        let Some(reported) = kept.get(&key) else {
            unknown += 1;
            continue;
        };
        if *reported >= battery.low {
            well += 1;
            continue;
        }
        let unit = battery.unit.map_or("", BatteryUnit::shown);
        let what = format!(
            "{} of {}: its battery reports {}{unit}, below {}{unit}.",
            sensor.id,
            garden.site.id,
            labels::battery(*reported),
            labels::battery(battery.low)
        );
        found.push(LookFinding::look(
            "battery",
            what,
            "Change or charge it this week, with the type that its maker names.",
        ));
    }
    if well > 0 {
        let batteries = counted(well, "battery is", "batteries are");
        found.push(LookFinding::well("battery", format!("{batteries} above the limit.")));
    }
    if unknown > 0 {
        let batteries = counted(unknown, "battery", "batteries");
        found.push(LookFinding::unknown(
            "battery",
            format!("How {batteries} did is not known: no report was kept yet."),
            "It is kept once a day. The page of the sensors has what came since.",
        ));
    }
    found
}
