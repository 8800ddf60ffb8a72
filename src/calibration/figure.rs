//! Numbers as the steps of a calculation show them.

use std::fmt;

/// A number to six significant digits, without the zeros behind.
#[derive(Clone, Copy)]
pub(super) struct SixDigits(pub(super) f64);

impl fmt::Display for SixDigits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const DIGITS: i32 = 6;
        let x = self.0;
        // Ends in a number of digits before the point, counted without `log10`,
        // which rounds 999,999.9 up.
        let written = format!("{x:.*e}", 5);
        let exponent: i32 = written.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
        if !x.is_finite() {
            return write!(f, "{x}");
        }
        if !(-4..DIGITS + 3).contains(&exponent) {
            let (digits, e) = written.split_once('e').unwrap_or((&written, "0"));
            return write!(f, "{}e{e}", without_zeros(digits));
        }
        let decimals = usize::try_from(DIGITS - 1 - exponent).unwrap_or(0);
        let plain = format!("{x:.decimals$}");
        let short = without_zeros(&plain);
        f.write_str(if short == "-0" { "0" } else { short })
    }
}

/// Digits without the zeros at the end of a fraction.
fn without_zeros(digits: &str) -> &str {
    if digits.contains('.') { digits.trim_end_matches('0').trim_end_matches('.') } else { digits }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_six_digits_and_no_more() {
        for (x, expected) in [
            (0.0, "0"),
            (-0.0, "0"),
            (2900.0, "2900"),
            (0.1, "0.1"),
            (1.0 / 3.0, "0.333333"),
            (123_456.789, "123457"),
            (65_536.0, "65536"),
            (999_999.96, "1000000"),
            (8.767_41e-8, "8.76741e-8"),
            (0.001_129_148, "0.00112915"),
            (1e300, "1e300"),
            (-5.775e-7, "-5.775e-7"),
        ] {
            assert_eq!(SixDigits(x).to_string(), expected);
        }
    }
}
