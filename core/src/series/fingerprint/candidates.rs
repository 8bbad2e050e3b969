//! Which stored passes are worth comparing, by the keys that they share with a new one.

use std::collections::BTreeMap;

use super::{Fingerprint, Index};
use crate::policy::fingerprint::FingerprintPolicy;

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

/// The stored passes that share keys with a new one and resemble it, each pass and offset once, by pass and offset.
pub fn candidates(fingerprint: &Fingerprint, index: &Index, policy: &FingerprintPolicy) -> Vec<Candidate> {
    let mut found: BTreeMap<(i64, i64), Candidate> = BTreeMap::new();
    for posting in fingerprint.probes.iter().flat_map(|key| index.aligned(*key)) {
        let distance = posting.distance(&fingerprint.signs);
        if distance <= policy.check_distance {
            let candidate = Candidate { pass: posting.pass, offset: 0, distance, anchored: false };
            found.entry((posting.pass, 0)).or_insert(candidate);
        }
    }
    for ((pass, offset), hits) in hits(fingerprint, index, policy) {
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
    index: &Index,
    policy: &FingerprintPolicy,
) -> BTreeMap<(i64, i64), BTreeMap<u32, u32>> {
    let mut hits: BTreeMap<(i64, i64), BTreeMap<u32, u32>> = BTreeMap::new();
    for anchor in &fingerprint.anchors {
        for posting in anchor.probes.iter().flat_map(|key| index.anchored(*key)) {
            let distance = posting.distance(anchor.signs);
            if distance <= policy.check_distance {
                let offset = i64::from(posting.at) - i64::from(anchor.at);
                let by_anchor = hits.entry((posting.pass, offset)).or_default();
                let least = by_anchor.entry(anchor.at).or_insert(distance);
                *least = distance.min(*least);
            }
        }
    }
    hits
}
