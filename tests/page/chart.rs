//! Charts in a real browser: what they look like, that the pointer and the keys read
//! them, and that axe-core has nothing against them.

use std::fs;
use std::path::Path;

use crate::support::browser::{Browser, DESK, PHONE};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use trug::chart::{
    Bar, Chart, Event, FanPoint, Flagged, Panel, PanelChoice, ReadingTimes, Rule, SCRIPT, STYLE, Sign,
    Stroke, Trace, Zone,
};

const PAGE: &str = include_str!("../../src/page/style.css");

fn at(text: &str) -> Timestamp {
    text.parse().expect("a time")
}

fn panel(name: &str, unit: &'static str) -> Panel {
    Panel::new(name, unit, 1)
}

fn trace(name: &str, stroke: Stroke, points: Vec<(Timestamp, f64)>) -> Trace {
    Trace::new(name, stroke, points, SignedDuration::from_hours(3))
}

/// A bed that dries and is wetted: invented.
fn bed(id: &str, from: &str, to: &str) -> Chart {
    let (from, to) = (at(from), at(to));
    let mut soil = panel("Water in the root zone", "% of volume");
    let zone = |from, to, word: &str, class| Zone { from, to, word: word.to_owned(), class };
    soil.zones = vec![
        zone(None, Some(6.0), "wilting", "zone-far"),
        zone(Some(6.0), Some(11.0), "dry", "zone-near"),
        zone(Some(11.0), Some(15.0), "moist", "zone-fine"),
        zone(Some(15.0), None, "wet", "zone-wet"),
    ];
    soil.rules =
        [(6.0, "wilting point 6.0 %"), (11.0, "refill point 11.0 %"), (15.0, "field capacity 15.0 %")]
            .map(|(at, label)| Rule { at, label: label.to_owned() })
            .to_vec();
    soil.at_least = Some((4.0, 18.0));
    let mut points = Vec::new();
    let mut content = 14.0;
    let mut moment = from;
    let mut hour = 0;
    while moment < to {
        content -= 0.035;
        if hour % 120 == 30 {
            content += 4.5;
        }
        let lost = (200..260).contains(&hour);
        if !lost {
            points.push((moment, content));
        }
        hour += 1;
        moment += SignedDuration::from_hours(1);
    }
    soil.flagged = vec![
        Flagged { at: points[points.len() / 3].0, value: Some(9.0), words: "doubtful".to_owned() },
        Flagged { at: points[points.len() / 2].0, value: None, words: "2 of 60 readings bad".to_owned() },
    ];
    soil.events = vec![
        Event { at: points[19].0, sign: Sign::Person, words: "watered by hand with 60 L".to_owned() },
        Event {
            at: points[points.len().min(31) - 1].0,
            sign: Sign::Water,
            words: "watering: 9.0 mm more".to_owned(),
        },
        Event { at: points[points.len() - 9].0, sign: Sign::Alarm, words: "Bed too dry".to_owned() },
    ];
    let upper: Vec<_> = points.iter().map(|(at, value)| (*at, value + 1.2)).collect();
    soil.traces = vec![
        trace("root zone", Stroke::Bold, points.clone()),
        trace("probe at 15 cm", Stroke::Fine, upper),
        trace("probe at 30 cm", Stroke::Dashed, points.iter().map(|(at, v)| (*at, v - 0.8)).collect()),
    ];
    let mut rain = panel("Rain and waterings", "mm");
    let mut day = from;
    let mut number = 0;
    while day < to {
        let next = day + SignedDuration::from_hours(24);
        let name = if number % 3 == 0 { "rain" } else { "watering" };
        let value = [0.0, 4.2, 0.4, 11.6, 0.0][number % 5];
        rain.bars.push(Bar { from: day, to: next, value, name: name.to_owned(), doubt: None });
        (day, number) = (next, number + 1);
    }
    Chart {
        id: id.to_owned(),
        title: "The kitchen bed".to_owned(),
        description: "Water in the root zone fell from 14 to 8 % and rose with each watering.".to_owned(),
        from,
        to,
        now: None,
        zone: TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database"),
        locale: trug::text::locale::Locale::default(),
        panels: vec![soil, rain],
        choice: None,
    }
}

/// A tank's four days with the swing of each hour, what is expected after now, and a gap.
fn swings() -> Chart {
    let (from, to) = (at("2026-04-12T14:30:00Z"), at("2026-04-16T14:30:00Z"));
    let now = at("2026-04-15T20:00:00Z");
    let mut water = panel("Temperature of the water", "\u{b0}C");
    let zone = |from, to, word: &str, class| Zone { from, to, word: word.to_owned(), class };
    water.zones = vec![
        zone(None, Some(18.0), "cold", "zone-wet"),
        zone(Some(18.0), Some(24.0), "suits them", "zone-fine"),
        zone(Some(24.0), None, "warm", "zone-near"),
    ];
    water.at_least = Some((16.0, 26.0));
    let value = |hour: i32| 21.0 - 2.5 * (f64::from(hour) * std::f64::consts::TAU / 24.0).cos();
    let moment = |hour: i32| from + SignedDuration::from_hours(i64::from(hour));
    let known: Vec<i32> = (0..78).filter(|hour| !(40..62).contains(hour)).collect();
    let mut measured =
        trace("thermometer", Stroke::Bold, known.iter().map(|&hour| (moment(hour), value(hour))).collect());
    measured.spread = known.iter().map(|&hour| (value(hour) - 0.4, value(hour) + 0.7)).collect();
    let expected = (78..96).map(|hour| (moment(hour), value(hour) + 0.5)).collect();
    water.fan = (78..96)
        .map(|hour| {
            let (middle, width) = (value(hour) + 0.5, 0.1 + 0.06 * f64::from(hour - 78));
            FanPoint {
                at: moment(hour),
                inner: (middle - width, middle + width),
                outer: (middle - 2.0 * width, middle + 2.0 * width),
            }
        })
        .collect();
    water.traces = vec![measured, trace("expected", Stroke::Expected, expected)];
    let mut rain = panel("Rain", "mm");
    for (day, value, doubt) in
        [(0, 3.2, None), (1, 8.4, Some("at least so much: readings are missing")), (2, 0.6, None)]
    {
        for (name, from, to) in [("rain", 0, 12), ("watering", 12, 24), ("topping up", 6, 12)] {
            rain.bars.push(Bar {
                from: moment(day * 24 + from),
                to: moment(day * 24 + to),
                value: value + f64::from(from) / 6.0,
                name: name.to_owned(),
                doubt: doubt.filter(|_| name == "rain").map(str::to_owned),
            });
        }
    }
    rain.bars_read = Some(ReadingTimes {
        stretches: vec![(from, moment(30)), (moment(48), now)],
        gap: SignedDuration::from_hours(3),
    });
    Chart {
        id: "swings".to_owned(),
        title: "The fish tank".to_owned(),
        description: "The water swings between 18.5 and 23.5 \u{b0}C each day.".to_owned(),
        from,
        to,
        now: Some(now),
        zone: TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database"),
        locale: trug::text::locale::Locale::default(),
        panels: vec![water, rain],
        choice: None,
    }
}

/// Two hours below zero, with every event there is.
fn cold() -> Chart {
    let (from, to) = (at("2026-07-03T20:30:00Z"), at("2026-07-03T22:30:00Z"));
    let mut air = panel("Air above the beds, as the thermometer in the shade has it", "\u{b0}C");
    air.traces = vec![trace(
        "air",
        Stroke::Dotted,
        (0..24).map(|n| (from + SignedDuration::from_mins(5 * n), -3.1 + n as f64 * 0.17)).collect(),
    )];
    air.events =
        [Sign::Water, Sign::Rain, Sign::Mulch, Sign::Planting, Sign::Person, Sign::Alarm, Sign::Fish]
            .into_iter()
            .zip(1i64..)
            .map(|(sign, n)| Event {
                at: from + SignedDuration::from_mins(15 * n),
                sign,
                words: format!("{sign:?}"),
            })
            .collect();
    Chart {
        id: "cold".to_owned(),
        title: "A cold morning".to_owned(),
        description: "The air warmed from 3 below zero to above it.".to_owned(),
        from,
        to,
        now: None,
        zone: TimeZone::get("Australia/Adelaide").expect("a zone of the bundled database"),
        locale: trug::text::locale::Locale::default(),
        panels: vec![air],
        choice: None,
    }
}

fn charts() -> Vec<Chart> {
    let mut tank = bed("tank", "2026-04-04T13:30:00Z", "2026-04-05T14:30:00Z");
    tank.title = "A day of 25 hours".to_owned();
    tank.now = Some(at("2026-04-05T06:00:00Z"));
    let mut empty = bed("empty", "2026-03-31T13:30:00Z", "2026-04-30T14:30:00Z");
    empty.title = "Nothing is known".to_owned();
    for panel in &mut empty.panels {
        panel.traces.iter_mut().for_each(|trace| trace.points.clear());
        panel.bars.clear();
        panel.flagged.clear();
        panel.events.clear();
    }
    let mut one = bed("one", "2026-03-31T13:30:00Z", "2026-04-30T14:30:00Z");
    one.title = "One reading".to_owned();
    one.panels.truncate(1);
    one.panels[0].traces.truncate(1);
    one.panels[0].traces[0].points = vec![(at("2026-04-10T00:00:00Z"), 12.0)];
    let mut chosen = bed("chosen", "2026-04-12T14:30:00Z", "2026-04-19T14:30:00Z");
    chosen.title = "Two of three".to_owned();
    let mut more = chosen.panels[1].clone();
    (more.name, more.key) = ("Once more".to_owned(), "more");
    (chosen.panels[0].key, chosen.panels[1].key) = ("water", "rain");
    chosen.panels.push(more);
    chosen.choice = Some(PanelChoice { chosen: Vec::new(), address: "?show=".to_owned() });
    vec![
        chosen,
        swings(),
        cold(),
        bed("month", "2026-03-31T13:30:00Z", "2026-04-30T14:30:00Z"),
        bed("week", "2026-04-12T14:30:00Z", "2026-04-19T14:30:00Z"),
        tank,
        bed("year", "2025-04-30T14:30:00Z", "2026-04-30T14:30:00Z"),
        empty,
        one,
    ]
}

fn page() -> String {
    let drawn: String =
        charts().iter().map(|chart| chart.draw().into_string() + &chart.table().into_string()).collect();
    format!(
        "<!DOCTYPE html><html lang=en><meta charset=utf-8>\
         <meta name=viewport content='width=device-width, initial-scale=1'><title>Charts</title>\
         <style>{PAGE}{STYLE}</style><main><h1>Charts</h1>{drawn}</main><script>{SCRIPT}</script></html>"
    )
}

#[test]
fn charts_can_be_read_by_everybody() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("charts.html");
    fs::write(&file, page()).expect("the page can be written");
    let browser = Browser::start();
    let pictures = Path::new(env!("CARGO_TARGET_TMPDIR")).join("chart");
    for (width, size) in [("phone", PHONE), ("desk", DESK)] {
        browser.size(size);
        for (colour, dark) in [("light", false), ("dark", true)] {
            browser.dark(dark);
            browser.open(&format!("file://{}", file.display()));
            let what = format!("charts ({width}, {colour})");
            assert_eq!(browser.overflow(), 0, "{what} are wider than the view");
            browser.picture(&pictures.join(format!("charts-{width}-{colour}.png")));
            browser.accessible(&what);
        }
    }
}

/// The figures under the arrow keys are those of the chart.
#[test]
fn the_arrow_keys_read_a_chart() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("charts.html");
    fs::write(&file, page()).expect("the page can be written");
    let browser = Browser::start();
    browser.size(DESK);
    browser.open(&format!("file://{}", file.display()));
    browser.run("document.querySelector('#month .panels').focus(); return 1;");
    // Home, then one to the right: the first day's first hours.
    browser.press("\u{E011}");
    let readout = "#month .readout";
    let first = browser.text(readout);
    assert!(first.starts_with("Wed, 1 Apr, 12 am") || first.starts_with("Wed 1 Apr, 12 am"), "{first}");
    assert!(first.contains("root zone 14.0 % of volume, moist"), "{first}");
    browser.press("\u{E014}\u{E014}");
    let later = browser.text(readout);
    assert!(later.contains("8 am") && later.contains("root zone 13.7"), "{later}");
}

/// On a phone a chart of three panels shows two, with the way to the third; touched or
/// with the focus, a mark shows its words; all without a script.
#[test]
fn a_phone_shows_two_panels_and_a_mark_its_words() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("charts.html");
    fs::write(&file, page().replace(SCRIPT, "")).expect("the page can be written");
    let browser = Browser::start();
    let seen = |css: &str| {
        let script = format!(
            "return [...document.querySelectorAll('{css}')].filter(it => it.getBoundingClientRect().height > 0).length;"
        );
        browser.run(&script).as_i64().expect("a number")
    };
    for (size, panels, ways) in [(PHONE, 2, 3), (DESK, 3, 0)] {
        browser.size(size);
        browser.open(&format!("file://{}", file.display()));
        assert_eq!(seen("#chosen .panel"), panels);
        assert_eq!(seen("#chosen .choices-of-panels li"), ways);
        assert_eq!(seen("#cold .lane p"), 0);
        browser.run("document.querySelector('#cold .lane .event').focus(); return 1;");
        assert_eq!(seen("#cold .lane p"), 1);
        assert!(browser.text("#cold .lane .event:focus p").ends_with("Water"));
        assert_eq!(browser.overflow(), 0);
    }
}

#[test]
fn a_chart_weighs_little() {
    for chart in charts() {
        let bytes = chart.draw().into_string().len() + chart.table().into_string().len();
        println!("{}: {bytes} bytes", chart.id);
        assert!(bytes < 50_000, "{} weighs {bytes} bytes", chart.id);
    }
}
