//! Why a value: each curve's equations with the raw number put in.

use super::calibrator::line_at;
use super::curve::{Calibration, CountMode, Curve};
use super::figure::SixDigits;
use super::{one_wire, topp};
use crate::why::{Check, Equation, Why};

const IDENTITY: Equation = Equation {
    gives: "the value that the sensor sent",
    form: "value = raw",
    source: "no equation: the sensor sends the value itself",
    check: Check::Arithmetic,
};

const LINE: Equation = Equation {
    gives: "the value between two points of the calibration",
    form: "value = v0 + (raw - r0) (v1 - v0) / (r1 - r0)",
    source: "the straight line through two points; the points are the sensor's own calibration",
    check: Check::Arithmetic,
};

const POLYNOMIAL: Equation = Equation {
    gives: "the value by the calibration's polynomial",
    form: "value = c0 + c1 raw + c2 raw^2 + ...",
    source: "the coefficients are the sensor's own calibration",
    check: Check::Arithmetic,
};

const TIPS: Equation = Equation {
    gives: "rain of the bucket's tips",
    form: "mm = tips x mm of one tip",
    source: "the gauge's own calibration",
    check: Check::Arithmetic,
};

impl Calibration {
    /// Why `raw` came to `value`: each equation on the way with its numbers. For
    /// raw numbers that have no value there are no steps from where it fails.
    pub fn why(&self, raw: f64, value: f64) -> Why {
        let (r, v) = (SixDigits(raw), SixDigits(value));
        match self.curve() {
            Curve::Identity => vec![IDENTITY.step(format!("{v}"))],
            Curve::Piecewise { points } => {
                let ((r0, v0), (r1, v1)) = line_at(points, raw);
                let [r0, v0, r1, v1] = [r0, v0, r1, v1].map(SixDigits);
                vec![LINE.step(format!("{v0} + ({r} - {r0}) x ({v1} - {v0}) / ({r1} - {r0}) = {v}"))]
            }
            Curve::Polynomial { coefficients } => {
                let terms: Vec<String> = coefficients
                    .iter()
                    .enumerate()
                    .map(|(power, c)| match power {
                        0 => SixDigits(*c).to_string(),
                        1 => format!("{} x {r}", SixDigits(*c)),
                        _ => format!("{} x {r}^{power}", SixDigits(*c)),
                    })
                    .collect();
                vec![POLYNOMIAL.step(format!("{} = {v}", terms.join(" + ")))]
            }
            Curve::Topp => vec![topp::step(raw, value)],
            Curve::Tips { mm_per_tip, counts } => {
                let tips = match counts {
                    CountMode::Message => raw,
                    // The raw number counts all tips since the counter's start.
                    CountMode::Running { .. } => value / mm_per_tip,
                };
                vec![TIPS.step(format!("{} x {} mm = {v} mm", SixDigits(tips), SixDigits(*mm_per_tip)))]
            }
            Curve::GranularMatrix(sensor) => sensor.why(raw, value),
            Curve::Thermistor(sensor) => sensor.why(raw, value),
            Curve::Platinum(sensor) => vec![sensor.step(raw, value)],
            Curve::OneWire => vec![one_wire::step(raw, value)],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{Divider, GranularMatrix, Law, Platinum, Retention, Side, Thermistor};

    fn steps(calibration: &Calibration, raw: f64) -> Vec<String> {
        let value = calibration.convert(raw).unwrap();
        calibration.why(raw, value).into_iter().map(|step| step.with).collect()
    }

    #[test]
    fn each_curve_shows_its_numbers() {
        let points = Calibration::piecewise(vec![(2900.0, 0.05), (1450.0, 0.40)]).unwrap();
        assert_eq!(steps(&points, 2175.0), ["0.4 + (2175 - 1450) x (0.05 - 0.4) / (2900 - 1450) = 0.225"]);
        let quadratic = Calibration::polynomial(vec![1.0, -2.0, 0.5]).unwrap();
        assert_eq!(steps(&quadratic, 4.0), ["1 + -2 x 4 + 0.5 x 4^2 = 1"]);
        let gauge = Calibration::tips(0.2, CountMode::Running { wraps_at: None }).unwrap();
        assert_eq!(gauge.why(1234.0, 1.4)[0].with, "7 x 0.2 mm = 1.4 mm");
        assert_eq!(steps(&Calibration::one_wire(), 65_528.0), ["-8 / 16 = -0.5 °C"]);
        let below = "92.2 = 100 x (1 + 3.9083e-3 x -19.898 - 5.775e-7 x -19.898^2 - 4.183e-12 x \
                     (-19.898 - 100) x -19.898^3) at -19.898 °C";
        let pt100 = Calibration::platinum(Platinum::new(100.0).unwrap());
        assert_eq!(steps(&pt100, 100.0), ["100 = 100 x (1 + 3.9083e-3 x 0 - 5.775e-7 x 0^2) at 0 °C"]);
        assert_eq!(steps(&pt100, 92.2), [below]);
    }

    #[test]
    fn a_sensor_in_a_divider_takes_its_steps_in_turn() {
        let divider = Divider::new(10_000.0, 4096.0, Side::Ground).unwrap();
        let law = Law::beta(10_000.0, 3950.0).unwrap();
        let thermistor = Calibration::thermistor(Thermistor::new(law, Some(divider)));
        assert_eq!(
            steps(&thermistor, 2048.0),
            [
                "10000 x 2048 / (4096 - 2048) = 10000 ohm",
                "1 / (1/298.15 + ln(10000 / 10000) / 3950) - 273.15 = 25 °C"
            ]
        );
        let soil = Retention::new(0.065, 0.15, 0.46).unwrap();
        let matrix = Calibration::granular_matrix(GranularMatrix::new(24.0, soil, None).unwrap());
        assert_eq!(
            steps(&matrix, 3000.0),
            [
                "(4.093 + 3.213 x 3) / (1 - 0.009733 x 3 - 0.01205 x 24) = 20.1467 kPa",
                "0.46 - (0.46 - 0.15) x 20.1467 / 33 = 0.270743 m3/m3"
            ]
        );
        let dry = steps(&matrix, 15_000.0);
        assert_eq!(dry[0], "2.246 + 5.239 x 15 x 1 + 0.06756 x (15 x 1)^2 = 96.032 kPa");
        assert!(dry[1].starts_with("0.15 x (33 / 96.032)^(1 / 4.564"), "{}", dry[1]);
    }

    #[test]
    fn what_has_no_value_has_no_steps() {
        let law = Law::beta(10_000.0, 3950.0).unwrap();
        let thermistor = Calibration::thermistor(Thermistor::new(law, None));
        assert!(thermistor.why(-1.0, f64::NAN).is_empty());
    }
}
