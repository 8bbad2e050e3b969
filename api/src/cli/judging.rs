//! `wearmark refit` and `wearmark replay`.

use std::collections::BTreeSet;
use std::sync::Arc;

use anyhow::Context;
use chrono::Utc;
use clap::Args;
use serde_json::json;
use wearmark_core::policy::Policy;

use super::DataArgs;
use super::account::open;
use super::exit::{Ended, Failure, Outcome};
use super::output;
use crate::intake::Intake;
use crate::judging::{self, replay};
use crate::storage::ids::RunId;

/// Differences that are printed in full; the rest is counted.
const SHOWN: usize = 20;

/// Fits the model again.
#[derive(Debug, Args)]
#[command(
    long_about = "Fits the prediction model to all accepted runs, puts it in place, and judges again: held runs that it \
                  agrees with now are let go, accepted runs that it no longer agrees with, and that nobody else's run \
                  bears out, are held. A running service does this by itself, once a day or after 500 accepted runs.",
    after_help = "Example:\n  wearmark refit --data /srv/wearmark"
)]
pub struct Refit {
    /// One JSON object instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Refit {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder cannot be used.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let intake = Intake { storage, policy: Arc::new(Policy::published()) };
        let done = judging::refit(&intake, Utc::now()).context("the model cannot be fitted")?;
        let model = &done.model;
        if self.json {
            output::json(&json!({
                "model": model.number, "observations": model.observations, "parameters": model.parameters,
                "steps": model.steps, "sigma": model.sigma, "released": done.released, "doubted": done.doubted,
                "seconds": {"fitting": done.fit_s, "judging": done.judge_s}
            }))?;
        } else {
            output::data(
                format!(
                    "model {}: {} runs, {} parameters, {} steps, residual s.d. {:.2} %; {} held runs let go, {} accepted \
                     runs held; {:.2} s fitting, {:.2} s judging\n",
                    model.number,
                    model.observations,
                    model.parameters,
                    model.steps,
                    100.0 * model.sigma,
                    done.released,
                    done.doubted,
                    done.fit_s,
                    done.judge_s
                )
                .as_bytes(),
            )?;
        }
        intake.storage.close();
        Ok(Outcome::Done)
    }
}

/// Replays verdicts.
#[derive(Debug, Args)]
#[command(
    long_about = "Computes verdicts again from what is stored: figures from frame times, evidence from the log of \
                  verdicts up to each one, predictions from the model of that time; and compares with what was stored, \
                  bit for bit.",
    after_help = "Examples:\n  wearmark replay r-0197f4f2a6c47d1e8a3b5c6d7e8f9a0b\n  wearmark replay --sample 1000"
)]
pub struct Replay {
    /// Runs by id
    #[arg(value_name = "RUN", required_unless_present = "sample", conflicts_with = "sample")]
    pub runs: Vec<RunId>,
    /// So many runs, spread evenly over all
    #[arg(long, value_name = "N")]
    pub sample: Option<usize>,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Replay {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder cannot be used, a run is not there, or a verdict comes out otherwise.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let runs: BTreeSet<String> = match self.sample {
            Some(wanted) => replay::sample(&storage, wanted).context("the runs cannot be listed")?,
            None => self.runs.iter().map(ToString::to_string).collect(),
        };
        let replayed =
            replay::replay(&storage, &Policy::published(), &runs).context("verdicts cannot be replayed")?;
        let differing = replayed.iter().filter(|one| !one.differences.is_empty()).count();
        if self.json {
            let lines: Vec<_> = replayed
                .iter()
                .map(|one| {
                    json!({"run": one.run, "ordinal": one.ordinal, "cause": one.stored.cause.as_str(),
                        "verdict": one.stored.verdict.as_str(), "differences": one.differences})
                })
                .collect();
            output::json(&json!({"verdicts": replayed.len(), "differing": differing, "replayed": lines}))?;
        } else {
            let mut text = String::new();
            for one in
                replayed.iter().filter(|one| runs.len() <= SHOWN || !one.differences.is_empty()).take(SHOWN)
            {
                let said = if one.differences.is_empty() {
                    "the same".to_owned()
                } else {
                    one.differences.join("; ")
                };
                let (cause, verdict) = (one.stored.cause.as_str(), one.stored.verdict.as_str());
                text.push_str(&format!("{} {cause}: {verdict}, {said}\n", one.run));
            }
            text.push_str(&format!(
                "{} verdicts of {} runs computed again, {differing} of them otherwise than stored\n",
                replayed.len(),
                runs.len()
            ));
            output::data(text.as_bytes())?;
        }
        storage.close();
        if replayed.is_empty() {
            return Err(Failure::broken("no such run with a rate that can be compared"));
        }
        if differing > 0 {
            return Err(Failure::broken(format!(
                "{differing} verdicts come out otherwise than they were stored"
            )));
        }
        Ok(Outcome::Done)
    }
}
