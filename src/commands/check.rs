//! `trug check`: reads the configuration and says what is in it, or every fault.

mod calibrated;
mod live;

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::Path;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use serde_json::json;

use super::exit::Exit;
use super::local_out::LocalWriter;
use super::shared::print_json;
use super::tell::untold_words;
use crate::analysis::month::{WaterSource, rises};
use crate::garden::plan::{Channel, Garden, Program, Sensor};
use crate::garden::{ProposedProgram, days_words, proposed_programs, unreached_groups, untold_kinds};
use crate::history::Point;
use crate::model::{Id, Place, Quantity, WEEK, clock};
use crate::settings::{Settings, load};
use crate::store::{Reader, ReadingFilter, StoreError};
use crate::text::spoken::{self, counted};
use crate::watering::{MonthDays, ProgramDays, SeenRise, WateringMethod, WateringRule};

/// Stored readings that are looked at for timers: so long before the last one.
const LOOK_BACK: SignedDuration = SignedDuration::from_hours(35 * 24);
/// Gardens and readings that are looked at for timers, so that the check stays quick.
const GARDENS_MAX: usize = 20;
const READINGS_MAX: usize = 500_000;

/// What the command line says.
#[derive(Clone, Copy, Debug, Default, clap::Args)]
pub struct CheckArgs {
    /// Say as well what came in the last day and could not be taken, and which sensors were
    /// not heard: no where there is any
    #[arg(long)]
    pub live: bool,
}

/// Reads `config` and the variables of `env`, and writes what was read or every fault to
/// `out`. With the present in `live` also what came in the day before it and could not be
/// taken, and the answer is no where there is any.
///
/// # Errors
/// When `out` cannot be written, or the store cannot be read.
pub fn run(
    config: &Path,
    env: impl Iterator<Item = (String, String)>,
    live: Option<Timestamp>,
    as_json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let read = load(config, env).and_then(|settings| match settings.borne {
        Some(borne) => Err(borne),
        None => Ok(settings),
    });
    let live = match (&read, live) {
        (Ok(settings), Some(now)) => Some(live::LastDay::read(settings, now)?),
        _ => None,
    };
    match (read, as_json) {
        (Ok(settings), true) => {
            let mut found = found_as_json(&settings);
            if let Some(live) = &live {
                found["live"] = live.json();
            }
            print_json(&found, out)?;
        }
        (Ok(settings), false) => {
            let out: &mut dyn Write = &mut LocalWriter::new(out, as_json, &settings.gardens, None);
            found_as_text(config, &settings, out)?;
            if let Some(live) = &live {
                live.tell(out)?;
            }
        }
        (Err(faults), as_json) => {
            if as_json {
                print_json(&json!({ "ok": false, "faults": faults.to_json() }), out)?;
            } else {
                let count = faults.as_slice().len();
                writeln!(out, "{faults}\n\n{}", counted(count, "fault", "faults"))?;
            }
            return Ok(Exit::WrongInput);
        }
    }
    Ok(Exit::yes_if(live.is_none_or(|live| live.is_well())))
}

fn found_as_text(config: &Path, settings: &Settings, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}: {}", config.display(), counted(settings.gardens.len(), "garden", "gardens"))?;
    for garden in &settings.gardens {
        let site = &garden.site;
        let out: &mut dyn Write = &mut LocalWriter::of_garden(out, Some(garden));
        writeln!(
            out,
            "\n{} ({}), {}: {}, {}, {}",
            site.name,
            site.id,
            site.time_zone.iana_name().unwrap_or("unnamed time zone"),
            counted(garden.beds.len(), "bed", "beds"),
            counted(garden.tanks.len(), "tank", "tanks"),
            counted(garden.sensors.len(), "sensor", "sensors"),
        )?;
        for (at, bed) in garden.beds.iter().enumerate() {
            writeln!(
                out,
                "  bed {} ({}): {} m2, soil {} ({:.3} to {:.3} m3/m3), {} (roots {} m){}",
                bed.name,
                bed.id,
                bed.area_m2,
                bed.soil,
                bed.wilting_point,
                bed.field_capacity,
                bed.plants(),
                bed.root_depth_m,
                by(bed.method),
            )?;
            sensors_at(garden, |place| matches!(place, Place::Bed(bed) if usize::from(bed) == at), out)?;
        }
        writeln!(out, "  watering allowed {}", spoken::day_hours_or_never(&site.watering_rules.allowed))?;
        for rule in &site.watering_rules.rules {
            writeln!(out, "  watering rule {}", rule_words(rule))?;
        }
        for Program { name, beds, timetable, method } in &garden.programs {
            let beds: Vec<&str> = beds.iter().map(|bed| garden.bed(*bed).id.as_str()).collect();
            writeln!(
                out,
                "  program {name}: {} at {} for {} on {}{}",
                days_words(&timetable.days),
                spoken::list(&timetable.starts.iter().map(|start| spoken::clock(*start)).collect::<Vec<_>>()),
                spoken::duration(i64::from(timetable.minutes) * 60),
                beds.join(", "),
                by(*method),
            )?;
        }
        for (at, tank) in garden.tanks.iter().enumerate() {
            writeln!(
                out,
                "  tank {} ({}): {} L, {}, suited by {} to {} °C, alarm below {} and above {} °C",
                tank.name,
                tank.id,
                tank.volume_l,
                tank.fish_name(),
                tank.limits.thrives_c.0,
                tank.limits.thrives_c.1,
                tank.limits.cold_c,
                tank.limits.warm_c,
            )?;
            sensors_at(garden, |place| matches!(place, Place::Tank(tank) if usize::from(tank) == at), out)?;
        }
        if garden.sensors.iter().any(|sensor| sensor.place == Place::Site) {
            writeln!(out, "  the whole site")?;
            sensors_at(garden, |place| place == Place::Site, out)?;
        }
    }
    for note in notes(settings) {
        writeln!(out, "\nnote: {note}")?;
    }
    for (site, ProposedProgram { words, lines }) in timers(settings) {
        writeln!(out, "\nnote: {site}: {words} If a timer does this, add to the garden's file:\n\n{lines}")?;
    }
    writeln!(out, "\nno faults")
}

/// ", watered by drip", where the file says.
fn by(method: Option<WateringMethod>) -> String {
    method.map_or_else(String::new, |method| format!(", watered by {}", method.words()))
}

/// "summer (a sprinkler): on Wednesdays and Saturdays 6 pm to 9 pm, from Tuesday 1 December
/// 2026, to Wednesday 31 March 2027".
fn rule_words(rule: &WateringRule) -> String {
    let (methods, hours) = (spoken::methods(rule.methods), spoken::day_hours_or_never(&rule.hours));
    let of = if rule.name.is_empty() { methods } else { format!("{} ({methods})", rule.name) };
    let days = match rule.days {
        [true, true, true, true, true, true, true] => String::new(),
        days => format!("{} ", days_words(&ProgramDays::Week(days))),
    };
    let dates = match rule.month_days {
        MonthDays::Every => "",
        MonthDays::Even => "on even dates ",
        MonthDays::Odd => "on odd dates ",
    };
    let dated = |date: Date| format!("{} {}", spoken::day(date), date.year());
    let from = rule.from.map_or_else(String::new, |from| format!(", from {}", dated(from)));
    let to = rule.to.map_or_else(String::new, |to| format!(", to {}", dated(to)));
    format!("{of}: {days}{dates}{hours}{from}{to}")
}

/// What is no fault and yet may surprise somebody.
fn notes(settings: &Settings) -> Vec<String> {
    let mut notes = Vec::new();
    let tells = || settings.gardens.iter().flat_map(|garden| &garden.tell);
    let by_email = tells()
        .filter(|tell| tell.by.iter().chain(&tell.instead).any(|to| to.channel == Channel::Email))
        .count();
    if settings.channels.mail.is_none() && by_email > 0 {
        notes.push(format!(
            "{} by e-mail, and the daemon's file has no section [mail]: no e-mail is sent",
            counted(by_email, "group is told", "groups are told"),
        ));
    }
    for garden in settings.gardens.iter().filter(|it| !it.site.watering_rules.rules.is_empty()) {
        notes.push(format!(
            "{}: its watering rules differ by method, day or date. A probe cannot tell how water came: watering that \
             some method was allowed is told as nobody's fault. watering-hours is told where every method that can \
             have been used was forbidden; say how each bed and program waters with method = \"drip\". Compare the \
             rules with those of your water supplier and council, which come first",
            garden.site.id,
        ));
    }
    for (garden, kinds) in settings.gardens.iter().zip(untold_kinds(&settings.gardens)) {
        let site = &garden.site.id;
        if garden.tell.is_empty() {
            notes.push(format!("{site}: nobody is told of any alarm: its file has no [[tell]]"));
            continue;
        }
        for group in unreached_groups(garden) {
            notes.push(format!(
                "{site}: no alarm reaches the group {}: none of its alarms can come at its places",
                group.who
            ));
        }
        if !kinds.is_empty() {
            let words: Vec<String> = kinds.iter().map(|it| untold_words(garden, it)).collect();
            notes.push(format!(
                "{site}: nobody is told of {}. Add what somebody should know to the alarms of a [[tell]] with an address",
                words.join("; ")
            ));
        }
    }
    for garden in &settings.gardens {
        let of = |sensor| Some(format!("{}: {}", garden.site.id, calibrated::doubt(sensor)?));
        notes.extend(garden.sensors.iter().filter_map(of));
    }
    if let Some(page) = &settings.page
        && !page.open_here
        && !page.open_to_network
        && page.password.is_none()
        && page.users.is_empty()
    {
        notes.push(
            "nobody can read the page: [page] names no password_file, and reading without one is off on this \
             computer (open_here)"
                .to_owned(),
        );
    }
    notes
}

/// The programs of timers that the store speaks for, with the ids of their gardens. Without
/// a store, or one that cannot be read, there are none: the check is of the files.
fn timers(settings: &Settings) -> Vec<(Id, ProposedProgram)> {
    let path = &settings.store.path;
    if !path.exists() {
        return Vec::new();
    }
    Reader::open(path).and_then(|reader| timers_in(&reader, settings)).unwrap_or_default()
}

fn timers_in(reader: &Reader, settings: &Settings) -> Result<Vec<(Id, ProposedProgram)>, StoreError> {
    let mut found = Vec::new();
    let Some(latest) = reader.latest_at()? else { return Ok(found) };
    let mut left = READINGS_MAX;
    let written = |garden: &Garden, bed: u16| garden.programs.iter().any(|it| it.beds.contains(&bed));
    let wanted =
        settings.gardens.iter().filter(|it| (0u16..).zip(&it.beds).any(|(bed, _)| !written(it, bed)));
    for garden in wanted.take(GARDENS_MAX) {
        let tells = |it: &&Sensor| matches!(it.measures, Quantity::SoilMoisture | Quantity::Rain);
        let filter = ReadingFilter {
            site: Some(garden.site.id.to_string()),
            sensors: garden.sensors.iter().filter(tells).map(|it| it.id.to_string()).collect(),
            from: latest.checked_sub(LOOK_BACK).ok(),
            ..ReadingFilter::default()
        };
        let mut readings: BTreeMap<Id, Vec<Point>> = BTreeMap::new();
        reader.readings(&filter, |row| {
            left = left.saturating_sub(1);
            if let Some(sensor) = garden.sensors.iter().find(|it| it.id.as_str() == row.series.sensor)
                && !row.late
            {
                readings.entry(sensor.id.clone()).or_default().push(row.point());
            }
            if left == 0 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })?;
        if left == 0 {
            break;
        }
        readings.values_mut().for_each(|points| points.sort_by_key(|point| point.at));
        let every_s = |bed: u16| {
            let probes = garden.sensors.iter().filter(|it| it.place == Place::Bed(bed));
            probes.filter(|it| it.measures == Quantity::SoilMoisture).map(|it| it.every_s).max().unwrap_or(0)
        };
        let seen: Vec<SeenRise> = (0u16..)
            .zip(rises(garden, &readings, &[]))
            .flat_map(|(bed, rises)| {
                rises.into_iter().map(move |rise| SeenRise {
                    bed,
                    onset: rise.onset,
                    every_s: every_s(bed),
                    rained: matches!(rise.cause, WaterSource::Rain | WaterSource::Both),
                })
            })
            .collect();
        let programs = proposed_programs(garden, &seen, latest).into_iter();
        found.extend(programs.map(|program| (garden.site.id.clone(), program)));
    }
    Ok(found)
}

fn sensors_at(garden: &Garden, here: impl Fn(Place) -> bool, out: &mut dyn Write) -> io::Result<()> {
    for sensor in garden.sensors.iter().filter(|sensor| here(sensor.place)) {
        let Sensor { id, measures, depth_m, topic, every_s, .. } = sensor;
        let depth = depth_m.map_or_else(String::new, |m| format!(" at {:.0} cm", m * 100.0));
        let every = spoken::duration(i64::from(*every_s));
        writeln!(out, "    sensor {id}: {}{depth}, every {every} on {topic}", measures.name())?;
        if let Some(ends) = calibrated::ends(sensor) {
            writeln!(out, "      {ends}")?;
        }
    }
    Ok(())
}

fn found_as_json(settings: &Settings) -> serde_json::Value {
    let site = |garden: &Garden| {
        let sensor = |sensor: &Sensor| {
            json!({
                "id": sensor.id.as_str(),
                "measures": sensor.measures.name(),
                "place": garden.place_id(sensor.place).map(Id::as_str),
                "topic": sensor.topic,
                "every_s": sensor.every_s,
                "calibration": calibrated::ends(sensor),
            })
        };
        let named = |id: &str, name: &str| json!({ "id": id, "name": name });
        let program = |program: &Program| {
            json!({
                "name": program.name,
                "beds": program.beds.iter().map(|bed| garden.bed(*bed).id.as_str()).collect::<Vec<_>>(),
                "days": days_words(&program.timetable.days),
                "starts": program.timetable.starts.iter().map(|start| clock(*start)).collect::<Vec<_>>(),
                "minutes": program.timetable.minutes,
                "method": program.method.map(WateringMethod::name),
            })
        };
        let rule = |rule: &WateringRule| {
            let week = WEEK.iter().zip(rule.days).filter(|(_, on)| *on);
            json!({
                "name": rule.name,
                "methods": rule.methods.iter().map(WateringMethod::name).collect::<Vec<_>>(),
                "days": week.map(|(day, _)| day).collect::<Vec<_>>(),
                "dates": match rule.month_days {
                    MonthDays::Every => None,
                    MonthDays::Even => Some("even"),
                    MonthDays::Odd => Some("odd"),
                },
                "from": rule.from.map(|day| day.to_string()),
                "to": rule.to.map(|day| day.to_string()),
                "allowed": rule.hours.written(),
            })
        };
        json!({
            "id": garden.site.id.as_str(),
            "name": garden.site.name,
            "time_zone": garden.site.time_zone.iana_name(),
            "beds": garden.beds.iter().map(|bed| named(bed.id.as_str(), &bed.name)).collect::<Vec<_>>(),
            "tanks": garden.tanks.iter().map(|tank| named(tank.id.as_str(), &tank.name)).collect::<Vec<_>>(),
            "sensors": garden.sensors.iter().map(sensor).collect::<Vec<_>>(),
            "watering": {
                "allowed": garden.site.watering_rules.allowed.written(),
                "rules": garden.site.watering_rules.rules.iter().map(rule).collect::<Vec<_>>(),
            },
            "programs": garden.programs.iter().map(program).collect::<Vec<_>>(),
        })
    };
    json!({
        "ok": true,
        "faults": [],
        "notes": notes(settings),
        "proposed_programs": timers(settings)
            .iter()
            .map(|(site, it)| json!({ "site": site.as_str(), "words": it.words, "lines": it.lines }))
            .collect::<Vec<_>>(),
        "sites": settings.gardens.iter().map(site).collect::<Vec<_>>(),
    })
}
