//! The plain text of a message.

use textwrap::{Options, WordSeparator, WordSplitter};

use super::content::{MailContent, MailEntry, ONE_BUTTON, TAKEN_ON};
use crate::text::spoken;

/// Columns of a line: what fits beside a quoting mark into the 78 that RFC 5322,
/// section 2.1.1, asks for. Addresses are never broken.
const COLUMNS: usize = 72;

/// The whole text, lines ended by a line feed.
pub(super) fn plain(content: &MailContent) -> String {
    let mut text = String::new();
    let mut add = |indent: &str, part: &str| {
        text.push_str(&textwrap::fill(part, options(indent)));
        text.push('\n');
    };
    add("", &content.garden);
    add("", &content.heading);
    add("", "");
    for part in &content.opening {
        add("", part);
        add("", "");
    }
    let many = content.entries.len() > 1;
    for (at, entry) in content.entries.iter().enumerate() {
        add("", &title(entry, many.then_some(at + 1)));
        for part in &entry.text {
            add("  ", part);
        }
        add("  ", &entry.since);
        if let Some(link) = &entry.link {
            add("  ", &format!("{TAKEN_ON}:"));
            add("  ", link);
            add("  ", &format!("({ONE_BUTTON})"));
        }
        add("", "");
    }
    if let Some(page) = &content.page {
        add("", "How everything stands now:");
        add("", page);
        add("", "");
    }
    // RFC 3676, section 4.3: what follows is no part of the message proper. The
    // space at the end belongs to it.
    text.push_str("-- \n");
    for part in &content.footer {
        text.push_str(&textwrap::fill(part, options("")));
        text.push('\n');
    }
    text
}

fn title(entry: &MailEntry, number: Option<usize>) -> String {
    let number = number.map_or_else(String::new, |number| format!("{number}. "));
    let urgency =
        entry.urgency.as_deref().map_or_else(String::new, |words| format!(" ({})", spoken::uncapital(words)));
    format!("{number}{}{urgency}", entry.title)
}

fn options(indent: &str) -> Options<'_> {
    Options::new(COLUMNS)
        .initial_indent(indent)
        .subsequent_indent(indent)
        .break_words(false)
        .word_separator(WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation)
}
