//! How often a ladder of two resolutions tells what limits the larger one, on simulated ladders whose truth is known. The
//! cases are those of the project's simulation study: exponents known well, known by their prior only, and a corner of
//! card and platform that is softer than assumed.

use super::*;
use crate::draw::Random;
use crate::policy::ladder::{CARD_SHARE, PLATFORM_SHARE};

const LADDERS: usize = 6000;

/// Relative standard deviation of the mean of three passes of a scripted scene (same study).
const THREE_PASSES_SD: f64 = 0.006;

/// Of all ladders, in per cent: told right, called clear, of these right, taken for the opposite.
#[derive(Debug)]
struct Told {
    right: f64,
    clear: f64,
    clear_right: f64,
    opposite: usize,
}

/// Ladders of neighbouring resolutions. The card is up to twice as fast as the platform at the larger one, or half as
/// fast, evenly in logs; its exponent is 0.75 give or take 0.10 and known to `known`, by the prior only where none.
fn told(known: Option<f64>, sharpness: f64, assumed: f64) -> Told {
    let mut random = Random(0x9E37_79B9_7F4A_7C15);
    let sizes = [(1280, 720), (1600, 900), (1920, 1080), (2560, 1440)];
    let (mut right, mut clear, mut clear_right, mut opposite) = (0, 0, 0, 0);
    for ladder in 0..LADDERS {
        let at = ladder % 3;
        let exponent = CARD_EXPONENT + CARD_EXPONENT_SD * random.normal();
        let ahead = (2.0 * random.unit() - 1.0) * std::f64::consts::LN_2;
        let believed = known.map(|sd| (exponent + sd * random.normal(), sd));
        let logs = |size: (u32, u32)| {
            (pixels(size.0, size.1) as f64 / pixels(sizes[at + 1].0, sizes[at + 1].1) as f64).ln()
        };
        let mut rung = |size: (u32, u32)| {
            // The platform's rate is 1.
            let card = ahead - exponent * logs(size);
            let ln_fps =
                -((-sharpness * card).exp() + 1.0).ln() / sharpness + THREE_PASSES_SD * random.normal();
            let alone = believed.map(|(exponent, exponent_sd)| Alone {
                ln_fps: -exponent * logs(size),
                exponent_sd,
                sharpness: assumed,
            });
            Rung { width: size.0, height: size.1, mean_fps: ln_fps.exp(), alone }
        };
        let rungs = [rung(sizes[at]), rung(sizes[at + 1])];
        let truth = match 1.0 / (1.0 + (sharpness * ahead).exp()) {
            share if share >= CARD_SHARE => LimitedBy::Card,
            share if share <= PLATFORM_SHARE => LimitedBy::Platform,
            _ => LimitedBy::Mixed,
        };
        let Some(share) = share_at(&rungs, sizes[at + 1].0, sizes[at + 1].1, 1.0) else { continue };
        let found = share.class(0.0);
        right += usize::from(found == Some(truth));
        opposite +=
            usize::from(found != Some(truth) && found != Some(LimitedBy::Mixed) && truth != LimitedBy::Mixed);
        if let Some(found) = share.class(1.0) {
            clear += 1;
            clear_right += usize::from(found == truth);
        }
    }
    let of = |part: usize, whole: usize| 100.0 * part as f64 / whole as f64;
    Told {
        right: of(right, LADDERS),
        clear: of(clear, LADDERS),
        clear_right: of(clear_right, clear),
        opposite,
    }
}

#[test]
fn ladders_tell_what_limits_about_as_often_as_they_can() {
    let known_well = told(Some(0.03), 8.0, 8.0);
    assert!(
        known_well.right > 96.0 && known_well.clear > 75.0 && known_well.clear_right > 99.5,
        "{known_well:?}"
    );
    let by_prior = told(None, 8.0, CEILING_SHARPNESS);
    assert!(by_prior.right > 94.0 && by_prior.clear > 70.0 && by_prior.clear_right > 99.5, "{by_prior:?}");
    assert!(known_well.right > by_prior.right + 0.5, "{known_well:?} {by_prior:?}");
    // What is believed of the corner is further off than the model's own doubt about it.
    let softer = told(Some(0.03), 5.0, 8.0);
    assert!(softer.right > 85.0 && softer.clear_right > 94.0, "{softer:?}");
    assert_eq!([known_well.opposite, by_prior.opposite, softer.opposite], [0; 3]);
}
