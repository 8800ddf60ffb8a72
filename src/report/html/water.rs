//! Rain, and the water in the beds.

use maud::{Markup, html};

use super::{Within, chart, folded, grid, pictures, short_day};
use crate::analysis::month::{BedMonth, Month};
use crate::report::{charts, words};

/// The month's rain in a sentence.
pub(super) fn rain_in_short(month: &Month) -> String {
    let Some(rain) = &month.rain else { return "this garden has no rain gauge".to_owned() };
    if rain.days.iter().all(|day| day.mm.is_none()) {
        return format!("{}: the gauge said nothing", words::NOT_KNOWN);
    }
    let least = if rain.days_unknown > 0 { "at least " } else { "" };
    let days = words::count(rain.days_of_1mm, "day", "days");
    format!("{least}{} mm, on {days} with 1 mm or more", words::number(rain.total_mm, 1))
}

pub(super) fn rain(month: &Month, within: Within) -> Markup {
    let Some(rain) = &month.rain else { return html! { p { "This garden has no rain gauge in its file." } } };
    let rows: Vec<Vec<String>> = rain
        .days
        .iter()
        .map(|day| {
            let mm = day
                .mm
                .map_or_else(|| words::NOT_KNOWN.to_owned(), |mm| format!("{} mm", words::number(mm, 1)));
            vec![short_day(day.date), mm, if day.gap { "at least so much" } else { "" }.to_owned()]
        })
        .collect();
    html! {
        p {
            "Rain is counted by rain days, as the weather service does: from 9 am to 9 am, named by the day on which it "
            "ends. In all " (rain_in_short(month)) "."
            @if let Some((date, mm)) = rain.wettest {
                " The wettest day was " (short_day(date)) " with " (words::number(mm, 1)) " mm."
            }
            @if let Some((date, days)) = rain.longest_dry {
                " The longest run of days with less than 1 mm began on " (short_day(date)) " and was "
                (words::count(days, "day", "days")) " long."
            }
        }
        @if rain.days_unknown > 0 {
            p { "Of " (words::count(rain.days_unknown, "day", "days")) " it is not known how much fell." }
        }
        @if let Some(drawn) = charts::rain(month) { (chart(&drawn, within)) }
        (folded("Rain of each rain day", &["Rain day", "Rain", "Gap"], &rows))
    }
}

pub(super) fn beds(month: &Month, within: Within) -> Markup {
    html! {
        p {
            "The line is the water in the soil that roots can reach, in percent of the soil's volume. At field capacity "
            "the soil holds all it can against gravity; below the refill point plants begin to suffer; at the wilting "
            "point they cannot take up any more."
        }
        @if month.beds.is_empty() { p { "This garden has no beds in its file." } }
        @for bed in &month.beds {
            h3 { (bed.name) }
            @if bed.probes.is_empty() {
                p { "This bed has no soil probe, so its water is not known." }
            } @else {
                (chart(&charts::bed(month, bed), within))
                (wettings(month, bed))
            }
        }
    }
}

fn wettings(month: &Month, bed: &BedMonth) -> Markup {
    if bed.wettings.is_empty() {
        return html! { p { "No wetting of this bed was seen." } };
    }
    let millimetres = |mm: Option<f64>| {
        mm.map_or_else(|| words::NOT_KNOWN.to_owned(), |mm| format!("{} mm", words::number(mm, 1)))
    };
    let rows: Vec<Vec<String>> = bed
        .wettings
        .iter()
        .map(|it| {
            vec![
                words::moment(it.from, &month.time_zone),
                words::cause(it.cause).to_owned() + if it.inferred { " (inferred)" } else { "" },
                millimetres(it.gain_mm),
                millimetres(it.rain_mm),
                it.why.clone(),
            ]
        })
        .collect();
    let summary = format!("{} of {}", words::count(rows.len() as i64, "wetting", "wettings"), bed.name);
    folded(&summary, &["Began", "Cause", "Gain of the root zone", "Rain", "What speaks for it"], &rows)
}

pub(super) fn drying(month: &Month) -> Markup {
    let rows: Vec<Vec<String>> = month
        .beds
        .iter()
        .flat_map(|bed| {
            bed.dryings.iter().map(move |it| {
                let percent = |part: f64| format!("{} %", words::number(part * 100.0, 1));
                let constant = match (it.time_constant_days, it.time_constant_error_days) {
                    (Some(days), Some(error)) => {
                        format!("{} ± {} days", words::number(days, 1), words::number(error, 1))
                    }
                    (Some(days), None) => format!("{} days", words::number(days, 1)),
                    (None, _) => it.unfit.clone().unwrap_or_else(|| words::NOT_KNOWN.to_owned()),
                };
                vec![
                    bed.name.clone(),
                    words::moment(it.from, &month.time_zone),
                    words::stretch(words::hours_between(it.from, it.to)),
                    format!("{} to {}", percent(it.start), percent(it.end)),
                    it.loss_mm_day.map_or_else(
                        || words::NOT_KNOWN.to_owned(),
                        |loss| {
                            let days = words::count(it.loss_days, "day", "days");
                            format!("{} mm a day over {days}", words::number(loss, 2))
                        },
                    ),
                    constant,
                    if it.mulched { "yes" } else { "no" }.to_owned(),
                ]
            })
        })
        .collect();
    html! {
        p {
            "After each wetting a bed dries: fast at first, then slower, towards a water content below which it hardly "
            "goes. The loss a day is plain arithmetic over whole days. The time constant is of a curve fitted to the "
            "hours: after that many days, 37 % of what can be lost is left. Both leave out the first day, in which "
            "water still spreads and drains."
        }
        @if rows.is_empty() {
            p { "No drying of this month was long enough and whole enough to be measured." }
        } @else {
            (grid(
                "Each drying after a wetting",
                &["Bed", "Began", "Length", "Water", "Loss of the root zone", "Time constant", "Under mulch"],
                &rows,
            ))
        }
    }
}

pub(super) fn bands(month: &Month) -> Markup {
    let rows: Vec<Vec<String>> = month
        .beds
        .iter()
        .map(|bed| {
            let days = bed.days_in_bands();
            let known: u32 = days.iter().map(|(_, days)| days).sum();
            let mut row = vec![bed.name.clone()];
            row.extend(days.iter().map(|(_, days)| days.to_string()));
            row.push((bed.days.len() as u64).saturating_sub(u64::from(known)).to_string());
            row
        })
        .collect();
    html! {
        p { "Each day counts by its mean: wet is above field capacity, moist is down to the refill point, dry is below it." }
        @if month.beds.is_empty() {
            p { "This garden has no beds in its file." }
        } @else {
            (pictures::bands(month))
            (folded("Days in each band", &["Bed", "Below wilting point", "Dry", "Moist", "Wet", "Not known"], &rows))
        }
    }
}

pub(super) fn balance(month: &Month) -> Markup {
    let rows: Vec<Vec<String>> = month
        .beds
        .iter()
        .map(|bed| {
            let mm = |mm: Option<f64>| {
                mm.map_or_else(
                    || words::NOT_KNOWN.to_owned(),
                    |mm| format!("{} mm ({} L)", words::number(mm, 1), words::number(mm * bed.area_m2, 0)),
                )
            };
            let less = bed.got_mm.zip(bed.need_mm).map(|(got, need)| got - need);
            let why = if bed.balance_days > 0 { None } else { bed.need_unknown.clone() };
            vec![
                bed.name.clone(),
                words::count(bed.balance_days, "day", "days"),
                mm(bed.need_mm),
                mm(bed.got_mm),
                mm(less),
                why.unwrap_or_default(),
            ]
        })
        .collect();
    html! {
        p {
            "What a bed needed is what its plants would use with enough water, from the weather and the crop (FAO-56). "
            "What it got is rain and waterings. Only days count on which all of that is known. One millimetre is one "
            "litre on each square metre. What runs through below the roots is not taken off, so a bed can get more than "
            "it needs and still be dry between."
        }
        @if month.beds.is_empty() {
            p { "This garden has no beds in its file." }
        } @else {
            (pictures::balance(month))
            (grid(
                "Water needed and got",
                &["Bed", "Days that count", "Needed", "Got", "Got less needed", "Why not known"],
                &rows,
            ))
        }
    }
}
