//! What reached the tables.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::{Fate, Rate, Seen, Stratum};
use crate::trial::Known;
use crate::trial::known::FOR_A_MEDIAN;

type Pair<'a> = (&'a Known, &'a Seen);

/// One published median.
#[derive(Debug, Clone, PartialEq)]
pub struct Published {
    /// The configuration, in the words of [`Seen::configuration`].
    pub configuration: String,
    /// Contributors behind it.
    pub contributors: usize,
    /// Median, frames per second.
    pub value: f64,
    /// The same without what benches add, where it is given.
    pub adjusted: Option<f64>,
    /// Its interval, where one is given.
    pub interval: Option<(f64, f64)>,
}

/// What is true of a configuration with accepted runs.
pub(super) struct Cell {
    /// ln of its true value: the median over the contributors of the median over a contributor's runs of
    /// [`Known::cell_ln_fps`]. Releases and builds count as often as in the published figure; benches do not,
    /// since the truth of a run is a median over all benches.
    ln_fps: f64,
    /// Whether the card limits half of its runs or more.
    card_limited: bool,
}

/// From this share on the card limits a run (simulation study of this project).
const CARD_LIMITED: f64 = 0.75;

/// What is true of each configuration with accepted runs.
pub(super) fn cells(pairs: &[Pair<'_>]) -> BTreeMap<String, Cell> {
    let mut runs: BTreeMap<(&str, usize), Vec<f64>> = BTreeMap::new();
    let mut shares: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for (known, seen) in pairs {
        if let (Some(configuration), Some(truth)) = (&seen.configuration, known.cell_ln_fps)
            && seen.at_last() == Fate::Accepted
            && seen.completed
            && seen.pooled
        {
            runs.entry((configuration, seen.contributor)).or_default().push(truth);
            shares.entry(configuration).or_default().extend(known.card_share);
        }
    }
    let mut contributors: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for ((configuration, _), mut values) in runs {
        contributors.entry(configuration).or_default().extend(median(&mut values));
    }
    contributors
        .into_iter()
        .filter_map(|(configuration, mut values)| {
            let share = shares.get_mut(configuration).and_then(|shares| median(shares));
            let card_limited = share.is_some_and(|share| share >= CARD_LIMITED);
            Some((configuration.to_owned(), Cell { ln_fps: median(&mut values)?, card_limited }))
        })
        .collect()
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len();
    let upper = *values.get(n / 2)?;
    Some(if n.is_multiple_of(2) { f64::midpoint(values[n / 2 - 1], upper) } else { upper })
}

/// How far published medians are off. Logs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Off {
    /// Root of the mean squared error of all but the worst 2 %.
    pub rms: Option<f64>,
    /// Median of the error's size.
    pub median: Option<f64>,
    /// Off by more than 5 %.
    pub over_5: Rate,
    /// Off by more than 10 %.
    pub over_10: Rate,
}

impl Off {
    fn of(mut errors: Vec<f64>) -> Off {
        errors.sort_unstable_by(f64::total_cmp);
        let kept = &errors[..errors.len() - errors.len() / 50];
        let squares: f64 = kept.iter().map(|e| e * e).sum();
        Off {
            rms: (!kept.is_empty()).then(|| (squares / kept.len() as f64).sqrt()),
            over_5: Rate::over(&errors, |e| *e > 0.05),
            over_10: Rate::over(&errors, |e| *e > 0.10),
            median: median(&mut errors),
        }
    }
}

/// Published medians against the truth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TableError {
    /// Contributors behind the figure.
    pub contributors: Stratum,
    /// All configurations.
    pub all: Off,
    /// Those that the card limits.
    pub card_limited: Off,
    /// Of those the figure without what benches add.
    pub adjusted: Off,
}

/// Published medians against the truth, by contributors; the last row is all.
pub(super) fn errors(cells: &BTreeMap<String, Cell>, rows: &[Published]) -> Vec<TableError> {
    let row = |contributors: Stratum| {
        let errors = |limited: bool, value: fn(&Published) -> Option<f64>| {
            let of = rows.iter().filter(|row| contributors.has(row.contributors)).filter_map(|row| {
                let cell = cells.get(&row.configuration).filter(|cell| cell.card_limited || !limited)?;
                Some((value(row)?.ln() - cell.ln_fps).abs())
            });
            Off::of(of.collect())
        };
        TableError {
            contributors,
            all: errors(false, |row| Some(row.value)),
            card_limited: errors(true, |row| Some(row.value)),
            adjusted: errors(true, |row| row.adjusted),
        }
    };
    Stratum::CONTRIBUTORS.into_iter().chain([Stratum::ALL]).map(row).collect()
}

/// How often intervals have the truth in them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Covered {
    /// Intervals with the truth in them.
    pub covered: Rate,
    /// Median half width, in logs.
    pub half_width: Option<f64>,
}

/// Published intervals against the truth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coverage {
    /// Contributors behind the figure.
    pub contributors: Stratum,
    /// All configurations.
    pub all: Covered,
    /// Those that the card limits.
    pub card_limited: Covered,
}

/// Published intervals against the truth; the last row is three contributors and more.
pub(super) fn coverage(cells: &BTreeMap<String, Cell>, rows: &[Published]) -> Vec<Coverage> {
    let found: Vec<(usize, bool, bool, f64)> = rows
        .iter()
        .filter_map(|row| {
            let (low, high) = row.interval?;
            let cell = cells.get(&row.configuration)?;
            let covered = (low..=high).contains(&cell.ln_fps.exp());
            Some((row.contributors, cell.card_limited, covered, 0.5 * (high / low).ln()))
        })
        .collect();
    let row = |contributors: Stratum| {
        let covered = |limited: bool| {
            let of: Vec<_> =
                found.iter().filter(|(n, card, ..)| contributors.has(*n) && (*card || !limited)).collect();
            Covered {
                covered: Rate::over(&of, |(_, _, covered, _)| *covered),
                half_width: median(&mut of.iter().map(|(.., half)| *half).collect::<Vec<_>>()),
            }
        };
        Coverage { contributors, all: covered(false), card_limited: covered(true) }
    };
    let many = Stratum { name: "3 or more", bounds: (3, usize::MAX) };
    Stratum::CONTRIBUTORS.into_iter().skip(1).chain([many]).map(row).collect()
}

/// Published medians that one kind of liars attacked.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Attack {
    /// `colluding` or `shading`.
    pub kind: &'static str,
    /// Each configuration.
    pub shifts: Vec<Shift>,
    /// Median of the shifts, in logs.
    pub median: Option<f64>,
    /// The largest, either way.
    pub largest: Option<f64>,
    /// The same of the figures without what benches add.
    pub adjusted_median: Option<f64>,
    /// See `adjusted_median`.
    pub adjusted_largest: Option<f64>,
    /// The same of what the lies alone did.
    pub lie_median: Option<f64>,
    /// See `lie_median`.
    pub lie_largest: Option<f64>,
    /// Attacked configurations whose median is published only with, or only without the liars.
    pub unpaired: usize,
}

/// A published median with liars and without.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Shift {
    /// The configuration.
    pub configuration: String,
    /// Contributors who never lied about it, and had a run accepted.
    pub honest: usize,
    /// Contributors who lied about it.
    pub liars: usize,
    /// Of these whose lie counts at the end.
    pub accepted: usize,
    /// Whether the card limits it: elsewhere the platform sets the rate, contributors differ by their platforms, and
    /// so does what moves their median.
    pub card_limited: bool,
    /// ln(median with liars / median without).
    pub by: f64,
    /// The same of the figure without what benches add, where both have one.
    pub adjusted_by: Option<f64>,
    /// ln(median / median of the same runs had the liars told the truth): what is left of `by` is that they are other
    /// people with other benches.
    pub lie_by: Option<f64>,
}

/// Medians that liars attacked, with them and without, and had they told the truth.
pub(super) fn attacks(
    pairs: &[Pair<'_>],
    cells: &BTreeMap<String, Cell>,
    rows: &[Published],
    without: &[Published],
    truthful: &[Published],
) -> Vec<Attack> {
    let row = |rows: &[Published], configuration: &str| {
        rows.iter().find(|r| r.configuration == configuration).map(|r| (r.value, r.adjusted))
    };
    let mut attacks = Vec::new();
    for kind in FOR_A_MEDIAN {
        let mut targets: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
        for (_, seen) in pairs.iter().filter(|(k, _)| k.kind == kind) {
            if let Some(configuration) = &seen.configuration {
                targets.entry(configuration).or_default().insert(seen.contributor);
            }
        }
        if targets.is_empty() {
            continue;
        }
        let (mut shifts, mut unpaired) = (Vec::new(), 0);
        for (configuration, liars) in targets {
            let here = |s: &Seen| s.configuration.as_deref() == Some(configuration);
            let accepted = |lies: bool| {
                let runs = pairs.iter().filter(|(k, s)| {
                    here(s) && s.completed && s.at_last() == Fate::Accepted && (k.kind == kind) == lies
                });
                runs.map(|(_, s)| s.contributor).collect::<BTreeSet<_>>()
            };
            match (row(rows, configuration), row(without, configuration)) {
                (Some((with, adjusted)), Some((without, adjusted_without))) => shifts.push(Shift {
                    configuration: configuration.to_owned(),
                    honest: accepted(false).difference(&liars).count(),
                    liars: liars.len(),
                    accepted: accepted(true).len(),
                    card_limited: cells.get(configuration).is_some_and(|cell| cell.card_limited),
                    by: (with / without).ln(),
                    adjusted_by: adjusted.zip(adjusted_without).map(|(with, without)| (with / without).ln()),
                    lie_by: row(truthful, configuration).map(|(truth, _)| (with / truth).ln()),
                }),
                _ => unpaired += 1,
            }
        }
        let (median, largest) = middle_and_largest(shifts.iter().map(|s| s.by).collect());
        let (adjusted_median, adjusted_largest) =
            middle_and_largest(shifts.iter().filter_map(|s| s.adjusted_by).collect());
        let (lie_median, lie_largest) = middle_and_largest(shifts.iter().filter_map(|s| s.lie_by).collect());
        attacks.push(Attack {
            kind,
            median,
            largest,
            adjusted_median,
            adjusted_largest,
            lie_median,
            lie_largest,
            shifts,
            unpaired,
        });
    }
    attacks
}

/// The median of the shifts, and the largest either way.
fn middle_and_largest(mut by: Vec<f64>) -> (Option<f64>, Option<f64>) {
    let largest = by.iter().copied().max_by(|a, b| a.abs().total_cmp(&b.abs()));
    (median(&mut by), largest)
}
