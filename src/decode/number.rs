//! Numbers written as text.

/// Why a text is no number to keep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NumberFault {
    NotDecimal,
    TooLarge,
}

/// A finite decimal number with optional sign, fraction and exponent, and white
/// space around it. Names of infinity and of not-a-number are no numbers here,
/// however they are spelt.
pub(super) fn finite(text: &str) -> Result<f64, NumberFault> {
    let text = text.trim();
    // Keeps out the words that `f64` parses ("inf", "NaN" and their like).
    if !text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E')) {
        return Err(NumberFault::NotDecimal);
    }
    match text.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        Ok(_) => Err(NumberFault::TooLarge),
        Err(_) => Err(NumberFault::NotDecimal),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_numbers_are_taken() {
        for (text, expected) in [
            ("0", 0.0),
            (" 2345\r\n", 2345.0),
            ("+1.5", 1.5),
            ("-1.5e3", -1500.0),
            ("1E-2", 0.01),
            (".5", 0.5),
            ("5.", 5.0),
            ("1e-999", 0.0),
        ] {
            assert_eq!(finite(text).map(f64::to_bits), Ok(f64::to_bits(expected)), "{text:?}");
        }
    }

    #[test]
    fn everything_else_is_refused() {
        for text in [
            "", " ", "nan", "NaN", "-nan", "NAN", "inf", "+inf", "-Inf", "INFINITY", "infinity", "1.#INF",
            "1.#QNAN", "0x10", "1_000", "1,5", "1 2", "12abc", "true", "null", "--1", "1e", "e5", ".", "+",
            "-", "1.2.3", "٣", "１２", "1\0", "∞",
        ] {
            assert_eq!(finite(text), Err(NumberFault::NotDecimal), "{text:?}");
        }
        for text in ["1e999", "-1e999", "1e400"] {
            assert_eq!(finite(text), Err(NumberFault::TooLarge), "{text:?}");
        }
        assert_eq!(finite(&"9".repeat(1_000_000)), Err(NumberFault::TooLarge));
    }
}
