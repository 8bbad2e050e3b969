//! Prediction of one run, with the variance of everything that enters it.

use super::ceiling::{doubt_share, doubtful_sharpness, softmin};
use super::dense::packed;
use super::terms::{BENCH, FIRST_OUTSIDE, FIRST_PLATFORM, SIDES, TERMS, Term, UNIT, side, terms};
use super::{Block, Features, Model, Prediction};

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
    block: Option<&'a Block>,
}

fn known<'a>(model: &'a Model, features: &Features) -> Known<'a> {
    let terms = terms(features, &model.policy);
    let block = model.block_of.get(&features.contributor).map(|at| &model.blocks[*at as usize]);
    let mut places = [Place::Unseen; TERMS];
    let mut values = [0.0; TERMS];
    for (at, term) in terms.iter().enumerate() {
        values[at] = term.mean;
        let Some(key) = term.key else { continue };
        if let Some(place) = model.index.get(&key) {
            places[at] = Place::Shared(*place as usize);
            values[at] = model.values[*place as usize];
        } else if let Some((block, place)) =
            block.and_then(|b| b.keys.iter().position(|own| *own == key).map(|place| (b, place)))
        {
            places[at] = Place::Local(place);
            values[at] = block.values[place];
        }
    }
    Known { terms, places, values, block }
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
            if self.places[i] == Place::Unseen {
                all[i][i] = term.sd * term.sd;
            }
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
}

/// Predicts a run, see [`Model::predict`].
pub(super) fn predict(model: &Model, features: &Features) -> Prediction {
    let known = known(model, features);
    let covariance = known.covariance(model);
    let one = |wanted: usize| move |at: usize| f64::from(u8::from(side(at) == wanted));
    let by_side: [f64; SIDES] = std::array::from_fn(|s| known.variance(&covariance, one(s)));
    let doubt = by_side[0] + by_side[1];
    let sharpness = doubtful_sharpness(doubt, &model.policy);
    let (limited, share) = softmin(known.sum(0), known.sum(1), sharpness);
    let slopes = [share, 1.0 - share, 1.0];
    let linear = known.variance(&covariance, |at| slopes[side(at)]);
    let apart: f64 = slopes.iter().zip(&by_side).map(|(slope, variance)| slope * slope * variance).sum();
    let own = |at: usize| f64::from(u8::from(at == BENCH || at == UNIT));
    let variance = linear + doubt_share(doubt, &model.policy) * (apart - linear).max(0.0);
    Prediction {
        ln_fps: limited + known.sum(2),
        variance,
        common: (share * share * by_side[0]).min(variance),
        share,
        sigma: model.scale,
        bench: known.values[BENCH] + known.values[UNIT],
        bench_variance: known.variance(&covariance, own),
    }
}

const _: () = assert!(FIRST_PLATFORM < FIRST_OUTSIDE && FIRST_OUTSIDE <= BENCH && BENCH < UNIT);
