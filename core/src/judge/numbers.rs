//! Where a run stands against the model and against other runs, in numbers. Everything that the outcome
//! depends on is an input that is stored with it, so a verdict can be recomputed bit for bit.

use serde::{Deserialize, Serialize};

use super::support::{self, Support};
use crate::policy::judge::JudgePolicy;

/// What the model expects of one figure.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// Natural log of the figure.
    pub value: f64,
    /// Variance of the expectation: what the model does not know.
    pub variance: f64,
    /// The part of that variance which runs of other contributors in the same cell share.
    pub common: f64,
    /// Standard deviation of one honest run about its true expectation.
    pub sigma: f64,
}

impl Expected {
    /// The figure itself.
    pub fn figure(&self) -> f64 {
        self.value.exp()
    }

    /// Standard deviation of the expectation, natural log.
    pub fn sd(&self) -> f64 {
        self.variance.sqrt()
    }
}

/// Runs of a bench since the model was fitted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Since {
    /// How many.
    pub runs: u32,
    /// Sum of their residuals, natural log.
    pub sum: f64,
}

/// What a run is weighed against.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Inputs {
    /// Number of the model; 0 is the prior.
    pub model: i64,
    /// The last change that is in the evidence.
    pub as_of: i64,
    /// Accepted runs with a figure at that moment.
    pub accepted: u32,
    /// |z| of the mean from which runs are held.
    pub limit: f64,
    /// ln(mean fps).
    pub mean: Expected,
    /// How much of the rate is the card's, 0 to 1.
    pub card_share: f64,
    /// Other contributors whose accepted runs say how fast the card is and how heavy the workload, whichever are
    /// fewer. Verdicts of the time before this was looked at count everybody as many.
    #[serde(default = "everybody")]
    pub known_by: u32,
    /// How many of those who know card and workload must be bad for that to be wrong. Verdicts of the time before this was
    /// looked at count half of `known_by`.
    #[serde(default)]
    pub must_be_bad: u32,
    /// Other contributors besides, who named the card once among many runs of others. Verdicts of the time before these
    /// were told apart count them with the others.
    #[serde(default)]
    pub strays: u32,
    /// ln(1% low / mean fps), `percentile`.
    pub low: Expected,
    /// Other contributors' residuals in the cell (configuration, any driver release).
    pub cell: Support,
    /// The same of the 1% low.
    pub cell_low: Support,
    /// Other contributors' residuals with this driver release on this workload and card family.
    pub release: Support,
    /// The bench since the model was fitted.
    pub bench: Since,
}

fn everybody() -> u32 {
    u32::MAX
}

/// Where one figure stands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// The figure expected after all evidence, natural log.
    pub expected: f64,
    /// The figure minus the expected one.
    pub deviation: f64,
    /// Standard deviation of that for an honest run.
    pub scale: f64,
    /// Probability that an honest run deviates as much.
    pub p: f64,
    /// The normal quantile of that probability, signed like the deviation.
    pub z: f64,
}

impl Place {
    /// With probability `bad` all that is known of card or workload is wrong: a first run under another card's name
    /// makes every true one look wrong. The figure may then be anything within `bad_sd`.
    fn doubt(&mut self, bad: f64, variance: f64, policy: &JudgePolicy) {
        let anything = [support::Belief { weight: 1.0, mean: 0.0, variance: policy.cell.bad_sd.powi(2) }];
        self.p = (1.0 - bad) * self.p + bad * support::tail(self.deviation, &anything, variance, policy);
        self.z = support::normal_equivalent(self.p).copysign(self.deviation);
    }

    /// The figure expected after all evidence.
    pub fn expected_figure(&self) -> f64 {
        self.expected.exp()
    }
}

/// Inputs and outcome.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Numbers {
    /// What it was weighed against.
    pub inputs: Inputs,
    /// ln(mean fps) of the run.
    pub ln_fps: f64,
    /// ln(1% low / mean fps) of the run; none without a 1% low.
    pub ln_low_ratio: Option<f64>,
    /// Where the mean stands.
    pub mean: Place,
    /// Where the 1% low stands; none without one.
    pub low: Option<Place>,
}

impl Numbers {
    /// Whether figure and evidence leave the configuration without confirmation: nobody else has measured the
    /// cell, or the model knows too little of card or workload.
    pub fn unconfirmed(&self, policy: &JudgePolicy) -> bool {
        self.inputs.cell.contributors == 0 || self.inputs.mean.variance > policy.unconfirmed_variance
    }

    /// Whether the numbers alone would have the run held. A held run that would not be held today is let go.
    pub fn deviates(&self, policy: &JudgePolicy) -> bool {
        self.mean.z.abs() > self.inputs.limit || self.low.is_some_and(|low| low.z.abs() > policy.hold_low_z)
    }

    /// Whether they deviate by no more than calls for a second look, which time clears: a rate much above what others in
    /// the cell lead to expect is none.
    pub fn is_warning(&self, policy: &JudgePolicy) -> bool {
        let beside_others = self.inputs.cell.contributors > 0;
        self.inputs.model > 0
            && !(beside_others && self.mean.deviation > policy.warning_faster)
            && self.mean.z.abs() < policy.action_z
            && self.low.is_none_or(|low| low.z.abs() <= policy.hold_low_z)
    }

    /// Whether they are what is expected, and that is known so well that a fault in the conditions would show. One that can
    /// only cost rate (`slows`) has cost nothing where the rate is high.
    pub fn as_expected(&self, slows: bool, policy: &JudgePolicy) -> bool {
        !self.deviates(policy)
            && self.inputs.model > 0
            && self.mean.scale <= policy.conditions_scale
            && self.mean.z >= -policy.conditions_z
            && (slows || self.mean.z <= policy.conditions_z)
    }
}

/// Weighs a run. O(1): the evidence comes reduced.
pub fn weigh(ln_fps: f64, ln_low_ratio: Option<f64>, inputs: &Inputs, policy: &JudgePolicy) -> Numbers {
    let Inputs { mean, low, cell, cell_low, release, bench, known_by, must_be_bad, strays, .. } = *inputs;
    let runs = f64::from(bench.runs);
    let of_cell = support::posterior(cell, mean.common, &policy.cell);
    let of_release = support::posterior(release, 0.0, &policy.release);
    let beliefs = support::both(&of_cell, &of_release);
    let shift = policy.bench_pull * bench.sum / (runs + policy.bench_prior_runs);
    let own = (mean.variance - mean.common).max(0.0) / (1.0 + policy.bench_gain * runs);
    let variance = own + mean.sigma.powi(2);
    let mut mean = place(ln_fps, mean.value + shift, &beliefs, variance, policy);
    let bad = all_wrong(must_be_bad.max(known_by.div_ceil(2)), strays, policy);
    mean.doubt(bad, variance, policy);
    let low = ln_low_ratio.map(|ratio| {
        let beliefs = support::posterior(cell_low, low.common, &policy.cell_low);
        let own = (low.variance - low.common).max(0.0);
        place(ratio, low.value, &beliefs, own + low.sigma.powi(2), policy)
    });
    Numbers { inputs: *inputs, ln_fps, ln_low_ratio, mean, low }
}

/// Probability that all who must be bad are, and that all strays are.
fn all_wrong(must_be_bad: u32, strays: u32, policy: &JudgePolicy) -> f64 {
    let strays_wrong = policy.stray_wrong.powf(f64::from(strays));
    match must_be_bad {
        0 if strays > 0 => strays_wrong,
        _ => strays_wrong * support::all_bad(must_be_bad, policy.known_wrong),
    }
}

fn place(value: f64, centre: f64, beliefs: &[support::Belief], variance: f64, policy: &JudgePolicy) -> Place {
    let p = support::tail(value - centre, beliefs, variance, policy);
    let expected = centre + support::mean(beliefs);
    let deviation = value - expected;
    Place {
        expected,
        deviation,
        scale: (variance + support::variance(beliefs)).sqrt(),
        p,
        z: support::normal_equivalent(p).copysign(deviation),
    }
}
