//! Where labelled runs come from.

use std::collections::BTreeSet;

use wearmark_core::catalogue::CatalogueDocument;
use wearmark_seed_data::{Known, World};

use super::Time;
use super::files::RunsFile;
use crate::cli::exit::Failure;

/// A submission's head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Arrival {
    /// When it arrives.
    pub(super) at: Time,
    /// Who sends it: index into the names.
    pub(super) contributor: usize,
}

/// Labelled runs in arrival order. Documents are made or read one by one, by any thread.
pub(super) struct Source {
    pub(super) names: Vec<String>,
    pub(super) arrivals: Vec<Arrival>,
    pub(super) known: Vec<Known>,
    pub(super) catalogue: CatalogueDocument,
    pub(super) documents: Documents,
}

/// Where documents come from.
pub(super) enum Documents {
    World(Box<World>),
    File(RunsFile),
}

impl Source {
    /// A world of ours.
    pub(super) fn of_world(world: World) -> Source {
        let arrivals = (0..world.len())
            .map(|at| Arrival { at: world.arrives_at(at), contributor: world.contributor(at) })
            .collect();
        Source {
            names: world.contributors.iter().map(|c| c.name.clone()).collect(),
            arrivals,
            known: world.known(),
            catalogue: world.catalogue().clone(),
            documents: Documents::World(Box::new(world)),
        }
    }

    pub(super) fn len(&self) -> usize {
        self.arrivals.len()
    }

    pub(super) fn names(&self) -> &[String] {
        &self.names
    }

    pub(super) fn arrivals(&self) -> &[Arrival] {
        &self.arrivals
    }

    pub(super) fn known(&self) -> &[Known] {
        &self.known
    }

    pub(super) fn catalogue(&self) -> &CatalogueDocument {
        &self.catalogue
    }

    /// The document of a submission, as bytes of JSON.
    pub(super) fn document(&self, at: usize) -> Result<Vec<u8>, Failure> {
        let document = match &self.documents {
            Documents::World(world) => serde_json::to_vec(&world.submission(at).run),
            Documents::File(file) => serde_json::to_vec(&file.read(at)?.run),
        };
        document.map_err(|e| Failure::Broken(e.into()))
    }

    /// Contributors who lie for the sake of a median.
    pub(super) fn liars(&self) -> BTreeSet<usize> {
        let lies = self.known.iter().zip(&self.arrivals).filter(|(k, _)| k.is_for_a_median());
        lies.map(|(_, arrival)| arrival.contributor).collect()
    }
}
