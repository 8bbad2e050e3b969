//! The effects that a run's rate is made of: which parameter each one is, with what factor it enters,
//! and what is known of it before any run.

use super::{Features, UNKNOWN};
use crate::policy::model::ModelPolicy;

/// Number of effects.
pub(super) const TERMS: usize = 24;

/// Effects `0..FIRST_PLATFORM` belong to the card's side of the ceiling.
pub(super) const FIRST_PLATFORM: usize = 10;

/// Effects `FIRST_PLATFORM..FIRST_OUTSIDE` belong to the platform's side, those after it to neither.
pub(super) const FIRST_OUTSIDE: usize = 18;

/// Sides: card, platform, neither.
pub(super) const SIDES: usize = 3;

/// Side of an effect.
pub(super) fn side(term: usize) -> usize {
    usize::from(term >= FIRST_PLATFORM) + usize::from(term >= FIRST_OUTSIDE)
}

/// The effects whose parameters belong to one contributor; their place in the list of effects.
pub(super) const LOCAL: [usize; 3] = [BENCH_PLATFORM, BENCH, UNIT];

const CARD: usize = 0;
const WORKLOAD: usize = 1;
const STAGE: usize = 2;
const FAMILY_WORKLOAD: usize = 3;
const FAMILY_STAGE: usize = 4;
const CARD_WORKLOAD: usize = 5;
const PRESET: usize = 6;
const EXPONENT: usize = 7;
const EXPONENT_WORKLOAD: usize = 8;
const MEMORY: usize = 9;
const CPU: usize = 10;
const WORKLOAD_CPU: usize = 11;
const STAGE_CPU: usize = 12;
const CPU_WORKLOAD: usize = 13;
const BENCH_PLATFORM: usize = 14;
const SINGLE: usize = 15;
const SINGLE_WORKLOAD: usize = 16;
const PRESET_CPU: usize = 17;
/// Bench, whatever limits it.
pub(super) const BENCH: usize = 18;
/// Copy of the card.
pub(super) const UNIT: usize = 19;
const RELEASE_WORKLOAD: usize = 20;
const RELEASE_FAMILY: usize = 21;
const RELEASE_WORKLOAD_FAMILY: usize = 22;
const BUILD: usize = 23;

/// Name of a parameter: its effect and the ids of its level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Key {
    pub(super) term: u8,
    pub(super) ids: [u64; 3],
}

/// One effect in one run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Term {
    /// The parameter; none when an id is not known, so that nothing can be learned of it.
    pub(super) key: Option<Key>,
    /// Factor by which the parameter enters; an effect with factor 0 is not there.
    pub(super) factor: f64,
    /// Prior mean.
    pub(super) mean: f64,
    /// Prior standard deviation.
    pub(super) sd: f64,
}

/// Resolutions within an eighth of a natural log of pixels share their memory effect.
const PIXEL_BUCKETS: f64 = 8.0;

/// Bits set apart for the offset of a resolution bucket, so that it is never negative.
const BUCKET_OFFSET: f64 = 1024.0;

/// The architecture as an id; a card outside the catalogue is an architecture of its own.
fn family(features: &Features) -> u64 {
    if features.family == UNKNOWN { (1 << 32) | u64::from(features.card) } else { u64::from(features.family) }
}

/// Prior standard deviation of the effect of memory size at some settings. Cards of one memory size lose
/// a tenth to a third together once a setting asks for more than they have; where it surely fits there is
/// nothing to lose, and a loose prior would only blur what else is known. So the standard deviation climbs
/// from light to heavy along a logistic of ln(memory asked for / memory fitted).
fn memory_sd(memory_mib: u32, rank: f64, bucket: f64, policy: &ModelPolicy) -> f64 {
    let fitted = if memory_mib == 0 { policy.memory_unknown_mib } else { f64::from(memory_mib) };
    let pressure = (policy.memory_need_mib / fitted).ln()
        + policy.memory_need_rank * rank
        + policy.memory_need_pixels * bucket / PIXEL_BUCKETS;
    let doubt = 1.0 / (1.0 + (-policy.memory_slope * pressure).exp());
    policy.memory_light_sd + (policy.memory_heavy_sd - policy.memory_light_sd) * doubt
}

/// The effects of a run, always in the same order.
pub(super) fn terms(features: &Features, policy: &ModelPolicy) -> [Term; TERMS] {
    let f = features;
    let unknown = u64::from(UNKNOWN);
    let (card, workload, stage, preset) =
        (u64::from(f.card), u64::from(f.workload), u64::from(f.stage), u64::from(f.preset));
    let (cpu, contributor, bench) = (u64::from(f.cpu), u64::from(f.contributor), u64::from(f.bench));
    let (release, build, family) = (u64::from(f.release), u64::from(f.build), family(f));
    // A card that is not known has no architecture either.
    let family_known = family != (1 << 32) | unknown;
    let bucket = (PIXEL_BUCKETS * f.ln_pixels).round().clamp(-BUCKET_OFFSET, BUCKET_OFFSET);
    let memory = if f.memory_mib == 0 { unknown } else { u64::from(f.memory_mib) };
    let single = f64::from(u8::from(f.single_channel));

    let term = |at: usize, ids: [u64; 3], factor: f64, mean: f64, sd: f64| {
        let known = !ids.contains(&unknown) && (family_known || !ids.contains(&family));
        Term { key: known.then_some(Key { term: at as u8, ids }), factor, mean, sd }
    };
    let p = policy;
    [
        term(CARD, [card, 0, 0], 1.0, p.card_mean, p.card_sd),
        term(WORKLOAD, [workload, 0, 0], 1.0, 0.0, p.workload_sd),
        term(STAGE, [stage, 0, 0], 1.0, 0.0, p.stage_sd),
        term(FAMILY_WORKLOAD, [family, workload, 0], 1.0, 0.0, p.family_workload_sd),
        term(FAMILY_STAGE, [family, stage, 0], 1.0, 0.0, p.family_stage_sd),
        term(CARD_WORKLOAD, [card, workload, 0], 1.0, 0.0, p.card_workload_sd),
        term(PRESET, [preset, 0, 0], 1.0, 0.0, p.preset_sd),
        term(EXPONENT, [0; 3], -f.ln_pixels, p.exponent_mean, p.exponent_sd),
        term(EXPONENT_WORKLOAD, [workload, 0, 0], -f.ln_pixels, 0.0, p.exponent_workload_sd),
        term(
            MEMORY,
            [memory, preset, (bucket + BUCKET_OFFSET) as u64],
            1.0,
            0.0,
            memory_sd(f.memory_mib, f.preset_rank, bucket, p),
        ),
        term(CPU, [cpu, 0, 0], 1.0, p.cpu_mean, p.cpu_sd),
        term(WORKLOAD_CPU, [workload, 0, 0], 1.0, 0.0, p.workload_cpu_sd),
        term(STAGE_CPU, [stage, 0, 0], 1.0, 0.0, p.stage_cpu_sd),
        term(CPU_WORKLOAD, [cpu, workload, 0], 1.0, 0.0, p.cpu_workload_sd),
        term(BENCH_PLATFORM, [contributor, bench, 0], 1.0, 0.0, p.bench_platform_sd),
        term(SINGLE, [0; 3], single, p.single_channel_mean, p.single_channel_sd),
        term(SINGLE_WORKLOAD, [workload, 0, 0], single, 0.0, p.single_channel_workload_sd),
        term(PRESET_CPU, [workload, 0, 0], f.preset_rank, p.preset_cpu_mean, p.preset_cpu_sd),
        term(BENCH, [contributor, bench, 0], 1.0, 0.0, p.bench_sd),
        term(UNIT, [contributor, card, 0], 1.0, 0.0, p.unit_sd),
        term(RELEASE_WORKLOAD, [release, workload, 0], 1.0, 0.0, p.release_workload_sd),
        term(RELEASE_FAMILY, [release, family, 0], 1.0, 0.0, p.release_family_sd),
        term(RELEASE_WORKLOAD_FAMILY, [release, workload, family], 1.0, 0.0, p.release_workload_family_sd),
        term(BUILD, [workload, build, 0], 1.0, 0.0, p.build_sd),
    ]
}
