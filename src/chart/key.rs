//! The key below a panel: what each line, bar and shape of it is.

use jiff::SignedDuration;
use maud::{Markup, html};

use super::draw::{self, CROSS, DIAMOND};
use super::hours::TimeAxis;
use super::{Chart, Panel, Sign, Stroke};

impl Chart {
    /// What each line, bar and shape of a panel is.
    pub(super) fn key(&self, number: usize, panel: &Panel) -> Markup {
        let named = panel.traces.len() > 1 || panel.traces.iter().any(|it| !it.name.starts_with(&panel.name));
        let lines = panel.traces.iter().filter(|_| named);
        let names = panel.bar_names();
        let bars = names.len() > 1 || names.first().is_some_and(|name| *name != panel.name);
        let mut signs: Vec<Sign> = Vec::new();
        for event in panel.events.iter().filter(|event| self.shows(event.at)) {
            if !signs.contains(&event.sign) {
                signs.push(event.sign);
            }
        }
        let flags = || panel.flagged.iter().filter(|it| self.shows(it.at));
        let reading = |class, shape, word: &str| {
            html! {
                li {
                    svg width="14" height="14" viewBox="-7 -7 14 14" aria-hidden="true" class=(class) { path d=(shape) {} }
                    (word)
                }
            }
        };
        let sample = |class: &str| {
            html! { svg width="18" height="14" aria-hidden="true" { rect class=(class) x="1" y="1" width="16" height="12" {} } }
        };
        html! {
            ul class="key" {
                @for trace in lines {
                    li {
                        svg width="34" height="12" viewBox="0 -6 34 12" aria-hidden="true" {
                            line class={ "trace " (draw::stroke_class(trace.stroke)) } x1="1" x2="33" y1="0" y2="0" {}
                            @if draw::tells_apart(panel) && trace.stroke != Stroke::Expected {
                                svg x="17" y="0" overflow="visible" class={ "line-end " (draw::stroke_class(trace.stroke)) } { path d=(draw::end_mark(trace.stroke)) {} }
                            }
                        }
                        (trace.name)
                    }
                }
                @if !panel.fan.is_empty() {
                    li { (sample("fan inner")) "half of the time" }
                    li { (sample("fan outer")) "4 times in 5" }
                }
                @if bars {
                    @for name in &names {
                        li {
                            svg width="14" height="14" aria-hidden="true" { rect class={ "bar " (draw::bar_class(&names, name)) } x="1" y="1" width="12" height="12" {} }
                            (name)
                        }
                    }
                }
                @for sign in signs {
                    li {
                        svg width="20" height="20" viewBox="-10 -10 20 20" aria-hidden="true" class={ "event " (sign.look().class) } {
                            path d=(sign.look().shape) {}
                        }
                        (sign.look().words)
                    }
                }
                @if !draw::empty_stretches(self, panel).is_empty() {
                    li {
                        svg width="18" height="14" aria-hidden="true" {
                            rect class="no-readings" fill={ "url(#" (self.hatch(number)) ")" } width="18" height="14" {}
                        }
                        "no readings"
                    }
                }
                @if flags().any(|it| it.value.is_some()) {
                    (reading("flag with-value", DIAMOND, "reading in doubt"))
                }
                @if flags().any(|it| it.value.is_none()) { (reading("flag at-foot", CROSS, "bad reading")) }
            }
        }
    }

    /// What is to be known of the whole: doubts, and days on which the clocks change.
    pub(super) fn notes(&self) -> Markup {
        let mut doubts: Vec<&str> =
            self.panels.iter().flat_map(|panel| &panel.bars).filter_map(|bar| bar.doubt.as_deref()).collect();
        doubts.sort_unstable();
        doubts.dedup();
        let hours = TimeAxis { from: self.from, to: self.to, zone: &self.zone };
        // On a longer axis an hour cannot be seen.
        let short = self.to.duration_since(self.from) < SignedDuration::from_hours(24 * 10);
        let changes = if short { hours.clock_changes() } else { Vec::new() };
        html! {
            @for doubt in doubts { p class="doubt" { "? " (doubt) } }
            @for (date, hours) in changes {
                p class="doubt" {
                    "The clocks change on " (date.strftime("%a %-d %b").to_string()) ": that day has "
                    (hours) " hours."
                }
            }
        }
    }
}
