//! The models that verdicts rest on.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use wearmark_core::table::spread::Priors;

use super::connection::Conn;
use super::error::StorageError;
use super::tables::models;
use super::time;

/// A stored model, but for its parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredModel {
    /// 1 for the first, then on; 0 is the prior, which is not stored.
    pub number: i64,
    /// When it was put in place.
    pub made_at: DateTime<Utc>,
    /// The change that did.
    pub revision: i64,
    /// The last change it has learnt from.
    pub learnt: i64,
    /// Runs it was fitted to.
    pub observations: i64,
    /// Its parameters.
    pub parameters: i64,
    /// Steps the fit took.
    pub steps: i64,
    /// Residual standard deviation, natural log.
    pub sigma: f64,
    /// |z| of the mean from which runs are held while it stands.
    pub limit: f64,
    /// Name of its parameters in the blob store.
    pub blob: String,
    /// Contributors' records in it, as JSON.
    pub audit: String,
    /// What contributors differed by in the runs it was fitted to; none of models of earlier versions.
    pub priors: Option<Priors>,
    /// Name of what it says of every run, in the blob store; none of models of earlier versions.
    pub views: Option<String>,
}

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = models)]
struct ModelRow {
    number: i64,
    made_at: NaiveDateTime,
    revision: i64,
    learnt: i64,
    observations: i64,
    parameters: i64,
    steps: i64,
    sigma: f64,
    hold_z: f64,
    blob: String,
    audit: String,
    priors: Option<String>,
    views: Option<String>,
}

impl TryFrom<ModelRow> for StoredModel {
    type Error = StorageError;

    fn try_from(row: ModelRow) -> Result<StoredModel, StorageError> {
        Ok(StoredModel {
            number: row.number,
            made_at: time::from_stored(row.made_at),
            revision: row.revision,
            learnt: row.learnt,
            observations: row.observations,
            parameters: row.parameters,
            steps: row.steps,
            sigma: row.sigma,
            limit: row.hold_z,
            blob: row.blob,
            audit: row.audit,
            priors: parsed(row.priors.as_deref())?,
            views: row.views,
        })
    }
}

fn parsed(priors: Option<&str>) -> Result<Option<Priors>, StorageError> {
    priors.map(serde_json::from_str).transpose().map_err(StorageError::damaged("the priors of a model"))
}

/// Stores a model.
pub(crate) fn insert(conn: &mut Conn, model: &StoredModel) -> Result<(), StorageError> {
    let row = ModelRow {
        number: model.number,
        made_at: time::to_stored(model.made_at),
        revision: model.revision,
        learnt: model.learnt,
        observations: model.observations,
        parameters: model.parameters,
        steps: model.steps,
        sigma: model.sigma,
        hold_z: model.limit,
        blob: model.blob.clone(),
        audit: model.audit.clone(),
        priors: model
            .priors
            .map(|priors| serde_json::to_string(&priors))
            .transpose()
            .map_err(StorageError::damaged("new priors"))?,
        views: model.views.clone(),
    };
    diesel::insert_into(models::table)
        .values(row)
        .execute(conn)
        .map_err(StorageError::database("storing a model"))?;
    Ok(())
}

/// The newest model.
pub(crate) fn newest(conn: &mut Conn) -> Result<Option<StoredModel>, StorageError> {
    let row: Option<ModelRow> = models::table
        .order(models::number.desc())
        .select(ModelRow::as_select())
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for the newest model"))?;
    row.map(StoredModel::try_from).transpose()
}

/// What tables take from a model.
#[derive(Default)]
pub(crate) struct ForTables {
    /// The change that put the model in place.
    pub(crate) revision: i64,
    /// See [`StoredModel`].
    pub(crate) priors: Option<Priors>,
    /// See [`StoredModel`].
    pub(crate) views: Option<String>,
}

/// What tables take from the newest model.
pub(crate) fn newest_for_tables(conn: &mut Conn) -> Result<ForTables, StorageError> {
    let row: Option<(i64, Option<String>, Option<String>)> = models::table
        .order(models::number.desc())
        .select((models::revision, models::priors, models::views))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading what tables take from the newest model"))?;
    let Some((revision, priors, views)) = row else { return Ok(ForTables::default()) };
    Ok(ForTables { revision, priors: parsed(priors.as_deref())?, views })
}

/// All models, oldest first.
pub(crate) fn all(conn: &mut Conn) -> Result<Vec<StoredModel>, StorageError> {
    let rows: Vec<ModelRow> = models::table
        .order(models::number)
        .select(ModelRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading the models"))?;
    rows.into_iter().map(StoredModel::try_from).collect()
}

/// The change that put the newest model in place; 0 without any.
pub(crate) fn last_revision(conn: &mut Conn) -> Result<i64, StorageError> {
    let last: Option<i64> = models::table
        .select(diesel::dsl::max(models::revision))
        .first(conn)
        .map_err(StorageError::database("reading the last revision of a model"))?;
    Ok(last.unwrap_or(0))
}
