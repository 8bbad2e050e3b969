//! `wearmark moderate`.

mod clusters;
mod contributors;
mod correct;
mod prices;
mod shown;

use clap::{Args, Subcommand, ValueEnum};
use serde_json::{Map, Value, json};

use super::client::{self, Client};
use super::exit::{Ended, Failure, Outcome};
use super::filters::word;
use super::output;
use super::{ServerArgs, TokenArgs};
pub use clusters::Clusters;
pub use contributors::{Contributor, Kind, Lift, MeasureArgs};
pub use correct::Correct;
pub use prices::{PriceArgs, PriceWord, Prices};
pub(super) use shown::correction as correction_text;

/// Works at the moderator's desk.
#[derive(Debug, Args)]
#[command(
    long_about = "Works at the moderator's desk: lists the cases that wait, shows one with all that helps to decide it, \
                  decides, takes decisions back, acts on contributors. It needs a token of a moderator with the scope \
                  `moderate`. What you give as a reason is read by the contributor.",
    after_help = "Examples (people and cards are invented):\n  wearmark moderate queue --token-file token.txt\n  \
                  wearmark moderate show r-0123456789abcdef0123456789abcdef\n  \
                  wearmark moderate reject r-0123456789abcdef0123456789abcdef --reason \"menus in every pass\"\n  \
                  wearmark moderate revert 12 --reason \"the wrong run\""
)]
pub struct Moderate {
    /// What to do
    #[command(subcommand)]
    pub command: DeskCommand,
}

/// What can be done at the desk.
#[derive(Debug, Subcommand)]
pub enum DeskCommand {
    /// Lists the cases that wait, those that matter most first
    Queue(Queue),
    /// Shows everything about one run that helps to decide it
    Show(Show),
    /// Takes a case, so that nobody else decides it meanwhile
    Claim(One),
    /// Gives a case back
    Unclaim(One),
    /// Lets a run count
    Accept(Decide),
    /// Lets a run not count
    Reject(Decide),
    /// Asks the contributor to measure again; the run waits
    Rerun(Decide),
    /// Finds that a run is the same measurement as another
    Duplicate(Duplicate),
    /// Proposes to put labels of a run right; nothing changes unless its contributor agrees
    Correct(Correct),
    /// Decides of all cases that pass a filter: shows them, and decides them when --stamp is given
    Bulk(Bulk),
    /// Takes a decision back
    Revert(Revert),
    /// Lists decisions, newest first
    Decisions(Decisions),
    /// Lists the price reports that wait, those that matter most first
    Prices(Prices),
    /// Shows a price report, or decides of it
    Price(PriceArgs),
    /// Lists accounts that count as one person, those that could move most first
    Clusters(Clusters),
    /// Shows the record of a contributor
    Contributor(Contributor),
    /// Acts on a contributor: a note, all runs held, the account suspended
    Measure(MeasureArgs),
    /// Lifts a measure
    Lift(Lift),
}

/// Where to ask, and as whom.
#[derive(Debug, Args)]
pub struct Desk {
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Who asks
    #[command(flatten)]
    pub token: TokenArgs,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

impl Desk {
    fn client(&self) -> Result<Client, Failure> {
        Client::new(&self.server.server, client::token(self.token.token_file.as_deref())?)
    }

    /// Prints the answer as JSON, or as `text` has it.
    fn print(&self, answer: &Value, text: impl FnOnce(&Value) -> String) -> Ended {
        if self.json {
            output::json(answer)?;
        } else {
            output::data(text(answer).as_bytes())?;
        }
        Ok(Outcome::Done)
    }
}

/// Which cases.
#[derive(Debug, Args)]
pub struct CaseFilters {
    /// Card id
    #[arg(long)]
    pub card: Option<String>,
    /// Workload id
    #[arg(long)]
    pub workload: Option<String>,
    /// Driver release id
    #[arg(long)]
    pub driver: Option<String>,
    /// Public handle of the contributor
    #[arg(long)]
    pub contributor: Option<String>,
    /// Code of a finding
    #[arg(long)]
    pub finding: Option<String>,
}

impl CaseFilters {
    fn pairs(&self) -> Vec<(&'static str, String)> {
        let all = [
            ("card", &self.card),
            ("workload", &self.workload),
            ("driver", &self.driver),
            ("contributor", &self.contributor),
            ("finding", &self.finding),
        ];
        all.into_iter().filter_map(|(name, value)| Some((name, value.clone()?))).collect()
    }
}

/// Lists cases.
#[derive(Debug, Args)]
pub struct Queue {
    /// Which cases
    #[command(flatten)]
    pub filters: CaseFilters,
    /// Only runs that are appealed against
    #[arg(long)]
    pub appealed: bool,
    /// Also runs whose contributor was asked to measure again
    #[arg(long)]
    pub asked: bool,
    /// Most cases printed
    #[arg(long, value_name = "N", default_value_t = 20)]
    pub limit: u32,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// Shows a case.
#[derive(Debug, Args)]
pub struct Show {
    /// Run id
    pub run: String,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// One case.
#[derive(Debug, Args)]
pub struct One {
    /// Run id
    pub run: String,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// Decides.
#[derive(Debug, Args)]
pub struct Decide {
    /// Run id
    pub run: String,
    /// Why; the contributor reads it
    #[arg(long)]
    pub reason: String,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// Marks a duplicate.
#[derive(Debug, Args)]
pub struct Duplicate {
    /// Run id
    pub run: String,
    /// The run that it is one of
    #[arg(long, value_name = "RUN")]
    pub of: String,
    /// Why; the contributor reads it
    #[arg(long)]
    pub reason: String,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// What can be decided of many cases.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum BulkDecision {
    /// They count
    Accept,
    /// They do not count
    Reject,
    /// Their contributors are asked to measure again
    Rerun,
}

/// Decides many cases.
#[derive(Debug, Args)]
pub struct Bulk {
    /// What is decided
    pub decision: BulkDecision,
    /// Which cases
    #[command(flatten)]
    pub filters: CaseFilters,
    /// Why; the contributors read it
    #[arg(long)]
    pub reason: String,
    /// The stamp that was printed with the cases; without it nothing is decided
    #[arg(long)]
    pub stamp: Option<String>,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// Takes a decision back.
#[derive(Debug, Args)]
pub struct Revert {
    /// Number of the decision
    pub decision: u64,
    /// Why; the contributor reads it
    #[arg(long)]
    pub reason: String,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// Lists decisions.
#[derive(Debug, Args)]
pub struct Decisions {
    /// Of price reports instead of runs
    #[arg(long)]
    pub prices: bool,
    /// Only those of a moderator who shares a bench or a network with the contributor
    #[arg(long)]
    pub close: bool,
    /// Most decisions printed
    #[arg(long, value_name = "N", default_value_t = 20)]
    pub limit: u32,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

const CASES: &str = "/v1/moderation/cases";

impl Moderate {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub fn run(self) -> Ended {
        match self.command {
            DeskCommand::Queue(queue) => queue.run(),
            DeskCommand::Show(show) => {
                let case = case(&show.desk.client()?, &show.run)?;
                show.desk.print(&case, shown::case)
            }
            DeskCommand::Claim(one) => {
                let path = format!("{CASES}/{}/claim", client::encoded(&one.run));
                let claim = one.desk.client()?.post(&path, &json!({}))?.success()?.json()?;
                one.desk.print(&claim, |claim| {
                    format!("The case is yours until {}.\n", shown::moment(&claim["until"]))
                })
            }
            DeskCommand::Unclaim(one) => {
                let path = format!("{CASES}/{}/claim", client::encoded(&one.run));
                one.desk.client()?.delete(&path)?.success()?;
                output::note("Nobody has the case now.");
                Ok(Outcome::Done)
            }
            DeskCommand::Accept(decide) => decide.run("accept", None),
            DeskCommand::Reject(decide) => decide.run("reject", None),
            DeskCommand::Rerun(decide) => decide.run("rerun", None),
            DeskCommand::Duplicate(Duplicate { run, of, reason, desk }) => {
                Decide { run, reason, desk }.run("duplicate", Some(of))
            }
            DeskCommand::Correct(correct) => correct.run(),
            DeskCommand::Bulk(bulk) => bulk.run(),
            DeskCommand::Revert(revert) => {
                let path = format!("/v1/moderation/decisions/{}/revert", revert.decision);
                let client = revert.desk.client()?;
                let done = client.post(&path, &json!({"reason": revert.reason}))?.success()?.json()?;
                revert.desk.print(&done, shown::decision)
            }
            DeskCommand::Decisions(list) => list.run(),
            DeskCommand::Prices(prices) => prices.run(),
            DeskCommand::Price(price) => price.run(),
            DeskCommand::Clusters(clusters) => clusters.run(),
            DeskCommand::Contributor(one) => {
                let path = format!("/v1/moderation/contributors/{}", client::encoded(&one.name));
                let record = one.desk.client()?.get(&path, &[], JSON)?.success()?.json()?;
                one.desk.print(&record, shown::record)
            }
            DeskCommand::Measure(measure) => measure.run(),
            DeskCommand::Lift(lift) => {
                let name = client::encoded(&lift.name);
                let path = format!("/v1/moderation/contributors/{name}/measures/{}", lift.measure);
                let measure = lift.desk.client()?.delete(&path)?.success()?.json()?;
                lift.desk.print(&measure, shown::measure)
            }
        }
    }
}

const JSON: &str = "application/json";

fn case(client: &Client, run: &str) -> Result<Value, Failure> {
    client.get(&format!("{CASES}/{}", client::encoded(run)), &[], JSON)?.success()?.json()
}

impl Queue {
    fn run(self) -> Ended {
        let mut query = self.filters.pairs();
        query.push(("limit", self.limit.to_string()));
        for (name, wanted) in [("appealed", self.appealed), ("asked", self.asked)] {
            if wanted {
                query.push((name, "yes".to_owned()));
            }
        }
        let answer = self.desk.client()?.get("/v1/moderation/queue", &query, JSON)?.success()?.json()?;
        self.desk.print(&answer, shown::queue)
    }
}

impl Decide {
    /// Decides by the state of the run that is seen now: what comes between is refused by the server.
    fn run(self, decision: &str, original: Option<String>) -> Ended {
        let client = self.desk.client()?;
        let seen = case(&client, &self.run)?;
        let mut order =
            json!({"decision": decision, "reason": self.reason, "revision": seen["revision"].clone()});
        if let (Some(original), Some(order)) = (original, order.as_object_mut()) {
            order.insert("original".to_owned(), json!(original));
        }
        let path = format!("{CASES}/{}/decisions", client::encoded(&self.run));
        let done = client.post(&path, &order)?.success()?.json()?;
        self.desk.print(&done, shown::decision)
    }
}

impl Decisions {
    fn run(self) -> Ended {
        let mut query = vec![("limit", self.limit.to_string())];
        query.extend(self.close.then(|| ("close", "yes".to_owned())));
        let path = if self.prices { "/v1/moderation/prices/decisions" } else { "/v1/moderation/decisions" };
        let answer = self.desk.client()?.get(path, &query, JSON)?.success()?.json()?;
        self.desk.print(&answer, shown::decisions)
    }
}

impl Bulk {
    fn run(self) -> Ended {
        let filter: Map<String, Value> =
            self.filters.pairs().into_iter().map(|(name, value)| (name.to_owned(), json!(value))).collect();
        let order = json!({
            "filter": filter, "decision": word(&self.decision), "reason": self.reason, "stamp": self.stamp
        });
        let answer = self.desk.client()?.post("/v1/moderation/bulk", &order)?.success()?.json()?;
        if self.stamp.is_some() {
            return self.desk.print(&answer, shown::outcomes);
        }
        self.desk.print(&answer, shown::preview)
    }
}
