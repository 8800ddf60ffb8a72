//! Water in the ground: rain, beds, wettings, dryings.

use super::moment;
use crate::analysis::month::Month;
use crate::report::table::{Cell, Column, Kind, Table, column};
use crate::report::words;

const SETTINGS: &str = "the garden's settings";
const GAUGE: &str = "the rain gauge";
const PROBES: &str = "the soil probes of the bed";
const LOG: &str = "the garden's log";
const MARKS: &str = "water content and the bed's marks";

fn yes(it: bool) -> Cell {
    Cell::text(if it { "yes" } else { "no" })
}

/// One row for each rain day.
pub(super) fn rain_days(month: &Month) -> Table {
    let columns = vec![
        column(
            "date",
            "",
            Kind::Date,
            "the rain day, 9 am to 9 am, named by the day on which it ends",
            "the calendar",
        ),
        column(
            "rain_mm",
            "mm",
            Kind::Number(1),
            "rain of that day; at least so much where gap is yes",
            GAUGE,
        )
        .or_empty("nothing is known of that day by itself"),
        column(
            "gap",
            "",
            Kind::Text,
            "yes where missing readings may hide rain, or where it was read together with that of other days",
            GAUGE,
        ),
    ];
    let days = month.rain.iter().flat_map(|rain| &rain.days);
    let rows = days.map(|day| vec![Cell::Date(day.date), Cell::number(day.mm), yes(day.gap)]);
    Table { name: "rain_days", about: "Rain of each rain day that has ended.", columns, rows: rows.collect() }
}

/// The columns that say which bed.
fn bed_columns() -> Vec<Column> {
    vec![
        column("bed", "", Kind::Text, "the bed's id", SETTINGS),
        column("bed_name", "", Kind::Text, "its name", SETTINGS),
    ]
}

/// One row for each bed and day.
pub(super) fn beds_daily(month: &Month) -> Table {
    const FEW_HOURS: &str = "fewer than 12 hours in which all probes were heard";
    let number = |name, unit, decimals, meaning: &'static str, from| {
        column(name, unit, Kind::Number(decimals), meaning, from)
    };
    let mut columns =
        vec![column("date", "", Kind::Date, "the day, from midnight to midnight", "the calendar")];
    columns.extend(bed_columns());
    columns.extend([
        column("known_hours", "h", Kind::Whole, "hours of the day in which every probe was heard", PROBES),
        number(
            "water_content_m3_m3",
            "m3/m3",
            4,
            "mean water content of the root zone: cubic metres of water in a cubic metre of soil",
            PROBES,
        )
        .or_empty(FEW_HOURS),
        number("water_mm", "mm", 1, "the same water as a depth: litres on a square metre", PROBES)
            .or_empty(FEW_HOURS),
        number(
            "available_part",
            "",
            3,
            "part of the water that roots can use that was left: 0 at the wilting point, 1 at field capacity",
            MARKS,
        )
        .or_empty(FEW_HOURS),
        column(
            "band",
            "",
            Kind::Text,
            "below-wilting-point, dry (below the refill point), moist, or wet (above field capacity)",
            MARKS,
        )
        .or_empty(FEW_HOURS),
        number("loss_mm", "mm", 1, "what the root zone lost from midnight to midnight", PROBES)
            .or_empty("a midnight is missing, or the bed was wetted on that day or the day before"),
        number("need_mm", "mm", 1, "water that the crop needed", "the weather and the crop (FAO-56)")
            .or_empty("the weather of that day, or the crop, is not known"),
        number("rain_mm", "mm", 1, "rain from midnight to midnight", GAUGE)
            .or_empty("the gauge was not heard all day"),
        number(
            "watering_mm",
            "mm",
            1,
            "what waterings brought: litres where known, else what the probes saw",
            LOG,
        )
        .or_empty("there was a watering and its amount is not known"),
        number("unknown_mm", "mm", 1, "what the probes saw of wettings of unknown cause", PROBES),
        column("mulched", "", Kind::Text, "yes where mulch lay on it all day", LOG),
    ]);
    let rows = month.beds.iter().flat_map(|bed| {
        bed.days.iter().map(move |day| {
            vec![
                Cell::Date(day.date),
                Cell::text(bed.id.as_str()),
                Cell::text(&bed.name),
                Cell::whole(day.hours_known),
                Cell::number(day.water_content),
                Cell::number(day.water_mm),
                Cell::number(day.available),
                day.band.map_or(Cell::Empty, |band| Cell::text(band.name())),
                Cell::number(day.loss_mm),
                Cell::number(day.need_mm),
                Cell::number(day.rain_mm),
                Cell::number(day.watering_mm),
                Cell::number(day.unknown_mm),
                yes(day.mulched),
            ]
        })
    });
    Table { name: "beds_daily", about: "The water of each bed on each day.", columns, rows: rows.collect() }
}

/// One row for each wetting.
pub(super) fn wettings(month: &Month) -> Table {
    const NOT_LOGGED: &str = "nobody wrote a watering down";
    let mut columns = bed_columns();
    columns.extend(moment("from", "when the soil began to get wetter", PROBES));
    columns.extend(moment("to", "when the root zone was wettest, within twelve hours", PROBES));
    columns.extend([
        column("gain_mm", "mm", Kind::Number(1), "water that the root zone gained", PROBES)
            .or_empty("not all probes were heard"),
        column("cause", "", Kind::Text, "rain, watering, rain-and-watering or unknown", "gauge, meters and log"),
        column(
            "inferred",
            "",
            Kind::Text,
            "yes where a watering was neither written down nor metered: the gauge caught no rain, few beds rose at once",
            "gauge, meters and log",
        ),
        column("rain_mm", "mm", Kind::Number(1), "rain in the day before and until it was seen", GAUGE)
            .or_empty("no gauge was heard all that time"),
        column("metered_l", "L", Kind::Number(0), "what water meters counted then", "the water meters")
            .or_empty("no meter was heard"),
    ]);
    columns.extend(
        moment("logged", "when the log says that it was watered", LOG).map(|it| it.or_empty(NOT_LOGGED)),
    );
    columns.extend([
        column("logged_l", "L", Kind::Number(0), "water that the log says was given", LOG)
            .or_empty("nobody measured it"),
        column("why", "", Kind::Text, "what speaks for the cause", "gauge, meters and log"),
    ]);
    let rows = month.beds.iter().flat_map(|bed| {
        bed.wettings.iter().map(move |wetting| {
            let logged = wetting.logged.map(|(at, _)| at);
            vec![
                Cell::text(bed.id.as_str()),
                Cell::text(&bed.name),
                Cell::Moment(wetting.from),
                Cell::Moment(wetting.from),
                Cell::Moment(wetting.to),
                Cell::Moment(wetting.to),
                Cell::number(wetting.gain_mm),
                Cell::text(wetting.cause.name()),
                yes(wetting.inferred),
                Cell::number(wetting.rain_mm),
                Cell::number(wetting.metered_l),
                Cell::moment(logged),
                Cell::moment(logged),
                Cell::number(wetting.logged.and_then(|(_, litres)| litres)),
                Cell::text(&wetting.why),
            ]
        })
    });
    Table {
        name: "wettings",
        about: "Each time that a bed got wetter: the beginning, the end, by how much and from what.",
        columns,
        rows: rows.collect(),
    }
}

/// One row for each drying.
pub(super) fn dryings(month: &Month) -> Table {
    const NO_CURVE: &str = "no curve fits: see unfit";
    const CURVE: &str = "a curve fitted to the bed's hours after the first day, by least squares";
    let number = |name, unit, decimals, meaning: &'static str, from| {
        column(name, unit, Kind::Number(decimals), meaning, from)
    };
    let mut columns = bed_columns();
    columns.extend(moment("from", "when the drying began", PROBES));
    columns.extend(moment("to", "when it ended: the next wetting, or the last reading", PROBES));
    columns.extend([
        number("days", "d", 2, "its length", PROBES),
        number("start_m3_m3", "m3/m3", 4, "water content at the beginning", PROBES),
        number("end_m3_m3", "m3/m3", 4, "water content at the end", PROBES),
        number(
            "loss_mm_day",
            "mm/d",
            2,
            "mean loss of the root zone over whole days after the first",
            PROBES,
        )
        .or_empty("it was too short, or an hour that it needs is missing"),
        column("loss_days", "d", Kind::Whole, "whole days that the loss is of", PROBES),
        number("time_constant_days", "d", 2, "days after which 37 % of what can be lost is left", CURVE)
            .or_empty(NO_CURVE),
        number("time_constant_error_days", "d", 2, "standard error of the time constant", CURVE)
            .or_empty(NO_CURVE),
        number("dries_towards_m3_m3", "m3/m3", 4, "the water content that the curve ends at", CURVE)
            .or_empty(NO_CURVE),
        number(
            "curve_error_m3_m3",
            "m3/m3",
            4,
            "how far the curve is from the hours, root mean square",
            CURVE,
        )
        .or_empty(NO_CURVE),
        column("unfit", "", Kind::Text, "why no curve fits", CURVE).or_empty("a curve fits"),
        column("mulched", "", Kind::Text, "yes where mulch lay on the bed all that time", LOG),
    ]);
    let rows = month.beds.iter().flat_map(|bed| {
        bed.dryings.iter().map(move |drying| {
            vec![
                Cell::text(bed.id.as_str()),
                Cell::text(&bed.name),
                Cell::Moment(drying.from),
                Cell::Moment(drying.from),
                Cell::Moment(drying.to),
                Cell::Moment(drying.to),
                Cell::number(words::hours_between(drying.from, drying.to) / 24.0),
                Cell::number(drying.start),
                Cell::number(drying.end),
                Cell::number(drying.loss_mm_day),
                Cell::whole(drying.loss_days),
                Cell::number(drying.time_constant_days),
                Cell::number(drying.time_constant_error_days),
                Cell::number(drying.dries_towards),
                Cell::number(drying.error),
                drying.unfit.as_ref().map_or(Cell::Empty, Cell::text),
                yes(drying.mulched),
            ]
        })
    });
    Table { name: "dryings", about: "How each bed dried after each wetting.", columns, rows: rows.collect() }
}
