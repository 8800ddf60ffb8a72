//! Cautions where fish are at risk or somebody can be hurt: said last, apart from what is to
//! be done, and only where they belong. All of them are common practice; local rules, a
//! licensed electrician and the school's own vet or fisheries adviser come first.

/// Wherever somebody is sent to work in the water.
pub(super) const HANDS: &str = "Keep hands out of the water until heater and pump are off at the wall.";
/// Wherever somebody is sent to look for a switch that tripped.
pub(super) const SWITCH: &str = "If a safety switch tripped, unplug everything at the tank with dry hands before you \
                                 reset it. If it trips again, call an electrician.";
/// A fan beside a tank.
pub(super) const FAN: &str = "Stand the fan where it cannot fall into the water.";
/// Water from the tap: chlorine leaves water that stands, chloramine does not (water
/// suppliers' advice to fish keepers).
pub(super) const TAP: &str = "Letting tap water stand does not remove chloramine.";
/// New fish in their bag.
pub(super) const BAG: &str =
    "Let adults lift heavy bags and tubs. Mind the fish's spines, and wash your hands.";
/// What changes pH or buffers it.
pub(super) const PRODUCTS: &str =
    "An adult handles pH products, by their label, with gloves and glasses, and never mixes two.";
/// Fish in trouble.
pub(super) const FISH: &str =
    "If fish gasp, roll or lie still, call a vet or your fisheries adviser at once.";

/// "Take care: keep hands out of the water ... If fish gasp ...".
pub(super) fn take_care(cautions: &[&str]) -> String {
    let all = cautions.join(" ");
    let mut letters = all.chars();
    let first = letters.next().map_or_else(String::new, |first| first.to_lowercase().collect());
    format!("Take care: {first}{}", letters.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cautions_are_one_part_in_plain_sentences() {
        assert_eq!(take_care(&[FAN]), "Take care: stand the fan where it cannot fall into the water.");
        let all = take_care(&[HANDS, SWITCH, FAN, TAP, BAG, PRODUCTS, FISH]);
        for sentence in all.split(". ") {
            assert!(sentence.split_whitespace().count() <= 25, "{sentence}");
        }
    }
}
