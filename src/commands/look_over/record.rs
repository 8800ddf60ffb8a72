//! What the record says: whether it can be read, its disk, its sensors, the alarms about them, and
//! what waits to be told.

use std::path::Path;

use jiff::{SignedDuration, Timestamp};

use super::sensors::{self, AHEAD};
use super::{LookFinding, Weight, chain};
use crate::alarms::{Kind, PlaceKind};
use crate::commands::shared::{folder_of, safe, zone_of};
use crate::garden::plan::Garden;
use crate::settings::Settings;
use crate::store::{Reader, StoreError};
use crate::text::labels;
use crate::text::spoken::{counted, duration};

/// A record that is larger is read through only where that is asked for, bytes.
const QUICK_MAX: u64 = 1024 * 1024 * 1024;
const DAY: SignedDuration = SignedDuration::from_hours(24);
/// Messages to people that may wait without being worth a look.
const WAITING_MAX: u64 = 100;

/// Looks at the record of these settings.
pub(super) fn look(settings: &Settings, thorough: bool, now: Timestamp) -> Vec<LookFinding> {
    let path = &settings.store.path;
    let mut found: Vec<LookFinding> = disk(settings).into_iter().collect();
    if !path.exists() {
        found.push(LookFinding::bad(
            "record",
            format!("There is no record at {}.", path.display()),
            "It is made when Trug starts. Is [store] path the one that Trug runs with?",
        ));
        return found;
    }
    match Reader::open(path) {
        Ok(reader) => match all(settings, &reader, thorough, now) {
            Ok(more) => found.extend(more),
            Err(fault) => found.push(unreadable(path, &fault)),
        },
        Err(fault) => found.push(unreadable(path, &fault)),
    }
    found
}

fn unreadable(path: &Path, fault: &StoreError) -> LookFinding {
    LookFinding::bad(
        "record",
        format!("The record {} cannot be read: {}.", path.display(), chain(fault)),
        "Run this as the user trug or as root. If it is damaged, put a copy back with \"trug restore\".",
    )
}

fn all(
    settings: &Settings,
    reader: &Reader,
    thorough: bool,
    now: Timestamp,
) -> Result<Vec<LookFinding>, StoreError> {
    let mut found = through(reader, thorough)?;
    found.extend(last(settings, reader, now)?);
    found.extend(sensors::look(&settings.gardens, reader, now)?);
    found.extend(alarms(&settings.gardens, reader)?);
    found.extend(telling(reader, now)?);
    found.extend(servers(settings, reader, now)?);
    Ok(found)
}

/// Room on the disk of the record.
fn disk(settings: &Settings) -> Option<LookFinding> {
    let path = &settings.store.path;
    let folder = folder_of(path);
    let found = rustix::fs::statvfs(folder).ok()?;
    let (free, total) =
        (found.f_bavail.saturating_mul(found.f_frsize), found.f_blocks.saturating_mul(found.f_frsize));
    let wanted = settings.watch.limits.free_bytes(total);
    let mb = |bytes: u64| bytes / 1_000_000;
    if free >= wanted {
        return Some(LookFinding::well("disk", format!("{} MB of {} MB are free.", mb(free), mb(total))));
    }
    let what = format!("Only {} MB of {} MB are free, and {} MB should be.", mb(free), mb(total), mb(wanted));
    let todo = "Make room on this disk: Trug stores nothing once it is full.";
    Some(LookFinding::new(if free < wanted / 10 { Weight::Bad } else { Weight::Look }, "disk", what, todo))
}

/// Reads the record through.
fn through(reader: &Reader, thorough: bool) -> Result<Vec<LookFinding>, StoreError> {
    let bytes = std::fs::metadata(reader.path()).map_or(0, |file| file.len());
    let size = format!("{} MB", bytes.div_ceil(1_000_000));
    if bytes > QUICK_MAX && !thorough {
        let what = format!("The record is {size}; it was not read through.");
        return Ok(vec![LookFinding::unknown("record", what, "Do so with --thorough; it takes a while.")]);
    }
    let broken = reader.quick_check()?;
    Ok(vec![if broken.is_empty() {
        LookFinding::well("record", format!("The record is whole ({size})."))
    } else {
        LookFinding::bad(
            "record",
            format!("The record is damaged: {}.", safe(&broken.join("; "))),
            "Keep the file, look at the disk, and put a copy back with \"trug restore\".",
        )
    }])
}

/// When a reading was last stored, and what that says of the clocks.
fn last(settings: &Settings, reader: &Reader, now: Timestamp) -> Result<Vec<LookFinding>, StoreError> {
    let Some(latest) = reader.latest_at()? else {
        let todo = "Look at what comes with \"trug watch\".";
        return Ok(vec![LookFinding::look("record", "No reading was ever stored.", todo)]);
    };
    let zone = zone_of(settings.gardens.first());
    let at = labels::full_moment(latest, &zone);
    let ahead = latest.duration_since(now);
    Ok(vec![if ahead > AHEAD {
        let by = duration(ahead.as_secs());
        LookFinding::look(
            "clocks",
            format!("The newest reading is of {at}, {by} ahead of this computer's clock."),
            "Set this computer's clock, or the clock of the device that sent it.",
        )
    } else {
        LookFinding::well("record", format!("The newest reading is of {at}."))
    }])
}

/// Alarms about sensors, gateways and the program itself: batteries, device clocks, faults.
fn alarms(gardens: &[Garden], reader: &Reader) -> Result<Vec<LookFinding>, StoreError> {
    let own: Vec<Kind> = Kind::at(|place| {
        matches!(
            place,
            PlaceKind::Sensor
                | PlaceKind::SensorOf(_)
                | PlaceKind::SensorWithBattery
                | PlaceKind::Gateway
                | PlaceKind::System
        )
    })
    .collect();
    let known = |site: &crate::model::Id| gardens.iter().any(|garden| garden.site.id == *site);
    let rows = reader.alarms_present()?;
    let about =
        rows.iter().map(|row| &row.record).filter(|it| own.contains(&it.key.kind) && known(&it.key.site));
    Ok(about
        .map(|it| {
            let what =
                format!("The alarm {}/{} stands: {}", it.key.kind.name(), it.key.place, safe(&it.said.text));
            LookFinding::look("alarm", what, "Do what it says; \"trug alarms\" has the others.")
        })
        .collect())
}

/// What waits to be told, and what nobody took.
fn telling(reader: &Reader, now: Timestamp) -> Result<Vec<LookFinding>, StoreError> {
    let mut found = Vec::new();
    let since = now.saturating_sub(DAY).unwrap_or(Timestamp::MIN);
    for it in reader.unreached(since)? {
        let who = safe(&it.who);
        let what = format!(
            "A message to {who} by {} was given up: {}.",
            it.channel.name(),
            safe(it.reason.trim_end_matches('.'))
        );
        let todo = format!("Put that way right, then try it with \"trug tell --test {who}\".");
        found.push(LookFinding::bad("telling", what, todo));
    }
    let waiting = reader.figures()?.messages_waiting;
    let messages = counted(waiting, "message to people waits", "messages to people wait");
    found.push(if waiting > WAITING_MAX {
        let todo = "\"trug messages --waiting\" says for what.";
        LookFinding::look("telling", format!("{messages}."), todo)
    } else {
        LookFinding::well("telling", format!("{messages}."))
    });
    Ok(found)
}

/// What waits for other servers.
fn servers(settings: &Settings, reader: &Reader, now: Timestamp) -> Result<Vec<LookFinding>, StoreError> {
    let limits = settings.watch.limits;
    let queues = reader.queues()?;
    let known = queues.iter().filter(|queue| settings.forward.iter().any(|it| it.name == queue.name));
    Ok(known
        .map(|queue| {
            let name = safe(&queue.name);
            let age_s = queue.oldest.map_or(0, |oldest| now.as_second() - oldest.as_second());
            let rows = counted(queue.rows, "reading waits", "readings wait");
            let late = queue.rows > limits.forward_rows || age_s > i64::from(limits.forward_age_s);
            match (queue.refused, queue.rows > 0 && late) {
                (0, false) => LookFinding::well("servers", format!("{rows} for {name}.")),
                (0, true) => LookFinding::look(
                    "servers",
                    format!("{rows} for {name}, the oldest for {}.", duration(age_s)),
                    "\"trug forward\" says what it waits for.",
                ),
                (refused, _) => LookFinding::look(
                    "servers",
                    format!("{name} refused {}.", counted(refused, "reading", "readings")),
                    "\"trug forward\" says why, and sends them again.",
                ),
            }
        })
        .collect())
}
