//! A tank's water over time, as a chart's values.

use jiff::{SignedDuration, Timestamp};

use super::series::{SensorSeries, middle};
use super::span::{ShownSpan, SpanLength};
use crate::chart::{Bar, Chart, Event, Panel, PanelChoice, Rule, Stroke, Trace, Zone};
use crate::garden::log::{LogEvent, WaterTest};
use crate::garden::plan::{Sensor, Tank};
use crate::history::{Bin, Point};
use crate::model::Quantity;
use crate::store::LogRow;
use crate::tank::{RiseFall, TemperatureRecord, WINDOWS, Window};
use crate::text::labels;

/// Lines that say how fast the water changes have a point this often, seconds.
const CHANGE_EVERY_S: i64 = 900;

/// The panels' names in an address.
const WARMTH: &str = "warmth";
const HOUR: &str = "hour";
const DAY: &str = "day";
const OXYGEN: &str = "oxygen";
const PH: &str = "ph";
const POWER: &str = "power";
const LEVEL: &str = "level";
const TESTS: &str = "tests";
pub(super) const PANELS: [&str; 8] = [WARMTH, HOUR, DAY, OXYGEN, PH, POWER, LEVEL, TESTS];

/// What a tank's chart is made of.
#[derive(Debug)]
pub(super) struct TankRecord<'a> {
    pub(super) plan: &'a Tank,
    pub(super) sensors: Vec<(&'a Sensor, SensorSeries)>,
    /// How far the water went within an hour and within a day, with its sensor.
    pub(super) changes: Vec<(&'a Sensor, Changes)>,
    /// The log of the tank, in order of time.
    pub(super) log: Vec<&'a LogRow>,
    pub(super) marks: Vec<Event>,
    pub(super) alarms: Vec<Event>,
}

/// The largest change within the hour and the day before each moment, °C.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Changes {
    pub(super) hour: Vec<(Timestamp, f64)>,
    pub(super) day: Vec<(Timestamp, f64)>,
}

impl Changes {
    /// From readings in order of time that begin a day before `from`.
    pub(super) fn of(readings: impl Iterator<Item = (Timestamp, f64)>, from: Timestamp) -> Self {
        let place = |window: Window| WINDOWS.iter().position(|it| *it == window);
        let (Some(hour), Some(day)) = (place(Window::Hour), place(Window::Day)) else {
            return Self::default();
        };
        let mut found = Self::default();
        let mut series = TemperatureRecord::default();
        let mut last: Option<Timestamp> = None;
        for (at, celsius) in readings {
            if series.newest().is_some_and(|(newest, _)| newest >= at) {
                continue;
            }
            series.push(at, celsius);
            let due = last.is_none_or(|last| at.as_second() - last.as_second() >= CHANGE_EVERY_S);
            if at < from || !due {
                continue;
            }
            last = Some(at);
            let moves = series.moves(&[]);
            let larger = |i: usize| moves[i].map(|moves| moves.larger().by_c);
            found.hour.extend(larger(hour).map(|by_c| (at, by_c)));
            found.day.extend(larger(day).map(|by_c| (at, by_c)));
        }
        found
    }

    /// From single readings.
    pub(super) fn of_points(points: &[Point], from: Timestamp) -> Self {
        Self::of(points.iter().filter_map(|point| Some((point.at, point.good()?))), from)
    }

    /// From the means of hours.
    pub(super) fn of_hours(bins: &[Bin], from: Timestamp) -> Self {
        Self::of(bins.iter().filter_map(|bin| Some((middle(bin.start, bin.end), bin.mean()?))), from)
    }
}

impl TankRecord<'_> {
    /// The sensors of a quantity.
    pub(super) fn of(&self, quantity: Quantity) -> impl Iterator<Item = &(&Sensor, SensorSeries)> {
        self.sensors.iter().filter(move |(sensor, _)| sensor.measures == quantity)
    }

    /// What tests of the water gave in the span.
    pub(super) fn tests(
        &self,
        shown: &ShownSpan,
        pick: impl Fn(&WaterTest) -> Option<f64>,
    ) -> Vec<(Timestamp, f64)> {
        let of_span = self.log.iter().filter(|row| shown.holds(row.entry.at));
        let tested = of_span.filter_map(|row| match &row.entry.what {
            LogEvent::WaterTest(test) => Some((row.entry.at, pick(test)?)),
            _ => None,
        });
        tested.filter(|(_, value)| value.is_finite()).collect()
    }

    /// Whether a quantity was measured in the span, by a sensor or by hand.
    pub(super) fn is_known(
        &self,
        quantity: Quantity,
        shown: &ShownSpan,
        pick: impl Fn(&WaterTest) -> Option<f64>,
    ) -> bool {
        self.of(quantity).any(|(_, series)| !series.is_empty()) || !self.tests(shown, pick).is_empty()
    }

    /// The chart; `None` where nothing is there to draw.
    pub(super) fn chart(&self, shown: &ShownSpan, choice: PanelChoice) -> Option<Chart> {
        let limits = &self.plan.limits;
        let mut panels = Vec::new();
        let mut warmth = self
            .panel(shown, Quantity::WaterTemperature, "Temperature of the water", |test| test.temperature_c);
        warmth.key = WARMTH;
        warmth.zones = Zone::between(
            &[limits.cold_c, limits.warm_c],
            &[("too cold", "zone-wet"), ("suits the fish", "zone-fine"), ("too warm", "zone-near")],
        );
        warmth.rules = vec![
            Rule { at: limits.cold_c, label: format!("cold below {}", labels::degrees(limits.cold_c)) },
            Rule { at: limits.warm_c, label: format!("warm above {}", labels::degrees(limits.warm_c)) },
        ];
        warmth.events = self.alarms.iter().chain(&self.marks).cloned().collect();
        panels.push(warmth);
        panels.extend(self.change_panels(shown));
        let mut oxygen =
            self.panel(shown, Quantity::DissolvedOxygen, "Oxygen in the water", |test| test.oxygen_mg_l);
        oxygen.key = OXYGEN;
        oxygen.at_least = Some((0.0, limits.oxygen_mg_l + 2.0));
        let zones = [("too little", "zone-far"), ("enough", "zone-fine")];
        oxygen.zones = Zone::between(&[limits.oxygen_mg_l], &zones);
        panels.push(oxygen);
        let (low, high) = limits.ph;
        let mut ph = self.panel(shown, Quantity::Ph, "pH of the water", |test| test.ph);
        ph.key = PH;
        ph.at_least = Some((low - 0.3, high + 0.3));
        ph.zones = Zone::between(
            &[low, high],
            &[("too low", "zone-far"), ("suits the fish", "zone-fine"), ("too high", "zone-near")],
        );
        panels.push(ph);
        panels.push(Panel { key: POWER, ..self.panel(shown, Quantity::Power, "Power drawn", |_| None) });
        panels.push(Panel {
            key: LEVEL,
            ..self.panel(shown, Quantity::WaterLevel, "Level of the water", |_| None)
        });
        panels.push(self.tests_panel(shown));
        // The first panel, which alone has events, stays for them.
        panels.retain(|panel| !panel.has_no_figures() || !panel.events.is_empty());
        (!panels.is_empty()).then(|| Chart {
            id: "tank-chart".to_owned(),
            title: format!("Water of {}", self.plan.name),
            description: self.description(shown),
            from: shown.from,
            to: shown.to,
            now: Some(shown.now),
            zone: shown.zone.clone(),
            locale: shown.locale,
            panels,
            choice: Some(choice),
        })
    }

    fn description(&self, shown: &ShownSpan) -> String {
        let bins = || self.of(Quantity::WaterTemperature).flat_map(|(_, series)| &series.bins);
        let ranges = || bins().filter_map(Bin::range);
        let low = ranges().map(|range| range.0).reduce(f64::min);
        let high = ranges().map(|range| range.1).reduce(f64::max);
        let wanted = format!(
            "{} to {} suits {}; danger begins below {} and above {}.",
            labels::degrees(self.plan.limits.thrives_c.0),
            labels::degrees(self.plan.limits.thrives_c.1),
            self.plan.fish_name(),
            labels::degrees(self.plan.limits.cold_c),
            labels::degrees(self.plan.limits.warm_c)
        );
        match low.zip(high) {
            Some((low, high)) => format!(
                "The water was between {} and {}. {wanted}",
                labels::degrees(low),
                labels::degrees(high)
            ),
            None => format!("What the water was is not known for {}. {wanted}", shown.words()),
        }
    }

    /// A quantity by its sensors and by tests of the water.
    fn panel(
        &self,
        shown: &ShownSpan,
        quantity: Quantity,
        name: &str,
        pick: impl Fn(&WaterTest) -> Option<f64>,
    ) -> Panel {
        const STROKES: [Stroke; 3] = [Stroke::Bold, Stroke::Dashed, Stroke::Fine];
        let several = self.of(quantity).count() > 1;
        let called = |sensor: &Sensor| {
            if several { format!("{name}, {}", sensor.id) } else { format!("{name}, by its sensor") }
        };
        let label = |sensor: &Sensor| if several { sensor.id.to_string() } else { "sensor".to_owned() };
        let mut traces: Vec<Trace> = self
            .of(quantity)
            .zip(STROKES.into_iter().cycle())
            .filter_map(|((sensor, series), stroke)| {
                Some(series.trace(called(sensor), stroke, 1.0)?.labelled(label(sensor)))
            })
            .collect();
        let by_hand = tested(&format!("{name}, tested by hand"), self.tests(shown, pick));
        traces.extend(by_hand.map(|it| it.labelled("by hand")));
        let flagged = self.of(quantity).flat_map(|(sensor, series)| series.flagged(sensor.id.as_str(), 1.0));
        let (unit, decimals) = if quantity == Quantity::Ph { ("", 2) } else { (quantity.unit(), 1) };
        Panel { traces, flagged: flagged.collect(), ..Panel::new(name, unit, decimals) }
    }

    /// How fast the temperature changed: the swing of each day of a year, else the
    /// largest change within the hour and within the day before, up or down.
    fn change_panels(&self, shown: &ShownSpan) -> Vec<Panel> {
        let panel =
            |name: &str| Panel {
                differences: true, at_least: Some((0.0, 2.0)), ..Panel::new(name, "°C", 1)
            };
        if shown.length == SpanLength::Year {
            let name = "Between the coldest and the warmest of a day";
            let thermometer = self.of(Quantity::WaterTemperature).next();
            let bars = thermometer.into_iter().flat_map(|(_, series)| &series.bins).filter_map(|bin| {
                let (min, max) = bin.range()?;
                Some(Bar {
                    from: bin.start,
                    to: bin.end,
                    value: max - min,
                    name: name.to_owned(),
                    doubt: None,
                })
            });
            let bars_read = thermometer.map(|(_, series)| series.read_time());
            return vec![Panel { key: DAY, bars: bars.collect(), bars_read, ..panel(name) }];
        }
        let Some((_, changes)) = self.changes.first() else { return Vec::new() };
        let by = if shown.length == SpanLength::Day { "" } else { ", by hourly means" };
        let windows = [(Window::Hour, "hour", &changes.hour), (Window::Day, "day", &changes.day)];
        let of_window = |(window, word, points): (Window, &str, &Vec<(Timestamp, f64)>)| {
            let mut panel = panel(&format!("Largest change within the {word} before{by}"));
            panel.key = if window == Window::Hour { HOUR } else { DAY };
            panel.rules = self.plan.limits.within(window).map(limits).unwrap_or_default();
            if !points.is_empty() {
                let points = points.iter().map(|(at, by_c)| (*at, by_c.abs())).collect();
                let gap = SignedDuration::from_hours(3);
                panel.traces.push(Trace::new(&panel.name, Stroke::Bold, points, gap));
            }
            panel
        };
        windows.into_iter().map(of_window).collect()
    }

    /// Ammonia, nitrite and nitrate, which only tests by hand give.
    fn tests_panel(&self, shown: &ShownSpan) -> Panel {
        let limit_mg_l = self.plan.limits.total_ammonia_mg_l;
        let ammonia = self.tests(shown, |test| test.ammonia_mg_l);
        let nitrite = self.tests(shown, |test| test.nitrite_n_mg_l());
        let rules = (limit_mg_l.is_finite() && !ammonia.is_empty())
            .then(|| Rule { at: limit_mg_l, label: format!("ammonia: most {limit_mg_l:.2} mg/L") });
        Panel {
            key: TESTS,
            at_least: Some((0.0, 1.0)),
            rules: rules.into_iter().collect(),
            traces: tested("Ammonia in all", ammonia)
                .into_iter()
                .map(|it| it.labelled("ammonia"))
                .chain(tested("Nitrite", nitrite).map(|it| Trace { stroke: Stroke::Dashed, ..it }))
                .collect(),
            ..Panel::new("Ammonia and nitrite as nitrogen, tested by hand", "mg/L", 2)
        }
    }
}

/// The limits of a window; one where up and down are alike.
fn limits(limit: RiseFall) -> Vec<Rule> {
    let rule = |at: f64, way: &str| Rule { at, label: format!("most: {}{way}", labels::degrees(at)) };
    let rules = if (limit.rise_c - limit.fall_c).abs() < 0.05 {
        vec![rule(limit.rise_c, "")]
    } else {
        vec![rule(limit.fall_c, " down"), rule(limit.rise_c, " up")]
    };
    rules.into_iter().filter(|rule| rule.at.is_finite()).collect()
}

/// Single results: nothing is known between them.
fn tested(name: &str, points: Vec<(Timestamp, f64)>) -> Option<Trace> {
    (!points.is_empty()).then(|| Trace::new(name, Stroke::Dotted, points, SignedDuration::ZERO))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: 20 °C for a day, then 0.5 °C up each quarter of an hour, for two
    /// hours.
    #[test]
    fn changes_are_the_largest_within_the_hour_and_the_day_before() {
        let start = 1_776_000_000;
        let at = |quarter: i64| Timestamp::from_second(start + 900 * quarter).expect("in range");
        let readings = (0..105).map(|i| (at(i), 20.0 + 0.5 * (i - 96).max(0) as f64));
        let changes = Changes::of(readings, at(96));
        assert_eq!(changes.hour.len(), 9);
        assert_eq!(changes.hour[0], (at(96), 0.0));
        assert_eq!(changes.hour[8], (at(104), 2.0));
        assert_eq!(changes.day[8], (at(104), 4.0));
        let backwards = Changes::of([(at(3), 1.0), (at(1), 9.0)].into_iter(), at(0));
        assert!(backwards.hour.is_empty());
    }
}
