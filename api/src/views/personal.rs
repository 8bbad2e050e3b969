//! What an account gets of itself.

use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;

use super::contributor::MeasureView;
use super::correction::CorrectionView;
use super::moderation::DecisionView;
use super::price::PriceView;
use super::price_case::PriceDecisionView;
use crate::storage::Storage;
use crate::storage::accounts::Account;
use crate::storage::error::StorageError;
use crate::storage::ids::{PriceId, RunId};
use crate::storage::{benches, corrections, decisions, departures, measures, price_decisions};
use crate::withdrawal::Gone;

/// What went with an account.
#[derive(Debug, Serialize, ToSchema)]
pub struct GoneView {
    /// Runs.
    runs: usize,
    /// Prices.
    prices: usize,
}

impl From<Gone> for GoneView {
    fn from(gone: Gone) -> GoneView {
        GoneView { runs: gone.runs, prices: gone.prices }
    }
}

/// Hands everything that is stored of an account to `send`, item by item, until it says that nobody reads any more.
///
/// # Errors
/// When storage fails.
pub(crate) fn export(
    storage: &Storage,
    account: &Account,
    send: impl Fn(Value) -> bool,
) -> Result<(), StorageError> {
    let id = account.id.as_str();
    let conn = &mut *storage.reader()?;
    let mut head = vec![json!({
        "kind": "account", "id": id, "name": account.name, "role": account.role.as_str(),
        "created_at": account.created_at,
    })];
    for token in storage.tokens(&account.id)? {
        head.push(json!({
            "kind": "token", "id": token.id.as_str(), "label": token.label, "scopes": token.scopes.to_string(),
            "created_at": token.created_at, "expires_at": token.expires_at, "last_used_at": token.last_used_at,
        }));
    }
    for (bench, document) in benches::of_account(conn, id)? {
        head.push(json!({"kind": "bench", "id": bench, "document": document}));
    }
    for measure in measures::of_account(conn, id)? {
        head.push(json!({"kind": "measure", "measure": MeasureView::from(measure)}));
    }
    for item in head {
        if !send(item) {
            return Ok(());
        }
    }
    let (runs, prices) = departures::belongings(conn, id)?;
    for run in runs {
        let Ok(id) = run.parse::<RunId>() else { continue };
        let Some(item) = run_item(storage, conn, &id)? else { continue };
        if !send(item) {
            return Ok(());
        }
    }
    for price in prices {
        let Ok(id) = price.parse::<PriceId>() else { continue };
        let Some(found) = storage.find_price(&id)? else { continue };
        let decided = price_decisions::of_price(conn, id.as_str())?;
        let decided: Vec<PriceDecisionView> = decided.into_iter().map(PriceDecisionView::from).collect();
        if !send(json!({"kind": "price", "price": PriceView::from(found), "decisions": decided})) {
            return Ok(());
        }
    }
    Ok(())
}

fn run_item(
    storage: &Storage,
    conn: &mut crate::storage::connection::Conn,
    id: &RunId,
) -> Result<Option<Value>, StorageError> {
    let Some(run) = storage.find_run(id)? else { return Ok(None) };
    let frames = storage.frame_times(id)?.unwrap_or_default();
    let mut document = run.document;
    for (pass, times) in document.passes.iter_mut().zip(frames) {
        pass.frame_times_ms = (!times.is_empty()).then_some(times);
    }
    let appeal = decisions::appeal(conn, id.as_str())?;
    let decided: Vec<DecisionView> =
        decisions::of_run(conn, id.as_str())?.into_iter().map(DecisionView::from).collect();
    let corrected: Vec<CorrectionView> =
        corrections::of_run(conn, id.as_str())?.into_iter().map(CorrectionView::from).collect();
    Ok(Some(json!({
        "kind": "run", "id": id.as_str(), "received_at": run.received_at,
        "verdict": run.judgement.verdict.as_str(), "findings": run.judgement.findings,
        "document": document, "decisions": decided, "corrections": corrected,
        "appeal": appeal.map(|appeal| json!({"at": appeal.at, "words": appeal.words})),
    })))
}
