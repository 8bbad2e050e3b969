//! The ratio of two cards at one configuration.

use super::evidence::{Configuration, Figure, Site};
use super::{By, Match, Ratio, Side};
use crate::policy::Policy;
use crate::statistics::{quantile::median, sum};
use crate::table::interval::{Difference, Intervals};
use crate::table::spread::{Prior, Strata};

/// A match and the sites behind it.
pub(super) struct Pair<'a> {
    pub(super) row: Match,
    pub(super) base: &'a Site,
    pub(super) other: &'a Site,
    /// Whether the card sets the rate of both.
    pub(super) card_limited: bool,
}

/// Intervals of one figure: of medians, and of ratios that one bench gave.
pub(super) struct Sources<'a> {
    /// What contributors differ by.
    pub(super) between: Strata,
    /// Where the card sets the rate of both, and elsewhere.
    pooled: [Intervals<'a>; 2],
    shared: Intervals<'a>,
}

impl<'a> Sources<'a> {
    pub(super) fn new(policy: &'a Policy, pooled: Strata, shared: Prior) -> Sources<'a> {
        Sources {
            between: pooled,
            pooled: [pooled.card, pooled.other].map(|prior| Intervals::new(&policy.table, prior)),
            shared: Intervals::new(&policy.table, shared),
        }
    }

    fn ratio(&mut self, base: &Site, other: &Site, figure: Figure) -> Option<Ratio> {
        let interval = |d: Difference, by| Ratio { ratio: d.ratio, from: Some(d.low), to: Some(d.high), by };
        let shared = other.shared(base, figure);
        if let Some(difference) = self.shared.matched(&shared) {
            return Some(interval(difference, By::Shared));
        }
        let (under, over) = (base.medians(figure), other.medians(figure));
        let pooled = &mut self.pooled[usize::from(!(base.card_limited && other.card_limited))];
        if let Some(difference) = pooled.difference(&over, &under) {
            return Some(interval(difference, By::Pooled));
        }
        if !shared.is_empty() {
            return Some(Ratio { ratio: sum::mean(&shared).exp(), from: None, to: None, by: By::Shared });
        }
        let ratio = median(&mut over.clone())? / median(&mut under.clone())?;
        Some(Ratio { ratio, from: None, to: None, by: By::Pooled })
    }
}

/// Makes matches with their intervals.
pub(super) struct Maker<'a> {
    pub(super) mean: Sources<'a>,
    pub(super) low: Sources<'a>,
}

impl Maker<'_> {
    /// The match of the base and another card at a configuration; none unless both were measured there.
    pub(super) fn pair<'s>(&mut self, c: &'s Configuration, place: usize) -> Option<Pair<'s>> {
        let (base, other) = (c.sites[0].as_ref()?, c.sites[place].as_ref()?);
        let row = Match {
            workload: c.workload.clone(),
            scene: c.scene.clone(),
            api: c.api.clone(),
            preset: c.preset.clone(),
            width: c.width,
            height: c.height,
            render_scale: c.render_scale,
            variant: c.variant.clone(),
            platform: c.platform.clone(),
            platform_limited: base.platform_limited || other.platform_limited,
            shared_contributors: other.shared(base, Figure::MeanFps).len() as u32,
            base: self.side(base)?,
            other: self.side(other)?,
            mean_fps: self.mean.ratio(base, other, Figure::MeanFps)?,
            low_fps: self.low.ratio(base, other, Figure::LowFps),
        };
        Some(Pair { row, base, other, card_limited: base.card_limited && other.card_limited })
    }

    fn side(&mut self, site: &Site) -> Option<Side> {
        let (means, lows) = (site.medians(Figure::MeanFps), site.medians(Figure::LowFps));
        let stratum = usize::from(!site.card_limited);
        let (mean, low) = (self.mean.pooled[stratum].of(&means), self.low.pooled[stratum].of(&lows));
        Some(Side {
            runs: site.runs,
            contributors: site.contributors().count() as u32,
            mean_fps: median(&mut means.clone())?,
            mean_fps_from: mean.map(|i| i.0),
            mean_fps_to: mean.map(|i| i.1),
            low_fps: median(&mut lows.clone()),
            low_fps_from: low.map(|i| i.0),
            low_fps_to: low.map(|i| i.1),
        })
    }
}
