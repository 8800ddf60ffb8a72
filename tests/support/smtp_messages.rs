//! Messages to people, made by hand, as the daemon would make them.

use jiff::Timestamp;
use trug::alarms::AlarmKey;
use trug::alarms::{Kind, Priority, State};
use trug::deliver::channel::AnswerLinks;
use trug::garden::plan::{Address, Channel};
use trug::model::Id;
use trug::telling::{Item, Message, Purpose};

/// Links as long as signed ones are.
pub(crate) struct Links;

impl AnswerLinks for Links {
    fn link(&self, item: &Item, who: &str, made_at: Timestamp) -> Option<String> {
        Some(format!(
            "https://garden.school.example/answer/{}/{}/{who}?until={}&signature={}",
            item.key.kind.name(),
            item.key.place,
            made_at.as_second() + 72 * 3600,
            "4f1d".repeat(16),
        ))
    }
}

pub(crate) fn item(kind: Kind, place: &str, name: &str, state: State, since: &str, text: &str) -> Item {
    Item {
        key: AlarmKey { site: Id::new("saltbush-gully"), kind, place: Id::new(place) },
        place_name: name.to_owned(),
        state,
        priority: kind.priority(),
        by: String::new(),
        since: "2026-04-17T05:00:00Z".parse().expect("a time in RFC 3339"),
        since_local: since.to_owned(),
        text: text.to_owned(),
        source: "FAO-56 eq. 82-83".to_owned(),
    }
}

pub(crate) fn message(purpose: Purpose, subject: &str, opening: &str, items: Vec<Item>) -> Message {
    Message {
        key: format!("saltbush-gully/{}/1776403200000/email", purpose.name()),
        site: Id::new("saltbush-gully"),
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "teacher".to_owned(),
        address: Address { channel: Channel::Email, to: "teacher@school.example".to_owned() },
        made_at: "2026-04-17T05:30:00Z".parse().expect("a time in RFC 3339"),
        priority: items.iter().map(|item| item.priority).max().unwrap_or(Priority::Low),
        purpose,
        subject: subject.to_owned(),
        opening: opening.to_owned(),
        items,
    }
}

/// Something of high priority about the fish.
pub(crate) fn tank() -> Message {
    message(
        Purpose::News,
        "Perch tank: the water fell 3.4 °C within an hour. Stop the top-up",
        "",
        vec![item(
            Kind::TankTemperatureShock,
            "perch-tank",
            "Perch tank",
            State::Unacknowledged,
            "today 2:30 pm",
            "The water fell 3.4 °C within the last hour; the fish take 1 °C. Stop the top-up, and add no more cold \
             water today. Look at the fish: gasping, lying on the side or dashing about want help at once. Follow \
             the local rules for keeping fish and what the fish supplier says before anything here.",
        )],
    )
}

/// A morning's summary for the grounds staff.
pub(crate) fn summary() -> Message {
    let mut summary = message(
        Purpose::Summary,
        "Saltbush Gully: water Kitchen bed (64 L) and Pea bed (22 L), and 3 more",
        "Good morning. Five things have come together since yesterday.",
        vec![
            item(
                Kind::DryBed,
                "kitchen-bed",
                "Kitchen bed",
                State::Unacknowledged,
                "yesterday 4:10 pm",
                "Kitchen bed is dry: 38 % of its available water is left. Give it about 64 L after 6 pm: 32 minutes \
                 of the drip line.",
            ),
            item(
                Kind::DryBed,
                "pea-bed",
                "Pea bed",
                State::Unacknowledged,
                "yesterday 9:40 pm",
                "Pea bed is dry: 41 % of its available water is left. Give it about 22 L after 6 pm: 11 minutes of \
                 the drip line.",
            ),
            item(
                Kind::MulchOnDrySoil,
                "kitchen-bed",
                "Kitchen bed",
                State::Acknowledged,
                "Thursday 16 April, 7:00 am",
                "Mulch is planned for tomorrow and the soil below is dry. Water first, or wait with the mulch.",
            ),
            item(
                Kind::SensorSilent,
                "pea-15cm",
                "Pea bed, probe at 15 cm",
                State::Unacknowledged,
                "yesterday 11:15 pm",
                "The probe has been silent for 9 hours; it should speak every 15 minutes. Look at its battery and its \
                 cable.",
            ),
            item(
                Kind::WateringHours,
                "herb-bed",
                "Herb bed",
                State::ReturnedUnacknowledged,
                "yesterday 1:20 pm",
                "Herb bed was watered at 1:20 pm, outside the allowed hours (before 9 am and after 6 pm).",
            ),
        ],
    );
    summary.who = "grounds".to_owned();
    summary.address.to = "grounds@school.example".to_owned();
    summary
}

/// As long as it gets, with words that do not break and letters of many kinds.
pub(crate) fn long() -> Message {
    let kinds = Kind::ALL.into_iter().cycle().take(40);
    let unbroken = "temperature-".repeat(20);
    let items = kinds
        .enumerate()
        .map(|(at, kind)| {
            item(
                kind,
                "kitchen-bed",
                &format!("Bed {at} of the Bäume und Gemüse group, behind the 温室 {}", "x".repeat(60)),
                State::ALL[at % State::ALL.len()],
                "Wednesday 31 December 2025, 11:59 pm",
                &format!("{unbroken} It is dry & <b>cold</b> “there”.\nA second paragraph: ½ of 3 m³ 🐟."),
            )
        })
        .collect();
    let mut long = message(
        Purpose::NotAnswered { by: "grounds".to_owned() },
        &format!("Forty things at once, {}", "and more ".repeat(40)),
        "The group grounds was told an hour ago and nobody has answered.\n\nThis is what stands.",
        items,
    );
    long.who = "the person answerable".to_owned();
    long
}

/// The fish are out of danger.
pub(crate) fn over() -> Message {
    message(
        Purpose::Over,
        "Perch tank: the water temperature is steady again",
        "",
        vec![item(
            Kind::TankTemperatureShock,
            "perch-tank",
            "Perch tank",
            State::Normal,
            "today 2:30 pm",
            "The water has changed by less than 0.4 °C within the last hour.",
        )],
    )
}

/// Somebody tries whether messages arrive.
pub(crate) fn trying() -> Message {
    message(
        Purpose::Test,
        "Saltbush Gully: a test message to teacher",
        "This is a test. Nothing is wrong, and there is nothing to do.",
        Vec::new(),
    )
}
