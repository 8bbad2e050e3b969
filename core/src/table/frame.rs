//! The resident frame of accepted runs.

use crate::error::CoreError;
use crate::fact::RunFact;

/// All accepted runs as columns; cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct RunFrame {}

impl RunFrame {
    /// A frame of the given runs.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn new(facts: &[RunFact]) -> Result<RunFrame, CoreError> {
        let _ = facts;
        Ok(RunFrame {})
    }

    /// The frame with `gone` taken out (by run id) and `facts` added; the old frame stays as it is.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn updated(&self, facts: &[RunFact], gone: &[String]) -> Result<RunFrame, CoreError> {
        let _ = (facts, gone);
        Ok(self.clone())
    }

    /// Runs in the frame.
    pub fn len(&self) -> usize {
        0
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}
