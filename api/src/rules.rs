//! All rules that a finding can come from, in the order in which a submission meets them.

use wearmark_core::finding::Rule;
use wearmark_core::{judge, platform, series};

/// Every rule of the service.
pub fn all() -> impl Iterator<Item = &'static Rule> {
    [series::RULES, platform::RULES, judge::RULES].into_iter().flatten()
}
