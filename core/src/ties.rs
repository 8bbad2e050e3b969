//! Many accounts, one person: what two accounts have in common, and when they count as one contributor.
//!
//! It stops whoever makes many accounts from one place without much care. It does not stop whoever comes from many
//! networks, with another bench and other noise each time: that is bounded by the judgement of each run only.

use std::collections::BTreeMap;

/// What two accounts have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Tie {
    /// Both have sent runs from one network.
    Network,
    /// Both have described a bench of the same parts.
    Bench,
    /// One has sent the other's frames, changed or not.
    CopiedSeries,
    /// Both have measured the same two figures in one cell, to half a thousandth.
    SameFigures,
    /// They were made within an hour.
    Timing,
}

impl Tie {
    /// All of them.
    pub const ALL: [Tie; 5] = [Tie::Network, Tie::Bench, Tie::CopiedSeries, Tie::SameFigures, Tie::Timing];

    /// The word used in documents and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            Tie::Network => "network",
            Tie::Bench => "bench",
            Tie::CopiedSeries => "copied-series",
            Tie::SameFigures => "same-figures",
            Tie::Timing => "timing",
        }
    }

    /// The tie a word stands for.
    pub fn parse(word: &str) -> Option<Tie> {
        Tie::ALL.into_iter().find(|tie| tie.as_str() == word)
    }

    /// What it weighs. Chosen so that nothing alone is enough: a household or a whole town shares a network, many have
    /// the same parts, and who copies published frames must not tie himself to his victim by that alone.
    fn points(self) -> u32 {
        match self {
            Tie::Network | Tie::CopiedSeries => 2,
            Tie::Bench | Tie::SameFigures | Tie::Timing => 1,
        }
    }
}

/// Points from which two accounts count as one contributor.
const ENOUGH: u32 = 3;

/// Whether these ties make one contributor of two accounts, until a moderator separates them.
pub fn one_person(ties: &[Tie]) -> bool {
    let points: u32 = Tie::ALL.into_iter().filter(|tie| ties.contains(tie)).map(Tie::points).sum();
    points >= ENOUGH
}

/// As whom each account counts: the smallest id of those that hang together by these pairs. Accounts that stand for
/// themselves alone are left out.
pub fn people(pairs: &[(String, String)]) -> BTreeMap<String, String> {
    let mut root: BTreeMap<&str, &str> = BTreeMap::new();
    for (a, b) in pairs {
        let (a, b) = (find(&mut root, a), find(&mut root, b));
        let (least, other) = if a <= b { (a, b) } else { (b, a) };
        root.insert(other, least);
        root.insert(least, least);
    }
    let accounts: Vec<&str> = root.keys().copied().collect();
    let mut people = BTreeMap::new();
    for account in accounts {
        let person = find(&mut root, account);
        people.insert(account.to_owned(), person.to_owned());
    }
    people
}

fn find<'a>(root: &mut BTreeMap<&'a str, &'a str>, account: &'a str) -> &'a str {
    let mut at = account;
    while let Some(next) = root.get(at).copied().filter(|next| *next != at) {
        at = next;
    }
    root.insert(account, at);
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pairs(all: &[(&str, &str)]) -> Vec<(String, String)> {
        all.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect()
    }

    #[test]
    fn no_tie_alone_is_enough_and_a_network_with_anything_is() {
        for tie in Tie::ALL {
            assert!(!one_person(&[tie, tie, tie]), "{tie:?}");
            assert_eq!(one_person(&[Tie::Network, tie]), tie != Tie::Network, "{tie:?}");
            assert_eq!(Tie::parse(tie.as_str()), Some(tie));
        }
        assert!(!one_person(&[Tie::Bench, Tie::Timing]));
        assert!(one_person(&[Tie::Bench, Tie::Timing, Tie::SameFigures]));
        assert!(!one_person(&[]));
    }

    #[test]
    fn accounts_that_hang_together_by_others_are_one() {
        let people = people(&pairs(&[("c", "d"), ("a", "b"), ("d", "b"), ("x", "y")]));
        let of = |account: &str| people.get(account).map(String::as_str);
        for account in ["a", "b", "c", "d"] {
            assert_eq!(of(account), Some("a"));
        }
        assert_eq!((of("x"), of("y"), of("z")), (Some("x"), Some("x"), None));
    }

    #[test]
    fn the_order_of_the_pairs_does_not_matter() {
        let mut all = pairs(&[("e", "f"), ("b", "c"), ("f", "c"), ("a", "e"), ("g", "h")]);
        let forth = people(&all);
        all.reverse();
        assert_eq!(people(&all), forth);
    }
}
