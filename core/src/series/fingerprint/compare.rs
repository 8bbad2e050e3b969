//! Whether one pass is a copy of another, by their frames.

use serde::{Deserialize, Serialize};

use crate::policy::Policy;
use crate::series::copied::{Noise, resemblance};

/// The noise of two passes agrees.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Resemblance {
    /// Correlation of the clipped second differences of ln t.
    pub correlation: f64,
    /// Limit that it is above.
    pub limit: f64,
    /// Frames compared.
    pub frames: usize,
    /// Where they begin in the new pass, seconds.
    pub from_s: f64,
    /// Where they end in it, seconds.
    pub to_s: f64,
}

/// Compares a new pass with a stored one whose frame `i + offset` may be frame `i` of the new one; none when
/// they are not alike, or hardly overlap.
pub fn compare(ln: &[f32], stored_ms: &[f64], offset: i64, policy: &Policy) -> Option<Resemblance> {
    let limits = &policy.fingerprint;
    let shift = usize::try_from(offset.unsigned_abs()).ok()?;
    let (from, stored_from) = if offset < 0 { (shift, 0) } else { (0, shift) };
    let new: Vec<f64> = ln.get(from..)?.iter().map(|x| f64::from(*x)).collect();
    let stored: Vec<f64> = stored_ms.get(stored_from..)?.iter().take(new.len()).map(|t| t.ln()).collect();
    let frames = new.len().min(stored.len());
    if frames < limits.min_overlap {
        return None;
    }
    let seconds = |frames: &[f32]| frames.iter().map(|x| f64::from(*x).exp()).sum::<f64>() / 1000.0;
    let (a, b) = (Noise::of(&new[..frames])?, Noise::of(&stored[..frames])?);
    let found = resemblance(&a, &b, limits.correlation, &policy.series)?;
    let compared = a.len().min(b.len());
    let from_s = seconds(&ln[..from]);
    Some(Resemblance {
        correlation: found.correlation,
        limit: found.limit,
        frames: compared,
        from_s,
        to_s: from_s + seconds(&ln[from..from + compared]),
    })
}
