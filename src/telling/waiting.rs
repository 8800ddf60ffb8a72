//! The rows of one garden: what waits for its time, and who was told of what.
//!
//! There is one row for each alarm, group and wait at most, so their number is
//! bounded by the garden's own alarms and groups.

use std::collections::BTreeMap;
use std::ops::Bound;

use jiff::Timestamp;

use super::message::{WaitFor, Waiting};
use crate::alarms::AlarmKey;
use crate::garden::plan::Garden;

/// Which row; the rows of one alarm stand together.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct WaitKey {
    pub(super) alarm: AlarmKey,
    /// The group's number in the garden.
    pub(super) group: usize,
    pub(super) wait: WaitFor,
}

/// The times of a row, whole milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct WaitTimes {
    /// The occurrence: when the condition began.
    pub(super) since: Timestamp,
    pub(super) due: Timestamp,
}

/// All rows of one garden.
#[derive(Clone, Debug, Default)]
pub(super) struct WaitingTable {
    rows: BTreeMap<WaitKey, WaitTimes>,
    /// Whether they differ from what was last given to the store.
    changed: bool,
}

impl WaitingTable {
    /// Replaces the row before.
    pub(super) fn put(&mut self, which: WaitKey, row: WaitTimes) {
        if self.rows.get(&which) != Some(&row) {
            self.rows.insert(which, row);
            self.changed = true;
        }
    }

    /// Puts a row as the store had it.
    pub(super) fn put_back(&mut self, which: WaitKey, row: WaitTimes) {
        self.rows.insert(which, row);
    }

    pub(super) fn remove(&mut self, which: &WaitKey) -> Option<WaitTimes> {
        let row = self.rows.remove(which);
        self.changed |= row.is_some();
        row
    }

    pub(super) fn get(&self, which: &WaitKey) -> Option<WaitTimes> {
        self.rows.get(which).copied()
    }

    /// All rows, those of one alarm together.
    pub(super) fn iter(&self) -> impl Iterator<Item = (&WaitKey, &WaitTimes)> {
        self.rows.iter()
    }

    /// The rows that are `wanted`, to be gone through while the table changes.
    pub(super) fn picked(&self, wanted: impl Fn(&WaitKey, WaitTimes) -> bool) -> Vec<(WaitKey, WaitTimes)> {
        self.rows
            .iter()
            .filter(|(which, row)| wanted(which, **row))
            .map(|(which, row)| (which.clone(), *row))
            .collect()
    }

    /// The rows of one alarm.
    pub(super) fn of(&self, alarm: &AlarmKey) -> Vec<(WaitKey, WaitTimes)> {
        let first = WaitKey { alarm: alarm.clone(), group: 0, wait: WaitFor::Tell };
        self.rows
            .range((Bound::Included(first), Bound::Unbounded))
            .take_while(|(which, _)| which.alarm == *alarm)
            .map(|(which, row)| (which.clone(), *row))
            .collect()
    }

    /// Takes away the rows of one alarm that `goes` names.
    pub(super) fn drop_of(&mut self, alarm: &AlarmKey, goes: impl Fn(&WaitKey, WaitTimes) -> bool) {
        for (which, row) in self.of(alarm) {
            if goes(&which, row) {
                self.remove(&which);
            }
        }
    }

    /// When the group was told of this occurrence, if it was.
    pub(super) fn told(&self, alarm: &AlarmKey, group: usize, since: Timestamp) -> Option<Timestamp> {
        let which = WaitKey { alarm: alarm.clone(), group, wait: WaitFor::Over };
        self.get(&which).filter(|row| row.since == since).map(|row| row.due)
    }

    /// The same, if that was since the alarm was last raised or came again.
    pub(super) fn told_now(&self, alarm: &AlarmKey, group: usize, since: Timestamp) -> Option<Timestamp> {
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
                alarm: which.alarm.clone(),
                since: row.since,
                due: row.due,
                wait: which.wait.clone(),
            })
        });
        Some(waiting.collect())
    }
}
