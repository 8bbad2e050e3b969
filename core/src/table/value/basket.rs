//! What was measured of one card, workload by workload, beside its price and its power.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Measure, ValueQuery, Worth};
use crate::error::CoreError;
use crate::ladder::LimitedBy;
use crate::policy::Policy;
use crate::statistics::sum;
use crate::table::columns::CELL;
use crate::table::filters::Filters;
use crate::table::frame::RunFrame;
use crate::table::keys::codes;
use crate::table::limits;
use crate::table::medians::MediansQuery;
use crate::table::pool;
use crate::table::rows::{Figures, GroupKeys};

/// A figure with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rate {
    /// The figure.
    pub value: f64,
    /// Lower end of the interval.
    pub from: f64,
    /// Upper end.
    pub to: f64,
}

impl Rate {
    /// From a logarithm and the half width of its interval.
    pub(super) fn of(ln: f64, half: f64) -> Rate {
        Rate { value: ln.exp(), from: (ln - half).exp(), to: (ln + half).exp() }
    }
}

/// What was measured of the card.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Basket {
    /// By workload.
    pub rows: Vec<BasketRow>,
    /// Over all workloads, each weighing the same: geometric mean; none when refused.
    pub fps: Option<Rate>,
    /// That over the price; none without a price of several contributors.
    pub fps_per_money: Option<Rate>,
    /// That over the rated board power, fps per watt.
    pub fps_per_watt: Option<Rate>,
    /// Configurations with an interval, which these rest on.
    pub configurations: u32,
    /// Configurations of one contributor, left out.
    pub one_contributor: u32,
    /// Configurations at which the platform was measured, not the card, left out.
    pub platform_limited: u32,
    /// Why there is no figure.
    pub refused: Option<String>,
}

/// One workload.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BasketRow {
    /// Workload id.
    pub workload: String,
    /// Configurations.
    pub configurations: u32,
    /// Geometric mean over them.
    pub fps: Rate,
    /// Over the price; none without a price of several contributors.
    pub fps_per_money: Option<Rate>,
    /// Over the rated board power, fps per watt.
    pub fps_per_watt: Rate,
}

/// ln of the figure and half width of its interval.
type Logs = (f64, f64);

/// The basket of the card: all its configurations that pass, with two contributors or more. A workload's figure is the
/// geometric mean over its configurations, the overall one that over workloads; half widths are the mean of theirs, which
/// holds even if the errors are the same in all.
pub(super) fn basket(
    frame: &RunFrame,
    own: &Worth,
    query: &ValueQuery,
    policy: &Policy,
) -> Result<Basket, CoreError> {
    let failed = |source| CoreError::Table { doing: "gathering what was measured of a card", source };
    let asked = MediansQuery {
        filters: Filters { card: vec![own.card.clone()], chip: Vec::new(), ..query.filters.clone() },
        width: query.width,
        height: query.height,
        definition: query.definition,
        ..MediansQuery::default()
    };
    let pooled = pool::pool(frame, &asked, policy)?;
    let limits = limits::limits(frame, &pooled.ladder, &asked, policy)?;
    let keys = GroupKeys::of(&pooled).map_err(failed)?;
    let figures = Figures::of(&pooled.groups, &frame.priors(&policy.table), query.definition, policy)
        .map_err(failed)?;
    let cells = codes(&pooled.groups, CELL).map_err(failed)?;
    let mut by_workload: BTreeMap<String, Vec<Logs>> = BTreeMap::new();
    let (mut one_contributor, mut platform_limited) = (0, 0);
    for (place, cell) in cells.iter().enumerate() {
        let figure = match query.measure {
            Measure::MeanFps => &figures.mean[place],
            Measure::LowFps => &figures.low[place],
        };
        let Some(value) = figure.value else { continue };
        if !query.include_platform_limited && limits.of(&[*cell, 0, 0, 0]) == LimitedBy::Platform {
            platform_limited += 1;
            continue;
        }
        let Some((from, to)) = figure.interval else {
            one_contributor += 1;
            continue;
        };
        let workload = keys.workload.at(place).unwrap_or_default().to_owned();
        by_workload.entry(workload).or_default().push((value.ln(), 0.5 * (to / from).ln()));
    }
    let price = own.refused.is_none().then(|| own.price.as_ref().map(super::MarketRow::ln)).flatten();
    let rates = Rates { price, watts_ln: own.power.rated_board_power_w.ln() };
    let mut means: Vec<Logs> = Vec::new();
    let mut rows = Vec::new();
    for (workload, mut logs) in by_workload {
        // Groups come in no order, and sums of floats depend on it.
        logs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let all = mean(&logs);
        means.push(all);
        rows.push(BasketRow {
            workload,
            configurations: logs.len() as u32,
            fps: Rate::of(all.0, all.1),
            fps_per_money: rates.per_money(all),
            fps_per_watt: rates.per_watt(all),
        });
    }
    let overall = (!means.is_empty()).then(|| mean(&means));
    let refused = overall.is_none().then(|| {
        format!(
            "not enough evidence: no configuration of {} that counts here was measured by two contributors",
            own.card
        )
    });
    Ok(Basket {
        configurations: rows.iter().map(|row| row.configurations).sum(),
        rows,
        fps: overall.map(|(ln, half)| Rate::of(ln, half)),
        fps_per_money: overall.and_then(|all| rates.per_money(all)),
        fps_per_watt: overall.map(|all| rates.per_watt(all)),
        one_contributor,
        platform_limited,
        refused,
    })
}

fn mean(logs: &[Logs]) -> Logs {
    let of = |pick: fn(&Logs) -> f64| sum::mean(&logs.iter().map(pick).collect::<Vec<_>>());
    (of(|l| l.0), of(|l| l.1))
}

struct Rates {
    /// ln of the price and half width of its interval.
    price: Option<(f64, Option<f64>)>,
    watts_ln: f64,
}

impl Rates {
    fn per_money(&self, (ln, half): Logs) -> Option<Rate> {
        let (price, price_half) = self.price?;
        Some(Rate::of(ln - price, half.hypot(price_half?)))
    }

    fn per_watt(&self, (ln, half): Logs) -> Rate {
        Rate::of(ln - self.watts_ln, half)
    }
}
