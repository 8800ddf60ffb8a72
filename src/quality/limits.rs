//! What the tests compare a sensor's values with, and where that starts from
//! for each quantity.
//!
//! The forms of the tests are QARTOD's; the numbers are ours. QARTOD leaves
//! them to the operator, so each line of [`Limits::default_for`] says why it is
//! what it is. None is from a publication unless it says so.

use crate::model::Quantity;

/// What a sensor's values are tested against. Limits themselves pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Values below the first or above the second cannot be: fail.
    pub gross_fail: (f64, f64),
    /// Values below the first or above the second are doubtful: suspect.
    pub gross_suspect: Option<(f64, f64)>,
    pub spike: Option<Spike>,
    pub rate: Option<Rate>,
    pub flat: Option<Flat>,
    /// Longest time from one reading to the next, seconds, above 0.
    pub gap_s: f64,
    /// Where messages were lost beside a value that falls out below both its neighbours,
    /// they may be this far apart for it to be a spike, seconds; 0: a spike needs its own
    /// neighbours.
    pub dip_reach_s: f64,
}

/// One reading that stands out from both its neighbours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spike {
    /// Standing out by more than this is suspect; in the quantity's unit.
    pub suspect: f64,
    /// Standing out by more than this is a fail; in the quantity's unit.
    pub fail: f64,
    pub method: SpikeMethod,
}

/// How far a reading stands out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpikeMethod {
    /// Its distance from the mean of its two neighbours. A lasting step of
    /// height h counts as h/2.
    Average,
    /// The smaller of its distances from its two neighbours, if it lies above
    /// both or below both. A lasting step counts as nothing.
    Differential,
}

/// Change between two readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// Changing faster than this is suspect; unit per second.
    pub suspect_per_s: f64,
    /// Changing faster than this is a fail; unit per second.
    pub fail_per_s: Option<f64>,
    /// Seconds, not below 0. Readings closer together count as this far apart:
    /// a burst after a lost connection would turn noise into a fast change.
    pub over_s: f64,
}

/// A value that stands still.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flat {
    /// Values whose range is below this stand still; in the quantity's unit.
    pub tolerance: f64,
    /// Standing still for this long is suspect; seconds.
    pub suspect_s: f64,
    /// Standing still for this long is a fail; seconds.
    pub fail_s: f64,
    /// A sensor that moves seldom may stand still for up to this, by what
    /// [`Stillness`](super::Stillness) knows of it; seconds. `None`: the times above
    /// hold for every sensor.
    pub longest_s: Option<f64>,
}

/// Longest time for which a sensor that moves seldom may stand still, unless its
/// quantity has its own, seconds: twelve days and a half. In an open record of grassland
/// soil 1 of 66,000 still stretches at 20 cm, in steps of 0.001 m3/m3, was longer.
pub const LONGEST_STILL_S: f64 = 300.0 * 3600.0;

/// Why limits cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum LimitsError {
    #[error("{what} runs from {min} to {max}: two numbers are needed, the lower one first")]
    Range { what: &'static str, min: f64, max: f64 },
    #[error("{what} runs from {min} to {max}, beyond the range that fails ({fail_min} to {fail_max})")]
    SuspectBeyondFail { what: &'static str, min: f64, max: f64, fail_min: f64, fail_max: f64 },
    #[error("{what} is {given}: a number above 0 is needed")]
    NotAboveZero { what: &'static str, given: f64 },
    #[error("{what} is {fail} for a fail and {suspect} for suspect: the fail must not come first")]
    FailBeforeSuspect { what: &'static str, suspect: f64, fail: f64 },
}

/// About the world's record rainfall for a duration: 422 mm times hours to the
/// power 0.475, as hydrology handbooks quote the envelope of the records. From
/// memory; used for its size only.
fn record_rain_mm(over_s: f64) -> f64 {
    422.0 * (over_s / 3600.0).powf(0.475)
}

/// A value that stands still moves by less than this, in the quantity's unit: it is the very
/// same number.
const SAME: f64 = 1e-6;
const HOUR_S: f64 = 3600.0;

/// The time from one reading to the next, seconds, at least 1: the tests of a sensor that
/// speaks seldom look over longer times.
#[derive(Clone, Copy)]
struct ReadingInterval(f64);

impl ReadingInterval {
    /// A change between two readings is judged as a step: up to an hour apart the real ones (a
    /// wetting, a top-up, a cool change) are over within one interval, however short it is.
    /// Beyond an hour the step may grow.
    fn step(self, largest: f64) -> Option<Rate> {
        let Self(every_s) = self;
        Some(Rate {
            suspect_per_s: largest * (every_s / HOUR_S).max(1.0) / every_s,
            // QARTOD's rate test has no fail.
            fail_per_s: None,
            over_s: every_s,
        })
    }

    /// A lasting step is real in a garden, so only a reading that goes out and comes back is a
    /// spike. Between readings half an hour or more apart a real pulse can come and go, so
    /// twice as much is allowed.
    fn spike(self, suspect: f64, fail: f64) -> Option<Spike> {
        let slow = if self.0 < HOUR_S / 2.0 { 1.0 } else { 2.0 };
        Some(Spike { suspect: suspect * slow, fail: fail * slow, method: SpikeMethod::Differential })
    }

    /// Sensors that speak seldom need enough readings to stand still for.
    fn flat(self, suspect_h: f64, fail_h: f64) -> Option<Flat> {
        Some(Flat {
            tolerance: SAME,
            suspect_s: (suspect_h * HOUR_S).max(8.0 * self.0),
            fail_s: (fail_h * HOUR_S).max(16.0 * self.0),
            longest_s: Some(LONGEST_STILL_S),
        })
    }

    /// Well buffered water can show one tenth for weeks; a meter that has shown it for a month
    /// is due for its buffers anyway (common practice).
    fn flat_ph(self, suspect_h: f64, fail_h: f64) -> Option<Flat> {
        self.flat(suspect_h, fail_h).map(|flat| Flat { longest_s: Some(30.0 * 24.0 * HOUR_S), ..flat })
    }
}

impl Limits {
    /// Where a sensor of this quantity that speaks every `every_s` seconds starts: one row for
    /// each quantity, with the reason of its numbers.
    pub fn default_for(quantity: Quantity, every_s: u32) -> Self {
        let every_s = f64::from(every_s.max(1));
        let interval = ReadingInterval(every_s);
        let step = |largest| interval.step(largest);
        let spike = |suspect, fail| interval.spike(suspect, fail);
        let flat = |suspect_h, fail_h| interval.flat(suspect_h, fail_h);
        let limits = |gross_fail, gross_suspect, spike, rate, flat| Self {
            gross_fail,
            gross_suspect: Some(gross_suspect),
            spike,
            rate,
            flat,
            // Two readings in a row may be lost before the record has a gap.
            gap_s: 3.0 * every_s,
            dip_reach_s: 0.0,
        };
        match quantity {
            // Water fills the pores at most: 0.40 to 0.60 m3/m3 in mineral soils,
            // more in composts. A little below 0 is a calibration's own error.
            //
            // Spike and step: a watering raises a shallow probe by 0.05 to 0.25
            // within a quarter of an hour, and stays; 0.40 is dry to saturated.
            //
            // Flat: a healthy probe's noise is 0.0003 or more, one or two counts,
            // and its soil warms and cools; half a day of the very same number,
            // to a millionth, is a probe or a gateway that repeats itself. One that
            // shows only thousandths has longer (`Flat::longest_s`).
            // Dips: soil does not dry and grow wet again within hours; a radio that loses
            // messages also brings a false zero among them.
            Quantity::SoilMoisture => Self {
                dip_reach_s: 6.0 * HOUR_S,
                ..limits((-0.02, 0.75), (0.0, 0.65), spike(0.08, 0.15), step(0.40), flat(12.0, 24.0))
            },
            // Bare dark soil passes 60 °C at the surface in an Australian summer.
            // Flat: at 60 cm a day's swing is below a sixteenth of a degree, so
            // a healthy sensor can repeat itself for days.
            Quantity::SoilTemperature => {
                limits((-20.0, 75.0), (-5.0, 60.0), spike(3.0, 6.0), step(15.0), flat(72.0, 144.0))
            }
            // The tank is liquid water; fish live well inside. 85 °C, what a
            // 1-wire sensor says before its first conversion, fails.
            // Step: a cold top-up takes a few °C in 5 minutes near the inlet; a
            // probe pulled out of the water takes more.
            // Flat: a tank with a heater can hold one sixteenth of a degree over
            // a night and a still day.
            Quantity::WaterTemperature => {
                limits((-2.0, 60.0), (0.0, 40.0), spike(3.0, 6.0), step(6.0), flat(24.0, 48.0))
            }
            // Per message. Nothing falls out of a gauge, so nothing is below 0.
            // More than the world record for the time fails (for an hour at
            // least, since a message after a break carries the whole break);
            // a quarter of it is suspect.
            // Rain comes in bursts and stays away for weeks: no other test.
            Quantity::Rain => limits(
                (0.0, record_rain_mm(every_s.max(HOUR_S))),
                (0.0, record_rain_mm(every_s.max(HOUR_S / 4.0)) / 4.0),
                None,
                None,
                None,
            ),
            // Places with schools; -60 and 60 °C are about what people have
            // measured where they live.
            // Step: a cool change takes more than 10 °C within the hour.
            // Flat: fog can hold a tenth of a degree for hours.
            Quantity::AirTemperature => {
                limits((-60.0, 60.0), (-25.0, 50.0), spike(6.0, 12.0), step(15.0), flat(24.0, 48.0))
            }
            // Capacitive sensors read a few % above 100 in fog, and stay at 100
            // for days of rain: standing still is judged late.
            Quantity::RelativeHumidity => {
                limits((0.0, 105.0), (3.0, 102.0), spike(30.0, 50.0), step(60.0), flat(96.0, 192.0))
            }
            // The scale's own ends; tanks and rain water lie within 4 to 10.
            // Flat: buffered water can hold one hundredth for half a day.
            Quantity::Ph => {
                limits((0.0, 14.0), (4.0, 10.0), spike(1.0, 2.0), step(3.0), interval.flat_ph(48.0, 96.0))
            }
            // Saturated fresh water holds 14.6 mg/L at 0 °C and 1 atm (Benson and
            // Krause 1984); algae in the sun can double a tank's saturation. A
            // little below 0 is the sensor's zero error.
            Quantity::DissolvedOxygen => {
                limits((-0.5, 30.0), (0.0, 20.0), spike(3.0, 6.0), step(8.0), flat(24.0, 48.0))
            }
            // Pyranometers read a few W/m2 below 0 at night. Clouds' edges lift the
            // sun above the 1361 W/m2 of the solar constant (TSIS/SORCE) for minutes;
            // ground records above 1800 W/m2 are not known to us (from memory).
            // Flat: a whole night reads the very same 0.
            Quantity::SolarRadiation => {
                limits((-20.0, 2000.0), (-10.0, 1400.0), None, None, flat(24.0, 48.0))
            }
            // The strongest gust on record is 113 m/s (WMO, Barrow Island 1996); means
            // of a quarter of an hour above 40 m/s are cyclones.
            // Flat: a calm night reads the very same 0; two days do not.
            Quantity::WindSpeed => limits((0.0, 113.0), (0.0, 40.0), None, None, flat(48.0, 96.0)),
            // A tank that somebody can reach into; a calibration's own error below 0.
            // Still water holds one level for days: no other test.
            Quantity::WaterLevel => limits((-10.0, 1000.0), (-2.0, 400.0), None, None, None),
            // A school's circuit gives 3,680 W (16 A at 230 V); meters read a watt below 0.
            // A pump draws the same all day, and is switched on and off: no other test.
            Quantity::Power => limits((-5.0, 20_000.0), (-2.0, 4000.0), None, None, None),
            // Litres per message. A school's main gives a few litres a second; ten
            // a second for an hour at least fails (a message after a break
            // carries the whole break). Taps are open or shut: no other test.
            Quantity::WaterFlow => limits(
                (0.0, 10.0 * every_s.max(HOUR_S)),
                (0.0, 3.0 * every_s.max(HOUR_S / 4.0)),
                None,
                None,
                None,
            ),
        }
    }

    /// These limits of a soil-moisture sensor, in a bed of potting mix, compost or peat.
    ///
    /// Peat is more than nine tenths pores, and a wetting of dry peat can fill most of
    /// them at once; only more water than room is impossible. Two per cent are a
    /// calibration's own error. Our own numbers.
    #[must_use]
    pub fn in_potting_mix(self) -> Self {
        const FULL: f64 = 1.0;
        const CALIBRATION_ERROR: f64 = 0.02;
        let rate = self.rate.map(|rate| Rate { suspect_per_s: 2.0 * rate.suspect_per_s, ..rate });
        Self {
            gross_fail: (self.gross_fail.0, FULL + CALIBRATION_ERROR),
            gross_suspect: self.gross_suspect.map(|(low, _)| (low, FULL)),
            rate,
            ..self
        }
    }

    /// Checks limits that people have set.
    ///
    /// # Errors
    ///
    /// For a range whose ends are not in order, a suspect range beyond the fail
    /// range, a threshold that is not above 0, and a fail that comes before its
    /// suspect.
    pub fn check(&self) -> Result<(), LimitsError> {
        let range = |what, (min, max): (f64, f64)| {
            // Written so that NaN is refused.
            if min < max { Ok(()) } else { Err(LimitsError::Range { what, min, max }) }
        };
        let above_zero = |what, given: f64| {
            if given > 0.0 { Ok(()) } else { Err(LimitsError::NotAboveZero { what, given }) }
        };
        let order = |what, suspect: f64, fail: f64| {
            if suspect <= fail { Ok(()) } else { Err(LimitsError::FailBeforeSuspect { what, suspect, fail }) }
        };

        range("the range outside which a value fails", self.gross_fail)?;
        if let Some((min, max)) = self.gross_suspect {
            let what = "the range outside which a value is suspect";
            range(what, (min, max))?;
            let (fail_min, fail_max) = self.gross_fail;
            if min < fail_min || max > fail_max {
                return Err(LimitsError::SuspectBeyondFail { what, min, max, fail_min, fail_max });
            }
        }
        if let Some(Spike { suspect, fail, .. }) = self.spike {
            above_zero("the spike's suspect threshold", suspect)?;
            above_zero("the spike's fail threshold", fail)?;
            order("the spike's threshold", suspect, fail)?;
        }
        if let Some(Rate { suspect_per_s, fail_per_s, over_s }) = self.rate {
            above_zero("the suspect rate of change", suspect_per_s)?;
            if let Some(fail_per_s) = fail_per_s {
                above_zero("the failing rate of change", fail_per_s)?;
                order("the rate of change", suspect_per_s, fail_per_s)?;
            }
            above_zero("the time over which a change is judged", over_s)?;
        }
        if let Some(Flat { tolerance, suspect_s, fail_s, longest_s }) = self.flat {
            above_zero("the flat line's tolerance", tolerance)?;
            above_zero("the flat line's suspect time", suspect_s)?;
            above_zero("the flat line's fail time", fail_s)?;
            order("the flat line's time", suspect_s, fail_s)?;
            if let Some(longest_s) = longest_s {
                above_zero("the flat line's longest time", longest_s)?;
            }
        }
        above_zero("the longest time between readings", self.gap_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_default_can_be() {
        for quantity in Quantity::ALL {
            for every_s in [0, 1, 10, 60, 300, 900, 3600, 86_400, u32::MAX] {
                let limits = Limits::default_for(quantity, every_s);
                assert_eq!(limits.check(), Ok(()), "{quantity:?} every {every_s} s");
            }
        }
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let good = Limits::default_for(Quantity::SoilMoisture, 900);
        let spike = |suspect, fail| Some(Spike { suspect, fail, method: SpikeMethod::Average });
        for bad in [
            Limits { gross_fail: (1.0, 0.0), ..good },
            Limits { gross_fail: (0.0, f64::NAN), ..good },
            Limits { gross_suspect: Some((-1.0, 0.5)), ..good },
            Limits { gross_suspect: Some((0.5, 0.5)), ..good },
            Limits { spike: spike(0.0, 1.0), ..good },
            Limits { spike: spike(2.0, 1.0), ..good },
            Limits { spike: spike(0.1, f64::NAN), ..good },
            Limits { rate: Some(Rate { suspect_per_s: 0.0, fail_per_s: None, over_s: 1.0 }), ..good },
            Limits { rate: Some(Rate { suspect_per_s: 2.0, fail_per_s: Some(1.0), over_s: 1.0 }), ..good },
            Limits {
                flat: Some(Flat { tolerance: 0.0, suspect_s: 1.0, fail_s: 2.0, longest_s: None }),
                ..good
            },
            Limits {
                flat: Some(Flat { tolerance: 1.0, suspect_s: 3.0, fail_s: 2.0, longest_s: None }),
                ..good
            },
            Limits { gap_s: 0.0, ..good },
            Limits { gap_s: f64::NAN, ..good },
        ] {
            assert!(bad.check().is_err(), "{bad:?}");
        }
    }
}
