//! Water contents of soil with their times in little room: a garden keeps hundreds for each
//! probe.

use std::collections::VecDeque;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// A volumetric water content in steps of 0.00002 m³/m³, from -0.1 to 1.2106 m³/m³; what lies
/// beyond counts as the end.
///
/// The step is a fifteenth of the finest resolution that `quality` was tried with (0.0003
/// m³/m³), and the smallest figure of any rule of soil is 0.0005: no rule sees it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct ContentSteps(u16);

impl ContentSteps {
    const STEP: f32 = 0.000_02;
    const LEAST: f32 = -0.1;

    /// The nearest; of what is not a number, the least.
    pub(crate) fn of(value: f32) -> Self {
        // A float beyond the range goes to its end.
        Self(((value - Self::LEAST) / Self::STEP).round() as u16)
    }

    pub(crate) fn value(self) -> f32 {
        f32::from(self.0) * Self::STEP + Self::LEAST
    }
}

/// A water content and its time, to the second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct TimedValue {
    second: i64,
    value: f32,
}

impl TimedValue {
    pub(crate) fn at(&self) -> Timestamp {
        Timestamp::from_second(self.second).unwrap_or(Timestamp::MIN)
    }

    /// Its second since 1970.
    pub(crate) fn second(&self) -> i64 {
        self.second
    }

    pub(crate) fn value(&self) -> f32 {
        self.value
    }

    /// Both.
    pub(crate) fn pair(&self) -> (Timestamp, f32) {
        (self.at(), self.value)
    }
}

/// A water content and its time in six bytes: seconds from 1970 to 2106.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[repr(C, packed(2))]
pub(crate) struct PackedContent {
    second: u32,
    steps: ContentSteps,
}

impl PackedContent {
    pub(crate) fn new(at: Timestamp, value: f32) -> Self {
        let second = at.as_second().clamp(0, i64::from(u32::MAX)) as u32;
        Self { second, steps: ContentSteps::of(value) }
    }

    pub(crate) fn open(self) -> TimedValue {
        TimedValue { second: i64::from(self.second), value: self.steps.value() }
    }
}

/// The water contents of the last hours in four bytes each: of a time the last sixteen bits,
/// which are enough within eighteen hours of the newest.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(crate) struct RecentContents {
    newest_s: i64,
    kept: VecDeque<(u16, ContentSteps)>,
}

impl RecentContents {
    /// The longest that can be told apart, seconds.
    pub(crate) const LONGEST_S: i64 = u16::MAX as i64;

    /// Adds one, later than all before it, and lets go of those that are more than `keep_s`
    /// seconds older: at most [`RecentContents::LONGEST_S`].
    pub(crate) fn push(&mut self, at: Timestamp, value: f32, keep_s: i64) {
        let second = at.as_second();
        let keep_s = keep_s.min(Self::LONGEST_S);
        while self.iter().next().is_some_and(|first| !(0..=keep_s).contains(&(second - first.second))) {
            self.kept.pop_front();
        }
        self.newest_s = second;
        push_tight(&mut self.kept, (second as u16, ContentSteps::of(value)));
    }

    fn open(&self, (time, steps): (u16, ContentSteps)) -> TimedValue {
        let before = (self.newest_s as u16).wrapping_sub(time);
        TimedValue { second: self.newest_s - i64::from(before), value: steps.value() }
    }

    /// Oldest first.
    pub(crate) fn iter(&self) -> impl DoubleEndedIterator<Item = TimedValue> + ExactSizeIterator + '_ {
        self.range(0)
    }

    /// From the one of that number on.
    pub(crate) fn range(
        &self,
        from: usize,
    ) -> impl DoubleEndedIterator<Item = TimedValue> + ExactSizeIterator + '_ {
        self.kept.range(from..).map(|it| self.open(*it))
    }

    pub(crate) fn get(&self, number: usize) -> Option<TimedValue> {
        self.kept.get(number).map(|it| self.open(*it))
    }

    pub(crate) fn first(&self) -> Option<TimedValue> {
        self.get(0)
    }

    pub(crate) fn last(&self) -> Option<TimedValue> {
        self.kept.back().map(|it| self.open(*it))
    }

    /// How many are earlier than a second since 1970.
    pub(crate) fn before(&self, second: i64) -> usize {
        self.kept.partition_point(|it| self.open(*it).second < second)
    }

    pub(crate) fn pop_first(&mut self) {
        self.kept.pop_front();
    }

    pub(crate) fn pop_last(&mut self) {
        self.kept.pop_back();
    }

    pub(crate) fn remove(&mut self, number: usize) {
        self.kept.remove(number);
    }

    pub(crate) fn clear(&mut self) {
        self.kept.clear();
    }
}

/// One water content for each hour that has one, in three bytes: how long after the one
/// before, and the water content.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(crate) struct HourlyContents {
    /// Hours since 1970 of the first and the last.
    first: i32,
    last: i32,
    kept: VecDeque<(u8, [u8; 2])>,
}

impl HourlyContents {
    /// Adds that of an hour after all before it. Where it comes more than ten days after the
    /// last, those before it are let go of.
    pub(crate) fn push(&mut self, hour: i32, value: f32) {
        let after = u8::try_from(hour.saturating_sub(self.last)).ok().filter(|_| !self.kept.is_empty());
        if after.is_none() {
            self.kept.clear();
            self.first = hour;
        }
        self.last = hour;
        push_tight(&mut self.kept, (after.unwrap_or(0), ContentSteps::of(value).0.to_le_bytes()));
    }

    /// Oldest first: hours since 1970, and water contents.
    pub(crate) fn iter(&self) -> impl ExactSizeIterator<Item = (i32, f32)> + '_ {
        let mut hour = self.first;
        self.kept.iter().enumerate().map(move |(number, (after, steps))| {
            hour += if number == 0 { 0 } else { i32::from(*after) };
            (hour, value(*steps))
        })
    }

    /// Newest first.
    pub(crate) fn newest_first(&self) -> impl Iterator<Item = (i32, f32)> + '_ {
        let mut hour = self.last;
        self.kept.iter().rev().map(move |(after, steps)| {
            let of = hour;
            hour -= i32::from(*after);
            (of, value(*steps))
        })
    }

    pub(crate) fn first(&self) -> Option<(i32, f32)> {
        self.kept.front().map(|(_, steps)| (self.first, value(*steps)))
    }

    pub(crate) fn last(&self) -> Option<(i32, f32)> {
        self.kept.back().map(|(_, steps)| (self.last, value(*steps)))
    }

    pub(crate) fn len(&self) -> usize {
        self.kept.len()
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    pub(crate) fn pop_first(&mut self) {
        self.kept.pop_front();
        if let Some((after, _)) = self.kept.front() {
            self.first += i32::from(*after);
        }
    }

    /// Lets go of those after an hour.
    pub(crate) fn forget_after(&mut self, hour: i32) {
        while self.last > hour
            && let Some((after, _)) = self.kept.pop_back()
        {
            self.last -= i32::from(after);
        }
    }

    /// Lets go of all, and of their room: they come again one an hour.
    pub(crate) fn clear(&mut self) {
        self.kept = VecDeque::new();
    }
}

fn value(steps: [u8; 2]) -> f32 {
    ContentSteps(u16::from_le_bytes(steps)).value()
}

/// Adds one at the end, and makes little more room than that takes: what is kept of each
/// sensor grows to its full length and stays there.
pub(crate) fn push_tight<T>(kept: &mut VecDeque<T>, it: T) {
    if kept.len() == kept.capacity() {
        kept.reserve_exact((kept.len() / 16).max(2));
    }
    kept.push_back(it);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_384_000 + second).expect("in range")
    }

    #[test]
    fn a_water_content_is_off_by_half_a_step_at_most() {
        for number in 0..=13_100 {
            let value = -0.1 + 0.0001 * number as f32;
            let off = (ContentSteps::of(value).value() - value).abs();
            assert!(off <= 0.000_010_1, "{value}: {off}");
        }
        for (given, kept) in [(f32::NAN, -0.1), (-9.0, -0.1), (9.0, 1.2107), (f32::INFINITY, 1.2107)] {
            assert!((ContentSteps::of(given).value() - kept).abs() < 1e-4, "{given}");
        }
    }

    /// Beside a plain list, over gaps, jumps of the clock and what is taken back.
    #[test]
    fn what_is_recent_is_as_in_a_plain_list() {
        const KEEP_S: i64 = 12 * 3600;
        let (mut recent, mut plain) = (RecentContents::default(), VecDeque::<(i64, f32)>::new());
        let mut second = 0;
        for number in 0..5000_i64 {
            second += match number % 701 {
                0 => 40_000,
                350 => 800_000,
                _ => 240 + number * 7919 % 2000,
            };
            let value = 0.0002 * (number % 1000) as f32;
            recent.push(at(second), value, KEEP_S);
            while plain.front().is_some_and(|(first, _)| second - first > KEEP_S) {
                plain.pop_front();
            }
            plain.push_back((second, value));
            match number % 13 {
                0 => {
                    recent.pop_last();
                    plain.pop_back();
                }
                5 if plain.len() > 3 => {
                    recent.remove(plain.len() - 2);
                    plain.remove(plain.len() - 2);
                }
                _ => {}
            }
            let same = |(own, (second, value)): (TimedValue, &(i64, f32))| {
                own.at() == at(*second) && (own.value() - value).abs() < 0.000_011
            };
            assert!(recent.iter().zip(&plain).all(same) && recent.iter().len() == plain.len());
            let middle = second - KEEP_S / 2;
            let before = plain.iter().filter(|(at, _)| *at < middle).count();
            assert_eq!(recent.before(at(middle).as_second()), before);
        }
    }

    #[test]
    fn hours_are_as_in_a_plain_list() {
        let (mut hours, mut plain) = (HourlyContents::default(), VecDeque::<(i32, f32)>::new());
        let mut hour = 493_000;
        for number in 0..3000_i32 {
            hour += if number % 97 == 0 { 200 } else { 1 + number % 3 };
            hours.push(hour, 0.0002 * (number % 999) as f32);
            plain.push_back((hour, 0.0002 * (number % 999) as f32));
            if plain.len() > 60 {
                hours.pop_first();
                plain.pop_front();
            }
            if number % 211 == 0 {
                hours.forget_after(hour - 7);
                plain.retain(|(of, _)| *of <= hour - 7);
                hour -= 7;
            }
            let near =
                |(own, is): ((i32, f32), &(i32, f32))| own.0 == is.0 && (own.1 - is.1).abs() < 0.000_011;
            assert!(hours.iter().zip(&plain).all(near) && hours.len() == plain.len(), "{number}");
            assert!(hours.newest_first().zip(plain.iter().rev()).all(near));
            assert_eq!(hours.last().map(|it| it.0), plain.back().map(|it| it.0));
            assert_eq!(hours.first().map(|it| it.0), plain.front().map(|it| it.0));
        }
        hours.push(hour + 256, 0.1);
        assert_eq!(hours.len(), 1);
        hours.clear();
        assert!(hours.is_empty() && hours.last().is_none());
    }

    #[test]
    fn room_is_as_it_is_said() {
        assert_eq!((size_of::<PackedContent>(), size_of::<(u16, ContentSteps)>()), (6, 4));
        assert_eq!(size_of::<(u8, [u8; 2])>(), 3);
        let kept = PackedContent::new(at(7), 0.25).open();
        assert!(kept.at() == at(7) && (kept.value() - 0.25).abs() < 0.000_011);
    }
}
