//! Sensor Measurement Lists in JSON, RFC 8428.
//!
//! Base fields hold from the record that sets them until another sets them
//! again (section 4.1); a time below 2^28 is relative to now (section 4.5.3).
//! Sums (`s`, `bs`) and update times (`ut`) are read past. Where a record has
//! one label twice, the last one counts.

use std::borrow::Cow;
use std::fmt;

use jiff::Timestamp;
use serde::de::{Deserialize, DeserializeSeed, Deserializer, IgnoredAny, MapAccess, Visitor};

use crate::decode::excerpt::Excerpt;
use crate::decode::time;
use crate::model::Sample;

/// The version of the format that RFC 8428 defines (section 4.4).
const VERSION: u64 = 10;

/// Times below it are relative to now: 2^28 seconds (section 4.5.3).
const ABSOLUTE_FROM_S: f64 = 268_435_456.0;

/// A record with its base fields resolved (section 4.6).
#[derive(Clone, Debug, PartialEq)]
pub struct Resolved<'a> {
    pub name: Cow<'a, str>,
    pub unit: Option<Cow<'a, str>>,
    /// For a record without a time of its own: now.
    pub at: Timestamp,
    /// Whether the device said more than "now".
    pub timed: bool,
    pub value: Value<'a>,
}

/// A record's value.
#[derive(Clone, Debug, PartialEq)]
pub enum Value<'a> {
    /// `v`, with the base value added. Finite.
    Number(f64),
    /// `vs`
    Text(Cow<'a, str>),
    /// `vb`
    Truth(bool),
    /// `vd`, as it was written: base64url.
    Data(Cow<'a, str>),
    /// A sum and no value.
    SumOnly,
}

impl Value<'_> {
    /// The number that it is, if it is one.
    fn number(&self) -> Option<f64> {
        match self {
            Self::Number(number) => Some(*number),
            Self::Text(_) | Self::Truth(_) | Self::Data(_) | Self::SumOnly => None,
        }
    }
}

/// Why a pack was refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SenmlError {
    #[error("the payload {given} is not a SenML pack, an array of records ({problem})")]
    NotAPack { given: Excerpt, problem: String },
    #[error("the SenML pack is of version {given}: versions up to 10 are accepted")]
    Version { given: u64 },
    #[error(
        "record {record} of the SenML pack has the label {label}, which must be understood and is not known here"
    )]
    MustUnderstand { record: usize, label: Excerpt },
    #[error(
        "record {record} of the SenML pack is named {given}: letters, digits and - : . / _ are accepted, the first a letter or digit"
    )]
    Name { record: usize, given: Excerpt },
    #[error("record {record} of the SenML pack has no value")]
    NoValue { record: usize },
    #[error("record {record} of the SenML pack has more than one value")]
    SeveralValues { record: usize },
    #[error("the value of record {record} of the SenML pack is too large to keep")]
    TooLarge { record: usize },
    #[error("the SenML pack holds no number")]
    NoNumber,
    #[error("the SenML pack holds no number named {wanted}, but: {found}")]
    NoSuchName { wanted: Excerpt, found: Excerpt },
    #[error("the SenML pack holds numbers of several names ({found}): name one in the settings")]
    WhichName { found: Excerpt },
}

/// The numbers of one name, earliest first. The last one brings the newest number
/// that is named `battery`: a pack is one report of it.
pub(super) fn decode(
    name: Option<&str>,
    battery: Option<&str>,
    payload: &[u8],
    now: Timestamp,
    samples: &mut Vec<Sample>,
) -> Result<(), SenmlError> {
    let records = resolve(payload, now)?;
    let of_battery = |r: &Resolved<'_>| battery.is_some_and(|wanted| is_called(&r.name, wanted));
    // Where the value has a name of its own, the battery may be anything beside it.
    let numbers =
        || records.iter().filter(|r| r.value.number().is_some() && (name.is_some() || !of_battery(r)));
    let chosen = choose(name, numbers)?;
    samples.extend(records.iter().filter(|r| r.name == *chosen).filter_map(|r| {
        let raw = r.value.number()?;
        Some(Sample { at: r.timed.then_some(r.at), raw, battery: None })
    }));
    let state = records.iter().rev().filter(|r| of_battery(r)).find_map(|r| r.value.number());
    if let Some(last) = samples.last_mut() {
        last.battery = state;
    }
    Ok(())
}

/// Whether `wanted` is a record's full name, or its end after a `/` or `:`.
fn is_called(name: &str, wanted: &str) -> bool {
    name.strip_suffix(wanted).is_some_and(|start| start.is_empty() || start.ends_with(['/', ':']))
}

/// The full name of the records to take. A full name goes before an end of one.
fn choose<'r, I: Iterator<Item = &'r Resolved<'r>>>(
    wanted: Option<&str>,
    numbers: impl Fn() -> I,
) -> Result<&'r str, SenmlError> {
    let Some(first) = numbers().next() else { return Err(SenmlError::NoNumber) };
    let distinct = |fits: &dyn Fn(&str) -> bool| {
        let mut names: Vec<&str> = Vec::new();
        for record in numbers() {
            if fits(&record.name) && !names.contains(&&*record.name) {
                names.push(&record.name);
                if names.len() == NAMES_MAX {
                    break;
                }
            }
        }
        names
    };
    let Some(wanted) = wanted else {
        if numbers().all(|r| r.name == first.name) {
            return Ok(&first.name);
        }
        return Err(SenmlError::WhichName { found: Excerpt::list(distinct(&|_| true)) });
    };
    if let Some(record) = numbers().find(|r| r.name == wanted) {
        return Ok(&record.name);
    }
    let ends = |name: &str| name.strip_suffix(wanted).is_some_and(|start| start.ends_with(['/', ':']));
    match distinct(&ends)[..] {
        [one] => Ok(one),
        [] => Err(SenmlError::NoSuchName {
            wanted: Excerpt::of(wanted),
            found: Excerpt::list(distinct(&|_| true)),
        }),
        ref several => Err(SenmlError::WhichName { found: Excerpt::list(several.iter().copied()) }),
    }
}

/// Names that an error lists at most; it bounds the search for more of them.
const NAMES_MAX: usize = 16;

/// Resolves a pack: every record with its full name, unit, time and value,
/// earliest first. Records with base fields only resolve to nothing.
///
/// # Errors
///
/// When the payload is not an array of records, or one of them breaks RFC 8428:
/// a version above 10, an unknown label that ends in `_`, a name that is empty
/// or has other characters than the standard allows, no value, or two.
pub fn resolve(payload: &[u8], now: Timestamp) -> Result<Vec<Resolved<'_>>, SenmlError> {
    let pack: Vec<Record<'_>> = serde_json::from_slice(payload)
        .map_err(|e| SenmlError::NotAPack { given: Excerpt::of_bytes(payload), problem: e.to_string() })?;
    let mut base = Record::default();
    let mut resolved = Vec::with_capacity(pack.len());
    for (i, record) in pack.into_iter().enumerate() {
        resolved.extend(resolve_one(i + 1, record, &mut base, now)?);
    }
    // Stable: records of one instant stay in the order of the pack.
    resolved.sort_by_key(|r| r.at);
    Ok(resolved)
}

fn resolve_one<'a>(
    place: usize,
    record: Record<'a>,
    base: &mut Record<'a>,
    now: Timestamp,
) -> Result<Option<Resolved<'a>>, SenmlError> {
    if let Some(label) = record.not_understood {
        return Err(SenmlError::MustUnderstand { record: place, label: Excerpt::of(&label) });
    }
    if let Some(given) = record.bver.filter(|&v| v > VERSION) {
        return Err(SenmlError::Version { given });
    }
    base.bn = record.bn.or(base.bn.take());
    base.bt = record.bt.or(base.bt);
    base.bu = record.bu.or(base.bu.take());
    base.bv = record.bv.or(base.bv);
    base.has_bs |= record.has_bs;
    if record.only_base {
        return Ok(None);
    }

    let name = match (&base.bn, record.n) {
        (Some(bn), Some(n)) if !bn.is_empty() && !n.is_empty() => Cow::Owned(format!("{bn}{n}")),
        (Some(bn), None) => bn.clone(),
        (Some(bn), Some(n)) if n.is_empty() => bn.clone(),
        (_, n) => n.unwrap_or_default(),
    };
    if !is_name(&name) {
        return Err(SenmlError::Name { record: place, given: Excerpt::of(&name) });
    }

    let mut value = None;
    let others = [record.vs.map(Value::Text), record.vb.map(Value::Truth), record.vd.map(Value::Data)];
    for given in record.v.map(Value::Number).into_iter().chain(others.into_iter().flatten()) {
        if value.replace(given).is_some() {
            return Err(SenmlError::SeveralValues { record: place });
        }
    }
    let value = match (value, base.bv) {
        (Some(Value::Number(v)), Some(bv)) => Value::Number(v + bv),
        (Some(value), _) => value,
        // A missing value counts as 0 where there is a base value.
        (None, Some(bv)) => Value::Number(bv),
        (None, None) if record.has_s || base.has_bs => Value::SumOnly,
        (None, None) => return Err(SenmlError::NoValue { record: place }),
    };
    if matches!(value, Value::Number(v) if !v.is_finite()) {
        return Err(SenmlError::TooLarge { record: place });
    }

    let sum_s = base.bt.unwrap_or(0.0) + record.t.unwrap_or(0.0);
    let at = if sum_s >= ABSOLUTE_FROM_S {
        time::from_s(sum_s)
    } else {
        let after_now_ns = time::from_s(sum_s).as_nanosecond();
        time::from_ns(now.as_nanosecond() + after_now_ns)
    };
    let timed = sum_s != 0.0;
    Ok(Some(Resolved { name, unit: record.u.or_else(|| base.bu.clone()), at, timed, value }))
}

/// Section 4.5.1: letters, digits and `-:./_` of ASCII, starting with a letter
/// or digit.
fn is_name(name: &str) -> bool {
    name.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric())
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-:./_".contains(&b))
}

/// A record as it was written.
#[derive(Default)]
struct Record<'a> {
    bn: Option<Cow<'a, str>>,
    bt: Option<f64>,
    bu: Option<Cow<'a, str>>,
    bv: Option<f64>,
    has_bs: bool,
    bver: Option<u64>,
    n: Option<Cow<'a, str>>,
    u: Option<Cow<'a, str>>,
    v: Option<f64>,
    vs: Option<Cow<'a, str>>,
    vb: Option<bool>,
    vd: Option<Cow<'a, str>>,
    has_s: bool,
    t: Option<f64>,
    only_base: bool,
    not_understood: Option<Cow<'a, str>>,
}

impl<'de> Deserialize<'de> for Record<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_map(RecordVisitor)
    }
}

struct RecordVisitor;

impl<'de> Visitor<'de> for RecordVisitor {
    type Value = Record<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a record, an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Record<'de>, A::Error> {
        let mut record = Record { only_base: true, ..Record::default() };
        while let Some(label) = map.next_key_seed(Text("a label"))? {
            record.only_base &= matches!(&*label, "bn" | "bt" | "bu" | "bv" | "bs" | "bver");
            match &*label {
                "bn" => record.bn = Some(map.next_value_seed(Text("a text for bn"))?),
                "bt" => record.bt = Some(map.next_value_seed(Number("a number for bt"))?),
                "bu" => record.bu = Some(map.next_value_seed(Text("a text for bu"))?),
                "bv" => record.bv = Some(map.next_value_seed(Number("a number for bv"))?),
                "bver" => record.bver = Some(map.next_value_seed(Version)?),
                "bs" => {
                    map.next_value_seed(Number("a number for bs"))?;
                    record.has_bs = true;
                }
                "n" => record.n = Some(map.next_value_seed(Text("a text for n"))?),
                "u" => record.u = Some(map.next_value_seed(Text("a text for u"))?),
                "v" => record.v = Some(map.next_value_seed(Number("a number for v"))?),
                "vs" => record.vs = Some(map.next_value_seed(Text("a text for vs"))?),
                "vb" => record.vb = Some(map.next_value_seed(Truth)?),
                "vd" => record.vd = Some(map.next_value_seed(Text("a text for vd"))?),
                "s" => {
                    map.next_value_seed(Number("a number for s"))?;
                    record.has_s = true;
                }
                "t" => record.t = Some(map.next_value_seed(Number("a number for t"))?),
                _ => {
                    map.next_value::<IgnoredAny>()?;
                    if label.ends_with('_') {
                        record.not_understood = Some(label);
                    }
                }
            }
        }
        Ok(record)
    }
}

/// A text that stays where it is unless it has escapes; holds what was expected.
struct Text(&'static str);

impl<'de> DeserializeSeed<'de> for Text {
    type Value = Cow<'de, str>;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Self::Value, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for Text {
    type Value = Cow<'de, str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }

    fn visit_borrowed_str<E>(self, v: &'de str) -> Result<Self::Value, E> {
        Ok(Cow::Borrowed(v))
    }

    fn visit_str<E>(self, v: &str) -> Result<Self::Value, E> {
        Ok(Cow::Owned(v.to_owned()))
    }
}

/// A number; holds what was expected.
struct Number(&'static str);

impl<'de> DeserializeSeed<'de> for Number {
    type Value = f64;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<f64, D::Error> {
        deserializer.deserialize_f64(self)
    }
}

impl Visitor<'_> for Number {
    type Value = f64;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }

    fn visit_f64<E>(self, v: f64) -> Result<f64, E> {
        Ok(v)
    }

    fn visit_u64<E>(self, v: u64) -> Result<f64, E> {
        Ok(v as f64)
    }

    fn visit_i64<E>(self, v: i64) -> Result<f64, E> {
        Ok(v as f64)
    }
}

/// A positive whole number.
struct Version;

impl<'de> DeserializeSeed<'de> for Version {
    type Value = u64;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<u64, D::Error> {
        deserializer.deserialize_u64(self)
    }
}

impl Visitor<'_> for Version {
    type Value = u64;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a positive whole number for bver")
    }

    fn visit_u64<E: serde::de::Error>(self, v: u64) -> Result<u64, E> {
        if v == 0 { Err(E::invalid_value(serde::de::Unexpected::Unsigned(0), &self)) } else { Ok(v) }
    }
}

/// True or false.
struct Truth;

impl<'de> DeserializeSeed<'de> for Truth {
    type Value = bool;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<bool, D::Error> {
        deserializer.deserialize_bool(self)
    }
}

impl Visitor<'_> for Truth {
    type Value = bool;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("true or false for vb")
    }

    fn visit_bool<E>(self, v: bool) -> Result<bool, E> {
        Ok(v)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW_S: i64 = 1_776_403_800;

    fn now() -> Timestamp {
        Timestamp::from_second(NOW_S).unwrap()
    }

    fn read(name: Option<&str>, pack: &str) -> Result<Vec<(Option<i64>, f64)>, String> {
        let mut samples = Vec::new();
        decode(name, None, pack.as_bytes(), now(), &mut samples).map_err(|e| e.to_string())?;
        Ok(samples.into_iter().map(|s| (s.at.map(|at| at.as_second() - NOW_S), s.raw)).collect())
    }

    #[test]
    fn a_pack_reports_its_battery_once_with_its_last_number() {
        let batteries = |name: Option<&str>, battery: &str, pack: &str| {
            let mut samples = Vec::new();
            decode(name, Some(battery), pack.as_bytes(), now(), &mut samples).map_err(|e| e.to_string())?;
            Ok::<_, String>(samples.into_iter().map(|s| s.battery).collect::<Vec<_>>())
        };
        let pack = r#"[{"bn":"gully:","n":"raw","v":1,"t":-60},{"n":"raw","v":2},{"n":"batt","v":3.5,"t":-60},
            {"n":"batt","v":3.4}]"#;
        assert_eq!(batteries(None, "batt", pack), Ok(vec![None, Some(3.4)]));
        assert_eq!(batteries(Some("raw"), "gully:batt", pack), Ok(vec![None, Some(3.4)]));
        assert_eq!(batteries(Some("raw"), "att", pack), Ok(vec![None, None]), "no part of a name");
        assert_eq!(batteries(Some("raw"), "raw", pack), Ok(vec![None, Some(2.0)]));
        let text = r#"[{"n":"raw","v":1},{"n":"batt","vs":"good"}]"#;
        assert_eq!(batteries(None, "batt", text), Ok(vec![None]));
        assert!(batteries(None, "batt", r#"[{"n":"batt","v":3.4}]"#).is_err(), "there is no reading");
        assert!(batteries(None, "x", pack).is_err(), "which one is the reading");
    }

    #[test]
    fn a_chosen_name_is_a_full_name_or_its_end() {
        let pack = r#"[{"bn":"urn:dev:gully:","n":"raw","v":1},{"n":"batt","v":3},{"n":"bed/raw","v":2}]"#;
        assert_eq!(read(Some("urn:dev:gully:raw"), pack), Ok(vec![(None, 1.0)]));
        assert_eq!(read(Some("batt"), pack), Ok(vec![(None, 3.0)]));
        assert_eq!(read(Some("bed/raw"), pack), Ok(vec![(None, 2.0)]));
        for (name, phrase) in [
            (Some("raw"), "several names (\"urn:dev:gully:raw, urn:dev:gully:bed/raw\")"),
            (None, "several names (\"urn:dev:gully:raw, urn:dev:gully:batt, urn:dev:gully:bed/raw\")"),
            (Some("att"), "no number named \"att\", but: \"urn:dev:gully:raw, "),
        ] {
            let refused = read(name, pack).unwrap_err();
            assert!(refused.contains(phrase), "{refused}");
        }
    }

    #[test]
    fn records_come_in_the_order_of_their_times() {
        let pack = r#"[{"bn":"raw","bt":1776403700,"t":50,"v":3},{"t":-10,"v":1},{"t":0,"v":2}]"#;
        assert_eq!(read(None, pack), Ok(vec![(Some(-110), 1.0), (Some(-100), 2.0), (Some(-50), 3.0)]));
        // Relative times, and none.
        let pack = r#"[{"n":"raw","v":3},{"n":"raw","t":-900,"v":1},{"n":"raw","t":0,"v":4}]"#;
        assert_eq!(read(None, pack), Ok(vec![(Some(-900), 1.0), (None, 3.0), (None, 4.0)]));
    }

    #[test]
    fn texts_and_sums_stand_beside_numbers_but_not_for_them() {
        let pack = r#"[{"n":"label","vs":"bed"},{"n":"on","vb":true},{"n":"x","vd":"aGk"},{"n":"raw","v":5,"s":9},
                      {"n":"sum","s":4}]"#;
        assert_eq!(read(None, pack), Ok(vec![(None, 5.0)]));
        let refused = read(None, r#"[{"n":"label","vs":"bed"}]"#).unwrap_err();
        assert!(refused.contains("holds no number"), "{refused}");
    }

    #[test]
    fn what_breaks_the_standard_is_refused() {
        for (pack, phrase) in [
            ("[]", "holds no number"),
            ("{}", "an array of records"),
            ("", "not a SenML pack"),
            (r#"{"n":"raw","v":1}"#, "not a SenML pack"),
            (r#"[1]"#, "expected a record, an object"),
            (r#"[{"n":"raw","v":1},"#, "not a SenML pack"),
            (r#"[{"n":"raw","v":"1"}]"#, "expected a number for v"),
            (r#"[{"n":7,"v":1}]"#, "expected a text for n"),
            (r#"[{"n":"raw","vb":1}]"#, "expected true or false for vb"),
            (r#"[{"n":"raw","v":1e999}]"#, "number out of range"),
            (r#"[{"n":"raw","v":NaN}]"#, "not a SenML pack"),
            (r#"[{"n":"raw","bv":1.7e308,"v":1.7e308}]"#, "too large"),
            (r#"[{"bver":11,"n":"raw","v":1}]"#, "of version 11"),
            (r#"[{"bver":0,"n":"raw","v":1}]"#, "positive whole number"),
            (r#"[{"bver":5.5,"n":"raw","v":1}]"#, "positive whole number"),
            (r#"[{"n":"raw","v":1,"secret_":2}]"#, "label \"secret_\", which must be understood"),
            (r#"[{"v":1}]"#, "is named \"\""),
            (r#"[{"n":"_raw","v":1}]"#, "is named \"_raw\""),
            (r#"[{"n":"raw value","v":1}]"#, "letters, digits"),
            (r#"[{"n":"raw"}]"#, "record 1 of the SenML pack has no value"),
            (r#"[{"n":"raw","v":1,"vs":"1"}]"#, "more than one value"),
        ] {
            let refused = read(None, pack).unwrap_err();
            assert!(refused.contains(phrase), "{pack}: {refused}");
        }
    }

    #[test]
    fn unknown_labels_and_lower_versions_are_read_past() {
        let pack = r#"[{"bver":5,"n":"raw","v":1,"ut":60,"note":{"deep":[1,{}]}}]"#;
        assert_eq!(read(None, pack), Ok(vec![(None, 1.0)]));
    }

    #[test]
    fn times_beyond_every_calendar_do_not_lose_the_number() {
        for t in ["1e300", "-1e300", "1.7e308"] {
            let pack = format!(r#"[{{"bn":"raw","bt":{t},"t":{t},"v":1}}]"#);
            assert_eq!(read(None, &pack).map(|s| s.len()), Ok(1), "{t}");
        }
    }
}
