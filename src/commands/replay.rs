//! `trug replay`: the stored raw readings through today's calibration and rules.
//!
//! It says what would differ: values, flags and alarms. With `--apply` it writes that,
//! one transaction for each day, and keeps what was there before. It ends with 0 where
//! nothing differs or what differs has been written, and with 1 where something differs.

use std::io::Write;

use anyhow::Context as _;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use super::exit::{Exit, WrongInput};
use super::local_out::LocalWriter;
use super::shared::{garden_of, only_daily, place_name, print_json, reader, site_of, span, zone_of};
use crate::alarms::{AlarmKey, State};
use crate::engine::replay::{
    FlagCounts, ReplayResult, ReplaySpan, SensorDifference, StepDifference, StepSide, replay,
};
use crate::garden::RESTORE_S;
use crate::garden::plan::{Garden, shared_zone};
use crate::model::Id;
use crate::settings::Settings;
use crate::text::labels;
use crate::text::spoken::counted;

/// Alarms that are listed for people; `--json` lists every step.
const SHOWN_MAX: usize = 20;
/// An alarm that is raised at another time within a day is the same one, milliseconds.
const SAME_ALARM_MS: i64 = 86_400_000;
/// What is left as it is, for people.
const NOT_REPLAYED: &str = "Silent sensors and gateways, batteries and the program's own alarms are not replayed: the \
                            stored readings do not show them.";

/// What the command line says.
#[derive(Clone, Debug, clap::Args)]
pub struct ReplayArgs {
    /// From here: a date or a date and time on the garden's clock, or RFC 3339
    #[arg(long, value_name = "TIME")]
    from: String,
    /// To here; without it, to the end of the record
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// One garden only
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// Write what differs; what was there before is kept
    #[arg(long)]
    apply: bool,
    #[arg(from_global)]
    json: bool,
}

/// Replays a span and says what differs: yes where nothing does, or where it has been
/// written.
///
/// # Errors
/// When the store cannot be opened, read or written, or [`WrongInput`].
pub fn run(
    settings: &Settings,
    it: &ReplayArgs,
    now: Timestamp,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    let gardens = &settings.gardens;
    let out: &mut dyn Write = &mut LocalWriter::new(out, it.json, gardens, it.site.as_deref());
    let site = match it.site.as_deref() {
        Some(site) => Some(site_of(gardens, Some(site)).map_err(WrongInput::new)?),
        None => None,
    };
    let (from, to) = span(gardens, it.site.as_deref(), Some(&it.from), it.to.as_deref())?;
    let asked = ReplaySpan { site, from: from.unwrap_or(Timestamp::MIN), to: to.unwrap_or(Timestamp::MAX) };
    if asked.from >= asked.to {
        let to = it.to.as_deref().unwrap_or("the end of time");
        let text = format!("--from {} is not before --to {to}: there is nothing between them", it.from);
        return Err(WrongInput::new(text).into());
    }
    refuse_summarised(settings, it, &asked)?;
    refuse_without_readings(settings, it, &asked)?;
    let result = replay(settings, &asked, it.apply, now).context("replaying stored readings")?;
    if it.json {
        print_json(&as_json(it, &result), out)?;
    } else {
        tell_people(settings, it, &result, out)?;
    }
    Ok(Exit::yes_if(it.apply || !result.differs()))
}

/// What the rules remember at the beginning of a span must be there as single readings.
fn refuse_summarised(settings: &Settings, it: &ReplayArgs, asked: &ReplaySpan) -> anyhow::Result<()> {
    let back_to = asked.from.checked_sub(SignedDuration::from_secs(RESTORE_S)).unwrap_or(Timestamp::MIN);
    let site = asked.site.as_ref().map(Id::as_str);
    let said = only_daily(&reader(settings)?, &settings.gardens, site, Some(back_to))?;
    if said.is_empty() {
        return Ok(());
    }
    let text = format!(
        "--from {} is too early: {} The rules look back {} days, so a replay begins so many days after then, or later",
        it.from,
        said.join(" "),
        RESTORE_S / 86_400
    );
    Err(WrongInput::new(text).into())
}

/// A span without a reading has nothing to replay, and its alarms are not touched.
fn refuse_without_readings(settings: &Settings, it: &ReplayArgs, asked: &ReplaySpan) -> anyhow::Result<()> {
    let reader = reader(settings)?;
    let series = reader.series().context("reading the series")?;
    let counts = reader.readings_by_series(asked.from, asked.to).context("reading the readings")?;
    let of_site = |number: &u32| {
        series.get(number).is_some_and(|it| asked.site.as_ref().is_none_or(|site| site.as_str() == it.site))
    };
    if counts.iter().any(|(number, _)| of_site(number)) {
        return Ok(());
    }
    let zone = shared_zone(&settings.gardens, it.site.as_deref()).ok().flatten().unwrap_or(TimeZone::UTC);
    let record = match reader.known_span().context("reading the span of the record")? {
        Some((first, last)) => format!(
            "the record goes from {} to {}",
            labels::full_moment(first, &zone),
            labels::full_moment(last, &zone)
        ),
        None => "the record is empty".to_owned(),
    };
    let to = it.to.as_ref().map_or_else(String::new, |to| format!(" --to {to}"));
    let text = format!("no reading is stored in --from {}{to}; {record}", it.from);
    Err(WrongInput::new(text).into())
}

fn tell_people(
    settings: &Settings,
    it: &ReplayArgs,
    result: &ReplayResult,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let gardens = &settings.gardens;
    let zone = shared_zone(gardens, it.site.as_deref()).ok().flatten().unwrap_or(TimeZone::UTC);
    if let (Some(from), Some(to)) = (result.from, result.to) {
        let (from, to) = (labels::full_moment(from, &zone), labels::full_moment(to, &zone));
        writeln!(
            out,
            "{} replayed, from {from} to {to}.",
            counted(result.readings(), "reading", "readings")
        )?;
    }
    for left in &result.left {
        writeln!(
            out,
            "{} of {} ({}) stay as they are: no sensor of this id measures that in the file of {} now. \
             Nor are alarms at its place touched.",
            counted(left.readings, "reading", "readings"),
            left.sensor,
            left.quantity,
            left.site
        )?;
    }
    if !result.differs() {
        writeln!(out, "Nothing differs: today's calibration and rules make the record as it is.")?;
        return Ok(writeln!(out, "{NOT_REPLAYED}")?);
    }
    readings_for_people(result, it.apply, out)?;
    alarms_for_people(gardens, result, out)?;
    writeln!(out, "\n{NOT_REPLAYED}")?;
    if !result.standing.is_empty() {
        let names: Vec<String> = result.standing.iter().map(name).collect();
        writeln!(
            out,
            "At the end of the span these alarms stand otherwise than the record goes on with: {}. Without --to \
             everything up to the last reading is replayed.",
            names.join(", ")
        )?;
    }
    if !it.apply {
        return Ok(writeln!(
            out,
            "Nothing was written. With --apply it is, and what was there before is kept."
        )?);
    }
    if let Some(number) = result.written {
        writeln!(
            out,
            "Written, for {}. What was there before is kept in the store's tables reading_before and \
             alarm_change_before as replay {number}. Nobody was told of the past.",
            counted(result.days, "day", "days")
        )?;
        if !settings.forward.is_empty() {
            writeln!(
                out,
                "Changed values and flags are sent to the time-series servers once more, over what is there. A \
                 value that is no more stays there beside its new flag."
            )?;
        }
    }
    Ok(())
}

fn readings_for_people(result: &ReplayResult, applied: bool, out: &mut dyn Write) -> anyhow::Result<()> {
    let would = if applied { "now have" } else { "would have" };
    if result.readings_differ() == 0 {
        return Ok(writeln!(out, "No reading differs.")?);
    }
    let verb = if result.readings_differ() == 1 { "differs" } else { "differ" };
    writeln!(out, "{} {verb}:", counted(result.readings_differ(), "reading", "readings"))?;
    for sensor in result.sensors.iter().filter(|sensor| sensor.differ > 0) {
        let SensorDifference {
            site, sensor: id, unit, readings, changed, lost, gained, flags_changed, ..
        } = sensor;
        let mut parts = Vec::new();
        if let (Some(mean), Some(largest)) = (sensor.mean_change, sensor.largest_change) {
            parts.push(format!(
                "{changed} {would} another value (by {mean:+.3} {unit} on average, {largest:+.3} at most)"
            ));
        }
        if *lost > 0 {
            parts.push(format!("{lost} {would} no value: the calibration refuses their raw number"));
        }
        if *gained > 0 {
            parts.push(format!("{gained} {would} a value that had none"));
        }
        if *flags_changed > 0 {
            let flags: Vec<String> = sensor
                .flags
                .0
                .iter()
                .zip(sensor.flags.1.iter())
                .filter(|((_, before), (_, now))| before != now)
                .map(|((flag, before), (_, now))| format!("{} {before} -> {now}", flag.name()))
                .collect();
            parts.push(format!("{flags_changed} {would} another flag ({})", flags.join(", ")));
        }
        if parts.is_empty() {
            parts.push(format!("{} {would} another result of a test under the same flag", sensor.differ));
        }
        writeln!(out, "  {site}/{id}, of {readings}: {}.", parts.join("; "))?;
    }
    Ok(())
}

/// Alarms that are raised in one of the two histories or in both, paired where they are
/// the same alarm at another time or with other words.
fn raised(
    steps: &[StepDifference],
) -> (Vec<&StepDifference>, Vec<&StepDifference>, Vec<[&StepDifference; 2]>) {
    let of =
        |side| move |step: &&StepDifference| step.side == side && step.record.state == State::Unacknowledged;
    let mut gone: Vec<&StepDifference> = steps.iter().filter(of(StepSide::Stored)).collect();
    let (mut new, mut moved) = (Vec::new(), Vec::new());
    for step in steps.iter().filter(of(StepSide::Replayed)) {
        let apart = |other: &StepDifference| {
            (other.record.at.as_millisecond() - step.record.at.as_millisecond()).abs()
        };
        let same = (0..gone.len())
            .filter(|&at| gone[at].record.key == step.record.key && apart(gone[at]) <= SAME_ALARM_MS)
            .min_by_key(|&at| apart(gone[at]));
        match same {
            Some(at) => moved.push([gone.remove(at), step]),
            None => new.push(step),
        }
    }
    (gone, new, moved)
}

fn alarms_for_people(gardens: &[Garden], result: &ReplayResult, out: &mut dyn Write) -> anyhow::Result<()> {
    if result.steps.is_empty() {
        return Ok(writeln!(out, "No alarm differs.")?);
    }
    let (gone, new, moved) = raised(&result.steps);
    let when = |step: &StepDifference| {
        labels::full_moment(step.record.at, &zone_of(garden_of(gardens, &step.record.key.site)))
    };
    let line = |step: &StepDifference| {
        let key = &step.record.key;
        let place = place_name(garden_of(gardens, &key.site), &key.place);
        format!("{}, {} at {place}: {}", when(step), labels::kind(key.kind), step.record.said.text)
    };
    let moved_line = |[before, now]: [&StepDifference; 2]| {
        if before.record.at == now.record.at {
            format!("with other words or numbers: {}", line(now))
        } else {
            format!("instead of {}: {}", when(before), line(now))
        }
    };
    let lists: [(&str, Vec<String>); 3] = [
        ("No longer raised", gone.into_iter().map(line).collect()),
        ("Newly raised", new.into_iter().map(line).collect()),
        ("Raised otherwise", moved.into_iter().map(moved_line).collect()),
    ];
    let verb = if result.steps.len() == 1 { "differs" } else { "differ" };
    writeln!(out, "{} {verb}.", counted(result.steps.len(), "step of alarms", "steps of alarms"))?;
    for (what, lines) in lists.iter().filter(|(_, lines)| !lines.is_empty()) {
        writeln!(out, "{what} ({}):", lines.len())?;
        for line in lines.iter().take(SHOWN_MAX) {
            writeln!(out, "  {line}")?;
        }
        if lines.len() > SHOWN_MAX {
            writeln!(out, "  and {} more; --json lists all", lines.len() - SHOWN_MAX)?;
        }
    }
    Ok(())
}

fn name(key: &AlarmKey) -> String {
    format!("{}/{}", key.kind.name(), key.place)
}

fn as_json(it: &ReplayArgs, result: &ReplayResult) -> Value {
    let flags = |counts: &FlagCounts| -> Value {
        counts.iter().map(|(flag, count)| (flag.name().replace(' ', "-"), Value::from(count))).collect()
    };
    let sensors: Vec<Value> = result
        .sensors
        .iter()
        .map(|sensor| {
            json!({
                "site": sensor.site, "sensor": sensor.sensor, "unit": sensor.unit, "readings": sensor.readings,
                "late": sensor.late, "differ": sensor.differ, "values_changed": sensor.changed,
                "values_lost": sensor.lost, "values_gained": sensor.gained,
                "without_value_before": sensor.without_value.0, "without_value": sensor.without_value.1,
                "mean_change": sensor.mean_change, "largest_change": sensor.largest_change,
                "flags_changed": sensor.flags_changed, "flags_before": flags(&sensor.flags.0),
                "flags": flags(&sensor.flags.1),
            })
        })
        .collect();
    let steps: Vec<Value> = result
        .steps
        .iter()
        .map(|step| {
            let record = &step.record;
            json!({
                "in": match step.side { StepSide::Stored => "record", StepSide::Replayed => "replay" },
                "site": record.key.site.as_str(), "kind": record.key.kind.name(),
                "place": record.key.place.as_str(), "from": step.from.name(), "state": record.state.name(),
                "since": record.since.to_string(), "at": record.at.to_string(), "text": record.said.text,
            })
        })
        .collect();
    let left: Vec<Value> = result
        .left
        .iter()
        .map(|left| {
            json!({
                "site": left.site, "sensor": left.sensor, "quantity": left.quantity, "readings": left.readings,
            })
        })
        .collect();
    json!({
        "from": result.from.map(|at| at.to_string()), "to": result.to.map(|at| at.to_string()),
        "differs": result.differs(), "applied": it.apply, "replay": result.written,
        "readings": result.readings(), "readings_differ": result.readings_differ(),
        "days_that_differ": result.days, "sensors": sensors, "alarm_steps": steps, "left_as_they_are": left,
        "stand_otherwise_at_the_end": result.standing.iter().map(name).collect::<Vec<_>>(),
    })
}
