//! Prediction of one run, with the variance of everything that enters it.

use super::chain::{is_chained, nearest};
use super::dense::packed;
use super::rate::{doubt_share, doubtful_rate, expected_loss};
use super::terms::{
    BENCH, CARD_SIDE, CORNER_SIDE, EXPONENTS, PLATFORM_SIDE, PRESSURE_SIDE, SIDES, TERMS, Term, UNIT, side,
    terms,
};
use super::{Block, Features, Model, Prediction};
use crate::ladder::Alone;
use crate::policy::model::ModelPolicy;

/// Where the parameter of an effect is.
#[derive(Clone, Copy, PartialEq)]
enum Place {
    Shared(usize),
    Local(usize),
    Unseen,
}

/// The effects of one run by what is known of them.
struct Known<'a> {
    terms: [Term; TERMS],
    places: [Place; TERMS],
    values: [f64; TERMS],
    /// Variance of each effect beside that of its parameter: its prior where it was never seen.
    extra: [f64; TERMS],
    block: Option<&'a Block>,
}

fn known<'a>(model: &'a Model, features: &Features) -> Known<'a> {
    let terms = terms(features, &model.policy);
    let block = model.block_of.get(&features.contributor).map(|at| &model.blocks[*at as usize]);
    let mut known = Known {
        terms,
        places: [Place::Unseen; TERMS],
        values: terms.map(|term| term.mean),
        extra: terms.map(|term| term.sd * term.sd),
        block,
    };
    for (at, term) in terms.iter().enumerate() {
        let seen = term.key.and_then(|key| {
            let shared = model.index.get(&key).map(|place| Place::Shared(*place as usize));
            shared.or_else(|| block.and_then(|b| b.keys.iter().position(|own| *own == key)).map(Place::Local))
        });
        if let Some(place) = seen {
            known.places[at] = place;
            known.extra[at] = 0.0;
            known.values[at] = match place {
                Place::Local(place) => block.map_or(0.0, |b| b.values[place]),
                Place::Shared(place) => model.values[place],
                Place::Unseen => term.mean,
            };
        } else if let (true, Some(day)) = (is_chained(at), features.release_day)
            && let Some((place, r)) = nearest(&model.chains, at, term.concern, day, &model.policy)
        {
            known.places[at] = Place::Shared(place as usize);
            known.terms[at].factor *= r;
            known.values[at] = model.values[place as usize];
            known.extra[at] *= 1.0 / (r * r) - 1.0;
        }
    }
    known
}

impl Known<'_> {
    /// Sum of the effects of a side.
    fn sum(&self, side_wanted: usize) -> f64 {
        (0..TERMS)
            .filter(|at| side(*at) == side_wanted && self.terms[*at].factor != 0.0)
            .map(|at| self.terms[at].factor * self.values[at])
            .sum()
    }

    /// Posterior covariance of the effects.
    fn covariance(&self, model: &Model) -> [[f64; TERMS]; TERMS] {
        let mut all = [[0.0; TERMS]; TERMS];
        for (i, term) in self.terms.iter().enumerate() {
            if term.factor == 0.0 {
                continue;
            }
            for (j, other) in self.places[..=i].iter().enumerate() {
                let value = self.between(model, self.places[i], *other);
                all[i][j] = value;
                all[j][i] = value;
            }
            all[i][i] += self.extra[i];
        }
        all
    }

    /// Posterior covariance of two parameters; none with one that was never seen.
    fn between(&self, model: &Model, a: Place, b: Place) -> f64 {
        match (a, b, self.block) {
            (Place::Shared(a), Place::Shared(b), _) => packed(&model.covariance, a, b),
            (Place::Local(a), Place::Local(b), Some(block)) => block.own[a * block.keys.len() + b],
            (Place::Shared(a), Place::Local(b), Some(block))
            | (Place::Local(b), Place::Shared(a), Some(block)) => {
                let width = block.touched.len();
                if let Ok(at) = block.touched.binary_search(&(a as u32)) {
                    return -block.through[b * width + at];
                }
                let carry = &block.carry[b * width..(b + 1) * width];
                let along = block.touched.iter().zip(carry);
                -along.map(|(at, by)| by * packed(&model.covariance, a, *at as usize)).sum::<f64>()
            }
            _ => 0.0,
        }
    }

    /// Variance of the sum of the effects, each times a slope and its factor.
    fn variance(&self, covariance: &[[f64; TERMS]; TERMS], slope: impl Fn(usize) -> f64) -> f64 {
        let x: [f64; TERMS] = std::array::from_fn(|at| slope(at) * self.terms[at].factor);
        let sum: f64 = x
            .iter()
            .zip(covariance)
            .map(|(x_i, row)| x_i * row.iter().zip(&x).map(|(c, x_j)| c * x_j).sum::<f64>())
            .sum();
        // Rounding may leave a variance of nothing just below zero.
        sum.max(0.0)
    }

    /// Variance of the sum of a few effects, each times a weight: without the covariance of all.
    fn variance_of(&self, model: &Model, weighted: &[(usize, f64)]) -> f64 {
        let mut sum = 0.0;
        for &(i, weight) in weighted {
            for &(j, other) in weighted {
                let own = if i == j { self.extra[i] } else { 0.0 };
                sum += weight * other * (self.between(model, self.places[i], self.places[j]) + own);
            }
        }
        sum.max(0.0)
    }
}

/// What too small a memory is expected to cost of the rate, natural log, and the variance of that.
pub(super) fn loss(model: &Model, features: &Features) -> (f64, f64) {
    let known = known(model, features);
    let on_side = |at: &usize| side(*at) == PRESSURE_SIDE && known.terms[*at].factor != 0.0;
    let pressure: Vec<(usize, f64)> =
        (0..TERMS).filter(on_side).map(|at| (at, known.terms[at].factor)).collect();
    let variance = known.variance_of(model, &pressure);
    expected_loss(known.sum(PRESSURE_SIDE), variance, &model.policy)
}

/// How much of the doubt about the pressure is left in the rate, 0 to 1. Runs of one memory size leave it open whether
/// a preset is heavy or wants much memory, and the rate is well known all the same: what the whole is known better
/// than the pressure alone is no reason to expect a bend.
fn uncompensated(
    known: &Known<'_>,
    covariance: &[[f64; TERMS]; TERMS],
    sums: &[f64; SIDES],
    by_side: &[f64; SIDES],
    policy: &ModelPolicy,
) -> f64 {
    let mut certain = *by_side;
    certain[PRESSURE_SIDE] = 0.0;
    let slopes = doubtful_rate(sums, &certain, policy).slopes;
    let alone = slopes[PRESSURE_SIDE].powi(2) * by_side[PRESSURE_SIDE];
    let whole = known.variance(covariance, |at| slopes[side(at)]);
    if alone > whole { whole / alone } else { 1.0 }
}

/// Predicts a run, see [`Model::predict`].
pub(super) fn predict(model: &Model, features: &Features) -> Prediction {
    let policy = &model.policy;
    let known = known(model, features);
    let covariance = known.covariance(model);
    let one = |wanted: usize| move |at: usize| f64::from(u8::from(side(at) == wanted));
    let sums: [f64; SIDES] = std::array::from_fn(|s| known.sum(s));
    let mut by_side: [f64; SIDES] = std::array::from_fn(|s| known.variance(&covariance, one(s)));
    by_side[PRESSURE_SIDE] *= uncompensated(&known, &covariance, &sums, &by_side, policy);
    let (lost, of_loss) = expected_loss(sums[PRESSURE_SIDE], by_side[PRESSURE_SIDE], policy);
    let steepness = -doubtful_rate(&sums, &by_side, policy).steepness;
    let gap = known.variance(&covariance, |at| match side(at) {
        CARD_SIDE => 1.0,
        PLATFORM_SIDE => -1.0,
        PRESSURE_SIDE => steepness,
        _ => 0.0,
    });
    by_side[CARD_SIDE] += of_loss;
    let rate = doubtful_rate(&sums, &by_side, policy);
    let slopes = rate.slopes;
    let share = slopes[CARD_SIDE];
    let linear = known.variance(&covariance, |at| slopes[side(at)]);
    // What a bend adds to the straight line through it.
    let bend = (share * share * of_loss - slopes[PRESSURE_SIDE].powi(2) * by_side[PRESSURE_SIDE]).max(0.0);
    by_side[PRESSURE_SIDE] = 0.0;
    let apart: f64 = slopes.iter().zip(&by_side).map(|(slope, variance)| slope * slope * variance).sum();
    let doubt = by_side[CARD_SIDE] + by_side[PLATFORM_SIDE];
    let variance = linear + bend + doubt_share(doubt, policy) * (apart - linear - bend).max(0.0);
    let own = |at: usize| if at == BENCH || at == UNIT { slopes[side(at)] } else { 0.0 };
    Prediction {
        ln_fps: rate.value,
        variance,
        common: (share * share * by_side[CARD_SIDE]).min(variance),
        share,
        share_logit_sd: sums[CORNER_SIDE].exp() * gap.sqrt(),
        alone: Alone {
            ln_fps: sums[CARD_SIDE] - lost,
            exponent_sd: known.variance_of(model, &EXPONENTS.map(|at| (at, 1.0))).sqrt(),
            sharpness: sums[CORNER_SIDE].exp(),
        },
        sigma: model.scale,
        bench: known.values[BENCH] + share * known.values[UNIT],
        bench_variance: known.variance(&covariance, own),
    }
}
