//! Fish that arrive in a bag: the form, and the steps with their times.

use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use super::span::{RejectedParameter, ShownSpan};
use crate::garden::log::LogEvent;
use crate::garden::{AcclimatiseAnswer, AcclimatiseLack, Acclimatising, BagGiven, TankGiven};
use crate::page::forms::FormFields;
use crate::page::reasons;
use crate::store::LogRow;
use crate::text::labels;
use crate::text::spoken::list;

/// What the form takes: names, words, units, from and to.
const FIELDS: [(&str, &str, &str, f64, f64); 7] = [
    ("bag_c", "Water in the bag", "°C", 0.0, 45.0),
    ("bag_ph", "pH in the bag", "", 3.0, 11.0),
    ("tank_c", "Water in the tank, if the thermometer there is not right", "°C", 0.0, 45.0),
    ("tank_ph", "pH in the tank, if you tested it just now", "", 3.0, 11.0),
    // A fortnight; nobody hauls fish longer.
    ("hauled_h", "How long the fish were under way", "hours", 0.0, 336.0),
    ("fish", "How many new fish there are", "fish", 1.0, 1_000_000.0),
    // From fry to what no school tank holds.
    ("grams_each", "What one of them weighs, about", "grams", 0.01, 20_000.0),
];

/// What was given of bag and tank.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct GuideInput {
    pub(super) bag: BagGiven,
    pub(super) tank: TankGiven,
}

impl GuideInput {
    /// Reads the fields of the form; empty ones are not known.
    pub(super) fn read(query: &FormFields) -> Result<Self, RejectedParameter> {
        let mut numbers = [None; FIELDS.len()];
        for (number, (name, _, unit, low, high)) in numbers.iter_mut().zip(FIELDS) {
            let Some(given) = query.given(name) else { continue };
            // People write a comma where their keyboard gives one.
            let read = given.trim().replace(',', ".").parse::<f64>().ok();
            *number = read.filter(|it| (low..=high).contains(it));
            if number.is_none() {
                let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
                let accepted = format!("a number from {low} to {high}{unit}, or nothing");
                return Err(RejectedParameter::new(name, given, accepted));
            }
        }
        let [bag_c, bag_ph, tank_c, tank_ph, hauled_h, fish, grams_each] = numbers;
        if let Some(part) = fish.filter(|fish| fish.fract() != 0.0) {
            return Err(RejectedParameter::new(
                "fish",
                &part.to_string(),
                "a whole number of fish".to_owned(),
            ));
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a whole number of the range above"
        )]
        let fish = fish.map(|fish| fish as u32);
        Ok(Self {
            bag: BagGiven { temperature_c: bag_c, ph: bag_ph, hauled_h, fish, grams_each },
            tank: TankGiven { temperature_c: tank_c, ph: tank_ph },
        })
    }

    /// Whether anything was given.
    pub(super) fn asks(&self) -> bool {
        *self != Self::default()
    }

    /// What was given, in the order of [`FIELDS`].
    fn numbers(&self) -> [Option<f64>; FIELDS.len()] {
        let (bag, tank) = (&self.bag, &self.tank);
        let fish = bag.fish.map(f64::from);
        [bag.temperature_c, bag.ph, tank.temperature_c, tank.ph, bag.hauled_h, fish, bag.grams_each]
    }
}

/// Whether fish arrive today: a bag or fish were entered in the log since midnight.
pub(super) fn fish_today(log: &[&LogRow], shown: &ShownSpan) -> bool {
    let today = |at: Timestamp| at <= shown.now && shown.zone.to_datetime(at).date() == shown.today;
    log.iter().any(|row| {
        today(row.entry.at) && matches!(row.entry.what, LogEvent::Bag { .. } | LogEvent::FishAdded { .. })
    })
}

/// The guide: open on the day on which fish arrive, or when it was shown.
pub(super) fn section(
    given: &GuideInput,
    answer: Option<&Acclimatising>,
    open: bool,
    shown: &ShownSpan,
    path: &str,
    write: &str,
) -> Markup {
    html! {
        section id="new-fish" class="new-fish" {
            h2 { "New fish" }
            @if let Some(answer) = answer { (self::answer(answer, shown, write)) }
            details open[open] {
                summary { "Fish that arrive in a bag: how long it floats, and when to let them go" }
                form method="get" action={ (path) "#new-fish" } class="entry" {
                    @for ((name, label, unit, low, high), number) in FIELDS.iter().zip(given.numbers()) {
                        p {
                            label for=(name) { (label) @if !unit.is_empty() { ", " (unit) } }
                            input id=(name) name=(name) type="number" inputmode="decimal" step=(if *name == "fish" { "1" } else { "any" })
                                min=(low) max=(high) value=[number];
                        }
                    }
                    p { "Leave the tank's numbers empty to use its sensors and its last water test. Leave the bag's empty to use the last bag in the Garden log. Test ammonia and nitrite within the two days before." }
                    button { "Show the steps" }
                }
            }
        }
    }
}

fn answer(answer: &Acclimatising, shown: &ShownSpan, write: &str) -> Markup {
    let at = |minutes: u32| {
        answer.at.checked_add(SignedDuration::from_mins(i64::from(minutes))).unwrap_or(answer.at)
    };
    html! {
        p class="guide-answer" { (said(answer)) }
        @if !answer.steps.is_empty() {
            p { "If it begins now:" }
            ol class="guide" {
                @for (minutes, step) in &answer.steps {
                    li {
                        strong { (labels::moment(at(*minutes), shown.now, &shown.zone)) }
                        @if *minutes > 0 { " (after " (minutes) " minutes)" }
                        ": " (spoken(step))
                    }
                }
            }
        }
        @for side in &answer.differs { p class="differs" { (spoken(side)) } }
        (reasons::why(&answer.why))
        p class="caution" {
            "Keep plugs and leads dry and above the water, on a safety switch, and unplug pumps and heaters before a hand goes in. \
             Wash your hands before and after. Grown-ups lift the bag. Your school's rules, and your state's on the species, come first."
        }
        p { a href=(write) { "Add the bag or the fish to the Garden log" } }
    }
}

/// The answer in the words of the page, where what is missing can be given in the form.
fn said(answer: &Acclimatising) -> String {
    if answer.answer != AcclimatiseAnswer::Unknown || answer.lacks.is_empty() {
        return spoken(&answer.text);
    }
    let tests =
        |lack: &AcclimatiseLack| matches!(lack, AcclimatiseLack::AmmoniaTest | AcclimatiseLack::NitriteTest);
    let words = |lacks: Vec<&AcclimatiseLack>| -> Vec<String> {
        lacks.into_iter().map(|lack| lack.words().to_owned()).collect()
    };
    let to_test = words(answer.lacks.iter().filter(|lack| tests(lack)).collect());
    let to_give = words(answer.lacks.iter().filter(|lack| !tests(lack)).collect());
    let mut said = "Trug can't tell yet.".to_owned();
    if !to_give.is_empty() {
        said += &format!(" Put into the form below: {}.", list(&to_give));
    }
    if !to_test.is_empty() {
        said +=
            &format!(" Test the tank's water, and enter it in the Garden log; missing: {}.", list(&to_test));
    }
    format!("{said} {}", answer.meanwhile())
}

/// Without what only the command line takes.
fn spoken(text: &str) -> String {
    text.replace(
        "Enter them in the Garden log: trug log fish-added.",
        "Enter them in the Garden log (below).",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(query: &str) -> Result<GuideInput, RejectedParameter> {
        GuideInput::read(&FormFields::of(query))
    }

    #[test]
    fn the_form_s_numbers_are_read_and_what_is_wrong_is_named() {
        let given = read("bag_c=17%2C5&bag_ph=&hauled_h=6").expect("good numbers");
        assert_eq!(
            (given.bag.temperature_c, given.bag.ph, given.bag.hauled_h),
            (Some(17.5), None, Some(6.0))
        );
        assert!(given.asks() && !read("span=day").expect("nothing").asks());
        for (query, name) in [
            ("bag_c=warm", "bag_c"),
            ("bag_c=NaN", "bag_c"),
            ("tank_c=46", "tank_c"),
            ("bag_ph=2", "bag_ph"),
            ("hauled_h=inf", "hauled_h"),
            ("tank_ph=-7", "tank_ph"),
            ("fish=2.5", "fish"),
            ("fish=0", "fish"),
            ("grams_each=-1", "grams_each"),
        ] {
            assert_eq!(read(query).expect_err(query).name, name);
        }
    }
}
