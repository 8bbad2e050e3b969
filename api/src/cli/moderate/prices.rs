//! Price reports at the desk, as options and in text.

use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use super::{Desk, JSON, shown};
use crate::cli::client;
use crate::cli::columns::{self, Column};
use crate::cli::exit::Ended;
use crate::cli::filters::word;
use crate::cli::pages::text;
use crate::cli::report::wrapped;

const PRICES: &str = "/v1/moderation/prices";

/// Lists price reports that wait.
#[derive(Debug, Args)]
pub struct Prices {
    /// Card id; of a card that the catalogue did not know, its name in small letters and digits
    #[arg(long)]
    pub card: Option<String>,
    /// Public handle of the contributor
    #[arg(long)]
    pub contributor: Option<String>,
    /// Most reports printed
    #[arg(long, value_name = "N", default_value_t = 20)]
    pub limit: u32,
    /// Reports left out at the beginning
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub offset: u32,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

/// What can be decided of a price report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PriceWord {
    /// It counts
    Accept,
    /// It does not count
    Reject,
}

/// Shows a price report, or decides of it.
#[derive(Debug, Args)]
pub struct PriceArgs {
    /// Price id
    pub price: String,
    /// What is decided; without it the report is shown
    #[arg(requires = "reason")]
    pub decision: Option<PriceWord>,
    /// Why; the contributor reads it
    #[arg(long, requires = "decision")]
    pub reason: Option<String>,
    /// Where to ask
    #[command(flatten)]
    pub desk: Desk,
}

impl Prices {
    /// Runs the command.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub(super) fn run(self) -> Ended {
        let mut query = vec![("limit", self.limit.to_string()), ("offset", self.offset.to_string())];
        let filters = [("card", self.card), ("contributor", self.contributor)];
        query.extend(filters.into_iter().filter_map(|(name, value)| Some((name, value?))));
        let answer = self.desk.client()?.get(PRICES, &query, JSON)?.success()?.json()?;
        self.desk.print(&answer, queue)
    }
}

impl PriceArgs {
    /// Shows the report, or decides by the state of it that is seen now: what comes between is refused by the server.
    ///
    /// # Errors
    /// When the server refuses or cannot be reached.
    pub(super) fn run(self) -> Ended {
        let client = self.desk.client()?;
        let path = format!("{PRICES}/{}", client::encoded(&self.price));
        let seen = client.get(&path, &[], JSON)?.success()?.json()?;
        let Some(decided) = self.decision else { return self.desk.print(&seen, case) };
        let order = json!({
            "decision": word(&decided), "reason": self.reason, "revision": seen["revision"].clone()
        });
        let done = client.post(&format!("{path}/decisions"), &order)?.success()?.json()?;
        self.desk.print(&done, decision)
    }
}

/// Amount and currency of a report.
fn amount(report: &Value) -> String {
    let currency = text(&report["document"], "currency");
    match report["amount"].as_str() {
        Some(amount) => format!("{amount} {currency}"),
        None => format!("{} of {currency}", report["document"]["amount_minor"]),
    }
}

/// The reports that wait.
fn queue(answer: &Value) -> String {
    const COLUMNS: [Column; 8] = [
        Column::number("points"),
        Column::word("price"),
        Column::name("contributor"),
        Column::name("card"),
        Column::number("amount"),
        Column::word("condition"),
        Column::number("median"),
        Column::name("stopped by"),
    ];
    let listed = shown::rows(answer);
    if listed.is_empty() {
        return "No price report waits.\n".to_owned();
    }
    let lines: Vec<Vec<String>> = listed
        .iter()
        .map(|row| {
            let report = &row["report"];
            let stops = |finding: &&Value| finding["severity"] == "hold" || finding["severity"] == "reject";
            let found = report["findings"].as_array().into_iter().flatten();
            let rules: Vec<String> = found.filter(stops).map(|finding| text(finding, "code")).collect();
            vec![
                shown::number(&row["priority"]["points"], 1),
                text(report, "price"),
                text(report, "contributor"),
                text(report, "card"),
                amount(report),
                text(&report["document"], "condition"),
                shown::number(&row["published"]["median"], 2),
                rules.join(" "),
            ]
        })
        .collect();
    let total = answer["total"].as_u64().unwrap_or(0);
    let told = format!(
        "{} of {total} price reports, those that matter most first. median: what accepted reports of the half year say of \
         the card, in that currency and class of conditions.",
        listed.len()
    );
    format!("{}\n{}", columns::render(&COLUMNS, &lines, columns::width()), wrapped(&told, 0))
}

/// A report.
fn case(case: &Value) -> String {
    let report = &case["report"];
    let document = &report["document"];
    let mut out = format!("{} is {}\n", text(report, "price"), text(report, "verdict"));
    let what = format!(
        "{}: {}, {}, {}, country {}, of {}; reported by {}, {}",
        text(report, "card"),
        amount(report),
        text(document, "condition"),
        text(document, "source"),
        text(document, "country"),
        text(document, "date"),
        text(report, "contributor"),
        shown::moment(&report["received_at"])
    );
    out.push_str(&wrapped(&what, 2));
    let note = text(document, "note");
    if !note.is_empty() {
        out.push_str(&wrapped(&format!("note: {note}"), 2));
    }
    out.push_str(&wrapped(&beside(case), 2));
    out.push_str(&shown::findings(report));
    let decided = case["decisions"].as_array().map_or(&[][..], Vec::as_slice);
    if !decided.is_empty() {
        out.push_str("\ndecisions\n");
        out.push_str(&shown::indented(&shown::decisions(&json!({"rows": decided}))));
    }
    out
}

/// What stands beside a report.
fn beside(case: &Value) -> String {
    let Some(card) = case["counts_as"].as_str() else {
        return "The catalogue has no such card, or the currency is none: it cannot be accepted so far."
            .to_owned();
    };
    let as_of = text(case, "as_of");
    let published = &case["published"];
    if published.is_null() {
        return format!(
            "Nothing is published of {card} in the half year to {as_of}, in that currency and class."
        );
    }
    let ends = [&published["from"], &published["to"]].map(|end| shown::number(end, 2));
    let interval = match ends {
        [from, to] if !from.is_empty() => format!(" (95 % {from} to {to})"),
        _ => String::new(),
    };
    format!(
        "In the half year to {as_of} {} contributor(s) say {}{interval}.",
        published["contributors"],
        shown::number(&published["median"], 2)
    )
}

/// One decision.
fn decision(decision: &Value) -> String {
    let (price, verdict) = (text(decision, "price"), text(decision, "verdict"));
    let other = if verdict == "accepted" { "reject" } else { "accept" };
    format!(
        "Decision {}: price {price} was {} and is {verdict} now.\n{}To take it back: wearmark moderate price {price} \
         {other} --reason ...\n",
        decision["decision"],
        text(decision, "was"),
        shown::close(decision)
    )
}
