//! Settings that the card was not measured at: what others measured on other cards, and smaller resolutions.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::*;

use super::known::{Known, Setting};
use super::{Sources, WantedQuery};
use crate::table::columns::*;
use crate::table::interval::t_quantile;
use crate::table::keys::{Words, codes};
use crate::table::rows;

impl Known<'_> {
    /// Those that others measured on other cards.
    pub(super) fn estimated(&mut self, sources: &Sources<'_>, query: &WantedQuery) -> PolarsResult<()> {
        if sources.estimates.is_empty() {
            return Ok(());
        }
        let by_run: BTreeMap<&str, _> = sources.estimates.iter().map(|(run, e)| (run.as_str(), e)).collect();
        let all = sources.frame.data().map_err(|e| polars_err!(ComputeError: "{e}"))?;
        let wanted: Vec<&str> = by_run.keys().copied().collect();
        let runs = all
            .lazy()
            .filter(col(RUN).is_in(lit(Series::new("".into(), wanted)).implode(false), false))
            .collect()?;
        let [workload, scene, api, preset, variant, kinds] =
            [WORKLOAD, SCENE, API, PRESET, VARIANT, WORKLOAD_KIND].map(|name| Words::all(&runs, name));
        let (workload, scene, api, preset) = (workload?, scene?, api?, preset?);
        let (variant, kinds, scene_kinds) = (variant?, kinds?, codes(&runs, SCENE_KIND)?);
        let (width, height) = (codes(&runs, WIDTH)?, codes(&runs, HEIGHT)?);
        let (scales, ids) = (runs.column(RENDER_SCALE)?.f64()?, runs.column(RUN)?.str()?);
        let t = t_quantile(self.policy.table.confidence, self.policy.judge.tail_df);
        let mut order: Vec<usize> = (0..runs.height()).collect();
        order.sort_by_key(|row| ids.get(*row));
        for row in order {
            let Some(estimate) = ids.get(row).and_then(|id| by_run.get(id)) else { continue };
            if scales.get(row) != Some(1.0) || variant.at(row).is_some_and(|v| !v.is_empty()) {
                continue;
            }
            let setting = self.setting(
                [&workload, &scene, &api, &preset].map(|words| words.at(row).unwrap_or_default().to_owned()),
                (width[row], height[row]),
                (rows::kind_of(kinds.at(row)), SCENE_KINDS.get(scene_kinds[row] as usize).copied()),
                Some(estimate.ln_low.exp()),
                sources.catalogue,
                query,
            );
            self.settings.push(Setting {
                half: Some(t * estimate.sd),
                stratum: usize::from(!self.policy.table.is_card_limited(Some(estimate.card_share))),
                mean_fps: Some(estimate.ln_fps.exp()),
                ..setting
            });
        }
        Ok(())
    }

    /// Resolutions beside settings of which nobody knows whether the card is the limit: the next smaller one in use.
    pub(super) fn rungs(&mut self) {
        let sizes: BTreeSet<(u64, u32, u32)> =
            self.settings.iter().map(|s| (s.pixels(), s.width, s.height)).collect();
        for at in 0..self.settings.len() {
            let setting = &self.settings[at];
            let smaller = |s: &Setting| s.family == setting.family && s.pixels() < setting.pixels();
            if setting.limited || setting.contributors == 0 || self.settings.iter().any(smaller) {
                continue;
            }
            let Some((pixels, width, height)) = sizes.range(..(setting.pixels(), 0, 0)).next_back().copied()
            else {
                continue;
            };
            let size = format!("|{}x{}|", setting.width, setting.height);
            let faster = (setting.pixels() as f64 / pixels as f64).powf(crate::policy::ladder::CARD_EXPONENT);
            self.settings.push(Setting {
                width,
                height,
                configuration: setting.configuration.replace(&size, &format!("|{width}x{height}|")),
                contributors: 0,
                own: false,
                half: None,
                mean_fps: setting.mean_fps.map(|fps| fps * faster),
                limited: false,
                ..setting.clone()
            });
        }
    }
}
