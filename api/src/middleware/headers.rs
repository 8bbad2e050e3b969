//! Headers that every answer carries. Everything here answers with data, so nothing in an answer
//! may run, be framed or be guessed at by a browser.

use actix_web::middleware::DefaultHeaders;

use crate::auth::cookie::Transport;

/// How long browsers keep to TLS after an answer over it: a year, the least that OWASP ASVS 5.0 (3.4.1) takes. Hosts
/// below this one are the operator's to speak for.
const STRICT: (&str, &str) = ("strict-transport-security", "max-age=31536000");

/// Security headers of every answer, errors included.
pub fn headers(transport: Transport) -> DefaultHeaders {
    let headers = DefaultHeaders::new()
        .add((
            "content-security-policy",
            "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
        ))
        .add(("x-content-type-options", "nosniff"))
        .add(("referrer-policy", "no-referrer"))
        .add(("cross-origin-resource-policy", "cross-origin"))
        .add(("cache-control", "no-store"));
    // Over plain HTTP browsers ignore it (RFC 6797, section 8.1).
    if transport == Transport::Tls { headers.add(STRICT) } else { headers }
}
