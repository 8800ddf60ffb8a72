//! The house style of `DEVELOPERS.md`, tried on every text of the page: words that are
//! out, long sentences, two notations for one thing, and figures that nobody reads.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::support::plain_words::words_out;

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

/// Numbers and units that are written in two ways, or in one that nobody reads.
fn notations(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let tokens: Vec<&str> = text
        .split_whitespace()
        .map(|it| it.trim_matches(|c: char| !c.is_alphanumeric() && c != '-' && c != '°'))
        .collect();
    let word = |at: usize| tokens.get(at).copied().unwrap_or("");
    let is_number = |it: &str| it.parse::<f64>().is_ok();
    for (at, token) in tokens.iter().enumerate() {
        let before = if at == 0 { "" } else { word(at - 1) };
        let clock = token.split_once(':').is_some_and(|(hour, minute)| {
            minute.len() == 2
                && [hour, minute].iter().all(|it| !it.is_empty() && it.bytes().all(|b| b.is_ascii_digit()))
        });
        if clock && !["am", "pm"].contains(&word(at + 1)) {
            found.push(format!("\"{token}\": 9 am, 6:30 pm"));
        }
        if *token == "min" && !(is_number(before) && at >= 3 && word(at - 2) == "h") {
            found.push(format!("\"{before} min\": 50 minutes, or 1 h 17 min"));
        }
        if token.starts_with("hour") && is_number(word(at + 1)) && word(at + 2).starts_with("minute") {
            found.push(format!("\"{before} {token} {} {}\": 2 h 25 min", word(at + 1), word(at + 2)));
        }
        let many = token.len() > 2
            && token.ends_with('s')
            && !token.ends_with("ss")
            && !["is", "was", "has", "its", "this", "as", "does"].contains(token)
            && token.chars().all(|c| c.is_lowercase());
        if before == "1" && many {
            found.push(format!("\"1 {token}\": one of a thing has no s"));
        }
        if token.starts_with("-0") && token.parse::<f64>().is_ok_and(|number| number == 0.0) {
            found.push(format!("\"{token}\": no minus before nothing"));
        }
        if token.starts_with('-') && is_number(token) && word(at + 1) == "mm" {
            found.push(format!("\"{token} mm\": say more or less, and of what"));
        }
        let decimals = token.split_once('.').filter(|_| is_number(token)).map_or(0, |(_, after)| after.len());
        if decimals > 4 {
            found.push(format!("\"{token}\": as many digits as can be known"));
        }
        let minutes_or_days = word(at + 1).trim_end_matches('s');
        let count: f64 = token.parse().unwrap_or(0.0);
        if (minutes_or_days == "minute" && count >= 60.0) || (minutes_or_days == "day" && count > 400.0) {
            found.push(format!("\"{token} {}\": 1 h 17 min, or a date", word(at + 1)));
        }
    }
    found
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
