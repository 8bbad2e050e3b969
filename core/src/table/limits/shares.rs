//! What limits groups of runs by the model's shares of the card.

use std::collections::HashMap;

use polars::prelude::*;

use super::GroupKey;
use crate::ladder::LimitedBy;
use crate::policy::ladder::{CARD_SHARE as CARD_FROM, PLATFORM_SHARE};
use crate::table::columns::*;
use crate::table::keys::codes;
use crate::table::medians::MediansQuery;

/// The class of each group whose share is clear of the limits of that class by `clear` standard deviations: medians over
/// the runs that the newest model knows.
pub(super) fn by_model(
    runs: &DataFrame,
    query: &MediansQuery,
    clear: f64,
) -> PolarsResult<HashMap<GroupKey, LimitedBy>> {
    let splits =
        [(true, CELL), (query.by_driver, DRIVER), (query.by_build, BUILD), (query.by_platform, PLATFORM)];
    let keys: Vec<Expr> =
        splits.iter().filter(|(split, _)| *split).map(|(_, name)| col(*name).to_physical()).collect();
    let groups = runs
        .clone()
        .lazy()
        .filter(col(SHARE_LOGIT_SD).is_not_null())
        .group_by(keys)
        .agg([col(CARD_SHARE).median(), col(SHARE_LOGIT_SD).median()])
        .collect()?;
    let mut key: Vec<Option<Vec<u32>>> = Vec::with_capacity(splits.len());
    for (split, name) in splits {
        key.push(if split { Some(codes(&groups, name)?) } else { None });
    }
    let (share, sd) = (groups.column(CARD_SHARE)?.f64()?, groups.column(SHARE_LOGIT_SD)?.f64()?);
    let group = |at: usize| {
        let class = class(share.get(at)?, clear * sd.get(at)?)?;
        Some((std::array::from_fn(|of| key[of].as_ref().map_or(0, |codes| codes[at])), class))
    };
    Ok((0..groups.height()).filter_map(group).collect())
}

fn logit(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

/// The class of a share whose logit may be off by `margin`; none where it may be another.
fn class(share: f64, margin: f64) -> Option<LimitedBy> {
    let at = logit(share.clamp(1e-9, 1.0 - 1e-9));
    let (low, high) = (at - margin, at + margin);
    let (platform, card) = (logit(PLATFORM_SHARE), logit(CARD_FROM));
    if high <= platform {
        Some(LimitedBy::Platform)
    } else if low >= card {
        Some(LimitedBy::Card)
    } else {
        (low > platform && high < card).then_some(LimitedBy::Mixed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_has_a_class_where_it_is_clear_of_the_others() {
        assert_eq!(class(0.1, 0.5), Some(LimitedBy::Platform));
        assert_eq!(class(0.2, 0.5), None);
        assert_eq!(class(0.5, 0.5), Some(LimitedBy::Mixed));
        assert_eq!(class(0.5, 1.2), None);
        assert_eq!(class(0.95, 1.0), Some(LimitedBy::Card));
        assert_eq!(class(1.0, 3.0), Some(LimitedBy::Card));
    }
}
