//! Who agrees with whom: residuals reduced to what other contributors say, held runs that bear each other
//! out, accepted runs that nobody bears out.

use std::collections::HashSet;

use super::rows::Row;
use super::{Ledger, Standing};
use crate::judge::Support;
use crate::policy::judge::JudgePolicy;
use crate::statistics::quantile::{median, weighted_median};

/// Held runs beside a run that are looked at again when it is accepted, the newest.
const NEIGHBOURS: usize = 16;

/// What one contributor's runs come to.
struct One {
    residual: f64,
    /// How much of what is looked for shows in the best of them.
    share: f64,
    ln_fps: f64,
    ln_low_ratio: Option<f64>,
}

/// Residuals reduced: median over contributors of each contributor's median. Contributors whose figures are the
/// same in mean and 1% low count once, until it is known why.
pub(super) fn support(
    rows: &[&Row],
    residual: impl Fn(&Row) -> Option<f64>,
    policy: &JudgePolicy,
) -> Support {
    let mut residuals: Vec<f64> =
        reduced(rows, residual, |_| 1.0, policy).iter().map(|one| one.residual).collect();
    let contributors = u32::try_from(residuals.len()).unwrap_or(u32::MAX);
    Support { contributors, residual: median(&mut residuals).unwrap_or(0.0), information: None }
}

/// The same of what a driver release changes, for a run in which the card has the share `own` of the rate. A change of the
/// card's rate shows in a run by the card's share of it, so residuals are taken down to the whole card and weighed by the
/// share (the line through the origin with the least sum of absolute residuals), and what is found is taken up to this
/// run. Of contributors with shares s it tells as much as sum s^2 / own^2 contributors with its own share do, and never
/// counts for more than there are.
pub(super) fn release_support(rows: &[&Row], own: f64, policy: &JudgePolicy) -> Support {
    let share = |row: &Row| f64::from(row.view.card_share).clamp(policy.release_share, 1.0);
    let own = own.clamp(policy.release_share, 1.0);
    let all = reduced(rows, |row| Some(row.residual / share(row)), share, policy);
    let contributors = u32::try_from(all.len()).unwrap_or(u32::MAX);
    let worth: f64 = all.iter().map(|one| (one.share / own).powi(2)).sum();
    let mut changes: Vec<(f64, f64)> = all.iter().map(|one| (one.residual, one.share)).collect();
    Support {
        contributors,
        residual: own * weighted_median(&mut changes).unwrap_or(0.0),
        information: (contributors > 0).then(|| worth.min(f64::from(contributors))),
    }
}

/// Each contributor's weighted median; those with the same figures once.
fn reduced(
    rows: &[&Row],
    residual: impl Fn(&Row) -> Option<f64>,
    share: impl Fn(&Row) -> f64,
    policy: &JudgePolicy,
) -> Vec<One> {
    let mut of: Vec<(&Row, f64)> = rows.iter().filter_map(|row| Some((*row, residual(row)?))).collect();
    of.sort_by_key(|(row, _)| row.features.contributor);
    let mut all: Vec<One> = of
        .chunk_by(|a, b| a.0.features.contributor == b.0.features.contributor)
        .filter_map(|own| {
            let middle = |values: Vec<f64>| median(&mut { values });
            let mut residuals: Vec<(f64, f64)> =
                own.iter().map(|(row, residual)| (*residual, share(row))).collect();
            Some(One {
                residual: weighted_median(&mut residuals)?,
                share: own.iter().map(|(row, _)| share(row)).fold(0.0, f64::max),
                ln_fps: middle(own.iter().map(|(row, _)| row.ln_fps).collect())?,
                ln_low_ratio: middle(own.iter().filter_map(|(row, _)| row.ln_low_ratio()).collect()),
            })
        })
        .collect();
    all.sort_by(|a, b| a.ln_fps.total_cmp(&b.ln_fps).then(a.residual.total_cmp(&b.residual)));
    let same = |a: f64, b: f64| (a - b).abs() < policy.same_figure;
    all.dedup_by(|b, a| {
        same(a.ln_fps, b.ln_fps) && a.ln_low_ratio.zip(b.ln_low_ratio).is_some_and(|(a, b)| same(a, b))
    });
    all
}

/// Whether one change of the card, or one of the platform, makes both runs deviate as they do: it shows in each by the
/// share that the card, or the platform, has of the rate.
pub(super) fn one_change(row: &Row, other: &Row, policy: &JudgePolicy) -> bool {
    let card = |row: &Row| f64::from(row.view.card_share);
    let shares = [(card(row), card(other)), (1.0 - card(row), 1.0 - card(other))];
    shares.iter().any(|(own, others)| {
        let ratio = others.clamp(policy.release_share, 1.0) / own.clamp(policy.release_share, 1.0);
        (row.residual * ratio - other.residual).abs() <= policy.agree_within
            && (other.residual / ratio - row.residual).abs() <= policy.agree_within
    })
}

impl Ledger {
    /// Runs held for their numbers in the same cell, or with the same release on the workload and family, by
    /// other contributors, newest first.
    pub fn held_beside(&self, run: &str) -> Vec<String> {
        let Some((_, row)) = self.rows.find(run) else { return Vec::new() };
        self.beside(row).take(NEIGHBOURS).map(|other| other.run.to_string()).collect()
    }

    /// The newest of them that deviates in the same way, when both contributors are known from elsewhere: two who do not
    /// know of each other and see the same are more likely to be right than the model. Those who measured other things
    /// agree by a driver release only where one change makes both deviate as they do: the card's, or the platform's, by
    /// its share of each rate. Against several others who measured the same cell and see something else only what is new
    /// can make it so: a driver release or a build of the workload that both have and that nobody has who sees it
    /// otherwise. Without such, two are no more than two; and for more than such news do ([`JudgePolicy::agree_news`]) it
    /// takes a third, and another configuration: what changes a workload that much shows at more than one of its
    /// settings, and on more than one card, while a lie is told of one.
    pub fn corroborated_by(&self, run: &str, policy: &JudgePolicy) -> Option<String> {
        let (at, row) = self.rows.find(run)?;
        let known = |row: &Row| self.accepted_elsewhere(row) >= policy.agree_runs;
        if row.standing != Standing::Held || !known(row) {
            return None;
        }
        let inputs = self.inputs_of(&row.features, row.cell, row.measured_day, Some(at), policy);
        let against = |support: Support, least: u32| {
            support.contributors >= least
                && support.worth() >= 0.5 * f64::from(least)
                && (support.residual - row.residual).abs() > policy.agree_within
        };
        let settled = against(inputs.cell, policy.agree_against);
        // Those who measured other things agree by the release alone: if others have it and do not see this, they do by
        // chance.
        let new_release = !against(inputs.release, if settled { 1 } else { policy.agree_against_release });
        let new_build = self.is_new_build(row, policy);
        let agreeing: Vec<&Row> = self
            .beside(row)
            .filter(|other| match settled {
                true => {
                    (new_release && other.has_release_of(row) && one_change(row, other, policy))
                        || (new_build && other.has_build_of(row))
                }
                false => (new_release && one_change(row, other, policy)) || other.cell == row.cell,
            })
            .filter(|other| (other.residual - row.residual).abs() <= policy.agree_within && known(other))
            .collect();
        // What they see together is the mean of what each does.
        let sum: f64 = agreeing.iter().map(|other| other.residual).sum();
        let together = (row.residual + sum) / (agreeing.len() + 1) as f64;
        let much = settled && (together - inputs.cell.residual).abs() > policy.agree_news;
        let contributors: HashSet<u32> = agreeing.iter().map(|other| other.features.contributor).collect();
        let enough =
            !much || (contributors.len() >= 2 && agreeing.iter().any(|other| other.cell != row.cell));
        agreeing.first().filter(|_| enough).map(|other| other.run.to_string())
    }

    /// Whether the row states a build of its workload with which nobody else measured its cell and saw something else.
    fn is_new_build(&self, row: &Row, policy: &JudgePolicy) -> bool {
        row.has_build_of(row)
            && !self
                .rows
                .cell(row.cell)
                .filter(|other| other.is_accepted() && other.features.contributor != row.features.contributor)
                .any(|other| {
                    other.has_build_of(row) && (other.residual - row.residual).abs() > policy.agree_within
                })
    }

    /// Whether another contributor's accepted run of the cell deviates to the same side as this one, by at least
    /// [`JudgePolicy::warning_share`] of it.
    pub fn has_company(&self, run: &str, policy: &JudgePolicy) -> bool {
        let Some((_, row)) = self.rows.find(run) else { return false };
        self.rows
            .cell(row.cell)
            .filter(|other| other.is_accepted() && other.features.contributor != row.features.contributor)
            .any(|other| other.residual / row.residual >= policy.warning_share)
    }

    /// All runs that are held and can be let go by what comes later, oldest first.
    pub fn held(&self) -> Vec<(String, Standing)> {
        self.rows.held().map(|row| (row.run.to_string(), row.standing)).collect()
    }

    /// Accepted runs far off the model that nobody bears out, with their residuals, oldest first.
    pub fn doubtful(&self, policy: &JudgePolicy) -> Vec<(String, f64)> {
        let limit = policy.hindsight.max(policy.hindsight_sigmas * self.model.sigma());
        self.rows
            .iter()
            .filter(|row| row.is_accepted() && row.residual.abs() > limit && !self.borne_out(row, policy))
            .map(|row| (row.run.to_string(), row.residual))
            .collect()
    }

    fn beside<'a>(&'a self, row: &'a Row) -> impl Iterator<Item = &'a Row> {
        let held = move |other: &&Row| {
            other.standing == Standing::Held && other.features.contributor != row.features.contributor
        };
        let same_cell = self.rows.cell(row.cell).filter(held);
        let same_release =
            self.rows.release(&row.features).filter(held).filter(move |other| other.cell != row.cell);
        same_cell.chain(same_release)
    }

    /// Accepted runs of the row's contributor in other cells.
    pub(super) fn accepted_elsewhere(&self, row: &Row) -> u32 {
        let here = self
            .rows
            .cell(row.cell)
            .filter(|other| other.is_accepted() && other.features.contributor == row.features.contributor)
            .count();
        let all = self.rows.accepted_of(row.features.contributor);
        all.saturating_sub(u32::try_from(here).unwrap_or(u32::MAX))
    }

    fn borne_out(&self, row: &Row, policy: &JudgePolicy) -> bool {
        let wanted = if row.residual.abs() > policy.hindsight_two { 2 } else { 1 };
        let mut contributors: Vec<u32> = self
            .rows
            .cell(row.cell)
            .chain(self.rows.release(&row.features))
            .filter(|other| other.is_accepted() && other.features.contributor != row.features.contributor)
            .filter(|other| (other.residual - row.residual).abs() <= policy.hindsight_agree_within)
            .map(|other| other.features.contributor)
            .collect();
        contributors.sort_unstable();
        contributors.dedup();
        contributors.len() >= wanted
    }
}
