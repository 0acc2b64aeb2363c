//! What is remembered so that it happens once: the last so many of a kind, found by their identity.
//!
//! The state is copied before every act and after every commit. A copy of one list would touch every
//! item of it; here the items lie in pieces that copies share, and only the newest piece is copied
//! when something is added.

use super::shared::Shared;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::VecDeque;
use std::fmt;
use uuid::Uuid;

/// Items of one piece.
const PIECE: usize = 32;

type Piece<T> = Vec<(Uuid, Shared<T>)>;

/// What has an identity.
pub trait Known {
    /// The identity.
    fn identity(&self) -> Uuid;
}

/// The last items, oldest first. Stored as a plain list.
pub struct Remembered<T> {
    /// No piece is empty, and all but the last are full.
    pieces: VecDeque<Shared<Piece<T>>>,
    /// Items at the begin of the first piece that are forgotten already.
    forgotten: usize,
}

impl<T: Known> Remembered<T> {
    /// Appends, and forgets the oldest beyond `most`.
    pub fn keep(&mut self, item: T, most: usize) {
        let item = (item.identity(), Shared::new(item));
        match self.pieces.back_mut().filter(|piece| piece.len() < PIECE) {
            Some(piece) => piece.push(item),
            None => self.pieces.push_back(Shared::new(vec![item])),
        }
        while self.len() > most {
            self.forgotten += 1;
            if self.pieces.front().is_some_and(|piece| piece.len() <= self.forgotten) {
                self.pieces.pop_front();
                self.forgotten = 0;
            }
        }
    }

    /// The item of an identity.
    pub fn find(&self, identity: Uuid) -> Option<&T> {
        self.entries().find(|(known, _)| *known == identity).map(|(_, item)| &**item)
    }
}

impl<T> Remembered<T> {
    /// How many there are.
    pub fn len(&self) -> usize {
        let last = self.pieces.back().map_or(0, |piece| piece.len());
        (self.pieces.len().saturating_sub(1) * PIECE + last).saturating_sub(self.forgotten)
    }

    /// There is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// All, oldest first.
    pub fn iter(&self) -> impl Iterator<Item = &T> {
        self.entries().map(|(_, item)| &**item)
    }

    fn entries(&self) -> impl Iterator<Item = &(Uuid, Shared<T>)> {
        self.pieces.iter().flat_map(|piece| piece.iter()).skip(self.forgotten)
    }
}

impl<T> Default for Remembered<T> {
    fn default() -> Self {
        Self { pieces: VecDeque::new(), forgotten: 0 }
    }
}

impl<T> Clone for Remembered<T> {
    fn clone(&self) -> Self {
        Self { pieces: self.pieces.clone(), forgotten: self.forgotten }
    }
}

/// Where a piece begins is nobody's matter.
impl<T: PartialEq> PartialEq for Remembered<T> {
    fn eq(&self, other: &Self) -> bool {
        self.len() == other.len() && self.entries().zip(other.entries()).all(|(one, two)| one == two)
    }
}

impl<T: Eq> Eq for Remembered<T> {}

impl<T: fmt::Debug> fmt::Debug for Remembered<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self.iter()).finish()
    }
}

impl<T: Serialize> Serialize for Remembered<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.iter())
    }
}

impl<'de, T: Known + Deserialize<'de>> Deserialize<'de> for Remembered<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mut all = Self::default();
        for item in Vec::<T>::deserialize(deserializer)? {
            all.keep(item, usize::MAX);
        }
        Ok(all)
    }
}

#[cfg(test)]
mod test {
    use super::*;

    #[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
    struct Item(u128);

    impl Known for Item {
        fn identity(&self) -> Uuid {
            Uuid::from_u128(self.0)
        }
    }

    fn with(items: std::ops::Range<u128>, most: usize) -> Remembered<Item> {
        let mut all = Remembered::default();
        items.for_each(|item| all.keep(Item(item), most));
        all
    }

    #[test]
    fn the_last_are_found_and_those_before_them_are_forgotten() {
        for count in [0_u128, 1, 31, 32, 33, 99, 100, 101, 131, 132, 133, 500] {
            let all = with(0..count, 100);
            let first = count.saturating_sub(100);
            let expected: Vec<Item> = (first..count).map(Item).collect();
            assert_eq!(all.iter().cloned().collect::<Vec<_>>(), expected, "{count}");
            assert_eq!((all.len(), all.is_empty()), (expected.len(), count == 0), "{count}");
            for item in 0..count {
                let found = all.find(Uuid::from_u128(item));
                assert_eq!(found, (item >= first).then_some(&Item(item)), "{item} of {count}");
            }
        }
    }

    #[test]
    fn a_copy_does_not_see_what_is_added_and_shares_what_both_have() {
        let before = with(0..100, 100);
        let mut after = before.clone();
        after.keep(Item(100), 100);
        assert_eq!(before, with(0..100, 100));
        assert!(before != after && before.find(Uuid::from_u128(100)).is_none());
        let shared = before.pieces.iter().zip(&after.pieces).filter(|(one, two)| one.is_same(two));
        assert_eq!(shared.count(), 3, "all pieces but the newest");
    }

    #[test]
    fn it_is_stored_as_a_plain_list_and_read_back_as_equal() {
        let all = with(0..150, 100);
        let text = serde_json::to_string(&all).unwrap();
        let plain: Vec<Item> = (50..150).map(Item).collect();
        assert_eq!(text, serde_json::to_string(&plain).unwrap());
        let mut back: Remembered<Item> = serde_json::from_str(&text).unwrap();
        assert_eq!(back, all);
        back.keep(Item(150), 100);
        assert_eq!(back, with(0..151, 100), "and goes on as if it had never been stored");
    }
}
