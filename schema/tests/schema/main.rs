//! Tests of the published schemas and of the way in.
#![expect(clippy::unwrap_used, clippy::panic, reason = "tests")]

mod oracle;
mod documents;
mod fixtures;
mod agreement;
mod round_trip;
mod prices;
mod limits;
