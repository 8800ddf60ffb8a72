//! Spelling, and the names of authorities.

use std::borrow::Cow;

use super::{Locale, ends_here};

/// Words that are spelled otherwise in the United States, in lower case.
pub(crate) const SPELLINGS: &[(&str, &str)] = &[
    ("litre", "liter"),
    ("litres", "liters"),
    ("millilitre", "milliliter"),
    ("millilitres", "milliliters"),
    ("metre", "meter"),
    ("metres", "meters"),
    ("millimetre", "millimeter"),
    ("millimetres", "millimeters"),
    ("centimetre", "centimeter"),
    ("centimetres", "centimeters"),
    ("kilometre", "kilometer"),
    ("kilometres", "kilometers"),
    ("centre", "center"),
    ("centres", "centers"),
    ("fibre", "fiber"),
    ("colour", "color"),
    ("colours", "colors"),
    ("coloured", "colored"),
    ("neighbour", "neighbor"),
    ("neighbours", "neighbors"),
    ("neighbouring", "neighboring"),
    ("behaviour", "behavior"),
    ("favourite", "favorite"),
    ("odour", "odor"),
    ("vapour", "vapor"),
    ("mould", "mold"),
    ("mouldy", "moldy"),
    ("moulds", "molds"),
    ("grey", "gray"),
    ("labelled", "labeled"),
    ("cancelled", "canceled"),
    ("levelled", "leveled"),
    ("fuelled", "fueled"),
    ("fertiliser", "fertilizer"),
    ("fertilise", "fertilize"),
    ("recognise", "recognize"),
    ("recognised", "recognized"),
    ("organise", "organize"),
    ("organised", "organized"),
    ("ionised", "ionized"),
    ("acclimatise", "acclimatize"),
    ("acclimatised", "acclimatized"),
    ("acclimatising", "acclimatizing"),
    ("sterilise", "sterilize"),
    ("analyse", "analyze"),
    ("analysed", "analyzed"),
    ("sulphur", "sulfur"),
    ("judgement", "judgment"),
    ("practise", "practice"),
    ("licence", "license"),
    ("licences", "licenses"),
    ("programme", "program"),
    ("catalogue", "catalog"),
    ("adviser", "advisor"),
    ("towards", "toward"),
    ("telephone", "phone"),
];

/// What has another name in the United States: whole phrases, as texts have them.
const PHRASES: &[(&str, &str)] = &[
    ("methylated spirit", "denatured alcohol"),
    ("council and water supplier", "town and water utility"),
    ("school and council", "school and town"),
    ("water supplier and council", "water utility and town"),
    ("the water supplier's and the council's rules", "the water utility's and the town's rules"),
    ("water supplier", "water utility"),
    ("Ring your", "Call your"),
    ("ring your", "call your"),
    ("ring the supplier", "call the supplier"),
    ("Ring the supplier", "Call the supplier"),
    ("off at the wall", "unplugged"),
    ("un-ionised", "un-ionized"),
    ("Un-ionised", "Un-ionized"),
];

/// Authorities of Australia, and what stands for them elsewhere. The figure keeps its
/// origin in `why`, where sources are named in full.
pub(crate) const AUTHORITIES: &[(&str, &str)] = &[
    (
        "Queensland Government, Factsheet 12 on extreme temperature, after the Bureau of Meteorology",
        "a state's sheet on extreme heat, after a national weather service",
    ),
    ("the Bureau of Meteorology", "a national weather service"),
    ("Bureau of Meteorology", "a national weather service"),
    ("Queensland Government", "a state government"),
    ("Western Australia Department of Fisheries", "a state fisheries department"),
    ("NT Barramundi Farming Handbook 2007", "a fish farming handbook (2007)"),
    ("NSW DPI", "a state fisheries department"),
    ("AgriFutures", "a research body for farming"),
    ("ANZECC/ARMCANZ 2000 guideline", "a national water quality guideline"),
    ("ANZECC/ARMCANZ 2000", "a national water quality guideline of 2000"),
    ("enHealth", "a national health body"),
    ("your state's fisheries hotline", "your fisheries authority"),
];

/// Figures with a unit in full: "64 litres".
pub(super) fn spelled(text: &str) -> Cow<'_, str> {
    let Some((before, word)) = text.rsplit_once(' ') else { return Cow::Borrowed(text) };
    match SPELLINGS.iter().find(|(here, _)| *here == word) {
        Some((_, there)) => Cow::Owned(format!("{before} {there}")),
        None => Cow::Borrowed(text),
    }
}

/// Writes a word or phrase that begins here as people of the locale have it; returns where
/// it ends, `None` where it is the same to them.
pub(super) fn turn(locale: Locale, text: &str, at: usize, out: &mut String) -> Option<usize> {
    let rest = &text[at..];
    let phrase = |(here, there): &(&'static str, &'static str)| {
        (rest.starts_with(here) && ends_here(text, at + here.len())).then_some((here.len(), *there))
    };
    let phrases = if locale == Locale::EnUs { PHRASES } else { &[] };
    if let Some((length, there)) = AUTHORITIES.iter().chain(phrases).find_map(phrase) {
        out.push_str(there);
        return Some(at + length);
    }
    if locale != Locale::EnUs {
        return None;
    }
    let length = rest.find(|c: char| !c.is_alphabetic()).unwrap_or(rest.len());
    let word = &rest[..length];
    // A key of a file: `litres_per_hour`.
    if !ends_here(text, at + length) {
        return None;
    }
    // `trug acclimatise` is a command's name.
    if out.ends_with("trug ") {
        return None;
    }
    let lower = word.to_lowercase();
    let (_, there) = SPELLINGS.iter().find(|(here, _)| *here == lower)?;
    if word.starts_with(char::is_uppercase) {
        out.push_str(&crate::text::spoken::capital(there));
    } else {
        out.push_str(there);
    }
    Some(at + length)
}
