//! What the garden is, what was measured, and how well.

use maud::{Markup, html};

use super::grid;
use crate::analysis::month::{BedMonth, Month, MulchOn, SensorMonth};
use crate::report::words;

/// How many readings were good, in a sentence.
pub(super) fn in_short(month: &Month) -> String {
    let sums = month
        .sensors
        .iter()
        .fold((0_u64, 0_u64), |(good, all), it| (good + u64::from(it.good), all + u64::from(it.expected)));
    match sums {
        (_, 0) => words::NOT_KNOWN.to_owned(),
        (good, expected) => {
            let percent = words::number((good as f64 / expected as f64).min(1.0) * 100.0, 0);
            format!("{percent} % of those expected came and are good")
        }
    }
}

/// How well each sensor measured.
pub(super) fn sensors(month: &Month) -> Markup {
    let gap = |it: &SensorMonth| {
        it.longest_gap.map_or_else(
            || "none".to_owned(),
            |(from, to)| {
                let length = words::stretch(from, to);
                format!("{length} from {}", words::moment(from, &month.time_zone))
            },
        )
    };
    let complete = |it: &SensorMonth| (it.expected > 0).then(|| it.complete() * 100.0);
    let table = grid(
        "Readings of each sensor",
        &month.sensors,
        &[
            ("Sensor", &|it| words::sensor(month, it)),
            ("Measures", &|it| words::quantity(it.measures).to_owned()),
            ("Expected", &|it| it.expected.to_string()),
            ("Arrived", &|it| it.readings.to_string()),
            ("Good", &|it| it.good.to_string()),
            ("Doubtful", &|it| it.suspect.to_string()),
            ("Bad", &|it| it.bad.to_string()),
            ("Complete", &|it| words::known(complete(it), 1, " %")),
            ("Longest gap", &gap),
        ],
    );
    html! {
        p {
            "Each sensor sends at its own interval, so the number of readings to expect is known. Every reading is "
            "checked when it arrives: can it be true at all, does it jump, does it stand still. Only good ones went into "
            "this report; doubtful and bad ones are counted here and nowhere else."
        }
        @if month.sensors.is_empty() {
            p { "This garden has no sensors in its file." }
        } @else {
            (table)
        }
    }
}

/// What stands in the garden.
pub(super) fn garden(month: &Month) -> Markup {
    if month.beds.is_empty() {
        return html! { p { "This garden has no beds in its file." } };
    }
    let probes = |bed: &BedMonth| {
        let depths = bed.probes.iter().map(|(_, depth)| format!("{} cm", words::number(depth * 100.0, 0)));
        if bed.probes.is_empty() { "none".to_owned() } else { depths.collect::<Vec<_>>().join(", ") }
    };
    let mulch = |bed: &BedMonth| match (bed.mulch, bed.mulch_planned) {
        (Some(MulchOn { depth_mm, since }), _) => {
            let since = words::day(month.time_zone.to_datetime(since).date());
            format!("{} mm since {since}", words::number(depth_mm, 0))
        }
        (None, Some(planned)) => {
            format!("bare: planned for {}, not in the Garden log as laid", words::day(planned))
        }
        (None, None) => "bare".to_owned(),
    };
    grid(
        "The beds, with the marks of their soil in percent of its volume",
        &month.beds,
        &[
            ("Bed", &|bed| bed.name.clone()),
            ("Area", &|bed| format!("{} m²", words::number(bed.area_m2, 1))),
            ("Soil", &|bed| bed.soil.clone()),
            ("Grows", &|bed| bed.crop.clone().unwrap_or_else(|| words::NOT_KNOWN.to_owned())),
            ("Roots", &|bed| format!("{} m deep", words::number(bed.root_depth_m, 2))),
            ("Wilting point", &|bed| words::percent(bed.wilting_point)),
            ("Refill point", &|bed| words::percent(bed.refill_point)),
            ("Field capacity", &|bed| words::percent(bed.field_capacity)),
            ("Mulch", &mulch),
            ("Probes", &probes),
        ],
    )
}
