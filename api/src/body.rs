//! Request bodies, from the raw payload. The framework's own decoder inflates a whole network chunk
//! before any limit is looked at, so decompression is done here, off the connection's thread and
//! through a bound.

use std::io::{self, Read};
use std::time::Duration;

use actix_web::HttpRequest;
use actix_web::error::PayloadError;
use actix_web::http::header::{ACCEPT_ENCODING, CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_TYPE};
use actix_web::web::{self, Bytes, BytesMut};
use futures_util::StreamExt;

use crate::config::Limits;
use crate::error::{ApiError, ErrorCode, outside, shorten};

/// What a body may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Media {
    /// One JSON document.
    Json,
    /// One JSON document a line.
    Lines,
}

impl Media {
    /// The media type.
    pub fn name(self) -> &'static str {
        match self {
            Media::Json => "application/json",
            Media::Lines => "application/x-ndjson",
        }
    }
}

/// Content codings of request bodies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coding {
    /// As it is.
    Identity,
    /// gzip (RFC 1952), one or more members.
    Gzip,
    /// Zstandard (RFC 8878), windows up to 8 MiB as its section 3.1.1.1.2 asks decoders to support.
    Zstd,
}

/// Largest body of a request about an account: the longest password with every character escaped, and room.
const SMALL_BYTES: usize = 16 << 10;

/// Longest silence inside the body of one submission.
const SILENCE: Duration = Duration::from_secs(10);

/// Largest zstd window taken, log2 of bytes.
const ZSTD_WINDOW_LOG: u32 = 23;

/// Checks what the headers say of the body, before any of it is read.
///
/// # Errors
/// `UnsupportedType`, `UnsupportedEncoding`, or `BodyTooLarge` by the stated length.
pub fn announced(request: &HttpRequest, media: Media, wire_limit: Option<usize>) -> Result<Coding, ApiError> {
    check_type(request, media)?;
    let coding = coding(request)?;
    if let Some(limit) = wire_limit {
        let length = request.headers().get(CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse::<u64>().ok());
        if length.is_some_and(|length| length > limit as u64) {
            return Err(too_large("as sent", limit as u64));
        }
    }
    Ok(coding)
}

/// Reads and inflates a whole body.
///
/// # Errors
/// Those of [`announced`]; `BodyTooLarge` when it or what it expands to passes a limit; `BadRequest`
/// when it stops early or is not in its stated encoding.
pub async fn read(request: &HttpRequest, payload: web::Payload, limits: &Limits) -> Result<Bytes, ApiError> {
    read_within(request, payload, limits.body_wire_bytes, limits.body_expanded_bytes).await
}

/// Reads and inflates the body of a request about an account: names, passwords, scopes.
///
/// # Errors
/// Those of [`read`].
pub async fn read_small(request: &HttpRequest, payload: web::Payload) -> Result<Bytes, ApiError> {
    read_within(request, payload, SMALL_BYTES, SMALL_BYTES).await
}

async fn read_within(
    request: &HttpRequest,
    payload: web::Payload,
    wire_limit: usize,
    limit: usize,
) -> Result<Bytes, ApiError> {
    let coding = announced(request, Media::Json, Some(wire_limit))?;
    let wire = collect(payload, wire_limit).await?;
    if coding == Coding::Identity {
        return Ok(wire);
    }
    web::block(move || inflate(&wire, coding, limit))
        .await
        .map_err(|e| ApiError::internal("inflating a body", &e))?
}

async fn collect(mut payload: web::Payload, limit: usize) -> Result<Bytes, ApiError> {
    let mut wire = BytesMut::new();
    while let Some(chunk) = next(&mut payload).await? {
        let chunk = chunk.map_err(|e| incomplete(&e))?;
        if wire.len() + chunk.len() > limit {
            return Err(too_large("as sent", limit as u64));
        }
        wire.extend_from_slice(&chunk);
    }
    Ok(wire.freeze())
}

/// The next part of a body, which must not keep the others waiting: a submission holds one of few places in memory.
async fn next(payload: &mut web::Payload) -> Result<Option<Result<Bytes, PayloadError>>, ApiError> {
    tokio::time::timeout(SILENCE, payload.next()).await.map_err(|_silence| {
        let detail = format!("No part of the body arrived for {} s.", SILENCE.as_secs());
        ApiError::new(ErrorCode::BodyTimeout, detail)
    })
}

fn inflate(wire: &[u8], coding: Coding, limit: usize) -> Result<Bytes, ApiError> {
    let mut expanded = Vec::new();
    let mut reader = decoder(wire, coding).map_err(|e| broken(&e))?.take(limit as u64 + 1);
    reader.read_to_end(&mut expanded).map_err(|e| broken(&e))?;
    if expanded.len() > limit {
        return Err(too_large("after decompression", limit as u64));
    }
    Ok(expanded.into())
}

/// A reader of the expanded body.
///
/// # Errors
/// When the decoder cannot be made.
pub fn decoder<'a>(
    wire: impl io::BufRead + Send + 'a,
    coding: Coding,
) -> io::Result<Box<dyn Read + Send + 'a>> {
    Ok(match coding {
        Coding::Identity => Box::new(wire),
        Coding::Gzip => Box::new(flate2::bufread::MultiGzDecoder::new(wire)),
        Coding::Zstd => {
            let mut decoder = zstd::stream::read::Decoder::with_buffer(wire)?;
            decoder.window_log_max(ZSTD_WINDOW_LOG)?;
            Box::new(decoder)
        }
    })
}

/// The payload stopped before its end.
pub fn incomplete(error: &dyn std::error::Error) -> ApiError {
    tracing::debug!(cause = %error, "a body was cut off");
    ApiError::new(ErrorCode::BadRequest, "The body stopped before its stated end, or its framing is broken.")
}

/// The body is not in the encoding that it claims.
pub fn broken(error: &io::Error) -> ApiError {
    tracing::debug!(cause = %error, "a body could not be inflated");
    if error.to_string().contains("too much memory") {
        return too_large("as the window of its encoding", 1 << ZSTD_WINDOW_LOG);
    }
    let finding = outside(
        "broken-encoding",
        "header",
        "Content-Encoding",
        "The body is not in the encoding that Content-Encoding names, or it is cut off.",
    );
    ApiError::with(ErrorCode::BadRequest, vec![finding])
}

/// The body passes a limit.
pub fn too_large(which: &str, limit: u64) -> ApiError {
    let finding = wearmark_core::finding::Finding::new(
        "body-too-large",
        wearmark_core::finding::Severity::Reject,
        "",
        format!("The body {which} is larger than {limit} bytes."),
    )
    .advice("Send fewer frames, passes or runs at once.")
    .evidence("limit_bytes", limit);
    ApiError::with(ErrorCode::BodyTooLarge, vec![finding])
}

fn check_type(request: &HttpRequest, media: Media) -> Result<(), ApiError> {
    let values: Vec<&[u8]> = request.headers().get_all(CONTENT_TYPE).map(|v| v.as_bytes()).collect();
    let stated = String::from_utf8_lossy(values.first().copied().unwrap_or_default()).into_owned();
    let mut parts = stated.split(';').map(str::trim);
    let essence = parts.next().unwrap_or("").eq_ignore_ascii_case(media.name());
    let charset = parts
        .filter_map(|p| p.split_once('='))
        .find(|(k, _)| k.trim().eq_ignore_ascii_case("charset"))
        .is_none_or(|(_, v)| v.trim().trim_matches('"').eq_ignore_ascii_case("utf-8"));
    if values.len() == 1 && essence && charset {
        return Ok(());
    }
    let message = format!("Content-Type must be {} in UTF-8.", media.name());
    let finding = outside("unsupported-type", "header", "Content-Type", message)
        .evidence("value", shorten(&stated))
        .advice(format!("Send `Content-Type: {}`.", media.name()));
    Err(ApiError::with(ErrorCode::UnsupportedType, vec![finding]))
}

fn coding(request: &HttpRequest) -> Result<Coding, ApiError> {
    let values: Vec<&[u8]> = request.headers().get_all(CONTENT_ENCODING).map(|v| v.as_bytes()).collect();
    let stated = String::from_utf8_lossy(&values.join(&b", "[..])).to_ascii_lowercase();
    match stated.trim() {
        "" | "identity" => Ok(Coding::Identity),
        "gzip" | "x-gzip" => Ok(Coding::Gzip),
        "zstd" => Ok(Coding::Zstd),
        other => {
            let message = "Content-Encoding must be identity, gzip or zstd, and only one of them.";
            let finding = outside("unsupported-encoding", "header", "Content-Encoding", message)
                .evidence("value", shorten(other));
            Err(ApiError::with(ErrorCode::UnsupportedEncoding, vec![finding])
                .header(ACCEPT_ENCODING, "identity, gzip, zstd"))
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use std::io::Write;

    use super::*;

    fn gzip(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn what_expands_past_the_limit_is_refused_in_both_codings() {
        let zeros = vec![b'0'; 10_000_000];
        for (coding, wire) in
            [(Coding::Gzip, gzip(&zeros)), (Coding::Zstd, zstd::encode_all(&zeros[..], 3).unwrap())]
        {
            assert!(wire.len() < 20_000);
            assert_eq!(inflate(&wire, coding, 9_999_999).unwrap_err().code, ErrorCode::BodyTooLarge);
            assert_eq!(inflate(&wire, coding, 10_000_000).unwrap().len(), 10_000_000);
        }
    }

    #[test]
    fn a_cut_off_or_false_encoding_is_refused() {
        let text = br#"{"schema":"run/1"}"#;
        for (coding, wire) in
            [(Coding::Gzip, gzip(text)), (Coding::Zstd, zstd::encode_all(&text[..], 3).unwrap())]
        {
            assert_eq!(inflate(&wire, coding, 1000).unwrap(), &text[..]);
            for cut in 1..wire.len() {
                assert_eq!(
                    inflate(&wire[..cut], coding, 1000).unwrap_err().code,
                    ErrorCode::BadRequest,
                    "{cut}"
                );
            }
            assert_eq!(inflate(text, coding, 1000).unwrap_err().code, ErrorCode::BadRequest);
        }
    }

    #[test]
    fn a_window_above_eight_mebibytes_is_refused() {
        let mut encoder = zstd::stream::Encoder::new(Vec::new(), 3).unwrap();
        encoder.window_log(27).unwrap();
        encoder.include_contentsize(false).unwrap();
        encoder.write_all(&vec![b' '; 1 << 20]).unwrap();
        let wire = encoder.finish().unwrap();
        assert_eq!(inflate(&wire, Coding::Zstd, 1 << 30).unwrap_err().code, ErrorCode::BodyTooLarge);
    }
}
