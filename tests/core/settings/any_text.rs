//! No text, and no change of a good text, stops the reader.

use proptest::prelude::*;
use trug::settings::from_text;

const TRUG: &str = include_str!("../../../config/trug.toml");
const GARDEN: &str = include_str!("../../../config/gardens/saltbush-gully.toml");

/// Reads both texts; what comes is settings or at least one fault, each with
/// its parts filled in and fit for one line of a terminal.
fn read(trug: &str, garden: &str, env: &[(String, String)]) -> Result<(), TestCaseError> {
    let Err(faults) = from_text(("trug.toml", trug), &[("garden.toml", garden)], env.iter().cloned()) else {
        return Ok(());
    };
    prop_assert!(!faults.as_slice().is_empty());
    for fault in faults.as_slice() {
        prop_assert!(!fault.given.is_empty() && !fault.accepted.is_empty(), "{fault:?}");
        prop_assert!(fault.line != Some(0), "{fault:?}");
        for part in [&fault.key, &fault.given, &fault.accepted] {
            prop_assert!(!part.contains(char::is_control), "{fault:?}");
        }
    }
    Ok(())
}

/// One change of a text: some characters gone, others in their place.
fn change() -> impl Strategy<Value = (usize, usize, String)> {
    let values = prop_oneof![
        prop::sample::select(vec![
            "nan",
            "-inf",
            "1e999",
            "-1",
            "0",
            "9999999999999999999999",
            "0x7fffffffffffffffff",
            "true",
            "\"\"",
            "[]",
            "{}",
            "[[]]",
            "1979-05-27",
            "\"\\u0000\"",
            "\n",
            "[site]\n",
            "[[bed]]\n",
            "=",
            "\"",
            "'",
            ".",
            "a.b.c = 1\n",
            "[[sensor]]\nid = 1\n",
            "\u{202e}",
            "é",
            "[[[[[[[[",
            "{a={a={a=",
        ])
        .prop_map(str::to_owned),
        ".{0,12}",
    ];
    (any::<prop::sample::Index>(), 0usize..40, values).prop_map(|(at, cut, new)| (at.index(10_000), cut, new))
}

fn changed(text: &str, changes: &[(usize, usize, String)]) -> String {
    let mut chars: Vec<char> = text.chars().collect();
    for (at, cut, new) in changes {
        let at = at % (chars.len() + 1);
        let end = (at + cut).min(chars.len());
        chars.splice(at..end, new.chars());
    }
    chars.into_iter().collect()
}

/// Replaces what stands right of the `=` of one line, so that most of the text
/// stays good and the change reaches the checks behind the parser.
fn with_value(text: &str, line: prop::sample::Index, value: &str) -> String {
    let keys: Vec<usize> =
        text.lines().enumerate().filter(|(_, l)| l.contains(" = ")).map(|(at, _)| at).collect();
    let chosen = keys[line.index(keys.len())];
    text.lines()
        .enumerate()
        .map(|(at, l)| match l.split_once(" = ") {
            Some((key, _)) if at == chosen => format!("{key} = {value}\n"),
            _ => format!("{l}\n"),
        })
        .collect()
}

/// TOML values of every kind, nested.
fn toml_value() -> impl Strategy<Value = String> {
    let leaf = prop_oneof![
        any::<i64>().prop_map(|n| n.to_string()),
        (-10i64..1000).prop_map(|n| n.to_string()),
        any::<f64>().prop_map(|x| if x.is_finite() { format!("{x:e}") } else { "nan".to_owned() }),
        any::<bool>().prop_map(|b| b.to_string()),
        "[a-z0-9 /+#:@.-]{0,10}".prop_map(|s| format!("{s:?}")),
        prop::sample::select(vec![
            "2026-04-18",
            "2026-04-18T09:00:00Z",
            "2026-04-18T09:00:00",
            "09:00:00",
            "0000-01-01"
        ])
        .prop_map(str::to_owned),
    ];
    let keys = prop::sample::select(vec![
        "points",
        "polynomial",
        "valid",
        "from",
        "topp",
        "mm_per_tip",
        "counts",
        "wraps_at",
        "json",
        "senml",
        "value",
        "time",
        "name",
        "cold_c",
        "warm_c",
        "depth_mm",
        "planned",
        "planted",
        "stage_days",
        "soil",
        "sand_percent",
        "clay_percent",
        "organic_percent",
        "allowed",
        "spike",
        "gross_fail",
    ]);
    leaf.prop_recursive(4, 24, 4, move |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..4).prop_map(|parts| format!("[{}]", parts.join(", "))),
            prop::collection::btree_map(keys.clone(), inner, 0..3).prop_map(|parts| {
                let parts: Vec<String> = parts.iter().map(|(k, v)| format!("{k} = {v}")).collect();
                format!("{{ {} }}", parts.join(", "))
            }),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

    #[test]
    fn any_text_is_read_or_refused(trug in "(?s).{0,200}", garden in "(?s).{0,200}") {
        read(&trug, &garden, &[])?;
    }

    #[test]
    fn any_change_of_the_garden_is_read_or_refused(changes in prop::collection::vec(change(), 1..6)) {
        read(TRUG, &changed(GARDEN, &changes), &[])?;
    }

    #[test]
    fn any_change_of_trug_toml_is_read_or_refused(changes in prop::collection::vec(change(), 1..4)) {
        read(&changed(TRUG, &changes), GARDEN, &[])?;
    }

    #[test]
    fn any_value_at_any_key_is_read_or_refused(line in any::<prop::sample::Index>(), value in toml_value()) {
        read(TRUG, &with_value(GARDEN, line, &value), &[])?;
        read(&with_value(TRUG, line, &value), GARDEN, &[])?;
    }

    #[test]
    fn any_variable_is_read_or_refused(
        name in prop_oneof![
            "TRUG__[A-Z_]{0,30}",
            "TRUG__.{0,10}",
            prop::sample::select(vec![
                "TRUG__BROKER__URL", "TRUG__BROKER__TOPICS", "TRUG__PAGE", "TRUG__FORWARD", "TRUG__GARDENS",
                "TRUG__GARDEN__SALTBUSH_GULLY__SITE__TIME_ZONE", "TRUG__GARDEN__SALTBUSH_GULLY__BED",
                "TRUG__GARDEN__SALTBUSH_GULLY__SENSOR__PEA_15CM__CALIBRATION",
                "TRUG__GARDEN__SALTBUSH_GULLY__SENSOR__PEA_15CM__PAYLOAD",
                "TRUG__GARDEN__SALTBUSH_GULLY__SENSOR__PEA_15CM__QUALITY",
                "TRUG__GARDEN__SALTBUSH_GULLY__WATERING__ALLOWED",
            ])
            .prop_map(str::to_owned),
        ],
        value in prop_oneof!["(?s).{0,20}".boxed(), toml_value().boxed()],
    ) {
        read(TRUG, GARDEN, &[(name, value)])?;
    }
}

#[test]
fn deep_nesting_is_refused() {
    for open in ["[", "{a="] {
        let deep = format!("x = {}", open.repeat(100_000));
        assert!(from_text(("trug.toml", TRUG), &[("garden.toml", &deep)], std::iter::empty()).is_err());
    }
    let dotted = format!("{}a = 1", "a.".repeat(100_000));
    assert!(from_text(("trug.toml", TRUG), &[("garden.toml", &dotted)], std::iter::empty()).is_err());
}
