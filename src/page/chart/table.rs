//! A chart's figures as a table, and in the short form that a pointer reads.

use std::fmt::Write as _;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use super::{Chart, Panel, Trace};
use crate::history::{Step, bin_of};

/// Places of the time axis of which the pointer knows the figures.
const COLUMNS: usize = 240;

/// How long a row of the table is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Row {
    Hour,
    Day,
    Month,
}

impl Row {
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
            Self::Hour => bin_of(at, Step::Hour, zone),
            Self::Day => bin_of(at, Step::Day, zone),
            Self::Month => {
                let date = zone.to_datetime(at).date();
                let midnight = |date: jiff::civil::Date| zone.to_timestamp(date.at(0, 0, 0, 0)).ok();
                let start = midnight(date.first_of_month()).unwrap_or(Timestamp::MIN);
                let end = date.last_of_month().tomorrow().ok().and_then(midnight).unwrap_or(Timestamp::MAX);
                (start, end)
            }
        }
    }

    fn name(self, at: Timestamp, zone: &TimeZone) -> String {
        let local = at.to_zoned_datetime(zone.clone());
        match self {
            Self::Hour => local.strftime("%a %-d %b, %-I:%M %P"),
            Self::Day => local.strftime("%a %-d %b %Y"),
            Self::Month => local.strftime("%B %Y"),
        }
        .to_string()
    }
}

/// What one panel shows in one column: its heading, and the figure of a stretch.
struct Column<'a> {
    heading: String,
    figure: Box<dyn Fn(Timestamp, Timestamp) -> Option<String> + 'a>,
}

fn columns(panel: &Panel) -> Vec<Column<'_>> {
    let unit = if panel.unit.is_empty() { String::new() } else { format!(" ({})", panel.unit) };
    let decimals = panel.decimals;
    let mut columns: Vec<Column<'_>> = Vec::new();
    for trace in &panel.traces {
        columns.push(Column {
            heading: format!("{}{unit}, mean", trace.name),
            figure: Box::new(move |from, to| {
                let inside = within(&trace.points, from, to);
                let values: Vec<f64> =
                    inside.iter().map(|(_, value)| *value).filter(|value| value.is_finite()).collect();
                (!values.is_empty())
                    .then(|| format!("{:.decimals$}", values.iter().sum::<f64>() / values.len() as f64))
            }),
        });
    }
    let mut names: Vec<&str> = panel.bars.iter().map(|bar| bar.name.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    for name in names {
        columns.push(Column {
            heading: format!("{name}{unit}, total"),
            figure: Box::new(move |from, to| {
                let bars =
                    panel.bars.iter().filter(|bar| bar.name == name && bar.from >= from && bar.from < to);
                let values: Vec<f64> = bars.map(|bar| bar.value).filter(|value| value.is_finite()).collect();
                (!values.is_empty()).then(|| format!("{:.decimals$}", values.iter().sum::<f64>()))
            }),
        });
    }
    if !panel.flagged.is_empty() {
        columns.push(Column {
            heading: format!("{}: marked readings", panel.name),
            figure: Box::new(|from, to| {
                let count = panel.flagged.iter().filter(|it| it.at >= from && it.at < to).count();
                (count > 0).then(|| count.to_string())
            }),
        });
    }
    columns
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
    let row = Row::of(chart);
    let columns: Vec<Column<'_>> = chart.panels.iter().flat_map(columns).collect();
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
        .filter(|event| event.at >= chart.from && event.at < chart.to)
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
                                @for column in &columns { th scope="col" { (column.heading) } }
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
                        li { (Row::Hour.name(at, &chart.zone)) ": " (words) }
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
    for panel in &chart.panels {
        for trace in &panel.traces {
            lines.push(line(chart, step, &trace.name, panel, &|at| nearest(trace, at, step)));
        }
        let mut names: Vec<&str> = panel.bars.iter().map(|bar| bar.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        for name in names {
            let bars = panel.bars.iter().filter(|bar| bar.name == name).collect::<Vec<_>>();
            lines.push(line(chart, step, name, panel, &|at| {
                bars.iter().find(|bar| bar.from <= at && at < bar.to).map(|bar| bar.value)
            }));
        }
    }
    serde_json::json!({
        "from": chart.from.as_second(),
        "step": step.as_secs(),
        "zone": chart.zone.iana_name().unwrap_or("UTC"),
        "lines": lines,
    })
    .to_string()
}

fn step(chart: &Chart) -> SignedDuration {
    let length = chart.to.duration_since(chart.from).as_secs().max(1);
    SignedDuration::from_secs((length / COLUMNS as i64).max(60))
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
    serde_json::json!({ "name": name, "unit": panel.unit, "values": values.trim_end_matches(',') })
}

/// The value at a moment: of the nearest point that is no further than half a column
/// or half a gap.
fn nearest(trace: &Trace, at: Timestamp, step: SignedDuration) -> Option<f64> {
    let after = trace.points.partition_point(|(point, _)| *point < at);
    let candidates = [after.checked_sub(1), Some(after)];
    let reach = (step / 2).max(trace.gap / 2);
    candidates
        .into_iter()
        .flatten()
        .filter_map(|i| trace.points.get(i))
        .filter(|(_, value)| value.is_finite())
        .map(|(point, value)| (point.duration_since(at).abs(), *value))
        .filter(|(away, _)| *away <= reach)
        .min_by_key(|(away, _)| *away)
        .map(|(_, value)| value)
}
