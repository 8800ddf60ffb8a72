//! What a text in American or British English may not hold, found without the code that
//! turns texts.

/// Units that people there read beside others.
const UNITS: [&str; 12] =
    ["°C", "mm", "cm", "m", "m²", "m2", "L", "litres", "litre", "kg", "mL", "millimetres"];

fn is_number(word: &str) -> bool {
    let digits = word.trim_start_matches(['(', '[', '-', '+', '\u{2212}']);
    !digits.is_empty() && digits.parse::<f64>().is_ok()
}

/// Figures with a unit and nothing in brackets behind it.
pub(crate) fn bare_figures(text: &str) -> Vec<String> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let mut found = Vec::new();
    for (at, pair) in words.windows(2).enumerate() {
        let unit = pair[1].trim_end_matches(['.', ',', ';', ':', ')', ']', '?', '!']);
        // "liters" stands for itself: it has its pair, or none is needed.
        if is_number(pair[0]) && UNITS.contains(&unit) {
            let next = words.get(at + 2).copied().unwrap_or_default();
            let paired = pair[1] == unit && next.starts_with(['(', '[']);
            if !paired {
                found.push(format!("\"{} {}\" stands alone in: {text}", pair[0], pair[1]));
            }
        }
    }
    found
}

/// Words next to a figure that make it a difference of two temperatures.
const DIFFERENCE_BEFORE: &[&str] = &[
    "fell", "rose", "cooled", "warmed", "by", "within", "most", "least", "up", "down", "was", "lies", "and",
    "to", "than", "stand", "limit",
];
const DIFFERENCE_AFTER: [&str; 13] = [
    "an hour",
    "/h",
    "a minute",
    "apart",
    "over ",
    "under ",
    "down",
    "up",
    "within",
    "in a day",
    "inside",
    "the steps",
    "a day",
];

/// Degrees Fahrenheit that are not those of the degrees Celsius before them: as a difference
/// only where the words about them make it one, and then not otherwise.
pub(crate) fn wrong_temperatures(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for (at, _) in text.match_indices(" °C") {
        let before = &text[..at];
        let after = &text[at + " °C".len()..];
        let Some(inner) = after.strip_prefix(" (").or_else(|| after.strip_prefix(" [")) else { continue };
        let Some((inner, rest)) = inner.split_once(" °F") else { continue };
        let rest = rest.trim_start_matches([')', ']']);
        let number =
            |word: &str| word.trim_start_matches(['(', '[']).replace('\u{2212}', "-").parse::<f64>().ok();
        let (Some(celsius), Some(fahrenheit)) =
            (before.rsplit(' ').next().and_then(number), inner.rsplit(' ').next().and_then(number))
        else {
            found.push(format!("no figures at \u{b0}C in: {text}"));
            continue;
        };
        // Half a unit in the last place of either.
        let near = |expected: f64| (fahrenheit - expected).abs() <= 0.0501 + 0.005;
        let (as_it_is, as_difference) = (celsius * 1.8 + 32.0, celsius * 1.8);
        let word = before.rsplit(' ').nth(1).unwrap_or_default();
        let follows = DIFFERENCE_AFTER.iter().any(|it| rest.trim_start().starts_with(it));
        let may_differ = follows || DIFFERENCE_BEFORE.contains(&word);
        let must_differ =
            ["an hour", "/h", "a minute", "apart", "over the", "under the", "over 3", "over:", "inside"]
                .iter()
                .any(|it| rest.trim_start().starts_with(it))
                || before
                    .rsplit_once(' ')
                    .and_then(|(label, _)| label.rsplit(['.', ';']).next())
                    .is_some_and(|it| it.contains("Change in the last") || it.contains("change hour"))
                || ["fell", "rose", "cooled", "warmed", "within", "lies"].contains(&word);
        // So little is a temperature only where the words before it make it one.
        let small = celsius.abs() <= 6.0 && !inner.contains(" to ") && !inner.contains(" and ");
        let may_be = !small
            || [
                "about",
                "below",
                "above",
                "is",
                "cold:",
                "warm:",
                "the",
                "at",
                "of",
                "temperature:",
                "yesterday:",
            ]
            .contains(&word);
        let right = if must_differ {
            near(as_difference)
        } else {
            (may_be && near(as_it_is)) || (may_differ && near(as_difference))
        };
        if !right {
            found.push(format!("{celsius} °C is not {fahrenheit} °F here: {text}"));
        }
    }
    found
}

/// Authorities of Australia.
pub(crate) fn australian(text: &str) -> Vec<String> {
    const NAMES: [&str; 11] = [
        "Bureau of Meteorology",
        "Queensland",
        "NSW",
        "ANZECC",
        "ARMCANZ",
        "Western Australia",
        "Australian",
        "AgriFutures",
        "enHealth",
        "NT Barramundi",
        "Victoria",
    ];
    let names = NAMES.iter().filter(|name| text.contains(**name));
    names.map(|name| format!("{name:?} is named in: {text}")).collect()
}

/// Words that are spelled otherwise in the United States.
pub(crate) fn spelled_otherwise(text: &str) -> Vec<String> {
    let ends = ["metre", "metres", "litre", "litres", "colour", "colours", "neighbour", "neighbours"];
    let whole =
        ["grey", "mould", "ionised", "vapour", "centre", "labelled", "fertiliser", "council", "sulphur"];
    let words = text.split(|c: char| !c.is_alphabetic());
    let wrong = words.filter(|word| {
        let lower = word.to_lowercase();
        ends.iter().any(|end| lower.ends_with(end)) || whole.contains(&lower.as_str())
    });
    wrong.map(|word| format!("{word:?} is spelled otherwise there: {text}")).collect()
}
