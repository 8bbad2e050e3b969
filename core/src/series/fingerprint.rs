//! Fingerprints of passes, so that a copy of any stored pass is found without reading what is stored: keys that
//! a copy shares with its original, for an index, and the comparison that settles it.
//!
//! All keys come from the ln frame times less their local mean, clipped: the noise from frame to frame, which
//! no two captures share, freed of the level and of the slow course of the scene. Keys of the first frames find
//! copies that begin with the same frame, also rescaled and jittered; keys of the frames behind [`anchors`]
//! find those that were cut.

mod anchors;
mod candidates;
mod compare;
mod index;
mod projection;

use super::{cap, trace};
use crate::policy::Policy;
use crate::policy::fingerprint as shape;
use crate::statistics::robust;

pub use anchors::Anchor;
pub use candidates::{Candidate, candidates};
pub use compare::{Resemblance, compare};
pub use index::{AnchorKeys, Index, PassKeys};

/// What is stored and looked up of one pass.
#[derive(Debug, Clone, PartialEq)]
pub struct Fingerprint {
    /// Signs of 256 projections of the first frames, the first in the lowest bit of the first word.
    pub signs: [u64; shape::SIGN_WORDS],
    /// Keys of the first frames to store.
    pub keys: Vec<u32>,
    /// Keys to look up; `keys` are among them.
    pub probes: Vec<u32>,
    /// Where a copy that was cut can be caught, the largest excursion first.
    pub anchors: Vec<Anchor>,
    /// ln of the first frame times in milliseconds, for the comparison.
    pub ln: Vec<f32>,
    /// Length of the pass, frames.
    pub frames: usize,
}

impl Fingerprint {
    /// Of one pass; none when it is too short, cannot be computed with, has no noise, or is paced by something
    /// else than the load: what paces the frames makes them alike without anybody copying. O(frames).
    pub fn of(frame_times_ms: &[f64], policy: &Policy) -> Option<Fingerprint> {
        if frame_times_ms.len() < shape::MIN_FRAMES || !trace::usable(frame_times_ms) {
            return None;
        }
        let ln: Vec<f64> = frame_times_ms.iter().map(|t| t.ln()).collect();
        if cap::pacing(&ln, &policy.series).is_some_and(|p| p.share > policy.series.cap_share) {
            return None;
        }
        let plain = noise(&ln)?;
        let clipped: Vec<f64> = plain.iter().map(|x| x.clamp(-shape::CLIP, shape::CLIP)).collect();
        let z = projection::project(&clipped, shape::ALIGNED_FRAMES, shape::ALIGNED_ROTATIONS + 1);
        let (for_signs, for_keys) = z.split_at(shape::ALIGNED_FRAMES);
        let strongest = projection::strongest(for_keys, shape::PROBED_STRONGEST);
        let mut signs = [0; shape::SIGN_WORDS];
        for (word, values) in signs.iter_mut().zip(for_signs.chunks(64)) {
            *word = projection::signs(values);
        }
        Some(Fingerprint {
            signs,
            keys: projection::pairs(&strongest[..shape::STORED_STRONGEST]),
            probes: projection::pairs(&strongest),
            anchors: anchors::of(&plain, &clipped),
            ln: ln.iter().take(shape::COMPARED_FRAMES).map(|x| *x as f32).collect(),
            frames: ln.len(),
        })
    }

    /// What is stored, so that later passes are compared with this one.
    pub fn to_store(&self) -> PassKeys {
        let anchor = |a: &Anchor| AnchorKeys { at: a.at, signs: a.signs, keys: a.keys.clone() };
        PassKeys {
            signs: self.signs,
            keys: self.keys.clone(),
            anchors: self.anchors.iter().map(anchor).collect(),
        }
    }
}

/// Unlike signs.
pub fn distance(a: &[u64], b: &[u64]) -> u32 {
    a.iter().zip(b).map(|(x, y)| (x ^ y).count_ones()).sum()
}

/// ln t less its local mean, over its scaled MAD; none without spread.
fn noise(ln: &[f64]) -> Option<Vec<f64>> {
    let mut sums = Vec::with_capacity(ln.len() + 1);
    sums.push(0.0);
    let mut total = 0.0;
    for x in ln {
        total += x;
        sums.push(total);
    }
    let mut noise: Vec<f64> = ln
        .iter()
        .enumerate()
        .map(|(at, x)| {
            let from = at.saturating_sub(shape::HALF_WIDTH);
            let to = (at + shape::HALF_WIDTH + 1).min(ln.len());
            x - (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect();
    let scale = robust::mad(&noise)?;
    if scale <= 0.0 {
        return None;
    }
    for x in &mut noise {
        *x /= scale;
    }
    Some(noise)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
