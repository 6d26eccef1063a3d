//! Puts records together into parts: always the same ones from the same file, so that a part has a number.

use std::collections::BTreeMap;

use super::record::Record;
use super::rows::Item;

/// Most bytes of a part; servers take 4 MiB in a request.
const LARGEST_BYTES: usize = 1 << 20;

/// Most bytes that wait, of all owners together.
const WAITING_BYTES: usize = 16 << 20;

/// Records of one owner that go to the server together.
#[derive(Debug)]
pub(crate) struct Part<T> {
    /// Its number in the file, from 0.
    pub(crate) number: u64,
    /// What they are recorded under.
    pub(crate) owner: String,
    /// The records, each with its row.
    pub(crate) items: Vec<Item<T>>,
}

/// Records that wait for others of the same owner.
#[derive(Debug)]
pub(crate) struct Parts<T> {
    waiting: BTreeMap<String, (Vec<Item<T>>, usize)>,
    bytes: usize,
    next: u64,
}

impl<T: Record> Parts<T> {
    /// None waits.
    pub(crate) fn none() -> Self {
        Parts {
            waiting: BTreeMap::new(),
            bytes: 0,
            next: 0,
        }
    }

    /// Takes a record; gives the parts that are full.
    pub(crate) fn taken(&mut self, item: Item<T>) -> Vec<Part<T>> {
        let mut full = Vec::new();
        let (owner, bytes) = (item.record.owner(), item.record.encoded_len());
        let is_full = |waiting: &(Vec<Item<T>>, usize)| {
            waiting.0.len() >= T::TOGETHER || waiting.1 + bytes > LARGEST_BYTES
        };
        if self.waiting.get(&owner).is_some_and(is_full) {
            full.extend(self.given(&owner));
        }
        let waiting = self.waiting.entry(owner.clone()).or_default();
        waiting.0.push(item);
        waiting.1 += bytes;
        self.bytes += bytes;
        if waiting.0.len() >= T::TOGETHER {
            full.extend(self.given(&owner));
        }
        if self.bytes > WAITING_BYTES {
            let largest = self.waiting.iter().max_by_key(|(_, waiting)| waiting.1);
            if let Some(owner) = largest.map(|(owner, _)| owner.clone()) {
                full.extend(self.given(&owner));
            }
        }
        full
    }

    /// The parts that are left at the end.
    pub(crate) fn rest(&mut self) -> Vec<Part<T>> {
        let owners: Vec<String> = self.waiting.keys().cloned().collect();
        owners
            .iter()
            .filter_map(|owner| self.given(owner))
            .collect()
    }

    fn given(&mut self, owner: &str) -> Option<Part<T>> {
        let (items, bytes) = self.waiting.remove(owner)?;
        if items.is_empty() {
            return None;
        }
        self.bytes = self.bytes.saturating_sub(bytes);
        let number = self.next;
        self.next += 1;
        Some(Part {
            number,
            owner: owner.to_owned(),
            items,
        })
    }
}
