//! What a class can find out with this month's data.
//!
//! Only what the data can answer is asked. The words are for primary school; the way
//! to begin needs sorting, counting, adding or a chart, no more. Tables and columns are
//! those of the month's files.

use super::{BedMonth, Month, Question, SensorMonth, WaterSource};
use crate::garden::log::LogEvent;
use crate::model::{Id, Quantity};
use crate::text::spoken;

/// Most questions: an hour or two of work.
const MOST: usize = 10;

/// The questions, the easier first.
pub(super) fn questions(month: &Month) -> Vec<Question> {
    let asked = [
        wettest_day(month),
        dry_run(month),
        missing(month),
        bands(month),
        soaked(month),
        tank(month),
        warm_air(month),
        drying(month),
        compared(month),
        balance(month),
        watered(month),
        harvest(month),
    ];
    asked.into_iter().flatten().take(MOST).collect()
}

fn question(ask: impl Into<String>, look_at: &str, begin: impl Into<String>) -> Option<Question> {
    Some(Question { ask: ask.into(), look_at: look_at.to_owned(), begin: begin.into() })
}

fn wettest_day(month: &Month) -> Option<Question> {
    let rain = month.rain.as_ref()?;
    rain.wettest?;
    question(
        "On which day did the most rain fall, and was it more than on all the other days together?",
        "rain_days: date, rain_mm",
        format!(
            "Sort the {} days by rain_mm, the most on top. Add up the rest and put the two numbers side by side.",
            rain.days.len()
        ),
    )
}

fn dry_run(month: &Month) -> Option<Question> {
    let (_, days) = month.rain.as_ref()?.longest_dry.filter(|(_, days)| *days >= 3)?;
    let bed =
        month.beds.iter().find(|bed| bed.days.iter().filter(|day| day.water_mm.is_some()).count() >= 3)?;
    question(
        format!(
            "There was a run of {days} days with hardly any rain. What did the water in {} do in that time?",
            bed.name
        ),
        "rain_days: date, rain_mm; beds_daily: date, bed_name, water_mm",
        "Find the longest run of days with less than 1 mm. Draw a line chart of water_mm over those dates and say where \
         it goes down and where it jumps up.",
    )
}

fn missing(month: &Month) -> Option<Question> {
    let heard: Vec<&SensorMonth> = month.sensors.iter().filter(|it| it.expected > 0).collect();
    let least = heard.iter().map(|it| it.complete()).fold(f64::INFINITY, f64::min);
    if heard.len() < 2 || least >= 0.9995 {
        return None;
    }
    question(
        "Which sensor missed the most readings? Can we still trust what it tells?",
        "quality: sensor, place, expected, good, complete_percent, gap_hours",
        "Sort by complete_percent. For the lowest one look at gap_hours: were the missing readings in one piece, or here \
         and there?",
    )
}

fn bands(month: &Month) -> Option<Question> {
    let banded = |bed: &&BedMonth| bed.days.iter().any(|day| day.band.is_some());
    let beds: Vec<String> = month.beds.iter().filter(banded).map(|bed| bed.name.clone()).collect();
    let (ask, begin) = match beds.as_slice() {
        [] => return None,
        [only] => (
            format!("On how many days was the soil of {only} dry, and on how many moist?"),
            "Count the days of each word in band and draw a bar for each.",
        ),
        _ => (
            "Which bed had the most dry days, and which was wet the longest?".to_owned(),
            "Count for each bed the days of each word in band. Draw the bars of the beds next to each other.",
        ),
    };
    question(ask, "beds_daily: date, bed_name, band", begin)
}

fn soaked(month: &Month) -> Option<Question> {
    let known = |bed: &BedMonth| {
        bed.wettings.iter().filter(|it| it.cause == WaterSource::Rain && it.rain_mm.is_some()).count()
    };
    let rains: usize = month.beds.iter().map(known).sum();
    if rains < 2 {
        return None;
    }
    question(
        "When it rained more, did the soil get wetter by more?",
        "wettings: bed_name, from_local, cause, rain_mm, rise_m3_m3",
        format!(
            "Take the {rains} rows with the cause rain. Draw a dot for each: rain_mm across, rise_m3_m3 up. A probe feels \
             only the soil around it: think of what may move a dot up or down."
        ),
    )
}

fn tank(month: &Month) -> Option<Question> {
    let tank = month.tanks.iter().find(|tank| tank.widest.is_some_and(|(_, swing)| swing > 0.0))?;
    question(
        format!(
            "On which day did the water of {} change its temperature the most? Did it stay between {} and {} °C, \
             outside which its fish are in danger?",
            tank.name, tank.cold_c, tank.warm_c
        ),
        "tanks_daily: date, tank_name, min_c, max_c, swing_c, cold_hours, warm_hours",
        "Sort by swing_c. Then add up cold_hours and warm_hours and put them beside known_hours.",
    )
}

fn warm_air(month: &Month) -> Option<Question> {
    let has = |quantity: Quantity| {
        month
            .sensors
            .iter()
            .any(|it| it.measures == quantity && it.days.iter().filter(|day| day.mean.is_some()).count() >= 5)
    };
    let other = [Quantity::WaterTemperature, Quantity::SoilTemperature].into_iter().find(|&it| has(it))?;
    if !has(Quantity::AirTemperature) {
        return None;
    }
    let (what, name) = match other {
        Quantity::WaterTemperature => ("the water of the tank", "water-temperature"),
        _ => ("the soil", "soil-temperature"),
    };
    question(
        format!(
            "The air gets warm and cold each day. Does {what} follow it at once, later, or hardly at all?"
        ),
        "readings_hourly: time_local, quantity, mean",
        format!(
            "Take three days. Draw one line for the rows with the quantity air-temperature and one for {name}. Mark the \
             warmest hour of each."
        ),
    )
}

fn drying(month: &Month) -> Option<Question> {
    let known = |bed: &BedMonth| bed.dryings.iter().filter(|it| it.loss_mm_day.is_some()).count();
    let dryings: usize = month.beds.iter().map(known).sum();
    if dryings < 2 {
        return None;
    }
    question(
        "How many millimetres of water does a bed lose in a day, and is it always the same?",
        "dryings: bed_name, from_local, days, loss_mm_day",
        format!(
            "There are {dryings} dryings. Draw a dot for the loss_mm_day of each, one colour or shape for each bed. One \
             millimetre on one square metre is one litre: how many litres is it for the whole bed?"
        ),
    )
}

fn compared(month: &Month) -> Option<Question> {
    let it = month.comparisons.iter().find(|it| it.outcome.is_ok())?;
    let mulched = |id: &Id| month.beds.iter().any(|bed| bed.id == *id && bed.mulch.is_some());
    let ask = match (mulched(&it.first), mulched(&it.second)) {
        (true, false) => {
            format!("{} has mulch and {} has none. Which lost less water?", it.first_name, it.second_name)
        }
        (false, true) => {
            format!("{} has mulch and {} has none. Which lost less water?", it.second_name, it.first_name)
        }
        _ => format!("Which of the two lost more water, {} or {}?", it.first_name, it.second_name),
    };
    question(
        format!("{ask} What else is different between the two beds?"),
        "comparison_values: comparison, what, side, place_name, value; comparison: mean_difference, interval_low, \
         interval_high, says",
        format!(
            "Take the rows with \"{}\". Work out the mean of each side. Then read what the table comparison says, and make \
             a list of everything else that may make the beds differ.",
            it.what
        ),
    )
}

fn balance(month: &Month) -> Option<Question> {
    let bed = month.beds.iter().find(|bed| bed.balance_days >= 5)?;
    question(
        format!("Did {} get as much water as its plants needed?", bed.name),
        "beds_daily: date, bed_name, need_mm, rain_mm, watering_mm",
        format!(
            "Take the days on which all three are known (about {}). Add up need_mm, and rain_mm and watering_mm together. \
             Where it got more than it needed, ask where the rest went; where it got less, ask where the plants took it \
             from.",
            bed.balance_days
        ),
    )
}

fn watered(month: &Month) -> Option<Question> {
    let count = |bed: &BedMonth| {
        bed.wettings.iter().filter(|it| matches!(it.cause, WaterSource::Watering | WaterSource::Both)).count()
    };
    let bed = month.beds.iter().max_by_key(|bed| count(bed)).filter(|bed| count(bed) >= 2)?;
    question(
        format!("How often was {} watered, and at what time of the day?", bed.name),
        "wettings: bed_name, from_local, cause, inferred, why",
        "Take the rows with the cause watering. Make a tally of the hours. Is it a good time of the day for watering? Say \
         why.",
    )
}

fn harvest(month: &Month) -> Option<Question> {
    let kg: f64 =
        month.log.iter().map(|it| if let LogEvent::Harvest { kg, .. } = it.what { kg } else { 0.0 }).sum();
    if kg.is_nan() || kg <= 0.0 {
        return None;
    }
    question(
        format!("How much was harvested in {}?", spoken::month(month.which.month)),
        "log: time_local, place, what, words, kg",
        "Take the rows with a number in kg. Add them up for each bed and draw a bar for each.",
    )
}
