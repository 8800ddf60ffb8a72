//! How each of many gardens stands, kept while it is fresh.

use std::sync::Arc;

use jiff::SignedDuration;

use super::cache::{CacheMoment, FreshCache};
use crate::model::{Condition, Id};

/// Some thousand gardens are asked how they stand at most so often.
const FRESH: SignedDuration = SignedDuration::from_secs(10);

/// How a garden stands, in a line.
#[derive(Clone, Debug)]
pub(super) struct GardenLine {
    pub(super) id: Id,
    pub(super) name: String,
    /// That of its place with most trouble.
    pub(super) condition: Condition,
    pub(super) tasks: TaskSummary,
    /// How its beds and its tanks stand, in the order of its plan: it is drawn where it is shown.
    pub(super) beds: Vec<Condition>,
    pub(super) tanks: Vec<Condition>,
}

impl GardenLine {
    /// Whether its name or id has a text of small letters in it.
    pub(super) fn is_found_by(&self, part: &str) -> bool {
        self.name.to_lowercase().contains(part) || self.id.as_str().contains(part)
    }
}

/// What is to do in a garden, in a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct TaskSummary {
    pub(super) count: usize,
    /// What is done first has the lowest; without anything to do the highest of all.
    pub(super) rank: u8,
    /// What comes first.
    pub(super) first: Option<String>,
}

/// The lines of all gardens.
#[derive(Debug)]
pub(super) struct GardenLines {
    kept: FreshCache<(), Vec<GardenLine>>,
    /// Held while the gardens are asked.
    pub(super) asking: tokio::sync::Mutex<()>,
}

impl Default for GardenLines {
    fn default() -> Self {
        Self { kept: FreshCache::new(1, usize::MAX, FRESH), asking: tokio::sync::Mutex::default() }
    }
}

impl GardenLines {
    /// Those that were kept, if they are fresh.
    pub(super) fn fresh(&self, now: CacheMoment) -> Option<Arc<Vec<GardenLine>>> {
        self.kept.get(&(), now)
    }

    pub(super) fn keep(&self, made: CacheMoment, lines: Vec<GardenLine>) -> Arc<Vec<GardenLine>> {
        self.kept.keep((), made, 0, lines)
    }
}
