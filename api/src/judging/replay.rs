//! Verdicts computed again from what is stored: figures from frame times, evidence from the log of verdicts up
//! to each one, the model from its parameters. Everything must come out the same, bit for bit.

use std::collections::BTreeSet;

use wearmark_core::judge::{ln_figures, weigh};
use wearmark_core::ledger::Ledger;
use wearmark_core::policy::Policy;
use wearmark_core::statistics;

use crate::storage::Storage;
use crate::storage::connection::Conn;
use crate::storage::error::StorageError;
use crate::storage::ids::RunId;
use crate::storage::judgements::{self, Cause, Judged};
use crate::storage::ledgers::{self, Event};
use crate::storage::models::{self, StoredModel};
use crate::storage::people::{self, People};

/// A verdict that was computed again.
#[derive(Debug, Clone, PartialEq)]
pub struct Replayed {
    /// The run.
    pub run: String,
    /// Which of its verdicts, from 0.
    pub ordinal: usize,
    /// The stored verdict.
    pub stored: Judged,
    /// What differs, in words; empty when nothing does.
    pub differences: Vec<String>,
}

/// Replays every verdict of these runs, in the order they were given; those without a rate that can be compared
/// rest on their findings alone and are left out. Walks the whole log, since each verdict rests on those before.
///
/// # Errors
/// When storage fails.
pub fn replay(
    storage: &Storage,
    policy: &Policy,
    runs: &BTreeSet<String>,
) -> Result<Vec<Replayed>, StorageError> {
    let conn = &mut *storage.reader()?;
    let log = &mut *storage.reader()?;
    let mut models = models::all(conn)?.into_iter().peekable();
    let history = people::history(conn)?;
    let mut people = People::default();
    let mut current = None;
    let mut ledger = Ledger::new(policy);
    let mut replayed = Vec::new();
    ledgers::walk(log, true, |event| {
        while let Some(model) = models.next_if(|model| model.revision < event.revision) {
            let mut next = ledgers::with_model(storage.blobs(), &model)?;
            next.take_over(&ledger);
            ledger = next;
            current = Some(model);
        }
        let then = People::at(&history, event.revision - 1);
        if then.revision > people.revision {
            people = then;
            ledger = anew(storage, policy, current.as_ref(), &people, event.revision)?;
        }
        let event = event.by(&people);
        if runs.contains(&event.run) {
            replayed.push(again(storage, conn, policy, &ledger, &event)?);
        }
        event.apply(&mut ledger);
        Ok(())
    })?;
    Ok(replayed)
}

/// The ledger before a change, by the people of that time: read again as the service did when they changed.
fn anew(
    storage: &Storage,
    policy: &Policy,
    model: Option<&StoredModel>,
    people: &People,
    before: i64,
) -> Result<Ledger, StorageError> {
    let mut ledger = match model {
        Some(model) => ledgers::with_model(storage.blobs(), model)?,
        None => Ledger::new(policy),
    };
    ledgers::walk(&mut *storage.reader()?, true, |event| {
        if event.revision < before {
            event.by(people).apply(&mut ledger);
        }
        Ok(())
    })?;
    Ok(ledger)
}

fn again(
    storage: &Storage,
    conn: &mut Conn,
    policy: &Policy,
    ledger: &Ledger,
    event: &Event,
) -> Result<Replayed, StorageError> {
    let ordinal = usize::try_from(event.ordinal).unwrap_or(0);
    let stored = judgements::of_run(conn, &event.run)?
        .into_iter()
        .nth(ordinal)
        .ok_or_else(|| StorageError::Damaged { what: format!("run {} without its verdict", event.run) })?;
    let mut differences = Vec::new();
    if stored.cause == Cause::Arrival {
        figures(storage, event, &mut differences)?;
    }
    // A person's verdict rests on nothing that could be computed; its numbers are those of the verdict before.
    if let Some(numbers) = stored.numbers.as_ref().filter(|_| stored.cause != Cause::Moderator) {
        let inputs = match stored.cause {
            Cause::Arrival => Some(ledger.inputs(&event.subject(), &policy.judge)),
            _ => ledger.stored_inputs(&event.run, &policy.judge).map(|(inputs, ..)| inputs),
        };
        let (ln_fps, ln_low_ratio) = ln_figures(event.mean_fps, event.low_fps);
        match inputs {
            Some(inputs) => {
                let fresh = weigh(ln_fps, ln_low_ratio, &inputs, &policy.judge);
                if fresh.inputs != numbers.inputs {
                    differences.push(format!("evidence {:?}, stored {:?}", fresh.inputs, numbers.inputs));
                } else if fresh != *numbers {
                    differences.push(format!("outcome {fresh:?}, stored {numbers:?}"));
                }
            }
            None => differences.push("the run is not in the evidence it was judged in".to_owned()),
        }
    }
    Ok(Replayed { run: event.run.clone(), ordinal, stored, differences })
}

/// The figures of a run from its stored frame times beside those it was judged by.
fn figures(storage: &Storage, event: &Event, differences: &mut Vec<String>) -> Result<(), StorageError> {
    let Ok(id) = event.run.parse::<RunId>() else { return Ok(()) };
    let Some(run) = storage.find_run(&id)? else { return Ok(()) };
    let Some(frame_times) = storage.frame_times(&id)? else { return Ok(()) };
    let mut passes = run.document.passes;
    for (pass, times) in passes.iter_mut().zip(frame_times) {
        pass.frame_times_ms = (!times.is_empty()).then_some(times);
    }
    let fresh = statistics::of_run(&passes);
    if fresh.mean_fps != Some(event.mean_fps) || fresh.low_percentile_fps != event.low_fps {
        differences.push(format!(
            "figures {:?} and {:?} fps, stored {} and {:?}",
            fresh.mean_fps, fresh.low_percentile_fps, event.mean_fps, event.low_fps
        ));
    }
    Ok(())
}

/// So many runs with a rate that can be compared, spread evenly over all in the order of their coming.
///
/// # Errors
/// When storage fails.
pub fn sample(storage: &Storage, wanted: usize) -> Result<BTreeSet<String>, StorageError> {
    let mut all = Vec::new();
    ledgers::walk(&mut *storage.reader()?, false, |event| {
        all.push(event.run);
        Ok(())
    })?;
    all.sort_unstable();
    let wanted = wanted.min(all.len());
    Ok((0..wanted).map(|at| all[at * all.len() / wanted].clone()).collect())
}
