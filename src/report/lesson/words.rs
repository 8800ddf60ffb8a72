//! The words of each lesson. Short sentences: a child of the level reads them alone.

use super::{LessonWords, Topic, cut, known_beds};
use crate::analysis::month::{BedMonth, Beside, Month, PairReason, RainMonth, TankDay, TankMonth, WaterBand};
use crate::report::level::Level;
use crate::report::words::{counted, day, month_name, number};
use crate::text::spoken;

/// Water within this part of the need is about as much.
const ABOUT: f64 = 0.1;

pub(super) fn words(month: &Month, topic: Topic<'_>, level: Level) -> LessonWords {
    match topic {
        Topic::Days => days(month, level),
        Topic::Balance { bed, need_mm, got_mm } => balance(bed, need_mm, got_mm, level),
        Topic::Line(bed) => line(month, bed, level),
        Topic::Compared(it) => compared(month, it),
        Topic::Rain(rain) => of_rain(month, rain, level),
        Topic::Tank(tank) => of_tank(tank, level),
        Topic::Nothing => nothing(level),
    }
}

fn texts(choices: &[&str]) -> Vec<String> {
    choices.iter().map(|&choice| choice.to_owned()).collect()
}

/// The word that the beds' days are asked for: dry where any was, else wet, else moist.
pub(super) fn asked_band(month: &Month) -> (&'static str, fn(&BedMonth) -> u32) {
    let wet = |bed: &BedMonth| bed.days_in_bands()[3].1;
    if known_beds(month).any(|bed| bed.dry_days() > 0) {
        ("dry", BedMonth::dry_days)
    } else if known_beds(month).any(|bed| wet(bed) > 0) {
        ("wet", wet)
    } else {
        ("moist", |bed| bed.days_in_bands()[2].1)
    }
}

fn days(month: &Month, level: Level) -> LessonWords {
    let (word, count) = asked_band(month);
    let beds: Vec<&BedMonth> = known_beds(month).collect();
    let most = beds.iter().map(|bed| count(bed)).max().unwrap_or(0);
    let best: Vec<String> =
        beds.iter().filter(|bed| count(bed) == most).map(|bed| bed.name.clone()).collect();
    let each: Vec<String> = beds
        .iter()
        .map(|bed| {
            let known = counted(bed.known_days(), "known day", "known days");
            format!("{}: {} of {known}", bed.name.clone(), count(bed))
        })
        .collect();
    let of_most = counted(most, "day", "days");
    let dry = match word {
        "dry" => "Soil gets dry when plants drink, the sun shines and no water comes.",
        "wet" => {
            "Soil is wet after rain or watering. The water that it cannot hold drains away in two days or so."
        }
        _ => "Moist soil is just right: roots find water, and air as well.",
    };
    let names = || beds.iter().map(|bed| bed.name.clone()).collect();
    match (level, beds.as_slice()) {
        (Level::SevenToNine, [only]) => LessonWords {
            ask: format!("On how many days was the soil of {} {word}?", only.name.clone()),
            guess: "Look at the marks for rain and watering. Guess a number, and say why.".to_owned(),
            choices: Vec::new(),
            answer: format!("The soil was {word} on {of_most}."),
            because: dry.to_owned(),
            think: format!("Go out and feel the soil of {}. Is it {word} today?", only.name.clone()),
            teacher: "Children often count days with rain as wet days. Let them look at the day after the rain.".to_owned(),
        },
        (Level::SevenToNine, _) => LessonWords {
            ask: format!("Which bed was {word} on the most days?"),
            guess: "Look at the marks for rain and watering. Point at a bed, and say why.".to_owned(),
            choices: names(),
            answer: match best.as_slice() {
                [one] => format!("{one} was {word} on the most days: {most}."),
                several => format!("{} were: each on {of_most}.", spoken::list(several)),
            },
            because: dry.to_owned(),
            think: "Go out and feel the soil of two beds. Which one is drier today?".to_owned(),
            teacher: "Children often say that the bed with the most marks must be the wettest. A bed of sand with much water \
                      can be drier than a bed of clay with little."
                .to_owned(),
        },
        (Level::TenToTwelve, _) => LessonWords {
            ask: format!("On how many days was each bed {word}? Put the beds in order."),
            guess: "Write down a number for each bed. Then look.".to_owned(),
            choices: Vec::new(),
            answer: format!("Days that were {word}: {}.", each.join("; ")),
            because: format!(
                "{dry} A day counts as dry when the soil's water is below the refill point, and as wet when it is above \
                 field capacity."
            ),
            think: format!("What part of the known days was {word}? Work it out in percent for one bed."),
            teacher: "The share is the count divided by the known days, times 100. Days that are not known stay out of both."
                .to_owned(),
        },
        (Level::Older, _) => LessonWords {
            ask: format!("Do beds that get water more often have fewer {word} days?"),
            guess: "Count the marks of each bed. Then order the beds by their days before you look.".to_owned(),
            choices: texts(&["Yes", "No", "These beds cannot tell"]),
            answer: format!(
                "Days that were {word}: {}. Times that each grew wetter: {}.",
                each.join("; "),
                beds.iter().map(|bed| format!("{}: {}", bed.name.clone(), bed.wettings.len())).collect::<Vec<_>>().join("; ")
            ),
            because: "How often water comes is one cause of several: soil, roots, crop, mulch and sun count as well."
                .to_owned(),
            think: "Which of these would have to be the same in two beds for a fair test?".to_owned(),
            teacher: "A fair test changes one thing only. Here nearly everything differs, so the order proves nothing."
                .to_owned(),
        },
    }
}

fn balance(bed: &BedMonth, need_mm: f64, got_mm: f64, level: Level) -> LessonWords {
    let litres = |mm: f64| spoken::litres(mm * bed.area_m2);
    let (need, got) = (litres(need_mm), litres(got_mm));
    let days = counted(bed.balance_days, "day", "days");
    let bed_name = &bed.name;
    let gap = litres((got_mm - need_mm).abs());
    let cans = ((got_mm - need_mm).abs() * bed.area_m2 / 10.0).round();
    let outcome = if (got_mm - need_mm).abs() <= ABOUT * need_mm {
        format!("It got about {got}: about as much as it needed.")
    } else if got_mm > need_mm {
        format!("It got about {got}: {gap} more than it needed.")
    } else {
        format!("It got about {got}: {gap} less than it needed.")
    };
    let part = number(need_mm / got_mm.max(1e-9) * 100.0, 0);
    match level {
        Level::Older => LessonWords {
            ask: format!("What part of its water did {bed_name} use?"),
            guess: format!("In {days} its plants needed about {need}. Guess the part before you see how much it got."),
            choices: texts(&["Less than half", "About all of it", "More than it got"]),
            answer: format!("{outcome} The need is {part} % of what it got."),
            because: "The need is worked out from weather and crop (FAO-56). It is not measured, so it can be some way off."
                .to_owned(),
            think: "Where can the rest be: in the soil, below the roots, or in the air? How would you find out?".to_owned(),
            teacher: "Look at the bed's line under \"Water in the beds\": where it ends higher than it began, the soil kept \
                      some. What ran below the roots no probe of the bed measures."
                .to_owned(),
        },
        Level::SevenToNine | Level::TenToTwelve => LessonWords {
            ask: format!("Did {bed_name} get more water than its plants needed, or less?"),
            guess: format!("In {days} its plants needed about {need}. How much do you think it got?"),
            choices: texts(&["More", "Less", "About as much"]),
            answer: outcome,
            because: "Rain and watering count together. What plants do not drink runs through, below their roots.".to_owned(),
            think: "A watering can holds about 10 litres. How many cans is the difference?".to_owned(),
            teacher: format!(
                "The difference is about {}. One millimetre of water on one square metre is one litre; the bed has {} m².",
                counted(cans as u32, "can", "cans"),
                number(bed.area_m2, 1)
            ),
        },
    }
}

/// Mean, least and most that a bed lost on days without water, mm.
fn losses(bed: &BedMonth) -> Option<(f64, f64, f64)> {
    let all: Vec<f64> = bed.days.iter().filter_map(|day| day.loss_mm).collect();
    let (least, most) =
        all.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), &it| (a.min(it), b.max(it)));
    (!all.is_empty()).then(|| (all.iter().sum::<f64>() / all.len() as f64, least, most))
}

fn line(month: &Month, bed: &BedMonth, level: Level) -> LessonWords {
    let bed_name = &bed.name;
    let times = counted(bed.wettings.len(), "time", "times");
    let cut = cut(bed).map_or_else(String::new, |at| format!(" up to {}", day(bed.days[at].date)));
    let litres = |mm: f64| spoken::litres(mm * bed.area_m2);
    let lost = losses(bed);
    let a_day = lost.map_or_else(String::new, |(mean, ..)| {
        let mean = mean.max(0.0);
        format!(
            " On a day without water it lost about {} mm, {} in the whole bed.",
            number(mean, 1),
            litres(mean)
        )
    });
    match level {
        Level::Older => LessonWords {
            ask: format!("How fast does {bed_name} lose water, and is it always the same?"),
            guess: format!("The line shows its water{cut}. Say what makes it fall faster or slower. Then look."),
            choices: texts(&["Always the same", "Faster when it is wetter", "Faster when it is drier"]),
            answer: match lost {
                Some((mean, least, most)) => format!(
                    "On days without water it lost between {} and {} mm, {} on average. It grew wetter {times}.",
                    number(least, 1),
                    number(most, 1),
                    number(mean, 1)
                ),
                None => format!("It grew wetter {times}. No day was long enough without water to measure the loss."),
            },
            because: "In the two days after a soaking it drains. Later roots and sun take the water: as long as there is \
                      plenty, the weather decides; when there is little, the soil holds it back."
                .to_owned(),
            think: "Which days would you leave out when you work out the loss of a day, and why?".to_owned(),
            teacher: "Leave out days with rain or watering and the two after a soaking: on those, water came or drained."
                .to_owned(),
        },
        Level::SevenToNine | Level::TenToTwelve => LessonWords {
            ask: format!("What does the water in the soil of {bed_name} do in {}?", spoken::month(month.which.month)),
            guess: format!(
                "The line shows its water{cut}. The marks below show rain and watering. Draw with a finger how it goes on."
            ),
            choices: Vec::new(),
            answer: format!("It went up {times}, when water came, and down on the days between.{a_day}"),
            because: "Plants drink through their roots, and the sun dries the top. Rain and watering fill the soil again."
                .to_owned(),
            think: "Why does the line fall fast just after water came, and slowly later?".to_owned(),
            teacher: "For about two days after a soaking water also drains down, past the roots. Then only plants and sun \
                      take it."
                .to_owned(),
        },
    }
}

/// Why these two are compared, in a sentence; for the lesson and for the part of the report.
pub(in crate::report) fn pair_reason(reason: &PairReason) -> String {
    match reason {
        PairReason::Alike => {
            "Trug chose these two beds: they have the same soil, and probes at the same depths.".to_owned()
        }
        PairReason::BeforeAndAfterMulch => {
            "Trug chose one bed before and after its mulch was laid: the same soil, the same probes.".to_owned()
        }
        PairReason::Named { differ } if differ.is_empty() => {
            "Somebody chose these two beds. By the garden file they are alike.".to_owned()
        }
        PairReason::Named { differ } => format!(
            "Somebody chose these two beds. They are not alike: they differ in {}. So a difference may come from that.",
            spoken::list(differ)
        ),
        PairReason::NoneAlike { nearest: None } => {
            "There are no two beds with probes, and no bed was mulched in this month: nothing can be compared.".to_owned()
        }
        PairReason::NoneAlike { nearest: Some(it) } => format!(
            "No two beds have the same soil and probes at the same depths, so Trug compares none by itself. {} and {} come \
             nearest: they differ in {}.",
            it.names.0.clone(),
            it.names.1.clone(),
            spoken::list(&it.differ)
        ),
    }
}

fn compared(month: &Month, it: &Beside) -> LessonWords {
    let (a, b) = (it.first_name.clone(), it.second_name.clone());
    LessonWords {
        ask: format!("{} {a} or {b}?", it.ask),
        guess: format!(
            "The picture shows {b} alone. Where will the marks of {a} lie: further left, further right, or among them?"
        ),
        choices: vec![a, b, "No difference can be seen".to_owned()],
        answer: it.plain.clone(),
        because: format!(
            "{} One mark is one {}.",
            pair_reason(&month.pair),
            it.each.trim_start_matches("each ")
        ),
        think: "What else differs between the two? How many more marks would you want before you believe it?"
            .to_owned(),
        teacher: it.says.clone(),
    }
}

fn of_rain(month: &Month, rain: &RainMonth, level: Level) -> LessonWords {
    let in_month = month_name(month.which);
    let rainy = counted(rain.days_of_1mm, "day", "days");
    let total = number(rain.total_mm, 1);
    match level {
        Level::SevenToNine => LessonWords {
            ask: format!("On how many days did it rain in {in_month}?"),
            guess: "Guess a number. Do you remember a rainy day?".to_owned(),
            choices: texts(&["Fewer than 5", "5 to 10", "More than 10"]),
            answer: format!("It rained 1 mm or more on {rainy}."),
            because: "The gauge counts each small spoon of rain that falls into it.".to_owned(),
            think: "Put a glass with straight sides out in the rain. How high does the water stand?".to_owned(),
            teacher: "The glass shows millimetres of rain, as the gauge does, whatever its width.".to_owned(),
        },
        Level::TenToTwelve => LessonWords {
            ask: format!("Did most of the rain of {in_month} fall on one day, or on many?"),
            guess: "Draw the bars as you think they are. Then look.".to_owned(),
            choices: texts(&["On one day", "On many days"]),
            answer: rain.wettest.map_or_else(
                || "Hardly any rain fell.".to_owned(),
                |(date, mm)| {
                    let part = number(mm / rain.total_mm.max(1e-9) * 100.0, 0);
                    format!("{} had {} of {total} mm: {part} %.", day(date), number(mm, 1))
                },
            ),
            because: "A few wet days often bring most of a month's rain.".to_owned(),
            think: "How many litres fell on one square metre? How many on your bed?".to_owned(),
            teacher: format!("{total} mm are {total} litres on each square metre. Multiply by the bed's square metres."),
        },
        Level::Older => LessonWords {
            ask: format!("Could a bed have lived on the rain of {in_month} alone?"),
            guess: "Guess the longest time without 1 mm of rain, in days.".to_owned(),
            choices: Vec::new(),
            answer: match rain.longest_dry {
                Some((from, days)) => format!(
                    "{total} mm fell on {rainy}. The longest time with less than 1 mm a day began on {} and was {}.",
                    day(from),
                    counted(days, "day", "days")
                ),
                None => format!("{total} mm fell on {rainy}."),
            },
            because: "What counts is how long the soil's water lasts between two rains: that depends on soil, roots and \
                      weather."
                .to_owned(),
            think: "How long does a bed of yours last without water? What would you have to know?".to_owned(),
            teacher: "The water that roots can use (between field capacity and wilting point), and what the plants use in a \
                      day."
                .to_owned(),
        },
    }
}

fn of_tank(tank: &TankMonth, level: Level) -> LessonWords {
    let sum = |pick: fn(&TankDay) -> u32| -> u32 { tank.days.iter().map(pick).sum() };
    let (warm, cold) = (sum(|day| day.hours_warm), sum(|day| day.hours_cold));
    let outside = tank.days.iter().filter(|day| day.hours_warm + day.hours_cold > 0).count();
    let limits =
        format!("Danger begins below {} and above {} °C.", number(tank.cold_c, 1), number(tank.warm_c, 1));
    let swing = tank.widest.map_or_else(String::new, |(date, swing)| {
        format!(" The widest swing was {} °C on {}.", number(swing, 1), day(date))
    });
    let tank_name = &tank.name;
    let hours = format!(
        "It was too warm in {} and too cold in {}.",
        counted(warm, "hour", "hours"),
        counted(cold, "hour", "hours")
    );
    let care = "Fish are not part of an experiment: nobody changes their water to see what happens.";
    match level {
        Level::SevenToNine => LessonWords {
            ask: format!("Was the water of {tank_name} ever too warm or too cold for the fish?"),
            guess: format!("{limits} What do you think?"),
            choices: texts(&["Too warm", "Too cold", "Neither"]),
            answer: hours,
            because: "The sun warms the water by day, and it cools at night.".to_owned(),
            think: "What could give the tank shade?".to_owned(),
            teacher: care.to_owned(),
        },
        Level::TenToTwelve => LessonWords {
            ask: format!("How much does the water of {tank_name} swing between night and day?"),
            guess: format!("{limits} Guess the widest swing of a day in degrees."),
            choices: Vec::new(),
            answer: format!("{hours}{swing}"),
            because:
                "Much water warms slowly and cools slowly. Fish bear a slow change better than a fast one."
                    .to_owned(),
            think: "Would a smaller tank swing more or less? Why?".to_owned(),
            teacher: format!("A smaller tank swings more: there is less water to warm. {care}"),
        },
        Level::Older => LessonWords {
            ask: format!("On how many days did the water of {tank_name} pass a danger limit of its fish?"),
            guess: format!("{limits} Guess the number of days, and say which cause you expect."),
            choices: Vec::new(),
            answer: format!("On {} of {}. {hours}{swing}", outside, counted(tank.days.len(), "day", "days")),
            because: "Sun, air, cold top-up water and depth decide. Warm water also holds less oxygen."
                .to_owned(),
            think: "Which reading would show that the cause was the sun, and not the air?".to_owned(),
            teacher: format!(
                "Air temperature beside it: where the water rises more than the air on clear days, it is the sun. {care}"
            ),
        },
    }
}

fn nothing(level: Level) -> LessonWords {
    let answer = "Nobody knows yet: too little is measured. Keep your guess. Look again when the sensors have measured for a \
                  week.";
    let (ask, guess, because, think) = match level {
        Level::SevenToNine => (
            "When is the soil of a bed wetter: in the morning or in the evening?",
            "Say what you think, and why.",
            "Plants drink by day, and the sun dries the soil.",
            "Feel the soil this morning and this evening. Which was wetter?",
        ),
        Level::TenToTwelve => (
            "What will the water in the soil do in the week after rain?",
            "Draw your line on the empty axes.",
            "Water comes in at the top. Roots, sun and the ground below take it away.",
            "Where on your line does the soil have the most water?",
        ),
        Level::Older => (
            "What has to be measured to tell whether a bed gets enough water?",
            "Make a list before you look.",
            "Enough means: what comes (rain, litres given) and what the soil keeps is as much as plants and sun take. So \
             measure rain, litres, water in the soil, and the weather that makes plants drink.",
            "Which of these can your garden measure, and which not yet?",
        ),
    };
    LessonWords {
        ask: ask.to_owned(),
        guess: guess.to_owned(),
        choices: Vec::new(),
        answer: answer.to_owned(),
        because: because.to_owned(),
        think: think.to_owned(),
        teacher: "Keep the guesses of the class: they are compared with the record next month.".to_owned(),
    }
}

/// A band as a child says it.
pub(super) fn band_word(band: WaterBand) -> &'static str {
    match band {
        WaterBand::BelowWilting => "very dry",
        WaterBand::Dry => "dry",
        WaterBand::Moist => "moist",
        WaterBand::Wet => "wet",
    }
}
