//! The one thing to do after a month.
//!
//! Fish come first, then plants that lack water, then water that runs through, then what is
//! not known. The three days, the day's worth of hours and the week of known days are this
//! project's own; a timer is set by need ([`TimerSetting`], FAO-56 chapter 8).

use super::{ActionKind, BedDay, BedMonth, Month, MonthAction};
use crate::garden::plan::{Bed, Garden};
use crate::garden::{MORE_THAN, NEVER_DRIER, TimerSetting, days_words};
use crate::model::Id;
use crate::soil::RootZone;
use crate::text::spoken::{self, counted};
use crate::watering::ProgramDays;

/// Dry days from which on something is to be done about a bed.
const DRY_DAYS: u32 = 3;
/// Fewest days of which a bed's month must be known.
const KNOWN_DAYS: u32 = 7;
/// Fewest days of which need and waterings must be known.
const BALANCE_DAYS: usize = 10;
/// Hours too warm or too cold from which on something is to be done about a tank.
const TANK_HOURS: u32 = 24;
/// A timer that gives this part of what is needed does not have to be changed.
const GIVES_ENOUGH: f64 = 0.9;

/// The one thing to do after a month.
pub(super) fn action(garden: &Garden, month: &Month) -> MonthAction {
    tank(month)
        .or_else(|| dry_bed(garden, month))
        .or_else(|| watered_too_much(garden, month))
        .or_else(|| not_known(month))
        .unwrap_or_else(|| MonthAction {
            kind: ActionKind::NothingToChange,
            place: None,
            steps: vec!["Change nothing: go on as you did this month.".to_owned()],
            why: nothing_why(month),
        })
}

fn act(kind: ActionKind, place: &Id, steps: Vec<String>, why: String) -> MonthAction {
    MonthAction { kind, place: Some(place.clone()), steps, why }
}

fn tank(month: &Month) -> Option<MonthAction> {
    let hours = |pick: fn(&super::TankDay) -> u32, tank: &super::TankMonth| -> u32 {
        tank.days.iter().map(pick).sum()
    };
    let (tank, warm, cold) = month
        .tanks
        .iter()
        .map(|tank| (tank, hours(|day| day.hours_warm, tank), hours(|day| day.hours_cold, tank)))
        .filter(|(_, warm, cold)| *warm.max(cold) >= TANK_HOURS)
        .max_by_key(|(_, warm, cold)| warm + cold)?;
    let name = &tank.name;
    let what = if warm >= cold {
        "Ask about shade and air before the next hot days."
    } else {
        "Ask about a cover before the next cold nights."
    };
    let steps = vec![format!("Tell whoever looks after the fish in {name}."), what.to_owned()];
    let (hours, word) = if warm >= cold { (warm, "warm") } else { (cold, "cold") };
    let why =
        format!("{name} was too {word} for its fish in {} this month.", counted(hours, "hour", "hours"));
    Some(act(ActionKind::AskAboutTank, &tank.id, steps, why))
}

fn dry_bed(garden: &Garden, month: &Month) -> Option<MonthAction> {
    let beds = garden.beds.iter().zip(&month.beds).enumerate();
    let dry = beds.filter(|(_, (plan, bed))| !plan.fallow && bed.known_days() >= KNOWN_DAYS);
    let (index, (_, bed)) = dry
        .filter(|(_, (_, bed))| bed.dry_days() >= DRY_DAYS)
        .max_by_key(|(index, (_, bed))| (bed.dry_days(), std::cmp::Reverse(*index)))?;
    let (known, dry) = (bed.known_days(), bed.dry_days());
    let name = &bed.name;
    let mut why = format!("{name} was dry on {dry} of {}", counted(known, "known day", "known days"));
    if has_timer(garden, index) {
        if let Some((setting, needed_l, given_l)) = timer(garden, month, index)
            && given_l < GIVES_ENOUGH * needed_l
        {
            why.push_str(&format!(
                ". Its timer gave about {} a day and its plants use about {}.",
                spoken::litres(given_l),
                spoken::litres(needed_l)
            ));
            return Some(act(
                ActionKind::ChangeTimer,
                &bed.id,
                set_timer(garden, index, name, &setting),
                why,
            ));
        }
        let steps = vec![
            format!("Run the timer of {name} by hand."),
            "Look whether water comes out everywhere, and whether it soaks in.".to_owned(),
        ];
        why.push_str(", though it has a timer.");
        return Some(act(ActionKind::CheckWatering, &bed.id, steps, why));
    }
    if bed.mulch.is_some() {
        why.push_str(", though it has mulch.");
        let steps = vec![format!("Water {name} sooner: before its soil falls below the refill point.")];
        return Some(act(ActionKind::WaterMore, &bed.id, steps, why));
    }
    why.push_str(" and has no mulch.");
    let steps = vec![
        format!("Mulch {name}."),
        "Water it first: mulch on dry soil keeps rain out.".to_owned(),
        "Its page says how much mulch it takes.".to_owned(),
    ];
    Some(act(ActionKind::Mulch, &bed.id, steps, why))
}

fn watered_too_much(garden: &Garden, month: &Month) -> Option<MonthAction> {
    let surplus = |index: usize| -> Option<(f64, f64, usize)> {
        let (plan, bed) = (&garden.beds[index], &month.beds[index]);
        let known = |day: &BedDay| Some((day.need_mm?, day.watering_mm.filter(|_| day.unknown_mm <= 0.0)?));
        let days: Vec<(f64, f64)> = bed.days.iter().filter_map(known).collect();
        let mut moist = bed.days.iter().filter_map(|day| day.available);
        let never_drier = moist.all(|left| 1.0 - left <= NEVER_DRIER * plan.depletion_fraction);
        if days.len() < BALANCE_DAYS
            || bed.known_days() < KNOWN_DAYS
            || !never_drier
            || bed.got_unknown.is_some()
        {
            return None;
        }
        let (need, given) = days.iter().fold((0.0, 0.0), |sum, day| (sum.0 + day.0, sum.1 + day.1));
        (need > 0.0 && given >= MORE_THAN * need).then_some((need, given, days.len()))
    };
    let beds = 0..garden.beds.len().min(month.beds.len());
    let (index, (need, given, days)) = beds
        .filter_map(|index| Some((index, surplus(index)?)))
        .max_by(|a, b| (a.1.1 - a.1.0).total_cmp(&(b.1.1 - b.1.0)))?;
    let (plan, bed) = (&garden.beds[index], &month.beds[index]);
    let litres = |mm: f64| spoken::litres(mm * plan.area_m2);
    let name = &bed.name;
    let why = format!(
        "On {} {name} was given about {} that reached its roots. Its plants used about {}, and its soil stayed moist: \
         the rest ran through.",
        counted(days, "day", "days"),
        litres(given),
        litres(need)
    );
    if has_timer(garden, index)
        && let Some((setting, needed_l, given_l)) = timer(garden, month, index)
        && given_l > needed_l
    {
        return Some(act(ActionKind::ChangeTimer, &bed.id, set_timer(garden, index, name, &setting), why));
    }
    let steps = vec![format!("Give {name} less water: wait until its soil is near the refill point.")];
    Some(act(ActionKind::WaterLess, &bed.id, steps, why))
}

fn has_timer(garden: &Garden, bed: usize) -> bool {
    garden.programs.iter().any(|program| program.beds.iter().any(|at| usize::from(*at) == bed))
}

fn set_timer(garden: &Garden, bed: usize, name: &str, setting: &TimerSetting) -> Vec<String> {
    let days = ProgramDays::Every { days: setting.every_d, from: jiff::civil::date(2024, 1, 1) };
    let mut steps = vec![format!(
        "Change the timer of {name}: {} {}.",
        counted(setting.minutes, "minute", "minutes"),
        days_words(&days)
    )];
    let shared = |beds: &[u16]| beds.len() > 1 && beds.iter().any(|at| usize::from(*at) == bed);
    if garden.programs.iter().any(|program| shared(&program.beds)) {
        steps.push("Look first what the other beds on it need.".to_owned());
    }
    steps.push("Look at the bed again after a week.".to_owned());
    steps
}

/// How a bed's timer would be set by the month's need, and litres a day that its plants need
/// of it and that its programs gave. `None` where need or litres an hour are not known.
fn timer(garden: &Garden, month: &Month, index: usize) -> Option<(TimerSetting, f64, f64)> {
    let (plan, bed): (&Bed, &BedMonth) = (&garden.beds[index], &month.beds[index]);
    let irrigation = plan.irrigation?;
    let needs: Vec<f64> = bed.days.iter().filter_map(|day| day.need_mm).collect();
    if needs.len() < KNOWN_DAYS as usize {
        return None;
    }
    let mean = needs.iter().sum::<f64>() / needs.len() as f64;
    let most = needs.iter().copied().fold(0.0, f64::max);
    let zone = RootZone {
        field_capacity: plan.field_capacity,
        wilting_point: plan.wilting_point,
        root_depth_m: bed.days.last()?.roots_m,
        depletion_fraction: plan.depletion_fraction,
    };
    let setting = TimerSetting::of(zone.readily_available_mm(), (mean, most), plan.area_m2, &irrigation)?;
    let own = garden.programs.iter().filter(|it| it.beds.iter().any(|at| usize::from(*at) == index));
    let minutes: f64 = own
        .map(|program| {
            let runs = bed.days.iter().filter(|day| program.timetable.runs_on(day.date)).count();
            (runs * program.timetable.starts.len()) as f64 * f64::from(program.timetable.minutes)
        })
        .sum();
    let given_l = irrigation.litres_per_hour * minutes / 60.0 / bed.days.len().max(1) as f64;
    Some((setting, crate::soil::litres_to_fill(mean, plan.area_m2, irrigation.efficiency), given_l))
}

/// What cannot be told, and what to do about it.
fn not_known(month: &Month) -> Option<MonthAction> {
    let days = month.sensors.iter().map(|it| it.days.len()).max().unwrap_or(0);
    let known = |bed: &BedMonth| bed.known_days() >= KNOWN_DAYS;
    if month.beds.iter().any(known) {
        return None;
    }
    let wait = |why: &str| MonthAction {
        kind: ActionKind::Wait,
        place: None,
        steps: vec!["Change nothing yet: let the sensors measure for another week.".to_owned()],
        why: why.to_owned(),
    };
    if month.sensors.iter().all(|sensor| sensor.good == 0) {
        return Some(wait("Nothing is measured yet."));
    }
    let probed = |bed: &&BedMonth| !bed.probes.is_empty();
    if !month.beds.iter().any(|bed| probed(&bed)) {
        let measured = |tank: &super::TankMonth| tank.days.iter().any(|day| day.hours_known > 0);
        let tanks = month.tanks.iter().any(measured);
        return (!tanks).then(|| wait("No bed has a probe that was read this month."));
    }
    if days < BALANCE_DAYS {
        return Some(wait("Too few days are known to tell how the beds are."));
    }
    let of_beds = |id: &Id| month.beds.iter().any(|bed| bed.probes.iter().any(|probe| probe.0 == *id));
    let worst = month.sensors.iter().filter(|it| of_beds(&it.id) && it.expected > 0);
    let worst = worst.min_by(|a, b| a.complete().total_cmp(&b.complete()))?;
    let steps = vec![
        format!("Look at the probe {} in {}.", worst.id, worst.place),
        "Check its battery, its cable and its place.".to_owned(),
    ];
    let why = format!("Only {} of its readings came this month.", spoken::percent(worst.complete()));
    Some(act(ActionKind::LookAtSensor, &worst.id, steps, why))
}

fn nothing_why(month: &Month) -> String {
    let beds = month.beds.iter().filter(|bed| bed.known_days() >= KNOWN_DAYS).count();
    match beds {
        0 => "The tank's water stayed where its fish do well.".to_owned(),
        _ => format!(
            "No bed of the {} was dry for {DRY_DAYS} days, and none was seen to get much more water than it uses.",
            counted(beds, "bed that is known", "beds that are known")
        ),
    }
}
