//! Which stored passes are worth comparing, by the postings that share a key.

use std::collections::{BTreeMap, BTreeSet};

use super::{Fingerprint, distance};
use crate::policy::fingerprint::FingerprintPolicy;

/// A stored pass under a key of its first frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Posting {
    /// The stored pass.
    pub pass: i64,
    /// Its first 64 signs.
    pub signs: u64,
}

/// A stored pass under a key of the frames behind one of its anchors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AnchoredPosting {
    /// The key.
    pub key: i64,
    /// The stored pass.
    pub pass: i64,
    /// Frame of the anchor in it.
    pub at: i64,
    /// The anchor's signs.
    pub signs: u64,
}

/// A stored pass that a new one may be a copy of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Candidate {
    /// The stored pass.
    pub pass: i64,
    /// Its frame that may be the first one of the new pass.
    pub offset: i64,
    /// Unlike signs of 64.
    pub distance: u32,
    /// Whether it was found by anchors; if not, the signs of all its first frames tell more.
    pub anchored: bool,
}

/// Candidates among postings found under the keys of a new pass, each pass and offset once, by pass and offset.
pub fn candidates(
    fingerprint: &Fingerprint,
    aligned: &[Posting],
    anchored: &[AnchoredPosting],
    policy: &FingerprintPolicy,
) -> Vec<Candidate> {
    let mut found: BTreeMap<(i64, i64), Candidate> = BTreeMap::new();
    for posting in aligned {
        let distance = distance(&[posting.signs], &fingerprint.signs);
        if distance <= policy.check_distance {
            let candidate = Candidate { pass: posting.pass, offset: 0, distance, anchored: false };
            found.entry((posting.pass, 0)).or_insert(candidate);
        }
    }
    for ((pass, offset), hits) in hits(fingerprint, anchored, policy) {
        let distance = hits.values().copied().min().unwrap_or(u32::MAX);
        if distance <= policy.anchored_distance || hits.len() > 1 {
            let candidate = Candidate { pass, offset, distance, anchored: true };
            found.insert((pass, offset), candidate);
        }
    }
    found.into_values().collect()
}

/// By stored pass and offset, the least distance by anchor of the new pass.
fn hits(
    fingerprint: &Fingerprint,
    anchored: &[AnchoredPosting],
    policy: &FingerprintPolicy,
) -> BTreeMap<(i64, i64), BTreeMap<i64, u32>> {
    let keys: Vec<BTreeSet<i64>> =
        fingerprint.anchors.iter().map(|a| a.probes.iter().copied().collect()).collect();
    let mut hits: BTreeMap<(i64, i64), BTreeMap<i64, u32>> = BTreeMap::new();
    for posting in anchored {
        for (anchor, keys) in fingerprint.anchors.iter().zip(&keys) {
            let distance = distance(&[posting.signs], &[anchor.signs]);
            if distance <= policy.check_distance && keys.contains(&posting.key) {
                let by_anchor = hits.entry((posting.pass, posting.at - anchor.at)).or_default();
                let least = by_anchor.entry(anchor.at).or_insert(distance);
                *least = distance.min(*least);
            }
        }
    }
    hits
}
