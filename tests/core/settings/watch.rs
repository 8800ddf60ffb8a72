//! `[watch]`, and the delays of the daemon's own alarms.

use std::time::Duration;

use trug::alarms::Kind;
use trug::garden::system::health::HealthLimits;
use trug::settings::{Fault, Settings, from_text};

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n";

const GARDEN: &str = r#"[site]
id = "creek"
name = "Creek"
time_zone = "Australia/Adelaide"
latitude_deg = -34.9
elevation_m = 10
"#;

fn read(watch: &str, garden: &str) -> Result<Settings, Vec<Fault>> {
    let (trug, garden) = (format!("{TRUG}{watch}"), format!("{GARDEN}{garden}"));
    from_text(("trug.toml", &trug), &[("garden.toml", &garden)], std::iter::empty())
        .map_err(|faults| faults.as_slice().to_vec())
}

fn settings(watch: &str, garden: &str) -> Settings {
    read(watch, garden).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

#[test]
fn limits_are_the_usual_ones_where_nothing_is_said() {
    for watch in ["", "[watch]\n"] {
        let watch = settings(watch, "").watch;
        assert_eq!(watch.every, Duration::from_secs(60));
        assert_eq!(watch.limits, HealthLimits::default());
    }
}

#[test]
fn each_limit_is_taken() {
    let watch = settings(
        "[watch]\nevery_s = 5\ndisk_free_mb = 2000\nrecord_mb = 4000\nforward_rows = 7\nforward_age_min = 90\nclock_jump_s = 10\n\
         broker_silent_min = 20\n",
        "",
    )
    .watch;
    assert_eq!(watch.every, Duration::from_secs(5));
    let limits = HealthLimits {
        disk_free_bytes: Some(2_000_000_000),
        record_bytes: Some(4_000_000_000),
        forward_rows: 7,
        forward_age_s: 5400,
        clock_jump_s: 10,
        broker_silent_s: 1200,
    };
    assert_eq!(watch.limits, limits);
}

#[test]
fn faults_of_the_limits_are_told_at_their_line() {
    for (line, key, words) in [
        ("every_s = 0", "watch.every_s", "from 1 to 3600"),
        ("every_s = 3601", "watch.every_s", "from 1 to 3600"),
        ("disk_free_mb = 0", "watch.disk_free_mb", "megabytes"),
        ("disk_free_mb = \"2 GB\"", "watch.disk_free_mb", "a whole number"),
        ("record_mb = 0", "watch.record_mb", "from 1 to 100000000 (megabytes)"),
        ("forward_rows = 20000001", "watch.forward_rows", "from 1 to 20000000"),
        ("forward_age_min = -1", "watch.forward_age_min", "minutes"),
        ("clock_jump_s = 4", "watch.clock_jump_s", "from 5 to 86400"),
        ("broker_silent_min = 0", "watch.broker_silent_min", "from 1 to 10080"),
        ("disk_free = 5", "watch.disk_free", "nearest:  disk_free_mb"),
    ] {
        let faults = read(&format!("[watch]\n{line}\n"), "").expect_err(line);
        assert_eq!(faults.len(), 1, "{faults:#?}");
        assert_eq!((faults[0].line, faults[0].key.as_str()), (Some(6), key));
        let told = faults[0].to_string();
        assert!(told.contains(words), "{words:?} in {told}");
    }
    assert_eq!(read("watch = 5\n", "").expect_err("no section").len(), 1);
}

#[test]
fn the_daemons_own_alarms_have_delays_like_the_others() {
    let garden = "[alarms.store-failing]\non_delay_s = 5\n[alarms.forwarding-behind]\ndeadband = 0.2\n\
                  [alarms.disk-nearly-full]\ndeadband = 0.3\noff_delay_s = 1\n[alarms.clock-jumped]\noff_delay_s = 60\n\
                  [alarms.message-not-sent]\non_delay_s = 0\n";
    let rules = settings("", garden).gardens[0].rules.clone();
    let delays = |kind: Kind| rules[kind].delays;
    assert_eq!((delays(Kind::StoreFailing).on_s, delays(Kind::StoreFailing).off_s), (5, 300));
    assert!((delays(Kind::ForwardingBehind).deadband - 0.2).abs() < 1e-12);
    assert!((delays(Kind::DiskNearlyFull).deadband - 0.3).abs() < 1e-12);
    assert_eq!(delays(Kind::DiskNearlyFull).off_s, 1);
    assert_eq!(delays(Kind::ClockJumped).off_s, 60);
    assert_eq!(delays(Kind::MessageNotSent).on_s, 0);
    let faults = read("", "[alarms.clock-jumped]\ndeadband = 1\n").expect_err("it has none");
    assert_eq!(faults[0].key, "alarms.clock-jumped.deadband");
}
