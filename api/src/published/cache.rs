//! A bounded map of rendered answers. The least recently used go first.

use std::any::Any;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use actix_web::web::Bytes;

/// A rendered answer.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// The body in its coding.
    pub body: Bytes,
    /// Strong validator, with quotes.
    pub etag: String,
    /// Media type.
    pub content_type: &'static str,
    /// Content coding; none for identity.
    pub coding: Option<&'static str>,
    /// Cursor of the next page; none on the last.
    pub next: Option<String>,
}

enum Kept {
    Answer(Arc<Rendered>),
    Table(Arc<dyn Any + Send + Sync>),
}

struct Entry {
    kept: Kept,
    bytes: usize,
    used: u64,
}

#[derive(Default)]
struct Inner {
    entries: HashMap<String, Entry>,
    bytes: usize,
    clock: u64,
}

/// Rendered answers, and the tables that pages are cut from, bounded by their bytes together.
pub struct Cache {
    inner: Mutex<Inner>,
    limit: usize,
}

impl Cache {
    /// A cache that holds at most `limit` bytes.
    pub fn new(limit: usize) -> Cache {
        Cache { inner: Mutex::new(Inner::default()), limit }
    }

    /// The answer under a key.
    pub fn answer(&self, key: &str) -> Option<Arc<Rendered>> {
        self.find(key, |kept| match kept {
            Kept::Answer(answer) => Some(Arc::clone(answer)),
            Kept::Table(_) => None,
        })
    }

    /// The table under a key.
    pub fn table<T: Send + Sync + 'static>(&self, key: &str) -> Option<Arc<T>> {
        self.find(key, |kept| match kept {
            Kept::Table(table) => Arc::clone(table).downcast().ok(),
            Kept::Answer(_) => None,
        })
    }

    /// Keeps an answer.
    pub fn keep_answer(&self, key: String, answer: Arc<Rendered>) {
        let bytes = answer.body.len();
        self.keep(key, Kept::Answer(answer), bytes);
    }

    /// Keeps a table of about `bytes`.
    pub fn keep_table<T: Send + Sync + 'static>(&self, key: String, table: Arc<T>, bytes: usize) {
        self.keep(key, Kept::Table(table), bytes);
    }

    fn find<T>(&self, key: &str, pick: impl FnOnce(&Kept) -> Option<T>) -> Option<T> {
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.clock += 1;
        let now = inner.clock;
        let entry = inner.entries.get_mut(key)?;
        entry.used = now;
        pick(&entry.kept)
    }

    fn keep(&self, key: String, kept: Kept, body_bytes: usize) {
        // The map's own share of an entry; keeps a flood of tiny answers bounded too.
        const ENTRY_BYTES: usize = 512;
        let bytes = body_bytes + key.len() + ENTRY_BYTES;
        if bytes > self.limit {
            return;
        }
        let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
        inner.clock += 1;
        let used = inner.clock;
        if let Some(old) = inner.entries.insert(key, Entry { kept, bytes, used }) {
            inner.bytes -= old.bytes;
        }
        inner.bytes += bytes;
        if inner.bytes > self.limit {
            inner.shrink(self.limit);
        }
    }
}

impl Inner {
    /// Drops the least recently used until a tenth of the room is free, so that a full cache does
    /// not sort at every insertion.
    fn shrink(&mut self, limit: usize) {
        let mut by_use: Vec<(u64, String)> = self.entries.iter().map(|(k, e)| (e.used, k.clone())).collect();
        by_use.sort_unstable();
        for (_, key) in by_use {
            if self.bytes <= limit - limit / 10 {
                break;
            }
            if let Some(gone) = self.entries.remove(&key) {
                self.bytes -= gone.bytes;
            }
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn answer(len: usize) -> Arc<Rendered> {
        let body = Bytes::from(vec![0; len]);
        Arc::new(Rendered { body, etag: String::new(), content_type: "", coding: None, next: None })
    }

    #[test]
    fn the_least_recently_used_answer_goes_first() {
        let cache = Cache::new(30_000);
        cache.keep_answer("a".into(), answer(9_000));
        cache.keep_answer("b".into(), answer(9_000));
        cache.keep_answer("c".into(), answer(9_000));
        cache.answer("a").unwrap();
        cache.keep_answer("d".into(), answer(9_000));
        assert!(cache.answer("b").is_none());
        assert!(cache.answer("a").is_some() && cache.answer("d").is_some());
    }

    #[test]
    fn the_cache_never_holds_more_than_its_limit() {
        let cache = Cache::new(100_000);
        for n in 0..10_000 {
            cache.keep_answer(n.to_string(), answer(n % 900));
        }
        assert!(cache.inner.lock().unwrap().bytes <= 100_000);
        cache.keep_answer("too large".into(), answer(200_000));
        assert!(cache.answer("too large").is_none());
    }

    #[test]
    fn a_replaced_answer_gives_its_room_back() {
        let cache = Cache::new(100_000);
        for _ in 0..100 {
            cache.keep_answer("same".into(), answer(1_000));
        }
        assert!(cache.inner.lock().unwrap().bytes < 2_000);
    }
}
