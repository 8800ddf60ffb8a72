//! A small drawing of where a value stands between its marks.
//!
//! Every part has a word in it or under it, so that the drawing reads without
//! colour, and a title and a description for those who hear the page.

use maud::{Markup, html};

use crate::text::locale::LocalText;

/// Width of the drawing, in its own units.
const WIDTH: f64 = 280.0;

/// Where the first row of labels stands, and how far the second is below it.
const ROW: f64 = 69.0;
const ROW_STEP: f64 = 18.0;

/// Room that one letter needs, in a zone and in a mark's label, and half of what a label between
/// others needs.
const LETTER: f64 = 8.0;
const LABEL_LETTER: f64 = 6.8;
const LABEL_HALF: f64 = 62.0;

/// Top and bottom of the band.
const TOP: f64 = 28.0;
const BOTTOM: f64 = 52.0;

/// Room outside the outer marks, as a part of the distance between them.
const MARGIN: f64 = 0.35;

/// A stretch of the band, up to the next mark.
pub(super) struct BandZone {
    /// Shown inside the stretch.
    pub(super) word: &'static str,
    /// The style's name for it.
    pub(super) class: &'static str,
}

/// A mark between two zones.
pub(super) struct BandMark {
    pub(super) at: f64,
    pub(super) label: String,
}

/// A value among its marks.
pub(super) struct Band<'a> {
    /// Unique on the page.
    pub(super) id: String,
    /// What is drawn.
    pub(super) title: &'a str,
    /// The same in words: value and marks.
    pub(super) description: String,
    /// Ascending, two or more.
    pub(super) marks: Vec<BandMark>,
    /// One more than marks.
    pub(super) zones: &'a [BandZone],
    /// The present value and its label.
    pub(super) now: Option<(f64, String)>,
}

impl Band<'_> {
    /// The drawing; nothing where the marks are no scale (not ascending, not
    /// finite, or too few).
    ///
    /// `local`: how its people read, since a second unit beside a figure needs more room.
    pub(super) fn draw(&self, local: &LocalText) -> Option<Markup> {
        let low = self.marks.first()?.at;
        let high = self.marks.last()?.at;
        let span = high - low;
        let ascending = self.marks.windows(2).all(|pair| pair[0].at <= pair[1].at);
        if !(span.is_finite() && span > 0.0 && ascending && self.zones.len() == self.marks.len() + 1) {
            return None;
        }
        let x = |value: f64| {
            let part = (value - low) / span;
            WIDTH * ((part + MARGIN) / (1.0 + 2.0 * MARGIN)).clamp(0.0, 1.0)
        };
        let edges: Vec<f64> = std::iter::once(0.0)
            .chain(self.marks.iter().map(|mark| x(mark.at)))
            .chain(std::iter::once(WIDTH))
            .collect();
        let now = self.now.as_ref().filter(|(value, _)| value.is_finite());
        let title_id = format!("{}-title", self.id);
        let description_id = format!("{}-description", self.id);
        let last = self.marks.len() - 1;
        let outer_row = if self.marks.len() > 2 { ROW + ROW_STEP } else { ROW };
        // Two outer labels that would meet stand in two rows.
        let letters = |mark: &BandMark| local.text(&mark.label).chars().count() as f64;
        let meet = LABEL_LETTER * (letters(&self.marks[0]) + letters(&self.marks[last])) > WIDTH;
        let last_row = if meet { outer_row + ROW_STEP } else { outer_row };

        Some(html! {
            svg class="band" viewBox=(format!("0 0 {WIDTH} {}", last_row + 7.0)) role="img"
                aria-labelledby={ (title_id) " " (description_id) } {
                title id=(title_id) { (self.title) }
                desc id=(description_id) { (self.description) }
                @for (zone, ends) in self.zones.iter().zip(edges.windows(2)) {
                    @let width = ends[1] - ends[0];
                    rect class={ "zone " (zone.class) } x=(tenths(ends[0])) y=(TOP)
                        width=(tenths(width)) height=(BOTTOM - TOP) {}
                    // A word that would run into the next zone is left out; the
                    // marks' labels still tell where things stand.
                    @if width >= LETTER * zone.word.len() as f64 {
                        text class="zone-word" x=(tenths(f64::midpoint(ends[0], ends[1])))
                            y=(BOTTOM - 7.0) text-anchor="middle" { (zone.word) }
                    }
                }
                @for (number, mark) in self.marks.iter().enumerate() {
                    @let at = x(mark.at);
                    // A label between the outer marks stands between their
                    // lines; the outer labels stand below it, at the ends.
                    @let (label_x, row, anchor) = if number == 0 {
                        (0.0, outer_row, "start")
                    } else if number == last {
                        (WIDTH, last_row, "end")
                    } else {
                        (at.clamp(edges[1] + LABEL_HALF, edges[last + 1] - LABEL_HALF), ROW, "middle")
                    };
                    line class="mark" x1=(tenths(at)) x2=(tenths(at)) y1=(TOP - 2.0) y2=(row - 13.0) {}
                    text class="mark-label" x=(tenths(label_x)) y=(row) text-anchor=(anchor) { (mark.label) }
                }
                @match now {
                    Some((value, label)) => {
                        @let at = x(*value);
                        path class="now" d=(pointer(at)) {}
                        text class="now-label" x=(tenths(at)) y="14" text-anchor=(anchor(at)) { (label) }
                    }
                    None => {
                        text class="now-label" x=(WIDTH / 2.0) y="14" text-anchor="middle" { "now: not known" }
                    }
                }
            }
        })
    }
}

/// A pointer that stands on the band, with its tip inside it.
fn pointer(x: f64) -> String {
    let x = x.clamp(6.0, WIDTH - 6.0);
    format!("M{:.1} 18h12l-6 14z", x - 6.0)
}

/// Keeps the label inside the drawing.
fn anchor(x: f64) -> &'static str {
    if x < WIDTH * 0.25 {
        "start"
    } else if x > WIDTH * 0.75 {
        "end"
    } else {
        "middle"
    }
}

fn tenths(number: f64) -> String {
    format!("{number:.1}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn band(marks: &[f64], now: Option<f64>) -> Option<String> {
        let zone = |_| BandZone { word: "zone", class: "zone-fine" };
        let zones: Vec<BandZone> = (0..=marks.len()).map(zone).collect();
        let band = Band {
            id: "b".into(),
            title: "Water",
            description: "in words".into(),
            marks: marks.iter().map(|&at| BandMark { at, label: format!("mark {at}") }).collect(),
            zones: &zones,
            now: now.map(|value| (value, format!("now {value}"))),
        };
        band.draw(&LocalText::default()).map(Markup::into_string)
    }

    #[test]
    fn marks_that_are_no_scale_are_not_drawn() {
        for marks in [&[][..], &[0.1], &[0.2, 0.1], &[0.1, 0.1], &[0.1, f64::NAN], &[0.1, f64::INFINITY]] {
            assert!(band(marks, Some(0.1)).is_none(), "{marks:?}");
        }
    }

    #[test]
    fn the_pointer_stands_between_the_marks_and_stays_inside() {
        // Outer marks stand at 0.35/1.7 and 1.35/1.7 of 280 units.
        let drawn = band(&[0.0, 0.5, 1.0], Some(0.5)).unwrap();
        assert!(drawn.contains("M134.0 18"), "{drawn}");
        assert!(drawn.contains(r#"x1="57.6""#) && drawn.contains(r#"x1="222.4""#), "{drawn}");
        for far in [-1e300, 1e300] {
            let drawn = band(&[0.0, 1.0], Some(far)).unwrap();
            assert!(drawn.contains("M0.0 18") || drawn.contains("M268.0 18"), "{drawn}");
        }
    }

    /// "cold below 4.0 °C (39.2 °F)" and its fellow have no room beside each other.
    #[test]
    fn long_labels_stand_in_two_rows() {
        use crate::text::locale::Locale;
        let zones = ["cold", "suits them", "warm"].map(|word| BandZone { word, class: "zone-fine" });
        let mark = |at: f64, label: &str| BandMark { at, label: label.to_owned() };
        let band = Band {
            id: "b".into(),
            title: "Water",
            description: "in words".into(),
            marks: vec![mark(4.0, "cold below 4.0 °C"), mark(32.0, "warm above 32.0 °C")],
            zones: &zones,
            now: None,
        };
        let row = |locale, label: &str| {
            let drawn = band.draw(&LocalText::new(locale, [])).expect("a band").into_string();
            let before = drawn.split(label).next().expect("the label").to_owned();
            before.rsplit("y=\"").next().and_then(|it| it.split('"').next()).expect("its row").to_owned()
        };
        assert_eq!(row(Locale::EnAu, "cold below"), row(Locale::EnAu, "warm above"));
        assert_ne!(row(Locale::EnUs, "cold below"), row(Locale::EnUs, "warm above"));
    }

    #[test]
    fn without_a_value_it_says_so() {
        for now in [None, Some(f64::NAN)] {
            let drawn = band(&[0.0, 1.0], now).unwrap();
            assert!(drawn.contains("now: not known") && !drawn.contains("<path"), "{drawn}");
        }
    }
}
