//! The value axis: round numbers that people read at a glance.

/// A value axis from `low` to `high` with marks every `step`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Scale {
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(super) step: f64,
    /// Digits behind the point that tell two marks apart.
    pub(crate) decimals: usize,
}

/// The number nearest to `size` that is 1, 2, 2.5, 5 or 10 times a power of ten
/// (Heckbert 1990, "Nice numbers for graph labels", Graphics Gems, 61-63, with 2.5
/// added). `size` is above zero.
fn nice(size: f64) -> f64 {
    let power = 10f64.powf(size.log10().floor());
    let part = size / power;
    let round = match part {
        p if p < 1.5 => 1.0,
        p if p < 2.25 => 2.0,
        p if p < 3.5 => 2.5,
        p if p < 7.5 => 5.0,
        _ => 10.0,
    };
    round * power
}

impl Scale {
    /// The axis that shows `values` and `at_least`. What is not finite is left out;
    /// with nothing to show it runs from 0 to 1, and one value gets room around it.
    /// `marks`: about how many there are to be.
    pub(super) fn of(values: impl Iterator<Item = f64>, at_least: Option<(f64, f64)>, marks: f64) -> Self {
        let ends = at_least.into_iter().flat_map(|(low, high)| [low, high]);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.chain(ends).filter(|value| value.is_finite() && value.abs() < 1e12) {
            low = low.min(value);
            high = high.max(value);
        }
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        let span = high - low;
        if span <= 1e-9 * low.abs().max(high.abs()).max(1e-3) {
            let room = (low.abs() * 0.05).max(0.5);
            (low, high) = (low - room, high + room);
        }
        let step = nice((high - low) / marks);
        let (low, high) = ((low / step + 1e-9).floor() * step, (high / step - 1e-9).ceil() * step);
        Self { low, high, step, decimals: decimals(step) }
    }

    /// The axis of a small drawing that holds all numbers, with three to seven marks; `None`
    /// where there is none that is finite.
    pub(crate) fn covering(numbers: impl Iterator<Item = f64>) -> Option<Self> {
        let numbers = numbers.filter(|number| number.is_finite());
        let (low, high) =
            numbers.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| (low.min(it), high.max(it)));
        if low > high {
            return None;
        }
        let span = if high - low > 0.0 { high - low } else { low.abs().max(1.0) };
        let rough = span / 4.0;
        let power = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|it| it * power).find(|it| *it >= rough)?;
        let (first, last) = ((low / step).floor(), (high / step).ceil());
        let count = (last - first).clamp(1.0, 12.0);
        let decimals = (-power.log10().floor()).clamp(0.0, 6.0) as usize;
        Some(Self { low: first * step, high: (first + count) * step, step, decimals })
    }

    /// Digits behind the point of its marks.
    pub(super) fn decimals(&self) -> usize {
        self.decimals
    }

    /// Where a value lies: 0 at the axis's low end, 1 at its high end.
    pub(crate) fn place(&self, value: f64) -> f64 {
        (value - self.low) / (self.high - self.low)
    }

    /// The marks, from low to high.
    pub(crate) fn marks(&self) -> impl Iterator<Item = f64> + '_ {
        let count = ((self.high - self.low) / self.step).round().clamp(0.0, 50.0) as u32;
        (0..=count).map(|i| self.low + f64::from(i) * self.step)
    }

    /// A mark in words: with the digits that the step needs, and short where the axis
    /// goes into the millions.
    pub(super) fn label(&self, mark: f64) -> String {
        if self.low.abs().max(self.high.abs()) >= 1e6 {
            let text = format!("{:.2e}", if mark.abs() < self.step * 1e-6 { 0.0 } else { mark });
            return text.replace(".00e", "e").replace("0e0", "0").replace('-', "\u{2212}");
        }
        number(mark, self.decimals)
    }
}

/// Digits behind the point that tell two marks apart.
fn decimals(step: f64) -> usize {
    let whole = |digits: &usize| {
        let shifted = step * 10f64.powi(i32::try_from(*digits).unwrap_or(0));
        (shifted - shifted.round()).abs() < 1e-6 * shifted.max(1.0)
    };
    (0..9).find(whole).unwrap_or(9)
}

/// A number with a true minus sign, and none before zero.
pub(super) fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|byte| matches!(byte, b'0' | b'.')) => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Worked through by hand by the rule above.
    #[test]
    fn marks_are_round_numbers() {
        for (low, high, expected) in [
            (0.0, 10.0, (0.0, 10.0, 2.5)),
            (6.2, 17.9, (5.0, 20.0, 2.5)),
            (17.9, 22.4, (17.0, 23.0, 1.0)),
            (0.0, 97.0, (0.0, 100.0, 25.0)),
            (-3.1, 4.2, (-4.0, 6.0, 2.0)),
            (105.0, 106.0, (105.0, 106.0, 0.25)),
        ] {
            let scale = Scale::of([low, high].into_iter(), None, 4.0);
            assert!((scale.low - expected.0).abs() < 1e-9, "{low} to {high}: {scale:?}");
            assert!((scale.high - expected.1).abs() < 1e-9, "{low} to {high}: {scale:?}");
            assert!((scale.step - expected.2).abs() < 1e-9, "{low} to {high}: {scale:?}");
        }
        assert_eq!(decimals(2.5), 1);
        assert_eq!(decimals(0.25), 2);
        assert_eq!(decimals(5.0), 0);
    }

    #[test]
    fn marks_have_the_digits_that_their_step_needs() {
        let labels = |low, high| -> Vec<String> {
            let scale = Scale::of([low, high].into_iter(), None, 4.0);
            scale.marks().map(|mark| scale.label(mark)).collect()
        };
        assert_eq!(labels(-3.1, 4.2), ["\u{2212}4", "\u{2212}2", "0", "2", "4", "6"]);
        assert_eq!(labels(-0.2, 0.2), ["\u{2212}0.2", "\u{2212}0.1", "0.0", "0.1", "0.2"]);
        assert_eq!(labels(0.0, 1e7), ["0", "2.50e6", "5e6", "7.50e6", "1e7"]);
    }

    #[test]
    fn nothing_and_one_value_have_an_axis() {
        let none = Scale { low: 0.0, high: 1.0, step: 0.25, decimals: 2 };
        assert_eq!(Scale::of(std::iter::empty(), None, 4.0), none);
        let one = Scale::of([f64::NAN, 20.0].into_iter(), None, 4.0);
        assert!(one.low < 20.0 && one.high > 20.0, "{one:?}");
    }

    #[test]
    fn small_axes_hold_their_numbers_between_round_marks() {
        for numbers in
            [&[0.1, 0.42][..], &[-3.0, 8.0], &[5.0], &[0.0], &[1e-9, 2e-9], &[-1e12, 1e12], &[2.5, 2.5]]
        {
            let axis = Scale::covering(numbers.iter().copied()).expect("an axis");
            assert!((2..=13).contains(&axis.marks().count()), "{numbers:?}: {axis:?}");
            for &number in numbers {
                assert!(
                    axis.low <= number && number <= axis.high,
                    "{numbers:?}: {} to {}",
                    axis.low,
                    axis.high
                );
            }
        }
        assert!(Scale::covering([f64::NAN, f64::INFINITY].into_iter()).is_none());
        let axis = Scale::covering([1.2, 4.9].into_iter()).expect("an axis");
        assert_eq!(axis.marks().collect::<Vec<_>>(), [1.0, 2.0, 3.0, 4.0, 5.0]);
    }

    proptest! {
        #[test]
        fn every_value_lies_on_the_axis(
            values in proptest::collection::vec(-1e9..1e9_f64, 0..20),
            least in proptest::option::of((-1e3..1e3_f64, -1e3..1e3_f64)),
        ) {
            let scale = Scale::of(values.iter().copied(), least, 2.0);
            prop_assert!(scale.step > 0.0 && scale.high > scale.low);
            for value in values {
                prop_assert!((-1e-6..=1.0 + 1e-6).contains(&scale.place(value)));
            }
            prop_assert!(scale.marks().count() <= 12);
        }
    }
}
