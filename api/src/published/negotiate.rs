//! Which form of an answer a caller takes (RFC 9110, section 12).

use actix_web::HttpRequest;
use actix_web::http::header::{ACCEPT, ACCEPT_ENCODING};
use wearmark_core::finding::Finding;

use crate::error::{ApiError, ErrorCode, shorten};

/// Outward forms of a table, preferred first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Format {
    /// JSON rows in an envelope.
    Json,
    /// CSV (RFC 4180) with a header.
    Csv,
    /// Apache Parquet.
    Parquet,
}

impl Format {
    /// All forms, preferred first.
    pub const ALL: [Format; 3] = [Format::Json, Format::Csv, Format::Parquet];

    /// The word used as `format=`.
    pub fn as_str(self) -> &'static str {
        match self {
            Format::Json => "json",
            Format::Csv => "csv",
            Format::Parquet => "parquet",
        }
    }

    /// Media type of the answer.
    pub fn content_type(self) -> &'static str {
        match self {
            Format::Json => "application/json",
            Format::Csv => "text/csv; charset=utf-8; header=present",
            Format::Parquet => "application/vnd.apache.parquet",
        }
    }

    fn media_type(self) -> (&'static str, &'static str) {
        match self {
            Format::Json => ("application", "json"),
            Format::Csv => ("text", "csv"),
            Format::Parquet => ("application", "vnd.apache.parquet"),
        }
    }
}

/// The form to answer in: `format=` decides, else `Accept`.
///
/// # Errors
/// `NotAcceptable` when `Accept` allows none of the forms.
pub fn format(request: &HttpRequest, asked: Option<Format>) -> Result<Format, ApiError> {
    if let Some(format) = asked {
        return Ok(format);
    }
    let accept = header_text(request, ACCEPT.as_str());
    if accept.trim().is_empty() {
        return Ok(Format::Json);
    }
    let best = Format::ALL
        .into_iter()
        .map(|format| (format, media_quality(&accept, format.media_type())))
        .reduce(|best, next| if next.1 > best.1 { next } else { best });
    match best {
        Some((format, quality)) if quality > 0 => Ok(format),
        _ => Err(not_acceptable(&accept)),
    }
}

fn not_acceptable(accept: &str) -> ApiError {
    let finding = crate::error::outside(
        "not-acceptable",
        "header",
        "Accept",
        format!("Accept: {} allows none of the forms of this table.", shorten(accept)),
    );
    let types: Vec<&str> = Format::ALL.map(Format::content_type).to_vec();
    let finding: Finding = finding.evidence("available", types).advice("Accept one of the available types.");
    ApiError::with(ErrorCode::NotAcceptable, vec![finding])
}

/// All values of a header, joined; what is not visible ASCII counts as absent.
fn header_text(request: &HttpRequest, name: &str) -> String {
    let values: Vec<&str> = request.headers().get_all(name).filter_map(|v| v.to_str().ok()).collect();
    values.join(",")
}

/// Quality in thousandths that `Accept` gives a media type; the most specific range decides.
fn media_quality(accept: &str, (kind, subtype): (&str, &str)) -> u32 {
    let mut best = (0, 0);
    for range in accept.split(',') {
        let (name, quality) = range_quality(range);
        let specificity = match name.split_once('/') {
            Some((k, s)) if k.eq_ignore_ascii_case(kind) && s.eq_ignore_ascii_case(subtype) => 3,
            Some((k, "*")) if k.eq_ignore_ascii_case(kind) => 2,
            Some(("*", "*")) => 1,
            _ => continue,
        };
        if specificity > best.0 {
            best = (specificity, quality);
        }
    }
    best.1
}

/// A range's name and its quality in thousandths, 1000 where none is stated.
fn range_quality(range: &str) -> (&str, u32) {
    let mut parts = range.split(';').map(str::trim);
    let name = parts.next().unwrap_or("");
    let quality = parts
        .filter_map(|p| p.split_once('='))
        .find(|(k, _)| k.trim().eq_ignore_ascii_case("q"))
        .and_then(|(_, v)| v.trim().parse::<f64>().ok())
        .filter(|q| (0.0..=1.0).contains(q))
        .unwrap_or(1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0..=1000 by the filter above"
    )]
    let thousandths = (quality * 1000.0) as u32;
    (name, thousandths)
}

/// Content codings of answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Coding {
    /// As it is.
    Identity,
    /// gzip (RFC 1952).
    Gzip,
    /// Zstandard (RFC 8878).
    Zstd,
}

impl Coding {
    /// The word used in `Content-Encoding`; none for identity.
    pub fn name(self) -> Option<&'static str> {
        match self {
            Coding::Identity => None,
            Coding::Gzip => Some("gzip"),
            Coding::Zstd => Some("zstd"),
        }
    }
}

/// The coding to answer in: zstd where taken, then gzip, else as it is.
pub fn coding(request: &HttpRequest) -> Coding {
    let accept = header_text(request, ACCEPT_ENCODING.as_str());
    if accept.is_empty() {
        return Coding::Identity;
    }
    let mut best = (Coding::Identity, 0);
    for coding in [Coding::Zstd, Coding::Gzip] {
        let quality = coding_quality(&accept, coding.name().unwrap_or(""));
        if quality > best.1 {
            best = (coding, quality);
        }
    }
    best.0
}

fn coding_quality(accept: &str, coding: &str) -> u32 {
    let ranges: Vec<(&str, u32)> = accept.split(',').map(range_quality).collect();
    let of = |name: &str| ranges.iter().find(|(n, _)| n.eq_ignore_ascii_case(name)).map(|r| r.1);
    of(coding).unwrap_or(0)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use actix_web::test::TestRequest;

    use super::*;

    fn asked(accept: &str) -> Result<Format, ErrorCode> {
        let request = TestRequest::default().insert_header(("accept", accept)).to_http_request();
        format(&request, None).map_err(|e| e.code)
    }

    #[test]
    fn the_most_specific_range_decides() {
        assert_eq!(asked("*/*"), Ok(Format::Json));
        assert_eq!(asked("text/csv"), Ok(Format::Csv));
        assert_eq!(asked("TEXT/*;q=0.4, application/vnd.apache.parquet;q=0.5"), Ok(Format::Parquet));
        assert_eq!(asked("application/json;q=0, */*"), Ok(Format::Csv));
        assert_eq!(asked("text/html, image/*"), Err(ErrorCode::NotAcceptable));
        assert_eq!(asked("application/json;q=0"), Err(ErrorCode::NotAcceptable));
    }

    #[test]
    fn a_caller_without_preference_gets_json() {
        assert_eq!(format(&TestRequest::default().to_http_request(), None).unwrap(), Format::Json);
    }

    #[test]
    fn codings_that_are_not_taken_are_not_used() {
        let of = |accept: &str| {
            coding(&TestRequest::default().insert_header(("accept-encoding", accept)).to_http_request())
        };
        assert_eq!(of("gzip, deflate, br"), Coding::Gzip);
        assert_eq!(of("gzip, zstd"), Coding::Zstd);
        assert_eq!(of("gzip;q=1, zstd;q=0.5"), Coding::Gzip);
        assert_eq!(of("zstd;q=0, br"), Coding::Identity);
    }
}
