//! The one thread that writes. Jobs that wait together share one transaction, and so one sync of the disk;
//! each runs in a savepoint of its own, so that one that fails takes nothing with it. Answers go out after
//! the commit, never before.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Mutex, PoisonError};
use std::thread::{self, JoinHandle};

use diesel::prelude::*;

use super::connection::{self, Conn};
use super::error::StorageError;
use super::ticket::{Answer, Ticket};

/// Jobs that share a commit at most. With 32 the sync is a few per cent of a group's time, and the first of
/// the group still waits only some tens of milliseconds for the last.
const GROUP: usize = 32;

/// Jobs that wait at most: eight full groups, a second or so of work. More would only wait to time out.
const WAITING: usize = 8 * GROUP;

/// What a group of jobs has changed so far.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Change {
    /// The last change.
    pub(crate) last: i64,
    /// The last change that tables can see.
    pub(crate) tables: i64,
    /// Whether the catalogue changed.
    pub(crate) catalogue: bool,
    /// Whether references of scenes changed.
    pub(crate) references: bool,
    /// Whether it changed as whom accounts count.
    pub(crate) people: bool,
    /// Whether something was withdrawn, of which nothing may stay on the disk.
    pub(crate) erased: bool,
}

impl Change {
    /// The number of a further change.
    pub(crate) fn next(&mut self) -> i64 {
        self.last += 1;
        self.last
    }
}

/// What a job works with.
pub(crate) struct Tx<'a> {
    /// The writer's connection, inside the job's savepoint.
    pub(crate) conn: &'a mut Conn,
    /// What changed; kept only when the job succeeds.
    pub(crate) change: &'a mut Change,
}

/// What the writer does around each group.
pub(crate) trait Surroundings: Send + 'static {
    /// The state to begin with, read inside the transaction.
    fn begin(&mut self, conn: &mut Conn) -> Result<Change, StorageError>;
    /// Makes a committed group visible to readers.
    fn committed(&mut self, conn: &mut Conn, change: Change);
    /// A change or a whole group of them was undone: what it did in memory must be too.
    fn undone(&mut self);
}

trait Job: Send {
    /// False when something that it changed was undone.
    fn run(&mut self, conn: &mut Conn, change: &mut Change) -> bool;
    fn answer(self: Box<Self>, committed: bool);
}

struct Write<T, E, F> {
    doing: &'static str,
    step: Option<F>,
    outcome: Option<Result<T, E>>,
    answer: Answer<T, E>,
}

/// A savepoint is undone by an error, and diesel's own errors must fit into it.
enum Undo<E> {
    Job(E),
    Savepoint(diesel::result::Error),
}

impl<E> From<diesel::result::Error> for Undo<E> {
    fn from(error: diesel::result::Error) -> Undo<E> {
        Undo::Savepoint(error)
    }
}

impl<T, E, F> Job for Write<T, E, F>
where
    T: Send,
    E: From<StorageError> + Send,
    F: FnOnce(&mut Tx<'_>) -> Result<T, E> + Send,
{
    fn run(&mut self, conn: &mut Conn, change: &mut Change) -> bool {
        let Some(step) = self.step.take() else { return true };
        let doing = self.doing;
        let mut changed = *change;
        let done = conn.transaction(|conn| {
            let mut tx = Tx { conn, change: &mut changed };
            // A step that panics is a bug of ours; it must not silence the writer for everybody else.
            match catch_unwind(AssertUnwindSafe(|| step(&mut tx))) {
                Ok(done) => done.map_err(Undo::Job),
                Err(_) => Err(Undo::Job(StorageError::Broken { doing }.into())),
            }
        });
        let numbered = changed.last > change.last;
        self.outcome = Some(match done {
            Ok(value) => {
                *change = changed;
                Ok(value)
            }
            Err(Undo::Job(error)) => Err(error),
            Err(Undo::Savepoint(source)) => Err(StorageError::Database { doing, source }.into()),
        });
        // A step numbers a change before it makes one; most that fail, such as a duplicate, fail before that.
        matches!(self.outcome, Some(Ok(_))) || !numbered
    }

    fn answer(self: Box<Self>, committed: bool) {
        let doing = self.doing;
        let outcome = match self.outcome {
            Some(outcome) if committed => outcome,
            // An error of the job's own says more than that the group failed.
            Some(Err(error)) => Err(error),
            _ => Err(StorageError::Broken { doing }.into()),
        };
        // Who no longer waits does not need the answer.
        let _ = self.answer.send(outcome);
    }
}

/// The way to the writer's thread.
pub(crate) struct Writer {
    jobs: Mutex<Option<SyncSender<Box<dyn Job>>>>,
    thread: Mutex<Option<JoinHandle<()>>>,
}

impl Writer {
    /// Starts the thread.
    pub(crate) fn start(
        database: PathBuf,
        conn: Conn,
        surroundings: impl Surroundings,
    ) -> Result<Writer, StorageError> {
        let (sender, receiver) = sync_channel(WAITING);
        let thread = thread::Builder::new()
            .name("writer".to_owned())
            .spawn(move || Loop { database, conn, surroundings, receiver }.run())
            .map_err(StorageError::file("starting the writer"))?;
        Ok(Writer { jobs: Mutex::new(Some(sender)), thread: Mutex::new(Some(thread)) })
    }

    /// Queues a write. The ticket answers `Busy` at once when too many wait.
    pub(crate) fn write<T, E, F>(&self, doing: &'static str, step: F) -> Ticket<Result<T, E>>
    where
        T: Send + 'static,
        E: From<StorageError> + Send + 'static,
        F: FnOnce(&mut Tx<'_>) -> Result<T, E> + Send + 'static,
    {
        let (answer, ticket) = Ticket::new();
        let job = Box::new(Write { doing, step: Some(step), outcome: None, answer });
        let jobs = self.jobs.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(sender) = jobs.as_ref() else { return Ticket::ready(Err(StorageError::Closed.into())) };
        match sender.try_send(job) {
            Ok(()) => ticket,
            Err(TrySendError::Full(_)) => Ticket::ready(Err(StorageError::Busy.into())),
            Err(TrySendError::Disconnected(_)) => Ticket::ready(Err(StorageError::Closed.into())),
        }
    }

    /// Takes no more jobs, and comes back when those that wait are done.
    pub(crate) fn close(&self) {
        drop(self.jobs.lock().unwrap_or_else(PoisonError::into_inner).take());
        let thread = self.thread.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(thread) = thread
            && thread.thread().id() != thread::current().id()
            && thread.join().is_err()
        {
            tracing::error!("the writer ended in a panic");
        }
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        self.close();
    }
}

struct Loop<S> {
    database: PathBuf,
    conn: Conn,
    surroundings: S,
    receiver: Receiver<Box<dyn Job>>,
}

impl<S: Surroundings> Loop<S> {
    fn run(mut self) {
        while let Ok(first) = self.receiver.recv() {
            let mut group = vec![first];
            group.extend(self.receiver.try_iter().take(GROUP - 1));
            let outcome = self.write(&mut group);
            match &outcome {
                Ok(change) => self.surroundings.committed(&mut self.conn, *change),
                Err(error) => {
                    let source = std::error::Error::source(error).map(ToString::to_string);
                    tracing::error!(%error, source, jobs = group.len(), "a group of writes failed");
                    self.recover();
                    self.surroundings.undone();
                }
            }
            for job in group {
                job.answer(outcome.is_ok());
            }
        }
    }

    fn write(&mut self, group: &mut [Box<dyn Job>]) -> Result<Change, StorageError> {
        connection::begin(&mut self.conn).map_err(StorageError::database("beginning a group of writes"))?;
        let mut change = self.surroundings.begin(&mut self.conn)?;
        for job in group {
            if !job.run(&mut self.conn, &mut change) {
                self.surroundings.undone();
            }
        }
        connection::commit(&mut self.conn).map_err(StorageError::database("committing a group of writes"))?;
        Ok(change)
    }

    /// After a failed group: back to no transaction, on a new connection where the old one cannot.
    fn recover(&mut self) {
        let rolled_back = connection::rollback(&mut self.conn);
        if matches!(rolled_back, Ok(()) | Err(diesel::result::Error::NotInTransaction)) {
            return;
        }
        match connection::open(&self.database) {
            Ok(conn) => self.conn = conn,
            Err(error) => tracing::error!(%error, "the writer could not open a new connection"),
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    struct Counting(Arc<AtomicUsize>);

    impl Surroundings for Counting {
        fn begin(&mut self, _: &mut Conn) -> Result<Change, StorageError> {
            Ok(Change {
                last: 7,
                tables: 7,
                catalogue: false,
                references: false,
                people: false,
                erased: false,
            })
        }
        fn committed(&mut self, _: &mut Conn, _: Change) {}
        fn undone(&mut self) {
            self.0.fetch_add(1, Ordering::SeqCst);
        }
    }

    /// What is kept in memory is costly to read again, so that whoever sends duplicates must not cause it.
    #[test]
    fn only_a_step_that_numbered_a_change_makes_memory_forget_when_it_fails() {
        let folder = tempfile::tempdir().unwrap();
        let database = folder.path().join("db");
        let undone = Arc::new(AtomicUsize::new(0));
        let conn = connection::open(&database).unwrap();
        let writer = Writer::start(database, conn, Counting(Arc::clone(&undone))).unwrap();
        let step = |numbered: bool, fails: bool| {
            let ticket = writer.write("trying", move |tx| {
                if numbered {
                    tx.change.next();
                }
                if fails { Err(StorageError::Busy) } else { Ok(()) }
            });
            assert_eq!(ticket.wait().is_err(), fails);
            undone.load(Ordering::SeqCst)
        };
        assert_eq!(step(true, false), 0);
        assert_eq!(step(false, true), 0, "nothing was changed that could be undone");
        assert_eq!(step(true, true), 1);
        writer.close();
    }
}
