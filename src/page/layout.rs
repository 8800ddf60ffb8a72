//! What every page shares: head, notice, heading, foot.

use maud::{DOCTYPE, Markup, html};

use super::access::Visitor;

/// Seconds after which a page loads itself anew.
const RENEW_S: u32 = 60;

/// What surrounds one page.
pub(super) struct Frame<'a> {
    /// A sentence above everything else.
    pub(super) notice: Option<&'a str>,
    /// The page's own path, for the links that hold or renew it.
    pub(super) path: String,
    /// Whether the reader asked the page to stand still.
    pub(super) held: bool,
    /// Who looks at it.
    pub(super) visitor: Visitor,
}

impl Frame<'_> {
    /// A page that renews itself, unless the reader holds it still: a page that
    /// reloads under a slow reader or a screen reader is a barrier (WCAG 2.2,
    /// success criterion 2.2.1).
    pub(super) fn page(&self, title: &str, body: &Markup) -> Markup {
        let renewal = html! {
            @if self.held {
                "This page stands still. "
                a href=(self.path) { "Renew it every minute" }
            } @else {
                "This page renews itself every minute. "
                a href={ (self.path) "?hold=yes" } { "Hold it still" }
            }
            " " (self.visitor.corner(&self.path))
        };
        document(self.notice, title, (!self.held).then_some(RENEW_S), &self.with_said(body), Some(&renewal))
    }

    /// A page that stands still, for forms: one that renews itself loses what was typed.
    pub(super) fn still_page(&self, title: &str, body: &Markup) -> Markup {
        document(self.notice, title, None, &self.with_said(body), Some(&self.visitor.corner(&self.path)))
    }

    /// What came of the last form stands first.
    fn with_said(&self, body: &Markup) -> Markup {
        html! {
            @if let Some(said) = &self.visitor.said { p class="said" role="status" { (said) } }
            (body)
        }
    }
}

/// A page that does not renew itself.
pub(super) fn plain_page(notice: Option<&str>, title: &str, body: &Markup) -> Markup {
    document(notice, title, None, body, None)
}

fn document(
    notice: Option<&str>,
    title: &str,
    renew_s: Option<u32>,
    body: &Markup,
    foot: Option<&Markup>,
) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en-AU" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                @if let Some(seconds) = renew_s {
                    meta http-equiv="refresh" content=(seconds);
                }
                title { (title) }
                link rel="stylesheet" href="/style.css";
                // An empty picture, so that browsers do not ask for one.
                link rel="icon" href="data:,";
            }
            body {
                @if let Some(notice) = notice {
                    p class="notice" role="note" { (notice) }
                }
                main { (body) }
                @if let Some(foot) = foot {
                    footer { div { (foot) } }
                }
            }
        }
    }
}
