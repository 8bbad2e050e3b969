//! Who has an accepted rate in which configuration, counted here and not asked of the judge.

use std::collections::HashMap;

/// Accepted runs by configuration and contributor.
#[derive(Debug, Default)]
pub(super) struct Peers(HashMap<String, HashMap<usize, usize>>);

impl Peers {
    /// Contributors but this one with an accepted rate in a configuration.
    pub(super) fn of(&self, configuration: &str, contributor: usize) -> usize {
        self.0.get(configuration).map_or(0, |who| who.len() - usize::from(who.contains_key(&contributor)))
    }

    /// A run counts from now on.
    pub(super) fn add(&mut self, configuration: &str, contributor: usize) {
        *self.0.entry(configuration.to_owned()).or_default().entry(contributor).or_default() += 1;
    }

    /// A run no longer counts.
    pub(super) fn remove(&mut self, configuration: &str, contributor: usize) {
        if let Some(who) = self.0.get_mut(configuration)
            && let Some(runs) = who.get_mut(&contributor)
        {
            *runs -= 1;
            if *runs == 0 {
                who.remove(&contributor);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Peers;

    #[test]
    fn a_contributor_is_no_peer_of_his_own_and_counts_once() {
        let mut peers = Peers::default();
        peers.add("a", 1);
        peers.add("a", 1);
        peers.add("a", 2);
        assert_eq!((peers.of("a", 1), peers.of("a", 2), peers.of("a", 3), peers.of("b", 3)), (1, 1, 2, 0));
        peers.remove("a", 1);
        assert_eq!(peers.of("a", 3), 2);
        peers.remove("a", 1);
        assert_eq!(peers.of("a", 3), 1);
    }
}
