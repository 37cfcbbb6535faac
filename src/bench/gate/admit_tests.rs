use std::sync::Arc;

use axum::Extension;
use axum::Router;
use axum::http::Request;
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use tower::ServiceExt;

use super::*;
use crate::bench::gate::guard;
use crate::session::clock::Clock;

fn gate(reach: Reach) -> Arc<Gate> {
    let names = ["bench.local".to_owned()];
    let at = "192.168.1.5:8417".parse().unwrap();
    Arc::new(Gate::new(at, reach, &names, Limits::default(), Clock::real()).unwrap())
}

fn served(gate: &Arc<Gate>) -> Router {
    let role = |Extension(role): Extension<Role>| async move { format!("{role:?}") };
    let echo = |body: String| async move { format!("took {} bytes", body.len()) };
    let app = Router::new()
        .route("/", get(role))
        .route("/health", get(|| async { "well" }))
        .route("/metrics", get(|| async { "counted" }))
        .route("/s/harbour/events", get(|| async { "events" }))
        .route("/s/harbour/word", get(|| async { "" }).post(echo))
        .route("/assets/page.css", get(|| async { "css" }))
        .route("/assets/page-0123456789ab.css", get(|| async { "css" }));
    guard(app, Arc::clone(gate))
}

/// Sends a request with these headers (one `name: value` a line) and returns the answer with its text.
fn ask(gate: &Arc<Gate>, method: &str, path: &str, headers: &str, body: &str) -> (Response<()>, String) {
    ask_from("192.168.1.20:50000", gate, method, path, headers, body)
}

fn ask_from(
    remote: &str,
    gate: &Arc<Gate>,
    method: &str,
    path: &str,
    headers: &str,
    body: &str,
) -> (Response<()>, String) {
    let mut request = Request::builder().method(method).uri(path);
    for line in headers.lines() {
        let (name, value) = line.split_once(": ").unwrap();
        request = request.header(name, value);
    }
    let mut request = request.body(Body::from(body.to_owned())).unwrap();
    let local = "192.168.1.5:8417".parse().unwrap();
    request.extensions_mut().insert(Peer { remote: remote.parse().unwrap(), local });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let (parts, body) = served(gate).oneshot(request).await.unwrap().into_parts();
        let text = axum::body::to_bytes(body, usize::MAX).await.unwrap();
        (Response::from_parts(parts, ()), String::from_utf8(text.to_vec()).unwrap())
    })
}

fn status(gate: &Arc<Gate>, method: &str, path: &str, headers: &str) -> u16 {
    ask(gate, method, path, headers, "").0.status().as_u16()
}

fn paired(gate: &Arc<Gate>, code: &str) -> String {
    let form = "Host: 192.168.1.5:8417\nContent-Type: application/x-www-form-urlencoded";
    let (answer, _) = ask(gate, "POST", "/pair", form, &format!("code={code}"));
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    let cookie = answer.headers()[header::SET_COOKIE].to_str().unwrap();
    for part in ["HttpOnly", "SameSite=Strict", "Max-Age=43200", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    cookie.split(';').next().unwrap().to_owned()
}

#[test]
fn a_name_that_another_site_had_point_here_opens_nothing() {
    for reach in [Reach::Loopback, Reach::Lan] {
        let gate = gate(reach);
        let (answer, text) = ask(&gate, "GET", "/", "Host: rebound.example:8417\nAccept: text/html", "");
        assert_eq!(answer.status(), StatusCode::MISDIRECTED_REQUEST);
        assert!(text.contains("not called rebound.example") && text.contains("--name"), "{text}");
    }
    let here = gate(Reach::Loopback);
    for host in ["localhost:8417", "127.0.0.1", "[::1]:9000", "bench.local", "192.168.1.5"] {
        assert_eq!(status(&here, "GET", "/", &format!("Host: {host}")), 200, "{host}");
    }
    for bad in
        ["Host: ", "Host: a b", "Host: me@localhost", "Host: localhost\nHost: localhost", "Accept: */*"]
    {
        assert_eq!(status(&here, "GET", "/", bad), 400, "{bad}");
    }
}

#[test]
fn a_post_from_another_sites_page_is_refused_and_from_our_own_is_taken() {
    let gate = gate(Reach::Loopback);
    let post =
        |headers: &str| status(&gate, "POST", "/s/harbour/word", &format!("Host: localhost:8417\n{headers}"));
    for own in [
        "Origin: http://localhost:8417",
        "Origin: http://localhost:8417\nSec-Fetch-Site: same-origin",
        "Sec-Fetch-Site: same-origin",
        "Origin: https://localhost:8417",
        "Accept: */*",
    ] {
        assert_eq!(post(own), 200, "{own}");
    }
    for foreign in [
        "Origin: http://elsewhere.example",
        "Origin: http://localhost:3000",
        "Origin: http://localhost",
        "Origin: http://localhost:8417.elsewhere.example",
        "Origin: null",
        "Origin: ",
        "Sec-Fetch-Site: cross-site",
        "Sec-Fetch-Site: same-site",
        "Sec-Fetch-Site: none",
        "Sec-Fetch-Site: cross-site\nSec-Fetch-Mode: navigate\nSec-Fetch-Dest: document",
        "Origin: http://localhost:8417\nSec-Fetch-Site: cross-site",
        "Origin: http://localhost:8417\nOrigin: http://elsewhere.example",
    ] {
        assert_eq!(post(foreign), 403, "{foreign}");
    }
}

#[test]
fn another_site_may_link_here_but_not_read_embed_or_listen() {
    let gate = gate(Reach::Loopback);
    let get =
        |path: &str, headers: &str| status(&gate, "GET", path, &format!("Host: localhost:8417\n{headers}"));
    let link = "Sec-Fetch-Site: cross-site\nSec-Fetch-Mode: navigate\nSec-Fetch-Dest: document";
    assert_eq!(get("/", link), 200);
    assert_eq!(get("/", "Sec-Fetch-Site: none\nSec-Fetch-Mode: navigate"), 200);
    for (path, foreign) in [
        ("/", "Sec-Fetch-Site: cross-site\nSec-Fetch-Mode: navigate\nSec-Fetch-Dest: iframe"),
        ("/", "Sec-Fetch-Site: cross-site\nSec-Fetch-Mode: no-cors"),
        ("/s/harbour/events", "Sec-Fetch-Site: same-site\nSec-Fetch-Mode: cors"),
        ("/s/harbour/events", "Origin: http://elsewhere.example"),
        ("/s/harbour/events", "Origin: null"),
    ] {
        assert_eq!(get(path, foreign), 403, "{path} {foreign}");
    }
    assert_eq!(get("/s/harbour/events", "Sec-Fetch-Site: same-origin\nSec-Fetch-Mode: cors"), 200);
}

#[test]
fn on_a_lan_nothing_is_seen_before_pairing_but_where_one_pairs() {
    let gate = gate(Reach::Lan);
    let host = "Host: 192.168.1.5:8417";
    for path in ["/", "/s/harbour/events", "/nothing", "/health", "/metrics"] {
        assert_eq!(status(&gate, "GET", path, host), 401, "{path}");
    }
    for wrong in ["halfpanel-8417=", "halfpanel-8417=00", "halfpanel-80=1; other=2"] {
        assert_eq!(status(&gate, "GET", "/", &format!("{host}\nCookie: {wrong}")), 401, "{wrong}");
    }
    let (answer, _) = ask(&gate, "GET", "/", &format!("{host}\nAccept: text/html"), "");
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    assert_eq!(answer.headers()[header::LOCATION], "/pair");
    for path in ["/pair", "/assets/page.css"] {
        assert_eq!(status(&gate, "GET", path, host), 200, "{path}");
    }
    for (path, seen) in [("/health", 200), ("/metrics", 200), ("/", 401), ("/s/harbour/events", 401)] {
        let (answer, _) = ask_from("127.0.0.1:50000", &gate, "GET", path, host, "");
        assert_eq!(answer.status().as_u16(), seen, "{path} from this machine");
    }
    let (_, text) = ask(&gate, "GET", "/pair?code=0410-6105", host, "");
    assert!(text.contains("value=\"0410-6105\""), "{text}");
    // From this machine too: a proxy on it looks the same.
    assert_eq!(status(&gate, "GET", "/", "Host: localhost:8417"), 401);
}

#[test]
fn an_operator_acts_and_a_viewer_looks() {
    let gate = gate(Reach::Lan);
    let invitation = gate.invitation().unwrap();
    let with = |code: &str| format!("Host: 192.168.1.5:8417\nCookie: other=1; {}", paired(&gate, code));
    let operator = with(&invitation.operator().to_string());
    let viewer = with(invitation.viewer().plain());
    assert_eq!(ask(&gate, "GET", "/", &operator, "").1, "Operator");
    assert_eq!(ask(&gate, "GET", "/", &viewer, "").1, "Viewer");
    assert_eq!(status(&gate, "POST", "/s/harbour/word", &operator), 200);
    let (answer, text) = ask(&gate, "POST", "/s/harbour/word", &viewer, "");
    assert_eq!(answer.status(), StatusCode::FORBIDDEN);
    assert!(text.contains("look only"), "{text}");
    assert_eq!(status(&gate, "GET", "/s/harbour/events", &viewer), 200);
    assert_eq!(status(&gate, "GET", "/pair", &viewer), 200, "a viewer may type the other code");
}

#[test]
fn a_wrong_code_is_said_and_too_many_have_to_wait() {
    let gate = gate(Reach::Lan);
    let form = "Host: 192.168.1.5:8417\nContent-Type: application/x-www-form-urlencoded";
    for _ in 0..5 {
        let (answer, text) = ask(&gate, "POST", "/pair", form, "code=ZZZZ");
        assert_eq!(answer.status(), StatusCode::FORBIDDEN);
        assert!(text.contains("not one of the codes") && answer.headers().get(header::SET_COOKIE).is_none());
    }
    let right = gate.invitation().unwrap().operator().plain().to_owned();
    let (answer, text) = ask(&gate, "POST", "/pair", form, &format!("code={right}"));
    assert_eq!(answer.status(), StatusCode::TOO_MANY_REQUESTS);
    assert!(text.contains("Wait ") && answer.headers().get(header::SET_COOKIE).is_none(), "{text}");
    let wait = answer.headers()[header::RETRY_AFTER].to_str().unwrap().parse::<u64>().unwrap();
    assert!((1..=60).contains(&wait), "{wait}");
}

#[test]
fn a_path_that_could_mean_another_place_is_refused_however_it_is_written() {
    let gate = gate(Reach::Loopback);
    for path in [
        "/s/harbour/tables/../study.toml",
        "/s/harbour/tables/%2e%2e/study.toml",
        "/s/harbour/tables/.%2E/study.toml",
        "/s/harbour/tables/%252e%252e%252fstudy.toml",
        "/s/harbour/tables/..%2fstudy.toml",
        "/s/harbour/tables/%2fetc%2fpasswd",
        "/s/harbour/tables/..%5cstudy.toml",
        "/s/harbour/tables/a%00.csv",
        "/s/harbour/tables/a%0d%0ab",
        "/s/harbour/tables/%c0%ae%c0%ae/study.toml",
        "/s/harbour/tables/%",
        "/s/harbour/tables/%2",
        "/s/harbour/tables/%zz",
        "/./s",
        "/..",
    ] {
        assert_eq!(status(&gate, "GET", path, "Host: localhost"), 400, "{path}");
    }
    for path in ["/s/harbour/tables/a.csv", "/s/h%C3%A4fen/tables/a..b.csv", "/s/a%20b/x"] {
        assert_eq!(status(&gate, "GET", path, "Host: localhost"), 404, "{path}");
    }
    assert_eq!(status(&gate, "GET", "http://localhost/", "Host: localhost"), 400, "this is no proxy");
}

#[test]
fn other_methods_are_named_unknown_with_those_that_are_known() {
    let gate = gate(Reach::Loopback);
    for method in ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"] {
        let (answer, text) = ask(&gate, method, "/", "Host: localhost", "");
        assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED);
        assert_eq!(answer.headers()[header::ALLOW], "GET, HEAD, POST");
        assert!(text.contains(method), "{text}");
    }
    let (answer, text) = ask(&gate, "POST", "/", "Host: localhost", "");
    assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED);
    assert!(answer.headers()[header::ALLOW].to_str().unwrap().contains("GET") && !text.is_empty());
}

#[test]
fn a_body_is_taken_up_to_its_bound_with_or_without_a_stated_length() {
    let gate = gate(Reach::Loopback);
    let most = Limits::default().body_bytes;
    let (answer, text) = ask(&gate, "POST", "/s/harbour/word", "Host: localhost", &"x".repeat(most));
    assert_eq!((answer.status().as_u16(), text.as_str()), (200, "took 65536 bytes"));
    let (answer, text) = ask(&gate, "POST", "/s/harbour/word", "Host: localhost", &"x".repeat(most + 1));
    assert_eq!(answer.status(), StatusCode::PAYLOAD_TOO_LARGE);
    assert!(text.contains("65536 bytes"), "{text}");
}

#[test]
fn every_answer_is_sealed_and_keeps_no_state() {
    let gate = gate(Reach::Lan);
    let host = "Host: 192.168.1.5:8417";
    for (path, headers, kept) in [
        ("/", host, "no-store"),
        ("/", "Host: rebound.example", "no-store"),
        ("/pair", host, "no-store"),
        ("/assets/page-0123456789ab.css", host, "public, max-age=31536000, immutable"),
        ("/assets/none-0123456789ab.css", host, "no-store"),
        ("/assets/page.css", host, "no-cache"),
    ] {
        let (answer, _) = ask(&gate, "GET", path, headers, "");
        let head = |name: &str| answer.headers()[name].to_str().unwrap().to_owned();
        assert_eq!(head("cache-control"), kept, "{path}");
        let policy = head("content-security-policy");
        assert!(policy.starts_with("default-src 'none'; script-src 'self'; style-src 'self'"), "{policy}");
        assert!(!policy.contains("unsafe") && policy.contains("frame-ancestors 'none'"), "{policy}");
        assert_eq!(head("x-content-type-options"), "nosniff");
        assert_eq!(head("referrer-policy"), "same-origin");
        assert_eq!(head("cross-origin-resource-policy"), "same-origin");
    }
}

#[test]
fn a_refusal_speaks_html_to_a_browser_and_json_to_a_program() {
    let gate = gate(Reach::Loopback);
    let (answer, text) = ask(&gate, "GET", "/nothing", "Host: localhost\nAccept: text/html,*/*;q=0.8", "");
    assert_eq!(answer.status(), StatusCode::NOT_FOUND);
    assert_eq!(answer.headers()[header::CONTENT_TYPE], "text/html; charset=utf-8");
    assert!(text.contains("There is nothing at this address."), "{text}");
    let (answer, text) = ask(&gate, "GET", "/nothing", "Host: localhost\nAccept: */*", "");
    assert_eq!(answer.headers()[header::CONTENT_TYPE], "application/problem+json");
    let problem: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!((&problem["status"], &problem["code"]), (&404.into(), &"not-found".into()));
    assert!(problem["detail"].as_str().unwrap().contains("list of studies"));
}

#[test]
fn on_loopback_nobody_has_to_pair() {
    let gate = gate(Reach::Loopback);
    assert!(gate.invitation().is_none());
    for method in ["GET", "POST"] {
        let form = "Host: localhost\nContent-Type: application/x-www-form-urlencoded";
        let (answer, _) = ask(&gate, method, "/pair", form, "");
        assert_eq!(answer.status(), StatusCode::SEE_OTHER, "{method}");
    }
}
