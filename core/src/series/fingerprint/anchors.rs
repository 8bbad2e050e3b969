//! Keys of copies that were cut: projections of the frames behind each of the largest excursions of the pass,
//! which a copy has too, wherever it begins.

use super::projection;
use crate::policy::fingerprint as shape;

/// What is stored and looked up of the frames behind one large excursion.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Anchor {
    /// Frame of the excursion.
    pub at: u32,
    /// Signs of 64 projections.
    pub signs: u64,
    /// Keys to store; none for an anchor that is only looked up.
    pub keys: Vec<u32>,
    /// Keys to look up; `keys` are among them.
    pub probes: Vec<u32>,
}

/// Of a pass whose noise is given plain and clipped.
pub(super) fn of(plain: &[f64], clipped: &[f64]) -> Vec<Anchor> {
    let anchor = |(rank, at): (usize, usize)| {
        let behind = &clipped[at + 1..=at + shape::ANCHOR_FRAMES];
        let z = projection::project(behind, shape::ANCHOR_FRAMES, shape::ANCHOR_ROTATIONS + 1);
        let (for_signs, for_keys) = z.split_at(shape::ANCHOR_FRAMES);
        let strongest = projection::strongest(for_keys, shape::ANCHOR_PROBED_STRONGEST);
        let stored = if rank < shape::STORED_ANCHORS { shape::ANCHOR_STORED_STRONGEST } else { 0 };
        Anchor {
            // A pass has far fewer frames than a u32 counts.
            at: u32::try_from(at).unwrap_or(u32::MAX),
            signs: projection::signs(&for_signs[..64]),
            keys: projection::pairs(&strongest[..stored]),
            probes: projection::pairs(&strongest),
        }
    };
    peaks(plain).into_iter().enumerate().map(anchor).collect()
}

/// Frames furthest from the local mean, the furthest first, apart from each other, and with enough frames
/// behind them.
fn peaks(noise: &[f64]) -> Vec<usize> {
    let Some(last) = noise.len().checked_sub(shape::ANCHOR_FRAMES + 1) else { return Vec::new() };
    let further = |a: &usize, b: &usize| noise[*b].abs().total_cmp(&noise[*a].abs()).then(a.cmp(b));
    let mut order: Vec<usize> = (0..=last).collect();
    // So many suffice, since each chosen one shuts out fewer than twice the distance.
    let most = 2 * shape::ANCHORS_APART * shape::PROBED_ANCHORS;
    if most < order.len() {
        order.select_nth_unstable_by(most, further);
        order.truncate(most);
    }
    order.sort_unstable_by(further);
    let mut chosen: Vec<usize> = Vec::with_capacity(shape::PROBED_ANCHORS);
    for at in order {
        if chosen.len() < shape::PROBED_ANCHORS
            && chosen.iter().all(|c| c.abs_diff(at) >= shape::ANCHORS_APART)
        {
            chosen.push(at);
        }
    }
    chosen
}
