//! Words as numbers: the vocabulary that ledger and model share.

use std::collections::HashMap;

use crate::identity::{Identity, Traits};
use crate::model::{Features, UNKNOWN};

/// Divides the parts of a word that is made of several.
const DIVIDER: char = '\u{1f}';

/// Whose run it is and what the model may know of it.
#[derive(Debug, Clone, Copy)]
pub struct Subject<'a> {
    /// Contributor id.
    pub contributor: &'a str,
    /// Canonical names.
    pub identity: &'a Identity,
    /// What the model needs besides.
    pub traits: &'a Traits,
    /// Days from 1970-01-01 to the measurement.
    pub measured_day: i32,
}

/// Every word met so far; its number is its place in the order of arrival.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Words {
    words: Vec<Box<str>>,
    numbers: HashMap<Box<str>, u32>,
}

impl Words {
    pub(super) fn from_list(list: Vec<Box<str>>) -> Words {
        let numbers = (0_u32..).zip(&list).map(|(at, word)| (word.clone(), at)).collect();
        Words { words: list, numbers }
    }

    pub(super) fn list(&self) -> &[Box<str>] {
        &self.words
    }

    pub(super) fn word(&self, number: u32) -> &str {
        self.words.get(number as usize).map_or("", |word| word)
    }

    fn find(&self, word: &str) -> u32 {
        self.numbers.get(word).copied().unwrap_or(UNKNOWN)
    }

    fn learn(&mut self, word: &str) -> u32 {
        if let Some(known) = self.numbers.get(word) {
            return *known;
        }
        // Four billion words are more than any storage holds.
        let number = u32::try_from(self.words.len()).unwrap_or(UNKNOWN);
        self.words.push(word.into());
        self.numbers.insert(word.into(), number);
        number
    }

    /// Numbers of another vocabulary as numbers of this one.
    pub(super) fn translate(&mut self, features: &mut Features, cell: &mut u32, from: &Words) {
        let Features {
            card, family, workload, stage, preset, cpu, contributor, bench, release, build, ..
        } = features;
        for number in [card, family, workload, stage, preset, cpu, contributor, bench, release, build, cell] {
            if *number != UNKNOWN {
                *number = self.learn(from.word(*number));
            }
        }
    }

    /// The features of a run and its cell; what was never met is unknown.
    pub(super) fn look_up(&self, subject: &Subject<'_>) -> (Features, u32) {
        features(subject, |word| self.find(word))
    }

    /// The same, and every word is known from now on.
    pub(super) fn take_in(&mut self, subject: &Subject<'_>) -> (Features, u32) {
        features(subject, |word| self.learn(word))
    }

    /// A cell and a contributor; what was never met is unknown.
    pub(super) fn cell_and_contributor(&self, identity: &Identity, contributor: &str) -> (u32, u32) {
        (self.find(&joined("cell", &[&identity.configuration()])), self.contributor(contributor))
    }

    /// A contributor; unknown when never met.
    pub(super) fn contributor(&self, contributor: &str) -> u32 {
        self.find(&joined("contributor", &[contributor]))
    }
}

/// The parts of a word behind its kind.
pub(super) fn parts(word: &str) -> Vec<&str> {
    word.split(DIVIDER).skip(1).collect()
}

fn joined(kind: &str, parts: &[&str]) -> String {
    let mut word = kind.to_owned();
    for part in parts {
        word.push(DIVIDER);
        word.push_str(part);
    }
    word
}

fn features(subject: &Subject<'_>, mut number: impl FnMut(&str) -> u32) -> (Features, u32) {
    let Subject { contributor, identity, traits, .. } = subject;
    let Identity { workload, scene, api, variant, preset, .. } = identity;
    let mut of = |kind: &str, parts: &[&str]| number(&joined(kind, parts));
    let pixels = f64::from(identity.width) * f64::from(identity.height) * identity.render_scale.powi(2);
    let features = Features {
        card: of("card", &[&identity.card]),
        family: traits.family.as_ref().map_or(UNKNOWN, |family| of("family", &[family])),
        memory_mib: traits.memory_mib,
        workload: of("workload", &[workload]),
        stage: of("stage", &[workload, scene, api, variant]),
        preset: of("preset", &[workload, preset]),
        preset_rank: f64::from(traits.preset_rank),
        ln_pixels: (pixels / (2560.0 * 1440.0)).ln(),
        cpu: of("cpu", &[&traits.cpu]),
        single_channel: traits.single_channel,
        contributor: of("contributor", &[contributor]),
        bench: of("bench", &[&identity.bench]),
        release: of("release", &[&identity.driver]),
        release_day: identity.driver_day,
        build: identity.build.as_ref().map_or(UNKNOWN, |build| of("build", &[workload, build])),
    };
    (features, of("cell", &[&identity.configuration()]))
}
