//! `wearmark moderate correct`.

use clap::Args;
use serde_json::{Map, Value, json};

use super::{CASES, Desk, shown};
use crate::cli::client;
use crate::cli::exit::{Ended, Failure};
use crate::pack::description;

/// Proposes a correction.
#[derive(Debug, Args)]
#[command(
    after_help = "Example (the card is invented):\n  wearmark moderate correct r-0123456789abcdef0123456789abcdef \\\n    \
                  --set /card/id=otterwick-burrow-4 --set /settings/preset=High --reason \"the notes name the other card\""
)]
pub struct Correct {
    /// Run id
    pub run: String,
    /// A JSON pointer into the run document and the value to put there, as the schema wants it; without a value the
    /// member is taken away
    #[arg(long = "set", value_name = "POINTER=VALUE", required = true)]
    pub changes: Vec<String>,
    /// Why; the contributor reads it
    #[arg(long)]
    pub reason: String,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

impl Correct {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub(super) fn run(self) -> Ended {
        let changes: Map<String, Value> =
            self.changes.iter().map(|change| read(change)).collect::<Result<_, _>>()?;
        let path = format!("{CASES}/{}/corrections", client::encoded(&self.run));
        let order = json!({"changes": changes, "reason": self.reason});
        let made = self.desk.client()?.post(&path, &order)?.success()?.json()?;
        self.desk.print(&made, shown::correction)
    }
}

/// The place, and the value as the schema wants it there: a text where it wants a text, so that `7.0` stays that. No value is
/// null, which takes the member away.
fn read(change: &str) -> Result<(String, Value), Failure> {
    let (pointer, value) = change.split_once('=').ok_or_else(|| {
        Failure::broken(format!("{change} is no change; write it like /card/id=otterwick-burrow-4"))
    })?;
    let steps: Vec<&str> = pointer.split('/').skip(1).collect();
    let value = if value.is_empty() { Value::Null } else { description::value(&steps, value) };
    Ok((pointer.to_owned(), value))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_value_is_what_it_looks_like() {
        let value = |change: &str| read(change).unwrap().1;
        assert_eq!(value("/card/id=a=b"), json!("a=b"));
        assert_eq!(value("/settings/width=1280"), json!(1280));
        assert_eq!(value("/driver/version=5.10"), json!("5.10"));
        assert_eq!(value("/card/memory_mib="), Value::Null);
        assert!(read("/card/id").is_err());
    }
}
