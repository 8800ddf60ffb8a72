//! An input outside the range in which an equation holds.

/// The input, what was given, and the range in which the equation holds.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} is {given:.2} {unit}, out of range ({min:.2} to {max:.2} {unit})")]
pub struct WeatherOutOfRange {
    pub what: &'static str,
    pub given: f64,
    pub min: f64,
    pub max: f64,
    pub unit: &'static str,
}

/// The number itself if it is from `min` to `max`; NaN never is.
pub(super) fn within(
    what: &'static str,
    given: f64,
    (min, max): (f64, f64),
    unit: &'static str,
) -> Result<f64, WeatherOutOfRange> {
    if min <= given && given <= max {
        Ok(given)
    } else {
        Err(WeatherOutOfRange { what, given, min, max, unit })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_belong_to_the_range_and_nan_does_not() {
        for (given, inside) in [
            (1.0, true),
            (2.0, true),
            (1.0f64.next_down(), false),
            (2.0f64.next_up(), false),
            (f64::NAN, false),
        ] {
            assert_eq!(within("x", given, (1.0, 2.0), "m").is_ok(), inside, "{given}");
        }
    }

    #[test]
    fn the_words_name_input_value_and_range() {
        let error = within("wind", -3.0, (0.0, 60.0), "m/s").expect_err("it is outside");
        assert_eq!(error.to_string(), "wind is -3.00 m/s, out of range (0.00 to 60.00 m/s)");
    }
}
