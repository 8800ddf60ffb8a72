//! Sensors that are silent, alone or with their gateway, faulty, or low of battery:
//! what raises, what does not, what clears, what a restart keeps.

use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use trug::alarms::Answered;
use trug::alarms::{Input, Kind, State};
use trug::garden::Clock;
use trug::garden::log::LogEvent;
use trug::model::SensorIx;

use crate::support::garden::{BED_KEYS, GardenFile, at};
use crate::support::run::Run;

fn site() -> GardenFile {
    GardenFile::new("school").bed("bed", "Kitchen bed", BED_KEYS)
}

/// Sensor 0 is the tank's thermometer, the others are probes of the bed: the
/// seconds between the words of each, and its gateway.
fn garden(sensors: &[(u32, Option<&str>)]) -> GardenFile {
    let mut file = site().tank("tank", "Perch tank", "");
    for (i, (every_s, gateway)) in sensors.iter().enumerate() {
        let (measures, place) = match i {
            0 => ("water-temperature", "tank = \"tank\"".to_owned()),
            _ => ("soil-moisture", format!("bed = \"bed\"\ndepth_cm = {}", i + 5)),
        };
        let gateway = gateway.map_or_else(String::new, |gateway| format!("gateway = \"{gateway}\"\n"));
        file = file.sensor(&format!("s{i}"), measures, &format!("{place}\nevery_s = {every_s}\n{gateway}"));
    }
    file
}

/// Twelve behind one gateway: four speak every five minutes, eight every quarter of
/// an hour.
fn twelve() -> GardenFile {
    let all: Vec<(u32, Option<&str>)> =
        (0..12).map(|i| (if i % 3 == 0 { 300 } else { 900 }, Some("shed"))).collect();
    garden(&all).with("[[gateway]]\nid = \"shed\"\nname = \"Shed gateway\"\n")
}

fn t(minutes: i64) -> Timestamp {
    at(minutes * 60_000)
}

/// A garden whose sensors speak at their own times.
struct Speaking {
    run: Run,
    /// Minutes between the words of each sensor.
    every_min: Vec<i64>,
}

impl Speaking {
    fn new(file: &GardenFile, clock: Clock) -> Self {
        let run = Run::by(clock, file.text());
        let every_min = run.garden.sensors.iter().map(|s| i64::from(s.every_s) / 60).collect();
        Self { run, every_min }
    }

    /// Every minute from `from` to `to`: the sensors that `speaks` lets, at their own
    /// times, and the tick of the clock.
    fn play(&mut self, from: i64, to: i64, speaks: impl Fn(usize, i64) -> bool) -> &mut Self {
        for minute in from..to {
            for (i, every) in self.every_min.iter().enumerate() {
                // Each begins at a minute of its own.
                if (minute - i as i64).rem_euclid(*every) == 0 && speaks(i, minute) {
                    let at = t(minute) + SignedDuration::from_secs(i as i64);
                    let wobble = (minute * 7919 % 101) as f64 / 101.0 * 0.001;
                    let raw = if i == 0 { 21.0 + 10.0 * wobble } else { 0.28 + wobble };
                    self.run.take(SensorIx(i as u32), at, raw);
                }
            }
            self.run.tick(t(minute) + SignedDuration::from_secs(59));
        }
        self
    }

    /// A daemon that starts at `minute`, with what the store has kept.
    fn restart(&mut self, minute: i64) -> &mut Self {
        self.run.restart().router.core.start(t(minute));
        self
    }

    fn told(&self) -> Vec<(Kind, &str, State)> {
        self.run.told()
    }
}

fn all(_: usize, _: i64) -> bool {
    true
}

fn none(_: usize, _: i64) -> bool {
    false
}

const GATEWAY_RAISED: (Kind, &str, State) = (Kind::GatewaySilent, "shed", State::Unacknowledged);
const GATEWAY_BACK: (Kind, &str, State) = (Kind::GatewaySilent, "shed", State::ReturnedUnacknowledged);

#[test]
fn a_dead_gateway_is_one_alarm_and_not_twelve() {
    // Whatever the moment at which it dies.
    for dies in 600..620 {
        let mut run = Speaking::new(&twelve(), Clock::Arrival);
        run.play(0, dies, all).play(dies, dies + 1440, none);
        assert_eq!(run.told(), [GATEWAY_RAISED], "dies at {dies}");
        let told = &run.run.changes[0];
        let after_min = told.record.at.duration_since(t(dies)).as_mins();
        assert!((15..=35).contains(&after_min), "told {after_min} minutes after");
        assert!(
            told.record.said.text.contains(", so nothing watches the fish of Perch tank. Look at the fish "),
            "{}",
            told.record.said.text
        );
        for word in ["Shed gateway", "12 sensors", "power", "SIM", "now", "Kitchen bed"] {
            assert!(told.record.said.text.contains(word), "{word}: {}", told.record.said.text);
        }
        assert_eq!(
            (told.record.said.why.len(), told.record.said.values[0].1.to_bits()),
            (1, 12.0f64.to_bits())
        );
        let view = run.run.view();
        assert!(view.sensors.iter().all(|sensor| sensor.silent));
        assert_eq!(view.to_do.len(), 1);
    }
}

#[test]
fn it_is_over_when_its_sensors_are_heard_and_who_stays_silent_is_told_by_itself() {
    let mut run = Speaking::new(&twelve(), Clock::Arrival);
    run.play(0, 600, all).play(600, 900, none).play(900, 1500, |i, _| i != 7);
    assert_eq!(run.told(), [GATEWAY_RAISED, GATEWAY_BACK, (Kind::SensorSilent, "s7", State::Unacknowledged)]);
    let back = run.run.changes[1].record.at;
    assert!(back.duration_since(t(900)).as_mins() <= 5, "with the second word");
    // Three of its intervals and five minutes, from when the gateway was back.
    let own = run.run.changes[2].record.at.duration_since(back).as_mins();
    assert!((50..=53).contains(&own), "{own}");
    run.play(1500, 1600, all);
    assert_eq!(run.told().last(), Some(&(Kind::SensorSilent, "s7", State::ReturnedUnacknowledged)));
}

#[test]
fn one_word_alone_does_not_say_that_a_gateway_is_back() {
    let mut run = Speaking::new(&twelve(), Clock::Arrival);
    run.play(0, 600, all).play(600, 900, none).play(900, 1500, |i, minute| i == 0 && minute == 900);
    assert_eq!(run.told(), [GATEWAY_RAISED]);
}

#[test]
fn sensors_that_die_while_others_of_their_gateway_speak_are_told_by_themselves() {
    for dead in [vec![4], vec![0], vec![3, 8], vec![1, 2, 4, 5]] {
        let mut run = Speaking::new(&twelve(), Clock::Arrival);
        run.play(0, 600, all).play(600, 1000, |i, _| !dead.contains(&i));
        let mut told: Vec<_> = run.told();
        told.sort_by_key(|(_, place, _)| place.len());
        let names: Vec<String> = dead.iter().map(|i| format!("s{i}")).collect();
        assert_eq!(told.len(), dead.len(), "{told:?}");
        for (kind, place, state) in told {
            assert_eq!((kind, state), (Kind::SensorSilent, State::Unacknowledged));
            assert!(names.iter().any(|name| name == place), "{place}");
        }
        // No later than without the others: three intervals and five minutes.
        for change in &run.run.changes {
            let i: usize = change.record.key.place.as_str()[1..].parse().expect("a number");
            let after = change.record.at.duration_since(t(600)).as_mins();
            assert!(after <= 3 * run.every_min[i] + 7, "s{i}: {after} minutes");
        }
    }
}

#[test]
fn a_lost_message_just_before_does_not_part_a_sensor_from_its_gateway() {
    for lost in 0..12 {
        let mut run = Speaking::new(&twelve(), Clock::Arrival);
        let every = run.every_min[lost];
        run.play(0, 600, |i, minute| i != lost || minute < 600 - every).play(600, 1200, none);
        assert_eq!(run.told(), [GATEWAY_RAISED], "the last word of s{lost} was lost");
    }
}

/// A probe that has been dead for a week says nothing about a gateway.
#[test]
fn what_was_silent_before_is_no_witness() {
    let text = garden(&[(900, Some("shed")), (900, Some("shed")), (900, Some("shed"))]);
    let mut run = Speaking::new(&text, Clock::Arrival);
    run.play(0, 600, all).play(600, 2000, |i, _| i == 0).play(2000, 2300, none);
    let silent = |place| (Kind::SensorSilent, place, State::Unacknowledged);
    assert_eq!(run.told(), [silent("s1"), silent("s2"), silent("s0")]);
}

#[test]
fn sensors_without_a_gateway_are_the_sites_and_three_are_wanted() {
    let mut run = Speaking::new(&garden(&[(300, None), (900, None), (900, None)]), Clock::Arrival);
    run.play(0, 600, all).play(600, 1200, none);
    assert_eq!(run.told(), [(Kind::GatewaySilent, "school", State::Unacknowledged)]);
    assert!(
        run.run.changes[0].record.said.text.contains("3 sensors of Saltbush Gully"),
        "{}",
        run.run.changes[0].record.said.text
    );

    let mut two = Speaking::new(&garden(&[(300, None), (900, None)]), Clock::Arrival);
    two.play(0, 600, all).play(600, 1200, none);
    let told: Vec<Kind> = two.run.changes.iter().map(|c| c.record.key.kind).collect();
    assert_eq!(told, [Kind::SensorSilent, Kind::SensorSilent]);

    let mut named = Speaking::new(&garden(&[(300, Some("shed")), (900, Some("shed"))]), Clock::Arrival);
    named.play(0, 600, all).play(600, 1200, none);
    assert_eq!(named.told(), [GATEWAY_RAISED]);
}

/// One gateway dies beside another that lives.
#[test]
fn each_gateway_is_judged_by_its_own_sensors() {
    let all_of: Vec<(u32, Option<&str>)> =
        (0..8).map(|i| (900, Some(if i % 2 == 0 { "shed" } else { "hall" }))).collect();
    for clock in [Clock::Arrival, Clock::Readings] {
        let mut run = Speaking::new(&garden(&all_of), clock);
        run.play(0, 600, all).play(600, 1200, |i, _| i % 2 == 1).play(1200, 1400, all);
        assert_eq!(run.told(), [GATEWAY_RAISED, GATEWAY_BACK], "{clock:?}");
        let after = run.run.changes[0].record.at.duration_since(t(600)).as_mins();
        assert!((30..=62).contains(&after), "{clock:?}: {after}");
    }
}

/// A sensor of the tank does not wait long for others that speak once an hour.
#[test]
fn the_fish_do_not_wait_for_slow_witnesses() {
    let text = garden(&[(300, Some("shed")), (3600, Some("shed")), (3600, Some("shed"))]);
    let mut run = Speaking::new(&text, Clock::Arrival);
    run.play(0, 605, all).play(605, 640, none);
    assert_eq!(run.told(), [(Kind::SensorSilent, "s0", State::Unacknowledged)]);
    assert!(run.run.changes[0].record.at <= t(600 + 15 + 5 + 15 + 2), "{}", run.run.changes[0].record.at);
    // Then the others: the gateway covers what is left.
    run.play(640, 1200, none);
    assert_eq!(run.told()[1..], [GATEWAY_RAISED]);
}

#[test]
fn a_gateway_that_is_dead_over_a_restart_is_told_once() {
    for told_before in [true, false] {
        let mut run = Speaking::new(&twelve(), Clock::Arrival);
        let stops = if told_before { 700 } else { 605 };
        run.play(0, 600, all).play(600, stops, none).restart(stops + 30).play(stops + 30, stops + 400, none);
        assert_eq!(run.told(), [GATEWAY_RAISED], "told before the restart: {told_before}");
        if !told_before {
            let after = run.run.changes[0].record.at.duration_since(t(stops + 30)).as_mins();
            assert!(after >= 15, "each had the time to speak: {after}");
        }
        run.restart(stops + 400).play(stops + 400, stops + 500, all);
        assert_eq!(run.told(), [GATEWAY_RAISED, GATEWAY_BACK]);
    }
}

#[test]
fn a_restart_with_all_well_raises_nothing() {
    let mut run = Speaking::new(&twelve(), Clock::Arrival);
    run.play(0, 600, all).restart(900).play(900, 1200, all);
    assert_eq!(run.told(), []);
}

#[test]
fn a_gateway_that_flaps_is_told_each_time_it_stays_away() {
    let mut run = Speaking::new(&twelve(), Clock::Arrival);
    run.play(0, 600, all).play(600, 700, none).play(700, 702, all).play(702, 900, none).play(900, 1000, all);
    assert_eq!(run.told(), [GATEWAY_RAISED, GATEWAY_BACK, GATEWAY_RAISED, GATEWAY_BACK]);
}

/// The delays that a garden sets for the rule hold.
#[test]
fn a_garden_may_wait_longer() {
    let text = twelve().with("[alarms.gateway-silent]\non_delay_s = 3600\noff_delay_s = 600\n");
    let mut run = Speaking::new(&text, Clock::Arrival);
    run.play(0, 600, all).play(600, 720, none).play(720, 800, all);
    assert_eq!(run.told(), [GATEWAY_RAISED, GATEWAY_BACK]);
    let [raised, back] = [run.run.changes[0].record.at, run.run.changes[1].record.at];
    assert!(raised >= t(600 + 75), "{raised}");
    assert!(back >= t(730), "{back}");
    let mut short = Speaking::new(&text, Clock::Arrival);
    short.play(0, 600, all).play(600, 650, none).play(650, 800, all);
    assert_eq!(short.told(), []);
}

// Faults.

/// The tank's thermometer and one probe that speaks every quarter of an hour.
fn two() -> GardenFile {
    garden(&[(300, None), (900, None)])
}

fn probe(readings: impl IntoIterator<Item = f64>) -> Run {
    let mut run = Run::new(two().text());
    feed(&mut run, 0, readings);
    run
}

/// The probe's readings from the `from`-th quarter of an hour on.
fn feed(run: &mut Run, from: i64, readings: impl IntoIterator<Item = f64>) {
    for (n, raw) in (from..).zip(readings) {
        run.take(SensorIx(1), t(15 * n), raw);
    }
}

fn faults(run: &Run) -> Vec<State> {
    run.steps(Kind::SensorFault)
}

fn fault_text(run: &Run) -> &str {
    let last = run.changes.iter().rfind(|c| c.record.key.kind == Kind::SensorFault);
    &last.expect("a change").record.said.text
}

/// Readings of a healthy probe.
fn good(count: usize) -> impl Iterator<Item = f64> {
    (0..count).map(|n| 0.28 + (n * 37 % 11) as f64 * 3e-4)
}

#[test]
fn a_probe_out_of_range_is_told_and_is_well_again_after_four_good_readings() {
    let mut run = probe(good(40).chain([3.0; 7]).chain(good(20)));
    assert_eq!(faults(&run), [], "a shorter time is somebody's work");
    feed(&mut run, 67, [3.0; 8]);
    assert_eq!(faults(&run), [State::Unacknowledged]);
    for word in [
        "Kitchen bed",
        "(s1)",
        "out of range",
        "300.0 % by volume",
        "raw number 3",
        "cable",
        ", check its cable",
    ] {
        assert!(fault_text(&run).contains(word), "{word}: {}", fault_text(&run));
    }
    assert!(run.view().sensors[1].faulty);
    feed(&mut run, 75, good(3));
    assert_eq!(faults(&run), [State::Unacknowledged]);
    feed(&mut run, 78, good(1).map(|x| x + 1e-3));
    assert_eq!(faults(&run), [State::Unacknowledged, State::ReturnedUnacknowledged]);
    feed(&mut run, 79, good(200));
    assert_eq!(faults(&run).len(), 2, "what is over leaves nothing behind");
}

#[test]
fn a_stuck_probe_is_told_after_half_a_day_and_says_since_when() {
    let mut run = probe(good(40).chain([0.25; 50]));
    assert_eq!(faults(&run), []);
    feed(&mut run, 90, [0.25; 20]);
    assert_eq!(faults(&run), [State::Unacknowledged]);
    assert!(fault_text(&run).contains("repeats one value since"), "{}", fault_text(&run));
    feed(&mut run, 110, good(4));
    assert_eq!(faults(&run), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

#[test]
fn a_loose_plug_is_told_by_the_share_of_its_readings() {
    let loose = (0..60).map(|n| if n % 3 == 0 { 0.28 + f64::from(n) * 1e-4 } else { 0.9 });
    let mut run = probe(good(40).chain(loose));
    assert_eq!(faults(&run), [State::Unacknowledged]);
    feed(&mut run, 100, good(30));
    assert_eq!(faults(&run), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

/// Wild readings within the range, each of which stands out from its neighbours.
#[test]
fn a_probe_that_jumps_about_is_told_as_one_that_jumps() {
    let wild = (0..60).map(|n| if n % 2 == 0 { 0.05 } else { 0.55 } + f64::from(n) * 1e-4);
    let run = probe(good(40).chain(wild));
    assert_eq!(faults(&run), [State::Unacknowledged]);
    assert!(fault_text(&run).contains("has jumped about"), "{}", fault_text(&run));
    assert!(fault_text(&run).contains("loose plug"), "{}", fault_text(&run));
}

#[test]
fn now_and_then_a_bad_reading_is_no_fault() {
    let spikes = (0..960).map(|n| if n % 9 == 0 { 0.9 } else { 0.28 + f64::from(n % 7) * 4e-4 });
    assert_eq!(faults(&probe(spikes)), []);
}

#[test]
fn a_gauge_that_counts_nothing_for_weeks_is_not_faulty() {
    let gauge = "calibration = { mm_per_tip = 0.2, counts = \"running\" }";
    let mut run = Run::new(two().sensor("gauge", "rain", gauge).text());
    for n in 0..3 * 7 * 96 {
        run.take(SensorIx(2), t(15 * n), 40.0);
    }
    assert_eq!(run.told(), []);
}

/// A daemon that starts again with what the store has kept.
fn restarted(run: &mut Run) -> &mut Run {
    run.restart().router.core.start(t(0));
    run
}

#[test]
fn a_fault_is_remembered_over_a_restart() {
    // Before it is told: the run goes on.
    let mut run = probe(good(40).chain([3.0; 5]));
    feed(restarted(&mut run), 45, [3.0; 3]);
    assert_eq!(faults(&run), [State::Unacknowledged]);
    // After: neither told again nor forgotten.
    feed(restarted(&mut run), 48, [3.0; 30]);
    assert_eq!(faults(&run), [State::Unacknowledged]);
    feed(restarted(&mut run), 78, good(4));
    assert_eq!(faults(&run), [State::Unacknowledged, State::ReturnedUnacknowledged]);
}

/// The tank's probes lie beside it while it is cleaned.
#[test]
fn a_tank_that_is_being_cleaned_has_no_faulty_probes() {
    for cleaned in [false, true] {
        let mut run = Run::new(two().text());
        if cleaned {
            run.log("tank", t(0), LogEvent::TankCleaning { hours: 8.0 });
        }
        for n in 0..60 {
            run.take(SensorIx(0), t(5 * n), -40.0 - (n % 5) as f64);
        }
        let raised = faults(&run).contains(&State::Unacknowledged);
        assert_eq!(raised, !cleaned);
        if raised {
            assert!(fault_text(&run).contains("a hand-held thermometer"), "{}", fault_text(&run));
        }
    }
}

// Batteries.

/// The bed with one probe that reports its battery, and no tank.
fn with_battery() -> GardenFile {
    let payload = "payload = { json = { value = \"/raw\", time = \"/t\", battery = \"/battery\" } }";
    site().sensor(
        "herb",
        "soil-moisture",
        &format!("bed = \"bed\"\ndepth_cm = 10\n{payload}\nbattery_low = 3.4"),
    )
}

struct Batteries {
    run: Run,
    minute: i64,
}

impl Batteries {
    fn new(text: &str) -> Self {
        Self { run: Run::by(Clock::Arrival, text), minute: 0 }
    }

    /// A message every quarter of an hour, with this beside its reading.
    fn report(&mut self, battery: &str) -> &mut Self {
        let raw = 0.28 + (self.minute / 15 * 37 % 11) as f64 * 3e-4;
        let at = t(self.minute);
        let payload = format!(r#"{{"raw":{raw},"t":{},"battery":{battery}}}"#, at.as_second());
        self.run.open("school/herb", payload.as_bytes(), at);
        self.minute += 15;
        self
    }

    fn reports(&mut self, battery: &str, count: usize) -> &mut Self {
        for _ in 0..count {
            self.report(battery);
        }
        self
    }

    fn told(&self) -> Vec<(Kind, State)> {
        self.run.changes.iter().map(|c| (c.record.key.kind, c.record.state)).collect()
    }
}

const LOW: (Kind, State) = (Kind::BatteryLow, State::Unacknowledged);
const GOOD: (Kind, State) = (Kind::BatteryLow, State::ReturnedUnacknowledged);

#[test]
fn a_low_battery_is_told_after_three_reports_and_over_after_a_day_above() {
    let mut run = Batteries::new(with_battery().text());
    run.reports("3.9", 20).reports("3.3", 2).report("3.9").reports("3.3", 2);
    assert_eq!(run.told(), []);
    run.report("3.31");
    assert_eq!(run.told(), [LOW]);
    let text = run.run.changes[0].record.said.text.clone();
    for word in ["Kitchen bed", "(herb)", "3.31", "3.4", "charge it by "] {
        assert!(text.contains(word), "{word}: {text}");
    }
    let view = run.run.view();
    assert_eq!((view.sensors[0].battery, view.sensors[0].battery_low), (Some(3.31), true));
    // The limit itself is not below it, and five hundredths above are its deadband.
    run.reports("3.4", 200).reports("3.56", 200);
    assert_eq!(run.told(), [LOW]);
    // By day the sun lifts it, by night it sinks.
    for _ in 0..5 {
        run.reports("3.8", 40).reports("3.35", 56);
    }
    assert_eq!(run.told(), [LOW]);
    run.reports("3.9", 96);
    assert_eq!(run.told(), [LOW]);
    run.reports("3.9", 2);
    assert_eq!(run.told(), [LOW, GOOD]);
}

#[test]
fn an_empty_battery_wants_to_be_changed_when_somebody_can() {
    let text = with_battery().text().replace("battery_low = 3.4", "battery_low = 3.4\nbattery_empty = 3.1");
    let mut run = Batteries::new(&text);
    run.reports("3.3", 3);
    assert!(
        run.run.changes[0].record.said.text.contains("stops at about 3.1"),
        "{}",
        run.run.changes[0].record.said.text
    );
    let mut run = Batteries::new(&text);
    run.reports("3.05", 3);
    assert!(run.run.changes[0].record.said.text.contains("empty"), "{}", run.run.changes[0].record.said.text);
    let words = &run.run.changes[0].record.said.text;
    assert!(words.contains("charge it by ") && !words.contains("today"), "{words}");
}

#[test]
fn what_is_no_number_says_nothing_about_a_battery() {
    let mut run = Batteries::new(with_battery().text());
    for nonsense in ["null", "\"NaN\"", "\"-inf\"", "\"empty\"", "[1]", "{}", "true", "\"1e999\""] {
        run.reports(nonsense, 4);
    }
    assert_eq!((run.told(), run.run.refused), (vec![], 0));
    let view = run.run.view();
    assert_eq!(view.sensors[0].battery, None);
    assert!(view.sensors[0].last_value.is_some(), "its readings are taken all the same");
}

#[test]
fn a_silent_sensor_says_that_its_battery_was_low() {
    for (battery, says) in [("3.3", true), ("3.9", false)] {
        let mut run = Batteries::new(with_battery().text());
        run.reports(battery, 3);
        let before = run.run.changes.len();
        let at = t(run.minute + 120);
        let changes = &run.run.tick(at).changes[before..];
        let [silent] = changes else { panic!("one change: {changes:?}") };
        assert_eq!(silent.record.key.kind, Kind::SensorSilent);
        assert_eq!(
            silent.record.said.text.contains("Its battery was low"),
            says,
            "{}",
            silent.record.said.text
        );
    }
}

#[test]
fn a_low_battery_is_remembered_over_a_restart() {
    let mut run = Batteries::new(with_battery().text());
    run.reports("3.3", 4);
    let mut again = Batteries::new(with_battery().text());
    again.run.router.core.restore_alarms(vec![run.run.changes[0].record.clone()]);
    again.minute = 60;
    again.reports("3.3", 10).reports("3.9", 20);
    assert_eq!(again.told(), []);
    let answer = again.run.reply(Kind::BatteryLow, "herb", Some(Input::Acknowledge));
    assert_eq!(again.run.answered(&answer), Answered::Done);
    again.reports("3.9", 97);
    assert_eq!(again.told(), [(Kind::BatteryLow, State::Acknowledged), (Kind::BatteryLow, State::Normal)]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any bytes in the place of the battery, and any numbers: no panic, and no
    /// battery that is no number.
    #[test]
    fn no_battery_breaks_anything(
        bytes in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..12), 1..8),
        numbers in prop::collection::vec(any::<f64>(), 1..12),
    ) {
        let mut run = Batteries::new(with_battery().text());
        for bytes in bytes {
            run.report(&String::from_utf8_lossy(&bytes));
        }
        for number in numbers {
            run.report(&format!("{number:e}"));
        }
        let view = run.run.view();
        prop_assert!(view.sensors[0].battery.is_none_or(f64::is_finite));
    }

    /// Any pattern of words of twelve sensors: whoever fell silent is told by itself
    /// or by the gateway, and nothing is told where all speak.
    #[test]
    fn whoever_is_silent_is_told_of(dead in prop::collection::vec(any::<bool>(), 12), dies in 600..660i64) {
        let mut run = Speaking::new(&twelve(), Clock::Arrival);
        run.play(0, dies, all).play(dies, dies + 200, |i, _| !dead[i]);
        let raised: Vec<&str> = run
            .run
            .changes
            .iter()
            .filter(|c| c.record.state == State::Unacknowledged)
            .map(|c| c.record.key.place.as_str())
            .collect();
        if dead.iter().all(|d| *d) {
            prop_assert_eq!(raised, ["shed"]);
        } else {
            let mut own: Vec<String> = (0..12).filter(|i| dead[*i]).map(|i| format!("s{i}")).collect();
            let mut raised: Vec<String> = raised.into_iter().map(str::to_owned).collect();
            own.sort();
            raised.sort();
            prop_assert_eq!(raised, own);
        }
    }
}
