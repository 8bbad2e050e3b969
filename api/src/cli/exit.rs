//! How a command ends. The one place where exit codes are decided.

use std::io;
use std::process::ExitCode;

use thiserror::Error;

/// What the help texts say of exit codes.
pub const EXIT_CODES: &str = "\
Exit codes:
  0  done; every run accepted
  1  could not be done: a file, the data folder, the token or something else is not as it should be
  2  the command line is wrong
  3  done; some run is held until a moderator or later evidence decides
  4  done; some run is rejected, off-schema or a duplicate
  5  the server cannot be reached, is too busy, or failed
With several files the gravest counts: 5, then 1, then 4, then 3.";

/// What a command that ran to its end has to say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// All is well.
    Done,
    /// Some run is held.
    Held,
    /// Some run is refused.
    Refused,
    /// Some file could not be read, or the caller may not do this.
    Broken,
    /// The server did not answer, or failed.
    ServerFailed,
}

impl Outcome {
    /// The exit code.
    pub fn code(self) -> u8 {
        match self {
            Outcome::Done => 0,
            Outcome::Broken => 1,
            Outcome::Held => 3,
            Outcome::Refused => 4,
            Outcome::ServerFailed => 5,
        }
    }
}

/// Why a command could not run to its end.
#[derive(Debug, Error)]
pub enum Failure {
    /// Something here is not as it should be.
    #[error("{0:#}")]
    Broken(anyhow::Error),
    /// The input is not a run.
    #[error("{0}")]
    Refused(String),
    /// The server did not answer, or failed.
    #[error("{0}")]
    Server(String),
    /// Whoever read the output has gone; nothing is left to say.
    #[error("the reader of the output has gone")]
    ReaderGone,
}

impl From<anyhow::Error> for Failure {
    fn from(error: anyhow::Error) -> Failure {
        Failure::Broken(error)
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Failure {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Failure::ReaderGone
        } else {
            Failure::Broken(error.into())
        }
    }
}

impl Failure {
    /// A failure in plain words.
    pub fn broken(message: impl Into<String>) -> Failure {
        Failure::Broken(anyhow::Error::msg(message.into()))
    }

    /// What it counts as among other outcomes.
    pub fn outcome(&self) -> Outcome {
        match self {
            Failure::Broken(_) => Outcome::Broken,
            Failure::Refused(_) => Outcome::Refused,
            Failure::Server(_) => Outcome::ServerFailed,
            Failure::ReaderGone => Outcome::Done,
        }
    }
}

/// The end of a command.
pub type Ended = Result<Outcome, Failure>;

/// The exit code of a command's end; says on stderr why it failed.
pub fn exit_code(ended: &Ended) -> ExitCode {
    let outcome = match ended {
        Ok(outcome) => *outcome,
        Err(failure) => {
            if !matches!(failure, Failure::ReaderGone) {
                super::output::note(&format!("wearmark: {failure}"));
            }
            failure.outcome()
        }
    };
    ExitCode::from(outcome.code())
}
