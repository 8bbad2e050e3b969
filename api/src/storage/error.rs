//! What can go wrong in storage. Each error says what was being done; none of it is for clients.

use std::io;

use thiserror::Error;
use wearmark_core::error::CoreError;

use crate::auth::password::PasswordError;

/// A failure of storage.
#[derive(Debug, Error)]
pub enum StorageError {
    /// The database refused or failed.
    #[error("the database failed while {doing}")]
    Database {
        /// What was being done.
        doing: &'static str,
        /// The database's own words.
        #[source]
        source: diesel::result::Error,
    },
    /// No database connection could be had.
    #[error("no database connection while {doing}")]
    Connection {
        /// What was being done.
        doing: &'static str,
        /// Why, in the words of the pool or the database.
        why: String,
    },
    /// The database could not be brought to the present form.
    #[error("the database could not be migrated: {0}")]
    Migrate(String),
    /// A file or folder failed.
    #[error("a file failed while {doing}")]
    File {
        /// What was being done.
        doing: &'static str,
        /// The system's own words.
        #[source]
        source: io::Error,
    },
    /// Something stored cannot be read back.
    #[error("what is stored is damaged: {what}")]
    Damaged {
        /// What, and in which way.
        what: String,
    },
    /// The resident frame of runs could not be built.
    #[error("the frame of runs could not be built")]
    Frame(#[source] CoreError),
    /// The password cannot be taken.
    #[error("the password cannot be taken")]
    Password(#[source] PasswordError),
    /// The account's name is taken.
    #[error("an account with this name exists already")]
    NameTaken,
    /// The invitation was never made, is used up, or its time is over.
    #[error("the invitation is not good, or not any more")]
    NotInvited,
    /// There is no such account.
    #[error("there is no such account")]
    NoAccount,
    /// The account's name cannot be taken.
    #[error(
        "an account's name has 1 to 64 characters, none of them control characters or blanks at its ends"
    )]
    BadName,
    /// A catalogue document contradicts itself; one sentence each.
    #[error("the catalogue cannot be imported: {}", .0.join("; "))]
    Catalogue(Vec<String>),
    /// The writer's queue is full; trying again a little later helps.
    #[error("too many writes are waiting")]
    Busy,
    /// The writer has ended, or ended before it answered.
    #[error("storage is closed")]
    Closed,
    /// A step of a write broke down; what it did was undone.
    #[error("a write broke down while {doing}")]
    Broken {
        /// What was being done.
        doing: &'static str,
    },
}

impl StorageError {
    /// For `map_err`: a database error with what was being done.
    pub(crate) fn database(doing: &'static str) -> impl FnOnce(diesel::result::Error) -> StorageError {
        move |source| StorageError::Database { doing, source }
    }

    /// For `map_err`: a file error with what was being done.
    pub(crate) fn file(doing: &'static str) -> impl FnOnce(io::Error) -> StorageError {
        move |source| StorageError::File { doing, source }
    }

    /// For `map_err`: stored JSON that cannot be read.
    pub(crate) fn damaged(what: &'static str) -> impl FnOnce(serde_json::Error) -> StorageError {
        move |source| StorageError::Damaged { what: format!("{what}: {source}") }
    }
}
