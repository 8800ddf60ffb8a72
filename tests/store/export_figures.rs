//! What stands in an export as a number: no tail of a division, and raw numbers as they came.

use trug::commands::export::{self, Export};
use trug::quality::Flag;

use crate::support::garden::{at, school};
use crate::support::month::{reading, store};

#[test]
fn values_of_an_export_have_no_tail_of_a_division() {
    let (garden, folder) = (school(), tempfile::tempdir().expect("a folder"));
    let mut third = reading(0, at(0), 1.0 / 3.0, Flag::Pass);
    third.raw = 2_176.25;
    let sum = reading(0, at(900_000), 0.1 + 0.2, Flag::Pass);
    let reader = store(&folder.path().join("trug.db"), &garden, vec![third, sum]);
    let mut out = Vec::new();
    export::run(&reader, &[garden], &Export::default(), &mut out).expect("an export");
    let text = String::from_utf8(out).expect("UTF-8");
    let lines: Vec<&str> = text.lines().skip(1).collect();
    assert_eq!(lines.len(), 2, "{text}");
    assert!(lines[0].contains(",2176.25,0.3333333,"), "{text}");
    assert!(lines[1].contains(",0.3,"), "{text}");
}
