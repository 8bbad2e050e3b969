//! What the service does by itself as time goes on.

use chrono::{DateTime, Utc};

use crate::cli::exit::Failure;
use crate::intake::Intake;

/// Lets the service do what is due at a time. Called between submissions, when none is on its way.
#[expect(clippy::unnecessary_wraps, reason = "what is due may fail")]
pub(super) fn between(_intake: &Intake, _now: DateTime<Utc>) -> Result<(), Failure> {
    Ok(())
}
