//! The row of a run, and its ways into and out of core's types.

use diesel::prelude::*;
use wearmark_core::fact::RunFact;
use wearmark_core::identity::Identity;
use wearmark_core::run::{Outcome, SceneKind};
use wearmark_core::statistics::{Grade, RunStatistics};
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, BenchId, RunId};
use super::people::People;
use super::tables::runs;

/// One row of `runs`; see the migration for what the columns mean.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = runs)]
pub(crate) struct RunRecord {
    pub(crate) id: String,
    pub(crate) revision: i64,
    pub(crate) amended: bool,
    pub(crate) contributor: String,
    pub(crate) bench: String,
    pub(crate) verdict: String,
    pub(crate) outcome: String,
    pub(crate) grade: String,
    pub(crate) measured_day: i32,
    pub(crate) configuration: String,
    pub(crate) card: String,
    pub(crate) chip: Option<String>,
    pub(crate) driver: String,
    pub(crate) branch: Option<String>,
    pub(crate) driver_day: Option<i32>,
    pub(crate) workload: String,
    pub(crate) workload_kind: Option<String>,
    pub(crate) scene: String,
    pub(crate) scene_kind: String,
    pub(crate) build: Option<String>,
    pub(crate) api: String,
    pub(crate) preset: String,
    pub(crate) width: i64,
    pub(crate) height: i64,
    pub(crate) render_scale: f64,
    pub(crate) variant: String,
    pub(crate) platform: String,
    pub(crate) mean_fps: Option<f64>,
    pub(crate) low_percentile_fps: Option<f64>,
    pub(crate) low_tail_mean_fps: Option<f64>,
    pub(crate) low_time_share_fps: Option<f64>,
    pub(crate) between_pass_cv: Option<f64>,
}

/// What a new row is made of.
pub(crate) struct NewRun<'a> {
    pub(crate) id: &'a RunId,
    pub(crate) revision: i64,
    pub(crate) contributor: &'a AccountId,
    pub(crate) bench: &'a BenchId,
    pub(crate) verdict: Verdict,
    pub(crate) outcome: Outcome,
    pub(crate) measured_day: i32,
    pub(crate) identity: &'a Identity,
    pub(crate) statistics: &'a RunStatistics,
}

impl NewRun<'_> {
    /// Inserts the row.
    pub(crate) fn insert(&self, conn: &mut Conn) -> Result<(), StorageError> {
        let identity = self.identity.clone();
        let configuration = identity.configuration();
        let record = RunRecord {
            id: self.id.to_string(),
            revision: self.revision,
            amended: false,
            contributor: self.contributor.to_string(),
            bench: self.bench.to_string(),
            verdict: self.verdict.as_str().to_owned(),
            outcome: self.outcome.as_str().to_owned(),
            grade: self.statistics.grade.as_str().to_owned(),
            measured_day: self.measured_day,
            configuration,
            card: identity.card,
            chip: identity.chip,
            driver: identity.driver,
            branch: identity.branch,
            driver_day: identity.driver_day,
            workload: identity.workload,
            workload_kind: identity.workload_kind,
            scene: identity.scene,
            scene_kind: identity.scene_kind.as_str().to_owned(),
            build: identity.build,
            api: identity.api,
            preset: identity.preset,
            width: i64::from(identity.width),
            height: i64::from(identity.height),
            render_scale: identity.render_scale,
            variant: identity.variant,
            platform: identity.platform,
            mean_fps: self.statistics.mean_fps,
            low_percentile_fps: self.statistics.low_percentile_fps,
            low_tail_mean_fps: self.statistics.low_tail_mean_fps,
            low_time_share_fps: self.statistics.low_time_share_fps,
            between_pass_cv: self.statistics.between_pass_cv,
        };
        diesel::insert_into(runs::table)
            .values(record)
            .execute(conn)
            .map_err(StorageError::database("storing a run"))?;
        Ok(())
    }
}

/// The row of one run.
pub(crate) fn find(conn: &mut Conn, id: &str) -> Result<Option<RunRecord>, StorageError> {
    runs::table
        .filter(runs::id.eq(id))
        .select(RunRecord::as_select())
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the row of a run"))
}

impl RunRecord {
    /// Whether tables count it.
    pub(crate) fn is_accepted(&self) -> bool {
        self.verdict == Verdict::Accepted.as_str()
    }

    /// Verdict, outcome and grade.
    pub(crate) fn state(&self) -> Result<(Verdict, Outcome, Grade), StorageError> {
        Ok((
            Verdict::parse(&self.verdict).ok_or_else(|| odd("verdict", &self.verdict))?,
            Outcome::parse(&self.outcome).ok_or_else(|| odd("outcome", &self.outcome))?,
            Grade::parse(&self.grade).ok_or_else(|| odd("grade", &self.grade))?,
        ))
    }

    /// The canonical names; taken out of the row.
    pub(crate) fn identity(&mut self) -> Result<Identity, StorageError> {
        use std::mem::take;
        Ok(Identity {
            card: take(&mut self.card),
            chip: self.chip.take(),
            driver: take(&mut self.driver),
            branch: self.branch.take(),
            driver_day: self.driver_day,
            workload: take(&mut self.workload),
            workload_kind: self.workload_kind.take(),
            scene: take(&mut self.scene),
            scene_kind: scene_kind(&self.scene_kind)?,
            build: self.build.take(),
            api: take(&mut self.api),
            preset: take(&mut self.preset),
            width: pixels(self.width)?,
            height: pixels(self.height)?,
            render_scale: self.render_scale,
            variant: take(&mut self.variant),
            platform: take(&mut self.platform),
            bench: self.bench.clone(),
        })
    }

    /// The row as tables need it.
    pub(crate) fn into_fact(
        mut self,
        card_share: Option<f64>,
        people: &People,
    ) -> Result<RunFact, StorageError> {
        let (_, outcome, grade) = self.state()?;
        Ok(RunFact {
            identity: self.identity()?,
            run: self.id,
            contributor: people.person(&self.contributor).to_owned(),
            outcome,
            grade,
            measured_day: self.measured_day,
            mean_fps: self.mean_fps,
            low_percentile_fps: self.low_percentile_fps,
            low_tail_mean_fps: self.low_tail_mean_fps,
            low_time_share_fps: self.low_time_share_fps,
            between_pass_cv: self.between_pass_cv,
            card_share,
        })
    }
}

/// A width or height as stored.
pub(crate) fn pixels(stored: i64) -> Result<u32, StorageError> {
    u32::try_from(stored).map_err(|_| odd("width or height", &stored.to_string()))
}

/// A stored word that is none of those the program writes.
pub(crate) fn odd(column: &str, word: &str) -> StorageError {
    StorageError::Damaged { what: format!("{word:?} as a {column}") }
}

fn scene_kind(word: &str) -> Result<SceneKind, StorageError> {
    [
        SceneKind::BuiltInTest,
        SceneKind::ScriptedPath,
        SceneKind::PracticeArea,
        SceneKind::LiveMatch,
        SceneKind::FreePlay,
    ]
    .into_iter()
    .find(|kind| kind.as_str() == word)
    .ok_or_else(|| odd("kind of scene", word))
}
