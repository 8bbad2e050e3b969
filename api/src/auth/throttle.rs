//! Slows down whoever guesses passwords or codes. Nobody is locked out for good: after a delay, which grows with
//! every failure up to a bound, the right password is taken again. Kept in memory: a restart forgets it.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::network::Network;

/// How a kind of failure slows down.
#[derive(Debug, Clone, Copy)]
struct Pace {
    /// Failures without any delay.
    free: u32,
    /// The delay doubles from one second up to this.
    longest: Duration,
}

impl Pace {
    fn delay(self, failed: u32) -> Duration {
        match failed.checked_sub(self.free) {
            None | Some(0) => Duration::ZERO,
            Some(beyond) => self.longest.min(Duration::from_secs(1 << (beyond - 1).min(20))),
        }
    }
}

/// One account tried from one network: a typing mistake or two, then someone who guesses.
const PAIR: Pace = Pace { free: 5, longest: Duration::from_secs(15 * 60) };

/// Any accounts tried from one network, which may be a whole workshop's.
const NETWORK: Pace = Pace { free: 30, longest: Duration::from_secs(5 * 60) };

/// One account tried from anywhere. Its owner waits as well, so the bound is short: it still leaves guessers fewer
/// than 3,000 tries a day.
const ACCOUNT: Pace = Pace { free: 20, longest: Duration::from_secs(30) };

/// Failures older than this are forgotten.
const FORGOTTEN: Duration = Duration::from_secs(60 * 60);

/// Entries kept at most; then the forgotten go, and if that is not enough all.
const SIZE: usize = 50_000;

#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Key {
    Pair(String, Network),
    Network(Network),
    Account(String),
}

#[derive(Debug, Clone, Copy)]
struct Tries {
    failed: u32,
    last: Instant,
}

/// Failed tries of log-in.
#[derive(Debug, Default)]
pub struct Throttle(Mutex<HashMap<Key, Tries>>);

impl Throttle {
    /// Begins a try for the account of that name, known or not, and counts it as failed until
    /// [`Throttle::succeeded`], so that many at once are no way round.
    ///
    /// # Errors
    /// How long to wait before the next.
    pub fn begin(&self, name: &str, network: Network, now: Instant) -> Result<(), Duration> {
        self.begin_all(&keys(name, network), now)
    }

    /// Begins something that only the network counts for, such as making an account.
    ///
    /// # Errors
    /// How long to wait before the next.
    pub fn begin_here(&self, network: Network, now: Instant) -> Result<(), Duration> {
        self.begin_all(&[(Key::Network(network), NETWORK)], now)
    }

    fn begin_all(&self, keys: &[(Key, Pace)], now: Instant) -> Result<(), Duration> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let wait = keys.iter().map(|(key, pace)| wait(kept.get(key), *pace, now)).max().unwrap_or_default();
        if !wait.is_zero() {
            return Err(wait);
        }
        if kept.len() + keys.len() > SIZE {
            kept.retain(|_, tries| now.duration_since(tries.last) < FORGOTTEN);
            if kept.len() + keys.len() > SIZE {
                kept.clear();
            }
        }
        for (key, _) in keys {
            let tries = kept.entry(key.clone()).or_insert(Tries { failed: 0, last: now });
            if now.duration_since(tries.last) >= FORGOTTEN {
                tries.failed = 0;
            }
            *tries = Tries { failed: tries.failed.saturating_add(1), last: now };
        }
        Ok(())
    }

    /// The try that was begun was no guess, though it did not succeed: it alone does not count.
    pub fn forgive(&self, name: &str, network: Network) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for (key, _) in keys(name, network) {
            if let Some(tries) = kept.get_mut(&key) {
                tries.failed = tries.failed.saturating_sub(1);
            }
        }
    }

    /// The try that was begun was right: it does not count, and neither do earlier ones from there.
    pub fn succeeded(&self, name: &str, network: Network) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for (key, _) in keys(name, network) {
            match (kept.get_mut(&key), &key) {
                (Some(tries), Key::Network(_) | Key::Account(_)) if tries.failed > 1 => tries.failed -= 1,
                _ => {
                    kept.remove(&key);
                }
            }
        }
    }
}

fn keys(name: &str, network: Network) -> [(Key, Pace); 3] {
    let name: String = name.to_lowercase().chars().take(64).collect();
    [
        (Key::Pair(name.clone(), network), PAIR),
        (Key::Network(network), NETWORK),
        (Key::Account(name), ACCOUNT),
    ]
}

fn wait(tries: Option<&Tries>, pace: Pace, now: Instant) -> Duration {
    let Some(tries) = tries else { return Duration::ZERO };
    let since = now.duration_since(tries.last);
    if since >= FORGOTTEN { Duration::ZERO } else { pace.delay(tries.failed).saturating_sub(since) }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn network(last: u8) -> Network {
        Network::of(std::net::IpAddr::from([203, 0, 113, last]))
    }

    #[test]
    fn a_few_mistakes_cost_nothing_and_then_the_wait_doubles_up_to_a_bound() {
        let throttle = Throttle::default();
        let mut now = Instant::now();
        for _ in 0..PAIR.free + 1 {
            throttle.begin("Ada", network(1), now).unwrap();
        }
        let mut waits = Vec::new();
        for _ in 0..13 {
            let wait = throttle.begin("ada", network(1), now).unwrap_err();
            assert!(throttle.begin("ada", network(1), now + wait / 2).is_err());
            waits.push(wait.as_secs());
            now += wait;
            throttle.begin("ada", network(1), now).unwrap();
        }
        assert_eq!(waits, [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]);
        // Elsewhere the account is not in the way of its owner, nor are other accounts here.
        throttle.begin("ada", network(2), now).unwrap();
        throttle.begin("bo", network(1), now).unwrap();
        throttle.begin("ada", network(1), now + FORGOTTEN).unwrap();
    }

    #[test]
    fn success_forgets_the_failures_of_that_account_there() {
        let throttle = Throttle::default();
        let now = Instant::now();
        for _ in 0..50 {
            for _ in 0..PAIR.free {
                throttle.begin("ada", network(1), now).unwrap();
                throttle.succeeded("ada", network(1));
            }
        }
        assert!(throttle.0.lock().unwrap().is_empty());
    }

    #[test]
    fn what_is_forgiven_forgets_nothing_else() {
        let throttle = Throttle::default();
        let now = Instant::now();
        for _ in 0..PAIR.free + 1 {
            throttle.begin("ada", network(1), now).unwrap();
            throttle.begin("ada", network(2), now).unwrap();
            throttle.forgive("ada", network(2));
        }
        assert!(throttle.begin("ada", network(1), now).is_err());
        assert!(throttle.begin("ada", network(2), now).is_ok());
    }

    #[test]
    fn many_networks_slow_one_account_down_and_many_accounts_one_network() {
        let throttle = Throttle::default();
        let now = Instant::now();
        let refused = (0..100).filter(|n| throttle.begin("ada", network(*n), now).is_err()).count();
        assert_eq!(refused, 100 - ACCOUNT.free as usize - 1);
        assert!(throttle.begin("ada", network(200), now + ACCOUNT.longest).is_ok());
        let throttle = Throttle::default();
        let refused = (0..100).filter(|n| throttle.begin(&format!("n{n}"), network(1), now).is_err()).count();
        assert_eq!(refused, 100 - NETWORK.free as usize - 1);
    }
}
