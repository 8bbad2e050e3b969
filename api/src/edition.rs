//! Editions: immutable, numbered, checksummed releases of the accepted runs, as folders of files.

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use thiserror::Error;
use wearmark_core::error::CoreError;
use wearmark_core::policy::Policy;
use wearmark_core::table::medians::{MediansQuery, medians};

use crate::storage::Storage;
use crate::storage::canonical;
use crate::storage::error::StorageError;
use crate::storage::frames::FrameAt;

/// The form of the manifest.
const SCHEMA: &str = "edition/1";

/// What says what is in an edition.
const MANIFEST: &str = "manifest.json";

/// The checksums of everything in it, in the form that `sha256sum --check` reads.
const SUMS: &str = "SHA256SUMS";

/// Largest manifest that is read.
const MOST_BYTES: u64 = 1 << 20;

/// What an edition is and holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// `edition/1`.
    pub schema: String,
    /// Its number, from 1.
    pub number: u32,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// Revision of the data that it is of.
    pub revision: i64,
    /// Accepted runs in it.
    pub runs: usize,
    /// Terms under which the data may be used, in its operator's words.
    pub licence: String,
    /// The files beside the manifest and the checksums, by name.
    pub files: Vec<ListedFile>,
}

/// A file of an edition.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListedFile {
    /// Its name, without a folder.
    pub name: String,
    /// Its length, bytes.
    pub bytes: u64,
    /// SHA-256 of it, hexadecimal.
    pub sha256: String,
}

/// An edition that cannot be made or is not as it was made.
#[derive(Debug, Error)]
pub enum EditionError {
    /// A file or folder.
    #[error("{}: {cause}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        cause: io::Error,
    },
    /// The manifest is none.
    #[error("the manifest is none: {0}")]
    Manifest(String),
    /// What is there is not what was made.
    #[error("{name} is not as it was made: {what}")]
    Altered {
        /// The file.
        name: String,
        /// How it differs.
        what: String,
    },
    /// Storage failed.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// A table could not be made.
    #[error(transparent)]
    Table(#[from] CoreError),
}

fn at(path: &Path) -> impl FnOnce(io::Error) -> EditionError {
    let path = path.to_owned();
    move |cause| EditionError::File { path, cause }
}

impl Manifest {
    /// Reads a manifest: nothing in it may lead out of its folder, and no file stands in it twice.
    ///
    /// # Errors
    /// When it is something else.
    pub fn from_bytes(bytes: &[u8]) -> Result<Manifest, EditionError> {
        let refuse = |why: String| EditionError::Manifest(why);
        let manifest: Manifest = serde_json::from_slice(bytes).map_err(|e| refuse(e.to_string()))?;
        if manifest.schema != SCHEMA || manifest.number == 0 {
            return Err(refuse(format!("`schema` must be `{SCHEMA}`, and `number` 1 or more")));
        }
        let mut names = BTreeSet::from([MANIFEST, SUMS]);
        for file in &manifest.files {
            let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.');
            if file.name.starts_with('.') || file.name.is_empty() || !file.name.bytes().all(plain) {
                return Err(refuse(format!("{:?} is no name of a file in a folder", file.name)));
            }
            if !names.insert(&file.name) {
                return Err(refuse(format!("{:?} stands in it twice", file.name)));
            }
            let hexadecimal = |b: u8| matches!(b, b'0'..=b'9' | b'a'..=b'f');
            if file.sha256.len() != 64 || !file.sha256.bytes().all(hexadecimal) {
                return Err(refuse(format!("`sha256` of {:?} is none", file.name)));
            }
        }
        Ok(manifest)
    }

    /// The manifest as bytes; equal ones are equal bytes.
    fn to_bytes(&self) -> Vec<u8> {
        // Text and numbers only: this cannot fail.
        let mut bytes = serde_json::to_vec_pretty(self).unwrap_or_default();
        bytes.push(b'\n');
        bytes
    }
}

/// Makes the next edition below a folder, of what is accepted now: all of it is on disk, under its name, or nothing is.
///
/// # Errors
/// When the folder cannot be written to, or the data cannot be read.
pub fn make(
    storage: &Storage,
    policy: &Policy,
    folder: &Path,
    licence: &str,
    now: DateTime<Utc>,
) -> Result<(PathBuf, Manifest), EditionError> {
    let FrameAt { frame, revision, .. } = storage.frame()?;
    let runs = frame.export()?;
    let table = medians(&frame, &MediansQuery::default(), policy)?;
    fs::create_dir_all(folder).map_err(at(folder))?;
    let number = next_number(folder)?;
    let mut files =
        vec![("medians.csv", table.csv()?), ("runs.csv", runs.csv()?), ("runs.parquet", runs.parquet()?)];
    let sheet = data_sheet(number, now, frame.len(), licence);
    files.insert(0, ("README.md", sheet.into_bytes()));
    let listed = files.iter().map(|(name, bytes)| ListedFile {
        name: (*name).to_owned(),
        bytes: bytes.len() as u64,
        sha256: hash(bytes),
    });
    let manifest = Manifest {
        schema: SCHEMA.to_owned(),
        number,
        made_at: now,
        revision,
        runs: frame.len(),
        licence: licence.to_owned(),
        files: listed.collect(),
    };
    files.push((MANIFEST, manifest.to_bytes()));
    let sums: String = files.iter().map(|(name, bytes)| format!("{}  {name}\n", hash(bytes))).collect();
    files.push((SUMS, sums.into_bytes()));
    let done = folder.join(name_of(number));
    let growing = folder.join(format!(".{}-{}", name_of(number), std::process::id()));
    let written = write_all(&growing, &files).and_then(|()| fs::rename(&growing, &done));
    if let Err(cause) = written.and_then(|()| fs::File::open(folder)?.sync_all()) {
        // What is left of it is of no use; a second error would say no more.
        let _ = fs::remove_dir_all(&growing);
        return Err(EditionError::File { path: done, cause });
    }
    Ok((done, manifest))
}

fn write_all(folder: &Path, files: &[(&str, Vec<u8>)]) -> io::Result<()> {
    fs::create_dir(folder)?;
    for (name, bytes) in files {
        let mut file = fs::File::create_new(folder.join(name))?;
        file.write_all(bytes)?;
        file.sync_all()?;
        let mut rights = file.metadata()?.permissions();
        rights.set_readonly(true);
        file.set_permissions(rights)?;
    }
    fs::File::open(folder)?.sync_all()
}

fn name_of(number: u32) -> String {
    format!("edition-{number:04}")
}

/// One more than the largest that is there.
fn next_number(folder: &Path) -> Result<u32, EditionError> {
    let mut largest = 0;
    for entry in fs::read_dir(folder).map_err(at(folder))? {
        let name = entry.map_err(at(folder))?.file_name();
        let number = name.to_str().and_then(|name| name.strip_prefix("edition-")?.parse::<u32>().ok());
        largest = largest.max(number.unwrap_or(0));
    }
    Ok(largest + 1)
}

/// Looks whether an edition is as it was made, and gives its manifest.
///
/// # Errors
/// Names the first file that is not.
pub fn check(folder: &Path) -> Result<Manifest, EditionError> {
    let path = folder.join(MANIFEST);
    let size = fs::metadata(&path).map_err(at(&path))?.len();
    if size > MOST_BYTES {
        return Err(EditionError::Manifest(format!("it has {size} bytes")));
    }
    let bytes = fs::read(&path).map_err(at(&path))?;
    let manifest = Manifest::from_bytes(&bytes)?;
    let mut sums = String::new();
    for file in &manifest.files {
        let path = folder.join(&file.name);
        let (length, sha256) = hashed(&path).map_err(at(&path))?;
        let altered = |what: String| EditionError::Altered { name: file.name.clone(), what };
        if length != file.bytes {
            return Err(altered(format!("{length} bytes, not {}", file.bytes)));
        }
        if sha256 != file.sha256 {
            return Err(altered(format!("its SHA-256 is {sha256}, not {}", file.sha256)));
        }
        sums.push_str(&format!("{sha256}  {}\n", file.name));
    }
    sums.push_str(&format!("{}  {MANIFEST}\n", hash(&bytes)));
    let path = folder.join(SUMS);
    if fs::read(&path).map_err(at(&path))? != sums.as_bytes() {
        let what = "it is not what the manifest and the files give".to_owned();
        return Err(EditionError::Altered { name: SUMS.to_owned(), what });
    }
    Ok(manifest)
}

fn hashed(path: &Path) -> io::Result<(u64, String)> {
    let mut hasher = Sha256::new();
    let length = io::copy(&mut fs::File::open(path)?, &mut hasher)?;
    Ok((length, canonical::hex(&hasher.finalize())))
}

fn hash(bytes: &[u8]) -> String {
    canonical::hex(&Sha256::digest(bytes))
}

/// What whoever finds the folder should know.
fn data_sheet(number: u32, now: DateTime<Utc>, runs: usize, licence: &str) -> String {
    format!(
        "# Edition {number}\n\n\
         {runs} accepted benchmark runs of graphics cards, as they stood on {}. Terms of use: {licence}.\n\n\
         - `runs.parquet`, `runs.csv`: one run a row, in the order of run ids, with the keys that it is pooled under and its\n  \
           figures; names are catalogue ids where the catalogue knows the thing. Contributors are ids, never names. No frame times.\n\
         - `medians.csv`: one configuration a row: the median of contributors' medians with its 95 % interval.\n\
         - `manifest.json`: revision of the data, length and SHA-256 of each file. `SHA256SUMS`: the same for\n  \
           `sha256sum --check SHA256SUMS`.\n\n\
         Runs were measured by volunteers, judged by a service and moderated by people; held and rejected runs are not here.\n\
         A run that was withdrawn before this edition was made is not in it; one that is withdrawn later leaves the next one.\n\
         An edition is never changed.\n",
        now.format("%Y-%m-%d")
    )
}
