//! A model as bytes: little-endian, lists preceded by their length, floats by their bits.

use std::collections::HashMap;

use super::chain::chains;
use super::low::{Level, LowModel};
use super::normal::through;
use super::terms::{Key, TERMS};
use super::{Block, Model, UnreadableModel};

/// First bytes of a stored model; the last of them is the version of the form.
const MARK: &[u8; 8] = b"WMMODEL\x02";

type Readable<T> = Result<T, UnreadableModel>;

/// Writes a model.
pub(super) fn write(model: &Model) -> Vec<u8> {
    let mut out = Vec::with_capacity(1024 + 8 * model.covariance.len());
    out.extend_from_slice(MARK);
    // The policy has no map with other keys than strings and no other number than finite ones.
    let policy = serde_json::to_vec(&model.policy).unwrap_or_default();
    integer(&mut out, policy.len());
    out.extend_from_slice(&policy);
    integer(&mut out, model.observations);
    integer(&mut out, model.steps);
    floats(&mut out, &[model.scale, model.low.scale]);
    keys(&mut out, &model.keys);
    floats(&mut out, &model.values);
    floats(&mut out, &model.covariance);
    integer(&mut out, model.days.len());
    for (release, day) in &model.days {
        out.extend_from_slice(&release.to_le_bytes());
        out.extend_from_slice(&day.to_le_bytes());
    }
    integer(&mut out, model.blocks.len());
    for block in &model.blocks {
        integer(&mut out, block.contributor as usize);
        keys(&mut out, &block.keys);
        floats(&mut out, &block.values);
        floats(&mut out, &block.own);
        integer(&mut out, block.touched.len());
        block.touched.iter().for_each(|at| out.extend_from_slice(&at.to_le_bytes()));
        floats(&mut out, &block.carry);
    }
    // In the order of the keys, so that equal models are equal bytes.
    let mut levels: Vec<_> = model.low.levels.iter().collect();
    levels.sort_unstable_by_key(|(key, _)| **key);
    integer(&mut out, levels.len());
    for ((effect, ids), level) in levels {
        out.push(*effect);
        ids.iter().for_each(|id| out.extend_from_slice(&id.to_le_bytes()));
        for figure in [level.value, level.variance] {
            out.extend_from_slice(&figure.to_le_bytes());
        }
    }
    out
}

fn integer(out: &mut Vec<u8>, value: usize) {
    out.extend_from_slice(&(value as u64).to_le_bytes());
}

fn floats(out: &mut Vec<u8>, values: &[f64]) {
    integer(out, values.len());
    values.iter().for_each(|value| out.extend_from_slice(&value.to_le_bytes()));
}

fn keys(out: &mut Vec<u8>, keys: &[Key]) {
    integer(out, keys.len());
    for key in keys {
        out.push(key.term);
        key.ids.iter().for_each(|id| out.extend_from_slice(&id.to_le_bytes()));
    }
}

/// What is left to read.
struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn take(&mut self, count: usize) -> Readable<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(count).ok_or(UnreadableModel("it is cut short"))?;
        self.0 = rest;
        Ok(taken)
    }

    fn array<const N: usize>(&mut self) -> Readable<[u8; N]> {
        self.take(N)?.try_into().map_err(|_| UnreadableModel("it is cut short"))
    }

    /// A number of things of `size` bytes each, no more than there are bytes for.
    fn length(&mut self, size: usize) -> Readable<usize> {
        let count = u64::from_le_bytes(self.array()?);
        match usize::try_from(count) {
            Ok(count) if count <= self.0.len() / size.max(1) => Ok(count),
            _ => Err(UnreadableModel("a length is beyond its end")),
        }
    }

    fn count(&mut self) -> Readable<usize> {
        usize::try_from(u64::from_le_bytes(self.array()?))
            .map_err(|_| UnreadableModel("a count is too large"))
    }

    fn small(&mut self) -> Readable<u32> {
        Ok(u32::from_le_bytes(self.array()?))
    }

    fn float(&mut self) -> Readable<f64> {
        Ok(f64::from_le_bytes(self.array()?))
    }

    /// As many floats as there should be.
    fn floats(&mut self, wanted: usize) -> Readable<Vec<f64>> {
        if self.length(8)? != wanted {
            return Err(UnreadableModel("lists differ in length"));
        }
        (0..wanted).map(|_| self.float()).collect()
    }

    fn keys(&mut self) -> Readable<Vec<Key>> {
        let count = self.length(25)?;
        (0..count)
            .map(|_| {
                let term = self.take(1)?[0];
                if usize::from(term) >= TERMS {
                    return Err(UnreadableModel("an effect has no such number"));
                }
                let mut ids = [0; 3];
                for id in &mut ids {
                    *id = u64::from_le_bytes(self.array()?);
                }
                Ok(Key { term, ids })
            })
            .collect()
    }
}

/// Reads a model.
pub(super) fn read(bytes: &[u8]) -> Readable<Model> {
    let mut from = Reader(bytes);
    if from.take(MARK.len())? != MARK {
        return Err(UnreadableModel("it is of another form"));
    }
    let length = from.length(1)?;
    let policy = serde_json::from_slice(from.take(length)?)
        .map_err(|_| UnreadableModel("its constants are not those of this version"))?;
    let mut model = Model::prior(&policy);
    model.observations = from.count()?;
    model.steps = from.count()?;
    let scales = from.floats(2)?;
    model.scale = scales[0];
    model.keys = from.keys()?;
    let n = model.keys.len();
    model.values = from.floats(n)?;
    model.covariance = from.floats(n * (n + 1) / 2)?;
    for _ in 0..from.length(8)? {
        let release = from.small()?;
        model.days.insert(release, i32::from_le_bytes(from.array()?));
    }
    model.chains = chains(&model.keys, &model.days);
    let blocks = from.length(1)?;
    for _ in 0..blocks {
        model.blocks.push(block(&mut from, n, &model.covariance)?);
    }
    let levels = from.length(25)?;
    let mut low = HashMap::with_capacity(levels);
    for _ in 0..levels {
        let key = (from.take(1)?[0], [from.small()?, from.small()?]);
        low.insert(key, Level { value: from.float()?, variance: from.float()? });
    }
    if !from.0.is_empty() {
        return Err(UnreadableModel("something follows its end"));
    }
    model.low = LowModel { policy: policy.low.clone(), scale: scales[1], levels: low };
    model.index = model.keys.iter().enumerate().map(|(at, key)| (*key, at as u32)).collect();
    model.block_of = model.blocks.iter().enumerate().map(|(at, b)| (b.contributor, at as u32)).collect();
    Ok(model)
}

fn block(from: &mut Reader<'_>, shared: usize, covariance: &[f64]) -> Readable<Block> {
    let contributor =
        u32::try_from(from.count()?).map_err(|_| UnreadableModel("a contributor has no such number"))?;
    let keys = from.keys()?;
    let m = keys.len();
    let values = from.floats(m)?;
    let own = from.floats(m * m)?;
    let count = from.length(4)?;
    let touched = (0..count).map(|_| from.small()).collect::<Readable<Vec<u32>>>()?;
    if touched.iter().any(|at| *at as usize >= shared) {
        return Err(UnreadableModel("a parameter has no such number"));
    }
    if !touched.is_sorted_by(|a, b| a < b) {
        return Err(UnreadableModel("the parameters of a contributor are not in their order"));
    }
    let carry = from.floats(m * count)?;
    let through = through(covariance, &touched, &carry);
    Ok(Block { contributor, keys, values, own, touched, carry, through })
}
