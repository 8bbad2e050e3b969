//! Card or platform: the card's share of the rates of a group, by the model of rates and by resolution ladders.

use std::collections::{HashMap, HashSet};

use polars::prelude::*;

use super::GroupKey;
use crate::ladder::{self, Alone, LimitedBy, Rung, Share};
use crate::policy::Policy;
use crate::statistics::quantile::median;
use crate::table::columns::*;
use crate::table::keys::{codes, codes_of};
use crate::table::medians::MediansQuery;

/// What bench and settings had in common at one resolution.
pub(super) struct At {
    /// Codes of settings, driver, build, platform and bench.
    ladder: [u32; 5],
    cell: u32,
    /// None where no run has a rate.
    rung: Option<Rung>,
    /// The card's share by the newest model, where it knows the runs.
    model: Option<Share>,
}

/// Which side limits a group.
pub(super) struct Side {
    pub(super) by: LimitedBy,
    /// `model`, `ladder` or `model and ladder`.
    pub(super) from: &'static str,
}

/// The resolutions that each bench measured, ladder by ladder.
pub(super) fn rungs(runs: &DataFrame) -> PolarsResult<Vec<At>> {
    let names = [SETTINGS, DRIVER, BUILD, PLATFORM, BENCH, CELL];
    let keys: Vec<Expr> = names.iter().map(|name| col(*name).to_physical()).collect();
    let known = when(col(SHARE_LOGIT_SD).is_not_null()).then(col(CARD_SHARE)).otherwise(lit(NULL));
    let medians = runs
        .clone()
        .lazy()
        .with_column(known.alias(CARD_SHARE))
        .group_by(keys)
        .agg([
            col(MEAN_FPS).median(),
            col(WIDTH).first(),
            col(HEIGHT).first(),
            // Runs with all of these keys alike are one to the model.
            col(CARD_SHARE).max(),
            col(SHARE_LOGIT_SD).max(),
            col(ALONE[0]).max(),
            col(ALONE[1]).max(),
            col(ALONE[2]).max(),
        ])
        .collect()?;
    let key = codes_of(&medians, &names)?;
    let (width, height) = (codes(&medians, WIDTH)?, codes(&medians, HEIGHT)?);
    let fps = medians.column(MEAN_FPS)?.f64()?;
    let (share, sd) = (medians.column(CARD_SHARE)?.f64()?, medians.column(SHARE_LOGIT_SD)?.f64()?);
    let alone = ALONE.map(|name| medians.column(name).and_then(|column| Ok(column.f64()?.clone())));
    let [ln_card, exponent_sd, sharpness] = alone;
    let (ln_card, exponent_sd, sharpness) = (ln_card?, exponent_sd?, sharpness?);
    let alone = |at: usize| {
        Some(Alone {
            ln_fps: ln_card.get(at)?,
            exponent_sd: exponent_sd.get(at)?,
            sharpness: sharpness.get(at)?,
        })
    };
    let mut rungs: Vec<At> = (0..medians.height())
        .map(|at| At {
            ladder: [key[0][at], key[1][at], key[2][at], key[3][at], key[4][at]],
            cell: key[5][at],
            rung: fps.get(at).map(|mean_fps| Rung {
                width: width[at],
                height: height[at],
                mean_fps,
                alone: alone(at),
            }),
            model: share.get(at).zip(sd.get(at)).map(|(share, sd)| Share::new(share, sd)),
        })
        .collect();
    rungs.sort_unstable_by_key(|at| (at.ladder, at.cell));
    Ok(rungs)
}

/// What the benches of a group say.
#[derive(Default)]
struct Said {
    logits: Vec<f64>,
    sds: Vec<f64>,
    by_model: bool,
    by_ladder: bool,
    /// Whether some bench has both.
    both: bool,
}

impl Said {
    /// By the median over benches. Where a bench has a ladder and the model knows it, its class is the likeliest one;
    /// what only one of the two says must be clear of the other classes.
    fn side(mut self, clear: f64) -> Option<Side> {
        let share = Share { logit: median(&mut self.logits)?, sd: median(&mut self.sds)? };
        let by = share.class(if self.both { 0.0 } else { clear })?;
        let from = match (self.by_model, self.by_ladder) {
            (true, true) => "model and ladder",
            (false, true) => "ladder",
            _ => "model",
        };
        Some(Side { by, from })
    }
}

/// Model and ladder taken together; halfway where they clearly say the opposite.
fn both(model: Share, ladder: Share, clear: f64) -> Share {
    use LimitedBy::{Card, Platform};
    match (model.class(clear), ladder.class(clear)) {
        (Some(Card), Some(Platform)) | (Some(Platform), Some(Card)) => {
            Share::new(0.5, model.sd.hypot(ladder.sd))
        }
        _ => model.with(ladder),
    }
}

/// What limits each group, and the groups in which some bench is slower than at the next higher resolution.
pub(super) fn sides(
    rungs: &[At],
    query: &MediansQuery,
    policy: &Policy,
) -> (HashMap<GroupKey, Side>, HashSet<GroupKey>) {
    let policy = &policy.ladder;
    let mut said: HashMap<GroupKey, Said> = HashMap::new();
    let mut slower = HashSet::new();
    for ladder in rungs.chunk_by(|a, b| a.ladder == b.ladder) {
        let steps: Vec<Rung> = ladder.iter().filter_map(|at| at.rung.clone()).collect();
        for at in ladder {
            let [_, driver, build, platform, _] = at.ladder;
            let key = [
                at.cell,
                if query.by_driver { driver } else { 0 },
                if query.by_build { build } else { 0 },
                if query.by_platform { platform } else { 0 },
            ];
            let by_ladder = at.rung.as_ref().and_then(|rung| {
                if ladder::slower_than_higher(&steps, rung.width, rung.height, policy.slower_from) {
                    slower.insert(key);
                }
                ladder::share_at(&steps, rung.width, rung.height, policy.slower_from)
            });
            let share = match (at.model, by_ladder) {
                (Some(model), Some(ladder)) => both(model, ladder, policy.clear),
                (Some(one), None) | (None, Some(one)) => one,
                (None, None) => continue,
            };
            let said = said.entry(key).or_default();
            said.logits.push(share.logit);
            said.sds.push(share.sd);
            said.by_model |= at.model.is_some();
            said.by_ladder |= by_ladder.is_some();
            said.both |= by_ladder.is_some() && at.model.is_some();
        }
    }
    let sides = said.into_iter().filter_map(|(key, said)| Some((key, said.side(policy.clear)?))).collect();
    (sides, slower)
}
