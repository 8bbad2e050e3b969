//! The fingerprints of stored passes and the indexes that lead to them. A look-up costs one walk down an index
//! for each key, whatever is stored, since no key has many postings.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use wearmark_core::policy::fingerprint::{MAX_POSTINGS, SIGN_WORDS};
use wearmark_core::series::fingerprint::{AnchoredPosting, Fingerprint, Posting};
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::RunId;
use super::tables::{aligned, anchored, fingerprints, runs, submissions};

/// Passes of one run that can be numbered; the schema allows fewer.
const PASSES: i64 = 64;

/// What is stored under the keys of a new pass.
#[derive(Debug, Default)]
pub(crate) struct Found {
    /// Under keys of its first frames.
    pub(crate) aligned: Vec<Posting>,
    /// Under keys of its anchors.
    pub(crate) anchored: Vec<AnchoredPosting>,
    /// Keys that have all the postings they may have.
    full: Full,
}

#[derive(Debug, Default)]
struct Full {
    aligned: BTreeSet<i64>,
    anchored: BTreeSet<i64>,
}

/// A stored pass that may have been copied.
#[derive(Debug, Clone)]
pub(crate) struct StoredPass {
    /// Its number.
    pub(crate) pass: i64,
    /// Its run.
    pub(crate) run: String,
    /// Its place in the run.
    pub(crate) position: usize,
    /// Its signs.
    pub(crate) signs: [u64; SIGN_WORDS],
    /// Whose run it is.
    pub(crate) contributor: String,
    /// What became of the run.
    pub(crate) verdict: Verdict,
    /// Where its frame times are.
    pub(crate) blob: Option<String>,
}

/// Looks the keys of a new pass up.
pub(crate) fn look_up(conn: &mut Conn, of: &Fingerprint) -> Result<Found, StorageError> {
    let doing = "looking for passes alike";
    let mut found = Found::default();
    let rows: Vec<(i64, i64, i64)> = aligned::table
        .filter(aligned::key.eq_any(&of.probes))
        .select((aligned::key, aligned::pass, aligned::signs))
        .load(conn)
        .map_err(StorageError::database(doing))?;
    found.full.aligned = full(rows.iter().map(|row| row.0));
    found.aligned =
        rows.into_iter().map(|(_, pass, signs)| Posting { pass, signs: signs.cast_unsigned() }).collect();
    let keys: BTreeSet<i64> = of.anchors.iter().flat_map(|a| &a.probes).copied().collect();
    if keys.is_empty() {
        return Ok(found);
    }
    let rows: Vec<(i64, i64, i64, i64)> = anchored::table
        .filter(anchored::key.eq_any(keys))
        .select((anchored::key, anchored::pass, anchored::frame, anchored::signs))
        .load(conn)
        .map_err(StorageError::database(doing))?;
    found.full.anchored = full(rows.iter().map(|row| row.0));
    found.anchored = rows
        .into_iter()
        .map(|(key, pass, at, signs)| AnchoredPosting { key, pass, at, signs: signs.cast_unsigned() })
        .collect();
    Ok(found)
}

fn full(keys: impl Iterator<Item = i64>) -> BTreeSet<i64> {
    let mut counts: BTreeMap<i64, usize> = BTreeMap::new();
    for key in keys {
        *counts.entry(key).or_default() += 1;
    }
    counts.into_iter().filter(|(_, count)| *count >= MAX_POSTINGS).map(|(key, _)| key).collect()
}

/// The stored passes of these numbers, by number.
pub(crate) fn passes(conn: &mut Conn, numbers: &[i64]) -> Result<Vec<StoredPass>, StorageError> {
    if numbers.is_empty() {
        return Ok(Vec::new());
    }
    type Row = (i64, String, i32, Vec<u8>, String, String, Option<String>);
    let rows: Vec<Row> = fingerprints::table
        .inner_join(runs::table.inner_join(submissions::table))
        .filter(fingerprints::pass.eq_any(numbers))
        .order(fingerprints::pass)
        .select((
            fingerprints::pass,
            fingerprints::run,
            fingerprints::position,
            fingerprints::signs,
            runs::contributor,
            runs::verdict,
            submissions::blob,
        ))
        .load(conn)
        .map_err(StorageError::database("reading fingerprints"))?;
    let damaged = || StorageError::Damaged { what: "a fingerprint".to_owned() };
    rows.into_iter()
        .map(|(pass, run, position, signs, contributor, verdict, blob)| {
            Ok(StoredPass {
                pass,
                run,
                position: usize::try_from(position).map_err(|_| damaged())?,
                signs: unpacked(&signs).ok_or_else(damaged)?,
                contributor,
                verdict: Verdict::parse(&verdict).ok_or_else(damaged)?,
                blob,
            })
        })
        .collect()
}

fn packed(signs: &[u64; SIGN_WORDS]) -> Vec<u8> {
    signs.iter().flat_map(|word| word.to_le_bytes()).collect()
}

fn unpacked(bytes: &[u8]) -> Option<[u64; SIGN_WORDS]> {
    let (words, rest) = bytes.as_chunks::<8>();
    let words: Vec<u64> = words.iter().map(|word| u64::from_le_bytes(*word)).collect();
    if rest.is_empty() { words.try_into().ok() } else { None }
}

/// Stores the fingerprint of one pass of a run that `revision` stores. `found` is what its look-up met.
pub(crate) fn insert(
    conn: &mut Conn,
    run: &RunId,
    revision: i64,
    position: i32,
    of: &Fingerprint,
    found: &Found,
) -> Result<(), StorageError> {
    let doing = "storing a fingerprint";
    let pass = revision * PASSES + i64::from(position) % PASSES;
    diesel::insert_into(fingerprints::table)
        .values((
            fingerprints::pass.eq(pass),
            fingerprints::run.eq(run.as_str()),
            fingerprints::position.eq(position),
            fingerprints::signs.eq(packed(&of.signs)),
        ))
        .execute(conn)
        .map_err(StorageError::database(doing))?;
    for key in of.keys.iter().filter(|key| !found.full.aligned.contains(key)) {
        diesel::insert_into(aligned::table)
            .values((
                aligned::key.eq(key),
                aligned::pass.eq(pass),
                aligned::signs.eq(of.signs[0].cast_signed()),
            ))
            .execute(conn)
            .map_err(StorageError::database(doing))?;
    }
    for anchor in &of.anchors {
        for key in anchor.keys.iter().filter(|key| !found.full.anchored.contains(key)) {
            diesel::insert_into(anchored::table)
                .values((
                    anchored::key.eq(key),
                    anchored::pass.eq(pass),
                    anchored::frame.eq(anchor.at),
                    anchored::signs.eq(anchor.signs.cast_signed()),
                ))
                .execute(conn)
                .map_err(StorageError::database(doing))?;
        }
    }
    Ok(())
}
