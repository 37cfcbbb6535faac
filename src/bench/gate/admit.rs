//! What a request has to pass before a route sees it.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use axum::body::HttpBody;
use axum::extract::Request;
use axum::http::HeaderMap;
use axum::http::HeaderName;
use axum::http::HeaderValue;
use axum::http::Method;
use axum::http::header;
use axum::http::uri::Authority;
use futures_util::StreamExt;

use super::Gate;
use super::Peer;
use super::Reach;
use super::Refusal;
use super::Role;
use super::Standing;
use super::limits::Limits;
use super::pairing::Pass;
use super::reach;
use super::refusal::only_looks;

/// The request with its body read, and its [`Role`] and [`Standing`] among its extensions.
///
/// # Errors
/// The first [`Refusal`] that applies.
pub async fn admit(gate: &Arc<Gate>, request: Request) -> Result<Request, Refusal> {
    known_method(request.method())?;
    if request.uri().authority().is_some() {
        return Err(Refusal::Proxy);
    }
    plain_path(request.uri().path())?;
    let local = request.extensions().get::<Peer>().map(|peer| peer.local.ip());
    let host = own_host(request.headers(), &gate.names, local)?;
    own_page(&request, &host)?;
    let (role, standing) = may_act(gate, &request)?;
    let mut request = with_whole_body(request, &gate.limits).await?;
    request.extensions_mut().insert(role);
    request.extensions_mut().insert(standing);
    Ok(request)
}

fn known_method(method: &Method) -> Result<(), Refusal> {
    let known = only_looks(method) || method == Method::POST;
    if known { Ok(()) } else { Err(Refusal::Method(method.as_str().chars().take(32).collect())) }
}

/// Refuses whatever could name another place once it is decoded, so that no route has to think of it.
fn plain_path(path: &str) -> Result<(), Refusal> {
    let decoded = decoded(path).ok_or(Refusal::Path("a % without two digits or bytes that are no text"))?;
    if decoded.contains('%') {
        return Err(Refusal::Path("an encoding within an encoding"));
    }
    if decoded.contains(|c: char| c == '\\' || c.is_control()) {
        return Err(Refusal::Path("a backslash or a control character"));
    }
    // A slash that was encoded would count as one only for whoever decodes.
    if decoded.matches('/').count() != path.matches('/').count() {
        return Err(Refusal::Path("an encoded slash"));
    }
    if decoded.split('/').any(|segment| segment == "." || segment == "..") {
        return Err(Refusal::Path("a step to another folder"));
    }
    Ok(())
}

/// Percent-decoded (RFC 3986, 2.1); `None` where that gives no UTF-8.
fn decoded(path: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(path.len());
    let mut rest = path.as_bytes();
    while let [first, others @ ..] = rest {
        rest = others;
        if *first != b'%' {
            bytes.push(*first);
            continue;
        }
        let digit = |byte: u8| char::from(byte).to_digit(16).and_then(|digit| u8::try_from(digit).ok());
        let [high, low, others @ ..] = others else { return None };
        bytes.push(digit(*high)? * 16 + digit(*low)?);
        rest = others;
    }
    String::from_utf8(bytes).ok()
}

/// The one `Host` header, if it names this daemon. The port may differ: a tunnel may end at another one.
fn own_host(headers: &HeaderMap, names: &[String], local: Option<IpAddr>) -> Result<Authority, Refusal> {
    let text = the_one(headers, &header::HOST)?.ok_or(Refusal::NoHost)?;
    if text.contains('@') {
        return Err(Refusal::NoHost);
    }
    let host = text.parse::<Authority>().map_err(|_| Refusal::NoHost)?;
    let ours = reach::is_ours(host.host(), names, local);
    if ours { Ok(host) } else { Err(Refusal::Host(host.host().chars().take(100).collect())) }
}

/// Refuses what another site's page sends. A browser states who sends a POST in `Origin`; on loopback and under
/// TLS it adds `Sec-Fetch-Site` to everything. Who states neither is no browser of this decade, and brings no cookie that
/// a page could have misused (`SameSite=Strict`). A link from elsewhere that opens a page is let through.
fn own_page(request: &Request, host: &Authority) -> Result<(), Refusal> {
    let headers = request.headers();
    if let Some(origin) = the_one(headers, &header::ORIGIN)? {
        let ours = origin.split_once("://").is_some_and(|(scheme, from)| {
            (scheme == "http" || scheme == "https") && from.eq_ignore_ascii_case(host.as_str())
        });
        if !ours {
            return Err(Refusal::Foreign(origin.chars().take(100).collect()));
        }
    }
    let fetch = |name: &'static str| the_one(headers, &HeaderName::from_static(name));
    let opens_a_page = only_looks(request.method())
        && fetch("sec-fetch-mode")? == Some("navigate")
        && matches!(fetch("sec-fetch-dest")?, None | Some("document"));
    match fetch("sec-fetch-site")? {
        None | Some("same-origin") => Ok(()),
        // Typed in, or from a bookmark: no page sent it.
        Some("none") if only_looks(request.method()) => Ok(()),
        Some(_) if opens_a_page => Ok(()),
        Some(site) => Err(Refusal::Foreign(site.chars().take(100).collect())),
    }
}

/// The role of whoever sends the request, if it suffices.
fn may_act(gate: &Arc<Gate>, request: &Request) -> Result<(Role, Standing), Refusal> {
    if gate.reach == Reach::Loopback {
        return Ok((Role::Operator, Standing::free()));
    }
    let now_us = gate.clock.elapsed_us();
    let name = gate.cookie_name();
    let paired = cookies(request.headers(), &name).find_map(|cookie| {
        let role = gate.pairing().role(cookie, now_us)?;
        Some((role, Standing::of(gate, Pass::of(cookie)?)))
    });
    let path = request.uri().path();
    // Open to all: where one pairs, and what that page needs. Whoever looks after the daemon asks from this
    // machine whether it is well, and has no browser to pair.
    let here = request.extensions().get::<Peer>().is_some_and(|p| p.remote.ip().to_canonical().is_loopback());
    let open =
        path == "/pair" || path.starts_with("/assets/") || (here && matches!(path, "/health" | "/metrics"));
    match paired {
        Some((Role::Viewer, _)) if !only_looks(request.method()) && path != "/pair" => Err(Refusal::LookOnly),
        Some(paired) => Ok(paired),
        None if open => Ok((Role::Viewer, Standing::free())),
        None => Err(Refusal::NotPaired),
    }
}

/// The values of all cookies of this name; a browser may send several.
pub(super) fn cookies<'a>(headers: &'a HeaderMap, name: &'a str) -> impl Iterator<Item = &'a str> {
    let lines = headers.get_all(header::COOKIE).iter().filter_map(|line| line.to_str().ok());
    let pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.filter(move |(key, _)| *key == name).map(|(_, value)| value)
}

/// A header that may stand once: the text of it, `None` where it is absent.
fn the_one<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, Refusal> {
    let mut values = headers.get_all(name).iter();
    let first = values.next().map(HeaderValue::to_str).transpose();
    match (first, values.next()) {
        (Ok(first), None) => Ok(first),
        _ if name == header::HOST => Err(Refusal::NoHost),
        _ => Err(Refusal::Foreign(format!("{name} stands twice or is no text"))),
    }
}

/// The request with its whole body at hand, read within bounds of length and time.
async fn with_whole_body(request: Request, limits: &Limits) -> Result<Request, Refusal> {
    let (parts, body) = request.into_parts();
    if only_looks(&parts.method) || body.is_end_stream() {
        return Ok(Request::from_parts(parts, Body::empty()));
    }
    let most = limits.body_bytes;
    if body.size_hint().lower() > u64::try_from(most).unwrap_or(u64::MAX) {
        return Err(Refusal::TooLong(most));
    }
    let whole = tokio::time::timeout(limits.body_wait, collected(body, most)).await;
    let whole = whole.map_err(|_| Refusal::TooSlow(seconds(limits.body_wait)))??;
    Ok(Request::from_parts(parts, Body::from(whole)))
}

async fn collected(body: Body, most: usize) -> Result<Vec<u8>, Refusal> {
    let mut whole = Vec::new();
    let mut pieces = body.into_data_stream();
    while let Some(piece) = pieces.next().await {
        let piece = piece.map_err(|_| Refusal::Broken)?;
        if whole.len() + piece.len() > most {
            return Err(Refusal::TooLong(most));
        }
        whole.extend_from_slice(&piece);
    }
    Ok(whole)
}

fn seconds(wait: Duration) -> u64 {
    wait.as_secs().max(1)
}

#[cfg(test)]
#[path = "admit_tests.rs"]
mod tests;
