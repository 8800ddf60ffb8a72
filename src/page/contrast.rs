//! The stylesheet's colours against WCAG 2.2.

use std::collections::HashMap;

const STYLE: &str = include_str!("style.css");

/// WCAG 2.2, success criterion 1.4.3 (AA), text of normal size.
pub(crate) const TEXT_MIN: f64 = 4.5;
/// WCAG 2.2, success criterion 1.4.6 (AAA), text of normal size: for what to do, which is
/// read on a phone in the sun.
pub(crate) const SUN_MIN: f64 = 7.0;
/// WCAG 2.2, success criterion 1.4.11, graphics that carry meaning.
pub(crate) const GRAPHIC_MIN: f64 = 3.0;

/// Relative luminance as WCAG 2.2 defines it, from 8-bit sRGB.
fn luminance(colour: &str) -> f64 {
    let part = |range| {
        let byte = u8::from_str_radix(&colour[range], 16).unwrap();
        let c = f64::from(byte) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * part(1..3) + 0.7152 * part(3..5) + 0.0722 * part(5..7)
}

pub(crate) fn contrast(one: &str, other: &str) -> f64 {
    let (one, other) = (luminance(one), luminance(other));
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

/// The palettes of day, night and paper, in this order.
fn palettes() -> Vec<HashMap<&'static str, &'static str>> {
    let of = |root: &'static str| {
        let root = root.split_once('}').unwrap().0;
        root.lines()
            .filter_map(|line| line.trim().strip_prefix("--")?.strip_suffix(';')?.split_once(": "))
            .collect::<HashMap<_, _>>()
    };
    STYLE.split(":root {").skip(1).map(of).collect()
}

/// The end points are WCAG's own: black on white is 21 to 1, a colour on
/// itself 1 to 1. #767676 on white as the lightest grey that passes 4.5 is
/// common knowledge of the trade, from memory.
#[test]
fn the_ratio_is_the_published_one() {
    for (one, other, expected) in
        [("#000000", "#ffffff", 21.0), ("#8a7861", "#8a7861", 1.0), ("#767676", "#ffffff", 4.54)]
    {
        let got = contrast(one, other);
        assert!((got - expected).abs() < 0.005, "{one} on {other}: {got:.3}, expected {expected}");
    }
}

#[test]
fn every_text_and_graphic_can_be_read_in_the_sun() {
    let palettes = palettes();
    assert_eq!(palettes.len(), 3, "day, night, paper");
    for (colours, name) in palettes.iter().zip(["day", "night", "paper"]) {
        assert_eq!(colours.len(), palettes[0].len(), "{name} names every colour");
        let check = |front: &str, back: &str, min: f64| {
            let got = contrast(colours[front], colours[back]);
            assert!(got >= min, "{name}: {front} on {back}: {got:.2} to 1, {min} needed");
        };
        for back in ["paper", "card"] {
            for front in ["ink", "quiet", "link", "well", "watch", "act", "unknown"] {
                check(front, back, TEXT_MIN);
            }
            for front in ["rule", "trace-1", "trace-2", "trace-3", "trace-4", "bar-1"] {
                check(front, back, GRAPHIC_MIN);
            }
        }
        for back in ["notice", "far", "near", "fine", "wet"] {
            check("ink", back, TEXT_MIN);
        }
        // What is wrong, what to do first, how urgent it is, its button, and the way to its place.
        for (front, back) in [
            ("ink", "card"),
            ("ink", "paper"),
            ("ink", "notice"),
            ("card", "act"),
            ("card", "well"),
            ("link", "card"),
            ("link", "paper"),
            ("act", "card"),
        ] {
            check(front, back, SUN_MIN);
        }
        check("quiet", "gap", TEXT_MIN);
        check("link", "notice", TEXT_MIN);
        check("card", "act", TEXT_MIN);
        check("card", "well", TEXT_MIN);
    }
}

/// Colours are named in one place, so that the test above sees them all.
#[test]
fn no_colour_stands_outside_the_list() {
    let after = STYLE.rsplit_once(":root {").unwrap().1.split_once('}').unwrap().1;
    for (number, line) in after.lines().enumerate() {
        assert!(!line.contains('#') && !line.contains("rgb"), "line {number} after :root: {line}");
    }
}
