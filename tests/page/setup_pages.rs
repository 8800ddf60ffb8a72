//! The pages for the first days: placing, checks of soil and probes, a new sensor, all settings.

use trug::page::NotPlaced;
use trug::settings::from_text;

use crate::support::browser::{Browser, PHONE};
use crate::support::garden::SHIPPED;
use crate::support::http::Served;
use crate::support::views::{self, Fixed};

const SITE: &str = "/site/saltbush-gully";

fn served() -> Served {
    let topic = |topic: &str, payload: &str| NotPlaced {
        topic: topic.to_owned(),
        payload: payload.as_bytes().to_vec(),
        count: 3,
        last: views::at("2026-04-17T05:00:00Z"),
    };
    let mut view = views::busy();
    view.now = views::at("2026-04-17T05:30:00Z");
    let not_placed = vec![
        topic("saltbush-gully/pea-bed/moisture-25cm", r#"{"raw":2345,"t":1776403800}"#),
        topic("saltbush-gully/<b>\u{202e}odd", "21.5"),
    ];
    Served::new(Fixed { now: view.now, not_placed, ..Fixed::of(vec![view]) }, None)
}

/// The lines of an answer, as the file has them.
fn lines(page: &str) -> String {
    let code = page.split("<pre><code>").nth(1).and_then(|rest| rest.split("</code>").next());
    code.expect("lines")
        .replace("&quot;", "\"")
        .replace("&amp;", "&")
        .replace("&lt;", "<")
        .replace("&gt;", ">")
}

#[test]
fn a_topic_without_a_place_becomes_lines_that_pass_the_check() {
    let served = served();
    let sensors = served.get(&format!("{SITE}/sensors")).body;
    let link = sensors.split("href=\"").find(|it| it.contains("/new-sensor?topic=")).expect("a link");
    let link = link.split('"').next().expect("an address").replace("&amp;", "&");
    let form = served.get(&link).body;
    for words in [
        "value=\"saltbush-gully/pea-bed/moisture-25cm\"",
        "<option value=\"bed:pea-bed\" selected>",
        "<option value=\"soil-moisture\" selected>",
        "name=\"depth_cm\" type=\"text\" inputmode=\"decimal\" autocomplete=\"off\" size=\"10\" value=\"25\"",
        "raw: 2345",
    ] {
        assert!(form.contains(words), "{words}: {form}");
    }
    let message = "%7B+json+%3D+%7B+value+%3D+%22%2Fraw%22%2C+time+%3D+%22%2Ft%22+%7D+%7D";
    let given = format!(
        "{link}&measures=soil-moisture&place=bed%3Apea-bed&depth_cm=25&message={message}&meaning=points\
         &raw_1=2900&value_1=0.05&raw_2=1450&value_2=0%2C35&minutes=15"
    );
    let made = lines(&served.get(&given).body);
    assert!(made.contains("id = \"pea-bed-25cm\"") && made.contains("[2900, 0.05], [1450, 0.35]"), "{made}");
    let trug = "[broker]\nurl = \"mqtt://localhost\"\n[store]\npath = \"t.db\"\n";
    let file = format!("{SHIPPED}\n{made}");
    let settings = from_text(("trug.toml", trug), &[("garden.toml", &file)], std::iter::empty());
    let settings = settings.unwrap_or_else(|faults| panic!("{faults}"));
    assert!(settings.borne.is_none());
    assert!(settings.gardens[0].sensors.iter().any(|it| it.topic == "saltbush-gully/pea-bed/moisture-25cm"));

    for (change, words) in [
        ("&id=kitchen-15cm", "which garden.toml, line"),
        ("&id=Not+One", "Accepted: lower-case letters"),
        ("&topic=a%2F%23&message=%22number%22", "Accepted: a topic name without the wildcards"),
        ("&place=tank%3Aperch-tank", "Accepted:"),
        ("&depth_cm=-1", "Depth: -1 is not a number"),
        ("&value_2=", "What the second one means: this number is needed."),
        ("&raw_2=2900", "is not taken"),
        ("&minutes=0", "Minutes between two readings: 0 is not a number"),
        ("&message=x", "Choose a number of the message."),
    ] {
        let keys: Vec<&str> = change[1..].split('&').filter_map(|it| Some(it.split_once('=')?.0)).collect();
        let (path, query) = given.split_once('?').expect("a query");
        let kept = query.split('&').filter(|it| !keys.iter().any(|key| it.starts_with(&format!("{key}="))));
        let asked = format!("{path}?{}", kept.collect::<Vec<_>>().join("&"));
        let page = served.get(&format!("{asked}{change}")).body;
        assert!(page.contains(words) && !page.contains("<pre><code>"), "{change}: {page}");
    }
    let odd = served.get(&format!("{SITE}/new-sensor?topic=%3Cscript%3E")).body;
    assert!(!odd.contains("<script>&"), "{odd}");
    assert!(!odd.contains("value=\"<script>"), "{odd}");
}

#[test]
fn forms_that_only_compute_need_no_password_and_no_script() {
    let served = served();
    let soil = served.get(&format!("{SITE}/soil-test?sand=52&silt=20&clay=8"));
    assert_eq!(soil.status, 200);
    assert!(soil.body.contains("This soil is sandy loam") && lines(&soil.body) == "soil = \"sandy loam\"\n");
    let clay_loam = served.get(&format!("{SITE}/soil-test?sand=32&silt=34&clay=34")).body;
    let line = "soil = { sand_percent = 32, clay_percent = 34, organic_percent = 2.5 }\n";
    assert!(clay_loam.contains("This soil is clay loam") && lines(&clay_loam) == line, "{clay_loam}");
    for (query, words) in [
        ("sand=0&silt=0&clay=0", "there is no soil in this jar"),
        ("sand=5&silt=&clay=1", "Silt layer: this number is needed."),
        ("sand=-5&silt=1&clay=1", "Sand layer: -5 is not a number"),
        ("sand=%3Cb%3E&silt=1&clay=1", "Sand layer: &lt;b&gt; is not a number"),
    ] {
        let page = served.get(&format!("{SITE}/soil-test?{query}")).body;
        assert!(page.contains(words) && !page.contains("<pre>"), "{query}: {page}");
    }
    let probe = served.get(&format!("{SITE}/probe?sensor=kitchen-15cm&dry=2900&wet=1450")).body;
    assert!(probe.contains("The number falls from 2900 to 1450"), "{probe}");
    let sheet = "ring=100&r1=2900&w1=205&d1=200&r2=2400&w2=216&d2=200&r3=1400&w3=235&d3=200";
    let sheet = served.get(&format!("{SITE}/probe?{sheet}")).body;
    assert!(lines(&sheet).starts_with("calibration = { points = [["), "{sheet}");
    let long = served.get(&format!("{SITE}/probe?r1={}", "9".repeat(5000)));
    assert_eq!(long.status, 414);
}

#[test]
fn all_settings_stand_on_a_page_that_more_leads_to() {
    let served = served();
    let more = served.get(&format!("{SITE}/more")).body;
    for path in ["/placing", "/probe", "/soil-test", "/new-sensor", "/keys"] {
        assert!(more.contains(&format!("href=\"{SITE}{path}\"")), "{path}: {more}");
    }
    let keys = served.get(&format!("{SITE}/keys")).body;
    for words in [
        "[[bed]]",
        "irrigation of [[bed]]",
        "area_m2",
        "a number above 0 to 10000 (square metres)",
        "[broker]",
    ] {
        assert!(keys.contains(words), "{words}");
    }
    println!("{} bytes", keys.len());
    let placing = served.get(&format!("{SITE}/placing")).body;
    assert!(placing.contains("How deep in this garden") && placing.matches("<svg").count() == 5, "{placing}");
}

#[test]
fn the_pages_of_the_first_days_can_be_read_by_everybody() {
    let browser = Browser::start();
    browser.size(PHONE);
    let served = served();
    for path in [
        "/placing",
        "/probe?ring=100&r1=2900&w1=205&d1=200&r2=2400&w2=216&d2=200&r3=1400&w3=235&d3=190",
        "/probe?dry=2900&wet=x",
        "/soil-test?sand=52&silt=20&clay=8",
        "/new-sensor?topic=saltbush-gully%2Fpea-bed%2Fmoisture-25cm",
        "/new-sensor?measures=rain",
        "/keys",
    ] {
        browser.open(&served.url(&format!("{SITE}{path}")));
        browser.accessible(path);
        assert_eq!(browser.overflow(), 0, "{path} is wider than the view");
        let faults = browser.faults();
        assert!(faults.is_empty(), "{path}: {faults:?}");
    }
}
