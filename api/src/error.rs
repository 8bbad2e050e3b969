//! What a caller is told when a request cannot be served. One table turns every error code into a
//! status and a title; bodies are problem documents (RFC 9457) that carry every finding. What went
//! wrong inside is logged once, here, and never sent: a 5xx body is a fixed sentence.

use std::borrow::Cow;
use std::time::Duration;

use actix_web::body::BoxBody;
use actix_web::http::StatusCode;
use actix_web::http::header::{ALLOW, HeaderName, RETRY_AFTER};
use actix_web::{HttpResponse, ResponseError};
use wearmark_core::finding::{Finding, Severity};

use crate::views::problem::{PROBLEM_JSON, Problem};

/// Declares [`ErrorCode`] and its table in one place, so that a code cannot lack a row.
macro_rules! error_codes {
    ($($variant:ident $slug:literal $status:ident $title:literal $explanation:literal;)+) => {
        /// Why a request was not served. Codes are part of the interface and never reused.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum ErrorCode {
            $(#[doc = $explanation] $variant,)+
        }

        impl ErrorCode {
            /// Every code, in the order of its status.
            pub const ALL: &[ErrorCode] = &[$(ErrorCode::$variant,)+];

            /// Stable kebab-case name; the problem type is `/problems/` and this.
            pub fn slug(self) -> &'static str {
                match self { $(ErrorCode::$variant => $slug,)+ }
            }

            /// HTTP status.
            pub fn status(self) -> StatusCode {
                match self { $(ErrorCode::$variant => StatusCode::$status,)+ }
            }

            /// Short name for people.
            pub fn title(self) -> &'static str {
                match self { $(ErrorCode::$variant => $title,)+ }
            }

            /// When it happens and what to do.
            pub fn explanation(self) -> &'static str {
                match self { $(ErrorCode::$variant => $explanation,)+ }
            }
        }
    };
}

error_codes! {
    BadRequest "bad-request" BAD_REQUEST "The request is malformed"
        "The request breaks a rule of HTTP or its body stops before its stated end.";
    MalformedJson "malformed-json" BAD_REQUEST "The body is not JSON"
        "The body is not a JSON text in UTF-8 (RFC 8259). The finding names line and column.";
    UnknownParameter "unknown-parameter" BAD_REQUEST "A query parameter is not known here"
        "The resource has no such query parameter. The finding lists those that it has.";
    BadParameter "bad-parameter" BAD_REQUEST "A query parameter has a value that it cannot have"
        "The finding names the parameter and the rule that its value breaks.";
    BadHeader "bad-header" BAD_REQUEST "A request header has a value that it cannot have"
        "The finding names the header and the rule that its value breaks.";
    BadCursor "bad-cursor" BAD_REQUEST "The cursor does not belong to this query"
        "A cursor only continues the query that it came from. Follow the link of the last page, or start without a cursor.";
    Unauthorized "unauthorized" UNAUTHORIZED "A valid token is needed"
        "Send `Authorization: Bearer` and a token of an account (RFC 6750). Tokens are never taken from the address.";
    OwnRun "own-run" FORBIDDEN "Nobody moderates their own"
        "A moderator decides of other people's runs and prices and acts on other accounts. Ask another moderator.";
    NeedsOperator "needs-operator" FORBIDDEN "Only an operator may do this"
        "Measures about moderators and operators are an operator's to take.";
    InsufficientScope "insufficient-scope" FORBIDDEN "The token or the account may not do this"
        "The detail names the scope or role that is needed. An account makes tokens of the scopes that its role has.";
    Suspended "account-suspended" FORBIDDEN "The account is suspended"
        "Until the time that the detail names the account may only read its own record. Ask a moderator why.";
    WrongCredentials "wrong-credentials" FORBIDDEN "Name, password or code is wrong"
        "Which of them is not said. After several failures each further try has to wait longer.";
    CodeNeeded "code-needed" FORBIDDEN "Log-in needs a code too"
        "The account has a second factor: send `code` with the present code of your authenticator, or a recovery code.";
    RegistrationClosed "registration-closed" FORBIDDEN "Accounts are not made here"
        "This service makes accounts by invitation only, or on its operator's command line only; the detail says which.";
    NotInvited "not-invited" FORBIDDEN "The invitation is not good"
        "An invitation makes one account and ends after a time. Ask for a new one.";
    CrossSite "cross-site" FORBIDDEN "The request comes from another site"
        "A session's cookie only changes things for pages of this service. Programs use a token, or send Origin.";
    SessionNeedsTls "session-needs-tls" FORBIDDEN "Sessions need TLS"
        "In plain HTTP a session is only begun on the loopback address. Put a proxy with TLS in front and start the service with --tls-proxy.";
    NotFound "not-found" NOT_FOUND "There is nothing at this address"
        "Neither a resource nor an entry has this address. `/` lists where to begin.";
    MethodNotAllowed "method-not-allowed" METHOD_NOT_ALLOWED "The resource does not take this method"
        "The Allow header lists the methods that it takes.";
    NotAcceptable "not-acceptable" NOT_ACCEPTABLE "None of the accepted formats can be made"
        "Tables come as application/json, text/csv and application/vnd.apache.parquet, by Accept or `format=`.";
    BodyTimeout "body-timeout" REQUEST_TIMEOUT "The body did not arrive in time"
        "No part of the body arrived for too long. Send it again.";
    Duplicate "duplicate" CONFLICT "The run is stored already"
        "Every pass of the run is stored already, so nothing was stored again. The finding links the first run.";
    DuplicatePrice "duplicate-price" CONFLICT "The price is stored already"
        "You have reported this price before, so nothing was stored again. The finding links the stored report.";
    Claimed "claimed" CONFLICT "Another moderator is at work on the case"
        "The detail says who and until when. Take another case, or wait until the claim ends.";
    CaseChanged "case-changed" CONFLICT "The case has changed since it was looked at"
        "Somebody decided it, or the service judged it again. Look at the case again and decide by what it shows now.";
    NotStanding "not-standing" CONFLICT "The decision does not stand any more"
        "Only the last decision of a run can be taken back, once, while the run stands as it left it.";
    AlreadySo "already-so" CONFLICT "It stands like that already"
        "The decision would change nothing. Look at the case again.";
    CannotCount "cannot-count" CONFLICT "The report cannot count"
        "No table could have it; the detail says why. See to that first, or reject the report.";
    NoAppeal "no-appeal" CONFLICT "The run cannot be appealed against"
        "A run is appealed against once, and only while it is rejected.";
    NameTaken "name-taken" CONFLICT "An account with this name exists already"
        "Names are compared without regard to case. Take another.";
    SecondFactorExists "second-factor-exists" CONFLICT "The account has a second factor already"
        "End the present one first.";
    Withdrawn "withdrawn" GONE "It was withdrawn by its contributor"
        "Nothing of it is kept but its id and the day on which it went.";
    CursorExpired "cursor-expired" GONE "The table has changed since the cursor was made"
        "A cursor continues the table as it was, as long as the service remembers it. Start again without a cursor.";
    BodyTooLarge "body-too-large" PAYLOAD_TOO_LARGE "The body is too large"
        "The body, as sent or as it expands, passes the limit that the detail names. Send less at once.";
    UnsupportedType "unsupported-type" UNSUPPORTED_MEDIA_TYPE "The body is of a type that is not taken here"
        "Runs and prices are application/json, batches application/x-ndjson; all in UTF-8.";
    UnsupportedEncoding "unsupported-encoding" UNSUPPORTED_MEDIA_TYPE "The body is encoded in a way that is not taken here"
        "Content-Encoding may be absent, identity, gzip or zstd, and only one of them.";
    OffSchema "off-schema" UNPROCESSABLE_ENTITY "The document does not follow the schema"
        "The findings list every place and rule. The schema of runs is at /schemas/run/1, that of prices at /schemas/price/1; /openapi.json describes other bodies.";
    UnfitPassword "unfit-password" UNPROCESSABLE_ENTITY "The password is not fit"
        "It has 15 characters or more and is not made of what guessers try first. The detail names the rule.";
    TooManyTokens "too-many-tokens" UNPROCESSABLE_ENTITY "The account has too many tokens"
        "Revoke those that are not used any more.";
    UnknownBench "unknown-bench" UNPROCESSABLE_ENTITY "The bench is not one of yours"
        "A bench id only refers to a bench of your own earlier submissions. Send the bench in full instead.";
    KeyReused "key-reused" UNPROCESSABLE_ENTITY "The idempotency key was used with another body"
        "One Idempotency-Key stands for one body. Use a new key for a new body.";
    UnprocessableQuery "unprocessable-query" UNPROCESSABLE_ENTITY "The query cannot be answered"
        "The query is well formed but asks for something that the data do not have.";
    RateLimited "rate-limited" TOO_MANY_REQUESTS "Too many requests"
        "Wait as long as Retry-After says.";
    HeaderTooLarge "header-too-large" REQUEST_HEADER_FIELDS_TOO_LARGE "A request header is too large"
        "Send shorter headers.";
    Internal "internal" INTERNAL_SERVER_ERROR "The service failed"
        "This is our fault. Report it with the request id.";
    Busy "busy" SERVICE_UNAVAILABLE "The service is busy"
        "Nothing was stored. Try again after as long as Retry-After says.";
    Timeout "timeout" SERVICE_UNAVAILABLE "The service took too long"
        "The work may still be finished. Repeat a submission with the same Idempotency-Key.";
}

/// The sentence that stands in every 5xx body in place of a cause.
const INSIDE: &str =
    "The service could not answer this request. The cause is in its log under the request id.";

/// Seconds a caller is asked to wait when the service is busy: the writer clears its queue of a few
/// hundred jobs well within that.
const RETRY_AFTER_S: u64 = 2;

/// An error on its way to the caller.
#[derive(Debug, Clone)]
pub struct ApiError {
    /// Which row of the table.
    pub code: ErrorCode,
    /// What happened, for this request; never an inside cause.
    pub detail: String,
    /// Everything found, each with its place and rule.
    pub findings: Vec<Finding>,
    /// A header that the status asks for: Allow, WWW-Authenticate, Accept-Encoding.
    pub header: Option<(HeaderName, Cow<'static, str>)>,
}

impl ApiError {
    /// An error without findings.
    pub fn new(code: ErrorCode, detail: impl Into<String>) -> ApiError {
        ApiError { code, detail: detail.into(), findings: Vec::new(), header: None }
    }

    /// An error that stands for its findings; the first one's message is the detail.
    pub fn with(code: ErrorCode, findings: Vec<Finding>) -> ApiError {
        let detail = match findings.as_slice() {
            [] => code.explanation().to_owned(),
            [only] => only.message.clone(),
            [first, rest @ ..] => format!("{} (and {} more)", first.message, rest.len()),
        };
        ApiError { code, detail, findings, header: None }
    }

    /// The same error with a header that its status asks for.
    #[must_use]
    pub fn header(mut self, name: HeaderName, value: impl Into<Cow<'static, str>>) -> ApiError {
        self.header = Some((name, value.into()));
        self
    }

    /// Too much from this caller; after the wait it may go on.
    pub fn wait(detail: impl Into<String>, wait: Duration) -> ApiError {
        // Rounded up: who comes back a moment early would only wait again.
        let seconds = wait.as_millis().div_ceil(1000).max(1);
        ApiError::new(ErrorCode::RateLimited, detail).header(RETRY_AFTER, seconds.to_string())
    }

    /// An error of ours: logged with its whole chain, told as a fixed sentence.
    pub fn internal(doing: &'static str, cause: &dyn std::error::Error) -> ApiError {
        tracing::error!(doing, cause = chain(cause), "a request failed inside");
        ApiError::new(ErrorCode::Internal, INSIDE)
    }

    /// The resource takes only these methods.
    pub fn method(allow: &'static str) -> ApiError {
        ApiError::new(ErrorCode::MethodNotAllowed, format!("This resource takes only {allow}."))
            .header(ALLOW, allow)
    }

    /// Nothing has this address.
    pub fn not_found(what: &str) -> ApiError {
        ApiError::new(ErrorCode::NotFound, format!("There is no such {what}."))
    }

    /// The error that a bare framework status stands for.
    pub fn of_status(status: StatusCode) -> ApiError {
        let code = ErrorCode::ALL.iter().copied().find(|c| c.status() == status).unwrap_or({
            if status.is_client_error() { ErrorCode::BadRequest } else { ErrorCode::Internal }
        });
        let detail = if status.is_server_error() { INSIDE } else { code.explanation() };
        ApiError::new(code, detail)
    }

    /// The answer, with the request's address and id where they are known.
    pub fn respond(&self, instance: Option<&str>, request_id: Option<String>) -> HttpResponse {
        let status = self.code.status();
        let mut answer = HttpResponse::build(status);
        answer.content_type(PROBLEM_JSON).insert_header(("cache-control", "no-store"));
        if let Some((name, value)) = &self.header {
            answer.insert_header((name, value.as_ref()));
        }
        let named = self.header.as_ref().is_some_and(|(name, _)| *name == RETRY_AFTER);
        if !named && matches!(self.code, ErrorCode::Busy | ErrorCode::Timeout | ErrorCode::RateLimited) {
            answer.insert_header((RETRY_AFTER, RETRY_AFTER_S.to_string()));
        }
        answer.json(Problem::of(self, instance, request_id))
    }
}

impl std::fmt::Display for ApiError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.code.slug(), self.detail)
    }
}

impl std::error::Error for ApiError {}

impl ResponseError for ApiError {
    fn status_code(&self) -> StatusCode {
        self.code.status()
    }

    /// Without the request at hand; `middleware::problems` makes the full form.
    fn error_response(&self) -> HttpResponse<BoxBody> {
        self.respond(None, None)
    }
}

/// A finding about a place outside the document: a query parameter or a header.
pub fn outside(code: &'static str, kind: &str, name: &str, message: impl Into<String>) -> Finding {
    Finding::new(code, Severity::Reject, "", message).evidence(kind, shorten(name))
}

/// A caller's text cut to a length that can be quoted in an answer and in a log.
pub fn shorten(text: &str) -> String {
    const QUOTED_CHARS: usize = 80;
    if text.chars().count() <= QUOTED_CHARS {
        return text.to_owned();
    }
    text.chars().take(QUOTED_CHARS).chain(['…']).collect()
}

/// An error and all its sources, joined.
fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(inner) = source {
        text.push_str(": ");
        text.push_str(&inner.to_string());
        source = inner.source();
    }
    text
}
