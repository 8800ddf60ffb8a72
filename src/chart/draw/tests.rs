use jiff::tz::TimeZone;
use proptest::prelude::*;

use crate::chart::draw::*;
use crate::chart::{Bar, Event, ReadingTimes, Rule, Sign, Zone};

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -100.0..100.0_f64,
        1 => any::<f64>(),
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(0.0),
    ]
}

fn any_chart() -> impl Strategy<Value = Chart> {
    let numbers = proptest::collection::vec((0i64..4_000_000, any_number()), 0..80);
    let moments = (0i64..2_000_000_000, -10i64..40_000_000);
    let ends = proptest::option::of((any_number(), any_number()));
    (moments, numbers, ends, any_number()).prop_map(|((from, length), mut numbers, at_least, level)| {
        let at = |second| Timestamp::from_second(second).expect("in range");
        numbers.sort_by_key(|(second, _)| *second);
        let points: Vec<_> = numbers.iter().map(|(second, value)| (at(from + second), *value)).collect();
        let trace = Trace {
            name: "<b>\"trace\"".to_owned(),
            label: "<b>\"t\"".to_owned(),
            stroke: Stroke::Bold,
            spread: points.iter().map(|(_, value)| (value - 1.0, value + level)).collect(),
            points: points.clone(),
            gap: SignedDuration::from_hours(6),
        };
        let zone = |from, to| Zone { from, to, word: "dry".to_owned(), class: "zone-near" };
        let flag = |value: Option<f64>| {
            move |(at, _): &(Timestamp, f64)| Flagged { at: *at, value, words: "bad".to_owned() }
        };
        let fan = |(at, value): &(Timestamp, f64)| FanPoint {
            at: *at,
            inner: (value - 1.0, value + level),
            outer: (value - 2.0, value + 2.0),
        };
        let panel = Panel {
            at_least,
            fan: points.iter().map(fan).collect(),
            zones: vec![zone(None, Some(level)), zone(Some(level), None)],
            rules: vec![
                Rule { at: level, label: "level".to_owned() },
                Rule { at: 10.0, label: "ten".to_owned() },
            ],
            traces: vec![trace.clone(), Trace { stroke: Stroke::Dashed, ..trace }],
            bars: points
                .iter()
                .map(|(at, value)| Bar {
                    from: *at,
                    to: *at + SignedDuration::from_hours(24),
                    value: *value,
                    name: "rain".to_owned(),
                    doubt: (*value > 50.0).then(|| "too low".to_owned()),
                })
                .collect(),
            flagged: points.iter().map(flag(Some(level))).chain(points.iter().map(flag(None))).collect(),
            events: points
                .iter()
                .map(|(at, _)| Event { at: *at, sign: Sign::Water, words: "watered".to_owned() })
                .collect(),
            ..Panel::new("Water", "%", 1)
        };
        Chart {
            id: "any".to_owned(),
            title: "Any".to_owned(),
            description: "Any figures.".to_owned(),
            from: at(from),
            to: at(from + length),
            now: Some(at(from + length / 2)),
            zone: TimeZone::get("Australia/Lord_Howe").expect("a zone of the bundled database"),
            locale: crate::text::locale::Locale::default(),
            panels: vec![panel],
            choice: None,
        }
    })
}

/// A stretch without readings is one only where it is longer than the trace's gap.
#[test]
fn what_is_hatched_has_no_readings() {
    let at = |hour: i64| Timestamp::from_second(hour * 3600).expect("in range");
    let mut chart = Chart {
        id: "gaps".to_owned(),
        title: String::new(),
        description: String::new(),
        from: at(0),
        to: at(100),
        now: None,
        zone: TimeZone::UTC,
        locale: crate::text::locale::Locale::default(),
        panels: vec![Panel {
            traces: vec![Trace::new(
                "",
                Stroke::Bold,
                [1, 2, 3, 40, 41, 97].map(|hour| (at(hour), 1.0)).to_vec(),
                SignedDuration::from_hours(4),
            )],
            ..Panel::new("", "", 0)
        }],
        choice: None,
    };
    assert_eq!(empty_stretches(&chart, &chart.panels[0]), [(0.03, 0.4), (0.41, 0.97)]);
    // What has not come yet is not missing.
    chart.now = Some(at(60));
    chart.panels[0].traces[0].points.pop();
    assert_eq!(empty_stretches(&chart, &chart.panels[0]), [(0.03, 0.4), (0.41, 0.6)]);
    chart.panels[0].traces[0].points.clear();
    assert_eq!(empty_stretches(&chart, &chart.panels[0]), [(0.0, 0.6)]);
    chart.panels[0].traces[0].stroke = Stroke::Expected;
    assert!(empty_stretches(&chart, &chart.panels[0]).is_empty());
}

/// Bars are hatched where their sensors sent nothing, and nowhere where they are of single
/// acts.
#[test]
fn bars_are_hatched_where_nothing_was_read() {
    let at = |hour: i64| Timestamp::from_second(hour * 3600).expect("in range");
    let bar = |hour| Bar { from: at(hour), to: at(hour + 1), value: 1.0, name: String::new(), doubt: None };
    let mut chart = Chart {
        id: "bars".to_owned(),
        title: String::new(),
        description: String::new(),
        from: at(0),
        to: at(100),
        now: Some(at(90)),
        zone: TimeZone::UTC,
        locale: crate::text::locale::Locale::default(),
        panels: vec![Panel { bars: vec![bar(3), bar(60)], ..Panel::new("", "", 0) }],
        choice: None,
    };
    assert!(empty_stretches(&chart, &chart.panels[0]).is_empty());
    let read = |stretches: &[(i64, i64)]| ReadingTimes {
        stretches: stretches.iter().map(|(from, to)| (at(*from), at(*to))).collect(),
        gap: SignedDuration::from_hours(3),
    };
    chart.panels[0].bars_read = Some(read(&[(0, 20), (22, 50), (70, 95)]));
    assert_eq!(empty_stretches(&chart, &chart.panels[0]), [(0.5, 0.7)]);
    chart.panels[0].bars_read = Some(read(&[]));
    assert_eq!(empty_stretches(&chart, &chart.panels[0]), [(0.0, 0.9)]);
    let drawn = chart.draw().into_string();
    assert!(drawn.contains("class=\"no-readings\"") && drawn.contains("id=\"bars-gap-0\""), "{drawn}");
}

/// No two strokes have one mark, and each line of several has its own at its end with its
/// label.
#[test]
fn lines_are_told_apart_by_mark_and_label() {
    let strokes = [Stroke::Bold, Stroke::Fine, Stroke::Dashed, Stroke::Dotted, Stroke::Expected];
    let marks: std::collections::BTreeSet<_> = strokes.map(end_mark).into_iter().collect();
    assert_eq!(marks.len(), strokes.len());
    let at = |hour: i64| Timestamp::from_second(hour * 3600).expect("in range");
    let trace = |label: &str, stroke| {
        let points = vec![(at(0), 1.0), (at(1), 2.0)];
        Trace::new(format!("{label} as the key names it"), stroke, points, SignedDuration::from_hours(4))
            .labelled(label)
    };
    let mut chart = Chart {
        id: "lines".to_owned(),
        title: String::new(),
        description: String::new(),
        from: at(0),
        to: at(2),
        now: None,
        zone: TimeZone::UTC,
        locale: crate::text::locale::Locale::default(),
        panels: vec![Panel {
            traces: vec![trace("15 cm", Stroke::Fine), trace("30 cm", Stroke::Dashed)],
            ..Panel::new("", "", 0)
        }],
        choice: None,
    };
    let drawn = |chart: &Chart| panel(chart, &Times::of(chart), 0, &chart.panels[0]).into_string();
    let both = drawn(&chart);
    for (label, stroke) in [("15 cm", Stroke::Fine), ("30 cm", Stroke::Dashed)] {
        assert!(both.contains(&format!(">{label}</text>")) && both.contains(end_mark(stroke)), "{both}");
    }
    // One line alone needs neither.
    chart.panels[0].traces.truncate(1);
    assert!(!drawn(&chart).contains("line-end"));
}

/// The numbers of an attribute.
fn numbers<'a>(svg: &'a str, attribute: &str) -> impl Iterator<Item = f64> + 'a {
    let start = format!(" {attribute}=\"");
    let parts: Vec<&str> = svg.split(start.as_str()).skip(1).collect();
    parts.into_iter().filter_map(|rest| rest.split('"').next()?.trim_end_matches('%').parse().ok())
}

proptest! {
    #[test]
    fn whatever_the_figures_the_drawing_holds_only_numbers_inside_it(chart in any_chart()) {
        let drawn = panel(&chart, &Times::of(&chart), 0, &chart.panels[0]).into_string();
        for word in ["NaN", "inf", "<b>"] {
            prop_assert!(!drawn.contains(word), "{word} in {drawn}");
        }
        let high = FIRST + AXIS;
        for attribute in ["y", "y1", "y2", "cy"] {
            for y in numbers(&drawn, attribute) {
                prop_assert!((0.0..=high).contains(&y), "{attribute} {y} of {high} in {drawn}");
            }
        }
        for x in ["x1", "x2", "cx"].into_iter().flat_map(|name| numbers(&drawn, name)) {
            prop_assert!((0.0..=100.0).contains(&x), "{x} in {drawn}");
        }
        let figures = crate::chart::table::figures(&chart);
        prop_assert!(serde_json::from_str::<serde_json::Value>(&figures).is_ok());
        crate::chart::table::table(&chart);
        chart.draw();
    }

    #[test]
    fn words_keep_clear_of_each_other(
        places in proptest::collection::vec(-50.0..300.0_f64, 0..20),
        high in 40.0..200.0_f64,
    ) {
        let count = places.len();
        let words = apart(places.into_iter().map(|at| (at, "word")).collect(), high);
        prop_assert!(words.len() == count || words.len() >= ((high - 14.0) / LINE) as usize);
        for pair in words.windows(2) {
            prop_assert!(pair[1].0 - pair[0].0 >= LINE - 1e-9, "{words:?}");
        }
        for (at, _) in words {
            prop_assert!(at >= 11.0 - 1e-9 && at <= high - 3.0 + 1e-9);
        }
    }
}
