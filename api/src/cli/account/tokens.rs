//! `wearmark account token`, `tokens` and `revoke`.

use anyhow::Context;
use chrono::{DateTime, Duration, Utc};
use clap::{Args, ValueEnum};
use serde_json::json;

use super::{DataArgs, find, open};
use crate::auth::scope::{Scope, Scopes};
use crate::auth::secret::Secret;
use crate::cli::columns::{self, Column};
use crate::cli::exit::{Ended, Failure, Outcome};
use crate::cli::output;
use crate::storage::accounts::{Account, Role};
use crate::storage::tokens::{DEFAULT_LIFE, LONGEST_LIFE, NewToken, TokenRecord};
use crate::views::account::TokenView;

/// A scope by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ScopeName {
    /// Submits runs and prices
    Submit,
    /// Reads and keeps the own account
    ReadOwn,
    /// Decides about held runs and proposals
    Moderate,
    /// Runs the service
    Operate,
}

impl From<ScopeName> for Scope {
    fn from(name: ScopeName) -> Scope {
        match name {
            ScopeName::Submit => Scope::Submit,
            ScopeName::ReadOwn => Scope::ReadOwn,
            ScopeName::Moderate => Scope::Moderate,
            ScopeName::Operate => Scope::Operate,
        }
    }
}

/// What a token is good for, and how long.
#[derive(Debug, Args)]
pub struct Grant {
    /// What the token is good for; without it, everything that the account's role may do
    #[arg(long, value_enum, value_delimiter = ',', value_name = "SCOPE,...")]
    pub scopes: Vec<ScopeName>,
    /// Days until the token ends, at most 366
    #[arg(long, value_name = "DAYS", default_value_t = DEFAULT_LIFE.num_days(),
          value_parser = clap::value_parser!(i64).range(1..=LONGEST_LIFE.num_days()))]
    pub expires: i64,
}

impl Grant {
    /// The token to make for an account of this role.
    ///
    /// # Errors
    /// When the role does not have a scope that was asked for.
    pub fn token(&self, role: Role, label: &str) -> Result<NewToken, Failure> {
        let own = Scopes::of_role(role);
        let asked: Scopes = self.scopes.iter().map(|name| Scope::from(*name)).collect();
        let scopes = if asked.is_empty() { own } else { asked };
        if !scopes.is_within(own) {
            return Err(Failure::broken(format!("the scopes of a {} are: {own}", role.as_str())));
        }
        Ok(NewToken { label: label.to_owned(), scopes, life: Duration::days(self.expires) })
    }
}

/// Makes a token.
#[derive(Debug, Args)]
pub struct Token {
    /// Name of the account
    pub name: String,
    /// What the token is for, in your words
    #[arg(long, default_value = "command line")]
    pub label: String,
    /// What it is good for
    #[command(flatten)]
    pub grant: Grant,
    /// One JSON object instead of the bare token
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Token {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such account or the token cannot be made.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let account = find(&storage, &self.name)?;
        let new = self.grant.token(account.role, &self.label)?;
        let (token, record) = storage
            .create_token(&account.id, &new, None, Utc::now())
            .with_context(|| format!("no token of {} can be made", self.name))?;
        storage.close();
        print_token(&account, &token, record, None, self.json)
    }
}

/// Lists the tokens of an account.
#[derive(Debug, Args)]
pub struct Tokens {
    /// Name of the account
    pub name: String,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Tokens {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such account.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let account = find(&storage, &self.name)?;
        let tokens = storage.tokens(&account.id).context("the tokens cannot be read")?;
        if self.json {
            output::json(&tokens.into_iter().map(TokenView::from).collect::<Vec<_>>())?;
            return Ok(Outcome::Done);
        }
        if tokens.is_empty() {
            output::note(&format!("No tokens yet: wearmark account token {}", account.name));
            return Ok(Outcome::Done);
        }
        const COLUMNS: [Column; 5] = [
            Column::name("label"),
            Column::word("scopes"),
            Column::word("until"),
            Column::word("last used"),
            Column::word("id"),
        ];
        let now = Utc::now();
        let rows: Vec<Vec<String>> = tokens.iter().map(|token| row(token, now)).collect();
        output::data(columns::render(&COLUMNS, &rows, columns::width()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

fn row(token: &TokenRecord, now: DateTime<Utc>) -> Vec<String> {
    let day = |time: DateTime<Utc>| time.format("%Y-%m-%d").to_string();
    let until = match token.revoked_at {
        Some(_) => "revoked".to_owned(),
        None if token.expires_at <= now => "expired".to_owned(),
        None => day(token.expires_at),
    };
    let used = token.last_used_at.map_or_else(|| "never".to_owned(), day);
    vec![token.label.clone(), token.scopes.to_string(), until, used, token.id.to_string()]
}

/// Revokes tokens of an account.
#[derive(Debug, Args)]
pub struct Revoke {
    /// Name of the account
    pub name: String,
    /// Ids of the tokens, as `wearmark account tokens` lists them
    #[arg(required = true, value_name = "ID")]
    pub tokens: Vec<crate::storage::ids::TokenId>,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Revoke {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such account or token.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let account = find(&storage, &self.name)?;
        for token in &self.tokens {
            let known = storage
                .revoke_token(&account.id, token, None, Utc::now())
                .with_context(|| format!("the token {token} cannot be revoked"))?;
            if !known {
                return Err(Failure::broken(format!("{} has no token {token}", account.name)));
            }
            output::note(&format!("Revoked {token}; a service that runs notices within 10 s."));
        }
        storage.close();
        Ok(Outcome::Done)
    }
}

/// Prints a token that was just made.
pub(super) fn print_token(
    account: &Account,
    token: &Secret,
    record: TokenRecord,
    password: Option<&str>,
    as_json: bool,
) -> Ended {
    let until = record.expires_at.format("%Y-%m-%d");
    if as_json {
        let mut document =
            json!({"account": account, "token": token.reveal(), "record": TokenView::from(record)});
        if let (Some(password), Some(document)) = (password, document.as_object_mut()) {
            document.insert("password".to_owned(), json!(password));
        }
        output::json(&document)?;
    } else {
        output::note("The token, shown this once, is on stdout; keep it in a file that only you can read.");
        output::note(&format!("It is good for {} until {until}.", record.scopes));
        output::data(format!("{}\n", token.reveal()).as_bytes())?;
    }
    Ok(Outcome::Done)
}
