//! The value axis: round numbers that people read at a glance.

/// A value axis from `low` to `high` with marks every `step`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) step: f64,
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
        Self { low: (low / step + 1e-9).floor() * step, high: (high / step - 1e-9).ceil() * step, step }
    }

    /// Where a value lies: 0 at the axis's low end, 1 at its high end.
    pub(super) fn place(&self, value: f64) -> f64 {
        (value - self.low) / (self.high - self.low)
    }

    /// The marks, from low to high.
    pub(super) fn marks(&self) -> impl Iterator<Item = f64> + '_ {
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
        number(mark, self.decimals())
    }

    /// Digits behind the point that tell two marks apart.
    fn decimals(&self) -> usize {
        (0..9)
            .find(|&digits| {
                let shifted = self.step * 10f64.powi(i32::try_from(digits).unwrap_or(0));
                (shifted - shifted.round()).abs() < 1e-6 * shifted.max(1.0)
            })
            .unwrap_or(9)
    }
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
        assert_eq!(Scale { low: 0.0, high: 10.0, step: 2.5 }.decimals(), 1);
        assert_eq!(Scale { low: 0.0, high: 10.0, step: 0.25 }.decimals(), 2);
        assert_eq!(Scale { low: 0.0, high: 10.0, step: 5.0 }.decimals(), 0);
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
        assert_eq!(Scale::of(std::iter::empty(), None, 4.0), Scale { low: 0.0, high: 1.0, step: 0.25 });
        let one = Scale::of([f64::NAN, 20.0].into_iter(), None, 4.0);
        assert!(one.low < 20.0 && one.high > 20.0, "{one:?}");
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
