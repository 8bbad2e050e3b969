//! Thresholds of the sanity of the series.

use serde::{Deserialize, Serialize};

/// Accepted runs from which a scene has references: with fewer a median is moved by a single bad one.
pub const REFERENCE_RUNS: usize = 6;

/// Contributors that they come from at least: one alone must not set what others are held against.
pub const REFERENCE_CONTRIBUTORS: usize = 2;

/// Runs of one contributor that count for a scene, the latest.
pub const REFERENCE_RUNS_OF_ONE: usize = 30;

/// Runs of a scene that count, the latest: enough for medians to 2 % of a spread of 20 %.
pub const REFERENCE_RUNS_MOST: usize = 200;

/// Passes of a full-grade run. Three show a spread between passes at all (common practice).
pub const FULL_PASSES: usize = 3;

/// Length of each pass of a full-grade run, seconds. At 60 fps the mean then repeats to 0.55 % and the
/// 1% low (`percentile`) to 1.25 % (simulation study of this project, 14 textures of frame times).
pub const FULL_PASS_LENGTH_S: f64 = 60.0;

/// Frames of each pass of a full-grade run: thirty frames beyond the 99th percentile, which keeps its
/// sampling error near 2 % (same study).
pub const FULL_PASS_FRAMES: u64 = 3000;

/// Pooled frames below which no 1% low is stated: fewer than fifteen frames would decide it.
pub const MIN_LOW_FRAMES: u64 = 1500;

/// Pooled seconds below which no 1% low is stated (same study).
pub const MIN_LOW_LENGTH_S: f64 = 30.0;

/// Length of a pass below which no 0.1% low is stated, seconds: at 60 fps it repeats to 7 % at 300 s
/// and to 15 % at 60 s (same study).
pub const MIN_LENGTH_0_1_LOW_S: f64 = 300.0;

/// Rates that displays and frame limiters use, fps (common practice).
pub const USUAL_CAPS_FPS: [f64; 19] = [
    24.0, 30.0, 40.0, 45.0, 48.0, 50.0, 60.0, 72.0, 75.0, 90.0, 100.0, 120.0, 144.0, 165.0, 180.0, 200.0,
    240.0, 300.0, 360.0,
];

/// Thresholds of the sanity of the series. Captures on hand: the measured ones under `tests/captures`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeriesPolicy {
    /// Fastest mean rate that is believed, fps. Above it no game loop of the trade runs; common practice.
    pub max_fps: f64,
    /// Slowest mean rate that is believed, fps: below it nobody can steer; common practice.
    pub min_fps: f64,
    /// Longest single frame that is believed, ms: a program that shows nothing for a minute has hung.
    pub max_frame_ms: f64,
    /// How near a ratio must come to a power of a thousand to name the unit, relative. Equal to
    /// `length_tolerance`, since both compare a sum of frame times with a clock.
    pub unit_tolerance: f64,
    /// How far the sum of the frame times may lie from a stated length, relative: dropped frames and the
    /// reaction time of a hand stay below it.
    pub length_tolerance: f64,
    /// The same in seconds, whichever is larger: lengths are often stated in whole seconds.
    pub length_slack_s: f64,
    /// Half width of the window around the commonest frame time, in logarithms: three bins of 0.004 each
    /// (simulation study of this project).
    pub cap_window: f64,
    /// Share of frames in that window from which frames are paced by something else than the load (same
    /// study: 0 of 1200 honest runs). The steadiest honest capture on hand reaches 0.18.
    pub cap_share: f64,
    /// Share from which the pacing is a timer's, whatever its rate: captures paced by a timer reach 0.93
    /// to 0.99, those paced by constant processor work 0.86 at most.
    pub cap_share_sure: f64,
    /// Share from which part of a pass may have touched a cap: between the highest honest share on hand
    /// (0.18, times 1.5) and `cap_share`.
    pub cap_share_partial: f64,
    /// How much faster than the window a frame must be to speak against a cap, in logarithms (same
    /// study).
    pub cap_faster_margin: f64,
    /// Share of such frames from which it is no cap (same study). Frames straight after a late one are
    /// left out: a pacer makes up the time.
    pub cap_faster_share: f64,
    /// How near a paced rate must come to a usual cap or a declared one, relative: 59.94 counts as 60.
    pub cap_rate_tolerance: f64,
    /// Share of frames at whole multiples of one interval from which vertical sync in steps is seen.
    pub sync_share: f64,
    /// Standard deviation of the ln mean rates of the passes of a run on a fixed path, where the scene's own is not
    /// well known (simulation study of this project: 0.005 to 0.012).
    pub pass_sd: f64,
    /// The same in a practice area (same study: 0.01; the evaluation's: 0.008 to 0.016).
    pub pass_sd_practice: f64,
    /// The same elsewhere: a live match has 0.04 (same study).
    pub pass_sd_free: f64,
    /// Standard deviation of the decline within a pass of a minute on a fixed path, ln fps, where the scene's own is
    /// not well known (two worlds of the evaluation: 0.02 to 0.035).
    pub slope_sd: f64,
    /// Seconds a pass needs before its course is judged: four blocks of five seconds.
    pub min_trend_s: f64,
    /// End-to-end decline of ln fps within a pass from which it counts, by the Theil-Sen slope of 5 s
    /// medians (simulation study of this project, with a reference profile of the scene). Without one it
    /// is held only when the decline is also clear, see the next four.
    pub decline: f64,
    /// The same over a whole run or within its passes with a reference profile of the scene, at least. With this and the
    /// next three, of 1,094 honest runs on fixed paths and 1,014 others of the demo's world
    /// (`seed-data/examples/detection.rs`, seed 21) 0.5 and 0.7 % are held by all rules of the series together, and
    /// throttling of 8, 10, 15 % over the run is held in 92, 98, 99.7 % on fixed paths and in 38, 55, 80 % elsewhere, where
    /// honest passes of free play differ by as much.
    pub decline_scene: f64,
    /// The same in standard deviations over honest runs of the scene, on a fixed path.
    pub decline_sigmas: f64,
    /// The same elsewhere, where a smaller share of what is held is throttling.
    pub decline_sigmas_free: f64,
    /// The same elsewhere from which it is worth a note, and a hold where the rate is low as well
    /// ([`slowed_z`](super::judge::JudgePolicy::slowed_z)).
    pub decline_sigmas_hint: f64,
    /// The same of the decline within passes alone.
    pub decline_within_sigmas: f64,
    /// Decline that is held without being steady, if the last third is slower than the first: three
    /// times `decline`, as for every limit that lacks a reference profile.
    pub decline_blind: f64,
    /// Decline over its standard error, from the spread of the 5 s medians about the trend, from which it
    /// is clear; about one in 15,000 for white noise.
    pub decline_ratio: f64,
    /// Share of second-by-second pairs in which the first third of a pass is faster than its last third,
    /// from which a decline is clear.
    pub decline_superiority: f64,
    /// The same share between neighbouring thirds: the loss goes on and is not one cut.
    pub decline_steps: f64,
    /// Largest drop between neighbouring 5 s medians, as a share of the decline, with which it is clear:
    /// the loss takes three blocks at least, while a scene that is cut together loses it at its cuts.
    pub decline_largest_drop: f64,
    /// The same share of first and last third from which a decline is worth a remark.
    pub decline_superiority_weak: f64,
    /// Shortest frame that can be a loading stall, ms: a quarter of a second is seen as a stop by
    /// anybody.
    pub stall_ms: f64,
    /// A stall also lasts this many median frames, so that slow cards do not stall all the time. The
    /// longest shader hitch in honest captures on hand is below it.
    pub stall_ratio: f64,
    /// Stalls of one loading gap add up to at least this, seconds.
    pub stall_gap_s: f64,
    /// Stalls closer than this, seconds, belong to one gap: a loading bar shows a few frames between
    /// them.
    pub stall_join_s: f64,
    /// Share of a pass spent in stalls from which the figure is that of loading, not of the scene: it
    /// moves the mean by as much.
    pub stall_time_share: f64,
    /// Shortest segment beside a loading gap whose level can be compared, seconds.
    pub segment_s: f64,
    /// Change of ln fps across a loading gap that is worth a remark (simulation study of this project,
    /// with a reference profile).
    pub level_shift: f64,
    /// Departure of ln fps from the scene's profile over 3 s, median over passes, from which it is held: honest
    /// runs of the demo's world reach 0.116 in one of 500 without the slack in time that the course is given.
    pub level_shift_scene: f64,
    /// The same as a multiple of the 0.9 quantile of the scene's runs, whichever is larger: where benches show
    /// the course of a scene unlike strongly, more is needed.
    pub shift_margin: f64,
    /// The same from which it is held.
    pub level_shift_gap: f64,
    /// The same without a gap and without a reference profile, three times wider: a remark.
    pub level_shift_blind: f64,
    /// Abrupt change of ln fps at an end of a pass without a gap from which it is held: the rate doubles
    /// or halves.
    pub level_shift_sure: f64,
    /// Shortest segment without a gap, seconds (width of the moving mean of the same study).
    pub min_shift_s: f64,
    /// Correlation of the clipped second differences of ln t between two passes from which one is a copy
    /// (same study, there with first differences; second ones also remove the course of the scene).
    /// Honest captures on hand reach 0.12.
    pub copy_correlation: f64,
    /// The same in standard errors of a chance correlation, whichever is larger: short passes correlate
    /// by chance.
    pub copy_sigmas: f64,
    /// Scaled MAD of the differences of ln t below which a card repeats a fixed path frame by frame: such
    /// honest passes on hand correlate up to 0.75.
    pub copy_quiet: f64,
    /// Limit for such quiet passes: only a copy that was rescaled reaches it.
    pub copy_correlation_quiet: f64,
    /// ln of the variance ratio of 1 s means below which a series has no memory: independent frames give
    /// 0 with a standard error of sqrt(2 / (seconds - 1)), honest captures on hand 1.7 to 5.7.
    pub noise_log_ratio: f64,
    /// The limit is also at most this many standard errors of the mean of all passes above 0, so that it holds for longer
    /// and for more passes too.
    pub noise_sigmas: f64,
    /// ln of the ratio of variances below the scene's median from which a series is too even, where it is also
    /// below the next (simulation study of this project).
    pub smooth_below: f64,
    /// ln of the variance ratio of 1 s means above which a series is not too even, whatever the scene has. With 1.6 the rule
    /// held 14 honest runs of slow cards and no bad run that another does not hold (evaluation with known truth, plain
    /// world, seed 651); ten of the 14 lie between 1.2 and 1.6, which white noise is far from.
    pub smooth_log_ratio: f64,
    /// Seconds a pass needs before its memory is judged.
    pub min_noise_s: f64,
    /// Coefficient of variation between passes worth a remark on a fixed path: about five times the 1.1 %
    /// of honest runs in the same study; shared machines reach 5 %.
    pub disagree_remark: f64,
    /// The same for free play and live matches: twice their 6 % at 60 s (same study).
    pub disagree_remark_free: f64,
    /// The same from which no common figure exists: 2.5 times what free play shows; for three passes of
    /// such play one in 500.
    pub disagree_hold: f64,
    /// Fall of ln mean fps from the first to the last of three or more passes, each slower than the one
    /// before: four times the honest spread of a difference of two passes. One honest run on a fixed path of
    /// the demo's world in a thousand reaches it.
    pub drift: f64,
    /// Frames longer than twice the median, per second, worth a remark. Honest captures on hand stay
    /// below 0.4, a program that works in bursts beside the capture makes 1.2 to 3.4.
    pub spikes_per_s: f64,
    /// ln(spikes per second + 0.02) above the scene's median that is worth a remark, together with the next: runs
    /// of the demo's world whose card memory is too small reach both in one of forty, a busy second program
    /// mostly, so that it cannot be more than a remark.
    pub spikes_above: f64,
    /// ln(1% low / mean) below the scene's median that is worth a remark.
    pub low_below: f64,
    /// Standard deviation of the ln mean rates of three or more passes below which they repeat better than one
    /// honest run in a hundred (same study). Hardware that does a fixed amount of work repeats to 0.0005.
    pub repeat_sd: f64,
    /// How far a summary's mean may lie from its frames, relative.
    pub summary_mean_tolerance: f64,
    /// How far a summary's 1% low may lie from its frames, relative: programs differ in how they
    /// interpolate.
    pub summary_low_tolerance: f64,
    /// The same in fps, whichever is larger: summaries are often rounded to whole frames per second.
    pub summary_rounding_fps: f64,
}

impl SeriesPolicy {
    /// The values that the documentation names.
    pub fn published() -> SeriesPolicy {
        SeriesPolicy {
            max_fps: 2000.0,
            min_fps: 1.0,
            max_frame_ms: 60_000.0,
            unit_tolerance: 0.02,
            length_tolerance: 0.02,
            length_slack_s: 0.5,
            cap_window: 0.006,
            cap_share: 0.45,
            cap_share_sure: 0.90,
            cap_share_partial: 0.30,
            cap_faster_margin: 0.015,
            cap_faster_share: 0.02,
            cap_rate_tolerance: 0.005,
            sync_share: 0.80,
            pass_sd: 0.010,
            pass_sd_practice: 0.016,
            pass_sd_free: 0.020,
            slope_sd: 0.026,
            min_trend_s: 20.0,
            decline: 0.088,
            decline_scene: 0.048,
            decline_sigmas: 2.2,
            decline_sigmas_free: 3.4,
            decline_sigmas_hint: 2.0,
            decline_within_sigmas: 4.0,
            decline_blind: 0.264,
            decline_ratio: 4.0,
            decline_superiority: 0.95,
            decline_steps: 0.70,
            decline_largest_drop: 0.4,
            decline_superiority_weak: 0.80,
            stall_ms: 250.0,
            stall_ratio: 8.0,
            stall_gap_s: 0.5,
            stall_join_s: 3.0,
            stall_time_share: 0.10,
            segment_s: 0.4,
            level_shift: 0.10,
            level_shift_scene: 0.13,
            shift_margin: 1.5,
            level_shift_gap: 0.20,
            level_shift_blind: 0.30,
            level_shift_sure: 0.69,
            min_shift_s: 3.0,
            copy_correlation: 0.25,
            copy_sigmas: 6.0,
            copy_quiet: 0.01,
            copy_correlation_quiet: 0.95,
            noise_log_ratio: 0.6,
            noise_sigmas: 2.5,
            smooth_below: 1.4,
            smooth_log_ratio: 1.0,
            min_noise_s: 15.0,
            disagree_remark: 0.05,
            disagree_remark_free: 0.12,
            disagree_hold: 0.15,
            drift: 0.06,
            spikes_per_s: 1.0,
            spikes_above: 1.5,
            low_below: 0.45,
            repeat_sd: 0.0010,
            summary_mean_tolerance: 0.01,
            summary_low_tolerance: 0.02,
            summary_rounding_fps: 0.6,
        }
    }
}
