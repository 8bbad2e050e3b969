//! All rules that core's findings come from, in the order in which a submission meets them.

use crate::finding::Rule;
use crate::{desk, judge, platform, price, series};

/// Every rule of the series, the platform match and the judgement of runs.
pub fn run_rules() -> impl Iterator<Item = &'static Rule> {
    [series::RULES, platform::RULES, judge::RULES].into_iter().flatten()
}

/// These, the rules of prices, and what moderators decide.
pub fn all_rules() -> impl Iterator<Item = &'static Rule> {
    run_rules().chain(price::judge::RULES).chain(desk::RULES)
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn every_code_is_unique_in_kebab_case_and_explained() {
        let mut seen = HashSet::new();
        for rule in all_rules() {
            let word =
                |w: &str| !w.is_empty() && w.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit());
            assert!(rule.code.split('-').all(word), "{}", rule.code);
            assert!(seen.insert(rule.code), "{} twice", rule.code);
            assert!(rule.explanation.ends_with('.') && rule.explanation.len() > 30, "{}", rule.code);
        }
        assert!(seen.len() > 50);
    }
}
