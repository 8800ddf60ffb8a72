//! Where things lie: `plan`, `[[landmark]]` and the site's `outline`.

use proptest::prelude::*;
use trug::garden::ground::{GroundRect, LandmarkKind};
use trug::garden::ground_layout::lay_out;
use trug::settings::{Fault, Settings, from_text};

use crate::support::garden::{BED_KEYS, GardenFile};

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n";
const FENCE: &str = "outline = [[0, 0], [12, 0], [12, 8], [0, 8]]\n";

fn read(file: &GardenFile) -> Result<Settings, Vec<Fault>> {
    from_text(("trug.toml", TRUG), &[("garden.toml", file.text())], std::iter::empty())
        .map_err(|faults| faults.as_slice().to_vec())
}

/// Two beds and a tank, each where the text after its table says, with a rain gauge.
fn garden(site: &str, one: &str, two: &str, tank: &str, more: &str) -> GardenFile {
    let bed = |plan: &str| format!("{BED_KEYS}{plan}\n");
    GardenFile::new("school")
        .with(site)
        .bed("one", "Kitchen bed", &bed(one))
        .bed("two", "Pea bed", &bed(two))
        .tank("tank", "Perch tank", tank)
        .probe("in-one", "one", 15)
        .probe("in-two", "two", 15)
        .sensor("water", "water-temperature", "tank = \"tank\"")
        .with(more)
}

const GAUGE: &str = "[[sensor]]\nid = \"gauge\"\nmeasures = \"rain\"\ntopic = \"school/gauge\"\npayload = \"number\"\n\
                     every_s = 900\ncalibration = { mm_per_tip = 0.2 }\n";

#[test]
fn what_the_file_says_is_drawn_and_the_rest_finds_room_below() {
    let landmark =
        "[[landmark]]\nname = \"Shed\"\nkind = \"shed\"\nplan = { x = 9, y = 0.5, w = 2, h = 1.5 }\n";
    let gauge = format!("{GAUGE}plan = {{ x = 7, y = 1, w = 0.5, h = 1 }}\n{landmark}");
    let file = garden(FENCE, "plan = { x = 1, y = 1, w = 4, h = 1.8 }", "", "", &gauge);
    let settings = read(&file).unwrap();
    assert!(settings.borne.is_none(), "{:?}", settings.borne);
    let layout = lay_out(&settings.gardens[0]);
    assert_eq!(layout.beds[0].1, GroundRect { x_m: 1.0, y_m: 1.0, width_m: 4.0, height_m: 1.8 });
    assert_eq!(layout.gauge.map(|rect| rect.x_m), Some(7.0));
    assert_eq!(layout.landmarks[0].kind, LandmarkKind::Shed);
    // Neither has a place of its own, so both lie outside the fence, on the drawing.
    for rect in [layout.beds[1].1, layout.tanks[0].1] {
        assert!(rect.y_m > 8.0 && rect.y_m + rect.height_m <= layout.height_m, "{rect:?}");
    }
    assert!(layout.measured);
}

#[test]
fn places_that_lie_over_each_other_or_the_fence_are_named_by_check_alone() {
    let over = "plan = { x = 4, y = 1, w = 4, h = 1.8 }";
    let tank = "plan = { x = 10, y = 5, w = 3, h = 1 }";
    let file = garden(FENCE, "plan = { x = 1, y = 1, w = 4, h = 1.8 }", over, tank, "");
    let settings = read(&file).expect("the daemon runs all the same");
    let faults = settings.borne.expect("check names them");
    let told: Vec<(&str, &str, Option<usize>)> =
        faults.as_slice().iter().map(|it| (it.key.as_str(), it.given.as_str(), it.line)).collect();
    let line = |text: &str| Some(file.text().lines().position(|line| line.contains(text)).unwrap() + 1);
    assert_eq!(
        told,
        [
            ("bed[two].plan", "Pea bed lies over 1.8 m2 of Kitchen bed", line("x = 4, y = 1")),
            ("tank[tank].plan", "Perch tank lies outside the garden's outline", line("x = 10, y = 5")),
        ]
    );
}

#[test]
fn what_cannot_be_drawn_is_a_fault_at_its_key() {
    let landmark = |keys: &str| format!("[[landmark]]\nname = \"Shed\"\n{keys}\n");
    let plan = "plan = { x = 1, y = 1, w = 1, h = 1 }";
    let cases = [
        (garden("", "plan = { x = 1, y = 1, w = 0, h = 1.8 }", "", "", ""), "bed[one].plan.w", "0"),
        (garden("", "plan = { x = -1, y = 1, w = 1, h = 1.8 }", "", "", ""), "bed[one].plan.x", "-1"),
        (garden("", "plan = { x = 1, y = 1, w = 2 }", "", "", ""), "bed[one].plan.h", "nothing"),
        (garden("", "plan = [1, 1, 2, 2]", "", "", ""), "bed[one].plan", "a list of 4"),
        (garden("", "", "", "plan = { x = 1, y = 1, w = 2, h = 9999 }", ""), "tank[tank].plan.h", "9999"),
        (garden("outline = [[0, 0], [4, 0]]\n", "", "", "", ""), "site.outline", "a list of 2"),
        (garden("outline = [[0, 0], [4, 0], [8, 0]]\n", "", "", "", ""), "site.outline", "a list of 3"),
        (garden("", "", "", "", &landmark(plan)), "landmark[Shed].kind", "nothing"),
        (garden("", "", "", "", &landmark("kind = \"tap\"")), "landmark[Shed].plan", "nothing"),
        (
            garden("", "", "", "", &landmark(&format!("kind = \"shedd\"\n{plan}"))),
            "landmark[Shed].kind",
            "\"shedd\"",
        ),
    ];
    for (file, key, given) in cases {
        let faults = read(&file).expect_err(key);
        assert_eq!(faults.len(), 1, "{faults:#?}");
        assert!(faults[0].key == key && faults[0].given.contains(given), "{key}: {:#?}", faults[0]);
    }
    let probe = GardenFile::new("school").bed("one", "Kitchen bed", BED_KEYS).sensor(
        "in-one",
        "soil-moisture",
        &format!("bed = \"one\"\ndepth_cm = 15\n{plan}"),
    );
    let faults = read(&probe).expect_err("a probe is not drawn");
    assert_eq!(faults[0].key, "sensor[in-one].plan");
}

proptest! {
    /// Whatever the areas: every place is on the drawing, and none lies over another.
    #[test]
    fn rows_never_overlap(areas in proptest::collection::vec(0.1..2000.0_f64, 1..40), litres in 1.0..100_000.0_f64) {
        let mut file = GardenFile::new("school").tank("tank", "Tank", &format!("volume_l = {litres}"));
        for (number, area) in areas.iter().enumerate() {
            let id = format!("bed-{number}");
            let keys = BED_KEYS.replace("area_m2 = 10", &format!("area_m2 = {area}"));
            file = file.bed(&id, &id, &keys).probe(&format!("in-{number}"), &id, 15);
        }
        let garden = file.sensor("water", "water-temperature", "tank = \"tank\"").with(GAUGE).garden();
        let layout = lay_out(&garden);
        let rects: Vec<GroundRect> =
            layout.beds.iter().chain(&layout.tanks).map(|(_, rect)| *rect).chain(layout.gauge).collect();
        prop_assert_eq!(rects.len(), areas.len() + 2);
        for (number, one) in rects.iter().enumerate() {
            prop_assert!(one.x_m >= 0.0 && one.x_m + one.width_m <= layout.width_m + 1e-9);
            prop_assert!(one.y_m >= 0.0 && one.y_m + one.height_m <= layout.height_m + 1e-9);
            for other in &rects[..number] {
                prop_assert!(one.shared_m2(other) < 1e-9);
            }
        }
    }
}
