//! Probes: what the service would do with an honest run if its rates were larger. It is only asked, so that
//! many such runs can be tried where few bad ones arrive, and nothing of them stays.

use serde_json::Value;
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::Known;

use super::Time;
use crate::cli::exit::Failure;
use crate::intake::{Intake, IntakeError};
use crate::storage::ids::AccountId;

/// Shares by which rates are made larger.
pub(super) const SIZES: [f64; 2] = [0.1, 0.2];

/// Whether a run is to be probed: every `every`th that is honest and has a rate; none at 0.
pub(super) fn wanted(known: &Known, every: usize) -> bool {
    every > 0 && known.index.is_multiple_of(every) && known.honest && known.effect_ln.is_some()
}

/// Whether the service would stop the run, for each size; none where the run has no frame times.
pub(super) fn ask(
    intake: &Intake,
    account: &AccountId,
    document: &[u8],
    now: Time,
) -> Result<[Option<bool>; 2], Failure> {
    let run: Value = serde_json::from_slice(document).map_err(|e| Failure::Broken(e.into()))?;
    let mut said = [None; 2];
    for (by, said) in SIZES.into_iter().zip(&mut said) {
        let Some(document) = faster(&run, by) else { continue };
        let bytes = serde_json::to_vec(&document).map_err(|e| Failure::Broken(e.into()))?;
        *said = match intake.check(account, &bytes, now) {
            Ok(receipt) => Some(receipt.judgement.verdict != Verdict::Accepted),
            Err(IntakeError::Storage(error)) => return Err(Failure::Broken(error.into())),
            Err(_) => Some(true),
        };
    }
    Ok(said)
}

/// The document with every frame time, and what was timed or computed of it, made shorter; none when some pass
/// has no frame times.
fn faster(run: &Value, by: f64) -> Option<Value> {
    let mut run = run.clone();
    for pass in run.get_mut("passes")?.as_array_mut()? {
        for time in pass.get_mut("frame_times_ms")?.as_array_mut()? {
            // Captures are rounded to a microsecond.
            *time = Value::from((1000.0 * time.as_f64()? / (1.0 + by)).round().max(1.0) / 1000.0);
        }
        let pass = pass.as_object_mut()?;
        pass.remove("summary");
        if let Some(length) = pass.get("length_s").and_then(Value::as_f64) {
            pass.insert("length_s".to_owned(), Value::from(length / (1.0 + by)));
        }
    }
    Some(run)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use serde_json::json;

    use super::faster;

    #[test]
    fn a_probe_is_faster_by_its_share_and_claims_no_more_than_its_frames() {
        let run = json!({"passes": [{"frame_times_ms": [12.0, 24.0], "length_s": 36.0, "summary": {}}]});
        let probe = faster(&run, 0.2).unwrap();
        assert_eq!(probe, json!({"passes": [{"frame_times_ms": [10.0, 20.0], "length_s": 30.0}]}));
        assert_eq!(faster(&json!({"passes": [{"summary": {}}]}), 0.2), None);
    }
}
