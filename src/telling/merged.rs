//! One summary for somebody who looks after several gardens.
//!
//! Where groups of one name have the same e-mail address in several gardens, their summaries
//! that come due together are one letter, the most urgent first. Each alarm keeps its own key
//! and so its own answer. What else is told goes from each garden by itself: it is of now.

use std::collections::BTreeMap;

use super::compose::{addressed, hash, unaddressed};
use super::message::{GivenUp, Item, Message, Purpose};
use crate::garden::plan::Channel;
use crate::model::Id;
use crate::text::subjects;

/// Items of one message at most, as of one garden's.
const ITEMS_MAX: usize = 20;
/// Bytes of an opening at most: with the items a message stays below 64 KiB.
const OPENING_MAX: usize = 6000;

/// Makes one message of the summaries from `first` on that go to one group's name and address
/// and come from several gardens. The others stay, in their order.
pub(super) fn merge_summaries(messages: &mut Vec<Message>, first: usize) {
    let mut together: BTreeMap<(String, String), Vec<Message>> = BTreeMap::new();
    let mut kept = Vec::with_capacity(messages.len());
    for (number, message) in messages.drain(..).enumerate() {
        let merges = number >= first
            && message.purpose == Purpose::Summary
            && message.address.channel == Channel::Email;
        if merges {
            let key = (message.who.clone(), message.address.to.clone());
            together.entry(key).or_default().push(message);
        } else {
            kept.push(message);
        }
    }
    for group in together.into_values() {
        match merged(&group) {
            Some(one) => kept.push(one),
            None => kept.extend(group),
        }
    }
    *messages = kept;
}

/// The one message of several gardens; `None` where it is one garden's only.
fn merged(summaries: &[Message]) -> Option<Message> {
    let mut sorted: Vec<&Message> = summaries.iter().collect();
    // The store's order of sites makes the same message after a restart.
    sorted.sort_by(|a, b| b.priority.cmp(&a.priority).then_with(|| a.site.cmp(&b.site)));
    let lead = *sorted.first()?;
    if sorted.iter().all(|it| it.site == lead.site) {
        return None;
    }
    let gardens = format!("{} gardens", sorted.len());
    let mut items: Vec<Item> =
        sorted.iter().flat_map(|from| from.items.iter().map(|item| of_garden(item, &from.garden))).collect();
    // Stable: within one priority the gardens' order stays.
    items.sort_by_key(|item| std::cmp::Reverse(item.priority));
    let all = items.len();
    items.truncate(ITEMS_MAX);
    let mut opening: Vec<String> = Vec::new();
    if all > items.len() {
        let less = all - items.len();
        opening.push(format!("The {ITEMS_MAX} most urgent are below, and at least {less} more are not."));
    }
    for from in &sorted {
        let more = if from.opening.is_empty() { String::new() } else { format!(" {}", from.opening) };
        opening.push(format!("{}: {}.{more}", from.garden, from.subject.trim_end_matches(['.', '…'])));
    }
    let mut keys: Vec<&str> = sorted.iter().map(|it| unaddressed(&it.key)).collect();
    keys.sort_unstable();
    let key = format!("{}/{}/{}", lead.site, lead.purpose.name(), hash(&keys.join("\n"), 16));
    let subject = format!("{gardens}: {}: {}", lead.garden, lead.subject);
    Some(Message {
        key: addressed(&key, &lead.address),
        garden: gardens,
        subject: subjects::cut(&subject, subjects::SUBJECT_MAX),
        opening: subjects::cut_bytes(&opening.join(" "), OPENING_MAX),
        items,
        ..lead.clone()
    })
}

/// The item with the garden's name before the place.
fn of_garden(item: &Item, garden: &str) -> Item {
    Item { place_name: format!("{garden}, {}", item.place_name), ..item.clone() }
}

/// What was given up, as each of its gardens would have sent it.
pub(super) fn by_garden(given_up: &GivenUp) -> Vec<GivenUp> {
    let message = &given_up.message;
    let mut sites: Vec<&Id> = message.items.iter().map(|item| &item.key.site).collect();
    sites.sort_unstable();
    sites.dedup();
    if sites.iter().all(|site| **site == message.site) {
        return vec![given_up.clone()];
    }
    let of_site = |site: &Id| {
        let items = message.items.iter().filter(|item| item.key.site == *site).cloned().collect();
        GivenUp { message: Message { site: site.clone(), items, ..message.clone() }, ..given_up.clone() }
    };
    sites.into_iter().map(of_site).collect()
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;
    use crate::alarms::{AlarmKey, Kind, Priority, State};
    use crate::garden::plan::Address;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_600 + second).expect("in range")
    }

    fn item(site: &str, place: &str, priority: Priority) -> Item {
        Item {
            key: AlarmKey { site: Id::new(site), kind: Kind::DryBed, place: Id::new(place) },
            place_name: place.to_owned(),
            state: State::Unacknowledged,
            priority,
            by: String::new(),
            since: at(0),
            since_local: "9 am".to_owned(),
            text: format!("{place} is too dry."),
            source: String::new(),
        }
    }

    fn summary(site: &str, who: &str, to: &str, items: Vec<Item>) -> Message {
        let address = Address { channel: Channel::Email, to: to.to_owned() };
        Message {
            key: addressed(&format!("{site}/summary/{}", hash(site, 16)), &address),
            site: Id::new(site),
            garden: format!("School {site}"),
            who: who.to_owned(),
            address,
            made_at: at(60),
            priority: items.iter().map(|it| it.priority).max().expect("an item"),
            purpose: Purpose::Summary,
            subject: format!("{} beds need water", items.len()),
            opening: String::new(),
            items,
        }
    }

    const KEEPER: &str = "keeper@district.example";

    fn two() -> Vec<Message> {
        vec![
            summary("a", "keeper", KEEPER, vec![item("a", "pea-bed", Priority::Low)]),
            summary(
                "b",
                "keeper",
                KEEPER,
                vec![item("b", "herb-bed", Priority::Medium), item("b", "row", Priority::Low)],
            ),
        ]
    }

    #[test]
    fn summaries_of_several_gardens_to_one_address_are_one() {
        let mut messages = two();
        messages.push(summary(
            "a",
            "keeper",
            "other@district.example",
            vec![item("a", "pea-bed", Priority::Low)],
        ));
        messages.push(summary("a", "grounds", KEEPER, vec![item("a", "pea-bed", Priority::Low)]));
        messages.push(Message { purpose: Purpose::News, ..messages[1].clone() });
        merge_summaries(&mut messages, 0);
        assert_eq!(messages.len(), 4, "{messages:#?}");
        let one = messages.iter().find(|it| it.garden == "2 gardens").expect("the merged one");
        assert_eq!(one.subject, "2 gardens: School b: 2 beds need water");
        assert_eq!(one.opening, "School b: 2 beds need water. School a: 1 beds need water.");
        let places: Vec<&str> = one.items.iter().map(|it| it.place_name.as_str()).collect();
        assert_eq!(places, ["School b, herb-bed", "School b, row", "School a, pea-bed"]);
        assert_eq!(one.items[2].key.site, Id::new("a"), "each alarm is answered in its own garden");
        assert!(one.key.starts_with("b/summary/") && one.key.len() <= 200, "{}", one.key);
        let mut again = two();
        again.reverse();
        merge_summaries(&mut again, 0);
        assert_eq!(
            again.iter().map(|it| &it.key).collect::<Vec<_>>(),
            [&one.key],
            "made again it has the same key"
        );
    }

    #[test]
    fn what_was_there_before_and_one_gardens_summary_stay_as_they_are() {
        let mut messages = two();
        messages.push(summary("c", "keeper", KEEPER, vec![item("c", "pea-bed", Priority::Low)]));
        let before = messages.clone();
        merge_summaries(&mut messages, 2);
        assert_eq!(messages, before);
    }

    #[test]
    fn the_most_urgent_of_many_are_listed() {
        let many = |site: &str, priority| {
            let items = (0..15).map(|n| item(site, &format!("bed-{n}"), priority)).collect();
            summary(site, "keeper", KEEPER, items)
        };
        let mut messages = vec![many("a", Priority::Low), many("b", Priority::Medium)];
        merge_summaries(&mut messages, 0);
        let [one] = messages.as_slice() else { panic!("{messages:#?}") };
        assert_eq!(one.items.len(), ITEMS_MAX);
        assert!(one.items[..15].iter().all(|it| it.priority == Priority::Medium));
        assert!(
            one.opening.starts_with("The 20 most urgent are below, and at least 10 more are not."),
            "{}",
            one.opening
        );
    }

    #[test]
    fn what_nobody_takes_goes_back_to_each_garden() {
        let mut messages = two();
        merge_summaries(&mut messages, 0);
        let message = messages.remove(0);
        let given_up = GivenUp { message, reached_otherwise: false, reason: "full".to_owned(), at: at(90) };
        let parts = by_garden(&given_up);
        let split: Vec<(&str, usize)> =
            parts.iter().map(|it| (it.message.site.as_str(), it.message.items.len())).collect();
        assert_eq!(split, [("a", 1), ("b", 2)]);
        assert_eq!(by_garden(&parts[0]), [parts[0].clone()]);
    }
}
