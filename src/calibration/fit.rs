//! A calibration from pairs of raw numbers and reference values.
//!
//! Pairs whose raw numbers lie together are one place. Three forms are tried: a
//! straight line, a parabola, and lines from place to place. Each is judged by
//! leaving out one place at a time and foretelling it from the others; the
//! simplest form wins unless another's error is smaller by more than a fifth.
//!
//! Leave-one-out cross-validation is common practice in statistics; the limits
//! below are ours. Simulated fits of straight, bent and broken curves with 4 to
//! 12 places and noise of 1 and 5 % of the span chose the fifth: a smaller margin
//! takes noise for a bend more often, a larger one hides bends.

use super::curve::Calibration;
use super::error::CalibrationError;

/// Pairs nearer together than this part of the raw span are one place.
const PLACE_PART: f64 = 0.02;
/// Values of one place may differ by this part of the span of values.
const AGREE_PART: f64 = 0.2;
/// Values may turn back by this part of their span: noise, not a bend.
const TURN_PART: f64 = 0.1;
/// A left-out error above this part of the span of values supports nothing.
const ERROR_PART: f64 = 0.25;
/// Another form has to be better by this much.
const BETTER: f64 = 0.8;
/// Places that a form needs, so that one can be left out.
const LINE_PLACES: usize = 3;
const POINTS_PLACES: usize = 4;
const PARABOLA_PLACES: usize = 5;

/// The form of a fitted calibration, simplest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    Line,
    Parabola,
    Points,
}

impl Form {
    /// Every form, simplest first.
    pub const ALL: [Self; 3] = [Self::Line, Self::Parabola, Self::Points];

    /// As people say it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Line => "straight line",
            Self::Parabola => "parabola",
            Self::Points => "lines from point to point",
        }
    }
}

/// What a fitted calibration is written with, rounded to a hundred-thousandth of
/// the span.
#[derive(Clone, Debug, PartialEq)]
pub enum FitNumbers {
    /// Raw number and value, raw rising.
    Points(Vec<(f64, f64)>),
    /// `c0 + c1 raw + c2 raw²` for raw numbers from the first to the last place,
    /// and not beyond, where a parabola leads anywhere.
    Parabola { coefficients: [f64; 3], valid: (f64, f64) },
}

impl FitNumbers {
    /// The line of a `[[sensor]]` in a garden's file.
    pub fn line(&self) -> String {
        match self {
            Self::Points(points) => {
                let points: Vec<String> =
                    points.iter().map(|(raw, value)| format!("[{raw}, {value}]")).collect();
                format!("calibration = {{ points = [{}] }}", points.join(", "))
            }
            Self::Parabola { coefficients: [c0, c1, c2], valid: (min, max) } => {
                format!("calibration = {{ polynomial = [{c0:e}, {c1:e}, {c2:e}], valid = [{min}, {max}] }}")
            }
        }
    }
}

/// How well a form foretells a place from the others; in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeftOut {
    /// Root of the mean squared error.
    pub rmse: f64,
    /// The largest error, without sign.
    pub largest: f64,
    /// The raw number of the place that it is at.
    pub at_raw: f64,
}

/// A fitted calibration.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    pub form: Form,
    /// The calibration's numbers, to be written down.
    pub numbers: FitNumbers,
    /// Made of these numbers.
    pub calibration: Calibration,
    /// Places that the pairs make.
    pub places: usize,
    /// Lowest and highest raw number of a place.
    pub raw: (f64, f64),
    /// Lowest and highest value of a place.
    pub value: (f64, f64),
    /// `None`: two places make a line and leave nothing to check it with.
    pub error: Option<LeftOut>,
    /// Every form that the pairs are enough for, simplest first.
    pub tried: Vec<(Form, LeftOut)>,
}

/// Why pairs support no calibration.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CannotFit {
    #[error("too few pairs ({given}): at least two are needed, better five over the whole range")]
    TooFew { given: usize },
    #[error("pair {place} holds {given}: a finite number is needed")]
    NotFinite { place: usize, given: f64 },
    #[error(
        "all raw numbers are {raw}: pairs are needed from both ends of the range, such as dry and wet, or cold and warm"
    )]
    NoRawSpan { raw: f64 },
    #[error("all values are {value}: the sensor must be read at two different ones at least")]
    NoValueSpan { value: f64 },
    #[error(
        "raw numbers near {raw} stand beside values from {low} to {high}: the same raw number cannot mean both, so one reading or one reference is wrong"
    )]
    Contradiction { raw: f64, low: f64, high: f64 },
    #[error(
        "the values turn back: {before} at raw {before_raw}, then {after} at raw {after_raw}, against the way of the others. One raw number would mean two values"
    )]
    TurnsBack { before_raw: f64, before: f64, after_raw: f64, after: f64 },
    #[error(
        "no curve foretells a pair from the others: the error is {rmse:.3} where the values span {span:.3}. Measure more pairs, with the sensor left to settle before each"
    )]
    NoCurve { rmse: f64, span: f64 },
    #[error("the pairs make no calibration ({0})")]
    NoCalibration(CalibrationError),
}

/// Fits `pairs` of (raw, value), in any order.
///
/// # Errors
///
/// When the pairs support no calibration, and why.
pub fn fit(pairs: &[(f64, f64)]) -> Result<Fit, CannotFit> {
    let places = places_of(pairs)?;
    let raw = (places[0].0, places[places.len() - 1].0);
    let value = ends(&places);
    goes_one_way(&places, value.1 - value.0)?;

    let tried: Vec<(Form, LeftOut)> =
        Form::ALL.into_iter().filter_map(|form| Some((form, left_out(form, &places)?))).collect();
    let mut chosen = (Form::Line, tried.first().map(|(_, error)| *error));
    for &(form, error) in &tried {
        if chosen.1.is_none_or(|best| error.rmse < BETTER * best.rmse) {
            chosen = (form, Some(error));
        }
    }
    let (form, error) = chosen;
    let span = value.1 - value.0;
    if let Some(error) = error
        && error.rmse > ERROR_PART * span
    {
        return Err(CannotFit::NoCurve { rmse: error.rmse, span });
    }
    let numbers = numbers_of(form, &places, span);
    let calibration = match &numbers {
        Some(FitNumbers::Points(points)) => Calibration::piecewise(points.clone()),
        Some(FitNumbers::Parabola { coefficients, valid: (min, max) }) => {
            Calibration::polynomial(coefficients.to_vec()).and_then(|curve| curve.with_valid(*min, *max))
        }
        None => Err(CalibrationError::TooFewPoints { given: places.len() }),
    };
    match (numbers, calibration) {
        (Some(numbers), Ok(calibration)) => {
            Ok(Fit { form, numbers, calibration, places: places.len(), raw, value, error, tried })
        }
        (None, Ok(_)) => Err(CannotFit::TooFew { given: places.len() }),
        (_, Err(why)) => Err(CannotFit::NoCalibration(why)),
    }
}

/// The pairs by raw number, those that lie together as their mean.
fn places_of(pairs: &[(f64, f64)]) -> Result<Vec<(f64, f64)>, CannotFit> {
    if pairs.len() < 2 {
        return Err(CannotFit::TooFew { given: pairs.len() });
    }
    for (i, &(raw, value)) in pairs.iter().enumerate() {
        if let Some(given) = [raw, value].into_iter().find(|x| !x.is_finite()) {
            return Err(CannotFit::NotFinite { place: i + 1, given });
        }
    }
    let mut sorted = pairs.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let (first, last) = (sorted[0].0, sorted[sorted.len() - 1].0);
    let near = (last - first) * PLACE_PART;
    // Raw numbers that differ in their last bits only have no span either.
    if !(near > 1e-9 * first.abs().max(last.abs()) && near.is_finite()) {
        return Err(CannotFit::NoRawSpan { raw: first });
    }
    let (low, high) = ends(&sorted);
    if !(high - low > 1e-9 * low.abs().max(high.abs()) && (high - low).is_finite()) {
        return Err(CannotFit::NoValueSpan { value: low });
    }
    let mut places = Vec::new();
    let mut rest = sorted.as_slice();
    while let Some(&(start, _)) = rest.first() {
        let (group, others) = rest.split_at(rest.partition_point(|p| p.0 - start <= near));
        rest = others;
        let (group_low, group_high) = ends(group);
        let (raw, value) = (mean(group.iter().map(|p| p.0)), mean(group.iter().map(|p| p.1)));
        if group_high - group_low > AGREE_PART * (high - low) {
            return Err(CannotFit::Contradiction { raw, low: group_low, high: group_high });
        }
        places.push((raw, value));
    }
    Ok(places)
}

/// Lowest and highest value.
fn ends(pairs: &[(f64, f64)]) -> (f64, f64) {
    pairs.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), p| (low.min(p.1), high.max(p.1)))
}

fn mean(numbers: impl ExactSizeIterator<Item = f64>) -> f64 {
    // Divided first, so that large numbers do not overflow; lists are short.
    let count = numbers.len() as f64;
    numbers.map(|x| x / count).sum()
}

/// Values that go back against their own direction by more than noise.
fn goes_one_way(places: &[(f64, f64)], span: f64) -> Result<(), CannotFit> {
    let turn = |rises: bool| -> Option<((f64, f64), (f64, f64))> {
        let mut farthest = places[0];
        let mut worst = None;
        let mut most = TURN_PART * span;
        for &place in &places[1..] {
            let back = if rises { farthest.1 - place.1 } else { place.1 - farthest.1 };
            if back <= 0.0 {
                farthest = place;
            } else if back > most {
                (worst, most) = (Some((farthest, place)), back);
            }
        }
        worst
    };
    let (Some(rising), Some(falling)) = (turn(true), turn(false)) else { return Ok(()) };
    // The way of the others is the one that is broken by less.
    let size = |((_, a), (_, b)): ((f64, f64), (f64, f64))| (a - b).abs();
    let (before, after) = if size(rising) <= size(falling) { rising } else { falling };
    Err(CannotFit::TurnsBack { before_raw: before.0, before: before.1, after_raw: after.0, after: after.1 })
}

/// The error of foretelling each place from the others; `None` where the places
/// are too few for the form or do not suit it.
fn left_out(form: Form, places: &[(f64, f64)]) -> Option<LeftOut> {
    let needed = match form {
        Form::Line => LINE_PLACES,
        Form::Parabola => PARABOLA_PLACES,
        Form::Points => POINTS_PLACES,
    };
    if places.len() < needed || !suits(form, places) {
        return None;
    }
    let mut squares = 0.0;
    let mut worst = LeftOut { rmse: 0.0, largest: 0.0, at_raw: places[0].0 };
    for i in 0..places.len() {
        let others: Vec<_> = places[..i].iter().chain(&places[i + 1..]).copied().collect();
        let (raw, value) = places[i];
        let foretold = match form {
            Form::Line => Parabola::of(&others, false)?.value(raw),
            Form::Parabola => Parabola::of(&others, true)?.value(raw),
            Form::Points => {
                let ((r0, v0), (r1, v1)) = super::calibrator::line_at(&others, raw);
                v0 + (raw - r0) * ((v1 - v0) / (r1 - r0))
            }
        };
        let error = (foretold - value).abs();
        squares += error * error;
        if error > worst.largest {
            worst = LeftOut { largest: error, at_raw: raw, ..worst };
        }
    }
    let rmse = (squares / places.len() as f64).sqrt();
    rmse.is_finite().then_some(LeftOut { rmse, ..worst })
}

/// Whether the form goes one way over all places.
fn suits(form: Form, places: &[(f64, f64)]) -> bool {
    match form {
        Form::Line => true,
        Form::Points => {
            let rises = places[0].1 < places[1].1;
            places.windows(2).all(|p| if rises { p[0].1 < p[1].1 } else { p[0].1 > p[1].1 })
        }
        Form::Parabola => Parabola::of(places, true).is_some_and(|parabola| {
            let (first, last) = (places[0].0, places[places.len() - 1].0);
            parabola.slope(first) * parabola.slope(last) > 0.0
        }),
    }
}

/// The numbers of the form that fits all places; `None` where they are too few.
fn numbers_of(form: Form, places: &[(f64, f64)], span: f64) -> Option<FitNumbers> {
    let (first, last) = (places[0].0, places[places.len() - 1].0);
    let raw_span = last - first;
    let rounded = |(raw, value): (f64, f64)| (round_to(raw, raw_span), round_to(value, span));
    Some(match form {
        Form::Points => FitNumbers::Points(places.iter().copied().map(rounded).collect()),
        Form::Line => {
            let line = Parabola::of(places, false)?;
            FitNumbers::Points([first, last].into_iter().map(|raw| rounded((raw, line.value(raw)))).collect())
        }
        Form::Parabola => FitNumbers::Parabola {
            // Ten digits: the terms of a parabola nearly cancel far from raw 0.
            coefficients: Parabola::of(places, true)?
                .coefficients()
                .map(|c| format!("{c:.9e}").parse().unwrap_or(c)),
            // Rounded outward, so that the end places themselves have a value.
            valid: (-round_up(-first, raw_span), round_up(last, raw_span)),
        },
    })
}

/// `x` to a hundred-thousandth of the power of ten below `span`.
fn round_to(x: f64, span: f64) -> f64 {
    let decimals = decimals(span);
    format!("{x:.decimals$}").parse().unwrap_or(x)
}

/// The same, never below `x`.
fn round_up(x: f64, span: f64) -> f64 {
    let rounded = round_to(x, span);
    if rounded >= x {
        return rounded;
    }
    let step = format!("1e-{}", decimals(span)).parse().unwrap_or(0.0);
    round_to(rounded + step, span).max(x)
}

/// Digits behind the point that [`round_to`] keeps.
fn decimals(span: f64) -> usize {
    let exponent = format!("{span:e}").split_once('e').and_then(|(_, e)| e.parse::<i32>().ok()).unwrap_or(0);
    usize::try_from(5 - exponent).unwrap_or(0)
}

/// A least-squares parabola or line, by polynomials that are orthogonal on the
/// places: `p = (raw - centre) / half`, then `c0 + c1 p + c2 (p² - g p - m2)`.
struct Parabola {
    centre: f64,
    half: f64,
    c: [f64; 3],
    g: f64,
    m2: f64,
}

impl Parabola {
    /// `None` where the places are too few or in one spot.
    fn of(places: &[(f64, f64)], bent: bool) -> Option<Self> {
        let (first, last) = (places.first()?.0, places.last()?.0);
        let half = (last - first) / 2.0;
        let centre = mean(places.iter().map(|p| p.0));
        let scaled: Vec<(f64, f64)> =
            places.iter().map(|&(raw, value)| ((raw - centre) / half, value)).collect();
        let over = |f: &dyn Fn(f64, f64) -> f64| mean(scaled.iter().map(|&(p, v)| f(p, v)));
        let m2 = over(&|p, _| p * p);
        let (c0, c1) = (over(&|_, v| v), over(&|p, v| p * v) / m2);
        if !bent {
            return (m2 > 0.0).then_some(Self { centre, half, c: [c0, c1, 0.0], g: 0.0, m2 });
        }
        let g = over(&|p, _| p * p * p) / m2;
        let q = |p: f64| p * p - g * p - m2;
        let squares = over(&|p, _| q(p) * q(p));
        let c2 = over(&|p, v| q(p) * v) / squares;
        // Three places at least, or the bend is nobody's.
        (m2 > 0.0 && squares > 1e-12).then_some(Self { centre, half, c: [c0, c1, c2], g, m2 })
    }

    fn value(&self, raw: f64) -> f64 {
        let p = (raw - self.centre) / self.half;
        self.c[0] + self.c[1] * p + self.c[2] * (p * p - self.g * p - self.m2)
    }

    /// Its direction, times `half`.
    fn slope(&self, raw: f64) -> f64 {
        self.c[1] + self.c[2] * (2.0 * (raw - self.centre) / self.half - self.g)
    }

    /// In powers of the raw number.
    fn coefficients(&self) -> [f64; 3] {
        let [c0, c1, c2] = self.c;
        let (a0, a1, a2) = (c0 - c2 * self.m2, (c1 - c2 * self.g) / self.half, c2 / (self.half * self.half));
        let k = self.centre;
        [a0 - a1 * k + a2 * k * k, a1 - 2.0 * a2 * k, a2]
    }
}

#[cfg(test)]
mod tests {
    use super::super::curve::Curve;
    use super::*;

    /// Numbers between -1 and 1 that look random, always the same ones.
    fn noise() -> impl Iterator<Item = f64> {
        let mut state = 12_345_u64;
        std::iter::repeat_with(move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            2.0 * f64::from(u32::try_from(state >> 32).unwrap()) / f64::from(u32::MAX) - 1.0
        })
    }

    #[test]
    fn pairs_on_a_line_give_the_line() {
        let fitted = fit(&[(2900.0, 0.05), (1450.0, 0.40), (2175.0, 0.225)]).unwrap();
        assert_eq!((fitted.form, fitted.places), (Form::Line, 3));
        assert!(fitted.error.unwrap().rmse < 1e-9);
        assert_eq!(
            fitted.calibration.curve(),
            &Curve::Piecewise { points: vec![(1450.0, 0.4), (2900.0, 0.05)] }
        );
    }

    #[test]
    fn two_pairs_give_a_line_and_no_error() {
        let fitted = fit(&[(2900.0, 0.05), (1450.0, 0.40)]).unwrap();
        assert_eq!((fitted.form, fitted.error, fitted.tried.len()), (Form::Line, None, 0));
        // Readings in one spot are one place, however many.
        let fitted = fit(&[(2900.0, 0.05), (2902.0, 0.052), (1450.0, 0.40), (1450.0, 0.40)]).unwrap();
        assert_eq!((fitted.places, fitted.error), (2, None));
        assert_eq!(fitted.raw, (1450.0, 2901.0));
    }

    #[test]
    fn a_bend_is_found_and_noise_is_not_taken_for_one() {
        let raws = (0..9).map(|n| 1000.0 + 200.0 * f64::from(n));
        let bent: Vec<_> = raws.clone().map(|r| (r, 1e-7 * (r - 800.0) * (r - 800.0))).collect();
        let fitted = fit(&bent).unwrap();
        assert_eq!(fitted.form, Form::Parabola);
        assert!(fitted.error.unwrap().rmse < 1e-6);
        for &(raw, value) in &bent {
            assert!((fitted.calibration.convert(raw).unwrap() - value).abs() < 1e-5, "{raw}");
        }
        // The parabola holds where it was measured and nowhere else.
        assert!(fitted.calibration.convert(999.0).is_err() && fitted.calibration.convert(2601.0).is_err());

        // Nine noisy lines of ten are taken for lines, by simulation elsewhere.
        let mut noise = noise();
        let lines = (0..200).filter(|_| {
            let noisy: Vec<_> = raws
                .clone()
                .zip(&mut noise)
                .map(|(raw, noise)| (raw, 0.4 - 2e-4 * (raw - 1000.0) + 0.01 * noise))
                .collect();
            fit(&noisy).unwrap().form == Form::Line
        });
        let lines = lines.count();
        assert!(lines >= 170, "{lines}");

        let broken: Vec<_> =
            raws.map(|r| (r, 1e-4 * (r - 1000.0) + 1e-3 * (r - 1800.0_f64).max(0.0))).collect();
        let fitted = fit(&broken).unwrap();
        assert_eq!(fitted.form, Form::Points);
        let tried: Vec<Form> = fitted.tried.iter().map(|(form, _)| *form).collect();
        // The parabola through a break turns back at one end.
        assert_eq!(tried, [Form::Line, Form::Points]);
        assert!(fitted.error.unwrap().rmse < 0.5 * fitted.tried[0].1.rmse);
    }

    #[test]
    fn what_pairs_cannot_support_is_refused() {
        use CannotFit as E;
        assert_eq!(fit(&[]), Err(E::TooFew { given: 0 }));
        assert_eq!(fit(&[(1.0, 1.0)]), Err(E::TooFew { given: 1 }));
        assert!(matches!(fit(&[(1.0, 1.0), (f64::NAN, 2.0)]), Err(E::NotFinite { place: 2, .. })));
        assert_eq!(fit(&[(5.0, 1.0), (5.0, 2.0), (5.0, 3.0)]), Err(E::NoRawSpan { raw: 5.0 }));
        assert_eq!(fit(&[(5.0, 1.0), (6.0, 1.0), (9.0, 1.0)]), Err(E::NoValueSpan { value: 1.0 }));
        let twice = fit(&[(1000.0, 0.1), (2000.0, 0.4), (2001.0, 0.2)]);
        assert!(matches!(twice, Err(E::Contradiction { low: 0.2, high: 0.4, .. })), "{twice:?}");
        let turned = fit(&[(1000.0, 0.1), (1500.0, 0.3), (2000.0, 0.2), (2500.0, 0.45)]);
        let back = E::TurnsBack { before_raw: 1500.0, before: 0.3, after_raw: 2000.0, after: 0.2 };
        assert_eq!(turned, Err(back));
        // One way, but a step that no place foretells.
        let step = fit(&[(0.0, 0.0), (1.0, 0.001), (2.0, 0.002), (10.0, 1.0)]);
        assert!(matches!(step, Err(E::NoCurve { .. })), "{step:?}");
        assert!(fit(&[(f64::MAX, 1.0), (f64::MIN, 2.0)]).is_err());
        assert!(fit(&[(1e300, 1.0), (2e300, -2.0), (3e300, -5.0)]).is_ok());
    }
}
