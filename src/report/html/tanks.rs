//! The tanks.

use maud::{Markup, html};

use super::{Within, chart};
use crate::analysis::month::{Month, TankMonth};
use crate::report::lesson::pictures;
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

/// What a tank's fish need and how its month was.
fn about(tank: &TankMonth) -> Markup {
    html! {
        p {
            "It holds " (tank.fish) ". Danger begins below " (words::number(tank.cold_c, 1)) " °C and above "
            (words::number(tank.warm_c, 1)) " °C. This month: " (in_short(tank)) "."
        }
        @if tank.thermometer.is_none() { p { "No thermometer of this tank sent a reading." } }
    }
}

/// Each day's coldest and warmest.
pub(super) fn section(month: &Month) -> Markup {
    html! {
        @if month.tanks.is_empty() { p { "This garden has no tanks in its file." } }
        div class="two" {
            @for (tank, at) in month.tanks.iter().zip(0_u32..) {
                div {
                    h4 { (tank.name) }
                    @if tank.thermometer.is_some() { (pictures::of_tank(tank, &format!("tank-{at}"), true)) }
                    (about(tank))
                }
            }
        }
    }
}

/// The whole charts.
pub(super) fn figures(month: &Month, within: Within<'_>) -> Markup {
    html! {
        @if month.tanks.is_empty() { p { "This garden has no tanks in its file." } }
        @for tank in &month.tanks {
            h3 { (tank.name) }
            (about(tank))
            @if tank.thermometer.is_some() {
                (chart(&charts::tank(month, tank), within))
                p { "Each day's figures are in the table tanks_daily." }
            }
        }
    }
}
