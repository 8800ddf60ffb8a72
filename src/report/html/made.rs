//! Words and units, and how the report was made.

use maud::{Markup, html};

use crate::report::glossary::WORDS;
use crate::report::{Contents, words};

pub(super) fn glossary() -> Markup {
    html! {
        dl class="glossary" {
            @for (word, meaning) in WORDS { div { dt { (word) } dd { (meaning) } } }
        }
    }
}

pub(super) fn section(contents: &Contents<'_>) -> Markup {
    let (month, made) = (contents.month, contents.made);
    let prints = &made.fingerprints;
    html! {
        p {
            "The same readings and the same settings give the same report, to the last bit. The fingerprints (SHA-256) "
            "show whether they are the same: change one reading, and its fingerprint changes."
        }
        dl class="made" {
            div { dt { "Month" } dd { (words::full_moment(month.from, &month.time_zone)) " to before "
                (words::full_moment(month.to, &month.time_zone)) } }
            div { dt { "Clock" } dd { (month.time_zone.iana_name().unwrap_or("UTC offset")) "; times are the garden's \
                own, and in UTC where it says so" } }
            @if let Some(until) = month.until {
                div { dt { "Up to" } dd { (words::full_moment(until, &month.time_zone)) } }
            }
            div { dt { "Readings used" } dd { (made.readings) ", from "
                (words::full_moment(made.looked_from, &month.time_zone)) " on: what came before the month shows how a \
                drying began" } }
            div { dt { "Readings" } dd { code { (prints.readings) } } }
            div { dt { "Settings of the garden" } dd { code { (prints.settings) } } }
            div { dt { "Garden log and alarms" } dd { code { (prints.told) } } }
            div { dt { "Made by" } dd { "trug " (made.version) } }
            div { dt { "Command" } dd { code { (made.command) } } }
        }
        p {
            "The fingerprint of the readings is of one line " code { "sensor,time,raw,value,flag" } " for each, in order \
            of sensor and time, as " code { "trug export" } " writes these columns, each line ended by a line feed."
        }
        p {
            "Sources: crop water need and the marks of the soil by FAO Irrigation and Drainage Paper 56; rain days as \
            the Bureau of Meteorology counts them; flags of readings by QARTOD; the bootstrap by Efron 1979, in runs of \
            days by Künsch 1989; Cliff's delta by Cliff 1993. " code { "trug why PLACE" } " shows the equations with \
            their numbers."
        }
    }
}
