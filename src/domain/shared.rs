//! A part of the state that many states hold in common.
//!
//! The committed state is handed to everybody who shows or publishes, after every commit, while
//! the next one is being decided. So a copy of the whole must be cheap: it shares every part that
//! has not changed since, and a change copies the one part that it is about.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::{Deref, DerefMut};
use std::sync::Arc;

/// A value that is shared until it is changed. Reads like the value itself; stored like it, too.
#[derive(Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Shared<T>(Arc<T>);

impl<T> Shared<T> {
    /// A value of one's own.
    pub fn new(value: T) -> Self {
        Self(Arc::new(value))
    }

    /// Both are one and the same, so nothing changed between them. Two equal values that were made
    /// apart are not.
    pub fn is_same(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }
}

impl<T: Clone> Shared<T> {
    /// The value itself; a copy of it if anybody else holds it.
    pub fn into_inner(self) -> T {
        Arc::unwrap_or_clone(self.0)
    }
}

impl<T> From<T> for Shared<T> {
    fn from(value: T) -> Self {
        Self::new(value)
    }
}

impl<T> Clone for Shared<T> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

impl<T> Deref for Shared<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<T: Clone> DerefMut for Shared<T> {
    /// Copies the value first if anybody else holds it.
    fn deref_mut(&mut self) -> &mut T {
        Arc::make_mut(&mut self.0)
    }
}

impl<T: PartialEq> PartialEq for Shared<T> {
    fn eq(&self, other: &Self) -> bool {
        self.is_same(other) || *self.0 == *other.0
    }
}

impl<T: Eq> Eq for Shared<T> {}

impl<T: fmt::Debug> fmt::Debug for Shared<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[test]
    fn a_change_is_seen_in_one_copy_only_and_stored_as_the_value_itself() {
        let before = Shared::new(vec![1, 2]);
        let mut after = before.clone();
        assert!(after.is_same(&before));
        after.push(3);
        assert_eq!((before.as_slice(), after.as_slice()), (&[1, 2][..], &[1, 2, 3][..]));
        assert!(!after.is_same(&before) && after != before);
        assert_eq!(serde_json::to_string(&after).unwrap(), "[1,2,3]");
        let read: Shared<Vec<i32>> = serde_json::from_str("[1,2,3]").unwrap();
        assert!(read == after && !read.is_same(&after), "equal, but not known to be the same");
    }
}
