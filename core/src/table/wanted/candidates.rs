//! Runs that could be measured: single ones, and pairs that only tell something together.

use std::collections::BTreeMap;

use super::Candidate;
use super::cost::{At, Setup};
use super::gain::State;
use super::known::Known;
use super::told;

/// All single runs and pairs on the given releases, in the order of settings: a setting on a release, a setting on two
/// releases that follow each other among the given ones, a setting and the next smaller resolution on a release.
pub(super) fn all(known: &Known<'_>, releases: &[usize]) -> Vec<Vec<At>> {
    let mut all = Vec::new();
    let smaller = smaller(known);
    for (setting, of) in known.settings.iter().enumerate().filter(|(_, of)| known.asks_for(of)) {
        let fails = |release: usize| {
            let seen = known.releases[release].failures.get(&of.workload);
            seen.is_some_and(|(_, seen)| *seen >= known.policy.track.failure_contributors)
        };
        let works: Vec<usize> = releases.iter().copied().filter(|release| !fails(*release)).collect();
        for (place, release) in works.iter().enumerate() {
            all.push(vec![(setting, *release)]);
            if let Some(next) = works.get(place + 1) {
                all.push(vec![(setting, *release), (setting, *next)]);
            }
            if let (false, Some(lower)) = (of.limited, smaller[setting]) {
                all.push(vec![(setting, *release), (lower, *release)]);
            }
        }
    }
    all
}

/// Of each setting the one that differs by the next smaller resolution only.
fn smaller(known: &Known<'_>) -> Vec<Option<usize>> {
    let mut families: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (at, setting) in known.settings.iter().enumerate() {
        families.entry(setting.family).or_default().push(at);
    }
    let mut smaller = vec![None; known.settings.len()];
    for family in families.values_mut() {
        family.sort_by_key(|at| known.settings[*at].pixels());
        for pair in family.windows(2) {
            if known.settings[pair[0]].pixels() < known.settings[pair[1]].pixels() {
                smaller[pair[1]] = Some(pair[0]);
            }
        }
    }
    smaller
}

/// Those that would tell something, most gain an hour first; each choice of settings on the release where that is most.
pub(super) fn ranked(known: &Known<'_>, state: &State) -> Vec<Candidate> {
    let setup = Setup::of(known);
    let mut best: BTreeMap<Vec<usize>, (f64, f64, f64, Vec<At>)> = BTreeMap::new();
    for runs in all(known, &known.allowed()) {
        let points = state.points(known, &runs);
        if points < known.policy.wanted.least_points {
            continue;
        }
        let minutes = setup.minutes(known, &runs);
        let rate = 60.0 * points / minutes;
        let settings: Vec<usize> = runs.iter().map(|(setting, _)| *setting).collect();
        // Of equals the newest release, which is the one that people have.
        if best.get(&settings).is_none_or(|known| rate >= known.0 - 1e-9) {
            best.insert(settings, (rate, points, minutes, runs));
        }
    }
    let mut ranked: Vec<_> = best.into_values().collect();
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.3.cmp(&b.3)));
    ranked
        .into_iter()
        .map(|(points_per_hour, points, minutes, runs)| Candidate {
            effects: told::effects(known, &state.parts(known, &runs)),
            runs: runs.iter().map(|run| told::run(known, *run)).collect(),
            points,
            minutes,
            points_per_hour,
        })
        .collect()
}
