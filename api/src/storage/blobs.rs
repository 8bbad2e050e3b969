//! The blob store: bytes under the name of their own SHA-256, so that nothing is ever written over.
//!
//! A blob is on disk before the run that names it. A crash between the two leaves a blob without a run,
//! which costs its space and nothing else.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, SystemTime};

use sha2::{Digest as _, Sha256};

use super::canonical;
use super::error::StorageError;

/// Temporary files older than this belong to nobody who still runs.
const ABANDONED_AFTER: Duration = Duration::from_secs(24 * 60 * 60);

/// Where blobs are kept.
pub(crate) trait BlobStore: Send + Sync {
    /// Stores the bytes and answers with their name; on disk when it comes back.
    fn put(&self, bytes: &[u8]) -> Result<String, StorageError>;
    /// The bytes of that name, checked against it.
    fn get(&self, name: &str) -> Result<Vec<u8>, StorageError>;
    /// Whether there are bytes of that name.
    fn has(&self, name: &str) -> bool;
    /// Deletes the bytes of that name, if they are there.
    fn delete(&self, name: &str) -> Result<(), StorageError>;
}

/// Blobs as files, fanned out over 256 folders by the first two digits of their names.
pub(crate) struct FolderStore {
    root: PathBuf,
    temporary: PathBuf,
    counter: AtomicU64,
}

impl FolderStore {
    /// Opens a folder, which is made when it is missing. All its folders are made and synced here, so that
    /// storing a blob has one file and one folder to sync.
    pub(crate) fn open(root: PathBuf) -> Result<FolderStore, StorageError> {
        let doing = "opening the blob folder";
        let temporary = root.join("temporary");
        fs::create_dir_all(&temporary).map_err(StorageError::file(doing))?;
        for first in 0..=u8::MAX {
            match fs::create_dir(root.join(format!("{first:02x}"))) {
                Err(error) if error.kind() != io::ErrorKind::AlreadyExists => {
                    return Err(StorageError::File { doing, source: error });
                }
                _ => {}
            }
        }
        sync_folder(&root).map_err(StorageError::file(doing))?;
        if let Some(parent) = root.parent() {
            sync_folder(parent).map_err(StorageError::file(doing))?;
        }
        sweep(&temporary).map_err(StorageError::file(doing))?;
        Ok(FolderStore { root, temporary, counter: AtomicU64::new(0) })
    }

    fn folder(&self, name: &str) -> PathBuf {
        self.root.join(&name[..2])
    }
}

impl BlobStore for FolderStore {
    fn put(&self, bytes: &[u8]) -> Result<String, StorageError> {
        let doing = "storing frame times";
        let name = canonical::hex(&Sha256::digest(bytes));
        let folder = self.folder(&name);
        let path = folder.join(&name);
        if !path.exists() {
            let number = self.counter.fetch_add(1, Ordering::Relaxed);
            let temporary = self.temporary.join(format!("{name}-{}-{number}", std::process::id()));
            let written = write_synced(&temporary, bytes).and_then(|()| fs::rename(&temporary, &path));
            if let Err(source) = written {
                // What is left is swept up later if this fails as well.
                let _ = fs::remove_file(&temporary);
                return Err(StorageError::File { doing, source });
            }
        }
        // Also when the file was there: whoever put it there may not have come to this line yet.
        sync_folder(&folder).map_err(StorageError::file(doing))?;
        Ok(name)
    }

    fn get(&self, name: &str) -> Result<Vec<u8>, StorageError> {
        if !is_name(name) {
            return Err(StorageError::Damaged { what: "the name of a blob".to_owned() });
        }
        let bytes =
            fs::read(self.folder(name).join(name)).map_err(StorageError::file("reading frame times"))?;
        if canonical::hex(&Sha256::digest(&bytes)) != name {
            return Err(StorageError::Damaged { what: format!("blob {name} is not what was stored") });
        }
        Ok(bytes)
    }

    fn has(&self, name: &str) -> bool {
        is_name(name) && self.folder(name).join(name).exists()
    }

    fn delete(&self, name: &str) -> Result<(), StorageError> {
        if !is_name(name) {
            return Err(StorageError::Damaged { what: "the name of a blob".to_owned() });
        }
        match fs::remove_file(self.folder(name).join(name)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                Err(StorageError::File { doing: "deleting frame times", source: error })
            }
            _ => sync_folder(&self.folder(name)).map_err(StorageError::file("deleting frame times")),
        }
    }
}

fn is_name(name: &str) -> bool {
    name.len() == 64 && name.bytes().all(|b| b.is_ascii_hexdigit())
}

fn write_synced(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

fn sync_folder(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}

/// Another process may be writing here at this moment, so only what is long abandoned goes.
fn sweep(temporary: &Path) -> io::Result<()> {
    for entry in fs::read_dir(temporary)? {
        let entry = entry?;
        let age = entry
            .metadata()
            .and_then(|m| m.modified())
            .map(|modified| SystemTime::now().duration_since(modified).unwrap_or_default());
        if age.is_ok_and(|age| age > ABANDONED_AFTER) {
            // Gone already is as good as removed.
            let _ = fs::remove_file(entry.path());
        }
    }
    Ok(())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_blob_comes_back_as_it_went_in_and_leaves_no_temporary_file() {
        let folder = tempfile::tempdir().unwrap();
        let store = FolderStore::open(folder.path().join("blobs")).unwrap();
        let name = store.put(b"frame times").unwrap();
        assert_eq!(store.put(b"frame times").unwrap(), name);
        assert_eq!(store.get(&name).unwrap(), b"frame times");
        assert_eq!(fs::read_dir(&store.temporary).unwrap().count(), 0);
        let again = FolderStore::open(folder.path().join("blobs")).unwrap();
        assert_eq!(again.get(&name).unwrap(), b"frame times");
    }

    #[test]
    fn the_name_is_the_sha_256_of_the_bytes() {
        let folder = tempfile::tempdir().unwrap();
        let store = FolderStore::open(folder.path().join("blobs")).unwrap();
        // The one-block example of NIST's FIPS 180-4 example values for SHA-256: the message "abc".
        assert_eq!(
            store.put(b"abc").unwrap(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_changed_blob_is_noticed_and_an_odd_name_opens_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let store = FolderStore::open(folder.path().join("blobs")).unwrap();
        let name = store.put(b"frame times").unwrap();
        fs::write(store.folder(&name).join(&name), b"frame tames").unwrap();
        assert!(matches!(store.get(&name), Err(StorageError::Damaged { .. })));
        for odd in ["", "..", "../../etc/passwd", &"é".repeat(32)] {
            assert!(matches!(store.get(odd), Err(StorageError::Damaged { .. })), "{odd}");
        }
    }

    #[test]
    fn many_threads_may_store_the_same_bytes_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let store = FolderStore::open(folder.path().join("blobs")).unwrap();
        std::thread::scope(|scope| {
            for _ in 0..8 {
                scope.spawn(|| (0..20u8).for_each(|n| drop(store.put(&[n; 100]).unwrap())));
            }
        });
        assert_eq!(fs::read_dir(&store.temporary).unwrap().count(), 0);
    }
}
