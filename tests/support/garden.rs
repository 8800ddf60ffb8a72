//! A small garden in the invented Saltbush Gully Primary School, made by hand,
//! and readings for it.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use trug::alarms::AlarmKey;
use trug::alarms::{Kind, State};
use trug::calibration::{Calibration, DatedCalibration};
use trug::decode::PayloadFormat;
use trug::garden::plan::{Bed, Garden, RuleSettings, Sensor, Site};
use trug::garden::record::{AlarmChange, Batch, Reading, Reject, Unplaced};
use trug::model::{Id, LocalHours, Place, Quantity};
use trug::model::{SensorIx, TimeFrom};
use trug::quality::{Flag, Limits, Tests};
use trug::store::{Letter, Transaction};

/// 2026-04-17 05:30 UTC, a Friday afternoon in Adelaide.
pub(crate) const START_MS: i64 = 1_776_403_800_000;

/// So many milliseconds after [`START_MS`].
pub(crate) fn at(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(START_MS + ms).expect("a time of this century")
}

/// A garden with one bed and these sensors: id, quantity, whether it is in the bed.
pub(crate) fn garden(site: &str, sensors: &[(&str, Quantity, bool)]) -> Garden {
    Garden {
        site: Site {
            id: Id::new(site),
            name: "Saltbush Gully Primary School".to_owned(),
            time_zone: TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database"),
            latitude_deg: -34.93,
            elevation_m: 95.0,
            watering_allowed: LocalHours::new(vec![(0, 540), (1080, 1440)]),
            working_hours: LocalHours::new(vec![(480, 960)]),
            holidays: Vec::new(),
        },
        beds: vec![Bed {
            id: Id::new("kitchen-bed"),
            name: "Kitchen bed".to_owned(),
            area_m2: 7.2,
            soil: "loamy sand".to_owned(),
            field_capacity: 0.15,
            wilting_point: 0.06,
            saturation: None,
            composition: None,
            crop: Some("cabbage".to_owned()),
            root_depth_m: 0.5,
            depletion_fraction: 0.45,
            planted: None,
            stage_lengths: None,
            irrigation: None,
            mulch: None,
            fallow: false,
            watering_allowed: None,
        }],
        tanks: Vec::new(),
        sensors: sensors
            .iter()
            .map(|&(id, measures, in_bed)| Sensor {
                id: Id::new(id),
                measures,
                place: if in_bed { Place::Bed(0) } else { Place::Site },
                depth_m: None,
                height_m: None,
                topic: format!("{site}/{id}"),
                payload: PayloadFormat::Number,
                every_s: 900,
                calibrations: vec![DatedCalibration { from: None, calibration: Calibration::identity() }],
                quality: Limits::default_for(measures, 900),
                gateway: None,
                battery: None,
            })
            .collect(),
        gateways: Vec::new(),
        tell: Vec::new(),
        rules: RuleSettings::default(),
        roof: None,
    }
}

/// A moisture probe in the bed and the site's rain gauge.
pub(crate) fn school() -> Garden {
    garden(
        "saltbush-gully",
        &[("kitchen-15cm", Quantity::SoilMoisture, true), ("roof-gauge", Quantity::Rain, false)],
    )
}

/// A garden of so many moisture probes.
pub(crate) fn probes(count: u32) -> Garden {
    let names: Vec<String> = (0..count).map(|n| format!("probe-{n}")).collect();
    let sensors: Vec<_> = names.iter().map(|name| (name.as_str(), Quantity::SoilMoisture, true)).collect();
    garden("saltbush-gully", &sensors)
}

/// A reading that passed, `ms` after the start.
pub(crate) fn reading(sensor: u32, ms: i64, raw: f64) -> Reading {
    Reading {
        sensor: SensorIx(sensor),
        at: at(ms),
        raw,
        value: Some(raw / 10_000.0),
        flag: Flag::Pass,
        tests: Tests::NOT_EVALUATED,
        time_from: TimeFrom::Device,
        late: false,
    }
}

/// A transaction with a batch and nothing else.
pub(crate) fn only(batch: &Batch) -> Transaction<'_> {
    Transaction {
        at: at(0),
        batch,
        letters: &[],
        letters_sent: &[],
        forwarded: &[],
        forward: false,
        messages: &[],
        sent: &[],
        tries: &[],
        waiting: &[],
    }
}

/// A step of the kitchen bed's dry-bed alarm.
pub(crate) fn dry_bed(ms: i64, from: State, to: State) -> AlarmChange {
    AlarmChange {
        key: AlarmKey { site: Id::new("saltbush-gully"), kind: Kind::DryBed, place: Id::new("kitchen-bed") },
        priority: Kind::DryBed.priority(),
        from,
        to,
        since: at(0),
        at: at(ms),
        shelf: None,
        text: "Kitchen bed is dry: 38 % of its available water is left.".to_owned(),
        values: vec![("depletion_mm".into(), 8.0), ("available_left".into(), 0.38)],
        source: "FAO-56 eq. 82-83".into(),
        why: vec![],
        how: None,
        tell: vec!["grounds".to_owned()],
    }
}

/// The letter of a step.
pub(crate) fn letter(change: &AlarmChange) -> Letter {
    let AlarmKey { site, kind, place } = &change.key;
    let kind = kind.name();
    Letter {
        key: format!("{site}/{kind}/{place}/{}/{}", change.at.as_millisecond(), change.to.name()),
        topic: format!("trug/{site}/alarm/{kind}/{place}"),
        payload: change.text.clone().into_bytes(),
    }
}

/// A payload that could not be read.
pub(crate) fn reject(ms: i64) -> Reject {
    Reject {
        at: at(ms),
        topic: "saltbush-gully/kitchen-15cm".to_owned(),
        payload: b"wet".to_vec(),
        reason: "\"wet\" is not a number".to_owned(),
    }
}

/// A message on a topic that no sensor names.
pub(crate) fn unplaced(ms: i64, topic: &str) -> Unplaced {
    Unplaced { at: at(ms), topic: topic.to_owned(), payload: b"21.5".to_vec() }
}
