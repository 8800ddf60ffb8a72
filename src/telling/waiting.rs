//! The rows of one garden: what waits for its time, and who was told of what.
//!
//! There is one row for each alarm, group and wait at most, so their number is
//! bounded by the garden's own alarms and groups.

use std::collections::BTreeMap;
use std::ops::Bound;

use jiff::Timestamp;

use super::message::{WaitFor, Waiting};
use crate::alarms::AlarmKey;
use crate::alarms::Kind;
use crate::garden::plan::Garden;
use crate::model::Id;

/// An alarm of the garden.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Alarm {
    pub(super) kind: Kind,
    pub(super) place: Id,
}

/// Which row; the rows of one alarm stand together.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Which {
    pub(super) alarm: Alarm,
    /// The group's number in the garden.
    pub(super) group: usize,
    pub(super) wait: WaitFor,
}

/// The times of a row, whole milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Row {
    /// The occurrence: when the condition began.
    pub(super) since: Timestamp,
    pub(super) due: Timestamp,
}

/// All rows of one garden.
#[derive(Clone, Debug, Default)]
pub(super) struct Rows {
    rows: BTreeMap<Which, Row>,
    /// Whether they differ from what was last given to the store.
    changed: bool,
}

impl Rows {
    /// Puts a row in the place of the one before.
    pub(super) fn put(&mut self, which: Which, row: Row) {
        if self.rows.get(&which) != Some(&row) {
            self.rows.insert(which, row);
            self.changed = true;
        }
    }

    /// Puts a row as the store had it.
    pub(super) fn put_back(&mut self, which: Which, row: Row) {
        self.rows.insert(which, row);
    }

    pub(super) fn remove(&mut self, which: &Which) -> Option<Row> {
        let row = self.rows.remove(which);
        self.changed |= row.is_some();
        row
    }

    pub(super) fn get(&self, which: &Which) -> Option<Row> {
        self.rows.get(which).copied()
    }

    /// All rows, those of one alarm together.
    pub(super) fn iter(&self) -> impl Iterator<Item = (&Which, &Row)> {
        self.rows.iter()
    }

    /// The rows of one alarm.
    pub(super) fn of(&self, alarm: &Alarm) -> Vec<(Which, Row)> {
        let first = Which { alarm: alarm.clone(), group: 0, wait: WaitFor::Tell };
        self.rows
            .range((Bound::Included(first), Bound::Unbounded))
            .take_while(|(which, _)| which.alarm == *alarm)
            .map(|(which, row)| (which.clone(), *row))
            .collect()
    }

    /// Takes away the rows of one alarm that `goes` names.
    pub(super) fn drop_of(&mut self, alarm: &Alarm, goes: impl Fn(&Which, Row) -> bool) {
        for (which, row) in self.of(alarm) {
            if goes(&which, row) {
                self.remove(&which);
            }
        }
    }

    /// When the group was told of this occurrence, if it was.
    pub(super) fn told(&self, alarm: &Alarm, group: usize, since: Timestamp) -> Option<Timestamp> {
        let which = Which { alarm: alarm.clone(), group, wait: WaitFor::Over };
        self.get(&which).filter(|row| row.since == since).map(|row| row.due)
    }

    /// The same, if that was since the alarm was last raised or came again.
    pub(super) fn told_now(&self, alarm: &Alarm, group: usize, since: Timestamp) -> Option<Timestamp> {
        self.told(alarm, group, since).filter(|at| *at >= since)
    }

    /// The first time at which something is to be done.
    pub(super) fn first_due(&self) -> Option<Timestamp> {
        self.rows.iter().filter(|(which, _)| which.wait != WaitFor::Over).map(|(_, row)| row.due).min()
    }

    /// Notes that the store is to be given all rows.
    pub(super) fn mark_changed(&mut self) {
        self.changed = true;
    }

    /// All rows for the store, if they changed since the last time.
    pub(super) fn changed(&mut self, garden: &Garden) -> Option<Vec<Waiting>> {
        if !std::mem::take(&mut self.changed) {
            return None;
        }
        let waiting = self.rows.iter().filter_map(|(which, row)| {
            Some(Waiting {
                who: garden.tell.get(which.group)?.who.clone(),
                alarm: AlarmKey {
                    site: garden.site.id.clone(),
                    kind: which.alarm.kind,
                    place: which.alarm.place.clone(),
                },
                since: row.since,
                due: row.due,
                wait: which.wait.clone(),
            })
        });
        Some(waiting.collect())
    }
}
