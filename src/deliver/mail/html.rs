//! The HTML of a message.
//!
//! Mail programs strip style sheets, so every style stands at its element. Nothing
//! is loaded from elsewhere. The ground and most of the text keep the mail
//! program's own colours, light or dark; where a colour is set, text and ground are
//! set together and the border has enough contrast on both, so no scheme makes
//! anything unreadable.

use maud::{DOCTYPE, Markup, html};

use super::content::{MailContent, MailEntry, ONE_BUTTON, TAKEN_ON};
use crate::alarms::Priority;

/// A colour by its name; a test checks the pairs against WCAG 2.2.
macro_rules! colour {
    (ink) => {
        "#241a10"
    };
    (straw) => {
        "#f3dfae"
    };
    (white) => {
        "#ffffff"
    };
    (brick) => {
        "#8f1d0a"
    };
    (leaf) => {
        "#2f5413"
    };
    (rule) => {
        "#8a7861"
    };
}

const BODY: &str = "margin:0;padding:0;color-scheme:light dark;font-family:system-ui,-apple-system,'Segoe UI',\
                    Roboto,'DejaVu Sans',sans-serif;font-size:16px;line-height:1.5;overflow-wrap:anywhere;\
                    word-break:break-word;";
const SHEET: &str = "max-width:600px;margin:0 auto;padding:12px;";
const BAND: &str = concat!(
    "background-color:",
    colour!(straw),
    ";color:",
    colour!(ink),
    ";border:2px solid ",
    colour!(rule),
    ";border-radius:8px;padding:12px 16px;margin:0 0 16px;"
);
const GARDEN: &str = "margin:0;font-size:15px;";
const HEADING: &str = "margin:0;font-family:Georgia,'DejaVu Serif',serif;font-size:24px;line-height:1.25;";
const PARAGRAPH: &str = "margin:0 0 12px;";
const ENTRY: &str = concat!("margin:0;padding:16px 0;border-top:2px solid ", colour!(rule), ";");
const FIRST_ENTRY: &str = "margin:0;padding:0 0 16px;";
const TITLE: &str = "margin:8px 0;font-family:Georgia,'DejaVu Serif',serif;font-size:19px;line-height:1.3;";
const SINCE: &str = "margin:0 0 12px;font-size:15px;";
const BUTTON: &str = concat!(
    "display:inline-block;background-color:",
    colour!(leaf),
    ";color:",
    colour!(white),
    ";border:2px solid ",
    colour!(rule),
    ";border-radius:8px;padding:12px 20px;font-weight:bold;text-decoration:none;"
);
const BESIDE: &str = "margin:6px 0 0;font-size:14px;";
const FOOTER: &str =
    concat!("margin:0;padding:16px 0 8px;border-top:2px solid ", colour!(rule), ";font-size:14px;");
const NOTE: &str = "margin:0 0 8px;";
const LINK: &str = "color:inherit;text-decoration:underline;";

const BADGE: &str = "display:inline-block;margin:0;padding:2px 10px;border-radius:12px;font-size:14px;\
                     font-weight:bold;";
const NOW: &str = concat!(
    "background-color:",
    colour!(brick),
    ";color:",
    colour!(white),
    ";border:2px solid ",
    colour!(rule),
    ";"
);
const TODAY: &str = concat!(
    "background-color:",
    colour!(straw),
    ";color:",
    colour!(ink),
    ";border:2px solid ",
    colour!(rule),
    ";"
);
const SOME_TIME: &str = concat!("border:2px solid ", colour!(rule), ";");

/// The whole document.
pub(super) fn html(content: &MailContent) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="supported-color-schemes" content="light dark";
                title { (content.subject) }
            }
            body style=(BODY) {
                div style=(SHEET) {
                    div style=(BAND) {
                        p style=(GARDEN) { (content.garden) }
                        h1 style=(HEADING) { (content.heading) }
                    }
                    @for part in &content.opening {
                        p style=(PARAGRAPH) { (part) }
                    }
                    @for (at, part) in content.entries.iter().enumerate() {
                        // The band above is border enough.
                        @let style = if at == 0 && content.opening.is_empty() { FIRST_ENTRY } else { ENTRY };
                        (entry(part, style))
                    }
                    (footer(content))
                }
            }
        }
    };
    page.into_string()
}

fn entry(entry: &MailEntry, style: &str) -> Markup {
    html! {
        div style=(style) {
            @if let Some(urgency) = &entry.urgency {
                p style=(badge(entry.priority)) { (urgency) }
            }
            h2 style=(TITLE) { (entry.title) }
            @for part in &entry.text {
                p style=(PARAGRAPH) { (part) }
            }
            p style=(SINCE) { (entry.since) }
            @if let Some(link) = &entry.link {
                a href=(link) style=(BUTTON) { (TAKEN_ON) }
                p style=(BESIDE) { (ONE_BUTTON) }
            }
        }
    }
}

fn footer(content: &MailContent) -> Markup {
    html! {
        div style=(FOOTER) {
            @if let Some(page) = &content.page {
                p style=(NOTE) { "How everything stands now: " a href=(page) style=(LINK) { (page) } }
            }
            @for part in &content.footer {
                p style=(NOTE) { (part) }
            }
        }
    }
}

fn badge(priority: Priority) -> String {
    let own = match priority {
        Priority::High => NOW,
        Priority::Medium => TODAY,
        Priority::Low => SOME_TIME,
    };
    format!("{BADGE}{own}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::contrast::{GRAPHIC_MIN, TEXT_MIN, contrast};

    /// The grounds of common mail programs: white, and the darkest and the lightest
    /// ground of their dark schemes that were met with (common practice, no source).
    const GROUNDS: [&str; 3] = ["#ffffff", "#000000", "#202124"];

    #[test]
    fn every_pair_of_colours_can_be_read() {
        for (front, back) in [
            (colour!(ink), colour!(straw)),
            (colour!(white), colour!(brick)),
            (colour!(white), colour!(leaf)),
        ] {
            let got = contrast(front, back);
            assert!(got >= TEXT_MIN, "{front} on {back}: {got:.2} to 1, {TEXT_MIN} needed");
        }
        for ground in GROUNDS {
            let got = contrast(colour!(rule), ground);
            assert!(got >= GRAPHIC_MIN, "{} on {ground}: {got:.2} to 1, {GRAPHIC_MIN} needed", colour!(rule));
        }
    }

    /// Text whose ground is the mail program's keeps the program's colour too.
    #[test]
    fn a_colour_of_text_never_stands_without_its_ground() {
        for style in [
            BODY,
            SHEET,
            BAND,
            GARDEN,
            HEADING,
            PARAGRAPH,
            ENTRY,
            FIRST_ENTRY,
            TITLE,
            SINCE,
            BUTTON,
            BESIDE,
            FOOTER,
            NOTE,
            BADGE,
            NOW,
            TODAY,
            SOME_TIME,
        ] {
            let sets = |name: &str| style.split(';').any(|rule| rule.starts_with(name));
            assert_eq!(sets("color:"), sets("background-color:"), "{style}");
        }
    }
}
