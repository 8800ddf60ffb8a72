//! Water in the ground: rain, beds, wettings, dryings.

use super::{CALENDAR, SETTINGS};
use crate::analysis::month::{BedDay, BedMonth, Drying, Month, MonthWetting, RainDayOf};
use crate::report::table::CellKind::{Date, Number, Text, Whole};
use crate::report::table::{Describe, Table};
use crate::report::words;

const GAUGE: &str = "the rain gauge";
const PROBES: &str = "the soil probes of the bed";
const LOG: &str = "the garden's log";
const MARKS: &str = "water content and the bed's marks";

/// One row for each rain day.
pub(super) fn rain_days(month: &Month) -> Table {
    Describe::<&RainDayOf>::new("rain_days", "Rain of each rain day that has ended.")
        .column("date", "", Date, |day| day.date)
        .means("the rain day, 9 am to 9 am, named by the day on which it ends", CALENDAR)
        .column("rain_mm", "mm", Number(1), |day| day.mm)
        .means("rain of that day; at least so much where gap is yes", GAUGE)
        .or_empty("nothing is known of that day by itself")
        .column("gap", "", Text, |day| day.gap)
        .means(
            "yes where missing readings may hide rain, or where it was read together with that of other days",
            GAUGE,
        )
        .rows(month.rain.iter().flat_map(|rain| &rain.days))
}

/// The columns that say which bed.
fn of_bed<'a, T: Copy + 'a>(table: Describe<'a, (&'a BedMonth, T)>) -> Describe<'a, (&'a BedMonth, T)> {
    table
        .column("bed", "", Text, |(bed, _)| bed.id.as_str())
        .means("the bed's id", SETTINGS)
        .column("bed_name", "", Text, |(bed, _)| bed.name.as_str())
        .means("its name", SETTINGS)
}

/// What a bed has several of, each with its bed.
fn of_each<'a, T: 'a>(
    month: &'a Month,
    own: fn(&BedMonth) -> &[T],
) -> impl Iterator<Item = (&'a BedMonth, &'a T)> {
    month.beds.iter().flat_map(move |bed| own(bed).iter().map(move |it| (bed, it)))
}

/// One row for each bed and day.
pub(super) fn beds_daily(month: &Month) -> Table {
    const FEW_HOURS: &str = "fewer than 12 hours in which all probes sent good readings";
    Describe::<(&BedMonth, &BedDay)>::new("beds_daily", "The water of each bed on each day.")
        .column("date", "", Date, |(_, day)| day.date)
        .means("the day, from midnight to midnight", CALENDAR)
        .with(of_bed)
        .column("known_hours", "h", Whole, |(_, day)| day.hours_known)
        .means("hours of the day in which every probe sent good readings", PROBES)
        .column("roots_m", "m", Number(2), |(_, day)| day.roots_m)
        .means("how deep the roots reached on that day: less than full-grown while a crop is young", SETTINGS)
        .column("water_content_m3_m3", "m3/m3", Number(4), |(_, day)| day.water_content)
        .means("mean water content of the root zone: cubic metres of water in a cubic metre of soil", PROBES)
        .or_empty(FEW_HOURS)
        .column("water_mm", "mm", Number(1), |(_, day)| day.water_mm)
        .means("the same water as a depth: litres on a square metre", PROBES)
        .or_empty(FEW_HOURS)
        .column("available_part", "", Number(3), |(_, day)| day.available)
        .means(
            "part of the water that roots can use that was left: 0 at the wilting point, 1 at field capacity",
            MARKS,
        )
        .or_empty(FEW_HOURS)
        .column("band", "", Text, |(_, day)| day.band.map(|band| band.name()))
        .means(
            "below-wilting-point, dry (below the refill point), moist, or wet (above field capacity)",
            MARKS,
        )
        .or_empty(FEW_HOURS)
        .column("loss_mm", "mm", Number(1), |(_, day)| day.loss_mm)
        .means("what the soil lost from midnight to midnight, as deep as grown roots go", PROBES)
        .or_empty(
            "a midnight or more than two hours are missing, rain fell or is not known, or the bed was wetted on that day or \
             within two days before: it still drained",
        )
        .column("need_mm", "mm", Number(1), |(_, day)| day.need_mm)
        .means("water that the crop needed", "the weather and the crop (FAO-56)")
        .or_empty("the weather of that day, or the crop, is not known")
        .column("rain_mm", "mm", Number(1), |(_, day)| day.rain_mm)
        .means("rain from midnight to midnight; rain_days has it from 9 am to 9 am", GAUGE)
        .or_empty("the gauge did not send readings all day")
        .column("watering_mm", "mm", Number(1), |(_, day)| day.watering_mm)
        .means("what waterings brought, by log, water meter or the timer's program", LOG)
        .or_empty("a watering's amount is not known, or more than two hours of the day are missing")
        .column("unknown_mm", "mm", Number(1), |(_, day)| day.unknown_mm)
        .means("what the probes show of wettings of unknown cause: see gain_mm of wettings", PROBES)
        .column("mulched", "", Text, |(_, day)| day.mulched)
        .means("yes where mulch lay on it all day", LOG)
        .rows(of_each(month, |bed| &bed.days))
}

/// One row for each wetting.
pub(super) fn wettings(month: &Month) -> Table {
    const ALL: &str = "gauge, meters and log";
    Describe::<(&BedMonth, &MonthWetting)>::new(
        "wettings",
        "Each time that a bed got wetter: the beginning, the end, by how much and from what.",
    )
    .with(of_bed)
    .moment("from", |(_, it)| it.from)
    .means("when the soil began to get wetter", PROBES)
    .moment("to", |(_, it)| it.to)
    .means("when the root zone was wettest, within twelve hours", PROBES)
    .column("rise_m3_m3", "m3/m3", Number(3), |(_, it)| it.rise)
    .means("how far the probe rose that showed it", PROBES)
    .column("gain_mm", "mm", Number(1), |(_, it)| it.gain_mm)
    .means(
        "what the probes gained, spread over the root zone: more than the water that came (in simulated months by 10 to \
         100 %), since each stands for a whole layer; it compares wettings of one bed and measures no water",
        PROBES,
    )
    .or_empty("not all probes sent readings")
    .column("cause", "", Text, |(_, it)| it.cause.name())
    .means("rain, watering, rain-and-watering or unknown", ALL)
    .column("inferred", "", Text, |(_, it)| it.inferred)
    .means(
        "yes where the watering is in no log, meter or program: rain does not explain it, or not all of it",
        ALL,
    )
    .column("rain_mm", "mm", Number(1), |(_, it)| it.rain_mm)
    .means("rain in the day before and until it was seen", GAUGE)
    .or_empty("no gauge sent readings all that time")
    .column("metered_l", "L", Number(0), |(_, it)| it.metered_l)
    .means("what water meters counted then", "the water meters")
    .or_empty("no meter sent readings")
    .column("program_l", "L", Number(0), |(_, it)| it.program_l)
    .means("what a run of the timer's program gives by the garden file", SETTINGS)
    .or_empty("no program can have begun it, or the bed's litres an hour are not in the file")
    .moment("logged", |(_, it)| it.logged.map(|(at, _)| at))
    .means("when it was watered, by the Garden log", LOG)
    .or_empty("no watering is in the Garden log")
    .column("logged_l", "L", Number(0), |(_, it)| it.logged.and_then(|(_, litres)| litres))
    .means("water that was given, by the Garden log", LOG)
    .or_empty("nobody measured it")
    .column("why", "", Text, |(_, it)| it.why.as_str())
    .means("why this cause is given", ALL)
    .rows(of_each(month, |bed| &bed.wettings))
}

/// One row for each drying.
pub(super) fn dryings(month: &Month) -> Table {
    const NO_CURVE: &str = "no curve fits: see unfit";
    const CURVE: &str = "a curve fitted by least squares to the bed's hours after the first day; some drainage of the second is in it";
    Describe::<(&BedMonth, &Drying)>::new("dryings", "How each bed dried after each wetting.")
        .with(of_bed)
        .moment("from", |(_, it)| it.from)
        .means("when the drying began", PROBES)
        .moment("to", |(_, it)| it.to)
        .means("when it ended: the next wetting, or the last reading", PROBES)
        .column("days", "d", Number(2), |(_, it)| words::hours_between(it.from, it.to) / 24.0)
        .means("its length", PROBES)
        .column("start_m3_m3", "m3/m3", Number(4), |(_, it)| it.start)
        .means("water content at the beginning", PROBES)
        .column("end_m3_m3", "m3/m3", Number(4), |(_, it)| it.end)
        .means("water content at the end", PROBES)
        .column("loss_mm_day", "mm/d", Number(2), |(_, it)| it.loss_mm_day)
        .means(
            "mean loss of the root zone over whole days after the first two, in which it still drains",
            PROBES,
        )
        .or_empty("it was too short, or an hour that it needs is missing")
        .column("loss_days", "d", Whole, |(_, it)| it.loss_days)
        .means("whole days that the loss is of", PROBES)
        .column("time_constant_days", "d", Number(2), |(_, it)| it.time_constant_days)
        .means("days after which 37 % of what can be lost is left", CURVE)
        .or_empty(NO_CURVE)
        .column("time_constant_error_days", "d", Number(2), |(_, it)| it.time_constant_error_days)
        .means("standard error of the time constant", CURVE)
        .or_empty(NO_CURVE)
        .column("dries_towards_m3_m3", "m3/m3", Number(4), |(_, it)| it.dries_towards)
        .means("the water content that the curve ends at", CURVE)
        .or_empty(NO_CURVE)
        .column("curve_error_m3_m3", "m3/m3", Number(4), |(_, it)| it.error)
        .means("how far the curve is from the hours, root mean square", CURVE)
        .or_empty(NO_CURVE)
        .column("unfit", "", Text, |(_, it)| it.unfit.as_deref())
        .means("why no curve fits", CURVE)
        .or_empty("a curve fits")
        .column("mulched", "", Text, |(_, it)| it.mulched)
        .means("yes where mulch lay on the bed all that time", LOG)
        .rows(of_each(month, |bed| &bed.dryings))
}
