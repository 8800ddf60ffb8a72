//! The month's lesson: one picture, one question, a guess, then the answer.
//!
//! What is asked is what the record can answer. Each level has an order of topics, and takes
//! the first that the month holds enough of; with nothing measured there is a question to
//! think about before the sensors tell.

pub(super) mod pictures;
mod rows;
mod words;

use crate::analysis::month::{BedMonth, Beside, Month, RainMonth, TankMonth};

use super::level::Level;
pub(super) use rows::ten_rows;
pub(super) use words::pair_reason;

/// Fewest known days that a lesson is made of.
const LEAST_DAYS: usize = 5;

/// What a lesson is about.
#[derive(Clone, Copy, Debug)]
pub(super) enum Topic<'a> {
    /// Dry, moist and wet days of the beds.
    Days,
    /// Water needed and water that a bed got, mm.
    Balance {
        bed: &'a BedMonth,
        need_mm: f64,
        got_mm: f64,
    },
    /// How a bed's water goes up and down.
    Line(&'a BedMonth),
    /// Two beds, or one before and after its mulch.
    Compared(&'a Beside),
    Rain(&'a RainMonth),
    Tank(&'a TankMonth),
    /// Nothing is measured yet.
    Nothing,
}

/// A lesson in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct LessonWords {
    pub(super) ask: String,
    /// What to do before the answer is looked at.
    pub(super) guess: String,
    /// What one may guess; empty where one draws or says it freely.
    pub(super) choices: Vec<String>,
    pub(super) answer: String,
    /// Why it is so.
    pub(super) because: String,
    /// What to think about next.
    pub(super) think: String,
    /// What a teacher may hear and ask.
    pub(super) teacher: String,
}

/// A lesson for one level.
pub(super) struct Lesson<'a> {
    pub(super) month: &'a Month,
    pub(super) level: Level,
    pub(super) topic: Topic<'a>,
    pub(super) words: LessonWords,
}

/// The lesson of a month for a level.
pub(super) fn lesson(month: &Month, level: Level) -> Lesson<'_> {
    let topic = topic(month, level);
    Lesson { month, level, topic, words: words::words(month, topic, level) }
}

fn topic(month: &Month, level: Level) -> Topic<'_> {
    type Find = for<'m> fn(&'m Month) -> Option<Topic<'m>>;
    let order: &[Find] = match level {
        Level::SevenToNine => &[days, rain, tank],
        Level::TenToTwelve => &[balance, line, days, rain, tank],
        Level::Older => &[compared, line, balance, days, rain, tank],
    };
    order.iter().find_map(|find| find(month)).unwrap_or(Topic::Nothing)
}

/// Beds of one lesson: more would fit neither its picture nor its list of guesses.
const BEDS_MOST: usize = 8;

/// The beds that a lesson is about: the first of which enough days are known.
pub(super) fn known_beds(month: &Month) -> impl Iterator<Item = &BedMonth> {
    all_known(month).take(BEDS_MOST)
}

/// All of them.
fn all_known(month: &Month) -> impl Iterator<Item = &BedMonth> {
    month.beds.iter().filter(|bed| bed.known_days() as usize >= LEAST_DAYS)
}

fn days(month: &Month) -> Option<Topic<'_>> {
    known_beds(month).next().map(|_| Topic::Days)
}

fn balance(month: &Month) -> Option<Topic<'_>> {
    let beds = month.beds.iter().filter(|bed| bed.balance_days as usize >= LEAST_DAYS);
    let known = beds.filter_map(|bed| {
        let (need_mm, got_mm) = (bed.need_mm?, bed.got_mm?);
        (need_mm > 0.0).then_some((bed, need_mm, got_mm))
    });
    // Where the two are furthest apart there is most to see.
    let apart = |it: &(&BedMonth, f64, f64)| (it.2 - it.1).abs() * it.0.area_m2;
    let (bed, need_mm, got_mm) = known.max_by(|a, b| apart(a).total_cmp(&apart(b)))?;
    Some(Topic::Balance { bed, need_mm, got_mm })
}

fn line(month: &Month) -> Option<Topic<'_>> {
    // The bed whose water moves most.
    let moves = |bed: &BedMonth| {
        let water = || bed.days.iter().filter_map(|day| day.water_content);
        water().fold(f64::NEG_INFINITY, f64::max) - water().fold(f64::INFINITY, f64::min)
    };
    all_known(month).max_by(|a, b| moves(a).total_cmp(&moves(b))).map(Topic::Line)
}

fn compared(month: &Month) -> Option<Topic<'_>> {
    month.comparisons.iter().find(|it| it.outcome.is_ok()).map(Topic::Compared)
}

fn rain(month: &Month) -> Option<Topic<'_>> {
    let rain = month.rain.as_ref()?;
    let known = rain.days.iter().filter(|day| day.whole_mm().is_some()).count();
    (known >= LEAST_DAYS).then_some(Topic::Rain(rain))
}

fn tank(month: &Month) -> Option<Topic<'_>> {
    let known = |tank: &&TankMonth| tank.days.iter().filter(|day| day.max_c.is_some()).count();
    month.tanks.iter().find(|tank| known(tank) >= LEAST_DAYS).map(Topic::Tank)
}

/// The day up to which a bed's line is shown with the question: two fifths of what is known.
fn cut(bed: &BedMonth) -> Option<usize> {
    let known: Vec<usize> = (0..bed.days.len()).filter(|at| bed.days[*at].water_content.is_some()).collect();
    known.get(known.len() * 2 / 5).copied()
}
