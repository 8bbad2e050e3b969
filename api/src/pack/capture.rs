//! Frame times out of a CSV file, plain or gzip.

use std::borrow::Cow;
use std::cmp::Ordering;
use std::io::Read;

use csv::{ByteRecord, ReaderBuilder};
use flate2::read::MultiGzDecoder;

use super::PackError;
use super::decimal::{Decimal, NotDecimal};

/// What the numbers of the column are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Unit {
    /// Frame times in milliseconds.
    Ms,
    /// Frame times in microseconds.
    Us,
    /// Frame times in seconds.
    S,
    /// The moment of each frame in seconds; frame times are the differences.
    TimestampsS,
    /// The moment of each frame in milliseconds; frame times are the differences.
    TimestampsMs,
}

impl Unit {
    /// The power of ten that leads to milliseconds, and whether the values are moments.
    fn scale(self) -> (i32, bool) {
        match self {
            Unit::Ms => (0, false),
            Unit::Us => (-3, false),
            Unit::S => (3, false),
            Unit::TimestampsS => (3, true),
            Unit::TimestampsMs => (0, true),
        }
    }
}

/// How a capture file is written.
#[derive(Debug, Clone)]
pub struct Format {
    /// Name of the column, or its number from 1; none takes the only column or `frame_ms`.
    pub column: Option<String>,
    /// What its numbers are.
    pub unit: Unit,
    /// What separates fields.
    pub delimiter: u8,
    /// Whether decimals are written with a comma.
    pub decimal_comma: bool,
    /// Lines before the header (or the first value) that belong to something else.
    pub skip_lines: usize,
}

/// A decompressed capture may not be larger than this: some fifty million frames, far beyond what a run may
/// hold, and what keeps a hostile archive from filling the memory.
const MOST_BYTES: u64 = 512 * 1024 * 1024;

/// Name of the column that is taken without asking.
const DEFAULT_COLUMN: &str = "frame_ms";

/// The frame times of one pass, in milliseconds.
///
/// # Errors
/// Names the file, and for a bad value its line and column.
pub fn read(file: &str, bytes: &[u8], format: &Format) -> Result<Vec<f64>, PackError> {
    let whole = |message: String| PackError::File { file: file.to_owned(), message };
    let bytes = decompressed(bytes).map_err(whole)?;
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(whole("the text is UTF-16; save it as UTF-8".to_owned()));
    }
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let start = after_lines(text, format.skip_lines)
        .ok_or_else(|| whole(format!("has no more than {} lines, all of them skipped", format.skip_lines)))?;
    let capture = Capture { file, text, start, format };
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(format.delimiter)
        .from_reader(&text[start..]);
    let mut record = ByteRecord::new();
    let mut column = None;
    let mut values = Vec::new();
    let (power, moments) = format.unit.scale();
    let mut before: Option<Decimal> = None;
    while reader.read_byte_record(&mut record).map_err(|e| whole(format!("cannot be read as CSV: {e}")))? {
        let column = match column {
            Some(column) => column,
            None => {
                let (chosen, is_header) = choose(&record, format).map_err(whole)?;
                column = Some(chosen);
                if is_header {
                    continue;
                }
                chosen
            }
        };
        let value = capture.value(&record, column)?.shifted(power);
        if !moments {
            if value.sign() != Ordering::Greater {
                return Err(capture.at(&record, column, "a frame time must be more than 0"));
            }
            values.push(value.to_f64());
            continue;
        }
        if let Some(before) = before {
            let step = value
                .minus(before)
                .ok_or_else(|| capture.at(&record, column, "too far from the timestamp before it"))?;
            if step.sign() != Ordering::Greater {
                return Err(capture.at(&record, column, "a timestamp must be later than the one before it"));
            }
            values.push(step.to_f64());
        }
        before = Some(value);
    }
    if values.is_empty() {
        return Err(whole(match (moments, before) {
            (true, Some(_)) => "has one timestamp; it takes two to make a frame time".to_owned(),
            _ => "has no frame times".to_owned(),
        }));
    }
    Ok(values)
}

fn decompressed(bytes: &[u8]) -> Result<Cow<'_, [u8]>, String> {
    // The first two bytes say it (RFC 1952), whatever the file is called.
    if !bytes.starts_with(&[0x1f, 0x8b]) {
        return Ok(Cow::Borrowed(bytes));
    }
    let mut out = Vec::new();
    MultiGzDecoder::new(bytes)
        .take(MOST_BYTES + 1)
        .read_to_end(&mut out)
        .map_err(|error| format!("cannot be unpacked as gzip: {error}"))?;
    if out.len() as u64 > MOST_BYTES {
        return Err(format!("unpacks to more than {} MiB", MOST_BYTES / (1024 * 1024)));
    }
    Ok(Cow::Owned(out))
}

/// Where the text goes on after a number of lines.
fn after_lines(text: &[u8], lines: usize) -> Option<usize> {
    if lines == 0 {
        return Some(0);
    }
    text.iter().enumerate().filter(|(_, b)| **b == b'\n').nth(lines - 1).map(|(at, _)| at + 1)
}

/// Which field holds the values, and whether this first record is a header.
fn choose(first: &ByteRecord, format: &Format) -> Result<(usize, bool), String> {
    let names: Vec<Cow<'_, str>> = first.iter().map(|f| String::from_utf8_lossy(f.trim_ascii())).collect();
    let listed = || {
        let shown: Vec<_> =
            names.iter().take(30).map(|n| format!("`{}`", n.chars().take(60).collect::<String>())).collect();
        shown.join(", ")
    };
    let is_number = |at: usize| Decimal::parse(&first[at], format.mark()).is_ok();
    let Some(wanted) = format.column.as_deref() else {
        return match names.iter().position(|n| n == DEFAULT_COLUMN) {
            Some(at) => Ok((at, true)),
            None if names.len() == 1 => Ok((0, !is_number(0))),
            None => Err(format!(
                "has {} columns and none is called `{DEFAULT_COLUMN}`; name the one with the frame times by --column: {}",
                names.len(),
                listed()
            )),
        };
    };
    let exact = names.iter().position(|n| n == wanted);
    if let Some(at) = exact.or_else(|| names.iter().position(|n| n.eq_ignore_ascii_case(wanted))) {
        return Ok((at, true));
    }
    match wanted.parse::<usize>() {
        Ok(number) if (1..=names.len()).contains(&number) => Ok((number - 1, !is_number(number - 1))),
        _ => Err(format!("has no column `{wanted}`; its columns are {}", listed())),
    }
}

impl Format {
    fn mark(&self) -> u8 {
        if self.decimal_comma { b',' } else { b'.' }
    }
}

/// A file being read, for telling where in it something stands.
struct Capture<'a> {
    file: &'a str,
    text: &'a [u8],
    start: usize,
    format: &'a Format,
}

impl Capture<'_> {
    fn value(&self, record: &ByteRecord, column: usize) -> Result<Decimal, PackError> {
        let Some(field) = record.get(column) else {
            return Err(self.at(
                record,
                column,
                &format!("the line ends before column {}; was the file cut off?", column + 1),
            ));
        };
        Decimal::parse(field, self.format.mark()).map_err(|why| {
            let text: String = String::from_utf8_lossy(field).trim().chars().take(40).collect();
            let message = match why {
                NotDecimal::Empty => "the value is missing".to_owned(),
                NotDecimal::NotANumber => format!("`{text}` is not a number"),
                NotDecimal::OtherMark if self.format.decimal_comma => {
                    format!("`{text}` is written with a point; leave out --decimal-comma")
                }
                NotDecimal::OtherMark => {
                    format!(
                        "`{text}` is not a number; if decimals are written with a comma, say --decimal-comma"
                    )
                }
                NotDecimal::TooLong => format!("`{text}` has more digits than can be kept exactly"),
            };
            self.at(record, column, &message)
        })
    }

    /// An error at a field. Only made when something is wrong, so it may look at the text again.
    fn at(&self, record: &ByteRecord, column: usize, message: &str) -> PackError {
        let from = record.position().map_or(0, |p| usize::try_from(p.byte()).unwrap_or(0)) + self.start;
        // The CSV reader counts blank lines to the record that follows them.
        let blank = self.text[from..].iter().take_while(|b| matches!(b, b'\r' | b'\n')).count();
        let begin = from + blank;
        let line = 1 + self.text[..begin].iter().filter(|b| **b == b'\n').count();
        let mut at = begin;
        let mut field = 0;
        let mut quoted = false;
        while field < column && at < self.text.len() {
            match self.text[at] {
                b'"' => quoted = !quoted,
                b'\n' if !quoted => break,
                byte if byte == self.format.delimiter && !quoted => field += 1,
                _ => {}
            }
            at += 1;
        }
        let text = String::from_utf8_lossy(&self.text[begin..at]);
        PackError::Capture {
            file: self.file.to_owned(),
            line,
            column: 1 + text.trim_end_matches(['\r', '\n']).chars().count(),
            message: message.to_owned(),
        }
    }
}

#[cfg(test)]
#[path = "capture_tests.rs"]
mod tests;
