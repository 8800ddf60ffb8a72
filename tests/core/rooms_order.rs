//! The rooms stand in one order, and an import only ever points down.

use super::rooms::files;
use crate::support::imports::Imports;
use crate::support::source::Source;

/// The rooms from top to bottom: an import points at a room further down.
const ORDER: [&str; 29] = [
    "commands",
    "page",
    "deliver",
    "export",
    "engine",
    "intake",
    "store",
    "settings",
    "report",
    "telling",
    "answering",
    "chart",
    "analysis",
    "history",
    "garden",
    "text",
    "alarms",
    "soil",
    "evapotranspiration",
    "outlook",
    "tank",
    "watering",
    "rain",
    "quality",
    "decode",
    "calibration",
    "model",
    "password",
    "why",
];

/// Imports that do not point down.
fn pointing_up(imports: &Imports) -> Vec<String> {
    let floor = |room: &str| ORDER.iter().position(|known| *known == room);
    imports
        .between_rooms()
        .filter(|(_, from, to)| !matches!((floor(from), floor(to)), (Some(from), Some(to)) if from < to))
        .map(|(at, _, to)| format!("{at} imports {to}"))
        .collect()
}

#[test]
fn an_import_only_points_down() {
    let up = pointing_up(&Imports::of(&files()));
    assert!(up.is_empty(), "imports that point up:\n{}", up.join("\n"));
}

#[test]
fn every_room_has_its_floor() {
    let files = files();
    let room = |file: &str| file.split('/').next().map(|room| room.trim_end_matches(".rs").to_owned());
    let mut rooms: Vec<_> = files.iter().filter_map(|(file, _)| room(file)).collect();
    rooms.sort_unstable();
    rooms.dedup();
    rooms.retain(|room| room != "lib" && room != "main");
    let mut order = ORDER.map(str::to_owned);
    order.sort_unstable();
    assert_eq!(rooms, order, "the rooms in src beside those of the list");
}

/// Files of a made-up crate.
fn crate_of(files: &[(&str, &str)]) -> Imports {
    let files: Vec<_> = files.iter().map(|(file, text)| ((*file).to_owned(), Source::of(text))).collect();
    Imports::of(&files)
}

#[test]
fn a_planted_import_that_points_up_is_found() {
    for line in [
        "use crate::garden::Core;",
        "use crate::{why::Step, garden::{plan::Garden, Core}};",
        "fn f(it: &crate::garden::plan::Garden) {}",
        "use super::super::garden::plan;",
        "pub use crate::garden::plan::Garden as Plot;",
    ] {
        let files = [
            ("garden/mod.rs", "pub mod plan;\nmod core;\npub use core::Core;"),
            ("garden/plan.rs", ""),
            ("garden/core.rs", ""),
            ("why.rs", ""),
            ("soil/mod.rs", "mod stress;"),
            ("soil/stress.rs", line),
        ];
        let up = pointing_up(&crate_of(&files));
        assert!(up.iter().any(|it| it.starts_with("soil::stress:1 imports garden")), "{line}: {up:?}");
    }
    let down = [
        ("garden/mod.rs", "use crate::soil::Stress;"),
        ("soil/mod.rs", "use crate::why::Step;"),
        ("why.rs", ""),
    ];
    assert_eq!(pointing_up(&crate_of(&down)), Vec::<String>::new());
}

#[test]
fn a_planted_circle_is_found_and_children_are_none() {
    let circle = [
        ("soil/mod.rs", "mod a;\nmod b;\npub use b::B;"),
        ("soil/a.rs", "use crate::soil::B;"),
        ("soil/b.rs", "use super::c::C;"),
        ("soil/c.rs", "fn f() { crate::soil::a::g() }"),
    ];
    let found = crate_of(&circle).in_circles();
    assert_eq!(found, ["soil::a -> soil::b", "soil::b -> soil::c", "soil::c -> soil::a"]);
    let children = [("soil/mod.rs", "mod a;\nuse a::A;"), ("soil/a.rs", "use super::Soil;")];
    assert_eq!(crate_of(&children).in_circles(), Vec::<String>::new());
}
#[test]
fn no_modules_import_each_other_in_a_circle() {
    let circles = Imports::of(&files()).in_circles();
    assert!(circles.is_empty(), "imports in circles:\n{}", circles.join("\n"));
}
