//! The resident frame of accepted runs, brought up to date when it is asked for.

use wearmark_core::table::frame::RunFrame;

/// A frame and the state of the data it shows.
#[derive(Debug, Clone)]
pub struct FrameAt {
    /// The accepted runs; cheap to clone.
    pub frame: RunFrame,
    /// Every change up to this one is in it. Equal revisions are equal frames, also after a restart.
    pub revision: i64,
}
