//! The house style of `DEVELOPERS.md`, tried on every text of the page: words that are
//! out, long sentences, two notations for one thing, and figures that nobody reads.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::support::plain_words::{notations, words_out};

/// Sections of the page whose texts are still to be rewritten. One that has become plain
/// must leave the list.
const STILL_TO_WRITE: &[&str] = &[];

/// Most words of a sentence that says what is wrong, and of one that says what to do.
const FIRST_MOST: usize = 40;
const WORDS_MOST: usize = 25;
/// Most sentences of an alarm: what is wrong, and five of what to do. "Take care"
/// and what follows it do not count.
const SENTENCES_MOST: usize = 6;
/// From here on an alarm tells how to keep people from harm.
const TAKE_CARE: &str = "Take care:";

/// What is wrong with the page, by section.
fn findings(page: &str) -> BTreeMap<String, Vec<String>> {
    let mut found: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let (mut part, mut section) = (String::new(), String::new());
    for line in page.lines() {
        if let Some(heading) = line.strip_prefix("## ") {
            (part, section) = (heading.to_owned(), heading.to_owned());
        } else if let Some(heading) = line.strip_prefix("### ") {
            let kind = heading.split(':').next().unwrap_or(heading);
            section = if part == "Alarms" { kind.to_owned() } else { part.clone() };
        }
        let (label, text) = match line.strip_prefix("- ").and_then(|entry| entry.split_once(": ")) {
            Some((label, text)) => (label, text),
            None if line.starts_with('#') || section.is_empty() => continue,
            None => ("", line),
        };
        // Sources are for those who ask why.
        if text.is_empty() || label == "priority" || label == "rule" {
            continue;
        }
        let section = if part.starts_with("What the page") { label.to_owned() } else { section.clone() };
        let mut these = words_out(text);
        these.extend(notations(text));
        if !section.ends_with("figures") && !section.starts_with("the weather") {
            these.extend(long_sentences(text));
        }
        if part == "Alarms" && !label.starts_with("message") {
            these.extend(too_many_sentences(text));
        }
        if !these.is_empty() {
            found.entry(section).or_default().extend(these.into_iter().map(|it| format!("{it}\n    {text}")));
        }
    }
    found
}

/// Whole sentences.
fn sentences(text: &str) -> Vec<&str> {
    let mut all = Vec::new();
    let mut from = 0;
    for (at, mark) in text.match_indices(['.', '?', '!', '/']) {
        let rest = &text[at + mark.len()..];
        let next = rest.trim_start().chars().next();
        let begins = next.is_none_or(|c| c.is_uppercase() || c.is_ascii_digit() || c == '`');
        let ends = rest.is_empty() || (rest.starts_with(' ') && begins);
        if ends && (mark != "/" || text[..at].ends_with(' ')) {
            all.push(text[from..=at].trim());
            from = at + 1;
        }
    }
    all.push(text[from..].trim());
    all.retain(|sentence| sentence.chars().any(char::is_alphanumeric));
    all
}

/// Words of a sentence; a figure and its unit are one.
fn words(sentence: &str) -> usize {
    const UNITS: [&str; 9] = ["h", "min", "am", "pm", "L", "mm", "cm", "°C", "mg/L"];
    sentence
        .split_whitespace()
        .map(|word| word.trim_matches(|c: char| !c.is_alphanumeric() && c != '°'))
        .filter(|word| !word.is_empty() && !UNITS.contains(word))
        .count()
}

fn long_sentences(text: &str) -> Vec<String> {
    let most = |number: usize| if number == 0 { FIRST_MOST } else { WORDS_MOST };
    sentences(text)
        .into_iter()
        .enumerate()
        .filter(|(number, sentence)| words(sentence) > most(*number))
        .map(|(number, sentence)| {
            format!("{} words, at most {} here: {sentence}", words(sentence), most(number))
        })
        .collect()
}

fn too_many_sentences(text: &str) -> Option<String> {
    let before_care = text.split(TAKE_CARE).next().unwrap_or(text);
    let count = sentences(before_care).len();
    (count > SENTENCES_MOST)
        .then(|| format!("{count} sentences, at most {SENTENCES_MOST} before \"{TAKE_CARE}\""))
}

#[test]
fn every_text_keeps_the_house_style() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(super::PAGE);
    let found = findings(&std::fs::read_to_string(path).expect("the page of texts"));
    let listed: BTreeSet<&str> = STILL_TO_WRITE.iter().copied().collect();
    let wrong: Vec<String> = found
        .iter()
        .filter(|(section, _)| !listed.contains(section.as_str()))
        .map(|(section, these)| format!("{section}:\n  {}", these.join("\n  ")))
        .collect();
    assert!(
        wrong.is_empty(),
        "texts that are not in the house style of DEVELOPERS.md:\n{}",
        wrong.join("\n")
    );
    let plain: Vec<&&str> = listed.iter().filter(|section| !found.contains_key(**section)).collect();
    assert!(plain.is_empty(), "these are plain now, take them off STILL_TO_WRITE: {plain:?}");
}

#[test]
fn planted_faults_are_found() {
    let found = |text: &str| {
        let page = format!("## Alarms\n\n### dry-bed: it is dry\n\n- normal: {text}\n");
        findings(&page).remove("dry-bed").unwrap_or_default().len()
    };
    assert_eq!(found("Kitchen bed is dry. Water it by 6:30 pm for 1 h 17 min. It is 0.95 m, or 1 mm."), 0);
    for fault in [
        "Write down what you see.",
        "The gauge is bad: its word is not taken.",
        "Come at 09:00.",
        "Water it for 10 min.",
        "Water it for 2 hours 25 minutes.",
        "Water it for 119 minutes.",
        "There are 1 alarms.",
        "The air is at -0.0 °C.",
        "It reads 0.9502999999999999.",
        "It holds -59.9 mm.",
        "One. Two. Three. Four. Five. Six. Seven.",
        "Look. Do this and that and this and that and this and that and this and that and this and that and this and \
         that and this and that now.",
    ] {
        assert_eq!(found(fault), 1, "{fault}");
    }
    assert_eq!(found("One. Two. Three. Four. Five. Six. Take care: wear gloves. Wash your hands."), 0);
}
