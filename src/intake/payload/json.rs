//! One number, and a time, out of any JSON text.
//!
//! The text is read once and only along the way of the pointers: nothing is
//! built of the rest. Nesting on the way is bounded by serde_json's own limit
//! (128); what is off the way is skipped without recursion. Where an object has
//! one name twice, the last one counts.

use std::borrow::Cow;
use std::fmt;

use jiff::Timestamp;
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};

use super::json_pointer::{JsonPointer, Token};
use super::number::{self, NumberFault};
use super::{DecodeError, Excerpt, Sample, time};

/// Reads one sample.
pub(super) fn decode(
    value: &JsonPointer,
    time: Option<&JsonPointer>,
    payload: &[u8],
) -> Result<Sample, DecodeError> {
    let mut found = [Found::Nothing, Found::Nothing];
    let ways = [Some(value.tokens()), time.map(JsonPointer::tokens)];
    let mut reader = serde_json::Deserializer::from_slice(payload);
    let walk = Walk { ways: &ways, found: &mut found, on_way: BOTH, depth: 0 };
    walk.deserialize(&mut reader)
        .and_then(|()| reader.end())
        .map_err(|e| DecodeError::NotJson { given: Excerpt::of_bytes(payload), problem: e.to_string() })?;

    let [raw, at] = found;
    Ok(Sample {
        raw: raw_number(&raw, value, payload)?,
        at: match time {
            Some(pointer) => own_time(&at, pointer, payload)?,
            None => None,
        },
    })
}

fn missed(payload: &[u8], pointer: &JsonPointer, what: &'static str) -> DecodeError {
    DecodeError::Missed { given: Excerpt::of_bytes(payload), pointer: Excerpt::of(pointer.as_str()), what }
}

fn raw_number(found: &Found<'_>, pointer: &JsonPointer, payload: &[u8]) -> Result<f64, DecodeError> {
    // Above 2^53 a whole number loses its last digits here.
    #[allow(clippy::cast_precision_loss)]
    match found {
        Found::Float(number) => Ok(*number),
        Found::Unsigned(number) => Ok(*number as f64),
        Found::Signed(number) => Ok(*number as f64),
        Found::Nothing => Err(missed(payload, pointer, "value")),
        Found::Text(text) => number::finite(text).map_err(|fault| match fault {
            NumberFault::TooLarge => DecodeError::TooLarge { given: Excerpt::of(text) },
            NumberFault::NotDecimal => not_a_number(found, pointer),
        }),
        Found::Null | Found::Other(_) => Err(not_a_number(found, pointer)),
    }
}

fn not_a_number(found: &Found<'_>, pointer: &JsonPointer) -> DecodeError {
    DecodeError::NotANumberAt { given: found.excerpt(), pointer: Excerpt::of(pointer.as_str()) }
}

/// `null` is a device that says that it does not know the time.
fn own_time(
    found: &Found<'_>,
    pointer: &JsonPointer,
    payload: &[u8],
) -> Result<Option<Timestamp>, DecodeError> {
    let refused =
        || DecodeError::NotATimeAt { given: found.excerpt(), pointer: Excerpt::of(pointer.as_str()) };
    match found {
        Found::Null => Ok(None),
        Found::Unsigned(number) => Ok(Some(time::from_unix_whole(i128::from(*number)))),
        Found::Signed(number) => Ok(Some(time::from_unix_whole(i128::from(*number)))),
        Found::Float(number) => Ok(Some(time::from_unix(*number))),
        Found::Text(text) => match text.trim().parse::<Timestamp>() {
            Ok(at) => Ok(Some(at)),
            Err(_) if text.trim().parse::<jiff::civil::DateTime>().is_ok() => {
                Err(DecodeError::TimeWithoutOffset {
                    given: Excerpt::of(text),
                    pointer: Excerpt::of(pointer.as_str()),
                })
            }
            Err(_) => Err(refused()),
        },
        Found::Nothing => Err(missed(payload, pointer, "time")),
        Found::Other(_) => Err(refused()),
    }
}

/// What stands at the end of a pointer.
enum Found<'de> {
    Nothing,
    Null,
    Unsigned(u64),
    Signed(i64),
    Float(f64),
    Text(Cow<'de, str>),
    Other(&'static str),
}

impl Found<'_> {
    fn excerpt(&self) -> Excerpt {
        match self {
            Self::Nothing => Excerpt::of("nothing"),
            Self::Null => Excerpt::of("null"),
            Self::Unsigned(number) => Excerpt::of(&number.to_string()),
            Self::Signed(number) => Excerpt::of(&number.to_string()),
            Self::Float(number) => Excerpt::of(&number.to_string()),
            Self::Text(text) => Excerpt::of(text),
            Self::Other(kind) => Excerpt::of(kind),
        }
    }
}

/// Bits of [`Walk::on_way`]: value pointer and time pointer.
const BOTH: u8 = 0b11;

/// Reads the node that `depth` steps have led to.
struct Walk<'w, 'de> {
    ways: &'w [Option<&'w [Token]>; 2],
    found: &'w mut [Found<'de>; 2],
    /// The pointers that lead to or through this node.
    on_way: u8,
    depth: usize,
}

impl<'w, 'de> Walk<'w, 'de> {
    /// The pointers whose next step fits.
    fn going_on(&self, fits: impl Fn(&Token) -> bool) -> u8 {
        let mut mask = 0;
        for (i, way) in self.ways.iter().enumerate() {
            let bit = 1 << i;
            if self.on_way & bit != 0 && way.and_then(|w| w.get(self.depth)).is_some_and(&fits) {
                mask |= bit;
            }
        }
        mask
    }

    /// Hands what stands here to the pointers that end here.
    fn put(&mut self, make: impl Fn() -> Found<'de>) {
        for (i, way) in self.ways.iter().enumerate() {
            if self.on_way & (1 << i) != 0 && way.is_some_and(|w| w.len() == self.depth) {
                self.found[i] = make();
            }
        }
    }

    fn step(&mut self, mask: u8) -> Walk<'_, 'de> {
        for (i, found) in self.found.iter_mut().enumerate() {
            if mask & (1 << i) != 0 {
                // An earlier member of the same name counts for nothing.
                *found = Found::Nothing;
            }
        }
        Walk { ways: self.ways, found: self.found, on_way: mask, depth: self.depth + 1 }
    }
}

impl<'de> DeserializeSeed<'de> for Walk<'_, 'de> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Walk<'_, 'de> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(mut self) -> Result<(), E> {
        self.put(|| Found::Null);
        Ok(())
    }

    fn visit_bool<E>(mut self, v: bool) -> Result<(), E> {
        self.put(|| Found::Other(if v { "true" } else { "false" }));
        Ok(())
    }

    fn visit_u64<E>(mut self, v: u64) -> Result<(), E> {
        self.put(|| Found::Unsigned(v));
        Ok(())
    }

    fn visit_i64<E>(mut self, v: i64) -> Result<(), E> {
        self.put(|| Found::Signed(v));
        Ok(())
    }

    fn visit_f64<E>(mut self, v: f64) -> Result<(), E> {
        self.put(|| Found::Float(v));
        Ok(())
    }

    fn visit_borrowed_str<E>(mut self, v: &'de str) -> Result<(), E> {
        self.put(|| Found::Text(Cow::Borrowed(v)));
        Ok(())
    }

    fn visit_str<E>(mut self, v: &str) -> Result<(), E> {
        self.put(|| Found::Text(Cow::Owned(v.to_owned())));
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(mut self, mut map: A) -> Result<(), A::Error> {
        self.put(|| Found::Other("an object"));
        while let Some(mask) = map.next_key_seed(Key(&self))? {
            if mask == 0 {
                map.next_value::<IgnoredAny>()?;
            } else {
                map.next_value_seed(self.step(mask))?;
            }
        }
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut seq: A) -> Result<(), A::Error> {
        self.put(|| Found::Other("an array"));
        for place in 0.. {
            let mask = self.going_on(|token| token.index == Some(place));
            let more = if mask == 0 {
                seq.next_element::<IgnoredAny>()?.is_some()
            } else {
                seq.next_element_seed(self.step(mask))?.is_some()
            };
            if !more {
                break;
            }
        }
        Ok(())
    }
}

/// Reads a member's name and says which pointers go on through it.
struct Key<'k, 'w, 'de>(&'k Walk<'w, 'de>);

impl<'de> DeserializeSeed<'de> for Key<'_, '_, '_> {
    type Value = u8;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<u8, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for Key<'_, '_, '_> {
    type Value = u8;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a member's name")
    }

    fn visit_str<E>(self, name: &str) -> Result<u8, E> {
        Ok(self.0.going_on(|token| &*token.name == name))
    }
}
