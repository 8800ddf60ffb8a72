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

fn question(
    ask: impl Into<String>,
    look_at: &str,
    begin: impl Into<String>,
    answer: impl Into<String>,
) -> Option<Question> {
    Some(Question {
        ask: ask.into(),
        look_at: look_at.to_owned(),
        begin: begin.into(),
        answer: answer.into(),
    })
}

/// "Wednesday 1 April".
fn on(date: jiff::civil::Date) -> String {
    spoken::day(date)
}

fn wettest_day(month: &Month) -> Option<Question> {
    let rain = month.rain.as_ref()?;
    let (date, mm) = rain.wettest?;
    let rest = (rain.total_mm - mm).max(0.0);
    let than = if mm > rest { "more than" } else { "not more than" };
    question(
        "On which day did the most rain fall, and was it more than on all the other days together?",
        "rain_days: date, rain_mm",
        format!(
            "Sort the {} days by rain_mm, the most on top. Add up the rest and put the two numbers side by side.",
            rain.days.len()
        ),
        format!(
            "{}: {mm:.1} mm. All the other days had {rest:.1} mm together, so it was {than} those.",
            on(date)
        ),
    )
}

fn dry_run(month: &Month) -> Option<Question> {
    let (first, days) = month.rain.as_ref()?.longest_dry.filter(|(_, days)| *days >= 3)?;
    let bed =
        month.beds.iter().find(|bed| bed.days.iter().filter(|day| day.water_mm.is_some()).count() >= 3)?;
    let last = first.checked_add(jiff::ToSpan::days(i64::from(days) - 1)).unwrap_or(first);
    let of_run = bed.days.iter().filter(|day| (first..=last).contains(&day.date));
    let water: Vec<f64> = of_run.filter_map(|day| day.water_mm).collect();
    let watered = bed.wettings.iter().filter(|it| it.cause != WaterSource::Rain).count();
    let answer = match water.as_slice() {
        [first_mm, .., last_mm] => format!(
            "From {} to {}: it went from {first_mm:.0} mm to {last_mm:.0} mm. It goes down on days without water and jumps \
             up where somebody or a timer watered ({} in the whole month).",
            on(first),
            on(last),
            spoken::counted(watered, "such wetting", "such wettings")
        ),
        _ => format!("From {} to {} too few days of it are known.", on(first), on(last)),
    };
    question(
        format!(
            "There was a run of {days} days with hardly any rain. What did the water in {} do in that time?",
            bed.name
        ),
        "rain_days: date, rain_mm; beds_daily: date, bed_name, water_mm",
        "Find the longest run of days with less than 1 mm. Draw a line chart of water_mm over those dates and say where \
         it goes down and where it jumps up.",
        answer,
    )
}

fn missing(month: &Month) -> Option<Question> {
    let heard: Vec<&SensorMonth> = month.sensors.iter().filter(|it| it.expected > 0).collect();
    let worst = heard.iter().min_by(|a, b| a.complete().total_cmp(&b.complete()))?;
    if heard.len() < 2 || worst.complete() >= 0.9995 {
        return None;
    }
    let gap = match worst.longest_gap {
        Some((from, to)) => {
            format!(
                "its longest time without one was {}",
                spoken::duration(to.as_second() - from.as_second())
            )
        }
        None => "they were missing here and there".to_owned(),
    };
    question(
        "Which sensor missed the most readings? Can we still trust it?",
        "quality: sensor, place, expected, good, complete_percent, gap_hours",
        "Sort by complete_percent. For the lowest one look at gap_hours: were the missing readings in one piece, or here \
         and there?",
        format!(
            "{} of {}: {:.1} % of its readings came, and {gap}. What came and was checked as good can be used; what was \
             missed stays unknown.",
            worst.id,
            worst.place,
            worst.complete() * 100.0
        ),
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
    let of = |bed: &BedMonth| {
        let [_, _, moist, wet] = bed.days_in_bands().map(|band| band.1);
        format!("{} {} dry, {moist} moist and {wet} wet", bed.name, bed.dry_days())
    };
    let answer: Vec<String> = month.beds.iter().filter(banded).map(of).collect();
    question(ask, "beds_daily: date, bed_name, band", begin, format!("Days: {}.", answer.join("; ")))
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
            "Take the {rains} rows with the cause rain. Draw a dot for each: rain_mm across, rise_m3_m3 up. A probe measures \
             only the soil around it: think of what may move a dot up or down."
        ),
        "Mostly yes, but not in a straight line: soil that is already wet rises less, light rain stays in the leaves and \
         the mulch, and heavy rain runs off or through.",
    )
}

fn tank(month: &Month) -> Option<Question> {
    let tank = month.tanks.iter().find(|tank| tank.widest.is_some_and(|(_, swing)| swing > 0.0))?;
    let (date, swing) = tank.widest?;
    let hours = |pick: fn(&super::TankDay) -> u32| tank.days.iter().map(pick).sum::<u32>();
    let (cold, warm) = (hours(|day| day.hours_cold), hours(|day| day.hours_warm));
    question(
        format!(
            "On which day did the water of {} change its temperature the most? Did it stay between {} and {} °C, \
             outside which its fish are in danger?",
            tank.name, tank.cold_c, tank.warm_c
        ),
        "tanks_daily: date, tank_name, min_c, max_c, swing_c, cold_hours, warm_hours",
        "Sort by swing_c. Then add up cold_hours and warm_hours and put them beside known_hours.",
        format!(
            "{}: it swung by {swing:.1} °C. In the month it was too cold in {} and too warm in {}, of {} known.",
            on(date),
            spoken::counted(cold, "hour", "hours"),
            spoken::counted(warm, "hour", "hours"),
            hours(|day| day.hours_known)
        ),
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
        format!(
            "It follows later and swings less: much heat goes into {what} before it grows warmer. Take the hours between \
             the two marks on each day."
        ),
    )
}

fn drying(month: &Month) -> Option<Question> {
    let known = |bed: &BedMonth| bed.dryings.iter().filter(|it| it.loss_mm_day.is_some()).count();
    let dryings: usize = month.beds.iter().map(known).sum();
    if dryings < 2 {
        return None;
    }
    let losses = || month.beds.iter().flat_map(|bed| &bed.dryings).filter_map(|it| it.loss_mm_day);
    let (least, most) =
        losses().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), it| (a.min(it), b.max(it)));
    question(
        "How many millimetres of water does a bed lose in a day, and is it always the same?",
        "dryings: bed_name, from_local, days, loss_mm_day",
        format!(
            "There are {dryings} dryings. Draw a dot for the loss_mm_day of each, one colour or shape for each bed. One \
             millimetre on one square metre is one litre: how many litres is it for the whole bed?"
        ),
        format!(
            "Between {least:.1} and {most:.1} mm a day. It is not always the same: sun, wind, the crop and how wet the soil \
             still is all count."
        ),
    )
}

fn bed_name<'m>(month: &'m Month, id: &'m Id) -> &'m str {
    month.beds.iter().find(|bed| bed.id == *id).map_or(id.as_str(), |bed| bed.name.as_str())
}

fn compared(month: &Month) -> Option<Question> {
    let it = month.comparisons.iter().find(|it| it.outcome.is_ok())?;
    let one_bed = it.first == it.second;
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
    let ask = if one_bed {
        format!(
            "{} was mulched in this month. Did it lose less water after that?",
            bed_name(month, &it.first)
        )
    } else {
        ask
    };
    let more = if one_bed {
        "What else changed at that time?"
    } else {
        "What else is different between the two beds?"
    };
    question(
        format!("{ask} {more}"),
        "comparison_values: comparison, what, side, place_name, value; comparison: mean_difference, interval_low, \
         interval_high, says",
        format!(
            "Take the rows with \"{}\". Work out the mean of each side. Then read what the table comparison says, and make \
             a list of everything else that may make the beds differ.",
            it.what
        ),
        format!("{} {}", it.plain, it.caution),
    )
}

fn balance(month: &Month) -> Option<Question> {
    let bed = month.beds.iter().find(|bed| bed.balance_days >= 5)?;
    let (need, got) = (bed.need_mm?, bed.got_mm?);
    let than = if got >= need { "more" } else { "less" };
    let litres = |mm: f64| spoken::litres(mm * bed.area_m2);
    question(
        format!("Did {} get as much water as its plants needed?", bed.name),
        "beds_daily: date, bed_name, need_mm, rain_mm, watering_mm",
        format!(
            "Take the days on which all three are known (about {}). Add up need_mm, and rain_mm and watering_mm together. \
             Where it got more than it needed, ask where the rest went; where it got less, ask where the plants took it \
             from.",
            bed.balance_days
        ),
        format!(
            "On {} it needed {need:.1} mm ({}) and got {got:.1} mm ({}): {} {than}.",
            spoken::counted(bed.balance_days, "day", "days"),
            litres(need),
            litres(got),
            litres((got - need).abs())
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
        format!(
            "{} was watered {} times. Early morning and evening are good: less water is lost to sun and wind before it \
             reaches the roots.",
            bed.name,
            count(bed)
        ),
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
        format!("{kg:.2} kg in all."),
    )
}
