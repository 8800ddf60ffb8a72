//! The page that is written, as Markdown.

/// What is written so far.
pub(super) struct Page {
    text: String,
}

impl Page {
    pub(super) fn new(opening: &str) -> Self {
        Self { text: opening.to_owned() }
    }

    /// A heading below the page's own; 1 is the highest.
    pub(super) fn heading(&mut self, level: usize, words: &str) {
        self.text.push_str(&format!("\n#{} {words}\n\n", "#".repeat(level)));
    }

    /// An entry of a list: what it is, then the words.
    pub(super) fn entry(&mut self, what: &str, words: &str) {
        let words = words.trim().replace('\n', "\n  ");
        self.text.push_str(&format!("- {what}: {words}\n"));
    }

    /// A paragraph.
    pub(super) fn paragraph(&mut self, words: &str) {
        self.text.push_str(&format!("{words}\n\n"));
    }

    pub(super) fn into_text(self) -> String {
        self.text
    }
}
