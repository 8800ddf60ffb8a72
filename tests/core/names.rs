//! Names and words that a stranger knows: one type for each name, and no archaic
//! English in the documentation.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use super::rooms::files;
use crate::support::source::{Source, Token};

/// Words and beginnings that no comment of the sources holds, and what stands instead.
const OUT: [(&str, &str); 9] = [
    ("/// Gives the ", "/// Returns the "),
    ("/// Gives what ", "/// Returns what "),
    ("/// Gives back ", "/// Returns "),
    (" anew", " again"),
    (" came of ", " the result of "),
    (" beneath", " under"),
    (" lest ", " so that ... not"),
    (" nought", " zero"),
    (" thereof", " of it"),
];

/// The types that a file declares, test modules left out.
fn declared(code: &[Token]) -> Vec<&Token> {
    let word = |at: usize| code.get(at).map_or("", |token| token.text.as_str());
    let starts = |at: usize| match word(at) {
        "struct" | "enum" | "trait" | "union" => true,
        // Types of a trait or an implementation are no names of the crate.
        "type" => at > 0 && matches!(word(at - 1), "pub" | ")"),
        _ => false,
    };
    let named = |at: &usize| word(at + 1).starts_with(char::is_uppercase);
    (0..code.len()).filter(|at| starts(*at)).filter(named).map(|at| &code[at + 1]).collect()
}

/// Names that stand for more than one type, with their places.
fn shared_names(files: &[(String, Source)]) -> Vec<String> {
    let mut places: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (file, source) in files {
        let test = file.ends_with("/tests.rs") || file.ends_with("/properties.rs");
        for name in declared(&source.code).into_iter().filter(|_| !test) {
            places.entry(&name.text).or_default().push(format!("src/{file}:{}", name.line));
        }
    }
    places.retain(|_, places| places.len() > 1);
    places.into_iter().map(|(name, places)| format!("{name}: {}", places.join(", "))).collect()
}

#[test]
fn a_types_name_is_unique_in_the_crate() {
    let shared = shared_names(&files());
    assert!(shared.is_empty(), "names of more than one type:\n{}", shared.join("\n"));
}

#[test]
fn a_planted_second_type_of_a_name_is_found() {
    let crate_of = |second: &str| {
        let first = "pub struct Gauge { it: u8 }\nimpl Iterator for Gauge { type Item = u8; }";
        let files = [("rain/gauge.rs", first), ("page/rain.rs", second)];
        shared_names(&files.map(|(file, text)| (file.to_owned(), Source::of(text))))
    };
    for second in ["enum Gauge {}", "pub(crate) type Gauge = u8;", "\ntrait Gauge {}"] {
        assert_eq!(crate_of(second).len(), 1, "{second}");
    }
    for second in [
        "struct Rain; // struct Gauge",
        "impl Iterator for Rain { type Item = u8; }",
        "fn gauge() -> Gauge {}",
    ] {
        assert_eq!(crate_of(second), Vec::<String>::new(), "{second}");
    }
}

#[test]
fn comments_hold_no_words_that_are_out() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    for (file, _) in files() {
        let text = fs::read_to_string(root.join(&file)).expect("it was just read");
        for (line, text) in text.lines().enumerate() {
            let Some(at) = text.find("//") else { continue };
            for (out, instead) in OUT.iter().filter(|(out, _)| text[at..].contains(out)) {
                found.push(format!("src/{file}:{}: {:?}, better {:?}", line + 1, out.trim(), instead.trim()));
            }
        }
    }
    assert!(found.is_empty(), "words that are out:\n{}", found.join("\n"));
}

/// Names of files between backticks; a name without a folder is a word of the text.
fn named_files(text: &str) -> impl Iterator<Item = &str> {
    let spans = text.split('`').skip(1).step_by(2);
    let is_file = |span: &&str| {
        span.contains('/') && span.chars().all(|c| c.is_ascii_alphanumeric() || "._/".contains(c))
    };
    // Topics, addresses of the page, and what a build leaves behind.
    let elsewhere = |span: &str| ["trug/", "/", "target/"].iter().any(|start| span.starts_with(start));
    spans.filter(is_file).filter(move |span| !elsewhere(span))
}

#[test]
fn the_developers_guide_is_short_and_names_files_that_exist() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(top.join("DEVELOPERS.md")).expect("DEVELOPERS.md");
    let exists = |file: &str| top.join(file).exists() || top.join("src").join(file).exists();
    let gone: Vec<_> = named_files(&text).filter(|file| !exists(file)).collect();
    assert!(gone.is_empty(), "DEVELOPERS.md names what is not there: {gone:?}");
    assert!(named_files(&text).count() > 30, "the names are found");
    assert!(text.lines().count() <= 250, "{} lines", text.lines().count());
}
