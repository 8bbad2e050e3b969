//! Panels whose answer is known beforehand.

use super::*;
use crate::policy::Policy;

fn row(site: usize, workload: u32, release: usize, share: f64, ln_fps: f64) -> PanelRow {
    let bench = site as u32 % 8;
    PanelRow { site, contributor: bench, workload, bench, release, build: 0, share, ln_fps }
}

/// One workload measured at some sites on two releases, given the card's share and what is seen of the second release.
fn two_releases(sites: &[(f64, f64)]) -> Vec<PanelRow> {
    let pair = |(site, (share, seen)): (usize, &(f64, f64))| {
        let level = 4.0 + 0.1 * site as f64;
        [row(site, 0, 0, *share, level), row(site, 0, 1, *share, level + seen)]
    };
    sites.iter().enumerate().flat_map(pair).collect()
}

fn change(rows: &[PanelRow]) -> Option<Contrast> {
    Panel::fit(rows, 2, None, &Policy::published().track)?.contrast(1, 0)
}

#[test]
fn where_the_platform_has_a_part_less_of_a_change_shows_and_the_card_has_all_of_it() {
    let change = change(&two_releases(&[(1.0, 0.10), (0.5, 0.05), (0.8, 0.08)])).unwrap();
    assert!((change.value - 0.10).abs() < 1e-12, "{change:?}");
}

#[test]
fn what_the_platform_sets_says_nothing() {
    assert_eq!(change(&two_releases(&[(0.1, 0.0), (0.2, 0.01), (0.25, 0.0)])), None);
    let found = change(&two_releases(&[(1.0, 0.10), (0.2, 0.0), (1.0, 0.10)])).unwrap();
    assert!((found.value - 0.10).abs() < 1e-12, "{found:?}");
}

#[test]
fn sites_of_which_less_is_the_cards_say_less() {
    let variance = |share: f64| change(&two_releases(&[(share, 0.0); 4])).unwrap().variance;
    assert!(variance(1.0) < variance(0.7) && variance(0.7) < variance(0.4));
}

#[test]
fn one_figure_that_is_far_off_moves_the_index_little() {
    let mut sites = [(1.0, 0.05); 8];
    sites[3].1 = -0.30;
    let plain: f64 = sites.iter().map(|(_, seen)| seen).sum::<f64>() / 8.0;
    let found = change(&two_releases(&sites)).unwrap();
    assert!((found.value - 0.05).abs() < 0.3 * (plain - 0.05).abs(), "{found:?} {plain}");
    assert!(found.value < 0.05, "what is far off still counts");
}

#[test]
fn a_change_on_one_workload_is_no_outlier() {
    let mut rows = Vec::new();
    for (workload, seen) in [0.0, 0.0, 0.0, -0.16].into_iter().enumerate() {
        for bench in 0..4 {
            let site = 8 * workload + bench;
            rows.push(row(site, workload as u32, 0, 1.0, 4.0));
            rows.push(row(site, workload as u32, 1, 1.0, 4.0 + seen));
        }
    }
    let found = change(&rows).unwrap();
    assert!((found.value - -0.04).abs() < 1e-12, "{found:?}");
}

/// Of one site the variance is that of two figures of one bench and of what a release does on it and to its workload,
/// and the degrees of freedom lie between those of the parts.
#[test]
fn the_variance_and_its_degrees_of_freedom_are_those_of_the_parts() {
    let policy = Policy::published().track;
    let panel = Panel::with_noise(&two_releases(&[(1.0, 0.02)]), 2, None, Some(0.01), &policy).unwrap();
    let found = panel.contrast(1, 0).unwrap();
    let by_hand =
        2.0 * (0.01_f64.powi(2) + policy.release_workload_sd.powi(2) + policy.bench_release_sd.powi(2));
    assert!((found.variance / by_hand - 1.0).abs() < 1e-9, "{found:?}");
    assert!(found.df > 10.0 && found.df < 40.0, "{found:?}");
}

#[test]
fn releases_that_nothing_connects_have_no_contrast() {
    let mut rows = two_releases(&[(1.0, 0.1); 3]);
    rows.push(row(7, 0, 2, 1.0, 4.0));
    let panel = Panel::fit(&rows, 3, None, &Policy::published().track).unwrap();
    assert!(panel.contrast(1, 0).is_some() && panel.contrast(2, 0).is_none());
    assert_eq!((panel.benches(0), panel.benches(2)), (3, 0));
}
