//! The rain of days and months as the page and `trug why` show it.

use jiff::Timestamp;
use trug::garden::view::Figure;
use trug::model::SensorIx;
use trug::settings::from_text;
use trug::why::Check;

use crate::support::garden::{GardenFile, SHIPPED_TRUG, garden_of};
use crate::support::run::Run;

const GAUGE: SensorIx = SensorIx(0);

/// A gauge, and a roof of which its rain runs.
fn garden() -> String {
    let file = GardenFile::new("saltbush-gully")
        .with("[roof]\narea_m2 = 120\nrunoff = 0.85\ntank_l = 5000\n")
        .sensor("yard-gauge", "rain", "calibration = { mm_per_tip = 0.2 }");
    file.text().to_owned()
}

fn t(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// A gauge that speaks each quarter hour; tips at these moments, silent within
/// these spans. Also what it sent.
fn play(
    text: &str,
    from: &str,
    to: &str,
    tips: &[(&str, f64)],
    silent: &[(&str, &str)],
) -> (Run, Vec<(Timestamp, f64)>) {
    let running = text.contains("running");
    let mut run = Run::new(text);
    let (mut sent, mut count) = (Vec::new(), 0.0);
    let (mut at, to) = (t(from), t(to));
    while at <= to {
        let tipped: f64 = tips.iter().filter(|(when, _)| t(when) == at).map(|(_, tips)| tips).sum();
        count += tipped;
        if !silent.iter().any(|(from, to)| (t(from)..t(to)).contains(&at)) {
            let raw = if running { count } else { tipped };
            run.take(GAUGE, at, raw);
            sent.push((at, raw));
        }
        at = Timestamp::from_second(at.as_second() + 900).unwrap();
    }
    (run, sent)
}

fn figures(run: &Run) -> Vec<Figure> {
    run.view().rain.unwrap().figures
}

fn figure(run: &Run, name: &str) -> Figure {
    let figures = figures(run);
    let names: Vec<_> = figures.iter().map(|f| f.name.to_string()).collect();
    figures.into_iter().find(|f| f.name == name).unwrap_or_else(|| panic!("no {name:?} in {names:?}"))
}

fn value(run: &Run, name: &str) -> String {
    figure(run, name).value
}

/// From the last of February to the afternoon of 20 April 2026; clocks went back
/// on 5 April.
const RAIN: &[(&str, f64)] = &[
    ("2026-03-10T12:00:00+10:30", 100.0),
    ("2026-04-05T08:45:00+09:30", 10.0),
    ("2026-04-12T09:15:00+09:30", 40.0),
    ("2026-04-12T09:30:00+09:30", 60.0),
    ("2026-04-20T10:00:00+09:30", 3.0),
];

fn whole() -> (Run, Vec<(Timestamp, f64)>) {
    play(&garden(), "2026-02-28T08:00:00+10:30", "2026-04-20T15:00:00+09:30", RAIN, &[])
}

#[test]
fn a_whole_record_gives_days_months_and_a_roof_with_their_reasons() {
    let (run, _) = whole();
    assert_eq!(value(&run, "Rain in the day to 9 am on Monday 20 April"), "0.0 mm");
    assert_eq!(value(&run, "Rain in April 2026 so far"), "22.6 mm");
    assert_eq!(value(&run, "Present dry spell"), "7 days");
    assert_eq!(value(&run, "Largest intensity since 9 am"), "1.2 mm/h over 30 minutes, light (WMO)");
    // Roof: 0.85 x (22.6 - 2) x 120 = 2101.2 L.
    assert_eq!(value(&run, "Water off the roof in April 2026 so far"), "2100 L, 42 % of a full tank");
    // SCS: 20 x (125 - 0.2 x 20) / 125 = 19.36 mm, as the published table has it.
    let effective = figure(&run, "Effective rain of March 2026");
    assert_eq!(effective.value, "19.4 mm of 20.0 mm");
    assert!((effective.number.unwrap() - 19.36).abs() < 1e-5, "{effective:?}");
    for figure in figures(&run) {
        assert!(figure.number.is_some() && !figure.why.is_empty(), "{figure:?}");
        for step in &figure.why {
            assert!(step.with.contains('='), "{step:?}");
            let mut known = trug::rain::EQUATIONS.iter().chain([&trug::rain::EVIDENCE]);
            let known = known.any(|e| e.form == step.form);
            assert!(known, "{step:?} is of no equation of the room");
        }
    }
    assert!(trug::rain::EQUATIONS.iter().all(|e| matches!(e.check, Check::Table(_))));
}

#[test]
fn a_downpour_is_told_with_what_the_bucket_may_lose() {
    let (run, _) = play(&garden(), "2026-02-28T08:00:00+10:30", "2026-04-12T15:00:00+09:30", RAIN, &[]);
    let peak = figure(&run, "Largest intensity since 9 am");
    assert_eq!(peak.value, "40.0 mm/h over 30 minutes, heavy (WMO)");
    assert_eq!(peak.why[0].with, "3600 x 20.0 mm / 1800 s = 40.0 mm/h");
    // 100 x 0.35 x 40 / (3600 x 0.2) = 1.94 %.
    assert_eq!(value(&run, "Rain the bucket may lose at that intensity"), "about 2 %");
    assert_eq!(value(&run, "Present dry spell"), "none: it has rained");
}

#[test]
fn a_gap_is_said_and_never_counts_as_no_rain() {
    let (run, _) = play(
        &garden(),
        "2026-02-28T08:00:00+10:30",
        "2026-04-20T15:00:00+09:30",
        RAIN,
        &[("2026-04-15T12:00:00+09:30", "2026-04-15T18:00:00+09:30")],
    );
    let month = figure(&run, "Rain in April 2026 so far");
    assert_eq!(month.number, None);
    assert_eq!(
        month.value,
        "not known: 1 day of this month is missing from the gauge's record or has a gap; since Friday 17 April it has \
         been 0.6 mm"
    );
    assert_eq!(value(&run, "Present dry spell"), "at least 4 days; what was before is not known");
    assert_eq!(figure(&run, "Present dry spell").number, None);
    assert!(value(&run, "Water off the roof in April 2026 so far").starts_with("not known: 1 day"));
    assert_eq!(value(&run, "Effective rain of March 2026"), "19.4 mm of 20.0 mm", "March is whole");
}

#[test]
fn a_running_count_accumulates_over_days_that_nobody_read() {
    let running = garden().replace("mm_per_tip = 0.2", "mm_per_tip = 0.2, counts = \"running\"");
    let silent = &[("2026-04-11T18:00:00+09:30", "2026-04-13T18:00:00+09:30")];
    let at = |end| play(&running, "2026-02-28T08:00:00+10:30", end, RAIN, silent).0;
    let run = at("2026-04-14T15:00:00+09:30");
    let day = figure(&run, "Rain in the day to 9 am on Tuesday 14 April");
    assert_eq!(day.value, "not known: 20.0 mm fell in 3 days together, read after a pause");
    assert_eq!(day.number, None, "it is no daily total");
    // The month has it all the same.
    assert_eq!(value(&run, "Rain in April 2026 so far"), "22.0 mm");
    // Tips of a message that nobody heard are lost.
    let lost = play(&garden(), "2026-02-28T08:00:00+10:30", "2026-04-14T15:00:00+09:30", RAIN, silent).0;
    assert!(value(&lost, "Rain in April 2026 so far").starts_with("not known: 3 days of this month"));
}

/// A restart remembers a fortnight for the rules; the rain days come from the store.
#[test]
fn what_is_given_back_after_a_restart_is_the_same() {
    let (run, sent) = whole();
    let mut again = Run::new(&garden());
    for &(at, raw) in &sent {
        again.router.core.restore_rain(GAUGE, at, raw, Some(raw * 0.2));
    }
    let last_days = &sent[sent.len() - 15 * 96..];
    for &(at, raw) in last_days {
        again.take(GAUGE, at, raw);
    }
    assert_eq!(figures(&again), figures(&run));
    // Without it, months are said to be unknown.
    let mut short = Run::new(&garden());
    for &(at, raw) in last_days {
        short.take(GAUGE, at, raw);
    }
    let month = value(&short, "Rain in April 2026 so far");
    assert!(month.starts_with("not known: 6 days of this month are missing"), "{month}");
    assert!(month.contains("since Tuesday 7 April it has been 20.6 mm"), "{month}");
}

#[test]
fn a_roof_is_read_and_its_faults_are_told() {
    let roof = garden_of(&garden()).roof.unwrap();
    assert!((roof.roof.area_m2 - 120.0).abs() < 1e-12 && roof.tank_l.is_some());
    let bare = garden().replace("runoff = 0.85\ntank_l = 5000\n", "");
    let roof = garden_of(&bare).roof.unwrap();
    assert!((roof.roof.runoff - 0.80).abs() < 1e-12 && roof.tank_l.is_none());
    let none = garden().replace("[roof]\narea_m2 = 120\nrunoff = 0.85\ntank_l = 5000\n", "");
    assert!(garden_of(&none).roof.is_none());
    for (good, bad, key) in [
        ("area_m2 = 120", "area_m2 = 0", "roof.area_m2"),
        ("area_m2 = 120\n", "", "roof.area_m2"),
        ("runoff = 0.85", "runoff = 1.2", "roof.runoff"),
        ("tank_l = 5000", "tank_l = -1", "roof.tank_l"),
        ("tank_l = 5000", "tank = 5000", "roof.tank"),
    ] {
        let text = garden().replace(good, bad);
        let faults =
            from_text(("trug.toml", SHIPPED_TRUG), &[("g.toml", &text)], std::iter::empty()).unwrap_err();
        assert!(faults.to_string().contains(key), "{bad}: {faults}");
    }
}
