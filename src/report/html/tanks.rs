//! The tanks.

use maud::{Markup, html};

use super::{Within, chart};
use crate::analysis::month::{Month, TankMonth};
use crate::report::{charts, words};

/// A tank's month in a sentence.
pub(super) fn in_short(tank: &TankMonth) -> String {
    let sum = |pick: fn(&crate::analysis::month::TankDay) -> u32| -> u32 { tank.days.iter().map(pick).sum() };
    let (known, cold, warm) = (sum(|it| it.hours_known), sum(|it| it.hours_cold), sum(|it| it.hours_warm));
    if known == 0 {
        return format!("temperature {}", words::NOT_KNOWN);
    }
    let hours = |hours: u32, word: &str| format!("too {word} in {}", words::counted(hours, "hour", "hours"));
    let swing = tank.widest.map(|(date, swing)| {
        format!("; the widest swing was {} °C on {}", words::number(swing, 1), words::day(date))
    });
    format!("{}, {} of {known} known{}", hours(warm, "warm"), hours(cold, "cold"), swing.unwrap_or_default())
}

pub(super) fn section(month: &Month, within: Within) -> Markup {
    html! {
        @if month.tanks.is_empty() { p { "This garden has no tanks in its file." } }
        @for tank in &month.tanks {
            h3 { (tank.name) }
            p {
                "It holds " (tank.fish) ", for which danger begins below " (words::number(tank.cold_c, 1)) " and above "
                (words::number(tank.warm_c, 1)) " °C. This month: " (in_short(tank)) "."
            }
            @if tank.thermometer.is_none() {
                p { "This tank has no thermometer that was heard." }
            } @else {
                (chart(&charts::tank(month, tank), within))
                p { "Each day's figures are in the table tanks_daily." }
            }
        }
    }
}
