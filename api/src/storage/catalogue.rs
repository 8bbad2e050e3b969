//! The catalogue's entries, one JSON document a row.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use diesel::dsl::max;
use diesel::prelude::*;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use wearmark_core::catalogue::CatalogueDocument;

use super::canonical;
use super::connection::Conn;
use super::error::StorageError;
use super::tables::catalogue;
use super::time;

/// What an import did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct ImportCounts {
    /// Entries that are new.
    pub added: u64,
    /// Entries that were there and differ now.
    pub changed: u64,
    /// Entries that were there just so.
    pub unchanged: u64,
}

/// One entry as it is stored.
struct Entry {
    kind: &'static str,
    id: String,
    document: String,
}

/// The whole catalogue, each kind in order of arrival.
pub(crate) fn load(conn: &mut Conn) -> Result<CatalogueDocument, StorageError> {
    Ok(CatalogueDocument {
        chips: of_kind(conn, "chip")?,
        cards: of_kind(conn, "card")?,
        drivers: of_kind(conn, "driver")?,
        cpus: of_kind(conn, "cpu")?,
        workloads: of_kind(conn, "workload")?,
    })
}

fn of_kind<T: DeserializeOwned>(conn: &mut Conn, kind: &str) -> Result<Vec<T>, StorageError> {
    let documents: Vec<String> = catalogue::table
        .filter(catalogue::kind.eq(kind))
        .order(catalogue::position)
        .select(catalogue::document)
        .load(conn)
        .map_err(StorageError::database("reading the catalogue"))?;
    documents
        .iter()
        .map(|text| serde_json::from_str(text).map_err(StorageError::damaged("a catalogue entry")))
        .collect()
}

/// The last change of the catalogue.
pub(crate) fn last_revision(conn: &mut Conn) -> Result<i64, StorageError> {
    let last: Option<i64> = catalogue::table
        .select(max(catalogue::revision))
        .first(conn)
        .map_err(StorageError::database("reading the catalogue's revision"))?;
    Ok(last.unwrap_or(0))
}

/// Adds the entries, or replaces those of the same kind and id.
pub(crate) fn import(
    conn: &mut Conn,
    document: &CatalogueDocument,
    revision: i64,
    now: DateTime<Utc>,
) -> Result<ImportCounts, StorageError> {
    let doing = "importing the catalogue";
    let there: Vec<(String, String, String)> = catalogue::table
        .select((catalogue::kind, catalogue::id, catalogue::document))
        .load(conn)
        .map_err(StorageError::database(doing))?;
    let there: HashMap<(String, String), String> =
        there.into_iter().map(|(kind, id, document)| ((kind, id), document)).collect();
    let last: Option<i64> = catalogue::table
        .select(max(catalogue::position))
        .first(conn)
        .map_err(StorageError::database(doing))?;
    let mut position = last.unwrap_or(0);
    let mut counts = ImportCounts::default();
    for entry in entries(document)? {
        match there.get(&(entry.kind.to_owned(), entry.id.clone())) {
            Some(stored) if *stored == entry.document => counts.unchanged += 1,
            Some(_) => {
                let row = catalogue::table
                    .filter(catalogue::kind.eq(entry.kind))
                    .filter(catalogue::id.eq(&entry.id));
                diesel::update(row)
                    .set((
                        catalogue::document.eq(entry.document),
                        catalogue::revision.eq(revision),
                        catalogue::updated_at.eq(time::to_stored(now)),
                    ))
                    .execute(conn)
                    .map_err(StorageError::database(doing))?;
                counts.changed += 1;
            }
            None => {
                position += 1;
                diesel::insert_into(catalogue::table)
                    .values((
                        catalogue::kind.eq(entry.kind),
                        catalogue::id.eq(&entry.id),
                        catalogue::position.eq(position),
                        catalogue::revision.eq(revision),
                        catalogue::document.eq(entry.document),
                        catalogue::updated_at.eq(time::to_stored(now)),
                    ))
                    .execute(conn)
                    .map_err(StorageError::database(doing))?;
                counts.added += 1;
            }
        }
    }
    let complaints = dangling(&load(conn)?);
    if complaints.is_empty() { Ok(counts) } else { Err(StorageError::Catalogue(complaints)) }
}

fn entries(document: &CatalogueDocument) -> Result<Vec<Entry>, StorageError> {
    let mut entries = Vec::new();
    let mut add = |kind, id: &str, json: Result<String, serde_json::Error>| {
        let document = json.map_err(StorageError::damaged("a new catalogue entry"))?;
        entries.push(Entry { kind, id: id.to_owned(), document });
        Ok::<(), StorageError>(())
    };
    document.chips.iter().try_for_each(|c| add("chip", &c.id, canonical::json(c)))?;
    document.cards.iter().try_for_each(|c| add("card", &c.id, canonical::json(c)))?;
    document.drivers.iter().try_for_each(|d| add("driver", &d.id, canonical::json(d)))?;
    document.cpus.iter().try_for_each(|c| add("cpu", &c.id, canonical::json(c)))?;
    document.workloads.iter().try_for_each(|w| add("workload", &w.id, canonical::json(w)))?;
    let mut complaints = Vec::new();
    let mut seen = HashSet::new();
    for entry in &entries {
        if entry.id.trim().is_empty() {
            complaints.push(format!("a {} has no id", entry.kind));
        } else if !seen.insert((entry.kind, entry.id.as_str())) {
            complaints.push(format!("the {} {:?} is there twice", entry.kind, entry.id));
        }
    }
    if complaints.is_empty() { Ok(entries) } else { Err(StorageError::Catalogue(complaints)) }
}

/// References to chips that do not exist.
fn dangling(document: &CatalogueDocument) -> Vec<String> {
    let chips: HashSet<&str> = document.chips.iter().map(|c| c.id.as_str()).collect();
    let cards = document
        .cards
        .iter()
        .filter(|c| !chips.contains(c.chip.as_str()))
        .map(|c| format!("the card {:?} names the chip {:?}, which is not there", c.id, c.chip));
    let drivers = document.drivers.iter().flat_map(|d| {
        d.chips
            .iter()
            .filter(|chip| !chips.contains(chip.as_str()))
            .map(move |chip| format!("the driver {:?} names the chip {chip:?}, which is not there", d.id))
    });
    cards.chain(drivers).collect()
}
