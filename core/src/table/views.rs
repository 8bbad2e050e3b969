//! What the newest model says of runs: how much of the rate of each is the card's, and what its bench adds.

use std::collections::HashMap;
use std::sync::Arc;

use thiserror::Error;

use crate::ladder::Alone;
use crate::model::Prediction;

/// What the model says of one run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// How much of the rate is the card's, 0 to 1.
    pub card_share: f32,
    /// Standard deviation of ln(share / (1 - share)).
    pub share_logit_sd: f32,
    /// Effect of bench and copy of the card that is part of ln(mean fps).
    pub bench: f32,
    /// The card alone: ln fps, standard deviation of its exponent, sharpness of the soft minimum (see [`Alone`]); none
    /// where the views were stored without it.
    pub alone: Option<[f32; 3]>,
}

impl From<&Prediction> for View {
    fn from(prediction: &Prediction) -> View {
        let Alone { ln_fps, exponent_sd, sharpness } = prediction.alone;
        View {
            card_share: prediction.share as f32,
            share_logit_sd: prediction.share_logit_sd as f32,
            bench: prediction.bench as f32,
            alone: Some([ln_fps, exponent_sd, sharpness].map(|value| value as f32)),
        }
    }
}

/// Before the first run in the bytes of views that say what the card does alone; no id is that long.
const WITH_ALONE: u8 = 255;

/// Views by run id; cheap to clone.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Views(Arc<HashMap<String, View>>);

/// The bytes are none of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("not the stored views of a model")]
pub struct UnreadableViews;

impl Views {
    /// The view of a run; none of one that the model has not seen.
    pub fn get(&self, run: &str) -> Option<&View> {
        self.0.get(run)
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The views as bytes: [`WITH_ALONE`], then in the order of the run ids each id with its length before it in one byte
    /// and six numbers of four bytes, least significant first, those of the card alone not numbers where nothing is said
    /// of it. Ids of 255 bytes or more are left out; there are none.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut all: Vec<(&String, &View)> = self.0.iter().collect();
        all.sort_unstable_by_key(|(run, _)| *run);
        let mut bytes = Vec::with_capacity(1 + all.len() * 60);
        bytes.push(WITH_ALONE);
        for (run, view) in all {
            let Some(length) = u8::try_from(run.len()).ok().filter(|length| *length < WITH_ALONE) else {
                continue;
            };
            bytes.push(length);
            bytes.extend(run.as_bytes());
            let alone = view.alone.unwrap_or([f32::NAN; 3]);
            for value in [view.card_share, view.share_logit_sd, view.bench].iter().chain(&alone) {
                bytes.extend(value.to_le_bytes());
            }
        }
        bytes
    }

    /// Reads what [`Views::to_bytes`] wrote, or its earlier form: the same without the first byte and without the card
    /// alone.
    ///
    /// # Errors
    /// When the bytes are cut short or are something else.
    pub fn from_bytes(bytes: &[u8]) -> Result<Views, UnreadableViews> {
        let with_alone = bytes.first() == Some(&WITH_ALONE);
        let mut bytes = &bytes[usize::from(with_alone)..];
        let mut views = HashMap::new();
        while let Some((length, rest)) = bytes.split_first() {
            let (run, rest) = rest.split_at_checked(usize::from(*length)).ok_or(UnreadableViews)?;
            let run = std::str::from_utf8(run).map_err(|_| UnreadableViews)?;
            let ([card_share, share_logit_sd, bench], rest) = three(rest)?;
            let (alone, rest) = if with_alone { three(rest)? } else { ([f32::NAN; 3], rest) };
            let alone = alone.iter().all(|value| value.is_finite()).then_some(alone);
            views.insert(run.to_owned(), View { card_share, share_logit_sd, bench, alone });
            bytes = rest;
        }
        Ok(Views(Arc::new(views)))
    }
}

/// Three numbers, and what comes after them.
fn three(bytes: &[u8]) -> Result<([f32; 3], &[u8]), UnreadableViews> {
    let (numbers, rest) = bytes.split_first_chunk::<12>().ok_or(UnreadableViews)?;
    let (numbers, _) = numbers.as_chunks::<4>();
    Ok(([0, 1, 2].map(|at| f32::from_le_bytes(numbers[at])), rest))
}

impl FromIterator<(String, View)> for Views {
    fn from_iter<T: IntoIterator<Item = (String, View)>>(views: T) -> Views {
        Views(Arc::new(views.into_iter().collect()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_bring_the_views_back() {
        let view = |card_share, alone| View { card_share, share_logit_sd: 0.5, bench: -0.01, alone };
        let views: Views =
            [("r-2".to_owned(), view(0.25, Some([4.5, 0.02, 7.0]))), ("r-1".to_owned(), view(0.75, None))]
                .into_iter()
                .collect();
        let bytes = views.to_bytes();
        assert_eq!(Views::from_bytes(&bytes), Ok(views.clone()));
        assert_eq!(views.get("r-1").map(|v| v.card_share), Some(0.75));
        assert_eq!(Views::from_bytes(&bytes[..bytes.len() - 1]), Err(UnreadableViews));
        assert!(Views::from_bytes(&[]).is_ok_and(|none| none.is_empty()));
    }

    #[test]
    fn views_stored_before_the_card_alone_was_known_are_read() {
        let mut bytes = vec![3];
        bytes.extend(b"r-1");
        for value in [0.25_f32, 0.5, -0.01] {
            bytes.extend(value.to_le_bytes());
        }
        let view = View { card_share: 0.25, share_logit_sd: 0.5, bench: -0.01, alone: None };
        assert_eq!(Views::from_bytes(&bytes), Ok([("r-1".to_owned(), view)].into_iter().collect()));
        assert_eq!(Views::from_bytes(&bytes[..15]), Err(UnreadableViews));
    }
}
