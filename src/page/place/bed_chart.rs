//! A bed's water over time, as a chart's values.

use jiff::{SignedDuration, Timestamp};

use super::series::{SensorSeries, gap, middle, seconds};
use super::span::{ShownSpan, SpanLength};
use crate::analysis::month::{Rise, WaterSource};
use crate::chart::{
    Bar, Chart, Event, FanPoint, Panel, PanelChoice, ReadingTimes, Rule, Sign, Stroke, Trace, Zone,
};
use crate::garden::patience_s;
use crate::garden::plan::{Bed, Sensor};
use crate::garden::view::BedView;
use crate::history::{ProbeBins, RootZoneBin, root_zone_bins};
use crate::outlook::Ahead;
use crate::text::labels;

/// Water contents are shown in percent of the soil's volume.
const PERCENT: f64 = 100.0;
/// The panels' names in an address.
const WATER: &str = "water";
const RAIN: &str = "rain";
const PROBES: &str = "probes";
const SOIL: &str = "soil-warmth";
pub(super) const PANELS: [&str; 4] = [WATER, RAIN, PROBES, SOIL];

/// What a bed's chart is made of.
#[derive(Debug)]
pub(super) struct BedRecord<'a> {
    pub(super) plan: &'a Bed,
    pub(super) view: &'a BedView,
    /// Moisture probes, from the top down.
    pub(super) probes: Vec<(&'a Sensor, SensorSeries)>,
    pub(super) soil_temperatures: Vec<(&'a Sensor, SensorSeries)>,
    /// Rain and waterings, mm.
    pub(super) water: Vec<Bar>,
    /// When the rain gauges sent readings; `None` where there is no gauge.
    pub(super) rain_read: Option<ReadingTimes>,
    pub(super) rises: &'a [Rise],
    pub(super) marks: Vec<Event>,
    pub(super) alarms: Vec<Event>,
}

impl BedRecord<'_> {
    /// The root zone's mean by the weights by which the daemon judges the bed.
    pub(super) fn root_zone(&self) -> Vec<RootZoneBin> {
        let probes: Vec<ProbeBins<'_>> = self
            .probes
            .iter()
            .map(|(sensor, series)| ProbeBins {
                depth_m: sensor.depth_m.unwrap_or(0.0),
                patience_s: patience_s(sensor.every_s),
                bins: &series.bins,
            })
            .collect();
        root_zone_bins(&probes, self.view.root_depth_m)
    }

    /// The chart; `None` where nothing is there to draw.
    pub(super) fn chart(&self, shown: &ShownSpan, choice: PanelChoice) -> Option<Chart> {
        let zone = self.root_zone();
        let mut panels = Vec::new();
        if !self.probes.is_empty() {
            panels.push(self.water_panel(&zone, shown));
        }
        if !self.water.is_empty() || !self.rises.is_empty() || self.rain_read.is_some() {
            panels.push(self.rain_panel());
        }
        if self.probes.iter().any(|(_, series)| !series.is_empty()) {
            panels.push(self.probes_panel());
        }
        if self.soil_temperatures.iter().any(|(_, series)| !series.is_empty()) {
            panels.push(self.temperature_panel());
        }
        let drawn = panels.iter().any(|it| !it.has_no_figures() || !it.events.is_empty());
        drawn.then(|| Chart {
            id: "bed-chart".to_owned(),
            title: format!("Water in {}", self.plan.name),
            description: self.description(&zone),
            from: shown.from,
            to: shown_to(shown),
            now: Some(shown.now),
            zone: shown.zone.clone(),
            locale: shown.locale,
            panels,
            choice: Some(choice),
        })
    }

    fn description(&self, zone: &[RootZoneBin]) -> String {
        let [wilting, refill, full] =
            [self.view.wilting_point, self.view.refill_point, self.view.field_capacity].map(labels::percent);
        let contents = || zone.iter().map(|bin| bin.water_content);
        let range = match (contents().reduce(f64::min), contents().reduce(f64::max), zone.last()) {
            (Some(low), Some(high), Some(last)) => format!(
                "The root zone held between {} and {} of its volume, at last {}. ",
                labels::percent(low),
                labels::percent(high),
                labels::percent(last.water_content)
            ),
            _ => "What the root zone held is not known in this time. ".to_owned(),
        };
        format!("{range}Wilting point {wilting}, refill point {refill}, field capacity {full}.")
    }

    fn water_panel(&self, zone: &[RootZoneBin], shown: &ShownSpan) -> Panel {
        let [wilting, refill, full] =
            [self.view.wilting_point, self.view.refill_point, self.view.field_capacity]
                .map(|it| it * PERCENT);
        let ascending = wilting < refill && refill < full;
        let mut traces = self.zone_traces(zone);
        traces.extend(self.expected(shown));
        Panel {
            at_least: (full.is_finite() && wilting.is_finite())
                .then(|| ((wilting - 2.0).max(0.0), full + 2.0)),
            zones: if ascending {
                let words = [
                    ("wilting", "zone-far"),
                    ("dry", "zone-near"),
                    ("moist", "zone-fine"),
                    ("wet", "zone-wet"),
                ];
                Zone::between(&[wilting, refill, full], &words)
            } else {
                Vec::new()
            },
            rules: [("wilting point", wilting), ("refill point", refill), ("field capacity", full)]
                .into_iter()
                .filter(|(_, at)| at.is_finite())
                .map(|(name, at)| Rule { at, label: format!("{name} {}", labels::percent(at / PERCENT)) })
                .collect(),
            traces,
            fan: self.fan(shown),
            events: self.alarms.clone(),
            key: WATER,
            ..Panel::new("Water in the root zone", "% of volume", 1)
        }
    }

    /// The mean of all probes, and what is left of it while one is missing.
    fn zone_traces(&self, zone: &[RootZoneBin]) -> Vec<Trace> {
        let patience_s = self.probes.iter().map(|(it, _)| patience_s(it.every_s)).max().unwrap_or(0);
        let gap = gap(zone.iter().map(|bin| seconds(bin.start, bin.end)), patience_s);
        let trace = |name: &str, stroke, whole: bool| {
            let of = zone.iter().filter(|bin| bin.whole == whole);
            let points: Vec<_> =
                of.map(|bin| (middle(bin.start, bin.end), bin.water_content * PERCENT)).collect();
            (!points.is_empty()).then(|| Trace::new(name, stroke, points, gap))
        };
        let whole = trace("All probes together", Stroke::Bold, true).map(|it| it.labelled("all probes"));
        let part = trace("With a probe missing", Stroke::Dotted, false).map(|it| it.labelled("one missing"));
        whole.into_iter().chain(part).collect()
    }

    /// What is expected within the time shown.
    fn fan(&self, shown: &ShownSpan) -> Vec<FanPoint> {
        let percent = |low: f64, high: f64| (low * PERCENT, high * PERCENT);
        let point = |(at, it): &(Timestamp, Ahead)| FanPoint {
            at: *at,
            inner: percent(it.inner_low, it.inner_high),
            outer: percent(it.low, it.high),
        };
        self.expected_in(shown).iter().map(point).collect()
    }

    fn expected(&self, shown: &ShownSpan) -> Option<Trace> {
        let points: Vec<_> =
            self.expected_in(shown).iter().map(|(at, it)| (*at, it.theta * PERCENT)).collect();
        let line =
            |points| Trace::new("Expected, if no water comes", Stroke::Expected, points, SignedDuration::MAX);
        (!points.is_empty()).then(|| line(points))
    }

    /// What is expected of the moments to come that are shown, where there are at least two.
    fn expected_in(&self, shown: &ShownSpan) -> &[(Timestamp, Ahead)] {
        let to = shown_to(shown);
        let all = &self.view.expected;
        if !shown.holds_now() || all.iter().any(|(_, it)| !it.theta.is_finite()) {
            return &[];
        }
        let shown = &all[..all.partition_point(|(at, _)| *at <= to)];
        if shown.len() > 1 { shown } else { &[] }
    }

    fn rain_panel(&self) -> Panel {
        let rise = |rise: &Rise| Event {
            at: rise.onset,
            sign: if rise.cause == WaterSource::Rain { Sign::Rain } else { Sign::Water },
            words: format!("grew wetter by {}: {}", labels::percent(rise.rise), cause(rise)),
        };
        Panel {
            at_least: Some((0.0, 2.0)),
            key: RAIN,
            bars: self.water.clone(),
            bars_read: self.rain_read.clone(),
            events: self.rises.iter().map(rise).chain(self.marks.iter().cloned()).collect(),
            ..Panel::new("Water that came", "mm", 1)
        }
    }

    fn probes_panel(&self) -> Panel {
        const STROKES: [Stroke; 3] = [Stroke::Fine, Stroke::Dashed, Stroke::Dotted];
        let named = || self.probes.iter().map(|(sensor, series)| (probe_name(sensor), series));
        let several = self.probes.len() > 1;
        Panel {
            traces: named()
                .zip(STROKES.into_iter().cycle())
                .filter_map(|((name, series), stroke)| {
                    let label = name.trim_end_matches(" deep").to_owned();
                    // Several spreads over each other cannot be told apart.
                    let line = series.trace(name, stroke, PERCENT)?.labelled(label);
                    Some(if several { Trace { spread: Vec::new(), ..line } } else { line })
                })
                .collect(),
            key: PROBES,
            flagged: named().flat_map(|(name, series)| series.flagged(&name, PERCENT)).collect(),
            ..Panel::new("Each probe", "% of volume", 1)
        }
    }

    fn temperature_panel(&self) -> Panel {
        let named = || self.soil_temperatures.iter().map(|(sensor, series)| (probe_name(sensor), series));
        Panel {
            traces: named()
                .filter_map(|(name, series)| series.trace(format!("Soil, {name}"), Stroke::Fine, 1.0))
                .collect(),
            flagged: named().flat_map(|(name, series)| series.flagged(&name, 1.0)).collect(),
            key: SOIL,
            ..Panel::new("Temperature of the soil", "°C", 1)
        }
    }
}

/// "15 cm deep", or the sensor's id where its depth is not known.
pub(super) fn probe_name(sensor: &Sensor) -> String {
    sensor.depth_m.map_or_else(|| sensor.id.to_string(), |depth_m| format!("{:.0} cm deep", depth_m * 100.0))
}

/// What made a bed wetter, in words.
pub(super) fn cause(rise: &Rise) -> &'static str {
    match (rise.cause, rise.inferred) {
        (WaterSource::Rain, _) => "rain",
        (WaterSource::Watering, false) => "watering",
        (WaterSource::Watering, true) => "watering, most likely",
        (WaterSource::Both, false) => "rain and watering",
        (WaterSource::Both, true) => "rain, and watering most likely",
        (WaterSource::Unknown, _) => "cause not known",
    }
}

/// A week and a month leave room for what is expected.
fn shown_to(shown: &ShownSpan) -> Timestamp {
    let ahead = match shown.length {
        SpanLength::Week => 48,
        SpanLength::Month => 7 * 24,
        SpanLength::Day | SpanLength::Year => 0,
    };
    if shown.holds_now() {
        shown.to.checked_add(SignedDuration::from_hours(ahead)).unwrap_or(shown.to)
    } else {
        shown.to
    }
}
