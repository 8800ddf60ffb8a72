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
