//! What a model is fitted to.

use std::sync::Arc;

use crate::model::{Model, Observation};
use crate::policy::Policy;

/// All accepted runs of a ledger at one moment, and the words that their numbers stand for.
#[derive(Debug, Clone)]
pub struct Lesson {
    pub(super) words: Vec<Box<str>>,
    pub(super) observations: Vec<Observation>,
    pub(super) start: Option<Arc<Model>>,
    pub(super) last_change: i64,
}

impl Lesson {
    /// The model of these runs, fitted from the one that was in place.
    pub fn fitted(&self, policy: &Policy) -> Model {
        Model::fit(&self.observations, self.start.as_deref(), &policy.model)
    }

    /// The last change that is in it.
    pub fn last_change(&self) -> i64 {
        self.last_change
    }
}
