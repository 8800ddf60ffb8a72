//! `trug alarms --figures`: how the alarms do, beside what the standard wants.

use std::io::Write;

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use super::exit::Exit;
use super::shared::print_json;
use crate::alarms::figures::{Figures, Period};
use crate::alarms::targets::Verdict;
use crate::garden::plan::Garden;
use crate::page::figures::{self as said, GroupFigures, SiteFigures};
use crate::store::{Reader, StoreError};
use crate::text::labels;

/// Days that are looked at where no other time is asked for.
const DAYS: i64 = 30;
/// Steps of alarms that are read for one garden at most: the newest.
const STEPS_MAX: u32 = 500_000;

/// The thirty days up to `to`.
pub(crate) fn month_to(to: Timestamp) -> Period {
    Period { from: to.saturating_sub(SignedDuration::from_hours(24 * DAYS)).unwrap_or(to), to }
}

/// The figures of one garden over a period, of which only what is known counts: from
/// the first reading or alarm of the store on, and of at most `steps_max` steps.
///
/// # Errors
///
/// When the store cannot be read.
pub(crate) fn of_site(
    reader: &Reader,
    garden: &Garden,
    asked: Period,
    steps_max: u32,
) -> Result<SiteFigures, StoreError> {
    let site = garden.site.id.clone();
    let nothing = SiteFigures { site: site.clone(), all: None, groups: vec![], cut: false };
    let Some((first, _)) = reader.known_span()? else { return Ok(nothing) };
    let mut period = Period { from: asked.from.max(first), to: asked.to };
    if period.is_empty() {
        return Ok(nothing);
    }
    let (history, cut) = reader.alarm_history(&site, period.from, period.to, steps_max)?;
    period.from = cut.unwrap_or(period.from);
    let zone = &garden.site.time_zone;
    let of = |who| Figures::of(&history, who, period, zone, |key| garden.priority_at(key.kind, &key.place));
    let mut counts = reader.message_counts(period.from, period.to, |_, at| zone.to_datetime(at).date())?;
    counts.retain(|count| count.site == site);
    let groups = garden
        .tell
        .iter()
        .map(|tell| {
            let days = counts.iter().filter(|count| count.who == tell.who);
            // What is tried still counts as on its way to them; what was given up does not.
            let each = || days.clone().map(|day| day.sent + day.waiting);
            GroupFigures {
                who: tell.who.clone(),
                figures: of(Some(&tell.who)),
                messages: each().sum(),
                messages_most: each().max().unwrap_or(0),
            }
        })
        .collect();
    Ok(SiteFigures { site, all: Some(of(None)), groups, cut: cut.is_some() })
}

/// Prints the figures over a span of time, of one garden or of all.
///
/// # Errors
/// When the store cannot be read or `out` cannot be written.
pub(super) fn run(
    reader: &Reader,
    gardens: &[Garden],
    site: Option<&str>,
    (from, to): (Option<Timestamp>, Option<Timestamp>),
    json: bool,
    out: &mut dyn Write,
) -> anyhow::Result<Exit> {
    // What comes after the last reading was not watched and is not counted.
    let known = reader.known_span().context("reading what is stored")?;
    let last = known.map_or(Timestamp::UNIX_EPOCH, |(_, last)| {
        last.saturating_add(SignedDuration::from_millis(1)).unwrap_or(last)
    });
    let to = to.map_or(last, |to| to.min(last));
    let period = Period { from: from.unwrap_or(month_to(to).from), to };
    let of_all: Vec<SiteFigures> = gardens
        .iter()
        .filter(|garden| site.is_none_or(|site| garden.site.id.as_str() == site))
        .map(|garden| of_site(reader, garden, period, STEPS_MAX))
        .collect::<Result<_, _>>()
        .context("reading the history of alarms")?;
    if json {
        print_json(&of_all.iter().map(site_json).collect::<Vec<Value>>(), out)?;
        return Ok(Exit::Yes);
    }
    for (at, figures) in of_all.iter().enumerate() {
        if at > 0 {
            writeln!(out)?;
        }
        if let Some(garden) = gardens.iter().find(|garden| garden.site.id == figures.site) {
            print_site(garden, figures, known.is_some(), out)?;
        }
    }
    Ok(Exit::Yes)
}

fn print_site(garden: &Garden, it: &SiteFigures, any: bool, out: &mut dyn Write) -> anyhow::Result<()> {
    let zone = &garden.site.time_zone;
    writeln!(out, "{}: how the alarms do", garden.site.name)?;
    let Some(all) = &it.all else {
        let why = if any {
            "Nothing is known of that time, so there are no figures."
        } else {
            "No reading is stored yet, so there are no figures."
        };
        return Ok(writeln!(out, "{why}")?);
    };
    writeln!(
        out,
        "From {} to {}.",
        labels::full_moment(all.period.from, zone),
        labels::full_moment(all.period.to, zone)
    )?;
    if let Some(caution) = said::caution(all.period) {
        writeln!(out, "{caution}")?;
    }
    if it.cut {
        writeln!(out, "Older steps are left out: there are more than {STEPS_MAX}.")?;
    }
    for row in said::rows(all) {
        writeln!(out, "\n{}: {}", row.title, row.value)?;
        let star = if row.from_memory { "*" } else { "" };
        match row.verdict {
            Verdict::NoTarget => writeln!(out, "  The standard gives no target.")?,
            verdict => writeln!(out, "  {}: the target is {}{star}.", said::verdict(verdict), row.target)?,
        }
    }
    for group in &it.groups {
        writeln!(out, "\nFor {}: {}.", group.who, said::group(group))?;
    }
    writeln!(out, "\n{}\n{}", said::SOURCE, said::FROM_MEMORY)?;
    Ok(())
}

/// A share or rate to six decimals: enough to compare, and no more than is known.
fn rounded(number: Option<f64>) -> Option<f64> {
    number.map(|n| (n * 1e6).round() / 1e6)
}

fn site_json(it: &SiteFigures) -> Value {
    json!({
        "site": it.site.as_str(),
        "older_left_out": it.cut,
        "all": it.all.as_ref().map(figures_json),
        "groups": it.groups.iter().map(|group| {
            let mut object = figures_json(&group.figures);
            object["who"] = json!(group.who);
            object["messages"] = json!({
                "count": group.messages,
                "a_day": rounded(group.messages_a_day()),
                "most_in_a_day": group.messages_most,
                "verdict": said::messages_verdict(group).name(),
            });
            object
        }).collect::<Vec<_>>(),
    })
}

fn figures_json(f: &Figures) -> Value {
    let [low, medium, high] = f.by_priority;
    let [shelved, suppressed, out_of_service] = f.hidden;
    let judged: Vec<Value> = said::rows(f)
        .iter()
        .map(|row| {
            json!({
                "figure": row.name,
                "value": row.value,
                "target": row.target,
                "target_from_memory": row.from_memory,
                "verdict": row.verdict.name(),
            })
        })
        .collect();
    json!({
        "from": f.period.from.to_string(),
        "to": f.period.to.to_string(),
        "raised": f.raised,
        "raised_an_hour": rounded(f.an_hour()),
        "by_priority": { "low": low, "medium": medium, "high": high },
        "ten_minutes_most": f.ten_minutes_most,
        "ten_minutes": { "all": f.spans, "above_ten": f.spans_busy, "in_flood": f.spans_flood },
        "chattering": f.chattering,
        "changing": f.changing,
        "fleeting": f.fleeting,
        "standing_over_a_day": { "worst_day": f.standing_most, "at_end": f.standing_now },
        "different": f.different,
        "most_frequent": f.frequent.iter().map(|(key, times)| json!({
            "kind": key.kind.name(), "place": key.place.as_str(), "raised": times,
        })).collect::<Vec<_>>(),
        "most_frequent_part": rounded(f.frequent_part()),
        "answered": {
            "count": f.answered_s.len(),
            "median_s": f.answered_within(0.5),
            "nine_of_ten_s": f.answered_within(0.9),
            "waiting": f.waiting,
        },
        "out_of_sight": {
            "shelved": shelved, "suppressed": suppressed, "out_of_service": out_of_service,
            "without_reason": f.hidden_without_reason,
        },
        "judged": judged,
    })
}
