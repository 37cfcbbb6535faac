//! Every way of being turned away: a status below 500, what happened, and what to do.

use axum::body::to_bytes;
use axum::extract::Request;
use axum::http::HeaderMap;
use axum::http::HeaderValue;
use axum::http::Method;
use axum::http::StatusCode;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;
use serde_json::json;
use thiserror::Error;

use super::page;

/// Why a request was turned away.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Refusal {
    /// Only looking (GET, HEAD) and sending (POST) are known.
    #[error("the method {0} is not known here")]
    Method(String),
    /// The request names a whole address, as one does to a proxy.
    #[error("the request names a whole address where a path belongs")]
    Proxy,
    /// The path could mean another place than it says.
    #[error("the path has {0} in it")]
    Path(&'static str),
    /// No or several `Host` headers, or one that names no host.
    #[error("the request does not say in one Host header which host it means")]
    NoHost,
    /// The host is none of this daemon's names.
    #[error("this daemon is not called {0}")]
    Host(String),
    /// Another site's page sent the request.
    #[error("the request comes from another site's page ({0})")]
    Foreign(String),
    /// The browser has not paired, or its pairing has run out.
    #[error("this browser is not paired with the daemon")]
    NotPaired,
    /// The browser paired with the code for looking.
    #[error("this browser was paired to look only")]
    LookOnly,
    /// The body is longer than is taken.
    #[error("the body is longer than {0} bytes")]
    TooLong(usize),
    /// The body did not come in time.
    #[error("the body did not come within {0} seconds")]
    TooSlow(u64),
    /// The body broke off, or was not what its headers say.
    #[error("the body did not come whole")]
    Broken,
    /// No token can be made.
    #[error("this machine gave no random numbers, so that no pairing can be kept")]
    NoRandom,
}

impl Refusal {
    /// The status of the answer.
    pub fn status(&self) -> StatusCode {
        match self {
            Refusal::Method(_) => StatusCode::METHOD_NOT_ALLOWED,
            Refusal::Proxy | Refusal::Path(_) | Refusal::NoHost | Refusal::Broken => StatusCode::BAD_REQUEST,
            Refusal::Host(_) => StatusCode::MISDIRECTED_REQUEST,
            Refusal::Foreign(_) | Refusal::LookOnly | Refusal::NoRandom => StatusCode::FORBIDDEN,
            Refusal::NotPaired => StatusCode::UNAUTHORIZED,
            Refusal::TooLong(_) => StatusCode::PAYLOAD_TOO_LARGE,
            Refusal::TooSlow(_) => StatusCode::REQUEST_TIMEOUT,
        }
    }

    /// A short name that stays the same, for programs.
    pub fn code(&self) -> &'static str {
        match self {
            Refusal::Host(_) => "not-called-so",
            Refusal::Foreign(_) => "foreign-page",
            Refusal::NotPaired => "not-paired",
            Refusal::LookOnly => "look-only",
            Refusal::NoRandom => "failed",
            _ => "bad-input",
        }
    }

    /// What whoever asked can do about it.
    pub fn to_do(&self) -> String {
        match self {
            Refusal::Method(_) => "Use GET or HEAD to look and POST to act.".to_owned(),
            Refusal::Proxy => "Send the path alone; the daemon passes nothing on.".to_owned(),
            Refusal::Path(_) => "Follow a link of the page, or write the path out plainly.".to_owned(),
            Refusal::NoHost => "Send one Host header with the address you connect to.".to_owned(),
            Refusal::Host(name) => format!(
                "Open the address that the daemon printed when it started. If {name} is truly its name, start it with --name {name}."
            ),
            Refusal::Foreign(_) => "Open the daemon's own page and do it there.".to_owned(),
            Refusal::NotPaired => "Open /pair and type the code that the daemon's terminal shows.".to_owned(),
            Refusal::LookOnly => {
                "To act, open /pair and type the code for acting; the daemon's terminal shows it.".to_owned()
            }
            Refusal::TooLong(_) => "Send less; no form of the page comes near it.".to_owned(),
            Refusal::TooSlow(_) | Refusal::Broken => "Send it again; nothing was done.".to_owned(),
            Refusal::NoRandom => "Try again; if it stays so, restart the daemon.".to_owned(),
        }
    }
}

/// What of a request its answer depends on, kept while the request itself is used up.
#[derive(Debug, Clone)]
pub struct Asked {
    path: String,
    html: bool,
}

impl Asked {
    /// What `request` asks for.
    pub fn of(request: &Request) -> Asked {
        Asked { path: request.uri().path().to_owned(), html: wants_page(request.headers()) }
    }

    /// The path alone: a query may hold a pairing code, which belongs into no log.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// The answer to a request that was turned away: a page where one was asked for, else JSON. Who has not
    /// paired and asked for a page is led to where one does.
    pub fn refuse(&self, refusal: &Refusal) -> Response {
        if self.html && *refusal == Refusal::NotPaired {
            return (StatusCode::SEE_OTHER, [(header::LOCATION, "/pair")]).into_response();
        }
        let mut response =
            self.says(refusal.status(), refusal.code(), &refusal.to_string(), &refusal.to_do());
        let headers = response.headers_mut();
        match refusal {
            Refusal::Method(_) => {
                headers.insert(header::ALLOW, HeaderValue::from_static("GET, HEAD, POST"));
            }
            Refusal::NotPaired => {
                headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Pairing"));
            }
            _ => {}
        }
        response
    }

    /// A short answer: `what` happened (one sentence, without its capital and full stop) and what `to_do`, as a
    /// page or as problem details (RFC 9457), in the shape of all problems of the daemon.
    fn says(&self, status: StatusCode, code: &'static str, what: &str, to_do: &str) -> Response {
        if self.html {
            let html = page::refusal(what, to_do).into_string();
            return (status, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], html).into_response();
        }
        let problem = json!({ "code": code, "status": status.as_u16(), "title": what, "detail": to_do });
        (status, [(header::CONTENT_TYPE, "application/problem+json")], problem.to_string()).into_response()
    }

    /// Puts what the router says without words (no such page, a form that cannot be read) into such an answer;
    /// whatever has words of its own stays as it is.
    pub(super) async fn in_words(&self, response: Response) -> Response {
        let kind = response.headers().get(header::CONTENT_TYPE).map(HeaderValue::as_bytes);
        let plain = kind.is_none_or(|kind| kind.starts_with(b"text/plain"));
        if !response.status().is_client_error() || !plain {
            return response;
        }
        let (parts, body) = response.into_parts();
        let said = to_bytes(body, 4096).await.unwrap_or_default();
        let said = String::from_utf8_lossy(&said);
        let (what, to_do) = match parts.status {
            StatusCode::NOT_FOUND => {
                ("there is nothing at this address", "Go back to the list of studies (/).")
            }
            StatusCode::METHOD_NOT_ALLOWED => {
                ("this address does not take that method", "Use one that the Allow header names.")
            }
            _ => (
                "the request cannot be read",
                "Send what the page's forms send; /openapi.json says what that is.",
            ),
        };
        let what = if said.trim().is_empty() { what } else { said.trim() };
        let code = if parts.status == StatusCode::NOT_FOUND { "not-found" } else { "bad-input" };
        let mut answer = self.says(parts.status, code, what, to_do);
        if let Some(allow) = parts.headers.get(header::ALLOW) {
            answer.headers_mut().insert(header::ALLOW, allow.clone());
        }
        answer
    }
}

fn wants_page(headers: &HeaderMap) -> bool {
    let accept = headers.get(header::ACCEPT).map(HeaderValue::as_bytes).unwrap_or_default();
    String::from_utf8_lossy(accept).contains("text/html")
}

/// Whether a method changes nothing.
pub(super) fn only_looks(method: &Method) -> bool {
    method == Method::GET || method == Method::HEAD
}
