//! `wearmark account invite`, `invitations`, `reset` and `role`.

use anyhow::Context;
use chrono::{Duration, Utc};
use clap::Args;
use serde_json::json;

use super::{DataArgs, RoleName, find, open, password_from_stdin, random_password};
use crate::cli::columns::{self, Column};
use crate::cli::exit::{Ended, Outcome};
use crate::cli::output;
use crate::storage::accounts::Role;
use crate::storage::invitations::{DEFAULT_LIFE, LONGEST_LIFE};
use crate::storage::passwords::Reset as Also;
use crate::views::account::{InvitationView, NewInvitationView};

/// Makes an invitation.
#[derive(Debug, Args)]
pub struct Invite {
    /// Role of the account that it makes
    #[arg(long, value_enum, default_value = "contributor")]
    pub role: RoleName,
    /// Days until it ends, at most 90
    #[arg(long, value_name = "DAYS", default_value_t = DEFAULT_LIFE.num_days(),
          value_parser = clap::value_parser!(i64).range(1..=LONGEST_LIFE.num_days()))]
    pub expires: i64,
    /// One JSON object instead of the bare invitation
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Invite {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder cannot be used.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let (invitation, record) = storage
            .create_invitation(self.role.into(), Duration::days(self.expires), None, Utc::now())
            .context("no invitation can be made")?;
        storage.close();
        if self.json {
            output::json(&NewInvitationView::new(&invitation, record))?;
            return Ok(Outcome::Done);
        }
        output::note(&format!(
            "The invitation, shown this once, is on stdout; it makes one {} and ends on {}.",
            record.role.as_str(),
            record.expires_at.format("%Y-%m-%d")
        ));
        output::data(format!("{}\n", invitation.reveal()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

/// Lists invitations.
#[derive(Debug, Args)]
pub struct Invitations {
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Invitations {
    /// Runs the command.
    ///
    /// # Errors
    /// When the data folder cannot be used.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let invitations = storage.invitations().context("the invitations cannot be read")?;
        if self.json {
            output::json(&invitations.into_iter().map(InvitationView::from).collect::<Vec<_>>())?;
            return Ok(Outcome::Done);
        }
        const COLUMNS: [Column; 4] =
            [Column::word("role"), Column::word("until"), Column::word("used"), Column::word("id")];
        let day = |time: chrono::DateTime<Utc>| time.format("%Y-%m-%d").to_string();
        let row = |one: &crate::storage::invitations::InvitationRecord| {
            let used = one.used_at.map_or_else(|| "no".to_owned(), day);
            vec![one.role.as_str().to_owned(), day(one.expires_at), used, one.id.to_string()]
        };
        let rows: Vec<Vec<String>> = invitations.iter().map(row).collect();
        output::data(columns::render(&COLUMNS, &rows, columns::width()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

/// Resets a password.
#[derive(Debug, Args)]
pub struct Reset {
    /// Name of the account
    pub name: String,
    /// Revoke its tokens as well
    #[arg(long)]
    pub tokens: bool,
    /// Drop its second factor as well
    #[arg(long)]
    pub second_factor: bool,
    /// Read the password from stdin (first line); without it one is made up and shown once
    #[arg(long)]
    pub password_stdin: bool,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl Reset {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such account or the password is not fit.
    pub fn run(self) -> Ended {
        let (password, made_up) = match self.password_stdin {
            true => (password_from_stdin()?, false),
            false => (random_password(), true),
        };
        let storage = open(&self.data)?;
        let account = find(&storage, &self.name)?;
        let also = Also { tokens: self.tokens, second_factor: self.second_factor };
        storage
            .set_password(&account, &password, also, None, Utc::now())
            .with_context(|| format!("the password of {} cannot be reset", self.name))?;
        storage.close();
        output::note(&format!("The password of {} is reset and its sessions have ended.", account.name));
        match (made_up, self.json) {
            (true, true) => output::json(&json!({"account": account, "password": password}))?,
            (false, true) => output::json(&json!({"account": account}))?,
            (true, false) => {
                output::note("The password, shown this once, is on stdout.");
                output::data(format!("{password}\n").as_bytes())?;
            }
            (false, false) => {}
        }
        Ok(Outcome::Done)
    }
}

/// Changes a role.
#[derive(Debug, Args)]
pub struct ChangeRole {
    /// Name of the account
    pub name: String,
    /// Its new role
    #[arg(value_enum)]
    pub role: RoleName,
    /// Where the data is
    #[command(flatten)]
    pub data: DataArgs,
}

impl ChangeRole {
    /// Runs the command.
    ///
    /// # Errors
    /// When there is no such account.
    pub fn run(self) -> Ended {
        let storage = open(&self.data)?;
        let account = find(&storage, &self.name)?;
        let role = Role::from(self.role);
        storage
            .set_role(&account.id, role, None, Utc::now())
            .with_context(|| format!("the role of {} cannot be changed", self.name))?;
        storage.close();
        output::note(&format!(
            "{} is a {} now. Its tokens keep the scopes that they were made with.",
            account.name,
            role.as_str()
        ));
        Ok(Outcome::Done)
    }
}
