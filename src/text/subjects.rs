//! What messages say beside the alarms' own texts: subjects, openings and lists.

use crate::alarms::Kind;
use crate::text::spoken::list;

/// Longest subject, characters: what mail programs and telephones show of one.
pub(crate) const SUBJECT_MAX: usize = 120;

/// One alarm in a few words: "Kitchen bed needs water".
pub(crate) fn headline(kind: Kind, place: &str) -> String {
    kind.row().one.replace("{}", place)
}

/// Alarms of one kind at some places.
struct Same<'a> {
    kind: Kind,
    places: Vec<&'a str>,
}

impl<'a> Same<'a> {
    /// Alarms kind by kind, in the order in which the kinds first come.
    fn of(alarms: impl Iterator<Item = (Kind, &'a str)>) -> Vec<Self> {
        let mut groups: Vec<Self> = Vec::new();
        for (kind, place) in alarms {
            match groups.iter_mut().find(|same| same.kind == kind) {
                Some(same) => same.places.push(place),
                None => groups.push(Same { kind, places: vec![place] }),
            }
        }
        groups
    }

    /// In words, with at most `names` of the places.
    fn say(&self, names: usize) -> String {
        match self.places.as_slice() {
            [] => String::new(),
            [place] => headline(self.kind, place),
            places => {
                let count = self.kind.row().many.replace("{}", &places.len().to_string());
                match named(places, names) {
                    Some(named) => format!("{count}: {named}"),
                    None => count,
                }
            }
        }
    }
}

/// "a, b and c", "a, b and 7 more"; `None` where no name may be said.
fn named(places: &[&str], names: usize) -> Option<String> {
    if names == 0 {
        return None;
    }
    let mut parts: Vec<String> = places.iter().take(names).map(|place| (*place).to_owned()).collect();
    if places.len() > names {
        parts.push(format!("{} more", places.len() - names));
    }
    Some(list(&parts))
}

/// What several alarms come to, in at most `max` characters: those of one kind as one.
pub(crate) fn together<'a>(alarms: impl Iterator<Item = (Kind, &'a str)>, max: usize) -> String {
    let groups = Same::of(alarms);
    // The fewer names, the shorter; then the fewer kinds.
    for names in [usize::MAX, 5, 4, 3, 2, 1, 0] {
        let whole = groups.iter().map(|same| same.say(names)).collect::<Vec<_>>().join("; ");
        if whole.chars().count() <= max {
            return whole;
        }
    }
    for kinds in (1..groups.len()).rev() {
        let rest: usize = groups[kinds..].iter().map(|same| same.places.len()).sum();
        let mut parts: Vec<String> = groups[..kinds].iter().map(|same| same.say(0)).collect();
        parts.push(format!("{rest} more"));
        let whole = parts.join("; ");
        if whole.chars().count() <= max {
            return whole;
        }
    }
    cut(&groups.first().map(|same| same.say(0)).unwrap_or_default(), max)
}

/// What is over: "low oxygen (Perch tank), water too warm (Perch tank and Eel tank)".
pub(crate) fn over<'a>(alarms: impl Iterator<Item = (Kind, &'a str)>, max: usize) -> String {
    let groups = Same::of(alarms);
    for names in [usize::MAX, 3, 2, 1] {
        let say = |same: &Same<'_>| {
            let places = named(&same.places, names).unwrap_or_default();
            format!("{} ({places})", same.kind.row().trouble)
        };
        let whole = groups.iter().map(say).collect::<Vec<_>>().join(", ");
        if whole.chars().count() <= max || names == 1 {
            return cut(&whole, max);
        }
    }
    String::new()
}

/// As many whole sentences from the beginning of `text` as have room; of one that is
/// too long its first clauses, else its beginning.
pub(crate) fn sentences(text: &str, max: usize) -> String {
    let text = plain(text);
    let ends = text.match_indices(". ").map(|(at, _)| at + 1).filter(|&end| {
        // "approx. 5 L" and "St. John" end no sentence that matters: only a capital does.
        text[end..].trim_start().chars().next().is_some_and(char::is_uppercase)
    });
    let fitting =
        ends.chain(std::iter::once(text.len())).take_while(|&end| text[..end].chars().count() <= max).last();
    match fitting {
        Some(end) => text[..end].to_owned(),
        None => clauses(&text, max).map_or_else(|| cut(&text, max), str::to_owned),
    }
}

/// What stands before the last colon, semicolon, comma or bracket that has room, so that
/// no word and no figure is cut; `None` where that is too little to say anything.
fn clauses(text: &str, max: usize) -> Option<&str> {
    let room = text.char_indices().nth(max).map_or(text.len(), |(at, _)| at);
    let whole = |at: &usize| {
        let before = &text[..*at];
        let closed = before.matches('(').count() == before.matches(')').count();
        closed && 3 * before.chars().count() >= max
    };
    let ends =
        [": ", "; ", ", ", " ("].into_iter().flat_map(|mark| text.match_indices(mark)).map(|(at, _)| at);
    ends.filter(|at| *at <= room).filter(whole).max().map(|at| &text[..at])
}

/// `text` on one line, without what could break a header or turn the reading order.
pub(crate) fn plain(text: &str) -> String {
    let harmless: String = text
        .chars()
        .map(|c| match c {
            c if c.is_control() => ' ',
            '\u{2028}' | '\u{2029}' => ' ',
            c => c,
        })
        // Marks of direction (Unicode Annex 9).
        .filter(|c| {
            !matches!(c, '\u{200e}' | '\u{200f}' | '\u{061c}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
        })
        .collect();
    harmless.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The beginning of `text`, at most `max` characters, ending with a whole word.
pub(crate) fn cut(text: &str, max: usize) -> String {
    if text.chars().count() <= max {
        return text.to_owned();
    }
    let beginning: String = text.chars().take(max.saturating_sub(1)).collect();
    let whole = match beginning.rsplit_once(' ') {
        // A word that is half the line is cut all the same.
        Some((whole, _)) if whole.chars().count() * 2 > max => whole,
        _ => beginning.as_str(),
    };
    format!("{}…", whole.trim_end_matches([',', ';', ':', ' ']))
}

/// The same, measured in bytes; three of them are for the mark of the cut.
pub(crate) fn cut_bytes(text: &str, max: usize) -> String {
    if text.len() <= max {
        return text.to_owned();
    }
    let end = text.floor_char_boundary(max.saturating_sub(3));
    let beginning = &text[..end];
    let whole = beginning.rsplit_once(' ').map_or(beginning, |(whole, _)| whole);
    format!("{whole}…")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(alarms: &[(Kind, &str)]) -> String {
        together(alarms.iter().copied(), SUBJECT_MAX)
    }

    #[test]
    fn alarms_of_one_kind_are_said_as_one() {
        assert_eq!(said(&[(Kind::DryBed, "Pea bed")]), "Pea bed needs water");
        assert_eq!(
            said(&[(Kind::DryBed, "Kitchen bed"), (Kind::DryBed, "Pea bed"), (Kind::DryBed, "Herb bed")]),
            "3 beds need water: Kitchen bed, Pea bed and Herb bed"
        );
        assert_eq!(
            said(&[
                (Kind::TankTooWarm, "Perch tank"),
                (Kind::DryBed, "Kitchen bed"),
                (Kind::DryBed, "Pea bed")
            ]),
            "Perch tank is too warm; 2 beds need water: Kitchen bed and Pea bed"
        );
    }

    #[test]
    fn a_long_subject_names_fewer_places_and_then_fewer_kinds() {
        let names: Vec<String> = (1..=40).map(|n| format!("Bed number {n}")).collect();
        let beds: Vec<_> = names.iter().map(|name| (Kind::DryBed, name.as_str())).collect();
        assert_eq!(
            said(&beds),
            "40 beds need water: Bed number 1, Bed number 2, Bed number 3, Bed number 4, Bed number 5 and 35 more"
        );
        let all: Vec<_> = Kind::ALL.iter().flat_map(|&kind| [(kind, "Place"), (kind, "Other")]).collect();
        let subject = said(&all);
        assert!(subject.chars().count() <= SUBJECT_MAX, "{subject}");
        assert!(subject.starts_with("2 beds need water; 2 beds are too dry"), "{subject}");
        assert!(subject.ends_with(" more"), "{subject}");
        let one = "x".repeat(300);
        assert!(said(&[(Kind::DryBed, &one)]).chars().count() <= SUBJECT_MAX);
    }

    #[test]
    fn a_subject_takes_whole_sentences() {
        let text = "Pea bed is dry: 38 % of its available water is left. Give it about 6.4 L, or approx. 7 L, today. \
                    Then look again.";
        assert_eq!(
            sentences(text, 100),
            "Pea bed is dry: 38 % of its available water is left. Give it about 6.4 L, or approx. 7 L, today."
        );
        assert_eq!(sentences(text, 60), "Pea bed is dry: 38 % of its available water is left.");
        assert_eq!(sentences(text, 30), "Pea bed is dry");
        assert_eq!(sentences("Pea bed got 40 mm (30 mm, 10 mm) and more today", 30), "Pea bed got 40 mm");
        assert_eq!(
            sentences("Pea bed: it is drier than it ought to be", 30),
            "Pea bed: it is drier than it…"
        );
        assert_eq!(sentences("", 30), "");
        assert_eq!(sentences("No end", 30), "No end");
    }

    #[test]
    fn nothing_breaks_out_of_a_line() {
        assert_eq!(plain("Bed\r\nBcc: a@b\u{202e}x\u{7}\u{2028}y"), "Bed Bcc: a@bx y");
        assert_eq!(cut("ééééé ééééé", 8), "ééééé…");
        assert_eq!(cut("éééééééééééé", 4), "ééé…");
        assert_eq!(cut_bytes("ééé ééé", 13), "ééé ééé");
        assert_eq!(cut_bytes("ééé éééé", 14), "ééé…");
    }

    #[test]
    fn what_is_over_is_said_by_its_trouble() {
        assert_eq!(
            over(
                [
                    (Kind::LowOxygen, "Perch tank"),
                    (Kind::LowOxygen, "Eel tank"),
                    (Kind::Ammonia, "Perch tank")
                ]
                .into_iter(),
                SUBJECT_MAX
            ),
            "low oxygen (Perch tank and Eel tank), ammonia (Perch tank)"
        );
    }
}
