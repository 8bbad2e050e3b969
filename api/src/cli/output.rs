//! Where things are said: data on stdout, everything else on stderr, colour only for eyes.

use std::io::{self, IsTerminal, Write};

use serde::Serialize;

use super::exit::Failure;
use crate::text::is_unseen;

/// Writes data to stdout.
///
/// # Errors
/// `ReaderGone` when stdout is closed.
pub fn data(bytes: &[u8]) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    out.write_all(bytes)?;
    out.flush()?;
    Ok(())
}

/// Writes one JSON document and a line end to stdout.
///
/// # Errors
/// `ReaderGone` when stdout is closed.
pub fn json(value: &impl Serialize) -> Result<(), Failure> {
    let mut bytes = serde_json::to_vec(value).map_err(|e| Failure::Broken(e.into()))?;
    bytes.push(b'\n');
    data(&bytes)
}

/// Says one line on stderr. A closed stderr is no reason to stop.
pub fn note(line: &str) {
    let _ = writeln!(io::stderr().lock(), "{line}");
}

/// Emphasis for a stream that may or may not show it.
#[derive(Debug, Clone, Copy)]
pub struct Style {
    colour: bool,
}

impl Style {
    /// For stdout: colour only on a terminal that knows it, and never against `NO_COLOR`.
    pub fn for_stdout() -> Style {
        let refused = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty())
            || std::env::var_os("TERM").is_some_and(|v| v == "dumb");
        Style { colour: io::stdout().is_terminal() && !refused }
    }

    /// Without any emphasis.
    pub fn plain() -> Style {
        Style { colour: false }
    }

    /// Strong.
    pub fn strong(self, text: &str) -> String {
        self.paint("1", text)
    }

    /// A word painted by what it means: good, doubtful, bad. The word itself stays, colour only adds.
    pub fn word(self, word: &str) -> String {
        match word {
            "accepted" => self.paint("32", word),
            "held" | "hold" | "remark" => self.paint("33", word),
            "rejected" | "reject" | "off-schema" | "duplicate" | "malformed" => self.paint("31", word),
            _ => word.to_owned(),
        }
    }

    fn paint(self, code: &str, text: &str) -> String {
        if self.colour { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

/// A text that came from elsewhere, safe to show on a terminal: control characters, and those that turn the direction of
/// what follows, become blanks.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if is_unseen(c) { ' ' } else { c }).collect()
}

/// The same for a text of several lines, which stay.
pub fn clean_lines(text: &str) -> String {
    text.chars().map(|c| if is_unseen(c) && c != '\n' { ' ' } else { c }).collect()
}
