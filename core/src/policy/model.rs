//! Constants of the prediction model: prior means and standard deviations of its effects, the shape of
//! the ceiling, and the limits of the fit.

use serde::{Deserialize, Serialize};

/// Constants of the prediction model. Rates enter as natural logs, so standard deviations are about
/// relative. Unless a field says otherwise its value comes from the simulation study of this project,
/// its prior mean is 0, and it is to be estimated again once some thousands of runs are accepted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModelPolicy {
    /// Prior mean of a card's rate, ln fps: ln 75, a middling card at middling settings at 2560x1440.
    pub card_mean: f64,
    /// Standard deviation between cards, ln fps: slowest and fastest differ by a factor of twenty.
    pub card_sd: f64,
    /// Between workloads, card side.
    pub workload_sd: f64,
    /// Between stages (scene, API, variant) of one workload, card side. Common practice: scenes of one
    /// title differ by a fifth or so.
    pub stage_sd: f64,
    /// Chip architecture by workload.
    pub family_workload_sd: f64,
    /// Chip architecture by stage: an architecture that is good at one API is not at another.
    pub family_stage_sd: f64,
    /// Card by workload, within its architecture.
    pub card_workload_sd: f64,
    /// Preset within a workload.
    pub preset_sd: f64,
    /// Mean exponent of the rate over pixels of a card-limited run.
    pub exponent_mean: f64,
    /// Standard deviation of that mean.
    pub exponent_sd: f64,
    /// Exponent between workloads.
    pub exponent_workload_sd: f64,
    /// Exponent by chip architecture within a workload. Chosen: architectures differ in how their parts grow.
    pub exponent_family_sd: f64,
    /// Memory size by preset, beside what the terms below say.
    pub memory_sd: f64,
    /// What a memory far too small costs at most, natural log. Common practice: a tenth where settings just outgrow
    /// it, a third and more beyond.
    pub memory_loss: f64,
    /// How sharply the loss sets in: logistic in ln(memory asked for / fitted). From a tenth to nine tenths of it
    /// while the memory asked for trebles.
    pub memory_slope: f64,
    /// ln of the memory at which the lightest preset at 1920x1080 loses half of that, MiB: ln 1500. Common practice:
    /// light presets of the years of these cards ask for 1 to 2 GiB.
    pub memory_need_mean: f64,
    /// Standard deviation of that mean.
    pub memory_need_sd: f64,
    /// Growth of it per rank of the preset. Common practice: the heaviest of four asks for two and a half times
    /// what the lightest does.
    pub memory_need_rank: f64,
    /// Standard deviation of that.
    pub memory_need_rank_sd: f64,
    /// Share of what is asked for at 1920x1080 that grows with the pixels: buffers do, textures do not. Common
    /// practice: about a quarter.
    pub memory_buffers: f64,
    /// Growth per ln(pixels) beside that.
    pub memory_need_pixels: f64,
    /// Standard deviation of that.
    pub memory_need_pixels_sd: f64,
    /// Between workloads.
    pub memory_need_workload_sd: f64,
    /// Between presets of a workload, beside their rank.
    pub memory_need_preset_sd: f64,
    /// Memory taken for a card whose size is not known, MiB: the commonest size.
    pub memory_unknown_mib: f64,
    /// Standard deviation of ln(memory) of such a card.
    pub memory_unknown_sd: f64,
    /// Prior mean of a processor's rate, ln fps: ln 130.
    pub cpu_mean: f64,
    /// Standard deviation between processors.
    pub cpu_sd: f64,
    /// Between workloads, platform side.
    pub workload_cpu_sd: f64,
    /// Between stages of one workload, platform side.
    pub stage_cpu_sd: f64,
    /// Processor by workload.
    pub cpu_workload_sd: f64,
    /// Bench, platform side: memory timings, cooling, background programs.
    pub bench_platform_sd: f64,
    /// What one memory channel in place of two does to the platform's rate.
    pub single_channel_mean: f64,
    /// Standard deviation of that.
    pub single_channel_sd: f64,
    /// The same between workloads.
    pub single_channel_workload_sd: f64,
    /// What one rank of the preset does to the platform's rate.
    pub preset_cpu_mean: f64,
    /// The same between workloads.
    pub preset_cpu_sd: f64,
    /// Bench, whatever limits it.
    pub bench_sd: f64,
    /// Copy of the card: contributor by card.
    pub unit_sd: f64,
    /// Days after which releases have forgotten each other to 1 / e. Chosen with the two standard deviations that
    /// follow so that two releases two months apart differ by 0.7 % on an architecture and by 1 % more on a workload.
    pub release_memory_days: f64,
    /// Driver release by chip architecture.
    pub release_family_sd: f64,
    /// Driver release by workload by chip architecture.
    pub release_workload_family_sd: f64,
    /// Build of the workload.
    pub build_sd: f64,
    /// Prior mean of ln p, p the sharpness of the soft minimum of card and platform: where both are equal the rate
    /// lies ln(2) / p below either, at p = 7 a tenth.
    pub sharpness_mean: f64,
    /// Standard deviation of that mean.
    pub sharpness_sd: f64,
    /// The same between workloads. Chosen: how well the work of both sides overlaps is a matter of the engine.
    pub sharpness_workload_sd: f64,
    /// Sum of the variances of both sides from which their doubt is averaged over.
    pub doubt_from: f64,
    /// Divisor of the logistic-normal approximation p / sqrt(1 + p^2 v / c): 8 / pi = 2.55 matches the
    /// slope at the middle (MacKay 1992), pi^2 / 3 = 3.29 the variance; between them lies the best fit.
    pub doubt_divisor: f64,
    /// Degrees of freedom of the t distribution of residuals (Lange, Little and Taylor 1989).
    pub tail_df: f64,
    /// Residual scale over 1.4826 x median |residual|: makes up for the parameters spent.
    pub scale_factor: f64,
    /// Residual scale before the first row, and its start.
    pub scale_start: f64,
    /// Least residual scale: one bench repeats no better.
    pub scale_least: f64,
    /// Greatest residual scale: beyond it residuals are not noise.
    pub scale_most: f64,
    /// Greatest change of one parameter in a step: the ceiling's slopes hold no farther.
    pub step_most: f64,
    /// Greatest change of a parameter and of the residual scale, relative, at which the fit has
    /// converged. A fiftieth of the least residual scale.
    pub step_least: f64,
    /// Newton decrement at which the fit has converged too: the squared length of a step, all parameters
    /// together, in posterior standard deviations. Along directions that the runs say nothing of a fit may
    /// creep for long without any prediction moving.
    pub decrement_least: f64,
    /// Steps of a fit from the prior at most.
    pub steps_cold: usize,
    /// Steps of a fit from an earlier one at most.
    pub steps_warm: usize,
    /// The 1% low over the mean, natural log.
    pub low: LowPolicy,
}

/// Constants of the additive model of ln(1% low / mean fps), 1% low by `percentile`. Values as in
/// [`ModelPolicy`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LowPolicy {
    /// Mean over everything: the 1% low is about seven tenths of the mean. Common practice.
    pub mean: f64,
    /// Standard deviation of that mean.
    pub mean_sd: f64,
    /// Between workloads: stutter is a matter of the engine.
    pub workload_sd: f64,
    /// Between stages of one workload.
    pub stage_sd: f64,
    /// Card by workload.
    pub card_workload_sd: f64,
    /// Between benches.
    pub bench_sd: f64,
    /// What a loss of rate by too small a memory does to the ratio, per unit of the loss. Common practice: it stutters
    /// more than it slows down.
    pub loss_slope: f64,
    /// Standard deviation of that between workloads.
    pub loss_slope_sd: f64,
    /// Standard deviation of the ratio about that in one configuration, per unit of the loss.
    pub loss_sd: f64,
    /// Residual scale before the first row, and its start.
    pub scale_start: f64,
    /// Least residual scale: sampling error of a 1% low over three passes of a minute.
    pub scale_least: f64,
    /// Greatest residual scale.
    pub scale_most: f64,
    /// Sweeps of the backfitting. Effects settle to a hundredth of the scale within ten.
    pub sweeps: usize,
}

impl ModelPolicy {
    /// The values that the documentation names.
    pub fn published() -> ModelPolicy {
        ModelPolicy {
            card_mean: 75.0_f64.ln(),
            card_sd: 0.8,
            workload_sd: 0.5,
            stage_sd: 0.2,
            family_workload_sd: 0.05,
            family_stage_sd: 0.05,
            card_workload_sd: 0.035,
            preset_sd: 0.3,
            exponent_mean: 0.75,
            exponent_sd: 0.3,
            exponent_workload_sd: 0.15,
            exponent_family_sd: 0.03,
            memory_sd: 0.015,
            memory_loss: 0.45,
            memory_slope: 4.0,
            memory_need_mean: 1500.0_f64.ln(),
            memory_need_sd: 0.3,
            memory_need_rank: 0.3,
            memory_need_rank_sd: 0.1,
            memory_buffers: 0.25,
            memory_need_pixels: 0.0,
            memory_need_pixels_sd: 0.1,
            memory_need_workload_sd: 0.35,
            memory_need_preset_sd: 0.15,
            memory_unknown_mib: 4096.0,
            memory_unknown_sd: 0.6,
            cpu_mean: 130.0_f64.ln(),
            cpu_sd: 0.6,
            workload_cpu_sd: 0.45,
            stage_cpu_sd: 0.15,
            cpu_workload_sd: 0.03,
            bench_platform_sd: 0.03,
            single_channel_mean: -0.15,
            single_channel_sd: 0.15,
            single_channel_workload_sd: 0.05,
            preset_cpu_mean: -0.02,
            preset_cpu_sd: 0.05,
            bench_sd: 0.03,
            unit_sd: 0.02,
            release_memory_days: 1800.0,
            release_family_sd: 0.02,
            release_workload_family_sd: 0.04,
            build_sd: 0.015,
            sharpness_mean: 7.0_f64.ln(),
            sharpness_sd: 0.3,
            sharpness_workload_sd: 0.3,
            doubt_from: 0.01,
            doubt_divisor: 2.9,
            tail_df: 4.0,
            scale_factor: 1.15,
            scale_start: 0.025,
            scale_least: 0.012,
            scale_most: 0.06,
            step_most: 0.6,
            step_least: 2.5e-4,
            decrement_least: 1e-3,
            steps_cold: 30,
            steps_warm: 5,
            low: LowPolicy {
                mean: -0.35,
                mean_sd: 0.2,
                workload_sd: 0.15,
                stage_sd: 0.1,
                card_workload_sd: 0.04,
                bench_sd: 0.03,
                loss_slope: -1.0,
                loss_slope_sd: 1.0,
                loss_sd: 1.0,
                scale_start: 0.045,
                scale_least: 0.03,
                scale_most: 0.09,
                sweeps: 20,
            },
        }
    }
}
