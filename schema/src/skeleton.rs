//! One pass over the bytes: the structure becomes a small tree, the frame times become vectors.
//!
//! Validating sixty thousand numbers one by one against a compiled schema costs more than reading
//! them. So the arrays are diverted here and leave one element behind, on which the schema sees that
//! an array stands there; `frames` checks the rest by the same bounds. What a tree cannot show
//! (a field given twice, depth) is found here too.

use std::borrow::Cow;
use std::collections::HashMap;
use std::fmt::{self, Write as _};

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};
use wearmark_core::finding::{Finding, Severity};

use crate::frames::{self, FrameTimes, Slot};
use crate::wording::cut;
use crate::{Rejection, malformed};

/// What a document may hold at most, and whether frame times are diverted.
pub(crate) struct Limits {
    /// Nested objects and lists. The deepest field of a run lies five deep; the rest is room for
    /// extensions. serde_json itself gives up at 128.
    depth: usize,
    /// Values besides frame times. Fifty passes with every field set are about 1,500.
    values: usize,
    /// Characters of a field name; the longest name that a schema knows or permits has 64.
    key_chars: usize,
    /// Whether `/passes/N/frame_times_ms` is diverted.
    frame_times: bool,
}

impl Limits {
    /// For a run.
    pub(crate) const RUN: Limits = Limits { depth: 32, values: 20_000, key_chars: 200, frame_times: true };
    /// For a price report: nine fields of text and numbers.
    pub(crate) const PRICE: Limits = Limits { depth: 32, values: 100, key_chars: 200, frame_times: false };
    /// For a catalogue, which an operator imports: ten thousand entries of a kind with long lists.
    pub(crate) const CATALOGUE: Limits =
        Limits { depth: 32, values: 5_000_000, key_chars: 200, frame_times: false };
}

/// A document without its frame times.
pub(crate) struct Skeleton {
    /// The tree; a diverted array has at most one element left, 1.
    pub(crate) value: Value,
    /// The diverted arrays, in document order.
    pub(crate) frames: Vec<FrameTimes>,
    /// What was found on the way.
    pub(crate) findings: Vec<Finding>,
    /// The tree is incomplete because the document holds too many values; checking it would complain
    /// of what was cut.
    pub(crate) cut_short: bool,
}

/// Reads a document.
pub(crate) fn read(text: &str, limits: &Limits) -> Result<Skeleton, Rejection> {
    let mut walker = Walker::new(limits);
    let value = walk(text, &mut walker)?;
    if walker.values > limits.values {
        walker.findings.push(too_many_values(limits));
    }
    Ok(Skeleton {
        value,
        cut_short: walker.values > limits.values,
        frames: walker.frames,
        findings: walker.findings,
    })
}

/// The place of every value in the order of the text, by pointer; for sorting findings.
pub(crate) fn places(text: &str, limits: &Limits) -> HashMap<String, usize> {
    let mut walker = Walker::new(limits);
    walker.places = Some(HashMap::new());
    // The text was read before without a fault of syntax; were there one, the order would end there.
    let _ = walk(text, &mut walker);
    walker.places.unwrap_or_default()
}

fn walk(text: &str, walker: &mut Walker<'_>) -> Result<Value, Rejection> {
    let mut deserializer = serde_json::Deserializer::from_str(text);
    Node(walker)
        .deserialize(&mut deserializer)
        .and_then(|value| deserializer.end().map(|()| value))
        .map_err(|error| malformed::syntax(text, &error))
}

fn too_many_values(limits: &Limits) -> Finding {
    let message = format!("the document holds more than {} values besides frame times", limits.values);
    Finding::new("schema-size", Severity::Reject, "", message)
        .evidence("limit", limits.values)
        .advice("Leave out bulky extension fields; frame times belong in `passes/N/frame_times_ms`.")
}

struct Walker<'a> {
    limits: &'a Limits,
    /// JSON pointer (RFC 6901) of the value being read.
    pointer: String,
    depth: usize,
    values: usize,
    /// Inside an extension field, where numbers are kept exactly as they came.
    extension: bool,
    frames: Vec<FrameTimes>,
    findings: Vec<Finding>,
    places: Option<HashMap<String, usize>>,
}

impl<'a> Walker<'a> {
    fn new(limits: &'a Limits) -> Walker<'a> {
        Walker {
            limits,
            pointer: String::new(),
            depth: 0,
            values: 0,
            extension: false,
            frames: Vec::new(),
            findings: Vec::new(),
            places: None,
        }
    }

    fn full(&self) -> bool {
        self.values > self.limits.values
    }

    fn arrive(&mut self) {
        self.values += 1;
        if let Some(places) = &mut self.places {
            let place = places.len();
            places.entry(self.pointer.clone()).or_insert(place);
        }
    }

    /// Whether there is room one level down; a finding when not.
    fn descend(&mut self) -> bool {
        if self.depth >= self.limits.depth {
            let message = format!("values are nested more than {} deep", self.limits.depth);
            self.findings.push(
                Finding::new("schema-depth", Severity::Reject, self.pointer.clone(), message)
                    .evidence("limit", self.limits.depth)
                    .advice("Flatten the value, or write it as text in an extension field."),
            );
            return false;
        }
        self.depth += 1;
        true
    }

    /// The pass whose frame times the current pointer names.
    fn pass_of_frame_times(&self) -> Option<usize> {
        if !self.limits.frame_times || self.depth != 3 {
            return None;
        }
        let pass = self.pointer.strip_prefix("/passes/")?.strip_suffix("/frame_times_ms")?;
        pass.parse().ok()
    }

    fn duplicate(&mut self) {
        let name = self.pointer.rsplit('/').next().unwrap_or_default().to_owned();
        self.findings.push(
            Finding::new(
                "schema-duplicate-key",
                Severity::Reject,
                self.pointer.clone(),
                format!("the field `{name}` appears more than once in the same object"),
            )
            .advice("Keep one of them."),
        );
    }

    fn long_key(&mut self, key: &str) {
        let chars = key.chars().count();
        self.findings.push(
            Finding::new(
                "schema-length",
                Severity::Reject,
                self.pointer.clone(),
                format!("a field name has {chars} characters, starting \"{}\"", cut(key, 40)),
            )
            .evidence("limit", 64)
            .advice("Field names have at most 64 characters."),
        );
    }
}

/// Appends one reference token to a pointer (RFC 6901, section 3: `~` is `~0`, `/` is `~1`).
fn push_token(pointer: &mut String, token: &str) {
    pointer.push('/');
    if token.contains(['~', '/']) {
        pointer.push_str(&token.replace('~', "~0").replace('/', "~1"));
    } else {
        pointer.push_str(token);
    }
}

struct Node<'w, 'a>(&'w mut Walker<'a>);

impl<'de> DeserializeSeed<'de> for Node<'_, '_> {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        self.0.arrive();
        match self.0.pass_of_frame_times() {
            Some(pass) => deserializer.deserialize_any(Frames { walker: self.0, pass }),
            None => deserializer.deserialize_any(self),
        }
    }
}

impl<'de> Visitor<'de> for Node<'_, '_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, v: bool) -> Result<Value, E> {
        Ok(Value::Bool(v))
    }

    fn visit_u64<E>(self, v: u64) -> Result<Value, E> {
        Ok(v.into())
    }

    fn visit_i64<E>(self, v: i64) -> Result<Value, E> {
        Ok(v.into())
    }

    /// `1920.0` is an integer to JSON Schema (draft 2020-12, validation, section 6.1.1: any number
    /// with a zero fractional part) but not to serde, so it is written as one.
    fn visit_f64<E>(self, v: f64) -> Result<Value, E> {
        const EXACT: f64 = 9_007_199_254_740_992.0; // 2^53: every integer below is a double
        let whole = v.fract() == 0.0 && v.abs() < EXACT && !(v == 0.0 && v.is_sign_negative());
        if whole && !self.0.extension {
            #[expect(clippy::cast_possible_truncation, reason = "a whole number below 2^53")]
            return Ok((v as i64).into());
        }
        Ok(Number::from_f64(v).map_or(Value::Null, Value::Number))
    }

    fn visit_str<E>(self, v: &str) -> Result<Value, E> {
        Ok(Value::String(v.to_owned()))
    }

    fn visit_string<E>(self, v: String) -> Result<Value, E> {
        Ok(Value::String(v))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let walker = self.0;
        let mut list = Vec::new();
        if walker.descend() {
            let length = walker.pointer.len();
            while !walker.full() {
                // Writing to a String cannot fail.
                let _ = write!(walker.pointer, "/{}", list.len());
                let item = seq.next_element_seed(Node(walker));
                walker.pointer.truncate(length);
                match item? {
                    Some(item) => list.push(item),
                    None => break,
                }
            }
            walker.depth -= 1;
        }
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(Value::Array(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        let walker = self.0;
        let mut object = Map::new();
        if walker.descend() {
            let length = walker.pointer.len();
            let extension = walker.extension;
            while !walker.full() {
                let Some(key) = map.next_key::<Cow<'_, str>>()? else { break };
                if key.len() > walker.limits.key_chars && key.chars().count() > walker.limits.key_chars {
                    walker.long_key(&key);
                    map.next_value::<IgnoredAny>()?;
                    continue;
                }
                push_token(&mut walker.pointer, &key);
                if object.contains_key(key.as_ref()) {
                    walker.duplicate();
                    map.next_value::<IgnoredAny>()?;
                } else {
                    walker.extension = extension || key.starts_with("x-");
                    let value = map.next_value_seed(Node(walker))?;
                    object.insert(key.into_owned(), value);
                    walker.extension = extension;
                }
                walker.pointer.truncate(length);
            }
            walker.depth -= 1;
        }
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(Value::Object(object))
    }
}

/// The value of `frame_times_ms`: an array is diverted, anything else is left to the schema.
struct Frames<'w, 'a> {
    walker: &'w mut Walker<'a>,
    pass: usize,
}

impl<'de> Visitor<'de> for Frames<'_, '_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of frame times")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let mut frames = FrameTimes::new(self.pass);
        while frames.length < frames::MAX_FRAMES {
            match seq.next_element::<Slot>()? {
                Some(slot) => frames.push(slot),
                None => break,
            }
        }
        while seq.next_element::<IgnoredAny>()?.is_some() {
            frames.length += 1;
        }
        let left = if frames.length == 0 { Vec::new() } else { vec![Value::from(1)] };
        self.walker.frames.push(frames);
        Ok(Value::Array(left))
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, v: bool) -> Result<Value, E> {
        Ok(Value::Bool(v))
    }

    fn visit_u64<E>(self, v: u64) -> Result<Value, E> {
        Ok(v.into())
    }

    fn visit_i64<E>(self, v: i64) -> Result<Value, E> {
        Ok(v.into())
    }

    fn visit_f64<E: serde::de::Error>(self, v: f64) -> Result<Value, E> {
        Node(self.walker).visit_f64(v)
    }

    fn visit_str<E>(self, v: &str) -> Result<Value, E> {
        Ok(Value::String(v.to_owned()))
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Value, A::Error> {
        Node(self.walker).visit_map(map)
    }
}
