//! What the service does by itself as time goes on.

use anyhow::Context;
use chrono::{DateTime, Utc};

use crate::cli::exit::Failure;
use crate::intake::Intake;
use crate::judging;

/// Lets the service do what is due at a time, and says whether it did anything. Called between submissions, when none is
/// on its way.
pub(super) fn between(intake: &Intake, now: DateTime<Utc>) -> Result<bool, Failure> {
    let due = judging::due(intake, now).context("the schedule of the model cannot be read")?;
    if due {
        judging::refit(intake, now).context("the model cannot be fitted")?;
    }
    let released = judging::let_be(intake, now).context("held runs cannot be looked at")?;
    Ok(due || released > 0)
}
