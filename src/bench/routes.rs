//! What can be asked of the daemon. Each route stands beside its description, and both come from here.

use super::answers::MEDIA_TYPE;
use super::answers::Problem;
use super::answers::Wants;
use super::files;
use super::gate::PairingApi;
use super::hall::Hall;
use super::metrics;
use super::orders;
use super::page;
use super::panels;
use super::shelf;
use super::watching;
use crate::session::start::PROGRAM;
use crate::session::station::Phase;
use axum::Json;
use axum::Router;
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header;
use axum::response::Html;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use serde::Serialize;
use std::sync::Arc;
use std::sync::LazyLock;
use utoipa::OpenApi;
use utoipa::ToSchema;
use utoipa::openapi::Content;
use utoipa::openapi::Ref;
use utoipa::openapi::ResponseBuilder;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Half Panel",
        description = "The bench of a gloss meter: studies, runs, words to a run, tables and recordings. \
                       Described in protocol-notes/http.md.",
        license(name = "MIT OR Apache-2.0"),
    ),
    tags(
        (name = "bench", description = "The page and its events"),
        (name = "orders", description = "What a person tells the bench; each carries the version it was meant for"),
        (name = "runs", description = "What is recorded"),
        (name = "panels", description = "What is done to the panels and seen on them between runs"),
        (name = "files", description = "Downloads"),
        (name = "daemon", description = "For those who look after the daemon"),
    )
)]
struct Description;

/// All routes over the stations of `hall`, other than those of the gate before them.
pub fn router(hall: Hall) -> Router {
    described()
        .split_for_parts()
        .0
        .fallback(async |wants: Wants| Problem::not_found("such page").answer(wants, "/"))
        .with_state(hall)
}

/// The description of all routes, as OpenAPI.
#[must_use]
pub fn description() -> utoipa::openapi::OpenApi {
    let mut description = described().split_for_parts().1;
    description.merge(PairingApi::openapi());
    for item in description.paths.paths.values_mut() {
        let with_body = item.post.as_mut().map(|post| (post, &OF_A_BODY[..]));
        let without = item.get.as_mut().map(|get| (get, &[][..]));
        for (operation, more) in with_body.into_iter().chain(without) {
            for &(status, says) in OF_THE_GATE.iter().chain(more) {
                let problem = Content::new(Some(Ref::from_schema_name("Problem")));
                let refusal = ResponseBuilder::new().description(says).content(MEDIA_TYPE, problem).build();
                operation.responses.responses.entry(status.to_owned()).or_insert_with(|| refusal.into());
            }
        }
    }
    description
}

/// What may be wrong with a body, whatever the route.
const OF_A_BODY: [(&str, &str); 4] = [
    ("408", "The body did not come in time"),
    ("413", "The body is too large"),
    ("415", "The body is of another kind than the route takes"),
    ("422", "The body cannot be read"),
];

/// What the gate may answer in place of any route.
const OF_THE_GATE: [(&str, &str); 5] = [
    ("400", "The request cannot be read"),
    ("401", "Not paired; only where pairing is asked for"),
    ("403", "Paired to look only, or sent by another site's page"),
    ("405", "The path does not take that method"),
    ("421", "The daemon is not called so"),
];

fn described() -> OpenApiRouter<Hall> {
    OpenApiRouter::with_openapi(Description::openapi())
        .routes(routes!(studies))
        .routes(routes!(bench))
        .routes(routes!(asset))
        .routes(routes!(watching::events))
        .routes(routes!(orders::start))
        .routes(routes!(orders::take_up))
        .routes(routes!(orders::word))
        .routes(routes!(orders::stop))
        .routes(routes!(shelf::runs))
        .routes(routes!(shelf::run))
        .routes(routes!(shelf::tile))
        .routes(routes!(panels::panels))
        .routes(routes!(panels::wash))
        .routes(routes!(panels::look))
        .routes(routes!(panels::take_back))
        .routes(routes!(files::table))
        .routes(routes!(files::recording))
        .routes(routes!(health))
        .routes(routes!(counted))
        .routes(routes!(openapi))
}

/// This description.
#[utoipa::path(
    get, path = "/openapi.json", tag = "daemon",
    responses((status = 200, description = "OpenAPI", body = String, content_type = "application/json")),
)]
async fn openapi() -> Response {
    static TEXT: LazyLock<Bytes> = LazyLock::new(|| description().to_json().unwrap_or_default().into());
    ([(header::CONTENT_TYPE, "application/json")], TEXT.clone()).into_response()
}

/// The studies; straight to the one if there is one.
#[utoipa::path(
    get, path = "/", tag = "bench",
    responses(
        (status = 200, description = "The list", body = String, content_type = "text/html; charset=utf-8"),
        (status = 303, description = "To the only study"),
    ),
)]
async fn studies(State(hall): State<Hall>) -> Response {
    match hall.stands() {
        [only] => Redirect::to(&format!("/s/{}/", only.slug)).into_response(),
        stands => {
            let facts: Vec<_> =
                stands.iter().map(|stand| (format!("/s/{}/", stand.slug), stand.facts.now())).collect();
            let all = facts.iter().map(|(to, facts)| (to.clone(), facts.name.as_str()));
            Html(page::shelf::studies(all)).into_response()
        }
    }
}

/// The bench page of a study.
#[utoipa::path(
    get, path = "/s/{slug}/", tag = "bench",
    params(("slug" = String, Path, description = "Short name of the study")),
    responses(
        (status = 200, description = "The page", body = String, content_type = "text/html; charset=utf-8"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
    ),
)]
async fn bench(State(hall): State<Hall>, Path(slug): Path<String>, wants: Wants) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    stand.facts.refresh(stand.station.folder()).await;
    let snapshot = Arc::clone(&stand.station.snapshots().borrow());
    Html(page::bench(&snapshot, &stand.facts.now())).into_response()
}

/// A file of the page: style, script, mark. Its name changes with what is in it.
#[utoipa::path(
    get, path = "/assets/{name}", tag = "bench",
    params(("name" = String, Path, description = "Name, as the page has it")),
    responses(
        (status = 200, description = "The file", content(
            (String = "text/css; charset=utf-8"), (String = "text/javascript; charset=utf-8"), (String = "image/svg+xml"),
        )),
        (status = 404, description = "No such file", body = Problem, content_type = "application/problem+json"),
    ),
)]
async fn asset(Path(name): Path<String>, wants: Wants) -> Response {
    if name == shelf::TILE_STYLE {
        return ([(header::CONTENT_TYPE, "text/css; charset=utf-8")], shelf::tile_style()).into_response();
    }
    match page::asset(&name) {
        Some((media_type, bytes)) => ([(header::CONTENT_TYPE, media_type)], bytes).into_response(),
        None => Problem::not_found("such file").answer(wants, "/"),
    }
}

/// Whether the daemon is well.
#[derive(Serialize, ToSchema)]
struct Health {
    /// `ok`, or `broken` where the task behind a study has ended.
    status: &'static str,
    /// Version of the program.
    version: &'static str,
    /// The studies.
    studies: Vec<HealthOfStudy>,
}

/// How a study stands.
#[derive(Serialize, ToSchema)]
struct HealthOfStudy {
    /// Its short name.
    slug: String,
    /// `idle`, `opening`, `running`, `stuck`, or `gone`.
    phase: &'static str,
    /// Whether the meter's line is up; absent while no run holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    link_up: Option<bool>,
    /// Version of its state.
    version: u64,
}

/// Whether the daemon is well, and what its studies are at.
#[utoipa::path(
    get, path = "/health", tag = "daemon",
    responses(
        (status = 200, description = "It is", body = Health),
        (status = 503, description = "A study's task has ended", body = Health),
    ),
)]
async fn health(State(hall): State<Hall>) -> Response {
    let studies = hall.stands().iter().map(|stand| {
        let snapshots = stand.station.snapshots();
        let snapshot = snapshots.borrow();
        let phase = match &snapshot.phase {
            _ if !stand.station.is_kept() => "gone",
            Phase::Idle { .. } => "idle",
            Phase::Opening => "opening",
            Phase::Running(_) => "running",
            Phase::Stuck { .. } => "stuck",
        };
        let version = snapshot.version;
        HealthOfStudy { slug: stand.slug.clone(), phase, link_up: snapshot.link_up, version }
    });
    let studies: Vec<HealthOfStudy> = studies.collect();
    let is_well = studies.iter().all(|study| study.phase != "gone");
    let (code, status) = match is_well {
        true => (StatusCode::OK, "ok"),
        false => (StatusCode::SERVICE_UNAVAILABLE, "broken"),
    };
    (code, Json(Health { status, version: PROGRAM, studies })).into_response()
}

/// What the daemon has counted, for a collector.
#[utoipa::path(
    get, path = "/metrics", tag = "daemon",
    responses((status = 200, description = "Counters", body = String, content_type = "application/openmetrics-text")),
)]
async fn counted(State(hall): State<Hall>) -> Response {
    ([(header::CONTENT_TYPE, metrics::MEDIA_TYPE)], hall.metrics().text()).into_response()
}
