//! The shape of fingerprints of passes, and the thresholds of what counts as a copy.
//!
//! The constants shape what is stored: changing one makes stored fingerprints useless to new ones.

use serde::{Deserialize, Serialize};

/// Frames behind the aligned fingerprint; a power of two, since the projections are a fast transform.
pub const ALIGNED_FRAMES: usize = 2048;

/// Rotations of those frames that give projections for keys: twice 2048.
pub const ALIGNED_ROTATIONS: usize = 2;

/// Frames below which a pass has no fingerprint: chance agreement then reaches what copies have.
pub const MIN_FRAMES: usize = 256;

/// Frames to each side of a frame whose mean is taken off its ln t. A wide mean keeps the noise from frame to
/// frame, whose neighbours resemble each other, while a plain difference throws half of it away and lets the
/// jitter of a copy through in full: on the weakest texture of the demo a copy with 3 % jitter correlates with
/// its original at 0.6, by plain differences at 0.44.
pub const HALF_WIDTH: usize = 8;

/// Scaled values are clipped here, in scaled MADs, so that a few stutters do not decide.
pub const CLIP: f64 = 3.0;

/// Strongest projections of a stored pass whose pairs are its keys: 6 make 15 keys.
pub const STORED_STRONGEST: usize = 6;

/// Strongest projections of a new pass whose pairs are looked up: 14 make 91 keys.
///
/// A pair of strong projections is shared by a copy with far higher odds than a band of signs, because noise
/// does not turn what is far from zero (cross-polytope hashing: Andoni, Indyk, Laarhoven, Razenshteyn and
/// Schmidt 2015, Practical and optimal LSH for angular distance). A band of 8 of the 256 signs is shared by a
/// copy at distance 80 with odds 0.05, 32 such bands by 80 % of them, and among 300,000 stored passes each
/// look-up would meet 37,000 strangers; bands that meet few strangers find few copies. There are 33 million
/// pairs here, so that a look-up among 300,000 passes meets twelve strangers.
pub const PROBED_STRONGEST: usize = 14;

/// Signs of further projections (SimHash: Charikar 2002, Similarity estimation techniques from rounding
/// algorithms), in words of 64.
pub const SIGN_WORDS: usize = 4;

/// Frames behind an anchor; a power of two.
pub const ANCHOR_FRAMES: usize = 512;

/// Rotations of those frames that give projections for keys: eight times 512.
pub const ANCHOR_ROTATIONS: usize = 8;

/// Anchors closer than this, frames, are one.
pub const ANCHORS_APART: usize = 32;

/// Largest excursions of a stored pass that are anchors. Words of 20 to 22 signs instead, also those whose
/// weakest value is clearest, lose too much to jitter: of passes cut by a tenth, with jitter of 1, 2, 3 %,
/// they found 87, 21, 3 %, anchors 100, 99, 88 %.
pub const STORED_ANCHORS: usize = 4;

/// Largest excursions of a new pass that are looked up.
pub const PROBED_ANCHORS: usize = 4;

/// Strongest projections behind a stored anchor whose pairs are its keys: 4 make 6 keys.
pub const ANCHOR_STORED_STRONGEST: usize = 4;

/// The same of a new pass: 9 make 36 keys.
pub const ANCHOR_PROBED_STRONGEST: usize = 9;

/// Postings of one key at most (simulation study of this project): what is that common tells nothing, and a
/// bound on them bounds a look-up.
pub const MAX_POSTINGS: usize = 40;

/// Frames of a pass that are kept in memory until it is compared.
pub const COMPARED_FRAMES: usize = 8192;

/// Thresholds of what counts as a copy of a stored pass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FingerprintPolicy {
    /// Unlike signs among the first 64 with which a shared key is followed up: a stranger has 32 with a standard
    /// deviation of 4, so one in sixty; at a correlation of 0.6 a copy has 19 with one of 3.6.
    pub check_distance: u32,
    /// Unlike signs of 256 with which the frames are compared: a stranger has 128 with a standard deviation of
    /// 8, so one in 30,000; at a correlation of 0.6 a copy has 75 with one of 7.
    pub aligned_distance: u32,
    /// Unlike signs of 64 behind one anchor with which the frames are compared: one stranger in 25,000. Two
    /// anchors at the same offset need only `check_distance`.
    pub anchored_distance: u32,
    /// Stored runs whose frames are read and compared at most, the likeliest first: a bound on the cost.
    pub compared_runs: usize,
    /// Frames that must overlap.
    pub min_overlap: usize,
    /// Correlation of the clipped second differences of ln t over the overlap from which one is a copy of the
    /// other (simulation study of this project: null maximum 0.23; different runs among `tests/captures` reach
    /// 0.17). For short overlaps and very even passes the wider limits of `SeriesPolicy` apply.
    pub correlation: f64,
}

impl FingerprintPolicy {
    /// The values that the documentation names.
    pub fn published() -> FingerprintPolicy {
        FingerprintPolicy {
            check_distance: 23,
            aligned_distance: 96,
            anchored_distance: 16,
            compared_runs: 4,
            min_overlap: MIN_FRAMES,
            correlation: 0.30,
        }
    }
}
