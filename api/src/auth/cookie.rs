//! The cookie of a session, and the check that a request which uses it comes from a page of the service itself.

use actix_web::HttpRequest;
use actix_web::cookie::time::Duration;
use actix_web::cookie::{Cookie, SameSite};
use actix_web::http::header::{HOST, HeaderMap, HeaderName, ORIGIN};

use crate::error::{ApiError, ErrorCode};

/// Name of the cookie where it goes over TLS only: the prefix makes browsers refuse it from anywhere else (RFC 6265bis).
const SECURE_NAME: &str = "__Host-wearmark";

/// Name of the cookie on this machine's own loopback address, in plain HTTP.
const LOOPBACK_NAME: &str = "wearmark";

/// Whether cookies are sent over TLS only.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transport {
    /// A proxy speaks TLS for the service.
    Tls,
    /// Plain HTTP: a session is only begun on the loopback address, where nobody listens in.
    Plain,
}

impl Transport {
    fn name(self) -> &'static str {
        match self {
            Transport::Tls => SECURE_NAME,
            Transport::Plain => LOOPBACK_NAME,
        }
    }

    /// The value of the session's cookie in a request.
    pub fn value(self, request: &HttpRequest) -> Option<String> {
        request.cookie(self.name()).map(|cookie| cookie.value().to_owned())
    }

    /// The cookie that begins a session of so many seconds.
    pub fn begin(self, value: &str, seconds: i64) -> Cookie<'static> {
        Cookie::build(self.name(), value.to_owned())
            .path("/")
            .http_only(true)
            .same_site(SameSite::Lax)
            .secure(self == Transport::Tls)
            .max_age(Duration::seconds(seconds))
            .finish()
    }

    /// The cookie that ends it.
    pub fn end(self) -> Cookie<'static> {
        self.begin("", 0)
    }

    /// Whether a session may be begun at the address that the request names.
    ///
    /// # Errors
    /// `SessionNeedsTls`.
    pub fn check(self, headers: &HeaderMap) -> Result<(), ApiError> {
        let host = text(headers, HOST).unwrap_or_default();
        if self == Transport::Tls || is_loopback(host) {
            return Ok(());
        }
        Err(ApiError::new(ErrorCode::SessionNeedsTls, ErrorCode::SessionNeedsTls.explanation()))
    }
}

fn is_loopback(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.split(':').next().unwrap_or_default(),
    };
    name.eq_ignore_ascii_case("localhost")
        || name.parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// Refuses a request that another site's page made. Browsers say where a request comes from by `Sec-Fetch-Site`, and
/// the older ones by `Origin`.
///
/// # Errors
/// `CrossSite` when it comes from elsewhere, or, where `certain`, when it does not say.
pub fn check_site(headers: &HeaderMap, certain: bool) -> Result<(), ApiError> {
    let own = match (text(headers, HeaderName::from_static("sec-fetch-site")), text(headers, ORIGIN)) {
        (Some(site), _) => matches!(site, "same-origin" | "none"),
        (None, Some(origin)) => {
            let host = origin.split_once("://").map(|(_, host)| host);
            host.is_some() && host == text(headers, HOST)
        }
        (None, None) => !certain,
    };
    if own { Ok(()) } else { Err(ApiError::new(ErrorCode::CrossSite, ErrorCode::CrossSite.explanation())) }
}

fn text(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use actix_web::http::header::HeaderValue;

    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.insert(HeaderName::from_static(name), HeaderValue::from_str(value).unwrap());
        }
        headers
    }

    #[test]
    fn requests_of_other_sites_are_refused() {
        let host = ("host", "bench.example");
        let allowed = |pairs: &[(&'static str, &str)], certain| check_site(&headers(pairs), certain).is_ok();
        for (site, own) in
            [("same-origin", true), ("none", true), ("same-site", false), ("cross-site", false)]
        {
            assert_eq!(allowed(&[host, ("sec-fetch-site", site)], true), own, "{site}");
            // What the browser says of the site counts more than its Origin.
            let both = [host, ("sec-fetch-site", site), ("origin", "https://bench.example")];
            assert_eq!(allowed(&both, true), own, "{site}");
        }
        for (origin, own) in [
            ("https://bench.example", true),
            ("https://evil.example", false),
            ("https://bench.example.evil.example", false),
            ("null", false),
        ] {
            assert_eq!(allowed(&[host, ("origin", origin)], true), own, "{origin}");
        }
        assert!(!allowed(&[host], true));
        assert!(allowed(&[host], false));
    }

    #[test]
    fn in_plain_http_sessions_begin_on_the_loopback_address_only() {
        let begun = |transport: Transport, host: &str| transport.check(&headers(&[("host", host)])).is_ok();
        for host in ["127.0.0.1:8080", "localhost", "[::1]:8080", "127.9.9.9"] {
            assert!(begun(Transport::Plain, host), "{host}");
        }
        for host in ["bench.example", "192.0.2.1:8080", "localhost.evil.example", "", "[2001:db8::1]"] {
            assert!(!begun(Transport::Plain, host), "{host}");
            assert!(begun(Transport::Tls, host), "{host}");
        }
    }

    #[test]
    fn the_cookie_says_all_that_browsers_need_to_keep_it_safe() {
        assert_eq!(
            Transport::Tls.begin("v", 60).to_string(),
            "__Host-wearmark=v; HttpOnly; SameSite=Lax; Secure; Path=/; Max-Age=60"
        );
        assert_eq!(
            Transport::Plain.end().to_string(),
            "wearmark=; HttpOnly; SameSite=Lax; Path=/; Max-Age=0"
        );
    }
}
