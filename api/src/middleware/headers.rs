//! Headers that every answer carries. Everything here answers with data, so nothing in an answer
//! may run, be framed or be guessed at by a browser.

use actix_web::middleware::DefaultHeaders;

/// Security headers of every answer, errors included.
pub fn headers() -> DefaultHeaders {
    DefaultHeaders::new()
        .add((
            "content-security-policy",
            "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
        ))
        .add(("x-content-type-options", "nosniff"))
        .add(("referrer-policy", "no-referrer"))
        .add(("cross-origin-resource-policy", "cross-origin"))
        .add(("cache-control", "no-store"))
}
