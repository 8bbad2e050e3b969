//! `wearmark demo`: the whole way of the service on an invented world, in under a minute.

pub(super) mod folder;
pub mod fill;
pub mod verdicts;
pub mod tables;
pub mod evidence;
pub mod tracked;
pub mod limited;
pub mod priced;

use std::collections::HashMap;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context;
use chrono::Utc;
use clap::{Args, ValueEnum};
use serde_json::json;
use wearmark_core::policy::Policy;
use wearmark_core::table::track::Track;
use wearmark_core::table::wanted::{Wanted, WantedQuery};
use wearmark_seed_data::{Size, World};

use super::exit::{Ended, Failure, Outcome};
use super::output::{self, Style};
use super::serve::{self, LogForm};
use super::{columns, submit, table, track, wanted};
use crate::intake::Intake;
use crate::moderation::queue;
use crate::storage::accounts::Role;
use crate::storage::cases::CaseFilter;
use crate::storage::tokens::NewToken;
use crate::storage::{Storage, StorageConfig};
use evidence::Evidence;
use fill::Times;
use folder::Folder;
use tables::Chosen;
use verdicts::{Counts, Reason, Truth};

/// Sizes of the demo.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum DemoSize {
    /// Some 300 runs of 12 contributors
    Small,
    /// Some 5,200 runs of 48 contributors
    Demo,
}

/// Runs the demo.
#[derive(Debug, Args)]
#[command(
    long_about = "Fills a database with an invented world (community workshops that refit donated computers and must \
                  choose which old cards are worth fitting), through the same door as any submission; prints medians, \
                  a card's track over driver releases, and what was rejected and why; then serves it all. Nothing in \
                  that world exists: no maker, card, game, driver or person.",
    after_help = "Examples:\n  wearmark demo\n  wearmark demo --once\n  wearmark demo --data demo-data --listen 127.0.0.1:9000"
)]
pub struct Demo {
    /// End after printing instead of serving
    #[arg(long)]
    pub once: bool,
    /// Keep the data in this folder, which must be new or empty [default: a temporary folder]
    #[arg(long, value_name = "DIR")]
    pub data: Option<PathBuf>,
    /// Which world; equal numbers give equal worlds
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// How much of it
    #[arg(long, value_enum, default_value = "demo")]
    pub size: DemoSize,
    /// Address and port to serve on; port 0 takes a free one
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8080")]
    pub listen: SocketAddr,
    /// One JSON object instead of text
    #[arg(long)]
    pub json: bool,
}

/// Accepted runs from which the demo holds by numbers.
const DEMO_SHADOW_RUNS: u32 = 500;

/// Hours of the afternoon that is planned.
const WANTED_HOURS: f64 = 1.5;

/// Everything the demo has to show.
struct Shown {
    counts: Counts,
    reasons: Vec<Reason>,
    truths: Vec<Truth>,
    chosen: Chosen,
    tracked: tracked::Tracked,
    limited: limited::Limited,
    wanted: Option<Wanted>,
    priced: priced::Priced,
    times: Times,
    tabling: Duration,
    elapsed: Duration,
}

impl Demo {
    /// Runs the command.
    ///
    /// # Errors
    /// When the folder or the address cannot be used.
    pub fn run(self) -> Ended {
        let began = Instant::now();
        serve::start_log(LogForm::Text, "warn");
        // Before the work, so that a taken port is not found out after it.
        let listen = if self.once { self.listen } else { free_address(self.listen)? };
        let folder = Folder::of(self.data.as_deref())?;
        let storage = Storage::open(&StorageConfig::new(folder.path()))
            .with_context(|| format!("the data folder {} cannot be used", folder.path().display()))?;
        if !storage.accounts().context("the accounts cannot be read")?.is_empty() {
            return Err(Failure::broken(format!(
                "{0} holds data already; serve it with: wearmark serve --data {0}",
                folder.path().display()
            )));
        }
        let shown = self.fill(&storage, began)?;
        if self.json {
            output::json(&shown.json(self.seed))?;
        } else {
            output::data(shown.text(Style::for_stdout()).as_bytes())?;
        }
        output::note(&shown.times_line());
        if self.once {
            storage.close();
            return Ok(Outcome::Done);
        }
        visitor(&storage, listen)?;
        serve::until_stopped(listen, storage)
    }

    fn fill(&self, storage: &Storage, began: Instant) -> Result<Shown, Failure> {
        let size = match self.size {
            DemoSize::Small => Size::Small,
            DemoSize::Demo => Size::Demo,
        };
        let world = World::new(self.seed, size);
        storage
            .import_catalogue(wearmark_seed_data::catalogue(), Utc::now())
            .context("the invented catalogue cannot be imported")?;
        let mut policy = Policy::published();
        // Five years go by in a few seconds: no time for a fit a day, nor for a service that only watches for
        // two thousand of its five thousand runs.
        policy.judge.refit_hours = u32::MAX;
        policy.judge.shadow_runs = DEMO_SHADOW_RUNS;
        let intake = Intake { storage: storage.clone(), policy: Arc::new(policy.clone()) };
        let names: Vec<&str> = world.contributors.iter().map(|c| c.name.as_str()).collect();
        let accounts = fill::make_accounts(&intake, &names)?;
        output::note(&format!(
            "Submitting {} invented runs of {} contributors ...",
            world.len(),
            world.contributors.len()
        ));
        let bar = submit::progress(world.len() as u64, "runs");
        let filled = fill::fill(&intake, &world, &accounts, &bar);
        bar.finish_and_clear();
        let fill::Filled { settled, times, until } = filled?;
        let queue = queue(&intake, until).context("the cases that wait cannot be read")?;
        let prices = priced::fill(&intake, &world, &accounts)?;
        let start = Instant::now();
        let frame = storage.frame().context("the accepted runs cannot be read")?;
        let chosen = tables::choose(&frame.frame, &storage.catalogue(), &policy)?;
        let evidence = Evidence::of(&frame.frame)?;
        let tracked = tracked::tracked(&frame.frame, &evidence, &world, &policy)?;
        let limited = limited::limited(&frame.frame, &evidence, &world, &policy)?;
        let wanted = chosen.track.as_ref().map(|track| {
            let query = WantedQuery {
                card: card(track).to_owned(),
                hours: Some(WANTED_HOURS),
                ..WantedQuery::default()
            };
            crate::handlers::wanted::of_storage(storage, &policy, query, None)
        });
        let wanted = wanted.transpose().map_err(|e| Failure::broken(format!("no plan can be made: {e}")))?;
        let priced = priced::priced(&intake, &frame.frame, &world, &prices)?;
        Ok(Shown {
            counts: Counts::of(&settled),
            reasons: verdicts::reasons(&settled, &world),
            truths: verdicts::against_truth(&settled, &world, &queue),
            chosen,
            tracked,
            limited,
            wanted,
            priced,
            times,
            tabling: start.elapsed(),
            elapsed: began.elapsed(),
        })
    }
}

impl Shown {
    fn text(&self, style: Style) -> String {
        let width = columns::width();
        let mut text = format!(
            "{}\nEverything below comes from an invented world: no maker, card, game, driver or person in it exists.\n\n",
            style.strong("Wearmark demo")
        );
        let c = self.counts;
        text.push_str(&format!(
            "{} submissions: {} accepted, {} held, {} rejected, {} refused (not stored).\n\n",
            c.submissions, c.accepted, c.held, c.rejected, c.refused
        ));
        let heading = |name: &str| format!("{}\n", style.strong(name));
        text.push_str(&heading("Medians: all cards in one configuration"));
        text.push_str(&table::render(&self.chosen.cards, width));
        text.push_str(&format!(
            "{} configurations have {} or more contributors; this is the one that most cards share.\n\n",
            self.chosen.rows, self.chosen.min_contributors
        ));
        if let Some(track) = &self.chosen.track {
            text.push_str(&heading(&format!("Medians: {} over its workloads", card(track))));
            text.push_str(&table::render(&self.chosen.workloads, width));
            text.push('\n');
            text.push_str(&heading(&format!("Track: {} over driver releases", card(track))));
            text.push_str(&track::render(track, width));
            text.push('\n');
        }
        if let Some((wanted, plan)) = self.wanted.as_ref().and_then(|w| Some((w, w.plan.as_ref()?))) {
            let name = format!("Wanted: {} in {WANTED_HOURS} hours, by somebody new", wanted.card);
            text.push_str(&heading(&name));
            text.push_str(&wanted::render(plan, &[], width));
            text.push('\n');
        }
        text.push_str(&heading("Value: what a card is worth second-hand, at invented prices"));
        text.push_str(&priced::text(&self.priced, width));
        text.push('\n');
        text.push_str(&heading("Held, rejected and refused: reasons, with an example each"));
        text.push_str(&verdicts::reasons_text(&self.reasons, style));
        text.push('\n');
        text.push_str(&heading("Verdicts against what was planted in the invented world"));
        text.push_str(&verdicts::truth_text(&self.truths));
        text.push('\n');
        text.push_str(&heading("Tracks against what was planted in it"));
        text.push_str(&tracked::text(&self.tracked, width));
        text.push('\n');
        text.push_str(&heading("Limits and failures against what was planted in it"));
        text.push_str(&limited::text(&self.limited, width));
        text
    }

    fn json(&self, seed: u64) -> serde_json::Value {
        json!({
            "invented": true,
            "seed": seed,
            "counts": self.counts,
            "medians": {"configurations": self.chosen.rows, "cards": self.chosen.cards, "workloads": self.chosen.workloads},
            "track": self.chosen.track,
            "wanted": self.wanted.as_ref().map(|w| &w.plan),
            "reasons": self.reasons,
            "truth": self.truths,
            "tracked": self.tracked,
            "limited": self.limited,
            "priced": self.priced,
            "seconds": {
                "all": self.elapsed.as_secs_f64(),
                "filling": self.times.filling.as_secs_f64(),
                "making": self.times.making.as_secs_f64(),
                "preparing": self.times.preparing.as_secs_f64(),
                "waiting": self.times.waiting.as_secs_f64(),
                "refitting": self.times.refitting.as_secs_f64(),
                "tables": self.tabling.as_secs_f64(),
                "threads": self.times.threads
            }
        })
    }

    fn times_line(&self) -> String {
        let t = &self.times;
        format!(
            "Done in {:.1} s: filling {:.1} s ({:.0} runs/s; on {} threads {:.1} s making runs, {:.1} s examining them; \
             {:.1} s waiting for the writer, {:.1} s fitting the model), tables {:.1} s.",
            self.elapsed.as_secs_f64(),
            t.filling.as_secs_f64(),
            self.counts.submissions as f64 / t.filling.as_secs_f64().max(1e-9),
            t.threads,
            t.making.as_secs_f64(),
            t.preparing.as_secs_f64(),
            t.waiting.as_secs_f64(),
            t.refitting.as_secs_f64(),
            self.tabling.as_secs_f64()
        )
    }
}

/// The runs that wait for a moderator, by the place of their case in the queue.
fn queue(
    intake: &Intake,
    now: chrono::DateTime<Utc>,
) -> Result<HashMap<String, usize>, crate::storage::error::StorageError> {
    let people = intake.storage.people();
    let conn = &mut *intake.storage.reader()?;
    let cases = queue::queue(conn, &CaseFilter::default(), &people, &intake.policy.desk, now)?;
    let mut places = HashMap::new();
    for (place, case) in queue::folded(cases).into_iter().enumerate() {
        places.extend(case.with.into_iter().map(|run| (run, place)));
        places.insert(case.run.id, place);
    }
    Ok(places)
}

fn card(track: &Track) -> &str {
    track.card.as_deref().unwrap_or_default()
}

/// The address with a free port in place of port 0.
fn free_address(listen: SocketAddr) -> Result<SocketAddr, Failure> {
    let listener = TcpListener::bind(listen).with_context(|| {
        format!("cannot listen on {listen}; take another port, for example --listen 127.0.0.1:0")
    })?;
    Ok(listener.local_addr()?)
}

/// Makes an account for whoever looks on, and says what to try.
fn visitor(storage: &Storage, listen: SocketAddr) -> Result<(), Failure> {
    let account = storage
        .create_account_without_password("visitor", Role::Contributor, Utc::now())
        .context("no account for you can be made")?;
    let token = storage
        .create_token(&account.id, &NewToken::of(&account, "demo"), None, Utc::now())
        .context("no token for you can be made")?
        .0;
    output::note(&format!(
        "\nServing until Ctrl-C. Try, in another terminal:\n  \
         wearmark table --server http://{listen} --limit 20\n  \
         curl 'http://{listen}/v1/medians?limit=5'\n  \
         curl http://{listen}/v1/cards\n  \
         curl http://{listen}/openapi.json\n\
         To submit a run of your own, as `visitor`:\n  \
         export WEARMARK_SERVER=http://{listen} WEARMARK_TOKEN={}\n  \
         wearmark submit run.json",
        token.reveal()
    ));
    Ok(())
}
