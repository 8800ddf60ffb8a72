//! Rain, and the water in the beds.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::{Within, chart, folded, grid, pictures};
use crate::analysis::month::{BedMonth, Drying, Month};
use crate::report::lesson::pictures as drawn;
use crate::report::{charts, words};

/// Beds that the first page draws; a garden with more has them all among the figures.
const BEDS_DRAWN: usize = 8;

/// The month's rain in a sentence.
pub(super) fn rain_in_short(month: &Month) -> String {
    let Some(rain) = &month.rain else { return "this garden has no rain gauge".to_owned() };
    if rain.days.iter().all(|day| day.mm.is_none()) {
        return format!("{}: the gauge sent nothing", words::NOT_KNOWN);
    }
    let least = if rain.days_unknown > 0 { "at least " } else { "" };
    let days = words::counted(rain.days_of_1mm, "day", "days");
    format!("{least}{} mm, on {days} with 1 mm or more", words::number(rain.total_mm, 1))
}

/// The rain in words.
fn of_rain(month: &Month) -> Markup {
    let Some(rain) = &month.rain else { return html! { p { "This garden has no rain gauge in its file." } } };
    html! {
        p {
            "Rain is counted by rain days, as the weather service does: from 9 am to 9 am, named by the day on which it "
            "ends. In all " (rain_in_short(month)) "."
            @if let Some((date, mm)) = rain.wettest {
                " The wettest day was " (words::day(date)) " with " (words::number(mm, 1)) " mm."
            }
            @if let Some((date, days)) = rain.longest_dry {
                " The longest run of days with less than 1 mm began on " (words::day(date)) " and was "
                (words::counted(days, "day", "days")) " long."
            }
        }
        @if rain.days_unknown > 0 {
            p { "How much fell on " (words::counted(rain.days_unknown, "day", "days")) " is not known." }
        }
    }
}

/// A bar for each rain day.
pub(super) fn rain(month: &Month) -> Markup {
    html! {
        (of_rain(month))
        @if let Some(rain) = &month.rain { (drawn::of_rain(rain, "rain-days", true)) }
    }
}

/// The whole chart and table of the rain.
pub(super) fn rain_figures(month: &Month, within: Within<'_>) -> Markup {
    html! {
        (of_rain(month))
        @if let Some(rain) = &month.rain {
            @if let Some(drawn) = charts::rain(month) { (chart(&drawn, within)) }
            (folded(
                "Rain of each rain day",
                &rain.days,
                &[
                    ("Rain day", &|day| words::day(day.date)),
                    ("Rain", &|day| words::known(day.mm, 1, " mm")),
                    ("Gap", &|day| if day.gap { "at least so much" } else { "" }.to_owned()),
                ],
            ))
        }
    }
}

/// A line for each bed.
pub(super) fn beds(month: &Month) -> Markup {
    html! {
        p {
            "The line is the water in the soil that roots can reach, in percent of the soil's volume. Above field capacity "
            "the rest drains away. Below the refill point plants begin to suffer."
        }
        @if month.beds.is_empty() { p { "This garden has no beds in its file." } }
        div class="two" {
            @for (bed, at) in month.beds.iter().take(BEDS_DRAWN).zip(0_u32..) {
                div {
                    h4 { (bed.name) }
                    @if bed.known_days() == 0 {
                        p { (no_water(bed)) }
                    } @else {
                        (drawn::line(month, bed, &format!("bed-{at}"), false))
                    }
                }
            }
        }
        @if month.beds.len() > BEDS_DRAWN {
            p { (month.beds.len() - BEDS_DRAWN) " more beds are on the page of every figure." }
        }
    }
}

/// That a picture does not hold all beds.
fn more_beds(month: &Month) -> Markup {
    html! {
        @if month.beds.len() > pictures::BEDS_MOST {
            p { "A picture holds " (pictures::BEDS_MOST) " beds. The page of every figure has all " (month.beds.len()) "." }
        }
    }
}

/// Names, and how many more there are.
fn some(names: &[String]) -> String {
    match names.len().saturating_sub(BEDS_DRAWN) {
        0 => crate::text::spoken::list(names),
        more => format!("{} and {more} more beds", names[..BEDS_DRAWN].join(", ")),
    }
}

/// Why a bed's water is not known.
fn no_water(bed: &BedMonth) -> &'static str {
    if bed.probes.is_empty() {
        "This bed has no soil probe, so its water is not known."
    } else {
        "Its probes sent too little this month to know a whole day."
    }
}

/// The whole chart of each bed from one to another, and each of its wettings.
pub(super) fn bed_figures(month: &Month, (from, to): (usize, usize), within: Within<'_>) -> Markup {
    let count = month.beds.len();
    html! {
        @if count == 0 { p { "This garden has no beds in its file." } }
        @for bed in &month.beds[from.min(count)..to.min(count)] {
            h3 { (bed.name) }
            @if bed.probes.is_empty() {
                p { (no_water(bed)) }
            } @else {
                (chart(&charts::bed(month, bed), within))
                (wettings(month, bed))
            }
        }
    }
}

fn wettings(month: &Month, bed: &BedMonth) -> Markup {
    if bed.wettings.is_empty() {
        return html! { p { "The probes show no wetting of this bed." } };
    }
    let count = words::counted(bed.wettings.len(), "wetting", "wettings");
    let list = folded(
        &format!("{count} of {}", bed.name),
        &bed.wettings,
        &[
            ("Began", &|it| words::moment(it.from, &month.time_zone)),
            ("Cause", &|it| words::cause(it.cause).to_owned() + if it.inferred { " (inferred)" } else { "" }),
            ("Rise at the probe", &|it| words::percent(it.rise)),
            ("Rain", &|it| words::known(it.rain_mm, 1, " mm")),
            ("Why", &|it| it.why.clone()),
        ],
    );
    html! {
        (list)
        p {
            "A probe shows when water came, and whether one wetting was larger than another. It does not measure the water: "
            "litres come from a meter, the log or the timer's program."
        }
    }
}

pub(super) fn drying(month: &Month) -> Markup {
    type Of<'a> = (&'a BedMonth, &'a Drying);
    let rows: Vec<Of<'_>> =
        month.beds.iter().flat_map(|bed| bed.dryings.iter().map(move |it| (bed, it))).collect();
    let loss = |(_, it): &Of<'_>| {
        it.loss_mm_day.map_or_else(
            || words::NOT_KNOWN.to_owned(),
            |loss| {
                let days = words::counted(it.loss_days, "day", "days");
                format!("{} mm a day over {days}", words::number(loss, 2))
            },
        )
    };
    let constant = |(_, it): &Of<'_>| match (it.time_constant_days, it.time_constant_error_days) {
        (Some(days), Some(error)) => {
            format!("{} ± {} days", words::number(days, 1), words::number(error, 1))
        }
        (Some(days), None) => format!("{} days", words::number(days, 1)),
        (None, _) => it.unfit.clone().unwrap_or_else(|| words::NOT_KNOWN.to_owned()),
    };
    let dryings = grid(
        "Each drying after a wetting",
        &rows,
        &[
            ("Bed", &|(bed, _)| bed.name.clone()),
            ("Began", &|(_, it)| words::moment(it.from, &month.time_zone)),
            ("Length", &|(_, it)| words::stretch(it.from, it.to)),
            ("Water", &|(_, it)| format!("{} to {}", words::percent(it.start), words::percent(it.end))),
            ("Loss of the root zone", &loss),
            ("Time constant", &constant),
            ("Under mulch", &|(_, it)| if it.mulched { "yes" } else { "no" }.to_owned()),
        ],
    );
    html! {
        p {
            "After each wetting a bed dries: fast at first, then slower, towards a water content below which it hardly "
            "goes. The loss a day is plain arithmetic over whole days. The time constant is of a curve fitted to the "
            "hours: after that many days, 37 % of what can be lost is left. After a soaking water drains for about two "
            "days (what then is left is field capacity), so the loss a day is of the days after. The curve begins after "
            "the first day, so that some drainage is in it."
        }
        @if rows.is_empty() {
            p { "No drying of this month was long enough and whole enough to be measured." }
        } @else {
            (dryings)
        }
    }
}

pub(super) fn band_figures(month: &Month) -> Markup {
    let in_band = |bed: &BedMonth, band: usize| bed.days_in_bands()[band].1.to_string();
    let unknown = |bed: &BedMonth| bed.days.iter().filter(|day| day.band.is_none()).count().to_string();
    let days = grid(
        "Days in each band",
        &month.beds,
        &[
            ("Bed", &|bed| bed.name.clone()),
            ("Below wilting point", &|bed| in_band(bed, 0)),
            ("Dry", &|bed| in_band(bed, 1)),
            ("Moist", &|bed| in_band(bed, 2)),
            ("Wet", &|bed| in_band(bed, 3)),
            ("Not known", &unknown),
        ],
    );
    html! { (days) }
}

/// A bar of days for each bed.
pub(super) fn bands(month: &Month) -> Markup {
    html! {
        p { "Each day counts by its mean: wet is above field capacity, moist is down to the refill point, dry is below it." }
        @if month.beds.is_empty() {
            p { "This garden has no beds in its file." }
        } @else {
            (pictures::bands(month))
            (more_beds(month))
        }
    }
}

pub(super) fn balance_figures(month: &Month) -> Markup {
    let mm = |bed: &BedMonth, mm: Option<f64>| {
        mm.map_or_else(
            || words::NOT_KNOWN.to_owned(),
            |mm| format!("{} mm ({} L)", words::number(mm, 1), words::number(mm * bed.area_m2, 0)),
        )
    };
    let less = |bed: &BedMonth| bed.got_mm.zip(bed.need_mm).map(|(got, need)| got - need);
    let why = |bed: &BedMonth| {
        bed.got_unknown.clone().or_else(|| bed.need_unknown.clone()).filter(|_| bed.balance_days == 0)
    };
    let beds = grid(
        "Water needed and got",
        &month.beds,
        &[
            ("Bed", &|bed| bed.name.clone()),
            ("Days that count", &|bed| words::counted(bed.balance_days, "day", "days")),
            ("Needed", &|bed| mm(bed, bed.need_mm)),
            ("Got", &|bed| mm(bed, bed.got_mm)),
            ("Got minus needed", &|bed| mm(bed, less(bed))),
            ("Why not known", &|bed| why(bed).unwrap_or_default()),
        ],
    );
    html! { (beds) }
}

/// Two bars for each bed.
pub(super) fn balance(month: &Month) -> Markup {
    let why = |bed: &BedMonth| {
        bed.got_unknown.clone().or_else(|| bed.need_unknown.clone()).filter(|_| bed.balance_days == 0)
    };
    let mut unknown: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for bed in &month.beds {
        if let Some(why) = why(bed) {
            unknown.entry(why).or_default().push(bed.name.clone());
        }
    }
    html! {
        p {
            "What a bed needed is what its plants would use with enough water, by weather and crop (FAO-56). What it got is "
            "rain and watering. One millimetre is one litre on each square metre. Water that runs through below the roots "
            "is counted as got."
        }
        @if month.beds.is_empty() {
            p { "This garden has no beds in its file." }
        } @else {
            (pictures::balance(month))
        }
        @for (why, beds) in &unknown { p { (some(beds)) ": not known, since " (why) "." } }
        (more_beds(month))
    }
}
