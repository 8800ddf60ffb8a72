//! Every chart and table of the month: long, and on a page of its own.

use maud::{Markup, html};

use super::{Within, back, compared, measured, not_over, pictures, tanks, told, water};
use crate::report::Contents;

pub(super) fn body(contents: &Contents<'_>, within: Within<'_>) -> Markup {
    let month = contents.month;
    let sections: [(&str, &str, Markup); 9] = [
        (
            "measured",
            "The garden and its sensors",
            html! { (measured::garden(month))
            @if !month.sensors.is_empty() { (pictures::days_complete(month)) }
            (measured::sensors(month)) },
        ),
        ("rain", "Rain", water::rain_figures(month, within)),
        ("beds", "Water in the beds", water::bed_figures(month, within)),
        ("drying", "How the beds dried", water::drying(month)),
        ("bands", "Dry, moist and wet days", water::band_figures(month)),
        ("balance", "Water needed and got", water::balance_figures(month)),
        ("tanks", "Tanks", tanks::figures(month, within)),
        ("compared", "Two beds beside each other", compared::statistics(month)),
        ("alarms", "Alarms and Garden log", told::section(contents)),
    ];
    html! {
        (back(within, contents.level))
        (not_over(month))
        nav class="contents" aria-label="Parts of this page" {
            ol { @for (id, name, _) in &sections { li { a href={ "#" (id) } { (name) } } } }
        }
        @for (id, name, section) in &sections { section id=(id) { h2 { (name) } (section) } }
    }
}
