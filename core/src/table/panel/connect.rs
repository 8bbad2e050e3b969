//! Which rows of a panel say something of releases, and how much each weighs.

use std::collections::{BTreeMap, BTreeSet};

use super::PanelRow;

/// Whether each release is connected with the reference by sites that share releases; none without any.
pub(super) fn connected(rows: &[PanelRow], releases: usize, reference: Option<usize>) -> Option<Vec<bool>> {
    let mut of_site: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let mut figures = vec![0_usize; releases];
    for row in rows {
        of_site.entry(row.site).or_default().push(row.release);
        figures[row.release] += 1;
    }
    let most = (0..releases).rev().max_by_key(|release| figures[*release])?;
    let mut connected = vec![false; releases];
    connected[reference.unwrap_or(most)] = true;
    loop {
        let mut grown = false;
        for site in of_site.values() {
            if site.iter().any(|release| connected[*release]) {
                for release in site {
                    grown |= !std::mem::replace(&mut connected[*release], true);
                }
            }
        }
        if !grown {
            break;
        }
    }
    (connected.iter().filter(|c| **c).count() > 1).then_some(connected)
}

/// The rows of sites that have two connected releases or more, with the sites numbered from 0 without a gap.
pub(super) fn informative(rows: &[PanelRow], connected: &[bool]) -> Vec<PanelRow> {
    let mut first: BTreeMap<usize, (usize, bool)> = BTreeMap::new();
    for row in rows.iter().filter(|row| connected[row.release]) {
        let seen = first.entry(row.site).or_insert((row.release, false));
        seen.1 |= seen.0 != row.release;
    }
    let several = first.iter().filter(|(_, (_, several))| *several).map(|(site, _)| *site);
    let numbers: BTreeMap<usize, usize> = several.enumerate().map(|(number, site)| (site, number)).collect();
    rows.iter().filter_map(|row| Some(PanelRow { site: *numbers.get(&row.site)?, ..*row })).collect()
}

/// Benches that have a release.
pub(super) fn benches_with(rows: &[PanelRow], release: usize) -> u32 {
    let benches: BTreeSet<u32> =
        rows.iter().filter(|row| row.release == release).map(|row| row.bench).collect();
    benches.len() as u32
}

/// Weights of the rows: contributors alike, workloads of a contributor alike, sites of a workload alike; several builds
/// of one release at a site share its weight. Their mean is 1.
pub(super) fn weights(rows: &[PanelRow]) -> Vec<f64> {
    let mut workloads: BTreeMap<u32, BTreeMap<u32, BTreeSet<usize>>> = BTreeMap::new();
    let mut builds: BTreeMap<(usize, usize), u32> = BTreeMap::new();
    for row in rows {
        workloads.entry(row.contributor).or_default().entry(row.workload).or_default().insert(row.site);
        *builds.entry((row.site, row.release)).or_default() += 1;
    }
    let mut weights: Vec<f64> = rows
        .iter()
        .map(|row| {
            let of = &workloads[&row.contributor];
            let share = of.len() * of[&row.workload].len();
            1.0 / (share as f64 * f64::from(builds[&(row.site, row.release)]))
        })
        .collect();
    let mean = weights.iter().sum::<f64>() / weights.len().max(1) as f64;
    weights.iter_mut().for_each(|weight| *weight /= mean);
    weights
}
