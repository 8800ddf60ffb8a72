//! What stands in a plan, shared by all copies of it.

use std::ops::{Deref, DerefMut};
use std::sync::Arc;

/// A list of a garden's plan. The daemon's parts each hold the plan of every garden: copies
/// share the list, and one that is changed becomes a list of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanList<T>(Arc<Vec<T>>);

impl<T> Default for PlanList<T> {
    fn default() -> Self {
        Self(Arc::default())
    }
}

impl<T> From<Vec<T>> for PlanList<T> {
    fn from(mut list: Vec<T>) -> Self {
        list.shrink_to_fit();
        Self(Arc::new(list))
    }
}

impl<T> Deref for PlanList<T> {
    type Target = Vec<T>;

    fn deref(&self) -> &Vec<T> {
        &self.0
    }
}

impl<T: Clone> DerefMut for PlanList<T> {
    fn deref_mut(&mut self) -> &mut Vec<T> {
        Arc::make_mut(&mut self.0)
    }
}

impl<'l, T> IntoIterator for &'l PlanList<T> {
    type Item = &'l T;
    type IntoIter = std::slice::Iter<'l, T>;

    fn into_iter(self) -> Self::IntoIter {
        self.0.iter()
    }
}

impl<'l, T: Clone> IntoIterator for &'l mut PlanList<T> {
    type Item = &'l mut T;
    type IntoIter = std::slice::IterMut<'l, T>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter_mut()
    }
}
