//! The pages of beds, tanks and the rain over stores that the daemon's own parts wrote.

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use crate::support::browser::{Browser, DESK, PHONE};
use crate::support::garden::{SHIPPED_TRUG, settings_with};
use crate::support::http::Served;
use crate::support::school;
use crate::support::views::{Fixed, at};
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use tempfile::TempDir;
use trug::engine::Engine;
use trug::engine::RawMessage;
use trug::garden::view::SiteView;
use trug::garden::{AcclimatiseAnswer, Acclimatising, Clock};
use trug::history::{Bin, ProbeBins, root_zone_bins};
use trug::model::Quantity;
use trug::page::RecordReader;
use trug::settings::Settings;
use trug::store::Reader;

const SITE: &str = "saltbush-gully";
const SPANS: [&str; 4] = ["day", "week", "month", "year"];

/// No gauge; two beds and two tanks, of which one each loses its sensors in
/// [`Place::small`], as no file that is read can say.
const SMALL: &str = r#"
[site]
id = "saltbush-gully"
name = "Saltbush Gully Primary School"
time_zone = "Australia/Adelaide"
latitude_deg = -34.93
elevation_m = 95

[[bed]]
id = "bare-bed"
name = "Bare bed"
area_m2 = 4.0
soil = "loamy sand"
crop = "cabbage"

[[bed]]
id = "herb-bed"
name = "Herb bed"
area_m2 = 2.0
soil = "loamy sand"
crop = "mint"

[[tank]]
id = "spare-tank"
name = "Spare tank"
volume_l = 200
species = "silver perch"

[[tank]]
id = "perch-tank"
name = "Perch tank"
volume_l = 500
species = "silver perch"

[[sensor]]
id = "bare-15cm"
measures = "soil-moisture"
bed = "bare-bed"
depth_cm = 15
topic = "saltbush-gully/bare-bed/moisture"
payload = "number"
every_s = 900
calibration = { points = [[2900, 0.02], [1450, 0.40]] }

[[sensor]]
id = "spare-temp"
measures = "water-temperature"
tank = "spare-tank"
topic = "saltbush-gully/spare-tank/temperature"
payload = "number"
every_s = 900
calibration = { points = [[0, 0], [100, 100]] }

[[sensor]]
id = "herb-15cm"
measures = "soil-moisture"
bed = "herb-bed"
depth_cm = 15
topic = "saltbush-gully/herb-bed/moisture"
payload = "number"
every_s = 900
calibration = { points = [[2900, 0.02], [1450, 0.40]] }

[[sensor]]
id = "perch-temp"
measures = "water-temperature"
tank = "perch-tank"
topic = "saltbush-gully/perch-tank/temperature"
payload = "number"
every_s = 900
calibration = { points = [[0, 0], [100, 100]] }
"#;

/// A store with its page.
struct Place {
    served: Served,
    settings: Arc<Settings>,
    view: SiteView,
    _folder: TempDir,
}

impl Place {
    /// The demonstration's month.
    fn lived() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let (settings, _) = school::fill(&folder.path().join("trug.db"), "demonstration");
        Self::over(folder, settings, None)
    }

    /// A small garden with messages of topics, times and payloads.
    fn small(messages: &[(&str, Timestamp, &str)], now: Timestamp) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let mut settings = settings_with(SHIPPED_TRUG, SMALL);
        settings.gardens[0].sensors.retain(|it| !matches!(it.id.as_str(), "bare-15cm" | "spare-temp"));
        settings.store.path = folder.path().join("trug.db");
        let mut keeper = Engine::open(&settings, Clock::Readings).expect("a new store");
        keeper.tell_nobody();
        keeper.on_change(Box::new(|_| {}));
        for (topic, arrival, payload) in messages {
            keeper.open_message(RawMessage {
                topic: topic.as_bytes(),
                payload: payload.as_bytes(),
                retained: false,
                arrival: *arrival,
            });
        }
        keeper.commit(now).expect("the store can be written");
        drop(keeper);
        Self::over(folder, settings, Some(now))
    }

    fn over(folder: TempDir, settings: Settings, now: Option<Timestamp>) -> Self {
        let keeper = Engine::open(&settings, Clock::Readings).expect("the store is there");
        let mut view = keeper.router.core.view(SITE).expect("the site");
        drop(keeper);
        view.now = now.unwrap_or(view.now);
        let reader = Reader::open(&settings.store.path).expect("the store can be read");
        let gardens: Vec<_> = settings.gardens.iter().cloned().map(Arc::new).collect();
        let views = Fixed { acclimatising: Some(guide(view.now)), ..Fixed::of(vec![view.clone()]) };
        let served = Served::over(views, RecordReader::new(reader, gardens.into()), None);
        Self { served, settings: Arc::new(settings), view, _folder: folder }
    }

    /// A page that must come.
    fn page(&self, path: &str) -> String {
        let answer = self.served.get(&format!("/site/{SITE}/{path}"));
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        answer.body
    }
}

/// An answer for a bag, with steps that begin now and in half an hour.
fn guide(now: Timestamp) -> Acclimatising {
    Acclimatising {
        answer: AcclimatiseAnswer::Yes,
        text: "Yes: the bag is 17.0 °C and Perch tank 19.0 °C.".to_owned(),
        steps: vec![(0, "Float the closed bag.".to_owned()), (30, "Open the bag.".to_owned())],
        lacks: Vec::new(),
        differs: vec!["What to do after a long haul differs.".to_owned()],
        tank_c: Some(19.0),
        bag_c: Some(17.0),
        tank_ph: None,
        bag_ph: None,
        why: Vec::new(),
        at: now,
    }
}

fn hours(from: Timestamp, hours: i64) -> Timestamp {
    from.checked_add(SignedDuration::from_hours(hours)).expect("in range")
}

/// Rows of the chart's table.
fn rows(page: &str) -> usize {
    let table = page.split("class=\"chart-table\"").nth(1).and_then(|rest| rest.split("</table>").next());
    table.map_or(0, |table| table.matches("<th scope=\"row\">").count())
}

#[test]
fn a_month_of_the_school_is_shown_in_every_span() {
    let place = Place::lived();
    let last = place.view.now;
    let mut slowest = 0;
    for path in
        ["bed/kitchen-bed", "bed/pea-bed", "bed/herb-bed", "bed/orchard-row", "tank/perch-tank", "rain"]
    {
        for span in SPANS {
            let began = Instant::now();
            let page = place.page(&format!("{path}?span={span}"));
            let took = began.elapsed().as_millis();
            slowest = slowest.max(took);
            println!("{path} {span}: {} bytes, {took} ms", page.len());
            assert!(page.len() < 80_000, "{path} {span}: {} bytes", page.len());
            assert!(page.contains("<svg class=\"chart\""), "{path} {span} has no chart");
            let odd = |word: &str| matches!(word, "NaN" | "inf");
            assert!(!page.split(|c: char| !c.is_alphanumeric()).any(odd), "{path} {span}");
            assert!(!page.contains(" style="), "{path} {span}");
            assert!(page.contains("class=\"spans\"") && page.contains(">Earlier<"), "{path} {span}");
        }
    }
    println!("slowest: {slowest} ms (the tests' own build)");

    // The chart's line ends with the figure by which the core judges the bed.
    for bed in &place.view.beds {
        let garden = &place.settings.gardens[0];
        let index = garden.beds.iter().position(|it| it.id == bed.id).expect("a bed of the garden");
        let probes: Vec<(f64, Vec<Bin>)> = garden
            .sensors
            .iter()
            .filter(|it| it.measures == Quantity::SoilMoisture)
            .filter(|it| matches!(it.place, trug::model::Place::Bed(i) if usize::from(i) == index))
            .filter_map(|it| {
                let last = place.view.sensors.iter().find(|shown| shown.id == it.id)?;
                let mut bin = Bin::empty(hours(last.last_at?, -1), hours(last.last_at?, 1));
                (bin.start, bin.end) = (place.view.now, hours(place.view.now, 1));
                bin.add(&trug::history::Point {
                    at: last.last_at?,
                    raw: 0.0,
                    value: last.last_value,
                    flag: last.last_flag?,
                    late: false,
                });
                Some((it.depth_m.expect("a depth"), vec![bin]))
            })
            .collect();
        let bins: Vec<ProbeBins<'_>> = probes
            .iter()
            .map(|(depth_m, bins)| ProbeBins { depth_m: *depth_m, patience_s: 0, bins })
            .collect();
        let zone = root_zone_bins(&bins, bed.root_depth_m);
        let core = bed.water_content.expect("its probes speak");
        assert!((zone[0].water_content - core).abs() < 1e-9, "{}: {zone:?} {core}", bed.id);
    }

    // Clocks went back on 5 April 2026: that day has 25 hours, the one before 24.
    let hours_of = |date: &str| rows(&place.page(&format!("bed/kitchen-bed?span=day&to={date}")));
    assert_eq!(hours_of("2026-04-04"), 24);
    assert_eq!(hours_of("2026-04-05"), 25);

    // The year day by day, in the drawing and in words, and the way to it.
    let page = place.page("bed/kitchen-bed?span=year");
    assert!(page.contains("<svg class=\"calendar\"") && page.contains("The same days in words"), "{page}");
    assert!(page.contains("<td>moist</td>") && page.contains("<td>no readings</td>"), "{page}");
    assert!(place.page("bed/kitchen-bed").contains("?span=year#calendar"));

    // Each sensor has its month and its reading's age.
    let page = place.page("sensors");
    println!("sensors: {} bytes", page.len());
    let sensors = place.settings.gardens[0].sensors.len();
    assert_eq!(page.matches("<svg class=\"spark\"").count(), sensors, "{page}");
    assert!(page.contains(" ago (<time"), "{page}");
    assert!(page.len() / sensors * 40 < 100_000, "{} bytes of {sensors} sensors", page.len());

    // On a phone two panels of four are shown, or those that are chosen.
    let shown = |query: &str| {
        let page = place.page(&format!("bed/kitchen-bed?span=month{query}"));
        (page.matches("class=\"panel\"").count(), page.matches("class=\"panel aside\"").count())
    };
    assert_eq!(shown(""), (2, 2));
    assert_eq!(shown("&show=probes"), (1, 3));
    assert_eq!(shown("&show=rain,probes,water"), (3, 1));
    let page = place.page("bed/kitchen-bed?span=month&show=probes");
    assert!(page.contains("?span=month&amp;show=probes,rain#bed-chart"), "{page}");
    assert!(page.contains("?span=week&amp;show=probes\""), "{page}");

    // Before the first reading the page says so, with a way to it.
    let page = place.page("bed/kitchen-bed?span=month&to=2025-06-30");
    assert!(page.contains("That is before the first reading."), "{page}");
    assert!(page.contains("The first reading here is of"), "{page}");
    let page = place.page("rain?span=week&to=2025-06-30");
    assert!(page.contains("That is before the first reading."), "{page}");

    // A week up to today expects how the bed goes on, and says what made it wetter.
    let page = place.page("bed/kitchen-bed?span=month");
    assert!(page.contains("All probes together") && page.contains("15 cm deep"), "{page}");
    assert!(page.contains("field capacity") && page.contains("Within reach"), "{page}");
    assert!(page.contains("When the soil got wetter") || page.contains("times at which"), "{page}");
    assert!(page.contains(&format!("/site/{SITE}/write?place=kitchen-bed")));
    assert!(page.contains(&format!("/site/{SITE}/month/2026-04")));
    let page = place.page("rain?span=month");
    assert!(page.contains("Rain days, 9 am to 9 am") && page.contains("dry days"), "{page}");
    assert!(page.contains("April 2026") && page.contains("March 2026"), "{page}");
    let page = place.page("tank/perch-tank?span=week");
    assert!(
        page.contains("Largest change within the day before") && page.contains("suits the fish"),
        "{page}"
    );

    // What is asked wrongly is named, with what is accepted.
    let tomorrow = hours(last, 48).to_zoned_datetime(place.view.time_zone.clone()).date();
    for (path, said) in [
        ("bed/kitchen-bed?span=decade".to_owned(), "day, week, month or year"),
        (format!("rain?to={tomorrow}"), "a day from 1990-01-01 to today"),
        ("tank/perch-tank?to=2026-02-30".to_owned(), "2026-02-30"),
        ("tank/perch-tank?bag_c=hot".to_owned(), "a number from 0 to 45"),
        ("bed/kitchen-bed?show=water,%3Ci%3E".to_owned(), "water, rain, probes, soil-warmth"),
        ("rain?gauge=%3Cb%3E".to_owned(), "&lt;b&gt;"),
    ] {
        let answer = place.served.get(&format!("/site/{SITE}/{path}"));
        assert_eq!(answer.status, 400, "{path}");
        assert!(answer.body.contains(said), "{path}: {}", answer.body);
    }
    for path in ["bed/no-such-bed", "bed/%ff", "tank/kitchen-bed", "bed/", "bed/KITCHEN"] {
        assert_eq!(place.served.get(&format!("/site/{SITE}/{path}")).status, 404, "{path}");
    }
    assert_eq!(place.served.get("/site/elsewhere/rain").status, 404);

    // Fish arrive: the steps with the time of the garden's clock.
    let page = place.page("tank/perch-tank?bag_c=17&hauled_h=2");
    let local = |minutes| {
        let at = last.checked_add(SignedDuration::from_mins(minutes)).expect("in range");
        at.to_zoned_datetime(place.view.time_zone.clone()).strftime("%-I:%M %P").to_string()
    };
    assert!(page.contains("Float the closed bag.") && page.contains(&local(0)), "{page}");
    assert!(page.contains("after 30 minutes") && page.contains(&local(30)), "{page}");
    assert!(!page.contains("--hauled-hours") && page.contains("come first"), "{page}");
}

#[test]
fn places_where_nothing_is_measured_say_so() {
    let place = Place::small(&[], at("2026-04-17T05:30:00Z"));
    for span in SPANS {
        let bed = place.page(&format!("bed/bare-bed?span={span}"));
        assert!(bed.contains("There is no moisture probe"), "{bed}");
        let tank = place.page(&format!("tank/spare-tank?span={span}"));
        assert!(
            tank.contains("There is no sensor in this tank") && tank.contains("Not known in this time"),
            "{tank}"
        );
        let rain = place.page(&format!("rain?span={span}"));
        assert!(rain.contains("This garden has no rain gauge"), "{rain}");
        for path in ["bed/herb-bed", "tank/perch-tank"] {
            let page = place.page(&format!("{path}?span={span}"));
            assert!(page.contains("There are no readings here yet."), "{page}");
        }
    }
}

#[test]
fn one_reading_is_shown_and_so_are_only_bad_ones() {
    let now = at("2026-04-17T05:30:00Z");
    let (bed, tank) = ("saltbush-gully/herb-bed/moisture", "saltbush-gully/perch-tank/temperature");
    // 999 °C is no water's.
    let bad: Vec<_> = (0..20).map(|i| (tank, hours(now, i - 20), "999")).collect();
    let mut messages = vec![(bed, hours(now, -1), "2000")];
    messages.extend(bad);
    let place = Place::small(&messages, now);
    for span in SPANS {
        let page = place.page(&format!("bed/herb-bed?span={span}"));
        assert!(page.contains(">1, good<") && page.contains("<svg class=\"chart\""), "{span}: {page}");
        let page = place.page(&format!("tank/perch-tank?span={span}"));
        assert!(page.contains("0 good") && page.contains("bad"), "{span}: {page}");
        assert!(page.contains("<svg class=\"chart\""), "{span}: {page}");
    }
    let page = place.page("bed/herb-bed?span=day&to=2026-04-10");
    assert!(page.contains("That is before the first reading."), "{page}");
}

#[test]
fn no_query_brings_a_page_down() {
    let reading = ("saltbush-gully/herb-bed/moisture", at("2026-04-17T04:00:00Z"), "2000");
    let place = Place::small(&[reading], at("2026-04-17T05:30:00Z"));
    let part = prop_oneof![
        any::<String>(),
        "[ -~]{0,40}",
        Just("year".to_owned()),
        Just("2026-04-05".to_owned()),
        "-?[0-9]{1,9}-[0-9]{1,3}-[0-9]{1,3}",
        any::<f64>().prop_map(|it| it.to_string()),
    ];
    let names = ["span", "to", "bag_c", "gauge", "hold", "hauled_h", "show"];
    let query = proptest::collection::vec((proptest::sample::select(names.to_vec()), part), 0..4);
    let paths = ["bed/herb-bed", "tank/perch-tank", "tank/spare-tank", "rain"];
    let config = ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() };
    let mut runner = proptest::test_runner::TestRunner::new(config);
    runner
        .run(&(proptest::sample::select(paths.to_vec()), query), |(path, query)| {
            let query: String =
                url::form_urlencoded::Serializer::new(String::new()).extend_pairs(&query).finish();
            let answer = place.served.get(&format!("/site/{SITE}/{path}?{query}"));
            prop_assert!(matches!(answer.status, 200 | 400 | 414), "{path}?{query}: {}", answer.status);
            prop_assert!(answer.body.contains("<h1>"), "{path}?{query}: {}", answer.body);
            Ok(())
        })
        .expect("every query has its answer");
}

/// What the pages look like, at a phone's and a desk's width, and by the rules of
/// axe-core.
#[test]
fn the_pages_can_be_read_by_everybody() {
    let place = Place::lived();
    let browser = Browser::start();
    let pictures = Path::new(env!("CARGO_TARGET_TMPDIR")).join("places");
    for (name, path) in [
        ("bed-month", "bed/kitchen-bed?span=month"),
        ("bed-day", "bed/pea-bed?span=day"),
        ("tank-week", "tank/perch-tank?span=week&bag_c=17"),
        ("tank-year", "tank/perch-tank?span=year"),
        ("rain-month", "rain?span=month"),
        ("wrong", "rain?span=decade"),
    ] {
        for (width, size) in [("phone", PHONE), ("desk", DESK)] {
            browser.size(size);
            for (colour, dark) in [("light", false), ("dark", true)] {
                browser.dark(dark);
                browser.open(&place.served.url(&format!("/site/{SITE}/{path}")));
                let what = format!("{name} ({width}, {colour})");
                browser.accessible(&what);
                assert_eq!(browser.overflow(), 0, "{what} is wider than the view");
                // A wrong address is an error that the browser tells as well.
                let faults = browser.faults();
                assert!(faults.is_empty() || name == "wrong", "{what}: {faults:?}");
                browser.picture(&pictures.join(format!("{name}-{width}-{colour}.png")));
            }
        }
    }
}
