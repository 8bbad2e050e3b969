//! Driver releases of a card: which there are, what failed on them, what the track knows of their steps.

use std::collections::{BTreeMap, BTreeSet};

use super::WantedQuery;
use super::cost::At;
use super::known::Known;
use crate::catalogue::{Catalogue, DriverRelease};
use crate::error::CoreError;
use crate::policy::Policy;
use crate::table::keys::MISSING;
use crate::table::matched::{self, Evidence};
use crate::table::panel::{Panel, PanelRow};
use crate::table::track::FailureCount;

/// A driver release of the card.
#[derive(Debug, Clone)]
pub(super) struct Release {
    pub(super) id: String,
    day: Option<i32>,
    /// Whether the catalogue says that card and system are supported.
    pub(super) allowed: bool,
    /// Place in the evidence.
    pub(super) place: Option<usize>,
    /// Failures by workload: how it ended, and contributors.
    pub(super) failures: BTreeMap<usize, (&'static str, u32)>,
}

/// The releases that the card was measured on or could be, oldest first, the newest of them.
pub(super) fn releases(
    evidence: &Evidence,
    catalogue: &Catalogue,
    query: &WantedQuery,
    system: Option<&str>,
    policy: &Policy,
) -> Result<Vec<Release>, CoreError> {
    let chip = catalogue.card(&query.card).map(|card| card.chip.as_str()).unwrap_or_default();
    let supported = |d: &&DriverRelease| d.chips.iter().any(|c| c == chip);
    let all = &catalogue.document().drivers;
    if let Some(system) = query.system.as_deref() {
        let mut systems: Vec<&str> =
            all.iter().filter(supported).flat_map(|d| d.systems.iter().map(String::as_str)).collect();
        systems.sort_unstable();
        systems.dedup();
        if !systems.contains(&system) {
            return Err(CoreError::Query(format!(
                "no driver release for `{}` supports the system `{system}`; known are {}",
                query.card,
                systems.join(", ")
            )));
        }
    }
    let epoch = chrono::NaiveDate::default();
    let mut releases: Vec<Release> = all
        .iter()
        .filter(supported)
        .map(|d| Release {
            id: d.id.clone(),
            day: i32::try_from((d.date - epoch).num_days()).ok(),
            allowed: system.is_none_or(|system| d.systems.iter().any(|s| s == system)),
            place: None,
            failures: BTreeMap::new(),
        })
        .collect();
    for (place, release) in evidence.releases.iter().enumerate() {
        match releases.iter_mut().find(|r| r.id == release.driver) {
            Some(known) => known.place = Some(place),
            None => releases.push(Release {
                id: release.driver.clone(),
                day: release.day,
                allowed: false,
                place: Some(place),
                failures: BTreeMap::new(),
            }),
        }
    }
    releases.sort_by(|a, b| (a.day.unwrap_or(i32::MIN), &a.id).cmp(&(b.day.unwrap_or(i32::MIN), &b.id)));
    let surplus = releases.len().saturating_sub(policy.wanted.releases);
    releases.drain(..surplus);
    Ok(releases)
}

impl Known<'_> {
    /// Releases that the bench can run.
    pub(super) fn allowed(&self) -> Vec<usize> {
        (0..self.releases.len()).filter(|at| self.releases[*at].allowed).collect()
    }

    /// What the track says of a step, in words.
    pub(super) fn change(&self, step: usize) -> String {
        let contrast = self.panel.as_ref().and_then(|panel| {
            let (from, to) = (self.releases[step].place?, self.releases[step + 1].place?);
            panel.contrast(to, from)
        });
        let Some(contrast) = contrast else { return "is not known".to_owned() };
        let (low, high) = contrast.interval(self.policy.table.confidence);
        format!(
            "is known as {:+.1} % ({:+.1} to {:+.1})",
            100.0 * contrast.value.exp_m1(),
            100.0 * (low - 1.0),
            100.0 * (high - 1.0)
        )
    }

    /// Half widths of the steps of the track, natural logarithm, now and with runs of the measurer's bench added, as the
    /// track's own model computes them; those steps only that it can compute both times.
    pub(super) fn steps_after(&self, runs: &[At]) -> Vec<(usize, (f64, f64))> {
        let evidence = &self.evidence;
        let mut rows = evidence.rows.clone();
        let number = |found: Option<u32>, of: &dyn Fn(&PanelRow) -> u32| {
            found.unwrap_or_else(|| evidence.rows.iter().map(of).max().map_or(0, |most| most + 1))
        };
        let own = evidence.rows.iter().find(|r| Some(&evidence.sites[r.site].0) == self.bench.as_ref());
        let (bench, contributor) = (
            number(own.map(|r| r.bench), &|r| r.bench),
            number(own.map(|r| r.contributor), &|r| r.contributor),
        );
        let mut places: Vec<Option<usize>> = self.releases.iter().map(|r| r.place).collect();
        let mut releases = evidence.releases.len();
        for (setting, release) in runs {
            let of = &self.settings[*setting];
            let place = *places[*release].get_or_insert_with(|| {
                releases += 1;
                releases - 1
            });
            let program = &self.workloads[of.workload];
            let workload = evidence.workloads.iter().position(|w| *w == program.id);
            let build = program.build.as_ref().map_or(MISSING, |build| {
                let place = evidence.builds.iter().position(|b| b == build);
                place.unwrap_or(evidence.builds.len()) as u32
            });
            let site = self.site_of.get(setting).copied();
            let share = evidence.rows.iter().find(|row| Some(row.site) == site).map_or(1.0, |row| row.share);
            rows.push(PanelRow {
                site: site.unwrap_or(evidence.sites.len() + setting),
                contributor,
                workload: workload.unwrap_or(evidence.workloads.len() + of.workload) as u32,
                bench,
                release: place,
                build,
                share,
                ln_fps: 0.0,
            });
        }
        let noise = self.panel.as_ref().map(|panel| panel.sigma).or(Some(self.policy.track.noise.sd));
        let after = Panel::with_noise(&rows, releases, None, noise, &self.policy.track);
        let half = |panel: Option<&Panel>, from: usize, to: usize| {
            let mut contrast = panel.and_then(|p| p.contrast(to, from))?;
            contrast.variance += self.policy.track.drift_sd.powi(2);
            Some(contrast.half_width(self.policy.table.confidence))
        };
        (0..self.releases.len().saturating_sub(1))
            .filter_map(|step| {
                let (from, to) = (self.releases[step].place?, self.releases[step + 1].place?);
                Some((step, (half(self.panel.as_ref(), from, to)?, half(after.as_ref(), from, to)?)))
            })
            .collect()
    }

    /// Failures by workload, and benches by workload and release.
    pub(super) fn failures_and_benches(&mut self) {
        type Kind = (&'static str, fn(&matched::Release) -> &[FailureCount]);
        let kinds: [Kind; 3] = [
            ("did not start", |r| &r.did_not_start),
            ("crashed", |r| &r.crashed),
            ("drew wrongly", |r| &r.rendering_fault),
        ];
        for release in &mut self.releases {
            let Some(place) = release.place else { continue };
            for (word, of) in kinds {
                for failure in of(&self.evidence.releases[place]) {
                    if let Some(at) = self.workloads.iter().position(|w| w.id == failure.workload) {
                        let seen = release.failures.entry(at).or_insert((word, 0));
                        if failure.contributors > seen.1 {
                            *seen = (word, failure.contributors);
                        }
                    }
                }
            }
        }
        let mut benches: BTreeMap<(usize, usize), BTreeSet<u32>> = BTreeMap::new();
        for site in self.evidence.rows.chunk_by(|a, b| a.site == b.site) {
            let several = site.iter().any(|row| row.release != site[0].release);
            for row in site.iter().filter(|_| several) {
                let workload = &self.evidence.workloads[row.workload as usize];
                let workload = self.workloads.iter().position(|w| w.id == *workload);
                let release = self.releases.iter().position(|r| r.place == Some(row.release));
                if let (Some(workload), Some(release)) = (workload, release) {
                    benches.entry((workload, release)).or_default().insert(row.bench);
                }
            }
        }
        self.benches_on = benches.into_iter().map(|(at, benches)| (at, benches.len() as u32)).collect();
    }
}
