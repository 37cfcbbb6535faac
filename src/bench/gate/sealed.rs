//! The headers that every answer carries: what a browser may load, who may embed it, what it may keep.

use axum::http::HeaderName;
use axum::http::HeaderValue;
use axum::http::header;
use axum::response::Response;

use super::refusal::Asked;

/// No script or style but the program's own files, and nothing from elsewhere.
pub const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
    img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Headers that every answer carries, besides `Cache-Control`.
///
/// `Referrer-Policy` is `same-origin` and not `no-referrer`: under the latter a browser sends `Origin: null` with its
/// own forms (Fetch standard, "append a request `Origin` header"), and they could not be told from a stranger's.
pub const ALWAYS: [(&str, &str); 8] = [
    ("content-security-policy", CONTENT_SECURITY_POLICY),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-embedder-policy", "require-corp"),
    ("x-frame-options", "DENY"),
    (
        "permissions-policy",
        "camera=(), geolocation=(), microphone=(), payment=(), usb=(), screen-wake-lock=(self)",
    ),
];

/// `response` with those headers. State is never kept. Files of the program are kept for good where their name changes
/// with what is in them, and asked after each time where it does not.
pub fn seal(mut response: Response, asked: &Asked) -> Response {
    let keep = match (response.status().is_success(), asked.path().strip_prefix("/assets/")) {
        (true, Some(name)) if is_named_by_content(name) => "public, max-age=31536000, immutable",
        (true, Some(_)) => "no-cache",
        _ => "no-store",
    };
    let headers = response.headers_mut();
    for (name, value) in ALWAYS {
        headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(keep));
    response
}

/// Whether a name ends, before its ending, in a hyphen and twelve hexadecimal digits, as in `bench-0123456789ab.css`.
fn is_named_by_content(name: &str) -> bool {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    stem.rsplit_once('-')
        .is_some_and(|(_, hash)| hash.len() == 12 && hash.bytes().all(|b| b.is_ascii_hexdigit()))
}
