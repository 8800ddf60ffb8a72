//! A sensor: from the true state to the raw number it sends, with its noise,
//! its lost messages and its restarts.

use std::collections::VecDeque;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::instrument::{Instrument, WANDERS_MOST};
use crate::plan::Fault;
use crate::school::{Inverse, Quantity, Sensor, WhenCut};

/// Chance that one message is lost on the way.
const LOST: f64 = 0.002;
/// Days between restarts of one sensor, on average.
const RESTART_DAYS: f64 = 45.0;
/// Seconds that a sensor takes to start.
const START_S: i64 = 90;
/// What a one-wire thermometer says before its first conversion, °C.
const POWER_ON_C: f64 = 85.0;
/// Part of the readings that a loose plug spoils.
const LOOSE: f64 = 0.7;
/// What makers' libraries for one-wire thermometers give where none answers, °C.
const NO_ANSWER_C: f64 = -127.0;

/// A sensor at work.
#[derive(Clone, Debug)]
pub(crate) struct Probe {
    rng: ChaCha8Rng,
    /// Seconds, when it measures next.
    next_s: i64,
    noise: f64,
    last_raw: f64,
    frozen: Option<f64>,
    /// Rain in the bucket, mm.
    bucket_mm: f64,
    /// Tips since the last message, or since the start.
    tips: f64,
    /// Litres since the last message.
    litres: f64,
    just_started: bool,
    instrument: Instrument,
    /// What wanders and drops out has chances of its own.
    field_rng: ChaCha8Rng,
    /// How far it has wandered from the true value.
    wandered: f64,
    /// What becomes of the next readings.
    slips: VecDeque<Slip>,
}

/// A reading that goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Slip {
    /// Its message is lost.
    Lost,
    /// It is zero.
    Zero,
}

impl Probe {
    pub(crate) fn new(
        sensor: &Sensor,
        instrument: Instrument,
        number: usize,
        seed: u64,
        start_s: i64,
    ) -> Self {
        let mut field_rng = ChaCha8Rng::seed_from_u64(seed);
        field_rng.set_stream(4000 + number as u64);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(1000 + number as u64);
        let phase_s = i64::from(rng.random_range(0..sensor.every_s));
        let spread = sensor.measures.row().noise.clone();
        let noise = if spread.is_empty() { spread.start } else { rng.random_range(spread) };
        let noise = instrument.noise.unwrap_or(noise);
        Self {
            rng,
            next_s: start_s + phase_s,
            noise,
            instrument,
            field_rng,
            wandered: 0.0,
            slips: VecDeque::new(),
            last_raw: 0.0,
            frozen: None,
            bucket_mm: 0.0,
            tips: 0.0,
            litres: 0.0,
            just_started: false,
        }
    }

    /// When it measures next, Unix seconds.
    pub(crate) fn next_s(&self) -> i64 {
        self.next_s
    }

    /// Rain of a minute into the bucket: what the funnel lets through.
    pub(crate) fn rain(&mut self, sensor: &Sensor, mm: f64) {
        let Some((_, Inverse::Tips { mm_per_tip, .. })) = sensor.calibrations.last() else { return };
        self.bucket_mm += mm;
        while self.bucket_mm >= *mm_per_tip {
            self.bucket_mm -= mm_per_tip;
            self.tips += 1.0;
        }
    }

    /// Water through the meter in a minute.
    pub(crate) fn flow(&mut self, litres: f64) {
        self.litres += litres;
    }

    /// Switched off: what falls meanwhile is not counted.
    pub(crate) fn forget_tips(&mut self) {
        self.bucket_mm = 0.0;
        self.tips = 0.0;
    }

    /// Whether a restart begins in a minute, by chance.
    pub(crate) fn restarts_now(&mut self) -> bool {
        self.rng.random::<f64>() < 1.0 / (RESTART_DAYS * 1440.0)
    }

    /// Starts again: it measures once it is up, and its running count is 0 again.
    pub(crate) fn restart(&mut self, now_s: i64) {
        self.next_s = now_s + START_S;
        self.tips = 0.0;
        self.just_started = true;
    }

    /// Holds the last number, or lets it go.
    pub(crate) fn freeze(&mut self, held: bool) {
        if held && self.frozen.is_none() {
            self.frozen = Some(self.last_raw);
        } else if !held {
            self.frozen = None;
        }
    }

    /// Wanders on for one interval: an Ornstein-Uhlenbeck process round the true value.
    fn wander(&mut self, every_s: u32) -> f64 {
        let Instrument { wanders, wander_h, .. } = self.instrument;
        if wanders > 0.0 {
            let stays = (-f64::from(every_s) / (3600.0 * wander_h)).exp();
            let chance: f64 = StandardNormal.sample(&mut self.field_rng);
            let most = WANDERS_MOST * wanders;
            let moved = stays * self.wandered + wanders * (1.0 - stays * stays).sqrt() * chance;
            self.wandered = moved.clamp(-most, most);
        }
        self.wandered
    }

    /// Whether a reading is lost or falls to zero, where dropouts begin at `part` of
    /// the readings: a zero, and up to three lost messages on either side of it.
    fn slip(&mut self, part: f64) -> Option<Slip> {
        if self.slips.is_empty() && part > 0.0 && self.field_rng.random::<f64>() < part {
            let (before, after) = (self.field_rng.random_range(0..4), self.field_rng.random_range(0..4));
            self.slips.extend(std::iter::repeat_n(Slip::Lost, before));
            self.slips.push_back(Slip::Zero);
            self.slips.extend(std::iter::repeat_n(Slip::Lost, after));
        }
        self.slips.pop_front()
    }

    /// The raw number of a value, in steps of the sensor's resolution.
    fn raw(&self, inverse: &Inverse, value: f64) -> f64 {
        match self.instrument.resolution {
            None => inverse.raw(value),
            Some(step) => inverse.raw_in_steps(value, step),
        }
    }

    /// One measurement of `value`, in the quantity's unit, `dropouts` being the part
    /// of the readings at which one begins. Returns the raw number, or nothing where
    /// the message is lost.
    pub(crate) fn measure(
        &mut self,
        sensor: &Sensor,
        value: f64,
        sends: bool,
        fault: Option<Fault>,
        dropouts: f64,
    ) -> Option<f64> {
        let at_s = self.next_s;
        self.next_s += i64::from(sensor.every_s);
        let inverse = sensor
            .calibrations
            .iter()
            .rev()
            .find(|(from, _)| from.is_none_or(|from| from <= at_s))
            .or(sensor.calibrations.first())
            .map_or(&Inverse::Identity, |(_, inverse)| inverse);
        let lost = self.rng.random::<f64>() < LOST;
        let noise: f64 = StandardNormal.sample(&mut self.rng);
        // Noise beyond three spreads would be a spike, which is another fault.
        let noisy = value + self.wander(sensor.every_s) + self.noise * noise.clamp(-3.0, 3.0);
        let started = std::mem::take(&mut self.just_started);
        let raw = match (sensor.measures, inverse) {
            (Quantity::Rain, Inverse::Tips { running: true, wraps_at, .. }) => match wraps_at {
                Some(wrap) if *wrap > 0.0 => self.tips % wrap,
                Some(_) | None => self.tips,
            },
            (Quantity::Rain, Inverse::Tips { running: false, .. }) => self.tips,
            (Quantity::Rain, _) => 0.0,
            (Quantity::WaterFlow, inverse) => inverse.raw(self.litres),
            (Quantity::SoilTemperature | Quantity::WaterTemperature, inverse)
                if started && self.rng.random::<f64>() < 0.5 =>
            {
                inverse.raw(POWER_ON_C)
            }
            (measures, inverse) if measures.row().below_zero => self.raw(inverse, noisy),
            (_, inverse) => self.raw(inverse, noisy.max(0.0)),
        };
        let slip = self.slip(dropouts);
        let raw = if slip == Some(Slip::Zero) { inverse.raw(0.0) } else { raw };
        let lost = lost || slip == Some(Slip::Lost);
        let raw = self.frozen.unwrap_or(raw);
        let cut = match fault {
            Some(Fault::Broken) => true,
            Some(Fault::Loose) => self.rng.random::<f64>() < LOOSE,
            Some(Fault::Silent | Fault::Frozen | Fault::Clogged | Fault::Late | Fault::Hot) | None => false,
        };
        let raw = if cut { bare_input(sensor, inverse).unwrap_or(raw) } else { raw };
        if lost || !sends {
            return None;
        }
        // Counts since the last message wait until one gets through.
        if let Inverse::Tips { running: false, .. } = inverse {
            self.tips = 0.0;
        }
        self.litres = 0.0;
        self.last_raw = raw;
        Some(raw)
    }

    /// Milliseconds from measuring to sending.
    pub(crate) fn delay_ms(&mut self) -> i64 {
        self.rng.random_range(200..2200)
    }
}

/// What is sent where the cable to the sensing part is cut; nothing for those that
/// only count.
fn bare_input(sensor: &Sensor, inverse: &Inverse) -> Option<f64> {
    match sensor.measures.row().when_cut {
        WhenCut::Zero => Some(0.0),
        WhenCut::NoAnswer => Some(inverse.raw(NO_ANSWER_C)),
        WhenCut::Below => Some(inverse.raw(-10.0)),
        WhenCut::Nothing => None,
    }
}
