//! The promise of an answer from the writer.

use std::future::Future;
use std::pin::Pin;
use std::task::{Context, Poll};

use tokio::sync::oneshot;

use super::error::StorageError;

/// An answer that comes once the writer has committed. `.await` it, or [`Ticket::wait`] for it on a
/// plain thread. Dropping it does not undo the write.
#[must_use = "the outcome of a write is in its ticket"]
#[derive(Debug)]
pub struct Ticket<T> {
    answer: oneshot::Receiver<T>,
    lost: fn() -> T,
}

/// Where the writer puts its answer.
pub(crate) type Answer<T, E> = oneshot::Sender<Result<T, E>>;

impl<T, E: From<StorageError>> Ticket<Result<T, E>> {
    pub(crate) fn new() -> (Answer<T, E>, Ticket<Result<T, E>>) {
        let (sender, answer) = oneshot::channel();
        (sender, Ticket { answer, lost: || Err(StorageError::Closed.into()) })
    }

    pub(crate) fn ready(answer: Result<T, E>) -> Ticket<Result<T, E>> {
        let (sender, ticket) = Ticket::new();
        // The receiver is at hand, so the answer always arrives.
        let _ = sender.send(answer);
        ticket
    }
}

impl<T> Ticket<T> {
    /// Blocks this thread until the answer is there. Not for asynchronous code, which must `.await`.
    pub fn wait(self) -> T {
        self.answer.blocking_recv().unwrap_or_else(|_| (self.lost)())
    }
}

impl<T> Future for Ticket<T> {
    type Output = T;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<T> {
        Pin::new(&mut self.answer).poll(context).map(|answer| answer.unwrap_or_else(|_| (self.lost)()))
    }
}
