//! Passes that look like copies of stored ones: keys lead to candidates, the stored frames decide.

use std::collections::{BTreeMap, HashMap};

use wearmark_core::judge::{CopiedSeries, DuplicatePass};
use wearmark_core::policy::Policy;
use wearmark_core::series::fingerprint::{Candidate, Fingerprint, candidates, compare, distance};
use wearmark_core::verdict::Verdict;

use super::prepare::Submission;
use crate::storage::Storage;
use crate::storage::connection::Conn;
use crate::storage::error::StorageError;
use crate::storage::fingerprints::{self, StoredPass};

/// A stored pass that a pass of the submission may be a copy of.
struct Suspect<'a> {
    pass: usize,
    candidate: Candidate,
    stored: &'a StoredPass,
}

/// Looks for stored passes that the submission's passes may be copies of, and compares their frames. Passes
/// that are stored already, frame by frame, are passed over, and so are the contributor's own rejected runs:
/// who mislabelled a capture must be able to send it again with the label put right.
pub(super) fn look(
    storage: &Storage,
    policy: &Policy,
    conn: &mut Conn,
    submission: &Submission,
    duplicates: &[DuplicatePass],
) -> Result<Vec<CopiedSeries>, StorageError> {
    let likely: Vec<(usize, Candidate)> = storage.passes(conn, |index| {
        fingerprinted(submission)
            .filter(|(pass, _)| duplicates.iter().all(|d| d.pass != *pass))
            .flat_map(|(pass, fingerprint)| {
                let of_pass = candidates(fingerprint, index, &policy.fingerprint);
                of_pass.into_iter().map(move |candidate| (pass, candidate))
            })
            .collect()
    })?;
    let numbers: Vec<i64> = likely.iter().map(|(_, candidate)| candidate.pass).collect();
    let stored = fingerprints::passes(conn, &numbers)?;
    let stored: HashMap<i64, &StoredPass> = stored.iter().map(|s| (s.pass, s)).collect();
    let suspects: Vec<Suspect<'_>> = likely
        .into_iter()
        .filter_map(|(pass, candidate)| {
            let stored = *stored.get(&candidate.pass)?;
            let own = stored.contributor == submission.account.as_str();
            let counts = !(own && stored.verdict == Verdict::Rejected);
            (counts && near(submission, pass, &candidate, stored, policy)).then_some(Suspect {
                pass,
                candidate,
                stored,
            })
        })
        .collect();
    compared(storage, policy, submission, &suspects)
}

/// The passes that have fingerprints.
pub(super) fn fingerprinted(submission: &Submission) -> impl Iterator<Item = (usize, &Fingerprint)> {
    submission.fingerprints.iter().enumerate().filter_map(|(pass, f)| Some((pass, f.as_ref()?)))
}

/// Whether all signs speak for the candidate, where there are more to look at.
fn near(
    submission: &Submission,
    pass: usize,
    candidate: &Candidate,
    stored: &StoredPass,
    policy: &Policy,
) -> bool {
    let own = submission.fingerprints[pass].as_ref();
    candidate.anchored
        || own.is_some_and(|f| distance(&f.signs, &stored.signs) <= policy.fingerprint.aligned_distance)
}

/// Compares the frames of the likeliest stored runs, and names for each pass the oldest run that it is like.
fn compared(
    storage: &Storage,
    policy: &Policy,
    submission: &Submission,
    suspects: &[Suspect<'_>],
) -> Result<Vec<CopiedSeries>, StorageError> {
    let mut by_run: BTreeMap<&str, Vec<&Suspect<'_>>> = BTreeMap::new();
    for suspect in suspects {
        by_run.entry(&suspect.stored.run).or_default().push(suspect);
    }
    let mut runs: Vec<_> = by_run.into_iter().collect();
    let nearest = |suspects: &[&Suspect<'_>]| suspects.iter().map(|s| s.candidate.distance).min();
    runs.sort_by_key(|(_, suspects)| nearest(suspects));
    runs.truncate(policy.fingerprint.compared_runs);
    runs.sort_by_key(|(run, _)| *run);
    let mut copies: BTreeMap<usize, CopiedSeries> = BTreeMap::new();
    for (run, suspects) in runs {
        let Some(blob) = suspects.iter().find_map(|s| s.stored.blob.as_deref()) else { continue };
        let frames = storage.blob_frame_times(blob)?;
        for suspect in suspects {
            let (Some(fingerprint), Some(stored)) =
                (&submission.fingerprints[suspect.pass], frames.get(suspect.stored.position))
            else {
                continue;
            };
            if copies.contains_key(&suspect.pass) {
                continue;
            }
            let offset = suspect.candidate.offset;
            if let Some(resemblance) = compare(&fingerprint.ln, stored, offset, policy) {
                let copy = CopiedSeries {
                    pass: suspect.pass,
                    run: run.to_owned(),
                    of_pass: suspect.stored.position,
                    own: suspect.stored.contributor == submission.account.as_str(),
                    offset,
                    resemblance,
                };
                copies.insert(suspect.pass, copy);
            }
        }
    }
    Ok(copies.into_values().collect())
}
