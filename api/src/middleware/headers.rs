//! Headers that every answer carries. Everything here answers with data, so nothing in an answer
//! may run, be framed or be guessed at by a browser.

use actix_web::middleware::DefaultHeaders;

use crate::auth::cookie::Transport;

/// Security headers of every answer, errors included.
pub fn headers(transport: Transport) -> DefaultHeaders {
    let headers = DefaultHeaders::new();
    let headers = match transport {
        // RFC 6797: a year, as its section 11.2 discusses; over plain HTTP it must not be sent.
        Transport::Tls => headers.add(("strict-transport-security", "max-age=31536000")),
        Transport::Plain => headers,
    };
    headers
        .add((
            "content-security-policy",
            "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
        ))
        .add(("x-content-type-options", "nosniff"))
        .add(("referrer-policy", "no-referrer"))
        .add(("cross-origin-resource-policy", "cross-origin"))
        .add(("cache-control", "no-store"))
}
