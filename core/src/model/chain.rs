//! Driver releases in the order of time. What a release does to an architecture mostly stays with the next one, so
//! the effects of releases are not drawn one by one but along the days, as a stationary Ornstein-Uhlenbeck process
//! (Uhlenbeck and Ornstein 1930): each has the same prior variance t^2, two that lie d days apart the correlation
//! r = exp(-d / memory). It is a Markov process, so its precision matrix is tridiagonal,
//!
//! ```text
//! t^2 Q = diag(a_(k-1) + a_k - 1), off the diagonal -r_k a_k, with a_k = 1 / (1 - r_k^2), a_0 = a_n = 1,
//! ```
//!
//! and a release that no run has shown yet is expected at r times the effect of the one before, with the variance
//! t^2 (1 - r^2) on top (Rasmussen and Williams 2006, appendix B).

use std::collections::{BTreeMap, HashMap};

use super::terms::{Key, RELEASE_FAMILY, RELEASE_WORKLOAD_FAMILY};
use crate::policy::model::ModelPolicy;

/// What the effects of a chain concern: the effect's number and the ids beside the release's.
type Concern = (u8, [u64; 2]);

/// Parameters of each chain with their days, oldest first.
pub(super) type Chains = HashMap<Concern, Vec<(i32, u32)>>;

/// Two packages of one day still differ: no two releases lie nearer than that, days.
const NEAREST: i32 = 7;

/// Whether an effect is one of releases along the days.
pub(super) fn is_chained(term: usize) -> bool {
    term == RELEASE_FAMILY || term == RELEASE_WORKLOAD_FAMILY
}

fn concern(key: &Key) -> Concern {
    (key.term, [key.ids[1], key.ids[2]])
}

/// Correlation of two releases.
fn correlation(days: i32, policy: &ModelPolicy) -> f64 {
    (-f64::from(days.saturating_abs().max(NEAREST)) / policy.release_memory_days).exp()
}

/// The chains of some parameters; those of releases without a day are in none.
pub(super) fn chains(keys: &[Key], days: &BTreeMap<u32, i32>) -> Chains {
    let mut chains = Chains::new();
    for (at, key) in (0_u32..).zip(keys).filter(|(_, key)| is_chained(usize::from(key.term))) {
        let day = u32::try_from(key.ids[0]).ok().and_then(|release| days.get(&release));
        if let Some(day) = day {
            chains.entry(concern(key)).or_default().push((*day, at));
        }
    }
    chains.values_mut().for_each(|chain| chain.sort_unstable());
    chains
}

/// Turns the precisions of chained parameters, each on its own so far, into those of the process, and gives
/// what is off the diagonal: two places, the lower first, and the entry, in the order of the places.
pub(super) fn couple(chains: &Chains, precision: &mut [f64], policy: &ModelPolicy) -> Vec<(u32, u32, f64)> {
    let mut couplings = Vec::new();
    for chain in chains.values() {
        let Some((_, first)) = chain.first() else { continue };
        let alone = precision[*first as usize];
        for pair in chain.windows(2) {
            let ((day, one), (later, other)) = (pair[0], pair[1]);
            let r = correlation(later - day, policy);
            let a = 1.0 / (1.0 - r * r);
            precision[one as usize] += alone * (a - 1.0);
            precision[other as usize] += alone * (a - 1.0);
            couplings.push((one.min(other), one.max(other), -alone * r * a));
        }
    }
    couplings.sort_unstable_by_key(|(one, other, _)| (*one, *other));
    couplings
}

/// The parameter that a release never met is expected to be like, and the correlation with it: the last release
/// before it, else the first after.
pub(super) fn nearest(
    chains: &Chains,
    term: usize,
    ids: [u64; 2],
    day: i32,
    policy: &ModelPolicy,
) -> Option<(u32, f64)> {
    let chain = chains.get(&(term as u8, ids))?;
    let after = chain.partition_point(|(other, _)| *other <= day);
    let (other, at) = chain.get(after.saturating_sub(1))?;
    Some((*at, correlation(day - other, policy)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAYS: [i32; 4] = [100, 160, 240, 900];

    fn key(release: u64) -> Key {
        Key { term: RELEASE_FAMILY as u8, ids: [release, 5, 0] }
    }

    fn chained() -> Chains {
        // Parameters stand in another order than their days; release 9 has no day.
        let keys: Vec<Key> = [3, 0, 9, 2, 1].map(key).into();
        let days = (0_u32..).zip(DAYS).collect();
        chains(&keys, &days)
    }

    #[test]
    fn the_precision_matrix_is_the_inverse_of_the_covariance_of_the_process() {
        let policy = ModelPolicy::published();
        let chains = chained();
        let chain = &chains[&(RELEASE_FAMILY as u8, [5, 0])];
        assert_eq!(*chain, [(100, 1), (160, 4), (240, 3), (900, 0)]);
        let sd = 0.02_f64;
        let mut precision = [1.0 / (sd * sd); 5];
        let couplings = couple(&chains, &mut precision, &policy);
        let q = |i: u32, j: u32| {
            let (low, high) = (i.min(j), i.max(j));
            let off = couplings.iter().find(|(a, b, _)| (*a, *b) == (low, high)).map_or(0.0, |(.., q)| *q);
            if i == j { precision[i as usize] } else { off }
        };
        for (day, i) in chain {
            for (other, _) in chain {
                let product: f64 = chain
                    .iter()
                    .map(|(between, k)| {
                        let apart = f64::from((between - other).abs());
                        q(*i, *k) * sd * sd * (-apart / policy.release_memory_days).exp()
                    })
                    .sum();
                let wanted = f64::from(u8::from(day == other));
                assert!((product - wanted).abs() < 1e-9, "{day} {other}: {product}");
            }
        }
        assert!((precision[2] - 1.0 / (sd * sd)).abs() < 1e-9, "a release without a day stands alone");
    }

    #[test]
    fn a_release_never_met_is_like_the_one_before_it() {
        let policy = ModelPolicy::published();
        let chains = chained();
        let found = |day: i32| nearest(&chains, RELEASE_FAMILY, [5, 0], day, &policy);
        let r = |days: i32| (-f64::from(days) / policy.release_memory_days).exp();
        assert_eq!(found(300), Some((3, r(60))));
        assert_eq!(found(240), Some((3, r(7))));
        assert_eq!(found(40), Some((1, r(60))));
        assert_eq!(nearest(&chains, RELEASE_FAMILY, [6, 0], 300, &policy), None);
    }
}
