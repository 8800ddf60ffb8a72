//! One number an hour of the last fortnight, to the last bit and in little room.
//!
//! A probe shows steps of its own resolution, so that its differences repeat: most hours are
//! kept as the number of their value in a list of values, one byte each. A probe whose
//! differences hardly repeat has its values themselves.

use serde::{Deserialize, Serialize};

/// Hours that are kept: 14 days.
pub(super) const HISTORY_HOURS: usize = 14 * 24;
/// An hour without a value.
const MISSED: u8 = u8::MAX;
/// With more values than this the list is no smaller than the values of all hours.
const VALUES_MAX: usize = 224;
/// How often values that no hour has any more are let go of, hours.
const SWEEP_H: usize = 24;

/// Of each hour of the last 336 its value, by the hour's number modulo that; NaN: none.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) enum HourlyHistory {
    /// None ever had one.
    #[default]
    Empty,
    Few {
        /// The number of each hour's value.
        numbers: Vec<u8>,
        values: Vec<f32>,
    },
    Many(Vec<f32>),
}

impl HourlyHistory {
    pub(super) fn is_empty(&self) -> bool {
        matches!(self, Self::Empty)
    }

    /// Whether what was read of it can be one.
    pub(super) fn is_sound(&self) -> bool {
        match self {
            Self::Empty => true,
            Self::Few { numbers, values } => {
                numbers.len() == HISTORY_HOURS
                    && numbers.iter().all(|it| *it == MISSED || usize::from(*it) < values.len())
            }
            Self::Many(values) => values.len() == HISTORY_HOURS,
        }
    }

    /// The value of an hour; NaN: none.
    pub(super) fn get(&self, hour: usize) -> f32 {
        match self {
            Self::Empty => f32::NAN,
            Self::Few { numbers, values } => {
                values.get(usize::from(numbers[hour])).copied().unwrap_or(f32::NAN)
            }
            Self::Many(values) => values[hour],
        }
    }

    /// The values of every hour that has one.
    pub(super) fn known(&self) -> impl Iterator<Item = f32> + '_ {
        let hours = if self.is_empty() { 0 } else { HISTORY_HOURS };
        (0..hours).map(|hour| self.get(hour)).filter(|value| !value.is_nan())
    }

    /// Sets the value of an hour.
    pub(super) fn set(&mut self, hour: usize, value: f32) {
        if self.is_empty() {
            *self = Self::Few { numbers: vec![MISSED; HISTORY_HOURS], values: Vec::new() };
        }
        if hour.is_multiple_of(SWEEP_H) {
            self.sweep();
        }
        if let Self::Few { numbers, values } = self {
            let same = |it: &f32| it.to_bits() == value.to_bits();
            let number = if value.is_nan() {
                Some(MISSED)
            } else if let Some(known) = values.iter().position(same) {
                Some(known as u8)
            } else if values.len() < VALUES_MAX {
                if values.len() == values.capacity() {
                    values.reserve_exact(8);
                }
                values.push(value);
                Some((values.len() - 1) as u8)
            } else {
                None
            };
            match number {
                Some(number) => return numbers[hour] = number,
                None => *self = Self::Many((0..HISTORY_HOURS).map(|hour| self.get(hour)).collect()),
            }
        }
        if let Self::Many(values) = self {
            values[hour] = value;
        }
    }

    /// Lets go of values that no hour has, and goes over to the smaller form.
    fn sweep(&mut self) {
        let mut bits: Vec<u32> = self.known().map(f32::to_bits).collect();
        bits.sort_unstable();
        bits.dedup();
        if bits.len() + SWEEP_H > VALUES_MAX {
            return;
        }
        let number = |value: f32| bits.binary_search(&value.to_bits()).map_or(MISSED, |found| found as u8);
        let numbers = (0..HISTORY_HOURS).map(|hour| number(self.get(hour))).collect();
        *self = Self::Few { numbers, values: bits.iter().map(|it| f32::from_bits(*it)).collect() };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Beside a plain list, through both forms and back.
    #[test]
    fn every_value_comes_back_to_the_last_bit() {
        let (mut history, mut plain) = (HourlyHistory::default(), vec![f32::NAN; HISTORY_HOURS]);
        let mut forms = Vec::new();
        for hour in 0..10_000_usize {
            let steps = if hour / 1000 % 2 == 0 { 40 } else { 1000 };
            let step = (hour * 7919 % steps) as f32 - 20.0;
            let value = if hour.is_multiple_of(17) { f32::NAN } else { 0.2 + step * 0.000_26 - 0.2 };
            let value = if hour.is_multiple_of(31) { -0.0 } else { value };
            history.set(hour % HISTORY_HOURS, value);
            plain[hour % HISTORY_HOURS] = value;
            let same = (0..HISTORY_HOURS).all(|at| match (history.get(at), plain[at]) {
                (got, is) if is.is_nan() => got.is_nan(),
                (got, is) => got.to_bits() == is.to_bits(),
            });
            assert!(same && history.is_sound(), "hour {hour}");
            assert_eq!(history.known().count(), plain.iter().filter(|it| !it.is_nan()).count());
            let few = matches!(history, HourlyHistory::Few { .. });
            if forms.last() != Some(&few) {
                forms.push(few);
            }
        }
        assert!(forms.len() >= 4, "both forms were tried: {forms:?}");
    }

    #[test]
    fn a_coarse_probes_fortnight_takes_little_room() {
        let mut history = HourlyHistory::default();
        for hour in 0..5000_usize {
            history.set(hour % HISTORY_HOURS, (hour * 31 % (20 + hour / 50)) as f32);
        }
        let HourlyHistory::Few { numbers, values } = history else { panic!("a hundred values are few") };
        assert!(numbers.capacity() + 4 * values.capacity() < 1000, "{}", values.capacity());
    }
}
