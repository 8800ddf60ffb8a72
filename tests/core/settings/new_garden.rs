//! `trug new-garden`: what it writes passes the check, whatever was answered.

use std::fs;
use std::path::Path;

use proptest::prelude::*;
use trug::commands::exit::WrongInput;
use trug::commands::new_garden::{
    BedDraft, GardenDraft, GaugeDraft, NewGarden, PeopleDraft, Person, TankDraft, run,
};
use trug::commands::{check, exit::Exit};
use trug::settings::from_text;
use trug::soil;

fn flags(folder: &Path) -> (std::path::PathBuf, NewGarden) {
    let some = |text: &str| Some(text.to_owned());
    let it = NewGarden {
        name: some("Wattle Creek School"),
        time_zone: some("Australia/Melbourne"),
        latitude: some("-37.81"),
        elevation: some("31"),
        bed: vec![
            "Kitchen bed, area=7,2, soil=loamy sand".replace("7,2", "7.2")
                + ", crop=cabbage, litres-per-hour=120",
            "Peas, area=6, soil=loam, crop=peas fresh, depth=20, topic=wc/peas".to_owned(),
        ],
        tank: vec!["Perch tank, litres=500, fish=12, species=silver perch".to_owned()],
        gauge: some("wc/rain, mm-per-tip=0.25"),
        tell: vec!["grounds=grounds@school.example".to_owned()],
        ..NewGarden::default()
    };
    (folder.join("config/trug.toml"), it)
}

fn outcome(config: &Path, it: &NewGarden, person: Option<&mut Person<'_>>) -> Result<String, String> {
    let mut out = Vec::new();
    match run(config, it, person, &mut out) {
        Ok(exit) => {
            assert_eq!(exit, Exit::Yes);
            Ok(String::from_utf8(out).unwrap())
        }
        Err(why) => Err(why.downcast::<WrongInput>().expect("plain words").to_string()),
    }
}

/// What `trug check` says of a configuration.
fn checked(config: &Path) -> (Exit, String) {
    let mut out = Vec::new();
    let exit = check::run(config, std::iter::empty(), None, false, &mut out).expect("it can be checked");
    (exit, String::from_utf8(out).unwrap())
}

#[test]
fn flags_make_a_garden_that_passes_the_check_and_nothing_is_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let (config, it) = flags(folder.path());
    let told = outcome(&config, &it, None).expect("it is written");
    assert!(told.contains("wattle-creek-school.toml is written.") && told.contains("trug check"), "{told}");
    let (exit, said) = checked(&config);
    assert_eq!(exit, Exit::Yes, "{said}");
    for words in [
        "2 beds, 1 tank, 4 sensors",
        "Kitchen bed (kitchen-bed): 7.2 m2",
        "at 20 cm, every 15 minutes on wc/peas",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let file = folder.path().join("config/gardens/wattle-creek-school.toml");
    let written = fs::read_to_string(&file).unwrap();
    assert!(written.contains("mm_per_tip = 0.25") && written.matches('#').count() > 10, "{written}");

    let again = outcome(&config, &it, None).expect_err("it is there");
    assert!(again.contains("is there already") && again.contains("--replace"), "{again}");
    assert_eq!(fs::read_to_string(&file).unwrap(), written);
    let other = NewGarden { elevation: Some("40".to_owned()), ..it.clone() };
    outcome(&config, &NewGarden { replace: true, ..other }, None).expect("it is written over");
    assert!(fs::read_to_string(&file).unwrap().contains("elevation_m = 40"));

    // A second garden may have no topic of the first.
    let second = NewGarden { name: Some("Second".to_owned()), ..it.clone() };
    let taken = outcome(&config, &second, None).expect_err("its topics are taken");
    assert!(taken.starts_with("nothing was written.") && taken.contains("which"), "{taken}");
    assert!(!folder.path().join("config/gardens/second.toml").exists());
}

#[test]
fn a_wrong_or_missing_flag_is_told_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let (config, good) = flags(folder.path());
    let some = |text: &str| Some(text.to_owned());
    for (it, words) in [
        (NewGarden::default(), "missing: --name, --time-zone, --latitude, --elevation"),
        (NewGarden { time_zone: some("Adelaide"), ..good.clone() }, "The nearest is Australia/Adelaide"),
        (NewGarden { latitude: some("-91"), ..good.clone() }, "--latitude: -91 is not taken"),
        (NewGarden { latitude: some("NaN"), ..good.clone() }, "--latitude: \"NaN\" is not a number"),
        (NewGarden { id: some("No Spaces"), ..good.clone() }, "--id: \"No Spaces\" is not taken"),
        (NewGarden { broker: some("http://x"), ..good.clone() }, "--broker: "),
        (NewGarden { watering: some("25:00-26:00"), ..good.clone() }, "--watering: "),
        (
            NewGarden { bed: vec!["Peas, area=6, soil=loam, crop=cabage".to_owned()], ..good.clone() },
            "The nearest is cabbage",
        ),
        (
            NewGarden { bed: vec!["Peas, area=0, soil=loam, crop=cabbage".to_owned()], ..good.clone() },
            "--bed: 0 is not taken",
        ),
        (
            NewGarden { bed: vec!["Peas, soil=loam, crop=cabbage".to_owned()], ..good.clone() },
            "area is missing",
        ),
        (NewGarden { bed: vec!["Peas, size=6".to_owned()], ..good.clone() }, "\"size=6\" is not known here"),
        (
            NewGarden { tank: vec!["T, litres=9, fish=-1, species=koi".to_owned()], ..good.clone() },
            "not a whole number",
        ),
        (NewGarden { gauge: some("a/#"), ..good.clone() }, "--gauge: "),
        (NewGarden { tell: vec!["grounds".to_owned()], ..good.clone() }, "NAME=ADDRESS"),
        (NewGarden { tell: vec!["grounds=nobody".to_owned()], ..good.clone() }, "e-mail address"),
    ] {
        let said = outcome(&config, &it, None).expect_err(words);
        assert!(said.contains(words), "{words}: {said}");
    }
    assert!(!config.exists() && !folder.path().join("config").exists());
}

#[test]
fn a_bad_answer_is_told_and_asked_again() {
    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().join("trug.toml");
    let answers = "\nGully School\n\nAdelaide\nAustralia/Adelaide\nsouth\n-34,93\n95\nhttp://broker\nmqtt://10.0.0.2\n\
                   6 to 9\n\nKitchen bed\n-2\n7,2\nmud\nloamy sand\ncabage\ncabbage\n120\n\n\nPeas\n6\n\npeas fresh\n\n20\n\
                   gully-school/kitchen-bed/moisture-15cm\ngully-school/peas/a\n\nPerch tank\n500\ncod\nsilver perch\nmany\n12\n\n\n\
                   rain\n\ngrounds\nnobody\ngrounds@school.example\n\n";
    let (mut input, mut told) = (answers.as_bytes(), Vec::new());
    let mut person = Person { input: &mut input, told: &mut told };
    outcome(&config, &NewGarden::default(), Some(&mut person)).expect("it is written");
    let told = String::from_utf8(told).unwrap();
    for words in [
        "The nearest is Australia/Adelaide",
        "\"south\" is not a number.",
        "-2 is not taken",
        "\"mud\" is not taken",
        "The nearest is cabbage",
        "is not taken. Accepted: a topic of its own for each sensor",
        "\"many\" is not a whole number",
        "an e-mail address",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    let (exit, said) = checked(&config);
    assert_eq!(exit, Exit::Yes, "{said}");
    assert!(
        said.contains("Gully School (gully-school), Australia/Adelaide: 2 beds, 1 tank, 4 sensors"),
        "{said}"
    );
    assert!(fs::read_to_string(&config).unwrap().contains("url = \"mqtt://10.0.0.2\""));

    // Who stops half way has written nothing.
    let config = folder.path().join("other/trug.toml");
    let (mut input, mut told) = (&b"Half\n\n"[..], Vec::new());
    let mut person = Person { input: &mut input, told: &mut told };
    let said = outcome(&config, &NewGarden::default(), Some(&mut person)).expect_err("the answers ended");
    assert!(said.contains("nothing was written") && !config.exists(), "{said}");
}

/// Names that people give, and what a form may be fed with.
fn name() -> impl Strategy<Value = String> {
    prop_oneof![
        "[A-Za-z' -]{1,80}",
        ".{1,80}",
        Just("w".repeat(80)),
        Just("\u{5d2}\u{5d9}\u{5e0}\u{5ea} \u{5d4}\u{5d9}\u{5e8}\u{5e7}".to_owned()),
        Just("<b>\"Peas\" & 'beans'</b> # [x] = \\ \u{1f331}".to_owned()),
        Just("'''\"\"\"".to_owned()),
    ]
}

fn crop() -> impl Strategy<Value = String> {
    (0..soil::CROPS.len()).prop_map(|at| soil::CROPS[at].name.to_owned())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]
    /// Whatever is answered: what is taken passes the check, what is not leaves the draft.
    #[test]
    fn every_draft_that_is_taken_passes_the_check(
        site in name(),
        names in prop::collection::vec((name(), crop(), 0.1f64..500.0, prop::option::of(1.0f64..500.0)), 0..40),
        tanks in prop::collection::vec((name(), 1.0f64..5000.0, 0u32..500), 0..4),
        latitude in -120.0f64..120.0,
        who in name(),
        gauge in prop::option::of(".{0,40}"),
    ) {
        let mut draft = GardenDraft::default();
        let mut taken = 0;
        let mut put = |draft: &mut GardenDraft, change: &dyn Fn(&mut GardenDraft)| {
            let before = draft.clone();
            let done = draft.take(|draft| { change(draft); Ok(()) });
            if done.is_err() {
                assert_eq!(*draft, before);
            }
            taken += usize::from(done.is_ok());
        };
        put(&mut draft, &|it| it.name.clone_from(&site));
        put(&mut draft, &|it| it.latitude_deg = latitude);
        for (name, crop, area_m2, litres_per_hour) in &names {
            put(&mut draft, &|it| {
                let id = it.place_id(name, &format!("bed-{}", it.beds.len() + 1));
                it.beds.push(BedDraft {
                    probes: vec![(15.0, format!("{}/{id}", it.id))],
                    id,
                    name: name.clone(),
                    area_m2: *area_m2,
                    soil: "loam".to_owned(),
                    crop: crop.clone(),
                    litres_per_hour: *litres_per_hour,
                });
            });
        }
        for (name, litres, fish) in &tanks {
            put(&mut draft, &|it| {
                let id = it.place_id(name, &format!("tank-{}", it.tanks.len() + 1));
                let topic = format!("{}/{id}/t", it.id);
                it.tanks.push(TankDraft {
                    id,
                    name: name.clone(),
                    litres: *litres,
                    species: "silver perch".to_owned(),
                    fish: *fish,
                    topic,
                });
            });
        }
        if let Some(topic) = &gauge {
            put(&mut draft, &|it| it.gauge = Some(GaugeDraft { topic: topic.clone(), mm_per_tip: 0.2 }));
        }
        put(&mut draft, &|it| {
            it.people.push(PeopleDraft { who: who.clone(), email: "a@school.example".to_owned() });
        });
        let (daemon, garden) = (draft.daemon_file(), draft.garden_file());
        let read = from_text(("trug.toml", &daemon), &[("garden.toml", &garden)], std::iter::empty());
        let settings = read.map_err(|faults| TestCaseError::fail(format!("{faults}\n{garden}")))?;
        let read = &settings.gardens[0];
        prop_assert_eq!(&read.site.name, draft.name.trim());
        prop_assert_eq!((read.beds.len(), read.tanks.len()), (draft.beds.len(), draft.tanks.len()));
        for (bed, described) in read.beds.iter().zip(&draft.beds) {
            prop_assert_eq!(&bed.name, described.name.trim());
        }
    }
}

#[test]
fn a_hundred_beds_are_taken() {
    let folder = tempfile::tempdir().unwrap();
    let (config, good) = flags(folder.path());
    let bed = vec!["Bed, area=2, soil=loam, crop=lettuce".to_owned(); 100];
    outcome(&config, &NewGarden { bed, ..good }, None).expect("it is written");
    let (exit, said) = checked(&config);
    assert!(exit == Exit::Yes && said.contains("100 beds") && said.contains("Bed (bed-100)"), "{said}");
}
