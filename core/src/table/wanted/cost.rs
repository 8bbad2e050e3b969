//! Minutes.

use super::known::{Known, Setting};
use crate::policy::wanted::WantedPolicy;

/// Setting and release, each by its place.
pub(super) type At = (usize, usize);

/// What has been set up so far.
#[derive(Debug, Clone)]
pub(super) struct Setup {
    drivers: Vec<bool>,
    /// By driver, then workload.
    programs: Vec<bool>,
    workloads: usize,
}

/// Length of a pass, seconds: long enough for frames at the rate to expect.
pub(super) fn pass_s(setting: &Setting, policy: &WantedPolicy) -> f64 {
    let fps = setting.mean_fps.unwrap_or(f64::INFINITY);
    policy.pass_s.max((policy.pass_frames / fps).ceil())
}

impl Setup {
    /// With the installed driver.
    pub(super) fn of(known: &Known<'_>) -> Setup {
        let (drivers, workloads) = (known.releases.len(), known.workloads.len());
        let mut setup =
            Setup { drivers: vec![false; drivers], programs: vec![false; drivers * workloads], workloads };
        if let Some(installed) = known.installed {
            setup.install(installed);
        }
        setup
    }

    /// Whether a driver is there.
    pub(super) fn has(&self, driver: usize) -> bool {
        self.drivers[driver]
    }

    /// Takes a driver as installed.
    pub(super) fn install(&mut self, driver: usize) {
        self.drivers[driver] = true;
    }

    /// Minutes of some runs in this order.
    pub(super) fn minutes(&self, known: &Known<'_>, runs: &[At]) -> f64 {
        let policy = &known.policy.wanted;
        let workload = |at: &At| known.settings[at.0].workload;
        let minutes = runs.iter().enumerate().map(|(place, run)| {
            let before = &runs[..place];
            let there = self.has(run.1) || before.iter().any(|b| b.1 == run.1);
            let runs_already = self.programs[run.1 * self.workloads + workload(run)]
                || before.iter().any(|b| b.1 == run.1 && workload(b) == workload(run));
            let start = if runs_already { policy.settings_minutes } else { policy.workload_minutes };
            let pass = pass_s(&known.settings[run.0], policy) + policy.between_passes_s;
            let install = if there { 0.0 } else { policy.driver_minutes };
            install + start + f64::from(policy.passes) * pass / 60.0
        });
        minutes.sum()
    }

    /// Sets up what a run needs.
    pub(super) fn run(&mut self, known: &Known<'_>, (setting, driver): At) {
        self.install(driver);
        self.programs[driver * self.workloads + known.settings[setting].workload] = true;
    }
}
