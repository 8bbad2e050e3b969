//! Resolution ladders of a card: settings that were measured at two resolutions or more, and what limits each.

use std::collections::BTreeMap;

use polars::prelude::*;

use super::columns::*;
use super::filters::Filters;
use super::frame::RunFrame;
use super::keys::{Words, codes};
use super::limits;
use super::medians::MediansQuery;
use super::pool;
use super::rows::{Figures, GroupKeys};
use crate::error::CoreError;
use crate::ladder::LimitedBy;
use crate::policy::Policy;
use crate::run::LowDefinition;

/// Settings at several resolutions.
#[derive(Debug, Clone, PartialEq)]
pub struct Ladder {
    /// Workload id.
    pub workload: String,
    /// Scene id.
    pub scene: String,
    /// Graphics API.
    pub api: String,
    /// Preset.
    pub preset: String,
    /// Resolutions, the smallest first; two or more.
    pub rungs: Vec<LadderRung>,
}

/// One resolution.
#[derive(Debug, Clone, PartialEq)]
pub struct LadderRung {
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Median over contributors of their mean rates, fps.
    pub mean_fps: f64,
    /// 95 % interval; none of one contributor.
    pub interval: Option<(f64, f64)>,
    /// Contributors.
    pub contributors: u32,
    /// `card`, `platform` or `mixed`; none where no bench has two resolutions on one driver and build.
    pub limited_by: Option<&'static str>,
}

/// The ladders of a card at full render scale, on some workloads or on all, in the order of their names.
///
/// # Errors
/// When the table engine fails.
pub fn ladders(
    frame: &RunFrame,
    card: &str,
    workloads: &[String],
    policy: &Policy,
) -> Result<Vec<Ladder>, CoreError> {
    let query = MediansQuery {
        filters: Filters { card: vec![card.to_owned()], workload: workloads.to_vec(), ..Filters::default() },
        ..MediansQuery::default()
    };
    let pooled = pool::pool(frame, &query, policy)?;
    let limits = limits::limits(frame, &pooled.ladder, &query, policy)?;
    let priors = frame.priors(&policy.table);
    let read = || -> PolarsResult<Vec<Ladder>> {
        let keys = GroupKeys::of(&pooled)?;
        let figures = Figures::of(&pooled.groups, &priors, LowDefinition::Percentile, policy)?;
        let cells = codes(&pooled.groups, CELL)?;
        let word = |words: &Words, place: usize| words.at(place).unwrap_or_default().to_owned();
        let mut ladders: BTreeMap<[String; 4], Vec<LadderRung>> = BTreeMap::new();
        for (place, cell) in cells.iter().enumerate() {
            let plain = keys.render_scale[place] == 1.0 && word(&keys.variant, place).is_empty();
            let figure = figures.mean[place];
            let (true, Some(mean_fps)) = (plain, figure.value) else { continue };
            let key = [&keys.workload, &keys.scene, &keys.api, &keys.preset].map(|w| word(w, place));
            ladders.entry(key).or_default().push(LadderRung {
                width: keys.width[place],
                height: keys.height[place],
                mean_fps,
                interval: figure.interval,
                contributors: figure.contributors,
                limited_by: Some(limits.of(&[*cell, 0, 0, 0]))
                    .filter(|l| *l != LimitedBy::NotKnown)
                    .map(|l| l.as_str()),
            });
        }
        let ladder = |([workload, scene, api, preset], mut rungs): ([String; 4], Vec<LadderRung>)| {
            rungs.sort_by_key(|r| (u64::from(r.width) * u64::from(r.height), r.width));
            (rungs.len() > 1).then_some(Ladder { workload, scene, api, preset, rungs })
        };
        Ok(ladders.into_iter().filter_map(ladder).collect())
    };
    read().map_err(|source| CoreError::Table { doing: "reading the ladders of a card", source })
}
