//! The lane of events over a plot: a mark for each, with its words on touch or focus.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{Markup, html};

use crate::chart::svg::{percent, short};
use crate::chart::{Chart, Event, Panel, Sign};

/// Height of the lane in pixels: room for a finger, and about one sign's width in parts
/// of a phone's plot.
const LANE: f64 = 28.0;
const SIGN: f64 = 0.06;
/// Half of what a finger hits, pixels.
const HIT: f64 = 13.0;
/// Room for the words, which lie over the plot while a mark is touched.
const WORDS_HIGH: f64 = 150.0;
/// Events whose words one mark says; of more it says how many there are.
const WORDS_MAX: usize = 4;

/// One mark: what lies close together and is of one kind shares it.
struct LaneMark<'a> {
    /// In parts of the width.
    part: f64,
    sign: Sign,
    events: Vec<&'a Event>,
}

/// The lane; nothing where nothing happened.
pub(super) fn lane(chart: &Chart, panel: &Panel) -> Markup {
    let marks = marks(chart, panel);
    html! {
        @if !marks.is_empty() {
            svg class="lane" width="100%" height=(short(LANE)) role="group" aria-label={ "What happened: " (panel.name) } {
                @for mark in &marks { (mark.draw(chart)) }
            }
        }
    }
}

fn marks<'a>(chart: &Chart, panel: &'a Panel) -> Vec<LaneMark<'a>> {
    let mut inside: Vec<&Event> = panel.events.iter().filter(|event| chart.shows(event.at)).collect();
    inside.sort_by_key(|event| event.at);
    let mut marks: Vec<LaneMark<'_>> = Vec::new();
    for event in inside {
        let part = chart.along(event.at);
        match marks.iter_mut().rev().find(|mark| mark.sign == event.sign) {
            Some(mark) if part - mark.part < SIGN => mark.events.push(event),
            _ => marks.push(LaneMark { part, sign: event.sign, events: vec![event] }),
        }
    }
    // Marks of two kinds stand beside each other, the later one a little late.
    let mut free = 0.0;
    for mark in &mut marks {
        mark.part = mark.part.max(free).min(mark.part + 2.0 * SIGN).min(1.0);
        free = mark.part + SIGN;
    }
    marks
}

impl LaneMark<'_> {
    fn draw(&self, chart: &Chart) -> Markup {
        let look = self.sign.look();
        let words = self.words(chart);
        html! {
            g class={ "event " (look.class) } tabindex="0" role="img" aria-label=(words) {
                svg overflow="visible" x=(percent(self.part)) y=(short(LANE / 2.0)) {
                    circle class="hit" r=(short(HIT)) {}
                    path d=(look.shape) {}
                }
                foreignObject width="100%" y=(short(LANE)) height=(short(WORDS_HIGH)) { p { (words) } }
            }
        }
    }

    /// "Wed 1 Apr, 9 am: watered; and 3 more".
    fn words(&self, chart: &Chart) -> String {
        let one = |event: &&Event| format!("{}: {}", chart.when(event.at), event.words);
        let mut words: Vec<String> = self.events.iter().take(WORDS_MAX).map(one).collect();
        if self.events.len() > WORDS_MAX {
            words.push(format!("and {} more", self.events.len() - WORDS_MAX));
        }
        words.join("; ")
    }
}

impl Chart {
    /// A moment on the garden's clock.
    pub(super) fn when(&self, at: Timestamp) -> String {
        when(at, &self.zone)
    }
}

/// A moment on a clock: "Wed 1 Apr, 6:30 pm", "Wed 1 Apr, 9 am".
pub(super) fn when(at: Timestamp, zone: &TimeZone) -> String {
    let local = at.to_zoned_datetime(zone.clone());
    let clock = if local.minute() == 0 { "%-I %P" } else { "%-I:%M %P" };
    local.strftime(&format!("%a %-d %b, {clock}")).to_string()
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;

    use super::*;

    /// A mark says when and what, of as many events as it stands for.
    #[test]
    fn what_lies_together_shares_a_mark_and_every_mark_says_when() {
        let from: Timestamp = "2026-04-01T00:00:00Z".parse().expect("a time");
        let hour = |hour: i64| from + SignedDuration::from_mins(hour * 60);
        let event = |at, sign, words: &str| Event { at, sign, words: words.to_owned() };
        let mut panel = Panel::new("Water that came", "mm", 1);
        panel.events = vec![
            event(hour(9), Sign::Water, "watered"),
            event(hour(10), Sign::Water, "watered again"),
            event(hour(10), Sign::Mulch, "mulch 80 mm deep"),
            event(hour(50), Sign::Water, "watered later"),
            event(hour(200), Sign::Water, "after the chart"),
        ];
        let chart = Chart {
            id: "lane".to_owned(),
            title: String::new(),
            description: String::new(),
            from,
            to: hour(100),
            now: None,
            zone: TimeZone::UTC,
            locale: crate::text::locale::Locale::default(),
            panels: Vec::new(),
            choice: None,
        };
        let marks = marks(&chart, &panel);
        let words: Vec<String> = marks.iter().map(|mark| mark.words(&chart)).collect();
        assert_eq!(
            words,
            [
                "Wed 1 Apr, 9 am: watered; Wed 1 Apr, 10 am: watered again",
                "Wed 1 Apr, 10 am: mulch 80 mm deep",
                "Fri 3 Apr, 2 am: watered later"
            ]
        );
        assert!(marks[1].part - marks[0].part >= SIGN - 1e-9, "marks of two kinds stand apart");
        assert!(lane(&chart, &panel).into_string().matches("tabindex=\"0\"").count() == 3);
    }
}
