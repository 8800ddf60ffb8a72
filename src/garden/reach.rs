//! Which alarms a garden can have, and whom they reach.

use crate::alarms::{Kind, PlaceKind};
use crate::garden::alarm::place::AlarmPlace;
use crate::garden::alarm::slots::possible_subjects;
use crate::garden::plan::{Garden, Tell};
use crate::model::Id;

/// A kind of alarm that nobody is told of at some of its places.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UntoldKind {
    pub kind: Kind,
    /// The places at which nobody is told of it.
    pub places: Vec<Id>,
    /// Whether that is all of the garden's places that can have it.
    pub everywhere: bool,
}

/// Every alarm that a garden can have, its kind and its place; those of the program itself
/// last.
pub fn possible_alarms(garden: &Garden) -> Vec<(Kind, Id)> {
    let own = Kind::at(|place| place == PlaceKind::System).map(|kind| AlarmPlace::System.alarm(kind));
    // A gateway by which no sensor comes is never silent.
    let can_come = |place: AlarmPlace, kind: Kind| match place {
        AlarmPlace::Gateway(number) if kind == Kind::GatewaySilent => {
            garden.sensors.iter().any(|it| garden.gateway_of(it) == number)
        }
        AlarmPlace::Bed(_)
        | AlarmPlace::Tank(_)
        | AlarmPlace::Sensor(_)
        | AlarmPlace::Gateway(_)
        | AlarmPlace::Job(_)
        | AlarmPlace::System => true,
    };
    possible_subjects(garden)
        .into_iter()
        .filter(|subject| can_come(subject.place, subject.kind))
        .chain(own)
        .map(|subject| (subject.kind, subject.place.id(garden).clone()))
        .collect()
}

/// The groups of a garden that no alarm reaches: none of their kinds can come at their
/// places, and no other group is followed by them.
pub fn unreached_groups(garden: &Garden) -> Vec<&Tell> {
    let alarms = possible_alarms(garden);
    let follows =
        |who: &str| garden.tell.iter().any(|group| group.next.as_ref().is_some_and(|next| next.who == who));
    let reached = |group: &Tell| alarms.iter().any(|(kind, place)| garden.concerns(group, *kind, place));
    garden.tell.iter().filter(|group| !follows(&group.who) && !reached(group)).collect()
}

/// The kinds of alarm of each garden of which no group with an address is told, in the
/// order of the kinds. The program's own are told where a group of any garden is; where
/// none is they are listed with the first, which has them.
pub fn untold_kinds(gardens: &[Garden]) -> Vec<Vec<UntoldKind>> {
    let told = |garden: &Garden, kind, place: &Id| {
        garden.tell.iter().any(|group| !group.by.is_empty() && garden.concerns(group, kind, place))
    };
    let own = |kind: Kind| kind.row().places.contains(&PlaceKind::System);
    let list = |number: usize, garden: &Garden| {
        let alarms = possible_alarms(garden);
        Kind::ALL
            .into_iter()
            .filter_map(|kind| {
                let at: Vec<&Id> =
                    alarms.iter().filter(|(other, _)| *other == kind).map(|(_, place)| place).collect();
                let untold: Vec<Id> = if own(kind) {
                    let elsewhere = gardens.iter().any(|garden| at.iter().any(|at| told(garden, kind, at)));
                    at.iter().filter(|_| number == 0 && !elsewhere).copied().cloned().collect()
                } else {
                    at.iter().filter(|place| !told(garden, kind, place)).copied().cloned().collect()
                };
                let everywhere = untold.len() == at.len();
                (!untold.is_empty()).then_some(UntoldKind { kind, places: untold, everywhere })
            })
            .collect()
    };
    gardens.iter().enumerate().map(|(number, garden)| list(number, garden)).collect()
}
