//! What a run costs and what it is worth: the assumptions behind "what should be measured next".

use serde::{Deserialize, Serialize};

/// Minutes, weights and limits of wanted runs. Minutes are chosen from common practice of bench work and are to be set
/// to one's own; gains are in points, 100 times a natural logarithm: a point is one per cent off the half width of one
/// published interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WantedPolicy {
    /// Once an afternoon: the bench set up, the card warm, capture tried. Common practice.
    pub sitting_minutes: f64,
    /// Taking a driver out, putting another one in, two restarts, settings checked. Common practice.
    pub driver_minutes: f64,
    /// Starting a program, loading the scene, warming up.
    pub workload_minutes: f64,
    /// Other settings of a program that runs already, and its scene loaded again.
    pub settings_minutes: f64,
    /// Between two passes: loading the scene again, naming the file, seconds.
    pub between_passes_s: f64,
    /// Passes of a run: what the default tables ask for (grade `full`).
    pub passes: u32,
    /// Least length of a pass, seconds, and...
    pub pass_s: f64,
    /// ...frames: longer where the rate is low (grade `full`).
    pub pass_frames: f64,
    /// Half width below which an interval is narrow enough, natural logarithm: half of the least change that a track
    /// calls one. It enters in quadrature, so that a narrow interval gains little by more.
    pub enough: f64,
    /// What a step between releases counts as where nothing is known of it, standard deviation: that of the prior of the
    /// judgement, sqrt(0.97 x 0.010^2 + 0.03 x 0.08^2).
    pub unknown_step_sd: f64,
    /// Weight of a first figure beside an interval that narrows: it is published without interval or rank. Chosen.
    pub first_weight: f64,
    /// Weight of a step of the track of which it is open whether it is a change worth the name.
    pub open_step_weight: f64,
    /// Weight of one that is settled. Chosen, like the next ones.
    pub settled_step_weight: f64,
    /// Points of a held run settled: about what a second contributor brings to a figure of one.
    pub held_points: f64,
    /// Points of a ladder that says whether card or platform holds a figure back.
    pub ladder_points: f64,
    /// Points of a failure that one contributor saw and another one can confirm or not.
    pub failure_points: f64,
    /// Share of them where the run that would speak for or against a held one differs in settings or release.
    pub beside_share: f64,
    /// Weight of settings whose 1% low falls short of the target: fewer people play there.
    pub short_weight: f64,
    /// Weight of a median or first figure measured on a release that is not the newest: most people run that one. Chosen.
    pub older_weight: f64,
    /// Weight of scenes without a fixed path: one minute of free play repeats to 6 %, longer ones to 4.5 %, where
    /// contributors differ by 3.8 %, so that a run tells 0.038^2 / (0.038^2 + 0.045^2) as much (simulation study of
    /// this project).
    pub free_weight: f64,
    /// What such a scene adds to the noise of a bench, standard deviation (same study).
    pub free_sd: f64,
    /// Candidates below that many points are not listed.
    pub least_points: f64,
    /// Configurations of the card that are looked at, those with the fewest contributors last; bounds the work.
    pub configurations: usize,
    /// Driver releases that are looked at, the newest.
    pub releases: usize,
    /// Most drivers that a plan installs.
    pub plan_drivers: usize,
    /// Most runs of a plan.
    pub plan_runs: usize,
}

impl WantedPolicy {
    /// The values that the documentation names.
    pub fn published() -> WantedPolicy {
        WantedPolicy {
            sitting_minutes: 15.0,
            driver_minutes: 20.0,
            workload_minutes: 4.0,
            settings_minutes: 1.5,
            between_passes_s: 20.0,
            passes: 3,
            pass_s: 60.0,
            pass_frames: 3000.0,
            enough: 0.01,
            unknown_step_sd: 0.017,
            first_weight: 0.5,
            open_step_weight: 1.0,
            settled_step_weight: 0.25,
            held_points: 40.0,
            ladder_points: 20.0,
            failure_points: 40.0,
            beside_share: 0.5,
            short_weight: 0.5,
            older_weight: 0.9,
            free_weight: 0.4,
            free_sd: 0.045,
            least_points: 0.5,
            configurations: 400,
            releases: 24,
            plan_drivers: 4,
            plan_runs: 60,
        }
    }
}
