//! What a client gets back: a page for a browser, JSON for a program.

use super::page;
use crate::session::station::Refused;
use axum::Json;
use axum::extract::FromRequestParts;
use axum::http::HeaderMap;
use axum::http::StatusCode;
use axum::http::header;
use axum::http::request::Parts;
use axum::response::Html;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use serde::Serialize;
use std::convert::Infallible;
use utoipa::ToSchema;

/// Media type of a [`Problem`].
pub const MEDIA_TYPE: &str = "application/problem+json";

/// The kind of answer that a client can read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wants {
    /// HTML.
    Page,
    /// JSON.
    Json,
}

impl Wants {
    /// By the `Accept` header: a browser that opens a page or sends a form names HTML.
    pub fn of(headers: &HeaderMap) -> Wants {
        let accept = headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
        if accept.contains("text/html") { Wants::Page } else { Wants::Json }
    }
}

impl<S: Sync> FromRequestParts<S> for Wants {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Wants, Infallible> {
        Ok(Wants::of(&parts.headers))
    }
}

/// Why something was not done: problem details, as RFC 9457 has them, with a short name.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Problem {
    /// A short name that stays the same.
    pub code: Code,
    /// The HTTP status.
    pub status: u16,
    /// What happened, as a sentence.
    pub title: String,
    /// What to do; absent where `title` says it.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub detail: String,
}

/// Why something was not done, in one word for programs. The gate before the routes has names of its own beside these.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Code {
    /// The bench has moved on since the version that the order was meant for.
    Stale,
    /// It does not fit what the bench is at.
    NotNow,
    /// The run could not follow the word.
    Refused,
    /// It was tried and did not work.
    Failed,
    /// The daemon is stopping.
    Closing,
    /// What was sent cannot be read.
    BadInput,
    /// Nothing goes by that name.
    NotFound,
}

/// What is there once an order was followed.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub struct Done {
    /// The version at which the bench stands now.
    pub version: u64,
}

impl Problem {
    /// A problem, by its status and short name.
    pub fn new(status: StatusCode, code: Code, title: impl Into<String>) -> Problem {
        Problem { code, status: status.as_u16(), title: title.into(), detail: String::new() }
    }

    /// Nothing goes by that name.
    pub fn not_found(what: &str) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, Code::NotFound, format!("there is no {what}"))
    }

    /// What was sent cannot be read.
    pub fn bad_input(title: impl Into<String>) -> Problem {
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, Code::BadInput, title)
    }

    /// With what to do about it.
    pub fn hint(mut self, hint: impl Into<String>) -> Problem {
        self.detail = hint.into();
        self
    }

    /// As an answer; a page has a link back to `back`.
    pub fn answer(self, wants: Wants, back: &str) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        match wants {
            Wants::Page => {
                let head = match self.code {
                    Code::NotFound => "Not there",
                    _ => "Not done",
                };
                (status, Html(page::shelf::not_done(head, &self.title, &self.detail, back))).into_response()
            }
            Wants::Json => (status, [(header::CONTENT_TYPE, MEDIA_TYPE)], Json(self)).into_response(),
        }
    }
}

impl From<Refused> for Problem {
    fn from(refused: Refused) -> Problem {
        let (status, code) = match &refused {
            Refused::Stale { .. } => (StatusCode::CONFLICT, Code::Stale),
            Refused::NotNow(_) => (StatusCode::CONFLICT, Code::NotNow),
            Refused::Word(_) => (StatusCode::UNPROCESSABLE_ENTITY, Code::Refused),
            Refused::Failed { .. } => (StatusCode::UNPROCESSABLE_ENTITY, Code::Failed),
            Refused::Closing => (StatusCode::SERVICE_UNAVAILABLE, Code::Closing),
        };
        Problem::new(status, code, refused.to_string()).hint(refused.hint())
    }
}

/// The answer to an order: a browser goes back to the page that shows what came of it.
pub fn done(outcome: Result<u64, Problem>, wants: Wants, back: &str) -> Response {
    match (outcome, wants) {
        (Ok(_), Wants::Page) => Redirect::to(back).into_response(),
        (Ok(version), Wants::Json) => Json(Done { version }).into_response(),
        (Err(problem), wants) => problem.answer(wants, back),
    }
}
