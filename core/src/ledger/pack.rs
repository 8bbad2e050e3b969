//! A model with its vocabulary as bytes.

use thiserror::Error;

use super::Lesson;
use super::words::Words;
use crate::model::Model;

/// A model and the words its numbers stand for.
#[derive(Debug, Clone)]
pub struct Packed {
    pub(super) words: Words,
    pub(super) model: Model,
}

/// The bytes are none of ours.
#[derive(Debug, Error)]
#[error("not a stored model: {0}")]
pub struct PackError(String);

/// Takes a number of four bytes, least significant first, off the front.
fn count(bytes: &mut &[u8]) -> Option<usize> {
    let (head, rest) = bytes.split_first_chunk::<4>()?;
    *bytes = rest;
    usize::try_from(u32::from_le_bytes(*head)).ok()
}

fn length(of: usize) -> [u8; 4] {
    u32::try_from(of).unwrap_or(u32::MAX).to_le_bytes()
}

impl Lesson {
    /// The model that was fitted to it, with its vocabulary: the number of words, each word with its length
    /// before it, then the model. Lengths have four bytes, least significant first.
    pub fn pack(&self, model: &Model) -> Vec<u8> {
        let mut bytes = Vec::new();
        bytes.extend(length(self.words.len()));
        for word in &self.words {
            bytes.extend(length(word.len()));
            bytes.extend(word.as_bytes());
        }
        bytes.extend(model.to_bytes());
        bytes
    }
}

impl Packed {
    /// Reads what [`Lesson::pack`] wrote; predictions are the same bit for bit.
    ///
    /// # Errors
    /// When the bytes are cut short or are something else.
    pub fn from_bytes(mut bytes: &[u8]) -> Result<Packed, PackError> {
        let short = || PackError("cut short".to_owned());
        let words = count(&mut bytes).ok_or_else(short)?;
        let mut list = Vec::new();
        for _ in 0..words {
            let length = count(&mut bytes).ok_or_else(short)?;
            let (word, rest) = bytes.split_at_checked(length).ok_or_else(short)?;
            list.push(std::str::from_utf8(word).map_err(|e| PackError(e.to_string()))?.into());
            bytes = rest;
        }
        let model = Model::from_bytes(bytes).map_err(|e| PackError(e.to_string()))?;
        Ok(Packed { words: Words::from_list(list), model })
    }
}
