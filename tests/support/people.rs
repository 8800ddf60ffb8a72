//! Messages to people, made by hand.

use trug::alarms::AlarmKey;
use trug::alarms::{Kind, Priority, State};
use trug::garden::plan::{Address, Channel};
use trug::model::Id;
use trug::telling::{Item, Message, Purpose};

use super::garden::at;

/// Message number `n` to an address, made `ms` after the start.
pub(crate) fn message(n: u32, channel: Channel, to: &str, priority: Priority, ms: i64) -> Message {
    let site = Id::new("saltbush-gully");
    let (kind, place, text) = match priority {
        Priority::High => (Kind::TankTooWarm, "perch-tank", "Perch tank is too warm: 31.2 °C."),
        Priority::Medium | Priority::Low => {
            (Kind::DryBed, "kitchen-bed", "Kitchen bed is dry: \"38 %\" of its available water is left.")
        }
    };
    Message {
        key: format!("saltbush-gully/{}/{place}/{n}/{}", kind.name(), channel.name()),
        site: site.clone(),
        garden: "Saltbush Gully Primary School".to_owned(),
        who: "grounds".to_owned(),
        address: Address { channel, to: to.to_owned() },
        made_at: at(ms),
        priority,
        purpose: Purpose::News,
        subject: text.to_owned(),
        opening: "What needs doing:\n".to_owned(),
        items: vec![Item {
            key: AlarmKey { site, kind, place: Id::new(place) },
            place_name: "Kitchen bed".to_owned(),
            state: State::Unacknowledged,
            priority,
            by: String::new(),
            since: at(ms - 900_000),
            since_local: "Friday 17 April, 14:45".to_owned(),
            text: text.to_owned(),
            source: "FAO-56 eq. 82-83".to_owned(),
        }],
    }
}
