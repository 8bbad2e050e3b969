//! What is usual of the scenes: made from what is kept of accepted runs, kept by revision, read from memory.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use diesel::dsl::max;
use diesel::prelude::*;
use wearmark_core::policy::series::{
    REFERENCE_CONTRIBUTORS, REFERENCE_RUNS, REFERENCE_RUNS_MOST, REFERENCE_RUNS_OF_ONE, SeriesPolicy,
};
use wearmark_core::run::{Outcome, SceneKind};
use wearmark_core::series::reference::{ReferenceSet, References, Shape};
use wearmark_core::verdict::Verdict;

use super::Storage;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::RunId;
use super::tables::{runs, scene_references, shapes};
use super::time;

/// Rows read at a time.
const CHUNK: usize = 500;

/// A scene of a workload.
type Scene = (String, String);

/// The runs that count for a scene, the latest first.
#[derive(Default)]
struct Counting {
    runs: Vec<String>,
    by_contributor: BTreeMap<String, usize>,
    on_fixed_path: usize,
}

impl Counting {
    fn add(&mut self, run: String, contributor: String, fixed_path: bool) {
        let of_one = self.by_contributor.entry(contributor).or_default();
        if self.runs.len() < REFERENCE_RUNS_MOST && *of_one < REFERENCE_RUNS_OF_ONE {
            *of_one += 1;
            self.on_fixed_path += usize::from(fixed_path);
            self.runs.push(run);
        }
    }

    fn suffice(&self) -> bool {
        self.runs.len() >= REFERENCE_RUNS && self.by_contributor.len() >= REFERENCE_CONTRIBUTORS
    }
}

impl Storage {
    /// What is usual of the scenes; cached, swapped when a refresh commits.
    pub fn references(&self) -> Arc<ReferenceSet> {
        self.0.shared.references()
    }

    /// The same as it was after a refresh, for computing a verdict again.
    ///
    /// # Errors
    /// When the database fails, or what is stored cannot be read.
    pub fn references_at(&self, revision: i64) -> Result<ReferenceSet, StorageError> {
        at(&mut *self.reader()?, revision)
    }
}

/// Keeps what references are made of.
pub(crate) fn insert_shape(conn: &mut Conn, run: &RunId, shape: &Shape) -> Result<(), StorageError> {
    diesel::insert_into(shapes::table)
        .values((shapes::run.eq(run.as_str()), shapes::shape.eq(shape.to_bytes())))
        .execute(conn)
        .map_err(StorageError::database("storing the shape of a run"))?;
    Ok(())
}

/// Makes the references of all scenes again from the accepted runs, and keeps those that changed under a new
/// revision. Answers with how many changed. Costs a walk over the accepted runs and the computing; submissions go
/// on meanwhile.
///
/// # Errors
/// When the database fails, or what is stored cannot be read.
pub fn refresh(storage: &Storage, policy: &SeriesPolicy, now: DateTime<Utc>) -> Result<usize, StorageError> {
    let known = storage.references();
    let mut fresh: Vec<(Scene, References)> = Vec::new();
    {
        let conn = &mut *storage.reader()?;
        for (scene, counting) in counting(conn)?.into_iter().filter(|(_, c)| c.suffice()) {
            let fixed_path = 2 * counting.on_fixed_path > counting.runs.len();
            let before = known.of(&scene.0, &scene.1);
            let made = References::of(&load(conn, &counting.runs)?, fixed_path, before.revision, policy);
            if made != *before {
                fresh.push((scene, made));
            }
        }
    }
    if fresh.is_empty() {
        return Ok(0);
    }
    storage
        .write("storing references", move |tx| {
            let revision = last_revision(tx.conn)? + 1;
            let changed = fresh.len();
            for (scene, made) in fresh {
                insert(tx.conn, &scene, References { revision, ..made }, now)?;
            }
            tx.change.references = true;
            Ok(changed)
        })
        .wait()
}

/// The accepted, completed runs that are looked at, by scene.
fn counting(conn: &mut Conn) -> Result<BTreeMap<Scene, Counting>, StorageError> {
    let rows: Vec<(String, String, String, String, String)> = runs::table
        .inner_join(shapes::table)
        .filter(runs::verdict.eq(Verdict::Accepted.as_str()))
        .filter(runs::outcome.eq(Outcome::Completed.as_str()))
        .order(runs::id.desc())
        .select((runs::id, runs::contributor, runs::workload, runs::scene, runs::scene_kind))
        .load(conn)
        .map_err(StorageError::database("looking for runs of scenes"))?;
    let fixed = [SceneKind::BuiltInTest.as_str(), SceneKind::ScriptedPath.as_str()];
    let mut scenes: BTreeMap<Scene, Counting> = BTreeMap::new();
    for (run, contributor, workload, scene, kind) in rows {
        let fixed_path = fixed.contains(&kind.as_str());
        scenes.entry((workload, scene)).or_default().add(run, contributor, fixed_path);
    }
    Ok(scenes)
}

fn load(conn: &mut Conn, of: &[String]) -> Result<Vec<Shape>, StorageError> {
    let mut found = Vec::with_capacity(of.len());
    for part in of.chunks(CHUNK) {
        let rows: Vec<Vec<u8>> = shapes::table
            .filter(shapes::run.eq_any(part))
            .order(shapes::run)
            .select(shapes::shape)
            .load(conn)
            .map_err(StorageError::database("reading shapes of runs"))?;
        for bytes in rows {
            let damaged = || StorageError::Damaged { what: "the shape of a run".to_owned() };
            found.push(Shape::from_bytes(&bytes).ok_or_else(damaged)?);
        }
    }
    Ok(found)
}

fn insert(
    conn: &mut Conn,
    scene: &Scene,
    references: References,
    now: DateTime<Utc>,
) -> Result<(), StorageError> {
    let document = serde_json::to_string(&references).map_err(StorageError::damaged("new references"))?;
    diesel::insert_into(scene_references::table)
        .values((
            scene_references::workload.eq(&scene.0),
            scene_references::scene.eq(&scene.1),
            scene_references::revision.eq(references.revision),
            scene_references::made_at.eq(time::to_stored(now)),
            scene_references::document.eq(document),
        ))
        .execute(conn)
        .map_err(StorageError::database("storing references"))?;
    Ok(())
}

/// The last refresh.
pub(crate) fn last_revision(conn: &mut Conn) -> Result<i64, StorageError> {
    let last: Option<i64> = scene_references::table
        .select(max(scene_references::revision))
        .first(conn)
        .map_err(StorageError::database("reading the revision of the references"))?;
    Ok(last.unwrap_or(0))
}

/// The references of all scenes as they were after the refresh `up_to`.
pub(crate) fn at(conn: &mut Conn, up_to: i64) -> Result<ReferenceSet, StorageError> {
    let rows: Vec<(String, String, String)> = scene_references::table
        .filter(scene_references::revision.le(up_to))
        .order(scene_references::revision)
        .select((scene_references::workload, scene_references::scene, scene_references::document))
        .load(conn)
        .map_err(StorageError::database("reading references"))?;
    // A later revision of a scene takes the place of an earlier one.
    let latest: BTreeMap<Scene, String> =
        rows.into_iter().map(|(workload, scene, document)| ((workload, scene), document)).collect();
    let mut set = ReferenceSet::default();
    for ((workload, scene), document) in latest {
        let references =
            serde_json::from_str(&document).map_err(StorageError::damaged("references of a scene"))?;
        set.insert(&workload, &scene, references);
    }
    Ok(set)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::storage::fixture::{Fixture, bytes, now, open, run};

    fn submit(fixture: &Fixture, who: &str, run: &Value) -> crate::intake::Receipt {
        let account = fixture.storage().account_by_name(who).unwrap();
        let account = account.unwrap_or_else(|| fixture.account(who));
        let prepared = fixture.intake.prepare(&account.id, &bytes(run), now()).unwrap();
        fixture.intake.store(prepared, None).wait().unwrap()
    }

    fn refreshed(fixture: &Fixture) -> usize {
        refresh(fixture.storage(), &fixture.intake.policy.series, now()).unwrap()
    }

    #[test]
    fn references_come_from_enough_accepted_runs_of_two_contributors_and_outlive_a_restart() {
        let fixture = Fixture::new();
        for seed in 0..6 {
            submit(&fixture, "ada", &run(seed, 58.0, (1920, 1080)));
        }
        assert_eq!(refreshed(&fixture), 0, "one contributor");
        submit(&fixture, "bo", &run(6, 57.0, (1920, 1080)));
        assert_eq!(refreshed(&fixture), 1);
        let references = fixture.storage().references();
        let of_scene = references.of("tidewrack-ferry", "harbour");
        assert_eq!((of_scene.runs, of_scene.revision), (7, 1));
        assert_eq!(of_scene.profile.len(), 40);
        assert!(references.of("tidewrack-ferry", "elsewhere").is_empty());
        assert_eq!(refreshed(&fixture), 0, "nothing new");

        submit(&fixture, "bo", &run(7, 57.5, (1920, 1080)));
        assert_eq!(refreshed(&fixture), 1);
        assert_eq!(fixture.storage().references().of("tidewrack-ferry", "harbour").revision, 2);
        assert_eq!(fixture.storage().references_at(1).unwrap(), *references);
        let again = open(fixture.folder.path());
        assert_eq!(again.storage.references(), fixture.storage().references());
    }

    #[test]
    fn a_run_is_held_against_the_course_of_its_scene_once_that_is_known() {
        let fixture = Fixture::new();
        let slow_start = |seed: u64| {
            let mut run = run(seed, 58.0, (1920, 1080));
            for pass in run["passes"].as_array_mut().unwrap() {
                let mut times: Vec<f64> = serde_json::from_value(pass["frame_times_ms"].clone()).unwrap();
                times.iter_mut().take(400).for_each(|t| *t = (*t * 1.25e3).round() / 1e3);
                pass["frame_times_ms"] = json!(times);
            }
            run
        };
        let codes = |run: &Value, who: &str| -> Vec<String> {
            let held =
                |f: &&wearmark_core::finding::Finding| f.severity >= wearmark_core::finding::Severity::Hold;
            let findings = submit(&fixture, who, run).judgement.findings;
            findings.iter().filter(held).map(|f| f.code.to_string()).collect()
        };
        assert_eq!(codes(&slow_start(90), "ada"), [""; 0]);
        for seed in 0..8 {
            submit(&fixture, if seed % 2 == 0 { "ada" } else { "bo" }, &run(seed, 58.0, (1920, 1080)));
        }
        refreshed(&fixture);
        assert_eq!(codes(&slow_start(91), "ada"), ["level-shift"]);
        assert_eq!(codes(&run(92, 58.0, (1920, 1080)), "bo"), [""; 0]);
    }
}
