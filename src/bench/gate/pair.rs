//! The routes where one pairs: `GET /pair` shows the form, `POST /pair` takes a code.

use std::net::IpAddr;
use std::net::Ipv4Addr;
use std::sync::Arc;

use axum::Extension;
use axum::Form;
use axum::extract::Query;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::HeaderValue;
use axum::http::StatusCode;
use axum::http::header;
use axum::response::Html;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use serde::Deserialize;
use utoipa::OpenApi;
use utoipa::ToSchema;

use super::Gate;
use super::Peer;
use super::Reach;
use super::page;
use super::pairing::Answer;
use super::pairing::LASTS_US;
use super::pairing::Role;

/// The part of the OpenAPI document that speaks of pairing.
#[derive(Debug, OpenApi)]
#[openapi(paths(form, enter))]
pub struct PairingApi;

/// What the pairing form sends.
#[derive(Deserialize, ToSchema)]
pub struct Typed {
    /// A code from the daemon's terminal; case, spaces and hyphens do not count.
    #[serde(default)]
    #[schema(max_length = 40, example = "0410-6105")]
    code: String,
}

/// Shows the form; a link from a QR code fills the code in. Opening it pairs nothing, since whatever looks ahead
/// (a preview, a scanner) opens links too.
#[utoipa::path(
    get,
    path = "/pair",
    params(("code" = Option<String>, Query, description = "stands in the form's field already")),
    responses(
        (status = 200, description = "the form", content_type = "text/html", body = String),
        (status = 303, description = "nobody has to pair on loopback: back to the studies")
    )
)]
pub async fn form(State(gate): State<Arc<Gate>>, Query(typed): Query<Typed>) -> Response {
    if gate.reach == Reach::Loopback {
        return Redirect::to("/").into_response();
    }
    let code = typed.code.chars().take(40).collect::<String>();
    Html(page::pair(None, &code).into_string()).into_response()
}

/// Takes a code: the right one gives a cookie. A wrong one, and any while one has to wait, gives the form again.
#[utoipa::path(
    post,
    path = "/pair",
    request_body(content = Typed, content_type = "application/x-www-form-urlencoded"),
    responses(
        (status = 303, description = "paired, with a cookie; or on loopback, where nobody has to pair"),
        (status = 403, description = "no such code", content_type = "text/html", body = String),
        (status = 429, description = "too many wrong codes: wait as Retry-After says", content_type = "text/html", body = String)
    )
)]
pub async fn enter(
    State(gate): State<Arc<Gate>>,
    peer: Option<Extension<Peer>>,
    headers: HeaderMap,
    Form(typed): Form<Typed>,
) -> Response {
    if gate.reach == Reach::Loopback {
        return Redirect::to("/").into_response();
    }
    let token = match gate.token() {
        Ok(token) => token,
        Err(refusal) => return again(refusal.status(), &refusal.to_string()),
    };
    // Without an address all share one account of tries, which is the stricter way.
    let from =
        peer.map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |Extension(peer)| peer.remote.ip().to_canonical());
    let answer = gate.pairing().enter(from, &typed.code, &token, gate.clock.elapsed_us());
    match answer {
        Answer::Paired(role) => {
            gate.forget(&headers);
            let role = if role == Role::Operator { "operator" } else { "viewer" };
            tracing::info!(%from, role, "a browser has paired");
            let cookie = format!(
                "{}={}; Path=/; Max-Age={}; HttpOnly; SameSite=Strict",
                gate.cookie_name(),
                token.hex(),
                LASTS_US / 1_000_000
            );
            ([(header::SET_COOKIE, cookie)], Redirect::to("/")).into_response()
        }
        Answer::Wrong => {
            tracing::warn!(%from, "a wrong pairing code was typed");
            again(
                StatusCode::FORBIDDEN,
                "That is not one of the codes. Look at the daemon's terminal and type it again.",
            )
        }
        Answer::Wait { wait_us } => {
            let seconds = wait_us.div_ceil(1_000_000);
            // Whoever goes on guessing must not fill the log; each wrong code that was looked at stands there.
            tracing::debug!(%from, seconds, "a pairing code was not looked at: too many wrong ones before");
            let says = format!(
                "Too many wrong codes. Wait {seconds} seconds, then type it again; until then no code is looked at."
            );
            let mut response = again(StatusCode::TOO_MANY_REQUESTS, &says);
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
            response
        }
    }
}

fn again(status: StatusCode, says: &str) -> Response {
    (status, Html(page::pair(Some(says), "").into_string())).into_response()
}
