//! The envelope of lists.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::catalogue::{Card, Chip, Cpu, DriverRelease, Workload};

use super::run::RunRowView;
use super::shapes::{CardDocument, ChipDocument, CpuDocument, DriverReleaseDocument, WorkloadDocument};
use crate::storage::proposals::ProposalRow;

/// Declares a list answer for a kind of row, so that each has its own documented shape.
macro_rules! list {
    ($($(#[$doc:meta])* $name:ident of $row:ty as $shape:ty;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Serialize, ToSchema)]
        pub struct $name {
            /// Revision of the data.
            pub revision: i64,
            /// The rows.
            #[schema(value_type = Vec<$shape>)]
            pub rows: Vec<$row>,
            /// Cursor of the next page; null on the last.
            pub next: Option<String>,
        }
    )+};
}

list! {
    /// Runs, newest first.
    RunList of RunRowView as RunRowView;
    /// Cards by id.
    CardList of Card as CardDocument;
    /// Chips by id.
    ChipList of Chip as ChipDocument;
    /// Driver releases, oldest first.
    DriverList of DriverRelease as DriverReleaseDocument;
    /// Processors by id.
    CpuList of Cpu as CpuDocument;
    /// Workloads by id.
    WorkloadList of Workload as WorkloadDocument;
    /// Proposed catalogue entries, most wanted first.
    ProposalList of ProposalView as ProposalView;
}

/// A catalogue entry that stored runs would need.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProposalView {
    /// `card`, `driver`, `cpu`, `workload`, `scene` or `build`.
    kind: String,
    /// The claim in normalised form.
    key: String,
    /// The claim as it was first written.
    name: String,
    /// Stored runs that need it.
    runs: u64,
    /// When the first of them was received.
    first_seen: DateTime<Utc>,
}

impl From<ProposalRow> for ProposalView {
    fn from(row: ProposalRow) -> ProposalView {
        ProposalView {
            kind: row.kind,
            key: row.key,
            name: row.name,
            runs: row.runs,
            first_seen: row.first_seen,
        }
    }
}
