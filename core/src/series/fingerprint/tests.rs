//! What fingerprints find among copies with a known truth.

use super::*;
use crate::series::synthetic::{Course, Honest};

const SECONDS: usize = 60;

fn honest(seed: u64) -> Honest {
    Honest::new(seed, Course::ALL[(seed % 4) as usize], SECONDS)
}

/// The pass as a forger would give it: without its first frames, rescaled, jittered, printed anew.
fn forged(times: &[f64], cut: usize, jitter: f64, honest: &mut Honest) -> Vec<f64> {
    let scale = honest.random().between(0.9, 1.1);
    let forge = |t: &f64| (t * scale * (1.0 + jitter * honest.random().normal()) * 1e3).round() / 1e3;
    times[cut..].iter().map(forge).collect()
}

/// Whether the index leads from a new pass to a stored one and the frames confirm it.
fn leads(new: &[f64], stored: &[f64], policy: &Policy) -> Option<(Candidate, Resemblance)> {
    let (a, b) = (Fingerprint::of(new, policy)?, Fingerprint::of(stored, policy)?);
    let mut index = Index::default();
    index.insert(7, &b.to_store());
    candidates(&a, &index, &policy.fingerprint)
        .into_iter()
        .filter(|c| c.anchored || distance(&a.signs, &b.signs) <= policy.fingerprint.aligned_distance)
        .find_map(|c| Some((c, compare(&a.ln, stored, c.offset, policy)?)))
}

#[test]
fn a_copy_is_found_though_it_is_rescaled_and_jittered() {
    let policy = Policy::published();
    for (jitter, least) in [(0.0, 60), (0.01, 60), (0.02, 58), (0.03, 54)] {
        let found = (0..60)
            .filter(|seed| {
                let mut h = honest(*seed);
                let stored = h.pass(|_| 0.0);
                let new = forged(&stored, 0, jitter, &mut h);
                leads(&new, &stored, &policy).is_some()
            })
            .count();
        assert!(found >= least, "{jitter}: {found}");
    }
}

#[test]
fn a_copy_that_was_cut_is_found_where_it_was_cut() {
    let policy = Policy::published();
    for (jitter, least) in [(0.0, 57), (0.01, 54), (0.02, 48)] {
        let found = (0..60)
            .filter(|seed| {
                let mut h = honest(*seed);
                let stored = h.pass(|_| 0.0);
                let cut = stored.len() / 8;
                let new = forged(&stored, cut, jitter, &mut h);
                let led = leads(&new, &stored, &policy);
                led.is_some_and(|(candidate, _)| candidate.offset == i64::try_from(cut).unwrap())
            })
            .count();
        assert!(found >= least, "{jitter}: {found}");
    }
}

#[test]
fn passes_of_one_honest_run_are_no_copies_of_each_other() {
    let policy = Policy::published();
    for seed in 0..60 {
        let mut h = honest(seed);
        let (a, b) = (h.pass(|_| 0.0), h.pass(|_| 0.0));
        assert_eq!(leads(&a, &b, &policy), None, "{seed}");
        let (a, b) = (Fingerprint::of(&a, &policy).unwrap(), Fingerprint::of(&b, &policy).unwrap());
        // Four standard deviations below what strangers have.
        assert!(distance(&a.signs, &b.signs) > 96, "{seed}");
    }
}

#[test]
fn the_keys_of_a_pass_never_change() {
    let mut level = 0.0;
    let times: Vec<f64> = (0..3000_u32)
        .map(|i| {
            // The numerical recipes' congruential generator; only its being fixed matters.
            let noise = f64::from(i.wrapping_mul(1_664_525).wrapping_add(1_013_904_223) >> 8) / 16_777_216.0;
            level = 0.7 * level + noise - 0.5;
            ((10.0 + 0.5 * level) * 1e3_f64).round() / 1e3
        })
        .collect();
    let fingerprint = Fingerprint::of(&times, &Policy::published()).unwrap();
    assert_eq!(fingerprint.keys.len(), 15);
    assert_eq!(fingerprint.probes.len(), 91);
    assert!(fingerprint.keys.iter().all(|k| fingerprint.probes.contains(k)));
    assert_eq!(fingerprint.anchors.len(), 4);
    assert_eq!(
        (fingerprint.keys[0], fingerprint.signs[0]),
        (201_067_970, 16_528_396_741_942_092_976),
        "stored fingerprints would be lost"
    );
}

#[test]
fn paced_short_and_unusable_passes_have_no_fingerprint() {
    let policy = Policy::published();
    let times = honest(1).pass(|_| 0.0);
    assert!(Fingerprint::of(&times, &policy).is_some());
    assert_eq!(Fingerprint::of(&times[..200], &policy), None);
    assert_eq!(Fingerprint::of(&vec![16.667; 3000], &policy), None);
    assert_eq!(Fingerprint::of(&vec![f64::NAN; 3000], &policy), None);
    let paced: Vec<f64> = times.iter().map(|t| t.max(40.0)).collect();
    assert_eq!(Fingerprint::of(&paced, &policy), None);
}

#[test]
fn the_index_leads_to_every_pass_with_a_key_but_to_no_more_than_are_kept_of_one() {
    use std::collections::BTreeMap;

    use crate::policy::fingerprint::MAX_POSTINGS;

    let mut random = crate::draw::Random(5);
    let mut key = |below: f64| (random.unit() * below) as u32;
    let mut index = Index::default();
    let mut plain: BTreeMap<u32, Vec<i64>> = BTreeMap::new();
    let mut plain_anchored: BTreeMap<u32, Vec<(i64, u32)>> = BTreeMap::new();
    for pass in 0..20_000_i64 {
        // Keys of all sizes; a few of them are so common that they reach the bound.
        let keys: Vec<u32> = [300.0, 3e4, 3e6, 5e8].iter().map(|below| key(*below)).collect();
        let anchors: Vec<AnchorKeys> = (0..2)
            .map(|at| AnchorKeys { at: 100 * at, signs: u64::from(at), keys: vec![key(2e3), key(5e8)] })
            .collect();
        for key in &keys {
            plain.entry(*key).or_default().push(pass);
        }
        for anchor in &anchors {
            for key in &anchor.keys {
                plain_anchored.entry(*key).or_default().push((pass, anchor.at));
            }
        }
        index.insert(pass, &PassKeys { signs: [0; 4], keys, anchors });
    }
    assert_eq!(index.len(), 20_000);
    assert!(plain.values().any(|passes| passes.len() > MAX_POSTINGS));
    for (key, passes) in &plain {
        let mut found: Vec<i64> = index.aligned(*key).map(|posting| posting.pass).collect();
        found.sort_unstable();
        assert_eq!(found, passes[..passes.len().min(MAX_POSTINGS)], "{key}");
    }
    for (key, anchors) in &plain_anchored {
        let mut found: Vec<(i64, u32)> = index.anchored(*key).map(|p| (p.pass, p.at)).collect();
        found.sort_unstable();
        assert_eq!(found, anchors[..anchors.len().min(MAX_POSTINGS)], "{key}");
    }
    assert_eq!(index.aligned(4_000_000_000).count(), 0);
}
