//! Who says how fast a card is, or how heavy a workload.

use std::collections::HashMap;

use super::rows::Row;
use super::total::Total;

/// Mean residual of a contributor's runs within which it agrees with the model, natural log: a first run under a wrong
/// name pulls a little-known card to where everybody's runs, its own too, lie further off than that.
const AGREES_WITHIN: f64 = 0.1;

/// Contributors beyond whom it does not matter who among them is a stray: so many are not wrong together.
const MANY: u32 = 16;

/// Whether a contributor's accepted runs of one card or workload agree with the model.
fn agrees(own: &Total) -> bool {
    own.runs > 0 && own.mean().abs() <= AGREES_WITHIN
}

/// Contributors with accepted runs of one card or workload.
#[derive(Debug, Clone, Default)]
pub(super) struct Knowers {
    by: HashMap<u32, Total>,
    agreeing: u32,
}

/// How many contributors know something.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Known {
    /// Contributors, but for strays.
    pub(super) by: u32,
    /// How many of them must be bad for what is known to be wrong: half of them, which can pull the model along, or all who
    /// agree with it, whichever are more.
    pub(super) must_be_bad: u32,
    /// Contributors who named a card once, among many runs of others.
    pub(super) strays: u32,
}

impl Known {
    /// The one that is more likely wrong.
    pub(super) fn or_less(self, other: Known) -> Known {
        let trust = |known: &Known| (known.must_be_bad, known.strays, known.by);
        if trust(&other) < trust(&self) { other } else { self }
    }
}

impl Knowers {
    pub(super) fn add(&mut self, row: &Row) {
        self.change(row, |own| own.add(row.residual));
    }

    pub(super) fn take(&mut self, row: &Row) {
        self.change(row, |own| own.take(row.residual));
    }

    fn change(&mut self, row: &Row, change: impl FnOnce(&mut Total)) {
        let contributor = row.features.contributor;
        let own = self.by.entry(contributor).or_default();
        let before = agrees(own);
        change(own);
        let now = agrees(own);
        if own.runs == 0 {
            self.by.remove(&contributor);
        }
        self.agreeing = self.agreeing + u32::from(now) - u32::from(before);
    }

    /// All but this one; `is_stray` says of those with a single run whether it is one of many.
    pub(super) fn others(&self, contributor: u32, is_stray: impl Fn(u32) -> bool) -> Known {
        let own = self.by.get(&contributor);
        let all = u32::try_from(self.by.len()).unwrap_or(u32::MAX);
        let by = all - u32::from(own.is_some());
        let agreeing = self.agreeing - u32::from(own.is_some_and(agrees));
        if by > MANY {
            return Known { by, must_be_bad: by.div_ceil(2).max(agreeing), strays: 0 };
        }
        let stray =
            |(who, total): &(&u32, &Total)| total.runs == 1 && **who != contributor && is_stray(**who);
        let (mut strays, mut of_these) = (0, 0);
        for (_, total) in self.by.iter().filter(stray) {
            strays += 1;
            of_these += u32::from(agrees(total));
        }
        let (by, agreeing) = (by - strays, agreeing - of_these);
        Known { by, must_be_bad: by.div_ceil(2).max(agreeing), strays }
    }
}
