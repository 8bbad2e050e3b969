//! What the newest model says of runs: how much of the rate of each is the card's, and what its bench adds.

use std::collections::HashMap;
use std::sync::Arc;

use thiserror::Error;

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
}

impl From<&Prediction> for View {
    fn from(prediction: &Prediction) -> View {
        View {
            card_share: prediction.share as f32,
            share_logit_sd: prediction.share_logit_sd as f32,
            bench: prediction.bench as f32,
        }
    }
}

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

    /// The views as bytes, in the order of the run ids: each id with its length before it in one byte, then three
    /// numbers of four bytes, least significant first. Ids longer than 255 bytes are left out; there are none.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut all: Vec<(&String, &View)> = self.0.iter().collect();
        all.sort_unstable_by_key(|(run, _)| *run);
        let mut bytes = Vec::with_capacity(all.len() * 48);
        for (run, view) in all {
            let Ok(length) = u8::try_from(run.len()) else { continue };
            bytes.push(length);
            bytes.extend(run.as_bytes());
            bytes.extend(view.card_share.to_le_bytes());
            bytes.extend(view.share_logit_sd.to_le_bytes());
            bytes.extend(view.bench.to_le_bytes());
        }
        bytes
    }

    /// Reads what [`Views::to_bytes`] wrote.
    ///
    /// # Errors
    /// When the bytes are cut short or are something else.
    pub fn from_bytes(mut bytes: &[u8]) -> Result<Views, UnreadableViews> {
        let mut views = HashMap::new();
        while let Some((length, rest)) = bytes.split_first() {
            let (run, rest) = rest.split_at_checked(usize::from(*length)).ok_or(UnreadableViews)?;
            let run = std::str::from_utf8(run).map_err(|_| UnreadableViews)?;
            let (card_share, rest) = rest.split_first_chunk::<4>().ok_or(UnreadableViews)?;
            let (share_logit_sd, rest) = rest.split_first_chunk::<4>().ok_or(UnreadableViews)?;
            let (bench, rest) = rest.split_first_chunk::<4>().ok_or(UnreadableViews)?;
            let view = View {
                card_share: f32::from_le_bytes(*card_share),
                share_logit_sd: f32::from_le_bytes(*share_logit_sd),
                bench: f32::from_le_bytes(*bench),
            };
            views.insert(run.to_owned(), view);
            bytes = rest;
        }
        Ok(Views(Arc::new(views)))
    }
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
        let view = |share| View { card_share: share, share_logit_sd: 0.5, bench: -0.01 };
        let views: Views =
            [("r-2".to_owned(), view(0.25)), ("r-1".to_owned(), view(0.75))].into_iter().collect();
        let bytes = views.to_bytes();
        assert_eq!(Views::from_bytes(&bytes), Ok(views.clone()));
        assert_eq!(views.get("r-1").map(|v| v.card_share), Some(0.75));
        assert_eq!(Views::from_bytes(&bytes[..bytes.len() - 1]), Err(UnreadableViews));
        assert!(Views::from_bytes(&[]).is_ok_and(|none| none.is_empty()));
    }
}
