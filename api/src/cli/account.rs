//! `wearmark account`.

mod keep;
mod tokens;

use std::io::Read;

use anyhow::Context;
use chrono::Utc;
use clap::{Args, Subcommand, ValueEnum};

use super::DataArgs;
use super::columns::{self, Column};
use super::exit::{Ended, Failure, Outcome};
use super::output;
use crate::storage::accounts::{Account, Role};
use crate::storage::{Storage, StorageConfig};
use tokens::{Grant, print_token};

/// Administers accounts.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  wearmark account add brick-lane --role contributor > token.txt\n  \
                        wearmark account token brick-lane --label laptop > token.txt\n  wearmark account list")]
pub struct AccountArgs {
    /// What to do
    #[command(subcommand)]
    pub command: AccountCommand,
}

/// What can be done with accounts.
#[derive(Debug, Subcommand)]
pub enum AccountCommand {
    /// Makes an account and prints its first token, which cannot be shown again
    #[command(after_help = "Example:\n  wearmark account add brick-lane --role contributor > token.txt")]
    Add(Add),
    /// Makes a further token of an account and prints it, which cannot be shown again
    #[command(
        after_help = "Example:\n  wearmark account token brick-lane --label laptop --scopes submit --expires 30 > token.txt"
    )]
    Token(tokens::Token),
    /// Lists the tokens of an account: what they are good for, until when, and when they were last used
    #[command(after_help = "Example:\n  wearmark account tokens brick-lane")]
    Tokens(tokens::Tokens),
    /// Revokes tokens of an account
    #[command(
        after_help = "Example:\n  wearmark account revoke brick-lane t-0192d2a8c1f67b3e8d4f5a6b7c8d9e0f"
    )]
    Revoke(tokens::Revoke),
    /// Makes an invitation and prints it, which cannot be shown again
    #[command(after_help = "Example:\n  wearmark account invite --expires 7 > invitation.txt")]
    Invite(keep::Invite),
    /// Lists the invitations
    #[command(after_help = "Example:\n  wearmark account invitations")]
    Invitations(keep::Invitations),
    /// Gives an account another password and ends its sessions
    #[command(after_help = "Example:\n  wearmark account reset brick-lane --tokens")]
    Reset(keep::Reset),
    /// Gives an account another role
    #[command(after_help = "Example:\n  wearmark account role brick-lane moderator")]
    Role(keep::ChangeRole),
    /// Lists the accounts
    #[command(after_help = "Example:\n  wearmark account list --json")]
    List(List),
}

/// A role by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum RoleName {
    /// Submits runs
    Contributor,
    /// Decides about held runs and proposed catalogue entries
    Moderator,
    /// Runs the service
    Operator,
}

impl From<RoleName> for Role {
    fn from(name: RoleName) -> Role {
        match name {
            RoleName::Contributor => Role::Contributor,
            RoleName::Moderator => Role::Moderator,
            RoleName::Operator => Role::Operator,
        }
    }
}

/// Makes an account.
#[derive(Debug, Args)]
pub struct Add {
    /// Public name: it stands beside the runs
    pub name: String,
    /// What it may do
    #[arg(long, value_enum, default_value = "contributor")]
    pub role: RoleName,
    /// What the first token is good for
    #[command(flatten)]
    pub grant: Grant,
    /// Read the password from stdin (first line); without it one is made up and shown once
    #[arg(long)]
    pub password_stdin: bool,
    /// One JSON object instead of the bare token
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

/// Lists accounts.
#[derive(Debug, Args)]
pub struct List {
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl AccountArgs {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder cannot be used or the account cannot be made.
    pub fn run(self) -> Ended {
        match self.command {
            AccountCommand::Add(command) => command.run(),
            AccountCommand::Token(command) => command.run(),
            AccountCommand::Tokens(command) => command.run(),
            AccountCommand::Revoke(command) => command.run(),
            AccountCommand::Invite(command) => command.run(),
            AccountCommand::Invitations(command) => command.run(),
            AccountCommand::Reset(command) => command.run(),
            AccountCommand::Role(command) => command.run(),
            AccountCommand::List(command) => command.run(),
        }
    }
}

impl Add {
    fn run(self) -> Ended {
        // Before anything is made.
        let new = self.grant.token(self.role.into(), "command line")?;
        let (password, made_up) = match self.password_stdin {
            true => (password_from_stdin()?, false),
            false => (random_password(), true),
        };
        let storage = open(&self.data)?;
        let account = storage
            .create_account(&self.name, &password, self.role.into(), Utc::now())
            .with_context(|| format!("the account {} cannot be made", self.name))?;
        let (token, record) = storage
            .create_token(&account.id, &new, None, Utc::now())
            .with_context(|| format!("the account {} is made, but it has no token yet", self.name))?;
        storage.close();
        output::note(&format!("Account {} made, role {}.", account.name, account.role.as_str()));
        if made_up && !self.json {
            output::note(&format!("Its password, shown this once: {password}"));
        }
        print_token(&account, &token, record, made_up.then_some(password.as_str()), self.json)
    }
}

impl List {
    fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let accounts = storage.accounts().context("the accounts cannot be read")?;
        if self.json {
            output::json(&accounts)?;
            return Ok(Outcome::Done);
        }
        if accounts.is_empty() {
            output::note("No accounts yet: wearmark account add NAME");
            return Ok(Outcome::Done);
        }
        const COLUMNS: [Column; 4] =
            [Column::name("name"), Column::word("role"), Column::word("made"), Column::word("id")];
        let rows: Vec<Vec<String>> = accounts
            .iter()
            .map(|a| {
                let made = a.created_at.format("%Y-%m-%d %H:%M").to_string();
                vec![a.name.clone(), a.role.as_str().to_owned(), made, a.id.to_string()]
            })
            .collect();
        output::data(columns::render(&COLUMNS, &rows, columns::width()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

/// The account of that name.
fn find(storage: &Storage, name: &str) -> Result<Account, Failure> {
    storage
        .account_by_name(name)
        .context("the accounts cannot be read")?
        .ok_or_else(|| Failure::broken(format!("there is no account {name}")))
}

/// Opens the data folder that a command works on.
///
/// # Errors
/// When it cannot be used.
pub fn open(data: &DataArgs) -> Result<Storage, Failure> {
    let config = StorageConfig::new(&data.data);
    Ok(Storage::open(&config)
        .with_context(|| format!("the data folder {} cannot be used", data.data.display()))?)
}

fn password_from_stdin() -> Result<String, Failure> {
    // Longer than any password that is accepted; the rest is not read.
    const MOST_BYTES: u64 = 4096;
    let mut text = String::new();
    std::io::stdin()
        .lock()
        .take(MOST_BYTES)
        .read_to_string(&mut text)
        .context("cannot read the password from stdin")?;
    match text.lines().next() {
        Some(password) if !password.is_empty() => Ok(password.to_owned()),
        _ => Err(Failure::broken("stdin has no password on its first line")),
    }
}

/// 120 random bits in letters and digits that are not mistaken for each other.
pub fn random_password() -> String {
    const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";
    let random: [u8; 24] = rand::random();
    random.iter().map(|byte| char::from(LETTERS[usize::from(byte % 32)])).collect()
}
