//! Measured captures of one scene along one fixed path: they resemble each other as honest runs of one
//! workload can, and none is to be taken for a copy of another. Source and licence stand in
//! `tests/captures/README.md`.

use wearmark_core::policy::Policy;
use wearmark_core::series::fingerprint::{Fingerprint, compare, distance};

use crate::captures::{Capture, captures};

struct Printed<'a> {
    capture: &'a Capture,
    times: &'a [f64],
    fingerprint: Fingerprint,
}

fn printed<'a>(captures: &'a [Capture], policy: &Policy) -> Vec<Printed<'a>> {
    captures
        .iter()
        .filter(|c| c.expected() != "duplicate")
        .flat_map(|capture| capture.passes.iter().map(move |times| (capture, times.as_slice())))
        .filter_map(|(capture, times)| {
            Some(Printed { capture, times, fingerprint: Fingerprint::of(times, policy)? })
        })
        .collect()
}

#[test]
fn no_measured_capture_is_a_copy_of_another() {
    let (captures, policy) = (captures(), Policy::published());
    let printed = printed(&captures, &policy);
    assert!(printed.len() > 100, "{}", printed.len());
    let mut seen = Vec::new();
    for a in &printed {
        // The passes of a capture are much alike; the first speaks for all.
        if seen.contains(&a.capture.id()) {
            continue;
        }
        seen.push(a.capture.id());
        for b in printed.iter().filter(|b| b.capture.id() != a.capture.id()) {
            let found = compare(&a.fingerprint.ln, b.times, 0, &policy);
            assert_eq!(found, None, "{} and {}", a.capture.id(), b.capture.id());
        }
    }
}

#[test]
fn rescaled_copies_of_measured_captures_are_found() {
    let (captures, policy) = (captures(), Policy::published());
    let (mut found, mut all) = (0, 0);
    for p in printed(&captures, &policy) {
        let copy: Vec<f64> = p.times.iter().map(|t| (t * 1.03 * 1e4).round() / 1e4).collect();
        let fingerprint = Fingerprint::of(&copy, &policy).unwrap();
        all += 1;
        let near = distance(&fingerprint.signs, &p.fingerprint.signs) <= policy.fingerprint.aligned_distance;
        let shared = p.fingerprint.keys.iter().any(|k| fingerprint.probes.contains(k));
        found += usize::from(near && shared && compare(&fingerprint.ln, p.times, 0, &policy).is_some());
    }
    assert_eq!(found, all);
}
