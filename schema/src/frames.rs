//! The schema's rules for `frame_times_ms`, applied natively. A test holds them to the document.

use std::fmt;

use serde::de::{Deserialize, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use wearmark_core::finding::{Finding, Severity};

use crate::wording::quote;

/// Most frames of a pass: `maxItems` (draft 2020-12, validation, section 6.4.1) of the document.
/// A million frames are over an hour at 240 fps.
pub(crate) const MAX_FRAMES: usize = 1_000_000;
/// Shortest frame time, ms: `minimum` (section 6.2.4). A nanosecond: nothing shows frames faster, a
/// capture given in seconds passes (its unit is named by the series checks), and no figure made of
/// such times overflows.
pub(crate) const MIN_FRAME_MS: f64 = 0.000_001;
/// Longest frame time, ms: `maximum` (section 6.2.2). Ten minutes; a capture in microseconds stays
/// below it and is explained by the series checks.
pub(crate) const MAX_FRAME_MS: f64 = 600_000.0;
/// Offending elements listed one by one for each pass.
const LISTED: usize = 10;

/// The diverted array of one pass.
pub(crate) struct FrameTimes {
    /// Index of the pass.
    pub(crate) pass: usize,
    /// The numbers, milliseconds; 0 stands where something else stood, and the document is refused.
    pub(crate) times_ms: Vec<f64>,
    /// Elements in the document, which may be more than were kept.
    pub(crate) length: usize,
    /// Elements that are no numbers: the first few, as (index, what stood there).
    not_numbers: Vec<(usize, String)>,
}

impl FrameTimes {
    pub(crate) fn new(pass: usize) -> FrameTimes {
        FrameTimes { pass, times_ms: Vec::new(), length: 0, not_numbers: Vec::new() }
    }

    #[inline]
    pub(crate) fn push(&mut self, slot: Slot) {
        let time = match slot {
            Slot::Number(time) => time,
            Slot::Other(found) => {
                if self.not_numbers.len() < LISTED {
                    self.not_numbers.push((self.length, found.into_string()));
                }
                0.0
            }
        };
        self.times_ms.push(time);
        self.length += 1;
    }
}

/// One element of the array: a number, or in a few words what stood there.
pub(crate) enum Slot {
    /// A number.
    Number(f64),
    /// Anything else. Boxed so that the common case stays small.
    Other(Box<str>),
}

impl<'de> Deserialize<'de> for Slot {
    #[inline]
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Slot, D::Error> {
        deserializer.deserialize_any(SlotVisitor)
    }
}

struct SlotVisitor;

impl<'de> Visitor<'de> for SlotVisitor {
    type Value = Slot;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a frame time")
    }

    #[inline]
    fn visit_f64<E>(self, v: f64) -> Result<Slot, E> {
        Ok(Slot::Number(v))
    }

    #[inline]
    #[expect(clippy::cast_precision_loss, reason = "nearest double is what JSON numbers become")]
    fn visit_u64<E>(self, v: u64) -> Result<Slot, E> {
        Ok(Slot::Number(v as f64))
    }

    #[expect(clippy::cast_precision_loss, reason = "nearest double is what JSON numbers become")]
    fn visit_i64<E>(self, v: i64) -> Result<Slot, E> {
        Ok(Slot::Number(v as f64))
    }

    fn visit_unit<E>(self) -> Result<Slot, E> {
        Ok(Slot::Other("null".into()))
    }

    fn visit_bool<E>(self, v: bool) -> Result<Slot, E> {
        Ok(Slot::Other(v.to_string().into()))
    }

    fn visit_str<E>(self, v: &str) -> Result<Slot, E> {
        Ok(Slot::Other(format!("the text {}", quote(v)).into()))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Slot, A::Error> {
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(Slot::Other("a list".into()))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Slot, A::Error> {
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(Slot::Other("an object".into()))
    }
}

/// Checks every element of every pass: `items` with `type`, `minimum` and `maximum`
/// (draft 2020-12, core, section 10.3.1.2; validation, sections 6.1.1, 6.2.4 and 6.2.2), and `maxItems`.
pub(crate) fn check(passes: &[FrameTimes], findings: &mut Vec<Finding>) {
    for frames in passes {
        check_pass(frames, findings);
    }
}

fn check_pass(frames: &FrameTimes, findings: &mut Vec<Finding>) {
    let pointer = format!("/passes/{}/frame_times_ms", frames.pass);
    if frames.length > MAX_FRAMES {
        findings.push(
            Finding::new(
                "schema-length",
                Severity::Reject,
                pointer.clone(),
                format!("`frame_times_ms` has {} items; at most {MAX_FRAMES} are allowed", frames.length),
            )
            .evidence("found", frames.length)
            .evidence("limit", MAX_FRAMES)
            .advice("Split the capture into several passes."),
        );
    }
    let offends = |time: f64| !(MIN_FRAME_MS..=MAX_FRAME_MS).contains(&time);
    let bad = frames.times_ms.iter().filter(|time| offends(**time)).count();
    if bad == 0 {
        return;
    }
    let places = frames.times_ms.iter().enumerate().filter(|(_, time)| offends(**time));
    for (at, &time) in places.take(LISTED) {
        let place = format!("{pointer}/{at}");
        let other = frames.not_numbers.iter().find(|(index, _)| *index == at);
        findings.push(match other {
            Some((_, found)) => not_a_number(place, at, found),
            None => out_of_range(place, at, time),
        });
    }
    if bad > LISTED {
        let more = bad - LISTED;
        findings.push(
            Finding::new(
                "schema-more",
                Severity::Reject,
                pointer,
                format!("{more} more items of `frame_times_ms` are not possible frame times"),
            )
            .evidence("more", more)
            .evidence("items", frames.length),
        );
    }
}

/// A number in words: tiny ones by their exponent, since hundreds of zeros say nothing.
fn plain(time: f64) -> String {
    if time != 0.0 && time.abs() < 1e-9 { format!("{time:e}") } else { time.to_string() }
}

fn not_a_number(pointer: String, at: usize, found: &str) -> Finding {
    let message = format!("item {at} of `frame_times_ms` is {found}; it must be a number");
    let advice = if found.starts_with("the text") {
        "Write the number without quotes, with a point before the decimals."
    } else {
        "Give the frame time in milliseconds, or leave the frame out and say so in the notes."
    };
    Finding::new("schema-type", Severity::Reject, pointer, message).advice(advice)
}

fn out_of_range(pointer: String, at: usize, time: f64) -> Finding {
    let (rule, advice) = if time > MAX_FRAME_MS {
        ("at most 600000 ms, ten minutes", "Check the unit: frame times are given in milliseconds.")
    } else {
        (
            "at least 0.000001 ms, a nanosecond",
            "A frame takes time: take out a first row that only marks the start, or raise the capture's resolution.",
        )
    };
    Finding::new(
        "schema-range",
        Severity::Reject,
        pointer,
        format!("item {at} of `frame_times_ms` is {}; it must be {rule}", plain(time)),
    )
    .evidence("value", time)
    .advice(advice)
}
