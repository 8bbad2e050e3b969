//! The effects that a run's rate is made of: which parameter each one is, with what factor it enters,
//! and what is known of it before any run.

use super::{Features, UNKNOWN};
use crate::policy::model::ModelPolicy;

/// Number of effects.
pub(super) const TERMS: usize = 32;

/// What effects add up to, see [`super::rate`]: the rate that the card allows, the rate that the platform allows, by
/// how much settings outgrow the card's memory, how sharp the corner between card and platform is, and the rest.
pub(super) const SIDES: usize = 5;

/// Sides, in the order of the effects.
pub(super) const CARD_SIDE: usize = 0;
pub(super) const PLATFORM_SIDE: usize = 1;
pub(super) const PRESSURE_SIDE: usize = 2;
pub(super) const CORNER_SIDE: usize = 3;
pub(super) const OUTSIDE: usize = 4;

/// First effect of each side.
const FIRST: [usize; SIDES] = [CARD, CPU, NEED, SHARPNESS, BENCH];

/// Side of each effect.
const SIDE: [usize; TERMS] = {
    let mut sides = [0; TERMS];
    let (mut term, mut side) = (0, 0);
    while term < TERMS {
        if side + 1 < SIDES && term == FIRST[side + 1] {
            side += 1;
        }
        sides[term] = side;
        term += 1;
    }
    sides
};

/// Side of an effect.
pub(super) fn side(term: usize) -> usize {
    SIDE[term]
}

/// The effects whose parameters belong to one contributor; their place in the list of effects.
pub(super) const LOCAL: [usize; 3] = [BENCH_PLATFORM, BENCH, UNIT];

pub(super) const CARD: usize = 0;
pub(super) const WORKLOAD: usize = 1;
pub(super) const STAGE: usize = 2;
const FAMILY_WORKLOAD: usize = 3;
const FAMILY_STAGE: usize = 4;
const CARD_WORKLOAD: usize = 5;
pub(super) const PRESET: usize = 6;
const EXPONENT: usize = 7;
const EXPONENT_WORKLOAD: usize = 8;
const EXPONENT_FAMILY: usize = 9;
/// The parts of the exponent of the rate over pixels.
pub(super) const EXPONENTS: [usize; 3] = [EXPONENT, EXPONENT_WORKLOAD, EXPONENT_FAMILY];
const MEMORY: usize = 10;
/// Copy of the card.
pub(super) const UNIT: usize = 11;
/// Driver release on an architecture; the first id is the release.
pub(super) const RELEASE_FAMILY: usize = 12;
/// The same on a workload.
pub(super) const RELEASE_WORKLOAD_FAMILY: usize = 13;
pub(super) const CPU: usize = 14;
pub(super) const WORKLOAD_CPU: usize = 15;
pub(super) const STAGE_CPU: usize = 16;
const CPU_WORKLOAD: usize = 17;
const BENCH_PLATFORM: usize = 18;
const SINGLE: usize = 19;
const SINGLE_WORKLOAD: usize = 20;
const PRESET_CPU: usize = 21;
const NEED: usize = 22;
const NEED_RANK: usize = 23;
const NEED_PIXELS: usize = 24;
pub(super) const NEED_WORKLOAD: usize = 25;
const NEED_PRESET: usize = 26;
const FITTED: usize = 27;
pub(super) const SHARPNESS: usize = 28;
pub(super) const SHARPNESS_WORKLOAD: usize = 29;
/// Bench, whatever limits it.
pub(super) const BENCH: usize = 30;
const BUILD: usize = 31;

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
    /// Ids of the level without the first: what the effect of a driver release concerns.
    pub(super) concern: [u64; 2],
    /// Factor by which the parameter enters; an effect with factor 0 is not there.
    pub(super) factor: f64,
    /// Prior mean.
    pub(super) mean: f64,
    /// Prior standard deviation.
    pub(super) sd: f64,
}

/// ln(pixels) about which exponents of architectures turn, so that they say nothing of the level: that of the
/// commonest resolution, 1920x1080.
const MIDDLE: f64 = -0.575_364_144_903_562;

/// The architecture as an id; a card outside the catalogue is an architecture of its own.
fn family(features: &Features) -> u64 {
    if features.family == UNKNOWN { (1 << 32) | u64::from(features.card) } else { u64::from(features.family) }
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
    let memory = if f.memory_mib == 0 { unknown } else { u64::from(f.memory_mib) };
    let (fitted, fitted_sd) = match f.memory_mib {
        0 => (policy.memory_unknown_mib, policy.memory_unknown_sd),
        mib => (f64::from(mib), 0.0),
    };
    let buffers = 1.0 - policy.memory_buffers + policy.memory_buffers * (f.ln_pixels - MIDDLE).exp();
    let single = f64::from(u8::from(f.single_channel));

    let term = |at: usize, ids: [u64; 3], factor: f64, mean: f64, sd: f64| {
        let known = !ids.contains(&unknown) && (family_known || !ids.contains(&family));
        let key = known.then_some(Key { term: at as u8, ids });
        Term { key, concern: [ids[1], ids[2]], factor, mean, sd }
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
        term(EXPONENT_FAMILY, [family, workload, 0], MIDDLE - f.ln_pixels, 0.0, p.exponent_family_sd),
        term(MEMORY, [memory, preset, 0], 1.0, 0.0, p.memory_sd),
        term(UNIT, [contributor, card, 0], 1.0, 0.0, p.unit_sd),
        term(RELEASE_FAMILY, [release, family, 0], 1.0, 0.0, p.release_family_sd),
        term(RELEASE_WORKLOAD_FAMILY, [release, workload, family], 1.0, 0.0, p.release_workload_family_sd),
        term(CPU, [cpu, 0, 0], 1.0, p.cpu_mean, p.cpu_sd),
        term(WORKLOAD_CPU, [workload, 0, 0], 1.0, 0.0, p.workload_cpu_sd),
        term(STAGE_CPU, [stage, 0, 0], 1.0, 0.0, p.stage_cpu_sd),
        term(CPU_WORKLOAD, [cpu, workload, 0], 1.0, 0.0, p.cpu_workload_sd),
        term(BENCH_PLATFORM, [contributor, bench, 0], 1.0, 0.0, p.bench_platform_sd),
        term(SINGLE, [0; 3], single, p.single_channel_mean, p.single_channel_sd),
        term(SINGLE_WORKLOAD, [workload, 0, 0], single, 0.0, p.single_channel_workload_sd),
        term(PRESET_CPU, [workload, 0, 0], f.preset_rank, p.preset_cpu_mean, p.preset_cpu_sd),
        term(NEED, [0; 3], 1.0, p.memory_need_mean, p.memory_need_sd),
        term(NEED_RANK, [0; 3], f.preset_rank, p.memory_need_rank, p.memory_need_rank_sd),
        term(NEED_PIXELS, [0; 3], f.ln_pixels - MIDDLE, p.memory_need_pixels, p.memory_need_pixels_sd),
        term(NEED_WORKLOAD, [workload, 0, 0], 1.0, 0.0, p.memory_need_workload_sd),
        term(NEED_PRESET, [preset, 0, 0], 1.0, 0.0, p.memory_need_preset_sd),
        // What is fitted and how buffers grow with pixels is known: nothing is to be learnt of it.
        Term { key: None, concern: [0; 2], factor: 1.0, mean: buffers.ln() - fitted.ln(), sd: fitted_sd },
        term(SHARPNESS, [0; 3], 1.0, p.sharpness_mean, p.sharpness_sd),
        term(SHARPNESS_WORKLOAD, [workload, 0, 0], 1.0, 0.0, p.sharpness_workload_sd),
        term(BENCH, [contributor, bench, 0], 1.0, 0.0, p.bench_sd),
        term(BUILD, [workload, build, 0], 1.0, 0.0, p.build_sd),
    ]
}

const _: () = assert!(UNIT < CPU && FITTED < SHARPNESS && BUILD + 1 == TERMS);
