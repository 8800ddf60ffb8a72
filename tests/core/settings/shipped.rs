//! The configuration that ships with the program, the files around it, and the
//! environment over them.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::plain_words::assert_plain;
use trug::alarms::Kind;
use trug::commands::check;
use trug::settings::{Fault, Faults, ForwardAuth, LogFormat, Settings, from_text, load};

fn shipped(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name)
}

fn env(variables: &[(&str, &str)]) -> impl Iterator<Item = (String, String)> {
    let owned: Vec<_> = variables.iter().map(|(name, value)| ((*name).into(), (*value).into())).collect();
    owned.into_iter()
}

fn load_with(variables: &[(&str, &str)]) -> Result<Settings, Faults> {
    load(&shipped("trug.toml"), env(variables))
}

fn settings_with(variables: &[(&str, &str)]) -> Settings {
    load_with(variables).unwrap_or_else(|faults| panic!("{faults}"))
}

fn faults_with(variables: &[(&str, &str)]) -> Vec<Fault> {
    load_with(variables).map(|_| ()).expect_err("a variable is wrong").as_slice().to_vec()
}

/// A folder with a `trug.toml` of `trug` and an empty folder `gardens`.
fn folder(trug: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder for the test");
    fs::write(folder.path().join("trug.toml"), trug).expect("a file for the test");
    fs::create_dir(folder.path().join("gardens")).expect("a folder for the test");
    folder
}

const SMALL_TRUG: &str = "[broker]\nurl = \"mqtts://broker.school.example\"\n[store]\npath = \"t.db\"\n";

const SMALL_GARDEN: &str = r#"[site]
id = "creek"
name = "Creek"
time_zone = "Australia/Adelaide"
latitude_deg = -34.9
elevation_m = 10
"#;

#[test]
fn shipped_configuration_has_no_fault() {
    let settings = settings_with(&[]);
    let garden = &settings.gardens[0];
    assert_eq!(settings.gardens.len(), 1);
    assert_eq!((garden.beds.len(), garden.tanks.len(), garden.sensors.len()), (4, 1, 11));
    let broker = &settings.broker;
    assert_eq!((broker.host.as_str(), broker.port, broker.tls), ("127.0.0.1", 1883, false));
    assert_eq!(broker.topics, ["#"]);
    assert_eq!((broker.receive_maximum, broker.max_packet_bytes), (2000, 65_536));
    assert_eq!((broker.keep_alive.as_secs(), broker.session_expiry_s), (30, 604_800));
    assert_eq!(settings.store.keep_rejects, 10_000);
    assert_eq!(settings.store.keep_readings_days, None);
    assert_eq!(settings.page.as_ref().map(|page| page.listen.port()), Some(8470));
    assert!(settings.forward.is_empty());
}

/// What the shipped files show in comments has to work once it is switched on.
#[test]
fn commented_examples_of_the_shipped_files_have_no_fault() {
    let uncommented = |name: &str| {
        let text = fs::read_to_string(shipped(name)).unwrap();
        let mut count = 0;
        let lines: Vec<&str> = text
            .lines()
            .map(|line| match line.strip_prefix('#') {
                Some(example) if example.starts_with(|c: char| c.is_ascii_lowercase() || c == '[') => {
                    count += 1;
                    example
                }
                _ => line,
            })
            .collect();
        assert!(count > 0, "{name} has examples");
        lines.join("\n")
    };
    let trug = uncommented("trug.toml");
    let garden = uncommented("gardens/saltbush-gully.toml");
    let read = from_text(("trug.toml", &trug), &[("garden.toml", &garden)], env(&[]));
    let faults: Vec<Fault> = read.map_or_else(|faults| faults.as_slice().to_vec(), |_| Vec::new());
    // Only the files of secrets are not there.
    let others: Vec<&Fault> = faults.iter().filter(|f| !f.key.ends_with("_file")).collect();
    assert!(others.is_empty(), "{others:#?}");

    // What many gardens need is among them. The daemon's file lacks its secrets here, and so
    // the ways that need them.
    let own =
        garden.lines().filter(|line| !["webhook = [", "file = ["].iter().any(|it| line.starts_with(it)));
    let shown = crate::support::garden::settings(&own.collect::<Vec<_>>().join("\n")).gardens.remove(0);
    assert!(shown.roof.is_some(), "a roof");
    assert!(!shown.site.holidays.is_empty(), "holidays");
    assert!(shown.beds.iter().any(|bed| bed.fallow), "a fallow bed");
    assert!(shown.sensors.iter().any(|it| it.unit_said), "a unit");
}

#[test]
fn a_variable_stands_in_front_of_every_kind_of_key() {
    let settings = settings_with(&[
        ("TRUG__BROKER__URL", "mqtts://broker.school.example"),
        ("TRUG__BROKER__PASSWORD", "sesame"),
        ("TRUG__BROKER__USERNAME", "amy"),
        ("TRUG__BROKER__TOPICS", "saltbush-gully/#, spare/+"),
        ("TRUG__STORE__KEEP_REJECTS", "5"),
        ("TRUG__LOG__FORMAT", "json"),
        ("TRUG__PAGE__LISTEN", "[::1]:0"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__SITE__TIME_ZONE", "Australia/Perth"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__SITE__NAME", "42"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__WATERING__ALLOWED", "[\"06:00-07:00\"]"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__AREA_M2", "8"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__IRRIGATION__EFFICIENCY", "0.5"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__PEA_BED__MULCH", "{ depth_mm = 50, planned = 2026-05-02 }"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__MULCH__PLANNED", "2026-05-01"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__PLANTED", "2026-02-01"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__HERB_BED__STAGE_DAYS", "[20, 30, 200, 20]"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__ORCHARD_ROW__SOIL__SAND_PERCENT", "65"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__ORCHARD_ROW__SOIL__CLAY_PERCENT", "10"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__BED__ORCHARD_ROW__SOIL__ORGANIC_PERCENT", "2.5"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__SENSOR__YARD_GAUGE__CALIBRATION__MM_PER_TIP", "0.25"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__ALARMS__DRY_BED__ON_DELAY_S", "60"),
        ("TRUG__GARDEN__SALTBUSH_GULLY__TELL__GROUNDS__EMAIL", "a@school.example,b@school.example"),
        ("PATH", "/bin"),
        ("TRUG_OTHER", "not ours"),
    ]);
    let broker = &settings.broker;
    assert_eq!((broker.host.as_str(), broker.port, broker.tls), ("broker.school.example", 8883, true));
    assert_eq!(broker.password.as_ref().map(|p| p.reveal()), Some("sesame"));
    assert!(!format!("{settings:?}").contains("sesame"));
    assert_eq!(broker.topics, ["saltbush-gully/#", "spare/+"]);
    assert_eq!(settings.store.keep_rejects, 5);
    assert_eq!(settings.log.format, LogFormat::Json);
    assert_eq!(settings.page.as_ref().map(|page| page.listen.to_string()).as_deref(), Some("[::1]:0"));
    let garden = &settings.gardens[0];
    assert_eq!(garden.site.time_zone.iana_name(), Some("Australia/Perth"));
    assert_eq!(garden.site.name, "42");
    assert_eq!(garden.site.watering_rules.allowed.intervals(), [(360, 420)]);
    let text = format!("{garden:?}");
    assert!(text.contains("area_m2: 8.0") && text.contains("efficiency: 0.5"), "{text}");
    assert!(text.contains("mm_per_tip: 0.25"), "{text}");
    assert_eq!(garden.beds[0].mulch.and_then(|m| m.planned), Some(jiff::civil::date(2026, 5, 1)));
    assert_eq!(garden.beds[1].mulch.and_then(|m| m.planned), Some(jiff::civil::date(2026, 5, 2)));
    assert_eq!(garden.beds[0].planted, Some(jiff::civil::date(2026, 2, 1)));
    assert_eq!(garden.beds[2].stage_lengths.map(|l| l.total_d()), Some(270));
    assert_eq!(
        garden.beds[3].composition.as_deref().map(|c| c.sand_percent.to_string()).as_deref(),
        Some("65")
    );
    assert_eq!(garden.rules[Kind::DryBed].delays.on_s, 60);
    let to: Vec<&str> = garden.tell[0].by.iter().map(|address| address.to.as_str()).collect();
    assert_eq!(to, ["a@school.example", "b@school.example"]);
}

#[test]
fn a_wrong_variable_is_a_fault_of_its_own_key() {
    for (name, value, key, words) in [
        ("TRUG__BROKER__KEEP_ALIVE_S", "30.5", "broker.keep_alive_s", "30.5"),
        ("TRUG__BROKER__KEEP_ALIVE_S", "soon", "broker.keep_alive_s", "\"soon\""),
        ("TRUG__BROKER__URL", "", "broker.url", "mqtt://HOST"),
        (
            "TRUG__STORE__KEEP_READINGS_DAYS",
            "89",
            "store.keep_readings_days",
            "from 90 to 36500 (days; a start,",
        ),
        ("TRUG__STORE__KEEP_REJECTS", "-1", "store.keep_rejects", "a whole number"),
        ("TRUG__PAGE__OPEN_TO_NETWORK", "yes", "page.open_to_network", "true or false"),
        (
            "TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__AREA_M2",
            "0",
            "bed[kitchen-bed].area_m2",
            "above 0",
        ),
        (
            "TRUG__GARDEN__SALTBUSH_GULLY__BED__PEA_BED__MULCH__PLANNED",
            "today",
            "bed[pea-bed].mulch.planned",
            "today",
        ),
        (
            "TRUG__GARDEN__SALTBUSH_GULLY__SENSOR__PEA_15CM__CALIBRATION",
            "{ points = [[1, 2]] }",
            "sensor[pea-15cm].calibration.points",
            "at least two points",
        ),
        (
            "TRUG__GARDEN__SALTBUSH_GULLY__SENSOR__PEA_15CM__CALIBRATION",
            "{ pionts = [[1, 2]] }",
            "sensor[pea-15cm].calibration.pionts",
            "nearest:  points",
        ),
        (
            "TRUG__GARDEN__SALTBUSH_GULLY__SENSOR__PEA_15CM__CALIBRATION",
            "{",
            "sensor[pea-15cm].calibration",
            "\"{\"",
        ),
    ] {
        let faults = faults_with(&[(name, value)]);
        let here: Vec<&Fault> = faults.iter().filter(|f| f.key == key).collect();
        assert_eq!(here.len(), 1, "{name}={value}: {faults:#?}");
        assert!(here[0].to_string().contains(words), "{name}={value}: {}", here[0]);
        if !key.ends_with("planned") {
            assert_eq!(here[0].file, format!("environment variable {name}"));
            assert_eq!(here[0].line, None);
        }
    }
}

#[test]
fn a_variable_that_nothing_reads_is_a_fault() {
    for (name, nearest) in [
        ("TRUG__BROKER__ULR", Some("TRUG__BROKER__URL")),
        ("TRUG__NOTHING", None),
        (
            "TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__AREA",
            Some("TRUG__GARDEN__SALTBUSH_GULLY__BED__KITCHEN_BED__AREA_M2"),
        ),
        ("TRUG__GARDEN__ELSEWHERE__SITE__NAME", None),
        ("TRUG__GARDEN__SALTBUSH_GULY__SITE__NAME", Some("TRUG__GARDEN__SALTBUSH_GULLY")),
    ] {
        let faults = faults_with(&[(name, "1")]);
        assert_eq!(faults.len(), 1, "{faults:#?}");
        assert_eq!(faults[0].file, format!("environment variable {name}"));
        assert_eq!(faults[0].nearest.as_deref(), nearest, "{name}");
    }
    let twice = faults_with(&[("TRUG__LOG__LEVEL", "info"), ("trug__log__level", "warn")]);
    assert_eq!(twice.len(), 1, "{twice:#?}");
    assert!(twice[0].given.contains("the same key as"), "{}", twice[0]);
}

#[test]
fn files_that_cannot_be_read_do_not_hide_the_others() {
    let folder = folder("[broker\n");
    let gardens = folder.path().join("gardens");
    fs::write(gardens.join("a.toml"), b"[site]\nname = \"\xff\"\n").unwrap();
    fs::write(gardens.join("b.toml"), SMALL_GARDEN.replace("-34.9", "-99")).unwrap();
    fs::create_dir(gardens.join("c.toml")).unwrap();
    fs::write(gardens.join(".hidden.toml"), "nonsense").unwrap();
    fs::write(gardens.join("notes.txt"), "nonsense").unwrap();
    let faults =
        load(&folder.path().join("trug.toml"), env(&[("TRUG__BROKER__URL", "mqtt://h")])).unwrap_err();
    let found: Vec<(String, Option<usize>)> = faults
        .as_slice()
        .iter()
        .map(|f| (f.file.rsplit('/').next().unwrap_or_default().to_owned(), f.line))
        .collect();
    let expected = [("trug.toml", Some(1)), ("a.toml", Some(2)), ("b.toml", Some(5)), ("c.toml", None)];
    assert_eq!(found, expected.map(|(file, line)| (file.to_owned(), line)), "{faults}");
    assert!(faults.as_slice()[1].given.contains("not UTF-8 at column 9"), "{faults}");
}

#[test]
fn no_garden_and_no_folder_are_faults() {
    let folder = folder(SMALL_TRUG);
    let config = folder.path().join("trug.toml");
    let faults = load(&config, env(&[])).unwrap_err();
    assert_eq!(faults.as_slice().len(), 1, "{faults}");
    assert!(faults.to_string().contains("no garden files in"), "{faults}");

    let faults = load(&config, env(&[("TRUG__GARDENS__FOLDER", "nowhere")])).unwrap_err();
    assert_eq!(faults.as_slice().len(), 1, "{faults}");
    assert_eq!(faults.as_slice()[0].key, "gardens.folder");

    let faults = load(&folder.path().join("other.toml"), env(&[])).unwrap_err();
    assert!(faults.as_slice()[0].given.contains("cannot be read"), "{faults}");
}

#[test]
fn gardens_come_in_the_order_of_their_file_names() {
    let folder = folder(SMALL_TRUG);
    for id in ["m", "z", "a"] {
        let text = SMALL_GARDEN.replace("\"creek\"", &format!("\"{id}\""));
        fs::write(folder.path().join(format!("gardens/{id}.toml")), text).unwrap();
    }
    let settings = load(&folder.path().join("trug.toml"), env(&[])).unwrap();
    let ids: Vec<&str> = settings.gardens.iter().map(|garden| garden.site.id.as_str()).collect();
    assert_eq!(ids, ["a", "m", "z"]);
}

#[test]
fn secrets_come_from_their_files_without_the_line_end() {
    let trug = format!(
        "{SMALL_TRUG}[[forward]]\nname = \"school\"\nurl = \"https://h/api/v2/write?bucket=b\"\ntoken_file = \"token\"\n"
    )
    .replace("[store]", "username = \"amy\"\npassword_file = \"secret\"\n[store]");
    let folder = folder(&trug);
    fs::write(folder.path().join("gardens/a.toml"), SMALL_GARDEN).unwrap();
    fs::write(folder.path().join("secret"), "open sesame\r\n").unwrap();
    fs::write(folder.path().join("token"), "t0ken").unwrap();
    // What others may read is a fault of its own.
    for secret in ["secret", "token"] {
        let own = std::os::unix::fs::PermissionsExt::from_mode(0o600);
        fs::set_permissions(folder.path().join(secret), own).unwrap();
    }
    let config = folder.path().join("trug.toml");
    let settings = load(&config, env(&[])).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(settings.broker.password.as_ref().map(|p| p.reveal()), Some("open sesame"));
    assert!(matches!(&settings.forward[0].auth, ForwardAuth::Token(token) if token.reveal() == "t0ken"));

    let settings = load(&config, env(&[("TRUG__FORWARD__SCHOOL__TOKEN", "other")])).unwrap();
    assert!(matches!(&settings.forward[0].auth, ForwardAuth::Token(token) if token.reveal() == "other"));

    for wrong in [b"".as_slice(), b"two\nlines\n", b"\xff\xfe"] {
        fs::write(folder.path().join("secret"), wrong).unwrap();
        let faults = load(&config, env(&[])).unwrap_err();
        assert_eq!(faults.as_slice().len(), 1, "{faults}");
        assert_eq!(faults.as_slice()[0].key, "broker.password_file");
        assert!(!faults.to_string().contains("two"), "{faults}");
    }
}

#[test]
fn check_says_what_was_read_or_every_fault() {
    let checked = |variables: &[(&str, &str)], json| {
        let mut out = Vec::new();
        let code = check::run(&shipped("trug.toml"), env(variables), None, json, &mut out).unwrap().code();
        (code, String::from_utf8(out).unwrap())
    };
    let (code, text) = checked(&[], false);
    assert_eq!(code, 0, "{text}");
    assert_plain(&text);
    for words in [
        "Saltbush Gully Primary School",
        "4 beds, 1 tank, 11 sensors",
        "bed Kitchen bed (kitchen-bed)",
        "program kitchen tap timer: every 2 days at 6:30 am for 30 minutes on kitchen-bed",
        "tank Perch tank (perch-tank)",
        "sensor yard-gauge: rain",
        "no faults",
    ] {
        assert!(text.contains(words), "{words}:\n{text}");
    }

    let (code, text) = checked(&[], true);
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!((code, &json["ok"]), (0, &serde_json::Value::Bool(true)));
    assert_eq!(json["sites"][0]["sensors"].as_array().map(Vec::len), Some(11));
    assert_eq!(json["sites"][0]["programs"][0]["starts"][0], "06:30");

    let wrong = [("TRUG__BROKER__URL", "x"), ("TRUG__LOG__LEVEL", "y")];
    let (code, text) = checked(&wrong, false);
    assert_eq!(code, 2);
    assert!(text.contains("broker.url") && text.contains("log.level") && text.contains("2 faults"), "{text}");
    let (code, text) = checked(&wrong, true);
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!((code, &json["ok"]), (2, &serde_json::Value::Bool(false)));
    assert_eq!(json["faults"].as_array().map(Vec::len), Some(2));
}
