//! Why a value: each curve's equations with the raw number put in.

use std::fmt;

use super::calibrator::line_at;
use super::curve::{Calibration, Counts, Curve};
use super::divider::{Divider, Side};
use super::granular_matrix::{FIELD_CAPACITY_KPA, GranularMatrix, tension_kpa};
use super::thermistor::{Law, Thermistor};
use crate::why::{Check, Equation, Step, Why};

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

const TOPP: Equation = Equation {
    gives: "water content of mineral soil",
    form: "theta = -5.3e-2 + 2.92e-2 ka - 5.5e-4 ka^2 + 4.3e-6 ka^3",
    source: "Topp, Davis, Annan 1980, Water Resources Research 16, eq. 7",
    check: Check::Table("topp_1980.csv"),
};

const TIPS: Equation = Equation {
    gives: "rain of the bucket's tips",
    form: "mm = tips x mm of one tip",
    source: "the gauge's own calibration",
    check: Check::Arithmetic,
};

const DIVIDER: Equation = Equation {
    gives: "resistance of the sensor",
    form: "to ground: R = Rs raw / (full scale - raw); to supply: R = Rs (full scale - raw) / raw",
    source: "Ohm's law for two resistors in a row",
    check: Check::Arithmetic,
};

const GRANULAR_MATRIX: Equation = Equation {
    gives: "water tension of the soil",
    form: "1 to 8 kohm: kPa = (4.093 + 3.213 R) / (1 - 0.009733 R - 0.01205 T)",
    source: "Shock, Barnum, Seddigh 1998, International Irrigation Show",
    check: Check::Table("granular_matrix.csv"),
};

const GRANULAR_MATRIX_WET: Equation = Equation {
    gives: "water tension of wet soil",
    form: "0.55 to 1 kohm: kPa = |23.156 R - 12.736| (1 + 0.018 (T - 24)); below: 0",
    source: "no publication read; as public code extends Shock, Barnum, Seddigh 1998",
    check: Check::Table("granular_matrix.csv"),
};

const GRANULAR_MATRIX_DRY: Equation = Equation {
    gives: "water tension of dry soil",
    form: "8 kohm and more: kPa = 2.246 + 5.239 R g + 0.06756 (R g)^2, g = 1 + 0.018 (T - 24)",
    source: "no publication read; as public code extends Shock, Barnum, Seddigh 1998",
    check: Check::Table("granular_matrix.csv"),
};

const RETENTION_DRY: Equation = Equation {
    gives: "water content from tension, 33 kPa and drier",
    form: "theta = FC (33 / kPa)^(1/B), B = (ln 1500 - ln 33) / (ln FC - ln WP)",
    source: "Saxton and Rawls 2006, Soil Sci. Soc. Am. J. 70, moisture-tension equations of Table 1 (from memory)",
    check: Check::None(
        "no published value of this curve was found; it meets field capacity and wilting point",
    ),
};

const RETENTION_WET: Equation = Equation {
    gives: "water content from tension, wetter than 33 kPa",
    form: "theta = SAT - (SAT - FC) kPa / 33",
    source: "Saxton and Rawls 2006, Soil Sci. Soc. Am. J. 70, moisture-tension equations of Table 1 (from memory), air entry at 0 kPa",
    check: Check::None("no published value of this curve was found; it meets saturation and field capacity"),
};

const BETA: Equation = Equation {
    gives: "temperature of the thermistor",
    form: "1/T = 1/298.15 + ln(R / R25) / beta",
    source: "common practice, from memory",
    check: Check::Table("thermistor_beta.csv"),
};

const STEINHART_HART: Equation = Equation {
    gives: "temperature of the thermistor",
    form: "1/T = A + B ln R + C (ln R)^3",
    source: "Steinhart and Hart 1968, Deep-Sea Research 15 (from memory)",
    check: Check::Table("thermistor_steinhart_hart.csv"),
};

const PLATINUM: Equation = Equation {
    gives: "temperature of the platinum thermometer",
    form: "R = R0 (1 + A t + B t^2), below 0 °C with C (t - 100) t^3 beside; solved for t",
    source: "IEC 60751: A 3.9083e-3, B -5.775e-7, C -4.183e-12",
    check: Check::Table("iec_60751.csv"),
};

const ONE_WIRE: Equation = Equation {
    gives: "temperature of the 1-wire thermometer",
    form: "t = register / 16",
    source: "the register's table as public driver sources quote it",
    check: Check::Table("one_wire_register.csv"),
};

/// The equations of all curves.
pub const EQUATIONS: &[Equation] = &[
    IDENTITY,
    LINE,
    POLYNOMIAL,
    TOPP,
    TIPS,
    DIVIDER,
    GRANULAR_MATRIX,
    GRANULAR_MATRIX_WET,
    GRANULAR_MATRIX_DRY,
    RETENTION_DRY,
    RETENTION_WET,
    BETA,
    STEINHART_HART,
    PLATINUM,
    ONE_WIRE,
];

impl Calibration {
    /// Why `raw` came to `value`: each equation on the way with its numbers. For
    /// raw numbers that have no value there are no steps from where it fails.
    pub fn why(&self, raw: f64, value: f64) -> Why {
        let (r, v) = (Figure(raw), Figure(value));
        match self.curve() {
            Curve::Identity => vec![IDENTITY.step(format!("{v}"))],
            Curve::Piecewise { points } => {
                let ((r0, v0), (r1, v1)) = line_at(points, raw);
                let [r0, v0, r1, v1] = [r0, v0, r1, v1].map(Figure);
                vec![LINE.step(format!("{v0} + ({r} - {r0}) x ({v1} - {v0}) / ({r1} - {r0}) = {v}"))]
            }
            Curve::Polynomial { coefficients } => {
                let terms: Vec<String> = coefficients
                    .iter()
                    .enumerate()
                    .map(|(power, c)| match power {
                        0 => Figure(*c).to_string(),
                        1 => format!("{} x {r}", Figure(*c)),
                        _ => format!("{} x {r}^{power}", Figure(*c)),
                    })
                    .collect();
                vec![POLYNOMIAL.step(format!("{} = {v}", terms.join(" + ")))]
            }
            Curve::Topp => vec![
                TOPP.step(format!("-5.3e-2 + 2.92e-2 x {r} - 5.5e-4 x {r}^2 + 4.3e-6 x {r}^3 = {v} m3/m3")),
            ],
            Curve::Tips { mm_per_tip, counts } => {
                let tips = match counts {
                    Counts::Message => raw,
                    // The raw number counts all tips since the counter's start.
                    Counts::Running { .. } => value / mm_per_tip,
                };
                vec![TIPS.step(format!("{} x {} mm = {v} mm", Figure(tips), Figure(*mm_per_tip)))]
            }
            Curve::GranularMatrix(sensor) => of_granular_matrix(sensor, raw, v),
            Curve::Thermistor(sensor) => of_thermistor(sensor, raw, v),
            Curve::Platinum(sensor) => {
                let r0 = Figure(sensor.r0_ohm());
                let below =
                    if value < 0.0 { format!(" - 4.183e-12 x ({v} - 100) x {v}^3") } else { String::new() };
                vec![
                    PLATINUM.step(format!(
                        "{r} = {r0} x (1 + 3.9083e-3 x {v} - 5.775e-7 x {v}^2{below}) at {v} °C"
                    )),
                ]
            }
            Curve::OneWire => {
                let signed = Figure(if raw > 32_767.0 { raw - 65_536.0 } else { raw });
                vec![ONE_WIRE.step(format!("{signed} / 16 = {v} °C"))]
            }
        }
    }
}

fn of_divider(divider: Option<&Divider>, raw: f64, ohm: f64) -> Option<Step> {
    let divider = divider?;
    let [series, full, raw, ohm] = [divider.series_ohm(), divider.full_scale(), raw, ohm].map(Figure);
    Some(DIVIDER.step(match divider.side() {
        Side::Ground => format!("{series} x {raw} / ({full} - {raw}) = {ohm} ohm"),
        Side::Supply => format!("{series} x ({full} - {raw}) / {raw} = {ohm} ohm"),
    }))
}

fn of_granular_matrix(sensor: &GranularMatrix, raw: f64, value: Figure) -> Why {
    let Ok(kohm) = sensor.resistance_kohm(raw) else { return Vec::new() };
    let kpa = tension_kpa(kohm, sensor.soil_c());
    let (r, t, k) = (Figure(kohm), Figure(sensor.soil_c()), Figure(kpa));
    let tension = if kohm < 0.55 {
        GRANULAR_MATRIX_WET.step(format!("{r} kohm is below 0.55 kohm: 0 kPa"))
    } else if kohm < 1.0 {
        GRANULAR_MATRIX_WET.step(format!("|23.156 x {r} - 12.736| x (1 + 0.018 x ({t} - 24)) = {k} kPa"))
    } else if kohm < 8.0 {
        GRANULAR_MATRIX
            .step(format!("(4.093 + 3.213 x {r}) / (1 - 0.009733 x {r} - 0.01205 x {t}) = {k} kPa"))
    } else {
        let g = Figure(1.0 + 0.018 * (sensor.soil_c() - 24.0));
        GRANULAR_MATRIX_DRY.step(format!("2.246 + 5.239 x {r} x {g} + 0.06756 x ({r} x {g})^2 = {k} kPa"))
    };
    let (_, capacity, saturation) = sensor.retention().points();
    let (capacity, saturation) = (Figure(capacity), Figure(saturation));
    let content = if kpa >= FIELD_CAPACITY_KPA {
        let b = Figure(sensor.retention().exponent());
        RETENTION_DRY.step(format!("{capacity} x (33 / {k})^(1 / {b}) = {value} m3/m3"))
    } else {
        RETENTION_WET.step(format!("{saturation} - ({saturation} - {capacity}) x {k} / 33 = {value} m3/m3"))
    };
    of_divider(sensor.divider(), raw, kohm * 1000.0).into_iter().chain([tension, content]).collect()
}

fn of_thermistor(sensor: &Thermistor, raw: f64, value: Figure) -> Why {
    let Ok(ohm) = sensor.resistance_ohm(raw) else { return Vec::new() };
    let r = Figure(ohm);
    let temperature = match sensor.law() {
        Law::Beta { r25_ohm, beta_k } => {
            let (r25, beta) = (Figure(r25_ohm), Figure(beta_k));
            BETA.step(format!("1 / (1/298.15 + ln({r} / {r25}) / {beta}) - 273.15 = {value} °C"))
        }
        Law::SteinhartHart { a, b, c } => {
            let [a, b, c] = [a, b, c].map(Figure);
            STEINHART_HART.step(format!("1 / ({a} + {b} x ln {r} + {c} x (ln {r})^3) - 273.15 = {value} °C"))
        }
    };
    of_divider(sensor.divider(), raw, ohm).into_iter().chain([temperature]).collect()
}

/// A number to six significant digits, without the zeros behind.
#[derive(Clone, Copy)]
struct Figure(f64);

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const DIGITS: i32 = 6;
        let x = self.0;
        // Ends in a number of digits before the point, counted without `log10`,
        // which rounds 999,999.9 up.
        let written = format!("{x:.*e}", 5);
        let exponent: i32 = written.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
        if !x.is_finite() || !(-4..DIGITS + 3).contains(&exponent) {
            let (digits, e) = written.split_once('e').unwrap_or((&written, "0"));
            let short = if digits.contains('.') {
                digits.trim_end_matches('0').trim_end_matches('.')
            } else {
                digits
            };
            return if x.is_finite() { write!(f, "{short}e{e}") } else { write!(f, "{x}") };
        }
        let decimals = usize::try_from(DIGITS - 1 - exponent).unwrap_or(0);
        let plain = format!("{x:.decimals$}");
        let short =
            if plain.contains('.') { plain.trim_end_matches('0').trim_end_matches('.') } else { &plain };
        f.write_str(if short == "-0" { "0" } else { short })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{Platinum, Retention};

    fn steps(calibration: &Calibration, raw: f64) -> Vec<String> {
        let value = calibration.convert(raw).unwrap();
        calibration.why(raw, value).into_iter().map(|step| step.with).collect()
    }

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
            assert_eq!(Figure(x).to_string(), expected);
        }
    }

    #[test]
    fn each_curve_shows_its_numbers() {
        let points = Calibration::piecewise(vec![(2900.0, 0.05), (1450.0, 0.40)]).unwrap();
        assert_eq!(steps(&points, 2175.0), ["0.4 + (2175 - 1450) x (0.05 - 0.4) / (2900 - 1450) = 0.225"]);
        let quadratic = Calibration::polynomial(vec![1.0, -2.0, 0.5]).unwrap();
        assert_eq!(steps(&quadratic, 4.0), ["1 + -2 x 4 + 0.5 x 4^2 = 1"]);
        let gauge = Calibration::tips(0.2, Counts::Running { wraps_at: None }).unwrap();
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
