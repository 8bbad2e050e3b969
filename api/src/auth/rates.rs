//! How much each caller may ask for in a time: token buckets that fill evenly. Kept in memory: a restart forgets them.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// So much in a window of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quota {
    /// What may be asked for at once, and in each window.
    pub most: u64,
    /// The window.
    pub window: Duration,
}

impl Quota {
    /// So much a minute.
    pub const fn per_minute(most: u64) -> Quota {
        Quota { most, window: Duration::from_secs(60) }
    }

    /// So much an hour.
    pub const fn per_hour(most: u64) -> Quota {
        Quota { most, window: Duration::from_secs(3600) }
    }

    /// So much a day.
    pub const fn per_day(most: u64) -> Quota {
        Quota { most, window: Duration::from_secs(24 * 3600) }
    }

    /// What flows back in a second.
    fn rate(self) -> f64 {
        self.most as f64 / self.window.as_secs_f64()
    }
}

/// What is left of a quota, as headers tell it (draft-ietf-httpapi-ratelimit-headers-10).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Left {
    name: &'static str,
    quota: Quota,
    level: f64,
}

impl Left {
    /// An item of `RateLimit-Policy`: quota `q` in a window of `w` seconds.
    pub fn policy(&self) -> String {
        format!("\"{}\";q={};w={}", self.name, self.quota.most, self.quota.window.as_secs())
    }

    /// An item of `RateLimit`: remaining `r`, all of it back in `t` seconds.
    pub fn state(&self) -> String {
        let remaining = self.level.max(0.0).floor();
        let full = ((self.quota.most as f64 - self.level) / self.quota.rate()).ceil();
        format!("\"{}\";r={remaining};t={full}", self.name)
    }

    /// How long until `amount` is there.
    pub fn wait(&self, amount: f64) -> Duration {
        Duration::from_secs_f64(((amount - self.level) / self.quota.rate()).max(0.0))
    }
}

/// Entries kept at most; then those that are full go, and if that is not enough all.
const SIZE: usize = 50_000;

/// A bucket for every key.
#[derive(Debug)]
pub struct Buckets<K> {
    name: &'static str,
    quota: Option<Quota>,
    kept: Mutex<HashMap<K, (f64, Instant)>>,
}

impl<K: Hash + Eq> Buckets<K> {
    /// Buckets of a quota; without one nothing is limited.
    pub fn new(name: &'static str, quota: Option<Quota>) -> Buckets<K> {
        Buckets { name, quota, kept: Mutex::default() }
    }

    /// Takes an amount out of a bucket if so much is in it. `None` where nothing is limited.
    ///
    /// # Errors
    /// What is in it when that is less.
    pub fn take(&self, key: K, amount: f64, now: Instant) -> Result<Option<Left>, Left> {
        self.draw(key, now, |level| if level >= amount { Ok(level - amount) } else { Err(level) })
    }

    /// Takes an amount that was used already out of a bucket, into debt if need be.
    pub fn charge(&self, key: K, amount: f64, now: Instant) {
        // It never refuses.
        let _ = self.draw(key, now, |level| Ok(level - amount));
    }

    fn draw(
        &self,
        key: K,
        now: Instant,
        draw: impl FnOnce(f64) -> Result<f64, f64>,
    ) -> Result<Option<Left>, Left> {
        let Some(quota) = self.quota else { return Ok(None) };
        let most = quota.most as f64;
        let filled = |level: f64, at: Instant| {
            most.min(level + now.saturating_duration_since(at).as_secs_f64() * quota.rate())
        };
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.len() >= SIZE && !kept.contains_key(&key) {
            kept.retain(|_, (level, at)| filled(*level, *at) < most);
            if kept.len() >= SIZE {
                kept.clear();
            }
        }
        let entry = kept.entry(key).or_insert((most, now));
        let drawn = draw(filled(entry.0, entry.1));
        let (Ok(level) | Err(level)) = drawn;
        *entry = (level, now.max(entry.1));
        let left = Left { name: self.name, quota, level };
        drawn.map(|_| Some(left)).map_err(|_| left)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_bucket_gives_what_is_in_it_and_fills_evenly() {
        let buckets = Buckets::new("requests", Some(Quota::per_minute(6)));
        let start = Instant::now();
        for left in (0..6).rev() {
            let told = buckets.take("ada", 1.0, start).unwrap().unwrap();
            assert_eq!(told.policy(), "\"requests\";q=6;w=60");
            assert_eq!(told.state(), format!("\"requests\";r={left};t={}", 10 * (6 - left)));
        }
        let empty = buckets.take("ada", 1.0, start).unwrap_err();
        assert_eq!(empty.wait(1.0), Duration::from_secs(10));
        buckets.take("bo", 6.0, start).unwrap();
        let later = start + Duration::from_secs(10);
        buckets.take("ada", 1.0, later).unwrap();
        buckets.take("ada", 1.0, later).unwrap_err();
        // It never holds more than its quota, however long nobody asks.
        let much_later = start + Duration::from_secs(1000);
        buckets.take("ada", 7.0, much_later).unwrap_err();
        buckets.take("ada", 6.0, much_later).unwrap();
    }

    #[test]
    fn what_was_used_already_is_paid_back_before_anything_else_is_given() {
        let buckets = Buckets::new("bytes", Some(Quota::per_hour(3600)));
        let start = Instant::now();
        buckets.charge("ada", 3700.0, start);
        let debt = buckets.take("ada", 1.0, start).unwrap_err();
        assert_eq!(debt.wait(1.0), Duration::from_secs(101));
        assert!(debt.state().starts_with("\"bytes\";r=0;"));
        buckets.take("ada", 1.0, start + Duration::from_secs(101)).unwrap();
    }

    #[test]
    fn without_a_quota_nothing_is_limited_and_nothing_kept() {
        let buckets = Buckets::new("requests", None);
        assert_eq!(buckets.take("ada", 1e9, Instant::now()), Ok(None));
        assert!(buckets.kept.lock().unwrap().is_empty());
    }
}
