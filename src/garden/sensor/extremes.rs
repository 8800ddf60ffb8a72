//! The least and the highest of a sensor's values, hour by hour for a day and a half:
//! what the air and the soil were like about the time at which a bed grew wetter.

use std::collections::VecDeque;

use jiff::Timestamp;

const HOUR_S: i64 = 3600;
/// Hours that are kept: a day before a wetting, and the hours until it is believed.
const KEPT_HOURS: i64 = 40;
/// Hours without a value that a stretch may hold and still be known throughout.
const PATIENT_HOURS: i64 = 2;

/// The values of one hour.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct HourRange {
    /// Hours since 1970-01-01T00:00Z.
    hour: i64,
    least: f32,
    most: f32,
}

/// A sensor's least and highest values, hour by hour.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct HourlyExtremes {
    hours: VecDeque<HourRange>,
}

impl HourlyExtremes {
    /// Adds a good value; one older than the newest hour is left out.
    pub(crate) fn push(&mut self, at: Timestamp, value: f64) {
        let hour = hour_of(at);
        let value = value as f32;
        match self.hours.back_mut() {
            Some(last) if last.hour == hour => {
                last.least = last.least.min(value);
                last.most = last.most.max(value);
            }
            Some(last) if last.hour > hour => {}
            _ => self.hours.push_back(HourRange { hour, least: value, most: value }),
        }
        while self.hours.front().is_some_and(|first| hour - first.hour > KEPT_HOURS) {
            self.hours.pop_front();
        }
    }

    /// The least value of the hours from that of `from` to that of `to`; `None` where
    /// there is none.
    pub(crate) fn least(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        self.within(from, to).map(|it| f64::from(it.least)).reduce(f64::min)
    }

    /// The highest value of the hours from that of `from` to that of `to`; `None` where
    /// more than two hours on end have no value.
    pub(crate) fn most_throughout(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let (mut known_to, mut most) = (hour_of(from) - 1, None::<f64>);
        for it in self.within(from, to) {
            if it.hour - known_to > PATIENT_HOURS + 1 {
                return None;
            }
            known_to = it.hour;
            most = Some(most.map_or(f64::from(it.most), |most| most.max(f64::from(it.most))));
        }
        most.filter(|_| hour_of(to) - known_to <= PATIENT_HOURS)
    }

    fn within(&self, from: Timestamp, to: Timestamp) -> impl Iterator<Item = &HourRange> {
        let hours = hour_of(from)..=hour_of(to);
        self.hours.iter().filter(move |it| hours.contains(&it.hour))
    }
}

fn hour_of(at: Timestamp) -> i64 {
    at.as_second().div_euclid(HOUR_S)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp::from_second(1_776_002_400 + minutes * 60).expect("in range")
    }

    fn of(values: &[(i64, f64)]) -> HourlyExtremes {
        let mut extremes = HourlyExtremes::default();
        for &(minutes, value) in values {
            extremes.push(at(minutes), value);
        }
        extremes
    }

    #[test]
    fn the_least_and_the_highest_of_a_stretch_are_found() {
        let record = of(&[(0, 5.0), (20, 1.5), (70, 8.0), (130, 3.0)]);
        assert_eq!(record.least(at(0), at(130)), Some(1.5));
        assert_eq!(record.least(at(60), at(130)), Some(3.0));
        assert_eq!(record.most_throughout(at(0), at(130)), Some(8.0));
        assert_eq!(record.least(at(-200), at(-100)), None);
        assert_eq!(record.most_throughout(at(-200), at(-100)), None);
    }

    #[test]
    fn a_stretch_with_a_long_gap_is_not_known_throughout() {
        let gap = of(&[(0, 40.0), (60, 50.0), (300, 45.0)]);
        assert_eq!(gap.most_throughout(at(0), at(300)), None, "three hours without a value");
        assert_eq!(of(&[(0, 40.0), (180, 50.0)]).most_throughout(at(0), at(180)), Some(50.0));
        assert_eq!(gap.most_throughout(at(0), at(240)), None, "nor is it known to its end");
        assert_eq!(gap.most_throughout(at(-240), at(60)), None, "nor from its beginning");
    }

    #[test]
    fn what_is_kept_is_bounded() {
        let hours: Vec<_> = (0..500).map(|hour| (hour * 60, 1.0)).collect();
        assert!(of(&hours).hours.len() as i64 <= KEPT_HOURS + 1);
    }
}
