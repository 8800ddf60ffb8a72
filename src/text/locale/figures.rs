//! Customary units of the United States beside SI: "30.3 °C (86.5 °F)", "580 L (150 US gal)",
//! "22 mm (0.9 in)"; within brackets "[86.5 °F]".
//!
//! Factors: NIST Special Publication 811 (2008), appendix B.8. The check against its table
//! is `tests/published/us_customary_units.csv`.
//!
//! A figure is turned as it is written, not as it was measured: it claims no more than the
//! figure beside it does. How it is rounded is this project's own: to the power of ten that
//! is nearest to the step of the SI figure, finer where that is off by more than a tenth;
//! gallons as litres are, in tens from a hundred on. Temperatures keep the digits of degrees
//! Celsius; whole degrees get a tenth where they need it, since fish die at limits.

use super::ends_here;

/// What a unit becomes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// As texts have it.
    pub si: &'static str,
    /// What stands beside it.
    pub customary: &'static str,
    /// Customary units in one of SI.
    pub factor: f64,
    /// Added to a temperature, not to a difference of two.
    pub offset: f64,
}

/// Litres in a US gallon, millilitres in a US fluid ounce, millimetres in an inch,
/// kilograms in a pound, grams in an ounce, cubic metres in a cubic yard: NIST SP 811,
/// appendix B.8. A foot is 12 inches.
pub const LITRES_IN_GALLON: f64 = 3.785_412;
pub const MILLILITRES_IN_FLUID_OUNCE: f64 = 29.573_53;
pub const MILLIMETRES_IN_INCH: f64 = 25.4;
pub const KILOGRAMS_IN_POUND: f64 = 0.453_592_4;
pub const GRAMS_IN_OUNCE: f64 = 28.349_52;
pub const CUBIC_METRES_IN_CUBIC_YARD: f64 = 0.764_554_9;
/// Degrees Fahrenheit in a degree Celsius, and what is added: the same appendix.
pub const FAHRENHEIT_IN_CELSIUS: f64 = 1.8;
pub const FAHRENHEIT_AT_ZERO_CELSIUS: f64 = 32.0;
const MILLIMETRES_IN_FOOT: f64 = 12.0 * MILLIMETRES_IN_INCH;

const fn linear(si: &'static str, customary: &'static str, factor: f64) -> Unit {
    Unit { si, customary, factor, offset: 0.0 }
}

const GALLON: &str = "US gal";
const FEET: f64 = 1000.0 / MILLIMETRES_IN_FOOT;
const INCHES: f64 = 1.0 / MILLIMETRES_IN_INCH;

/// The units that people read. One that begins like another comes before it.
pub const UNITS: &[Unit] = &[
    Unit { si: "°C", customary: "°F", factor: FAHRENHEIT_IN_CELSIUS, offset: FAHRENHEIT_AT_ZERO_CELSIUS },
    linear("mm/h", "in/h", INCHES),
    linear("mm", "in", INCHES),
    linear("millimetres", "in", INCHES),
    linear("millimetre", "in", INCHES),
    linear("cm", "in", 10.0 * INCHES),
    linear("centimetres", "in", 10.0 * INCHES),
    linear("square metres", "sq ft", FEET * FEET),
    linear("square metre", "sq ft", FEET * FEET),
    linear("m²", "sq ft", FEET * FEET),
    linear("m2", "sq ft", FEET * FEET),
    linear("m³", "cu yd", 1.0 / CUBIC_METRES_IN_CUBIC_YARD),
    linear("m", "ft", FEET),
    linear("metres", "ft", FEET),
    linear("metre", "ft", FEET),
    linear("L/h", "US gal/h", 1.0 / LITRES_IN_GALLON),
    linear("L", GALLON, 1.0 / LITRES_IN_GALLON),
    linear("litres", GALLON, 1.0 / LITRES_IN_GALLON),
    linear("litre", GALLON, 1.0 / LITRES_IN_GALLON),
    linear("mL", "US fl oz", 1.0 / MILLILITRES_IN_FLUID_OUNCE),
    linear("kg", "lb", 1.0 / KILOGRAMS_IN_POUND),
    linear("g", "oz", 1.0 / GRAMS_IN_OUNCE),
];

/// A unit by its sign.
pub(super) fn unit(sign: &str) -> Option<&'static Unit> {
    UNITS.iter().find(|unit| unit.si == sign.trim())
}

impl Unit {
    pub(super) fn is_temperature(&self) -> bool {
        self.offset > 0.0
    }

    /// The customary figure beside a number that is shown with so many digits.
    pub(crate) fn figure(&self, number: f64, digits: usize, difference: bool) -> String {
        self.beside(&[&format!("{number:.digits$}")], difference).concat()
    }

    /// The customary figures beside some that are written together, such as "20 to 28".
    pub(super) fn beside(&self, written: &[&str], difference: bool) -> Vec<String> {
        let figures: Vec<(f64, usize)> = written.iter().map(|text| (value(text), decimals(text))).collect();
        let offset = if difference { 0.0 } else { self.offset };
        let turned = figures.iter().map(|&(number, digits)| (number * self.factor + offset, digits));
        if self.is_temperature() {
            let needs_tenth = |(number, _): (f64, usize)| (number - number.round()).abs() > 1e-9;
            let least = usize::from(turned.clone().any(needs_tenth));
            return turned
                .map(|(number, digits)| rounded(number, digits.max(least).min(1.max(digits))))
                .collect();
        }
        let volume = self.customary.starts_with(GALLON);
        turned
            .map(|(number, digits)| if volume { gallons(number) } else { self.linear(number, digits) })
            .collect()
    }

    /// Rounded to the power of ten nearest to the step of the SI figure.
    fn linear(&self, number: f64, digits: usize) -> String {
        let digits = i32::try_from(digits).unwrap_or(0);
        let step = 10_f64.powi(-digits) * self.factor;
        to_power(number, step.log10().round() as i32)
    }
}

/// To ten to the power given, finer where that is off by more than a tenth.
fn to_power(number: f64, power: i32) -> String {
    let at = |power: i32| (number / 10_f64.powi(power)).round() * 10_f64.powi(power);
    let near = |power: &i32| (at(*power) - number).abs() <= 0.1 * number.abs();
    let power = (power - 3..=power).rev().find(near).unwrap_or(power);
    rounded(at(power), usize::try_from(-power).unwrap_or(0))
}

fn gallons(number: f64) -> String {
    let power = match number.abs() {
        tens if tens >= 99.5 => 1,
        whole if whole >= 9.95 => 0,
        _ => -1,
    };
    to_power(number, power)
}

/// With so many digits behind the point, without a sign before nothing.
fn rounded(number: f64, digits: usize) -> String {
    let text = format!("{number:.digits$}");
    if text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) { "0".to_owned() } else { text }
}

fn value(text: &str) -> f64 {
    text.replace('\u{2212}', "-").trim_start_matches('+').parse().unwrap_or(f64::NAN)
}

fn decimals(text: &str) -> usize {
    text.split_once('.').map_or(0, |(_, behind)| behind.len())
}

/// The end of a number that begins here: a sign, digits, a point and digits.
pub(super) fn number_end(text: &str, at: usize) -> Option<usize> {
    let rest = &text[at..];
    let sign = rest.chars().next().filter(|c| matches!(c, '-' | '+' | '\u{2212}')).map_or(0, char::len_utf8);
    let digits = |from: usize| rest[from..].bytes().take_while(u8::is_ascii_digit).count();
    let whole = digits(sign);
    if whole == 0 {
        return None;
    }
    let mut end = sign + whole;
    if rest[end..].starts_with('.') && digits(end + 1) > 0 {
        end += 1 + digits(end + 1);
    }
    Some(at + end)
}

/// What joins two numbers of one unit.
const JOINTS: [&str; 10] =
    [" to ", " and ", " or ", " and above ", " and over ", ", and above ", " and at most ", " by ", "–", "/"];

/// Writes figures that begin here with their unit and what stands beside it; returns where
/// they end. `nested`: the text stands within brackets; `apart`: temperatures in it are
/// differences of two.
pub(super) fn turn(text: &str, at: usize, (nested, apart): (bool, bool), out: &mut String) -> Option<usize> {
    let mut numbers = Vec::new();
    let mut joints = Vec::new();
    let mut from = at;
    let (unit, end) = loop {
        let end = number_end(text, from)?;
        numbers.push(&text[from..end]);
        if let Some(found) = unit_at(text, end) {
            break found;
        }
        let joint =
            JOINTS.iter().filter(|joint| text[end..].starts_with(**joint)).max_by_key(|joint| joint.len())?;
        joints.push(*joint);
        from = end + joint.len();
        if numbers.len() > 3 {
            return None;
        }
    };
    out.push_str(&super::words::spelled(&text[at..end]));
    if is_beside(&text[end..], unit) {
        return Some(end);
    }
    let difference = unit.is_temperature() && (apart || is_difference(&text[..at], &text[end..]));
    let beside = unit.beside(&numbers, difference);
    let mut inner = String::new();
    for (number, figure) in beside.iter().enumerate() {
        if number > 0 {
            // "below 4 and above 32 °C (39.2 and 89.6 °F)".
            let joint = joints.get(number - 1).copied().unwrap_or(" to ");
            inner.push_str(if joint.starts_with(" and ") || joint.starts_with(", and") {
                " and "
            } else {
                joint
            });
        }
        if numbers[number].starts_with('+') && !figure.starts_with('-') {
            inner.push('+');
        }
        inner.push_str(figure);
    }
    let (open, close) = if nested { ('[', ']') } else { ('(', ')') };
    out.push(' ');
    out.push(open);
    out.push_str(&inner);
    out.push(' ');
    out.push_str(unit.customary);
    out.push(close);
    Some(end)
}

/// The unit that follows a number, and where it ends.
fn unit_at(text: &str, number_end: usize) -> Option<(&'static Unit, usize)> {
    let rest = &text[number_end..];
    let space = rest.chars().next().filter(|c| matches!(c, ' ' | '\u{a0}' | '\u{202f}'))?;
    let from = number_end + space.len_utf8();
    let fits = |unit: &&Unit| {
        let end = from + unit.si.len();
        // "mg/L" and "m³/m³" are units of their own.
        text[from..].starts_with(unit.si) && ends_here(text, end) && !text[end..].starts_with(['/', '²', '³'])
    };
    UNITS.iter().find(fits).map(|unit| (unit, from + unit.si.len()))
}

/// Whether the customary figure stands there already.
fn is_beside(after: &str, unit: &Unit) -> bool {
    let inner = after.strip_prefix(" (").or_else(|| after.strip_prefix(" ["));
    inner.and_then(|inner| inner.split([')', ']']).next()).is_some_and(|inner| {
        inner.ends_with(unit.customary)
            && inner.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '-' | '+'))
    })
}

/// What follows a difference of two temperatures, and what stands before one.
const AFTER_DIFFERENCE: &[&str] = &[
    " an hour",
    "/h",
    " a minute",
    " a day",
    " in a day",
    " in an hour",
    " within",
    " apart",
    " over ",
    " over:",
    " under ",
    " inside",
    " above the ",
    " from the ",
    " colder",
    " warmer",
    " cooler",
    " across",
    " down",
    " up",
    " is left",
    " in the mean",
    " the steps",
    " within an hour",
    " a degree",
];
const BEFORE_DIFFERENCE: &[&str] = &[
    "by",
    "by about",
    "by no more than",
    "by at least",
    "by at most",
    "cooled",
    "warmed",
    "fell",
    "rose",
    "dropped",
    "cooled at least",
    "warmed at least",
    "up",
    "down",
    "up at least",
    "down at least",
    "within",
    "difference of",
    "swing was",
    "swing is",
    "swing of",
    "swung by",
    "change of",
    "changed by",
    "take no more than",
    "lies",
    "stand",
    "ringing from",
    "most:",
];

/// Whether a figure in degrees Celsius is the difference of two temperatures, by the words
/// about it: 2 °C of difference are 3.6 °F.
pub fn is_difference(before: &str, after: &str) -> bool {
    let before = before.trim_end();
    let follows = |words: &str| {
        before.strip_suffix(words).is_some_and(|rest| !rest.ends_with(|c: char| c.is_alphanumeric()))
    };
    // "between 20 and 30 °C in a day" stays what it is: only what follows at once counts.
    AFTER_DIFFERENCE.iter().any(|words| after.starts_with(words))
        || BEFORE_DIFFERENCE.iter().any(|words| follows(words))
}
