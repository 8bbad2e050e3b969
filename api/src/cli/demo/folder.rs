//! Where the data of a demo or an evaluation is.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::thread;

use anyhow::Context;
use tempfile::TempDir;

use crate::cli::exit::Failure;

/// Threads that delete. A disk that commits each deletion answers many at once nearly as fast as one: 5,000
/// files took `rm` 15.7 s alone and 0.5 s as eight processes (one measurement each, on a busy machine).
const THREADS: usize = 8;

/// The user's folder, or one that goes with the program.
pub(in crate::cli) enum Folder {
    Kept(PathBuf),
    Temporary(TempDir),
}

impl Folder {
    /// The folder that was named, else a new one among the system's temporary files.
    pub(in crate::cli) fn of(data: Option<&Path>) -> Result<Folder, Failure> {
        Ok(match data {
            Some(path) => Folder::Kept(path.to_owned()),
            None => Folder::Temporary(
                tempfile::Builder::new()
                    .prefix("wearmark-")
                    .tempdir()
                    .context("no temporary folder can be made")?,
            ),
        })
    }

    pub(in crate::cli) fn path(&self) -> &Path {
        match self {
            Folder::Kept(path) => path,
            Folder::Temporary(folder) => folder.path(),
        }
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if let Folder::Temporary(folder) = self {
            // What is left, and every failure, is for the temporary folder's own clearing up.
            empty(folder.path());
        }
    }
}

/// Deletes the files below a folder, on several threads.
fn empty(folder: &Path) {
    let mut files = Vec::new();
    list(folder, &mut files);
    let files = Mutex::new(files);
    thread::scope(|scope| {
        for _ in 0..THREADS {
            scope.spawn(|| {
                while let Some(file) = files.lock().ok().and_then(|mut files| files.pop()) {
                    let _ = fs::remove_file(file);
                }
            });
        }
    });
}

/// All files below a folder. Links are listed, not followed.
fn list(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        match entry.file_type() {
            Ok(kind) if kind.is_dir() => list(&entry.path(), files),
            _ => files.push(entry.path()),
        }
    }
}
