//! The inverted index: from a key to the stored passes that have it, in memory.
//!
//! The keys of a pass are as good as random, so in a tree on disk each of them lies on another page, and storing a
//! run would write a hundred pages for it. Here a key costs one entry of a hash table, nine bytes and some slack.

use hashbrown::HashTable;

use super::distance;
use crate::policy::fingerprint::{MAX_POSTINGS, SIGN_WORDS};

/// Tables that the keys are spread over. Each grows on its own, which moves its entries only.
const SHARDS: usize = 64;

/// What is stored of a pass.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PassKeys {
    /// Signs of 256 projections of the first frames.
    pub signs: [u64; SIGN_WORDS],
    /// Keys of the first frames.
    pub keys: Vec<u32>,
    /// Keys behind its anchors.
    pub anchors: Vec<AnchorKeys>,
}

/// What is stored of the frames behind one anchor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AnchorKeys {
    /// Frame of the excursion.
    pub at: u32,
    /// Signs of 64 projections.
    pub signs: u64,
    /// The keys.
    pub keys: Vec<u32>,
}

/// A stored pass.
#[derive(Debug, Clone, Copy)]
pub(super) struct Posting {
    /// Its number.
    pub(super) pass: i64,
    /// Its first 64 signs.
    signs: u64,
}

/// An anchor of a stored pass.
#[derive(Debug, Clone, Copy)]
pub(super) struct AnchoredPosting {
    /// The pass's number.
    pub(super) pass: i64,
    /// Frame of the anchor in it.
    pub(super) at: u32,
    /// The anchor's signs.
    signs: u64,
}

impl Posting {
    /// Unlike signs among the first 64.
    pub(super) fn distance(&self, signs: &[u64; SIGN_WORDS]) -> u32 {
        distance(&[self.signs], signs)
    }
}

impl AnchoredPosting {
    /// Unlike signs.
    pub(super) fn distance(&self, signs: u64) -> u32 {
        distance(&[self.signs], &[signs])
    }
}

/// All stored passes by their keys. A look-up costs O(1) a key, since no key has more than [`MAX_POSTINGS`].
#[derive(Debug, Default)]
pub struct Index {
    passes: Vec<Posting>,
    anchors: Vec<AnchoredPosting>,
    by_key: Shards,
    by_anchor_key: Shards,
}

impl Index {
    /// Stored passes in it.
    pub fn len(&self) -> usize {
        self.passes.len()
    }

    /// Whether nothing is in it.
    pub fn is_empty(&self) -> bool {
        self.passes.is_empty()
    }

    /// Takes a stored pass in, which has a number that no other has.
    pub fn insert(&mut self, pass: i64, of: &PassKeys) {
        let at = place(self.passes.len());
        self.passes.push(Posting { pass, signs: of.signs[0] });
        for key in &of.keys {
            self.by_key.insert(*key, at);
        }
        for anchor in &of.anchors {
            let at = place(self.anchors.len());
            self.anchors.push(AnchoredPosting { pass, at: anchor.at, signs: anchor.signs });
            for key in &anchor.keys {
                self.by_anchor_key.insert(*key, at);
            }
        }
    }

    /// The passes with a key of their first frames, in no order.
    pub(super) fn aligned(&self, key: u32) -> impl Iterator<Item = &Posting> {
        self.by_key.of(key).map(|at| &self.passes[at])
    }

    /// The anchors with a key, in no order.
    pub(super) fn anchored(&self, key: u32) -> impl Iterator<Item = &AnchoredPosting> {
        self.by_anchor_key.of(key).map(|at| &self.anchors[at])
    }
}

/// Far fewer passes than a u32 counts fit into memory.
fn place(len: usize) -> u32 {
    u32::try_from(len).unwrap_or(u32::MAX)
}

/// Pairs of a key and a place, many of one key.
#[derive(Debug)]
struct Shards(Vec<HashTable<(u32, u32)>>);

impl Default for Shards {
    fn default() -> Shards {
        Shards(vec![HashTable::new(); SHARDS])
    }
}

impl Shards {
    fn of(&self, key: u32) -> impl Iterator<Item = usize> {
        let hash = hash(key);
        self.0[shard(hash)].iter_hash(hash).filter(move |entry| entry.0 == key).map(|entry| entry.1 as usize)
    }

    fn insert(&mut self, key: u32, at: u32) {
        if self.of(key).take(MAX_POSTINGS).count() < MAX_POSTINGS {
            let hash = hash(key);
            self.0[shard(hash)].insert_unique(hash, (key, at), |entry| self::hash(entry.0));
        }
    }
}

/// Fibonacci hashing (Knuth 1998, The Art of Computer Programming 3, 6.4), folded so that the low bits, which say
/// where an entry lies, depend on all of the key.
fn hash(key: u32) -> u64 {
    let product = u64::from(key).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    product ^ product >> 32
}

/// By bits that a table of less than 2^40 entries does not look at.
fn shard(hash: u64) -> usize {
    (hash >> 40) as usize % SHARDS
}
