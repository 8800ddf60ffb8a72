//! A chart's figures as a table, and in the short form that a pointer reads.

use std::fmt::Write as _;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use crate::chart::lane::when;
use crate::chart::scale::number;
use crate::chart::{Bar, Chart, FanInterval, Panel, Stroke, Trace};
use crate::history::{BinWidth, bin_of};
use crate::model::CalendarMonth;

/// Places of the time axis of which the pointer knows the figures.
const COLUMNS: usize = 200;

/// Flagged readings, and events, whose words the pointer knows.
const MARKS_MAX: usize = 150;

/// How long a row of the table is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum RowLength {
    Hour,
    Day,
    Month,
}

impl RowLength {
    fn of(chart: &Chart) -> Self {
        match chart.to.duration_since(chart.from).as_hours() {
            ..=50 => Self::Hour,
            51..=2400 => Self::Day,
            _ => Self::Month,
        }
    }

    fn each(self) -> &'static str {
        match self {
            Self::Hour => "hour",
            Self::Day => "day",
            Self::Month => "month",
        }
    }

    /// The stretch in which a moment lies.
    fn around(self, at: Timestamp, zone: &TimeZone) -> (Timestamp, Timestamp) {
        match self {
            Self::Hour => bin_of(at, BinWidth::Hour, zone),
            Self::Day => bin_of(at, BinWidth::Day, zone),
            Self::Month => {
                let date = zone.to_datetime(at).date();
                let month = CalendarMonth { year: date.year(), month: date.month() };
                month.span(zone).unwrap_or((Timestamp::MIN, Timestamp::MAX))
            }
        }
    }

    fn name(self, at: Timestamp, zone: &TimeZone) -> String {
        let local = at.to_zoned_datetime(zone.clone());
        match self {
            Self::Hour => when(at, zone),
            Self::Day => local.strftime("%a %-d %b %Y").to_string(),
            Self::Month => local.strftime("%B %Y").to_string(),
        }
    }
}

/// What one panel shows in one column: its heading, and the figure of a stretch.
struct FigureColumn<'a> {
    heading: String,
    /// Whether its figures are differences of two temperatures.
    apart: bool,
    figure: Box<dyn Fn(Timestamp, Timestamp) -> Option<String> + 'a>,
}

fn columns(panel: &Panel, row: RowLength, chart_to: Timestamp) -> Vec<FigureColumn<'_>> {
    let unit = if panel.unit.is_empty() { String::new() } else { format!(" ({})", panel.unit) };
    let decimals = panel.decimals;
    let mut columns: Vec<FigureColumn<'_>> = Vec::new();
    for trace in &panel.traces {
        let mut column = |what: &str, figure: fn(&Trace, Timestamp, Timestamp) -> Option<f64>| {
            columns.push(FigureColumn {
                apart: panel.differences,
                heading: format!("{}{unit}, {what}", trace.name),
                figure: Box::new(move |from, to| {
                    figure(trace, from, to).map(|figure| number(figure, decimals))
                }),
            });
        };
        column("mean", mean);
        // How far a day or a month swings is told of the panel's main figure.
        if row != RowLength::Hour && trace.stroke == Stroke::Bold {
            column("least", |trace, from, to| extreme(trace, from, to, |both| both.0, f64::min));
            column("greatest", |trace, from, to| extreme(trace, from, to, |both| both.1, f64::max));
        }
    }
    if !panel.fan.is_empty() {
        let sides: [(&str, FanInterval); 2] =
            [("half of the time", |it| it.inner), ("4 times in 5", |it| it.outer)];
        for (how_often, pick) in sides {
            columns.push(FigureColumn {
                apart: panel.differences,
                heading: format!("Expected{unit}, {how_often}"),
                figure: Box::new(move |from, to| {
                    let of_row = panel.fan.iter().filter(|it| from <= it.at && it.at < to);
                    let (low, high) = of_row.map(pick).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?;
                    Some(between(low, high, decimals))
                }),
            });
        }
    }
    for name in panel.bar_names() {
        columns.push(FigureColumn {
            apart: panel.differences,
            heading: format!("{name}{unit}, total"),
            figure: Box::new(move |from, to| {
                let bars = || {
                    // A bar has the date of its end, as a rain day has.
                    let of_row = |bar: &&Bar| {
                        let end = bar.to.min(chart_to);
                        from < end && end <= to && bar.value.is_finite()
                    };
                    panel.bars.iter().filter(move |bar| bar.name == name).filter(of_row)
                };
                bars().next()?;
                let total = number(bars().map(|bar| bar.value).sum(), decimals);
                Some(if bars().any(|bar| bar.doubt.is_some()) { total + ", in doubt" } else { total })
            }),
        });
    }
    if !panel.flagged.is_empty() {
        columns.push(FigureColumn {
            apart: false,
            heading: format!("{}: marked readings", panel.name),
            figure: Box::new(|from, to| {
                let mut flagged = panel.flagged.iter().filter(|it| it.at >= from && it.at < to);
                let first = flagged.next()?;
                Some(match flagged.count() {
                    0 => first.words.clone(),
                    more => format!("{} marks; the first: {}", more + 1, first.words),
                })
            }),
        });
    }
    columns
}

/// "10.1 to 12.3".
fn between(low: f64, high: f64, decimals: usize) -> String {
    format!("{} to {}", number(low, decimals), number(high, decimals))
}

fn mean(trace: &Trace, from: Timestamp, to: Timestamp) -> Option<f64> {
    let inside = within(&trace.points, from, to).iter().map(|(_, value)| *value);
    let (count, sum) =
        inside.filter(|value| value.is_finite()).fold((0u32, 0.0), |(n, sum), value| (n + 1, sum + value));
    (count > 0).then(|| sum / f64::from(count))
}

/// The least or the greatest of a stretch, by the points' spreads where they have some.
fn extreme(
    trace: &Trace,
    from: Timestamp,
    to: Timestamp,
    of_spread: fn(&(f64, f64)) -> f64,
    pick: fn(f64, f64) -> f64,
) -> Option<f64> {
    let first = trace.points.partition_point(|(at, _)| *at < from);
    let spread = (trace.spread.len() == trace.points.len()).then_some(&trace.spread);
    let values = within(&trace.points, from, to).iter().enumerate().flat_map(|(number, (_, value))| {
        [Some(*value), spread.and_then(|spread| spread.get(first + number)).map(of_spread)]
    });
    values.flatten().filter(|value| value.is_finite()).reduce(pick)
}

/// The points of a stretch.
fn within(points: &[(Timestamp, f64)], from: Timestamp, to: Timestamp) -> &[(Timestamp, f64)] {
    let first = points.partition_point(|(at, _)| *at < from);
    let last = points.partition_point(|(at, _)| *at < to);
    &points[first..last.max(first)]
}

pub(super) fn table(chart: &Chart) -> Markup {
    /// An axis of a hundred years still has no more rows than this.
    const ROWS_MAX: usize = 400;
    let row = RowLength::of(chart);
    let columns: Vec<FigureColumn<'_>> =
        chart.panels.iter().flat_map(|panel| columns(panel, row, chart.to)).collect();
    let mut rows = Vec::new();
    let mut at = chart.from;
    while at < chart.to && rows.len() < ROWS_MAX {
        let (start, end) = row.around(at, &chart.zone);
        let (from, to) = (start.max(chart.from), end.min(chart.to));
        let figures: Vec<Option<String>> = columns.iter().map(|column| (column.figure)(from, to)).collect();
        if figures.iter().any(Option::is_some) {
            rows.push((row.name(start, &chart.zone), figures));
        }
        if end <= at {
            break;
        }
        at = end;
    }
    let mut events: Vec<(Timestamp, &str)> = chart
        .panels
        .iter()
        .flat_map(|panel| &panel.events)
        .filter(|event| chart.shows(event.at))
        .map(|event| (event.at, event.words.as_str()))
        .collect();
    events.sort_unstable();
    html! {
        details class="chart-table" {
            summary { "The same in figures" }
            @if rows.is_empty() {
                p { "There is no figure in this time." }
            } @else {
                div class="scrolls" role="region" tabindex="0" aria-label={ "Figures: " (chart.title) } {
                    table {
                        caption { (chart.title) ", of each " (row.each()) " on the garden's clock. Empty: not known." }
                        thead {
                            tr {
                                th scope="col" { (row.each()) }
                                @for column in &columns { th scope="col" data-apart=[column.apart.then_some("")] { (column.heading) } }
                            }
                        }
                        tbody {
                            @for (name, figures) in rows {
                                tr {
                                    th scope="row" { (name) }
                                    @for figure in figures { td { (figure.unwrap_or_default()) } }
                                }
                            }
                        }
                    }
                }
            }
            @if !events.is_empty() {
                p { "What happened:" }
                ul {
                    @for (at, words) in events {
                        li { (chart.when(at)) ": " (words) }
                    }
                }
            }
        }
    }
}

/// The figures that a pointer reads, as JSON: for each line and kind of bar its name,
/// unit and the value of each column of the axis, empty where there is none.
pub(super) fn figures(chart: &Chart) -> String {
    let step = step(chart);
    let mut lines = Vec::new();
    for (number, panel) in chart.panels.iter().enumerate() {
        let from_here = lines.len();
        for trace in &panel.traces {
            let mut line = line(chart, step, &trace.name, panel, &|at| nearest(trace, at, step));
            if trace.stroke == Stroke::Expected && !panel.fan.is_empty() {
                line["ranges"] = ranges(chart, step, panel).into();
            }
            if trace.stroke == Stroke::Bold && !panel.zones.is_empty() {
                let zones = panel.zones.iter().map(|zone| serde_json::json!([zone.to, zone.word]));
                line["zones"] = zones.collect();
            }
            lines.push(line);
        }
        for name in panel.bar_names() {
            let bars = panel.bars.iter().filter(|bar| bar.name == name).collect::<Vec<_>>();
            lines.push(line(chart, step, name, panel, &|at| {
                bars.iter().find(|bar| bar.from <= at && at < bar.to).map(|bar| bar.value)
            }));
        }
        for line in &mut lines[from_here..] {
            line["panel"] = number.into();
        }
    }
    let place = |at: Timestamp| (at.as_second() - chart.from.as_second()) / step.as_secs().max(1);
    let flagged = chart.panels.iter().flat_map(|panel| &panel.flagged).map(|it| (it.at, it.words.as_str()));
    let events = chart.panels.iter().flat_map(|panel| &panel.events).map(|it| (it.at, it.words.as_str()));
    let marks = |marks: &mut dyn Iterator<Item = (Timestamp, &str)>| -> Vec<serde_json::Value> {
        let shown = marks.filter(|(at, _)| chart.shows(*at)).take(MARKS_MAX);
        shown.map(|(at, words)| serde_json::json!([place(at), words])).collect()
    };
    serde_json::json!({
        "flags": marks(&mut { flagged }),
        "events": marks(&mut { events }),
        "from": chart.from.as_second(),
        "step": step.as_secs(),
        "zone": chart.zone.iana_name().unwrap_or("UTC"),
        "lines": lines,
    })
    .to_string()
}

/// The distance of the pointer's figures: a round time, so that they are told on the hour.
fn step(chart: &Chart) -> SignedDuration {
    let length = chart.to.duration_since(chart.from).as_secs().max(1);
    let least = length / COLUMNS as i64;
    let round = [1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720].map(|minutes| minutes * 60);
    let days = (least + 86_399) / 86_400 * 86_400;
    SignedDuration::from_secs(round.into_iter().find(|step| *step >= least).unwrap_or(days))
}

fn line(
    chart: &Chart,
    step: SignedDuration,
    name: &str,
    panel: &Panel,
    value: &dyn Fn(Timestamp) -> Option<f64>,
) -> serde_json::Value {
    let mut values = String::new();
    let mut at = chart.from;
    let mut left = COLUMNS + 1;
    while at < chart.to && left > 0 {
        if let Some(value) = value(at).filter(|value| value.is_finite()) {
            let _ = write!(values, "{value:.*}", panel.decimals);
        }
        values.push(',');
        left -= 1;
        let Ok(next) = at.checked_add(step) else { break };
        at = next;
    }
    let mut line =
        serde_json::json!({ "name": name, "unit": panel.unit, "values": values.trim_end_matches(',') });
    if let Some(unit) = panel.customary(chart.locale) {
        let offset = if panel.differences { 0.0 } else { unit.offset };
        line["beside"] = serde_json::json!([unit.factor, offset, unit.customary]);
    }
    line
}

/// The fan's outer ends at each column of the axis, empty where there are none.
fn ranges(chart: &Chart, step: SignedDuration, panel: &Panel) -> String {
    let mut ranges = String::new();
    let mut at = chart.from;
    let mut left = COLUMNS + 1;
    while at < chart.to && left > 0 {
        let nearest =
            panel.fan.iter().filter(|it| it.is_drawn()).min_by_key(|it| it.at.duration_since(at).abs());
        let spans = panel.fan.first().is_some_and(|first| at >= first.at);
        if let Some(it) = nearest.filter(|_| spans) {
            ranges.push_str(&between(it.outer.0, it.outer.1, panel.decimals));
        }
        ranges.push(',');
        left -= 1;
        let Ok(next) = at.checked_add(step) else { break };
        at = next;
    }
    ranges.trim_end_matches(',').to_owned()
}

/// The value at a moment: of the nearest point, where the moment lies between two that
/// are joined, or no further from one than half a column or half of the way to the
/// point that it is joined with on its other side.
fn nearest(trace: &Trace, at: Timestamp, step: SignedDuration) -> Option<f64> {
    let after = trace.points.partition_point(|(point, _)| *point < at);
    let point = |number: Option<usize>| number.and_then(|number| trace.points.get(number));
    let away = |one: Timestamp, other: Timestamp| one.duration_since(other).abs();
    let joined = |one: Option<&(Timestamp, f64)>, other: Option<&(Timestamp, f64)>| {
        let length = away(one?.0, other?.0);
        (length <= trace.gap).then_some(length)
    };
    let (left, right) = (point(after.checked_sub(1)), point(Some(after)));
    let beyond = [joined(point(after.checked_sub(2)), left), joined(right, point(Some(after + 1)))];
    let across = joined(left, right);
    [left, right]
        .into_iter()
        .zip(beyond)
        .filter_map(|(point, beyond)| {
            let (point, value) = point.filter(|(_, value)| value.is_finite())?;
            let reach = across.or(beyond.map(|length| length / 2)).unwrap_or_default().max(step / 2);
            let away = away(*point, at);
            (away <= reach).then_some((away, *value))
        })
        .min_by_key(|(away, _)| *away)
        .map(|(_, value)| value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(second).expect("in range")
    }

    fn trace() -> Trace {
        Trace {
            name: "root zone".to_owned(),
            label: "root zone".to_owned(),
            stroke: Stroke::Bold,
            points: vec![(at(0), 1.0), (at(3600), 2.0), (at(7200), 6.0), (at(40_000), 4.0)],
            spread: vec![(0.5, 1.5), (1.0, 2.5), (5.0, 9.0), (4.0, 4.0)],
            gap: SignedDuration::from_hours(2),
        }
    }

    /// Rain from 9 am on the 1st to 9 am on the 2nd is of the 2nd.
    #[test]
    fn a_bar_stands_in_the_row_of_its_end() {
        let day = |hour: i64| at(hour * 3600);
        let bar = |from, to, value| Bar {
            from: day(from),
            to: day(to),
            value,
            name: "rain".to_owned(),
            doubt: None,
        };
        let panel = Panel { bars: vec![bar(9, 33, 3.0), bar(24, 48, 5.0)], ..Panel::new("Rain", "mm", 1) };
        let figure = |from, to, chart_to| {
            (columns(&panel, RowLength::Day, day(chart_to))[0].figure)(day(from), day(to))
        };
        assert_eq!(figure(0, 24, 72), None);
        assert_eq!(figure(24, 48, 72).as_deref(), Some("8.0"));
        assert_eq!(figure(48, 72, 72), None);
        assert_eq!(figure(24, 30, 30).as_deref(), Some("8.0"), "the axis ends in both");
    }

    #[test]
    fn the_pointer_reads_nothing_in_a_gap() {
        let trace = trace();
        let read = |second| nearest(&trace, at(second), SignedDuration::from_secs(600));
        assert_eq!(read(0), Some(1.0));
        assert_eq!(read(1700), Some(1.0));
        assert_eq!(read(1900), Some(2.0));
        assert_eq!(read(8900), Some(6.0));
        assert_eq!(read(9100), None);
        assert_eq!(read(39_800), Some(4.0));
        assert_eq!(read(41_000), None);
    }

    #[test]
    fn mean_least_and_greatest_are_those_of_the_points_and_their_spread() {
        let trace = trace();
        assert_eq!(mean(&trace, at(0), at(7201)), Some(3.0));
        assert_eq!(extreme(&trace, at(0), at(7201), |both| both.0, f64::min), Some(0.5));
        assert_eq!(extreme(&trace, at(0), at(7201), |both| both.1, f64::max), Some(9.0));
        assert_eq!(extreme(&trace, at(7201), at(7300), |both| both.1, f64::max), None);
        assert_eq!(mean(&trace, at(7201), at(7300)), None);
    }
}
