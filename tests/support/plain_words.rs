//! Words that are out of every text for people, and what stands in their place.

/// What is not written, and what is written in its place.
pub(crate) const OUT: &[(&str, &str)] = &[
    ("write down", "Garden log"),
    ("write both down", "Garden log"),
    ("written down", "in the Garden log"),
    ("wrote down", "in the Garden log"),
    ("the log says", "the Garden log says"),
    ("into the log", "into the Garden log"),
    ("taking this on", "I'll deal with this"),
    ("put it aside", "Pause"),
    ("take it up again", "Resume"),
    ("it still holds", "Still happening"),
    ("passed, and not settled yet", "Over, not answered"),
    ("all is well", "Checked: close"),
    ("hold it still", "Pause updates"),
    ("of its own watering", "run the dripper for 1 h 17 min"),
    ("water may run", "Watering allowed 6 pm to 9 am"),
    ("wetter than it can hold", "Still draining, don't water"),
    ("all of its available water is there", "full"),
    ("mulch due on dry soil", "Water before mulching"),
    ("sheds water", "water isn't soaking in"),
    ("sheds its water", "water isn't soaking in"),
    ("heard anew", "just watered"),
    ("anew", "again"),
    ("dry by about", "Likely dry Wednesday, Tuesday at the earliest"),
    ("its word", "Trug ignores it for now"),
    ("beds felt", "the soil got wet"),
    ("beds feel", "the soil gets wet"),
    ("felt nothing", "did not get wet"),
    ("has felt", "got wet"),
    ("whether to believe", "Can we trust it?"),
    ("is believed", "Trug uses its readings again"),
    ("on no account", "Do not"),
    ("that rots", "dead fish, uneaten food"),
    ("these fish want", "Safe range"),
    ("it cannot be said", "Trug can't tell"),
    ("is steady again", "Check the fish: the water fell 2.7 °C at 2:47 am"),
    ("says most", "Choose for me"),
    ("could not bring", "could not deliver"),
    ("not brought", "not delivered"),
    ("brings the words", "what sends the readings"),
    ("has said nothing", "no reading for 50 minutes"),
    ("have said nothing", "no reading for 50 minutes"),
    ("says nothing", "no reading"),
    ("should speak", "a reading should come"),
    ("is speaking", "sends readings again"),
    ("speaks again", "sends readings again"),
    ("no sensor speaks", "no sensor sends readings"),
    ("are heard again", "send readings again"),
    ("been heard", "no reading"),
    ("last heard", "last reading"),
    ("was heard", "there are readings of"),
    ("not heard", "no reading"),
    ("testified", "showed"),
    ("it wants", "it needs"),
    ("wants water", "needs water"),
    ("wants at least", "needs at least"),
    ("is wanted", "is needed"),
    ("when you can", "a day or an hour"),
    ("no idea", "not found"),
    ("somebody means it", "somebody is meant to be watering"),
    ("the rest, ", "in two or three lots"),
    ("can use at most", "can hold"),
    ("more than ten days", "no end of a range that is not known"),
    ("from memory", "it belongs to the reasons"),
];

/// Each word of a text that is out, with what to write instead.
pub(crate) fn words_out(text: &str) -> Vec<String> {
    let lower = format!(" {} ", text.to_lowercase());
    let of = |(out, instead): &(&str, &str)| {
        let found = lower.match_indices(out).any(|(at, _)| {
            let edge = |c: Option<char>| c.is_none_or(|c| !c.is_alphanumeric());
            edge(lower[..at].chars().next_back())
                && (edge(lower[at + out.len()..].chars().next()) || out.ends_with(' '))
        });
        found.then(|| format!("\"{out}\" is out: {instead}"))
    };
    OUT.iter().filter_map(of).collect()
}

/// Numbers and units that are written in two ways, or in one that nobody reads.
pub(crate) fn notations(text: &str) -> Vec<String> {
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
            && !["is", "was", "has", "its", "this", "as", "does", "always"].contains(token)
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

/// Holds what a command prints for people to the house style: words, times, lengths of time.
///
/// # Panics
/// With everything that is not in it.
pub(crate) fn assert_plain(text: &str) {
    let found: Vec<String> = text
        .lines()
        // A note on where figures are from.
        .filter(|line| !line.starts_with("* "))
        .flat_map(|line| {
            let these = words_out(line).into_iter().chain(notations(line));
            these.map(|it| format!("{it}\n    {line}")).collect::<Vec<_>>()
        })
        .collect();
    assert!(found.is_empty(), "not in the house style of DEVELOPERS.md:\n{}", found.join("\n"));
}

/// What a page says to people: its text and the attributes that are read to them.
pub(crate) fn words_of_page(html: &str) -> String {
    let (_, body) = html.split_once("<body").unwrap_or(("", html));
    let mut words = String::new();
    for part in body.split('<').skip(1) {
        let Some((tag, text)) = part.split_once('>') else { continue };
        for attribute in ["aria-label=\"", "data-label=\"", "title=\""] {
            if let Some((_, label)) = tag.split_once(attribute) {
                words += label.split('"').next().unwrap_or_default();
                words += ".\n";
            }
        }
        const INLINE: [&str; 13] = [
            "b", "/b", "strong", "/strong", "em", "/em", "a ", "/a", "span", "/span", "time", "/time",
            "/code",
        ];
        let starts = |names: &[&str]| names.iter().any(|it| tag.starts_with(it));
        // What stands in blocks of its own are lines of their own; a name stays with its value.
        if starts(&["dd", "/dt"]) {
            words.push(' ');
        } else if !(starts(&INLINE) || tag.starts_with("code")) || starts(&["body", "br"]) {
            words.push('\n');
        }
        if !starts(&["code", "script", "style", "p class=\"source\""]) {
            words += text;
        }
    }
    words
}
