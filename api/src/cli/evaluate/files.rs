//! Labelled runs in files: NDJSON of the runs and of what is true of them, and a catalogue.

use std::collections::HashMap;
use std::fs::{self, File};
use std::io::{BufRead, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use anyhow::Context;
use serde::de::IgnoredAny;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use wearmark_seed_data::Known;

use super::Time;
use super::source::{Arrival, Documents, Source};
use crate::cli::exit::Failure;
use crate::cli::submit;

/// One line of a file of runs.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Line<R> {
    /// When it arrives.
    pub(super) arrives_at: Time,
    /// Who sends it.
    pub(super) contributor: String,
    /// The document, as it would be submitted.
    pub(super) run: R,
}

/// A file of runs, read line by line wherever asked.
pub(super) struct RunsFile {
    name: String,
    file: Mutex<File>,
    /// Where each line starts, and its length in bytes.
    lines: Vec<(u64, usize)>,
}

impl RunsFile {
    pub(super) fn read(&self, at: usize) -> Result<Line<Value>, Failure> {
        let (start, length) = self.lines[at];
        let mut bytes = vec![0; length];
        {
            let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
            file.seek(SeekFrom::Start(start)).and_then(|_| file.read_exact(&mut bytes))?;
        }
        Ok(serde_json::from_slice(&bytes).with_context(|| format!("line {} of {}", at + 1, self.name))?)
    }
}

/// Opens the three files and checks that they belong together.
pub(super) fn open(runs: &Path, truth: &Path, catalogue: &Path) -> Result<Source, Failure> {
    let cannot = |path: &Path| format!("{} cannot be read", path.display());
    let text = fs::read(catalogue).with_context(|| cannot(catalogue))?;
    let catalogue = serde_json::from_slice(&text)
        .with_context(|| format!("{} is not a catalogue", catalogue.display()))?;
    let known = read_truth(truth)?;
    let mut reader = BufReader::with_capacity(1 << 20, File::open(runs).with_context(|| cannot(runs))?);
    let (mut names, mut places) = (Vec::new(), HashMap::new());
    let (mut arrivals, mut lines): (Vec<Arrival>, _) = (Vec::new(), Vec::new());
    let (mut line, mut start) = (Vec::new(), 0_u64);
    loop {
        line.clear();
        let length = reader.read_until(b'\n', &mut line)?;
        if length == 0 {
            break;
        }
        if !line.trim_ascii().is_empty() {
            let number = lines.len() + 1;
            let head: Line<IgnoredAny> = serde_json::from_slice(&line)
                .with_context(|| format!("line {number} of {}", runs.display()))?;
            if arrivals.last().is_some_and(|before| before.at > head.arrives_at) {
                return Err(Failure::broken(format!(
                    "line {number} of {} arrives before the line above it",
                    runs.display()
                )));
            }
            let contributor = *places.entry(head.contributor).or_insert_with_key(|name| {
                names.push(name.clone());
                names.len() - 1
            });
            arrivals.push(Arrival { at: head.arrives_at, contributor });
            lines.push((start, length));
        }
        start += length as u64;
    }
    if known.len() != arrivals.len() {
        return Err(Failure::broken(format!(
            "{} has {} lines and {} has {}",
            runs.display(),
            arrivals.len(),
            truth.display(),
            known.len()
        )));
    }
    let file = RunsFile { name: runs.display().to_string(), file: Mutex::new(reader.into_inner()), lines };
    Ok(Source { names, arrivals, known, catalogue, documents: Documents::File(file) })
}

/// What is true, in the order of the runs.
fn read_truth(path: &Path) -> Result<Vec<Known>, Failure> {
    let file = File::open(path).with_context(|| format!("{} cannot be read", path.display()))?;
    let mut known: Vec<Known> = Vec::new();
    for (at, line) in BufReader::new(file).lines().enumerate() {
        let line = line?;
        if !line.trim().is_empty() {
            let said = serde_json::from_str(&line)
                .with_context(|| format!("line {} of {}", at + 1, path.display()))?;
            known.push(said);
        }
    }
    known.sort_by_key(|k| k.index);
    match known.iter().enumerate().find(|(at, k)| *at != k.index) {
        Some((at, _)) => {
            Err(Failure::broken(format!("{} says nothing of run {at}, or twice", path.display())))
        }
        None => Ok(known),
    }
}

/// Writes runs, truth and catalogue into a folder, which is made when it is missing.
pub(super) fn write(source: &Source, folder: &Path) -> Result<(), Failure> {
    let cannot = |name: &str| format!("{} cannot be written", folder.join(name).display());
    fs::create_dir_all(folder).with_context(|| cannot(""))?;
    let make = |name: &str| File::create(folder.join(name)).with_context(|| cannot(name));
    let mut catalogue =
        serde_json::to_vec_pretty(source.catalogue()).map_err(|e| Failure::Broken(e.into()))?;
    catalogue.push(b'\n');
    make("catalogue.json")?.write_all(&catalogue)?;
    let mut truth = BufWriter::new(make("truth.ndjson")?);
    for known in source.known() {
        line(&mut truth, known)?;
    }
    truth.flush()?;
    let mut runs = BufWriter::with_capacity(1 << 20, make("runs.ndjson")?);
    let bar = submit::progress(source.len() as u64, "runs");
    for (at, arrival) in source.arrivals().iter().enumerate() {
        let run: Value =
            serde_json::from_slice(&source.document(at)?).map_err(|e| Failure::Broken(e.into()))?;
        let contributor = source.names()[arrival.contributor].clone();
        line(&mut runs, &Line { arrives_at: arrival.at, contributor, run })?;
        bar.inc(1);
    }
    bar.finish_and_clear();
    Ok(runs.flush()?)
}

fn line(file: &mut impl Write, value: &impl Serialize) -> Result<(), Failure> {
    serde_json::to_writer(&mut *file, value).map_err(std::io::Error::from)?;
    Ok(file.write_all(b"\n")?)
}
