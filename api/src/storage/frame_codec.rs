//! Frame times as bytes, without loss: the floats that come out are bit for bit those that went in.
//!
//! Most captures are decimal numbers with a few digits. A pass in which every value is some integer divided
//! by the same power of ten is kept as those integers: zig-zag coded differences from frame to frame, the
//! bytes of each place side by side, all of it compressed by zstd. Any other pass keeps its floats, byte
//! places side by side.
//!
//! ```text
//! "WMFT" version:u8 passes:u16le { coding:u8 frames:u32le } x passes, one zstd frame of all passes
//! coding 0..=6: that many decimals, differences of 4 bytes; 16..=22: the same with 8 bytes; 255: floats
//! ```

use super::error::StorageError;

const MAGIC: &[u8; 4] = b"WMFT";
const VERSION: u8 = 1;
const RAW: u8 = 255;
const WIDE: u8 = 16;
const MAX_DECIMALS: u8 = 6;

/// Level 3: on synthetic captures level 9 saved 2 % more and 19 saved 8 % at a fiftieth of the speed.
const LEVEL: i32 = 3;

/// More than a body may hold, and a bound on what a damaged header can make the decoder allocate.
const MAX_BYTES: usize = 1 << 29;

/// Powers of ten that are exact as floats.
const POWERS: [f64; 7] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6];

/// Integers up to here are exact as floats; 2^53.
const EXACT: f64 = 9_007_199_254_740_992.0;

/// The bytes of these passes.
pub(crate) fn encode(passes: &[&[f64]]) -> Result<Vec<u8>, StorageError> {
    let too_many = || StorageError::Damaged { what: "more passes or frames than a blob holds".to_owned() };
    let mut head = Vec::with_capacity(7 + 5 * passes.len());
    head.extend_from_slice(MAGIC);
    head.push(VERSION);
    head.extend_from_slice(&u16::try_from(passes.len()).map_err(|_| too_many())?.to_le_bytes());
    let mut body = Vec::new();
    for pass in passes {
        let coding = encode_pass(pass, &mut body);
        head.push(coding);
        head.extend_from_slice(&u32::try_from(pass.len()).map_err(|_| too_many())?.to_le_bytes());
    }
    if body.len() > MAX_BYTES {
        return Err(too_many());
    }
    let packed = zstd::bulk::compress(&body, LEVEL).map_err(StorageError::file("compressing frame times"))?;
    head.extend_from_slice(&packed);
    Ok(head)
}

/// The passes in these bytes. Garbage is an error, never a panic, and never more memory than the stored
/// counts call for.
pub(crate) fn decode(bytes: &[u8]) -> Result<Vec<Vec<f64>>, StorageError> {
    let damaged = |what: &str| StorageError::Damaged { what: format!("frame times: {what}") };
    let (magic, rest) = bytes.split_first_chunk::<4>().ok_or_else(|| damaged("cut off"))?;
    let (version, rest) = rest.split_first().ok_or_else(|| damaged("cut off"))?;
    if magic != MAGIC || *version != VERSION {
        return Err(damaged("not of a known form"));
    }
    let (count, mut rest) = rest.split_first_chunk::<2>().ok_or_else(|| damaged("cut off"))?;
    let mut layout = Vec::new();
    let mut total = 0_usize;
    for _ in 0..u16::from_le_bytes(*count) {
        let (entry, tail) = rest.split_first_chunk::<5>().ok_or_else(|| damaged("cut off"))?;
        rest = tail;
        let [coding, frames @ ..] = *entry;
        let coding = Coding::of(coding).ok_or_else(|| damaged("an unknown coding"))?;
        let frames = usize::try_from(u32::from_le_bytes(frames)).map_err(|_| damaged("too long"))?;
        total = frames
            .checked_mul(coding.width())
            .and_then(|bytes| total.checked_add(bytes))
            .filter(|&total| total <= MAX_BYTES)
            .ok_or_else(|| damaged("too long"))?;
        layout.push((coding, frames));
    }
    let stated = zstd::zstd_safe::get_frame_content_size(rest).ok().flatten();
    if stated != u64::try_from(total).ok() {
        return Err(damaged("the counts do not match the content"));
    }
    let body = zstd::bulk::decompress(rest, total).map_err(|e| damaged(&e.to_string()))?;
    if body.len() != total {
        return Err(damaged("the counts do not match the content"));
    }
    let mut body = body.as_slice();
    let mut passes = Vec::with_capacity(layout.len());
    for (coding, frames) in layout {
        let (bytes, tail) = body.split_at(frames * coding.width());
        body = tail;
        passes.push(coding.decode(bytes, frames));
    }
    Ok(passes)
}

/// Appends one pass and answers with its coding.
fn encode_pass(pass: &[f64], body: &mut Vec<u8>) -> u8 {
    let Some((decimals, integers)) = decimal(pass) else {
        shuffle(pass.iter().map(|v| v.to_bits().to_le_bytes()), pass.len(), body);
        return RAW;
    };
    let mut last = 0_i64;
    let differences: Vec<u64> = integers
        .iter()
        .map(|&value| {
            let difference = value - last;
            last = value;
            zig_zag(difference)
        })
        .collect();
    let narrow: Option<Vec<u32>> = differences.iter().map(|&d| u32::try_from(d).ok()).collect();
    match narrow {
        Some(narrow) => {
            shuffle(narrow.iter().map(|d| d.to_le_bytes()), narrow.len(), body);
            decimals
        }
        None => {
            shuffle(differences.iter().map(|d| d.to_le_bytes()), differences.len(), body);
            WIDE + decimals
        }
    }
}

/// The fewest decimals with which every value is an integer over a power of ten, and those integers.
fn decimal(pass: &[f64]) -> Option<(u8, Vec<i64>)> {
    // What is exact with d decimals is so with d + 1 while the integers stay exact, so one walk finds the
    // number that all need; the second walk proves it.
    let mut decimals = 0_u8;
    for &value in pass {
        while scaled(value, decimals).is_none() {
            decimals += 1;
            if decimals > MAX_DECIMALS {
                return None;
            }
        }
    }
    let integers = pass.iter().map(|&value| scaled(value, decimals)).collect::<Option<Vec<i64>>>()?;
    Some((decimals, integers))
}

/// The integer that gives back exactly this value when divided by the power of ten.
#[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "bounded by EXACT")]
fn scaled(value: f64, decimals: u8) -> Option<i64> {
    let power = POWERS[usize::from(decimals)];
    let product = value * power;
    // Adding and subtracting 1.5 x 2^52 rounds to an integer below 2^51 without a call; a wrong guess only
    // fails the comparison.
    const SHIFT: f64 = 6_755_399_441_055_744.0;
    let integer = if product.abs() < EXACT / 4.0 {
        ((product + SHIFT) - SHIFT) as i64
    } else if product.abs() < EXACT {
        product.round() as i64
    } else {
        return None;
    };
    // Bits, not values, are compared: a negative zero has no integer.
    ((integer as f64 / power).to_bits() == value.to_bits()).then_some(integer)
}

/// Small numbers of either sign to small numbers without one.
#[expect(clippy::cast_sign_loss, reason = "the bits are what is wanted")]
fn zig_zag(difference: i64) -> u64 {
    ((difference << 1) ^ (difference >> 63)) as u64
}

#[expect(clippy::cast_possible_wrap, reason = "the bits are what is wanted")]
fn zag_zig(coded: u64) -> i64 {
    (coded >> 1) as i64 ^ -((coded & 1) as i64)
}

/// Puts the first bytes of all items side by side, then the second ones, and so on.
fn shuffle<const WIDTH: usize>(items: impl Iterator<Item = [u8; WIDTH]>, count: usize, body: &mut Vec<u8>) {
    let start = body.len();
    body.resize(start + WIDTH * count, 0);
    let places = &mut body[start..];
    for (at, item) in items.enumerate() {
        for (place, byte) in item.into_iter().enumerate() {
            places[place * count + at] = byte;
        }
    }
}

fn unshuffle<const WIDTH: usize>(bytes: &[u8], count: usize) -> impl Iterator<Item = [u8; WIDTH]> {
    (0..count).map(move |at| std::array::from_fn(|place| bytes[place * count + at]))
}

#[derive(Debug, Clone, Copy)]
enum Coding {
    Narrow(u8),
    Wide(u8),
    Raw,
}

impl Coding {
    fn of(byte: u8) -> Option<Coding> {
        match byte {
            0..=MAX_DECIMALS => Some(Coding::Narrow(byte)),
            WIDE..=22 => Some(Coding::Wide(byte - WIDE)),
            RAW => Some(Coding::Raw),
            _ => None,
        }
    }

    fn width(self) -> usize {
        match self {
            Coding::Narrow(_) => 4,
            Coding::Wide(_) | Coding::Raw => 8,
        }
    }

    fn decode(self, bytes: &[u8], frames: usize) -> Vec<f64> {
        match self {
            Coding::Narrow(decimals) => {
                let coded = unshuffle::<4>(bytes, frames).map(|b| u64::from(u32::from_le_bytes(b)));
                summed(coded, decimals)
            }
            Coding::Wide(decimals) => summed(unshuffle::<8>(bytes, frames).map(u64::from_le_bytes), decimals),
            Coding::Raw => unshuffle::<8>(bytes, frames).map(f64::from_le_bytes).collect(),
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "the encoder keeps integers below 2^53")]
fn summed(differences: impl Iterator<Item = u64>, decimals: u8) -> Vec<f64> {
    let power = POWERS[usize::from(decimals)];
    let mut last = 0_i64;
    differences
        .map(|coded| {
            // Only garbage overflows, and garbage may come out as it likes.
            last = last.wrapping_add(zag_zig(coded));
            last as f64 / power
        })
        .collect()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[track_caller]
    fn survives(passes: &[Vec<f64>]) -> Vec<u8> {
        let slices: Vec<&[f64]> = passes.iter().map(Vec::as_slice).collect();
        let bytes = encode(&slices).unwrap();
        let back = decode(&bytes).unwrap();
        let bits = |passes: &[Vec<f64>]| -> Vec<Vec<u64>> {
            passes.iter().map(|p| p.iter().map(|v| v.to_bits()).collect()).collect()
        };
        assert_eq!(bits(&back), bits(passes));
        bytes
    }

    #[test]
    fn decimals_are_kept_in_the_fewest_digits() {
        let coding = |pass: &[f64]| survives(&[pass.to_vec()])[7];
        assert_eq!(coding(&[16.0, 17.0]), 0);
        assert_eq!(coding(&[16.7, 17.0, 16.25]), 2);
        assert_eq!(coding(&[16.667, 0.001]), 3);
        assert_eq!(coding(&[16.666_667]), 6);
        assert_eq!(coding(&[16.666_666_7]), RAW);
        assert_eq!(coding(&[1.0 / 3.0]), RAW);
        assert_eq!(coding(&[-0.0]), RAW);
        assert_eq!(coding(&[1.0, 4_000_000_000.0]), WIDE);
        assert_eq!(coding(&[]), 0);
    }

    #[test]
    fn odd_floats_survive() {
        let odd =
            vec![f64::NAN, f64::INFINITY, f64::MIN_POSITIVE, f64::MAX, -0.0, 5e-324, EXACT, -EXACT + 1.0];
        survives(&[odd, vec![], vec![16.7]]);
        survives(&[]);
        survives(&[vec![EXACT - 1.0, 1.0 - EXACT, EXACT - 1.0]]);
    }

    #[test]
    fn a_noisy_capture_takes_less_than_two_bytes_a_frame() {
        // A plain linear congruential sequence (constants of Knuth's MMIX) is noise enough.
        let mut state = 1_u64;
        let pass: Vec<f64> = (0..20_000)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (16_000 + (state >> 54)) as f64 / 1000.0
            })
            .collect();
        let bytes = survives(&[pass]);
        assert!(bytes.len() < 40_000, "{} bytes", bytes.len());
    }

    #[test]
    fn a_header_that_promises_too_much_allocates_nothing() {
        let mut bytes = encode(&[&[16.7; 10]]).unwrap();
        bytes[8..12].copy_from_slice(&u32::MAX.to_le_bytes());
        assert!(decode(&bytes).is_err());
        bytes[8..12].copy_from_slice(&11_u32.to_le_bytes());
        assert!(decode(&bytes).is_err());
    }

    proptest! {
        #[test]
        fn any_floats_survive(passes in prop::collection::vec(prop::collection::vec(any::<f64>(), 0..50), 0..5)) {
            survives(&passes);
        }

        #[test]
        fn decimal_captures_survive(
            decimals in 0_usize..=8,
            passes in prop::collection::vec(prop::collection::vec(0_i64..100_000_000, 0..200), 1..4),
        ) {
            let passes: Vec<Vec<f64>> = passes
                .into_iter()
                .map(|p| p.into_iter().map(|v| v as f64 / 10_f64.powi(i32::try_from(decimals).unwrap())).collect())
                .collect();
            let bytes = survives(&passes);
            if decimals <= 6 {
                prop_assert!(usize::from(bytes[7]) <= decimals);
            }
        }

        #[test]
        fn garbage_never_panics(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            let _ = decode(&bytes);
            let mut headed = b"WMFT\x01".to_vec();
            headed.extend(&bytes);
            let _ = decode(&headed);
        }

        #[test]
        fn a_damaged_blob_never_panics(
            pass in prop::collection::vec(0.1_f64..100.0, 1..100),
            flips in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
            cut in any::<prop::sample::Index>(),
        ) {
            let mut bytes = encode(&[&pass]).unwrap();
            for (at, byte) in flips {
                let at = at.index(bytes.len());
                bytes[at] ^= byte;
            }
            let _ = decode(&bytes);
            bytes.truncate(cut.index(bytes.len()));
            let _ = decode(&bytes);
        }
    }
}
