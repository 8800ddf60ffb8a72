//! What holds of every payload, whatever its bytes are.

use jiff::Timestamp;
use proptest::prelude::*;

use crate::decode::{Excerpt, JsonPointer, PayloadFormat, decode, time_of};
use crate::model::Sample;
use crate::model::TimeFrom;

fn pointer(text: &str) -> JsonPointer {
    JsonPointer::parse(text).unwrap()
}

fn formats() -> Vec<PayloadFormat> {
    vec![
        PayloadFormat::Number,
        PayloadFormat::Json { value: pointer("/raw"), time: None, battery: None },
        PayloadFormat::Json {
            value: pointer("/raw"),
            time: Some(pointer("/t")),
            battery: Some(pointer("/a/0/raw")),
        },
        PayloadFormat::Json {
            value: pointer("/a/0/raw"),
            time: Some(pointer("/a/0")),
            battery: Some(pointer("/b")),
        },
        PayloadFormat::Json { value: pointer(""), time: None, battery: Some(pointer("")) },
        PayloadFormat::Senml { name: None, battery: Some("t".into()) },
        PayloadFormat::Senml { name: Some("raw".into()), battery: Some("raw".into()) },
        PayloadFormat::LineProtocol { measurement: None, field: None, battery: Some("t".into()) },
        PayloadFormat::LineProtocol {
            measurement: Some("soil".into()),
            field: Some("raw".into()),
            battery: Some("raw".into()),
        },
        PayloadFormat::OneWire,
    ]
}

fn now() -> Timestamp {
    Timestamp::from_second(1_776_403_800).unwrap()
}

/// Reads the payload in every format and checks what must hold of the outcome.
fn holds(payload: &[u8]) {
    let earlier = Sample { at: None, raw: 1.0, battery: None };
    for format in formats() {
        let mut samples = vec![earlier];
        match decode(&format, payload, now(), &mut samples) {
            Ok(()) => {
                assert!(samples.len() > 1, "{format:?}: no sample and no error");
                assert!(samples.iter().all(|s| s.raw.is_finite()), "{format:?}");
                assert!(samples.iter().all(|s| s.battery.is_none_or(f64::is_finite)), "{format:?}");
            }
            Err(refused) => {
                assert_eq!(samples, [earlier], "{format:?}: a sample was left");
                let words = refused.to_string();
                assert!(!words.chars().any(char::is_control), "{format:?}: {words:?}");
                assert!(words.chars().count() < 12 * Excerpt::CHARS_MAX + 300, "{format:?}: {words}");
            }
        }
    }
}

/// The five ways in which a device could write the number.
fn written(number: &str) -> [(PayloadFormat, String); 5] {
    let json = || PayloadFormat::Json { value: pointer("/raw"), time: None, battery: None };
    [
        (PayloadFormat::Number, number.to_owned()),
        (json(), format!(r#"{{"raw":{number}}}"#)),
        (json(), format!(r#"{{"raw":"{number}"}}"#)),
        (PayloadFormat::Senml { name: None, battery: None }, format!(r#"[{{"n":"raw","v":{number}}}]"#)),
        (
            PayloadFormat::LineProtocol { measurement: None, field: None, battery: None },
            format!("soil raw={number}"),
        ),
    ]
}

fn finite() -> impl Strategy<Value = f64> {
    use proptest::num::f64::{NEGATIVE, NORMAL, POSITIVE, SUBNORMAL, ZERO};
    POSITIVE | NEGATIVE | NORMAL | SUBNORMAL | ZERO
}

proptest! {
    #[test]
    fn any_bytes_are_read_or_refused(payload in prop::collection::vec(any::<u8>(), 0..400)) {
        holds(&payload);
    }

    /// The battery is beside the reading: whatever stands there, the reading is taken.
    #[test]
    fn no_battery_refuses_a_payload_or_is_other_than_finite(
        given in r#"-?[0-9]{1,4}(\.[0-9]{1,3})?(e[0-9]{1,2})?|null|true|\[\]|\{\}|"[ -!#-\[\]-~]{0,12}""#,
    ) {
        let json = PayloadFormat::Json { value: pointer("/raw"), time: None, battery: Some(pointer("/b")) };
        let mut samples = Vec::new();
        let payload = format!(r#"{{"b":{given},"raw":5}}"#);
        match serde_json::from_str::<serde_json::Value>(&payload) {
            Ok(_) => {
                decode(&json, payload.as_bytes(), now(), &mut samples).unwrap();
                prop_assert_eq!(samples[0].raw.to_bits(), 5.0f64.to_bits());
                prop_assert!(samples[0].battery.is_none_or(f64::is_finite));
            }
            // Such as a number with a zero before it.
            Err(_) => prop_assert!(decode(&json, payload.as_bytes(), now(), &mut samples).is_err()),
        }
    }

    #[test]
    fn any_text_is_read_or_refused(payload in ".{0,200}") {
        holds(payload.as_bytes());
    }

    #[test]
    fn anything_like_json_is_read_or_refused(
        payload in r#"(\[|\]|\{|\}|,|:|"raw"|"t"|"a"|"n"|"v"|"bn"|"bt"|"vs"|"x_"|"\\u0000"|1|-2\.5e3|1e999|true|null| ){0,40}"#
    ) {
        holds(payload.as_bytes());
    }

    #[test]
    fn anything_like_line_protocol_is_read_or_refused(
        payload in r#"(soil|raw|=|,| |\n|\r|\t|"|\\|#|1|-|\.|e|i|u|t|é|\x00){0,60}"#
    ) {
        holds(payload.as_bytes());
    }

    #[test]
    fn anything_like_a_scratchpad_is_read_or_refused(payload in r"([0-9A-Fa-f]{2}[ :]?){8,10}|[\x00-\xFF]{9}") {
        holds(payload.as_bytes());
    }

    #[test]
    fn a_damaged_payload_is_read_or_refused(
        which in 0..5_usize,
        place in any::<prop::sample::Index>(),
        byte in any::<u8>(),
        cut in any::<bool>(),
    ) {
        let payloads: [&[u8]; 5] = [
            b"2345.5",
            br#"{"raw":2345,"t":"2026-04-17T05:30:00Z","a":[{"raw":"1"}]}"#,
            br#"[{"bn":"urn:dev:gully:","bt":1776403800,"bu":"Cel","bver":10,"n":"raw","v":21.5},{"t":-5,"vs":"x"}]"#,
            b"soil,probe=k\\ 15 raw=2345i,note=\"a \\\" b\" 1776403800000000000\nsoil,probe=k\\ 15 raw=1",
            b"# comment\n\nsoil raw=1u",
        ];
        let mut payload = payloads[which].to_vec();
        let place = place.index(payload.len());
        payload[place] = byte;
        if cut {
            payload.truncate(place);
        }
        holds(&payload);
    }

    #[test]
    fn a_number_comes_back_to_its_last_bit(number in finite()) {
        for text in [format!("{number}"), format!("{number:e}")] {
            for (format, payload) in written(&text) {
                let mut samples = Vec::new();
                decode(&format, payload.as_bytes(), now(), &mut samples).unwrap();
                prop_assert_eq!(samples[0].raw.to_bits(), number.to_bits(), "{:?}: {}", format, payload);
            }
        }
    }

    #[test]
    fn no_spelling_of_nan_or_infinity_is_a_number(
        sign in "[+-]?",
        word in "(?i:nan|inf|infinity|1\\.#inf|1\\.#ind|snan|qnan|nan\\(1\\)|\\.inf|∞)",
        space in " ?",
    ) {
        for (format, payload) in written(&format!("{space}{sign}{word}")) {
            let mut samples = Vec::new();
            prop_assert!(decode(&format, payload.as_bytes(), now(), &mut samples).is_err(), "{}", payload);
        }
    }

    #[test]
    fn a_readings_time_can_be_true_and_is_whole_milliseconds(
        given in prop::option::of(Timestamp::MIN.as_second()..=Timestamp::MAX.as_second()),
        arrival_s in 1_577_836_800..4_102_444_800_i64,
        ns in 0..1_000_000_000_i32,
    ) {
        let arrival = Timestamp::new(arrival_s, ns).unwrap();
        let given = given.map(|s| Timestamp::new(s, 0).unwrap());
        let (at, from, refused) = time_of(given, arrival);
        prop_assert_eq!(at.as_nanosecond() % 1_000_000, 0);
        prop_assert!(at.as_second() >= 1_577_836_800 && at.as_second() <= arrival_s + 300);
        prop_assert_eq!(from == TimeFrom::Device, given.is_some() && refused.is_none());
    }
}

#[test]
fn deep_nesting_is_read_or_refused() {
    for depth in [100, 127, 128, 129, 1000, 100_000] {
        holds("[".repeat(depth).as_bytes());
        holds(format!("{}{}", "[".repeat(depth), "]".repeat(depth)).as_bytes());
        let on_way = format!("{}1{}", r#"{"a":"#.repeat(depth), "}".repeat(depth));
        holds(on_way.as_bytes());
        holds(format!(r#"{{"x":{}{},"raw":1}}"#, "[".repeat(depth), "]".repeat(depth)).as_bytes());
        holds(format!(r#"[{{"n":"raw","v":1,"x":{}{}}}]"#, "[".repeat(depth), "]".repeat(depth)).as_bytes());

        let format = PayloadFormat::Json { value: pointer(&"/a".repeat(depth)), time: None, battery: None };
        let outcome = decode(&format, on_way.as_bytes(), now(), &mut Vec::new());
        assert_eq!(outcome.is_ok(), depth <= 127, "{depth}: {outcome:?}");
    }
}

#[test]
fn what_is_off_the_way_may_be_deep() {
    let deep = format!(r#"{{"x":{}{},"raw":7}}"#, "[".repeat(100_000), "]".repeat(100_000));
    let format = PayloadFormat::Json { value: pointer("/raw"), time: None, battery: None };
    let mut samples = Vec::new();
    decode(&format, deep.as_bytes(), now(), &mut samples).unwrap();
    assert_eq!(samples, [Sample { at: None, raw: 7.0, battery: None }]);
}

#[test]
fn a_megabyte_is_read_or_refused() {
    const SIZE: usize = 1 << 20;
    for piece in [
        "9",
        "0",
        "x",
        " ",
        "\n",
        "\\",
        "\"",
        ",",
        "=",
        "#",
        "#\n",
        "\0",
        "é",
        "a=1,",
        "soil raw=1\n",
        "soil,a=",
        "[",
        "{\"a\":",
        "soil raw=\"",
        "{},",
        "\u{feff}",
    ] {
        holds(piece.repeat(SIZE / piece.len()).as_bytes());
    }
    holds(&vec![0xFF; SIZE]);
    holds(format!(r#"{{"raw":"{}"}}"#, "\\u00e9".repeat(SIZE / 6)).as_bytes());
    holds(format!(r#"{{"raw":{}}}"#, "1".repeat(SIZE)).as_bytes());
    holds(format!("soil raw={}", "1,a=".repeat(SIZE / 4)).as_bytes());
    holds(format!("soil{} raw=1", ",t=1".repeat(SIZE / 4)).as_bytes());
    let records: Vec<String> =
        (0..SIZE / 30).map(|i| format!(r#"{{"n":"raw{i}","t":-{i},"v":{i}}}"#)).collect();
    holds(format!("[{}]", records.join(",")).as_bytes());
    let records = vec![r#"{"n":"raw","v":1}"#; SIZE / 18];
    holds(format!("[{}]", records.join(",")).as_bytes());
}
