//! What is known of one sensor, and of one gateway.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::calibration::Calibrator;
use crate::garden::plan::Garden;
use crate::garden::sensor::clock_watch::ClockWatch;
use crate::garden::sensor::extremes::HourlyExtremes;
use crate::garden::sensor::fault_watch::FaultWatch;
use crate::model::{KeptTime, Quantity};
use crate::quality::{Flag, Stillness, Watch};
use crate::rain::Gauge;
use crate::tank::{AirLikeness, Hourly, Immersed, Immersion, Outside, TemperatureRecord};
use crate::watering::{FlowWatch, WettingWatch};

/// What is kept of a sensor's readings beyond the last one, by its quantity.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub(crate) enum SensorHistory {
    Soil(Box<WettingWatch>),
    Water(Box<Thermometer>),
    Ph(Box<Hourly>),
    Rain(Box<Gauge>),
    Flow(Box<FlowWatch>),
    /// Of soil and air, whose last hours tell whether a wetting can be thaw or rain.
    Extremes(Box<HourlyExtremes>),
    None,
}

impl SensorHistory {
    /// A reading was no good: water that was not counted must not look like none.
    pub(crate) fn miss(&mut self, at: Timestamp, zone: &TimeZone) {
        match self {
            Self::Rain(gauge) => gauge.miss(at, zone),
            Self::Flow(flow) => flow.miss(at),
            Self::Soil(_) | Self::Water(_) | Self::Ph(_) | Self::Extremes(_) | Self::None => {}
        }
    }

    /// Whether it is kept for the same quantity, and can be.
    pub(crate) fn is_like(&self, other: &Self) -> bool {
        std::mem::discriminant(self) == std::mem::discriminant(other)
            && self.soil().is_none_or(WettingWatch::is_sound)
    }

    /// The reading of a moment has been shown to be a spike.
    pub(crate) fn take_back(&mut self, at: Timestamp) {
        match self {
            Self::Soil(watch) => watch.take_back(at),
            Self::Water(thermometer) => {
                thermometer.kept.take_back(at);
                thermometer.immersion.take_back(at);
            }
            // An hour's mean bears one false reading; false extremes only leave a cause unknown.
            Self::Rain(_) | Self::Ph(_) | Self::Flow(_) | Self::Extremes(_) | Self::None => {}
        }
    }

    /// Of a soil-moisture probe.
    pub(crate) fn soil(&self) -> Option<&WettingWatch> {
        if let Self::Soil(watch) = self { Some(watch) } else { None }
    }

    /// Of a rain gauge.
    pub(crate) fn rain(&self) -> Option<&Gauge> {
        if let Self::Rain(gauge) = self { Some(gauge) } else { None }
    }

    /// Of a thermometer of soil or air, or of a hygrometer.
    pub(crate) fn extremes(&self) -> Option<&HourlyExtremes> {
        if let Self::Extremes(extremes) = self { Some(extremes) } else { None }
    }

    /// Of a water meter.
    pub(crate) fn flow(&self) -> Option<&FlowWatch> {
        if let Self::Flow(flow) = self { Some(flow) } else { None }
    }

    /// Of a tank's thermometer.
    pub(crate) fn water(&self) -> Option<&Thermometer> {
        if let Self::Water(thermometer) = self { Some(thermometer) } else { None }
    }

    /// Of a pH sensor.
    pub(crate) fn ph(&self) -> Option<&Hourly> {
        if let Self::Ph(hours) = self { Some(hours) } else { None }
    }
}

/// A tank's thermometer: its last day, and whether it is in the water.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Thermometer {
    pub(crate) kept: TemperatureRecord,
    pub(crate) immersion: Immersion,
    pub(crate) air: AirLikeness,
    /// The last break in its good readings.
    pub(crate) pause: Option<ReadingPause>,
    /// A break after which it may be another one, and when people were asked.
    pub(crate) changed: Option<(ReadingPause, Timestamp)>,
}

/// A break in a thermometer's good readings: the last one before and the first after it.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct ReadingPause {
    pub(crate) from: Timestamp,
    pub(crate) before_c: f64,
    pub(crate) to: Timestamp,
    pub(crate) after_c: f64,
}

impl Thermometer {
    /// Takes a good reading; one that comes more than `gap_s` seconds after the last is
    /// the end of a break.
    pub(crate) fn push(&mut self, at: Timestamp, value_c: f64, gap_s: f64) {
        if let Some((from, before_c)) = self.kept.newest()
            && (at.as_second() - from.as_second()) as f64 > gap_s
        {
            self.pause = Some(ReadingPause { from, before_c, to: at, after_c: value_c });
        }
        self.kept.push(at, value_c);
    }

    /// Where it is.
    pub(crate) fn place(&self) -> Immersed {
        match (self.immersion.now(), self.air.now()) {
            (Immersed::In, Some((since, _))) => {
                Immersed::Out { why: Outside::SwingsLikeAir, since, before_c: f64::NAN }
            }
            (place, _) => place,
        }
    }
}

/// A sensor's last reading.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LastReading {
    pub(crate) at: Timestamp,
    pub(crate) raw: f64,
    pub(crate) value: Option<f64>,
    pub(crate) flag: Flag,
}

/// The same as it is kept.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct KeptReading {
    at: KeptTime,
    raw: f64,
    /// NaN: none.
    value: f64,
    flag: Flag,
}

impl From<LastReading> for KeptReading {
    fn from(it: LastReading) -> Self {
        Self { at: it.at.into(), raw: it.raw, value: it.value.unwrap_or(f64::NAN), flag: it.flag }
    }
}

impl From<KeptReading> for LastReading {
    fn from(it: KeptReading) -> Self {
        let value = (!it.value.is_nan()).then_some(it.value);
        Self { at: it.at.at(), raw: it.raw, value, flag: it.flag }
    }
}

/// The times that readings without a time of their own get: that of their arrival, and one
/// millisecond after the other where more than one arrives at a time.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct ArrivalStamp {
    /// The arrival of the last one, where it arrived since the start, and its time.
    last: Option<(Option<KeptTime>, KeptTime)>,
}

impl ArrivalStamp {
    /// A burst may run so far ahead of the clock: less than what counts as a clock that was
    /// set back.
    const AHEAD_MS: i64 = 240_000;
    /// What a clock may be set back by without being taken for set.
    const BACK_MS: i64 = 1000;

    /// The time of a reading that arrives at `arrival` after a reading with the time `newest`.
    pub(crate) fn next(&mut self, arrival: Timestamp, newest: Option<Timestamp>) -> Timestamp {
        let ahead = |time: Timestamp, most: i64| {
            (0..=most).contains(&(time.as_millisecond() - arrival.as_millisecond()))
        };
        let stamped = self.last.filter(|&(before, at)| {
            // After a clock was set back its new times count.
            let back = before.map_or(0, |before| before.at().as_millisecond() - arrival.as_millisecond());
            back <= Self::BACK_MS && ahead(at.at(), Self::AHEAD_MS)
        });
        let taken = stamped.map(|(_, at)| at.at()).max(newest.filter(|newest| ahead(*newest, Self::BACK_MS)));
        let at = taken
            .map_or(arrival, |taken| taken.saturating_add(SignedDuration::from_millis(1)).unwrap_or(arrival));
        self.last = Some((Some(arrival.into()), at.into()));
        at
    }

    /// Notes a stored reading that got its time so.
    pub(crate) fn restore(&mut self, at: Timestamp) {
        self.last = self.last.max(Some((None, at.into())));
    }
}

/// One sensor's state.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct SensorState {
    pub(crate) calibrator: Calibrator,
    pub(crate) watch: Watch,
    /// How often it moves; not kept for a quantity that may stand still.
    pub(crate) stillness: Stillness,
    pub(crate) last: Option<KeptReading>,
    pub(crate) stamp: ArrivalStamp,
    /// The last value that passed its tests.
    pub(crate) good: Option<(KeptTime, f64)>,
    /// The one before it, in case that one is shown to be a spike.
    pub(crate) good_before: Option<(KeptTime, f64)>,
    /// When it was last heard, by the clock that `sensor-silent` runs on.
    pub(crate) heard: Option<KeptTime>,
    pub(crate) faults: FaultWatch,
    /// Whether the times that its device gives can be true.
    pub(crate) clock: ClockWatch,
    pub(crate) battery: BatteryState,
    pub(crate) history: SensorHistory,
}

impl SensorState {
    /// Its last reading.
    pub(crate) fn last(&self) -> Option<LastReading> {
        self.last.map(LastReading::from)
    }

    /// Its last value that passed its tests, and when that was.
    pub(crate) fn good(&self) -> Option<(Timestamp, f64)> {
        self.good.map(|(at, value)| (at.at(), value))
    }

    /// When it was last heard.
    pub(crate) fn heard(&self) -> Option<Timestamp> {
        self.heard.map(KeptTime::at)
    }

    pub(crate) fn new(measures: Quantity) -> Self {
        Self {
            calibrator: Calibrator::default(),
            watch: Watch::default(),
            stillness: Stillness::default(),
            last: None,
            stamp: ArrivalStamp::default(),
            good: None,
            good_before: None,
            heard: None,
            faults: FaultWatch::default(),
            clock: ClockWatch::default(),
            battery: BatteryState::default(),
            history: match measures {
                Quantity::SoilMoisture => SensorHistory::Soil(Box::default()),
                Quantity::WaterTemperature => SensorHistory::Water(Box::default()),
                Quantity::Rain => SensorHistory::Rain(Box::default()),
                Quantity::Ph => SensorHistory::Ph(Box::default()),
                Quantity::WaterFlow => SensorHistory::Flow(Box::default()),
                Quantity::SoilTemperature | Quantity::AirTemperature | Quantity::RelativeHumidity => {
                    SensorHistory::Extremes(Box::default())
                }
                _ => SensorHistory::None,
            },
        }
    }
}

/// What a sensor last reported of its battery.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct BatteryState {
    pub(crate) last: Option<f64>,
    /// Reports in a row below the limit.
    pub(crate) low_reports: u8,
}

/// What is known of one gateway, or of the sensors that have none.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct GatewayState {
    #[serde(skip)]
    pub(crate) members: Vec<u16>,
    /// Readings of its sensors since it fell silent.
    pub(crate) heard_since: u8,
    /// When it came back: its sensors have their time to speak from then on.
    pub(crate) back_at: Option<Timestamp>,
}

impl GatewayState {
    /// One for each gateway of the plan, and the last one for sensors without.
    pub(crate) fn of_plan(garden: &Garden) -> Vec<Self> {
        let mut states: Vec<Self> = (0..=garden.gateways.len()).map(|_| Self::default()).collect();
        for (index, sensor) in (0u16..).zip(&garden.sensors) {
            states[usize::from(garden.gateway_of(sensor))].members.push(index);
        }
        states
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A hundred thousand of them stand in one daemon (`tests/many`).
    #[test]
    fn a_sensor_takes_no_more_room_than_it_did() {
        assert!(size_of::<SensorState>() <= 368, "{}", size_of::<SensorState>());
        assert!(size_of::<WettingWatch>() <= 112, "{}", size_of::<WettingWatch>());
    }
}
