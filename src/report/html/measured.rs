//! What the garden is, what was measured, and how well.

use maud::{Markup, html};

use super::{grid, pictures};
use crate::analysis::month::Month;
use crate::report::words;

pub(super) fn section(month: &Month) -> Markup {
    let heads =
        ["Sensor", "Measures", "Expected", "Arrived", "Good", "Doubtful", "Bad", "Complete", "Longest gap"];
    let rows: Vec<Vec<String>> = month
        .sensors
        .iter()
        .map(|it| {
            let gap = it.longest_gap.map_or_else(
                || "none".to_owned(),
                |(from, to)| {
                    let length = words::stretch(words::hours_between(from, to));
                    format!("{length} from {}", words::moment(from, &month.time_zone))
                },
            );
            vec![
                words::sensor(month, it),
                words::quantity(it.measures).to_owned(),
                it.expected.to_string(),
                it.readings.to_string(),
                it.good.to_string(),
                it.suspect.to_string(),
                it.bad.to_string(),
                if it.expected == 0 {
                    words::NOT_KNOWN.to_owned()
                } else {
                    format!("{} %", words::number(it.complete() * 100.0, 1))
                },
                gap,
            ]
        })
        .collect();
    html! {
        (garden(month))
        p {
            "Each sensor speaks at its own interval, so that it is known how many readings were to come. Every reading "
            "is checked when it arrives: whether it can be true at all, whether it jumps, whether it stands still. Only "
            "good ones went into the figures of this report; doubtful and bad ones are counted here and nowhere else."
        }
        @if month.sensors.is_empty() {
            p { "This garden has no sensors in its file." }
        } @else {
            (pictures::days_complete(month))
            (grid("Readings of each sensor", &heads, &rows))
        }
    }
}

/// What stands in the garden.
fn garden(month: &Month) -> Markup {
    let percent = |part: f64| format!("{} %", words::number(part * 100.0, 1));
    let heads = [
        "Bed",
        "Area",
        "Soil",
        "Grows",
        "Roots",
        "Wilting point",
        "Refill point",
        "Field capacity",
        "Mulch",
        "Probes",
    ];
    let rows: Vec<Vec<String>> = month
        .beds
        .iter()
        .map(|bed| {
            let probes: Vec<String> = bed
                .probes
                .iter()
                .map(|(_, depth)| format!("{} cm", words::number(depth * 100.0, 0)))
                .collect();
            vec![
                bed.name.clone(),
                format!("{} m²", words::number(bed.area_m2, 1)),
                bed.soil.clone(),
                bed.crop.clone().unwrap_or_else(|| words::NOT_KNOWN.to_owned()),
                format!("{} m deep", words::number(bed.root_depth_m, 2)),
                percent(bed.wilting_point),
                percent(bed.refill_point),
                percent(bed.field_capacity),
                bed.mulch.map_or_else(
                    || "bare".to_owned(),
                    |mulch| {
                        let depth = words::number(mulch.depth_mm, 0);
                        let since = words::day(month.time_zone.to_datetime(mulch.since).date());
                        let how = if mulch.logged { "" } else { ", as planned" };
                        format!("{depth} mm since {since}{how}")
                    },
                ),
                if probes.is_empty() { "none".to_owned() } else { probes.join(", ") },
            ]
        })
        .collect();
    html! {
        @if month.beds.is_empty() {
            p { "This garden has no beds in its file." }
        } @else {
            (grid("The beds, with the marks of their soil in percent of its volume", &heads, &rows))
        }
    }
}
