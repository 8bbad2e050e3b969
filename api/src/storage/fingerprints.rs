//! The fingerprints of stored passes: kept in the database in the order they came, and by their keys in memory.

use std::sync::{Mutex, PoisonError};

use diesel::prelude::*;
use wearmark_core::policy::fingerprint::SIGN_WORDS;
use wearmark_core::series::fingerprint::{AnchorKeys, Index, PassKeys};
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::RunId;
use super::tables::{fingerprints, runs, submissions};

/// Passes of one run that can be numbered; the schema allows fewer.
const PASSES: i64 = 64;

/// Rows read at a time.
const CHUNK: i64 = 20_000;

/// Keeps the index; empty until it is first asked for, and again when what it knows may have been undone.
#[derive(Debug, Default)]
pub(crate) struct IndexCell(Mutex<Option<Known>>);

#[derive(Debug, Default)]
struct Known {
    index: Index,
    /// The last pass in it. Passes are numbered as they come.
    last: i64,
}

impl IndexCell {
    /// Lets the index be read again.
    pub(crate) fn forget(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// Works with the index, after it took in what the connection sees and it does not know.
    pub(crate) fn with<T>(&self, conn: &mut Conn, work: impl FnOnce(&Index) -> T) -> Result<T, StorageError> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let known = kept.get_or_insert_default();
        known.catch_up(conn)?;
        Ok(work(&known.index))
    }
}

impl Known {
    fn catch_up(&mut self, conn: &mut Conn) -> Result<(), StorageError> {
        /// Number, signs, keys, anchors.
        type Row = (i64, Vec<u8>, Vec<u8>, Vec<u8>);
        loop {
            let rows: Vec<Row> = fingerprints::table
                .filter(fingerprints::pass.gt(self.last))
                .order(fingerprints::pass)
                .limit(CHUNK)
                .select((fingerprints::pass, fingerprints::signs, fingerprints::keys, fingerprints::anchors))
                .load(conn)
                .map_err(StorageError::database("reading fingerprints"))?;
            let Some((last, ..)) = rows.last() else { return Ok(()) };
            self.last = *last;
            for (pass, signs, keys, anchors) in &rows {
                self.index.insert(*pass, &unpacked(signs, keys, anchors).ok_or_else(damaged)?);
            }
        }
    }
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

/// The stored passes of these numbers, by number; those of deleted runs are passed over.
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
    rows.into_iter()
        .map(|(pass, run, position, signs, contributor, verdict, blob)| {
            Ok(StoredPass {
                pass,
                run,
                position: usize::try_from(position).map_err(|_| damaged())?,
                signs: unpacked_signs(&signs).ok_or_else(damaged)?,
                contributor,
                verdict: Verdict::parse(&verdict).ok_or_else(damaged)?,
                blob,
            })
        })
        .collect()
}

/// Stores the fingerprint of one pass of a run that `revision` stores.
pub(crate) fn insert(
    conn: &mut Conn,
    run: &RunId,
    revision: i64,
    position: i32,
    of: &PassKeys,
) -> Result<(), StorageError> {
    diesel::insert_into(fingerprints::table)
        .values((
            fingerprints::pass.eq(revision * PASSES + i64::from(position) % PASSES),
            fingerprints::run.eq(run.as_str()),
            fingerprints::position.eq(position),
            fingerprints::signs.eq(bytes(of.signs.map(u64::to_le_bytes))),
            fingerprints::keys.eq(bytes(of.keys.iter().map(|key| key.to_be_bytes()))),
            fingerprints::anchors.eq(bytes(of.anchors.iter().map(packed_anchor))),
        ))
        .execute(conn)
        .map_err(StorageError::database("storing a fingerprint"))?;
    Ok(())
}

fn damaged() -> StorageError {
    StorageError::Damaged { what: "a fingerprint".to_owned() }
}

fn bytes(of: impl IntoIterator<Item = impl IntoIterator<Item = u8>>) -> Vec<u8> {
    of.into_iter().flatten().collect()
}

/// Frame, signs, the number of keys in one byte, keys.
fn packed_anchor(anchor: &AnchorKeys) -> Vec<u8> {
    let mut packed = anchor.at.to_be_bytes().to_vec();
    packed.extend(anchor.signs.to_be_bytes());
    packed.push(u8::try_from(anchor.keys.len()).unwrap_or(u8::MAX));
    packed.extend(anchor.keys.iter().take(u8::MAX.into()).flat_map(|key| key.to_be_bytes()));
    packed
}

fn unpacked(signs: &[u8], keys: &[u8], mut anchors: &[u8]) -> Option<PassKeys> {
    let mut pass =
        PassKeys { signs: unpacked_signs(signs)?, keys: unpacked_keys(keys)?, anchors: Vec::new() };
    while !anchors.is_empty() {
        let (at, rest) = anchors.split_first_chunk()?;
        let (signs, rest) = rest.split_first_chunk()?;
        let (count, rest) = rest.split_first()?;
        let (keys, rest) = rest.split_at_checked(4 * usize::from(*count))?;
        pass.anchors.push(AnchorKeys {
            at: u32::from_be_bytes(*at),
            signs: u64::from_be_bytes(*signs),
            keys: unpacked_keys(keys)?,
        });
        anchors = rest;
    }
    Some(pass)
}

fn unpacked_signs(bytes: &[u8]) -> Option<[u64; SIGN_WORDS]> {
    let (words, rest) = bytes.as_chunks();
    let words: Vec<u64> = words.iter().map(|word| u64::from_le_bytes(*word)).collect();
    if rest.is_empty() { words.try_into().ok() } else { None }
}

fn unpacked_keys(bytes: &[u8]) -> Option<Vec<u32>> {
    let (keys, rest) = bytes.as_chunks();
    rest.is_empty().then(|| keys.iter().map(|key| u32::from_be_bytes(*key)).collect())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn keys_are_read_as_they_were_stored_and_damaged_ones_are_refused() {
        let anchor = |at: u32, keys: Vec<u32>| AnchorKeys { at, signs: u64::MAX - u64::from(at), keys };
        let pass = PassKeys {
            signs: [1, u64::MAX, 3, 1 << 63],
            keys: vec![0, 1, u32::MAX],
            anchors: vec![anchor(7, vec![5, 6]), anchor(70_000, vec![]), anchor(9, vec![8])],
        };
        let signs = bytes(pass.signs.map(u64::to_le_bytes));
        let keys = bytes(pass.keys.iter().map(|key| key.to_be_bytes()));
        let anchors = bytes(pass.anchors.iter().map(packed_anchor));
        assert_eq!(unpacked(&signs, &keys, &anchors).unwrap(), pass);
        assert_eq!(unpacked(&signs[1..], &keys, &anchors), None);
        assert_eq!(unpacked(&signs, &keys[1..], &anchors), None);
        for cut in [1, 4, 12, 13, 14] {
            assert_eq!(unpacked(&signs, &keys, &anchors[..anchors.len() - cut]), None, "{cut}");
        }
    }
}
