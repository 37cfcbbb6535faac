//! The pages beside the bench: runs, readings, the tile. JSON for programs.

use super::answers::Code;
use super::answers::Problem;
use super::answers::Wants;
use super::hall::Hall;
use super::hall::Stand;
use super::page;
use crate::report::gather::RunOnTile;
use crate::report::gather::SittingStarts;
use crate::report::gather::gather;
use crate::report::svg;
use crate::report::tile_history::TileHistory;
use crate::report::tile_text;
use crate::session::folder::Folder;
use crate::session::folder::FolderError;
use crate::session::shelf;
use crate::tile::history::LEAST_BASELINE;
use crate::view::shelf::RunRow;
use crate::view::shelf::RunSheet;
use axum::Json;
use axum::extract::Path;
use axum::extract::Query;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Html;
use axum::response::IntoResponse;
use axum::response::Response;
use serde::Deserialize;
use std::sync::OnceLock;

/// Where the style of the tile's charts is.
pub const TILE_STYLE: &str = "tile-charts.css";

static STYLE: OnceLock<String> = OnceLock::new();

/// The style of the tile's charts.
pub fn tile_style() -> &'static str {
    STYLE.get_or_init(|| {
        let none = TileHistory::of("", Vec::new(), LEAST_BASELINE);
        svg::apart(&svg::svg(&none)).map_or_else(String::new, |(style, _)| style.to_owned())
    })
}

/// The runs of a study, the latest first.
#[utoipa::path(
    get, path = "/s/{slug}/runs", tag = "runs",
    params(("slug" = String, Path, description = "Short name of the study")),
    responses(
        (status = 200, description = "The list", content(
            (Vec<RunRow> = "application/json"), (String = "text/html; charset=utf-8"),
        )),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The recordings cannot be read", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn runs(State(hall): State<Hall>, Path(slug): Path<String>, wants: Wants) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    match (aside(&hall, stand, |folder| shelf::runs(&folder)).await, wants) {
        (Ok(rows), Wants::Page) => Html(page::shelf::runs(&name(stand), &rows)).into_response(),
        (Ok(rows), Wants::Json) => Json(rows).into_response(),
        (Err(problem), wants) => problem.answer(wants, &back(stand)),
    }
}

/// Which part of the readings.
#[derive(Deserialize)]
pub struct Part {
    /// Number of the first reading, from 0.
    #[serde(default)]
    from: u32,
}

/// A run's readings, each with the line it came from; at most 500 at a time.
#[utoipa::path(
    get, path = "/s/{slug}/runs/{run}", tag = "runs",
    params(
        ("slug" = String, Path, description = "Short name of the study"),
        ("run" = String, Path, description = "The run's id"),
        ("from" = Option<u32>, Query, description = "Number of the first reading, from 0"),
    ),
    responses(
        (status = 200, description = "The readings", content(
            (RunSheet = "application/json"), (String = "text/html; charset=utf-8"),
        )),
        (status = 400, description = "`from` is no number", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "No such study or run", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The recording cannot be read", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn run(
    State(hall): State<Hall>,
    Path((slug, run)): Path<(String, String)>,
    Query(Part { from }): Query<Part>,
    wants: Wants,
) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let from = usize::try_from(from).unwrap_or(usize::MAX);
    match (aside(&hall, stand, move |folder| shelf::sheet(&folder, &run, from)).await, wants) {
        (Ok(Some(sheet)), Wants::Page) => Html(page::shelf::run(&name(stand), &sheet)).into_response(),
        (Ok(Some(sheet)), Wants::Json) => Json(sheet).into_response(),
        (Ok(None), wants) => Problem::not_found("such run").answer(wants, &format!("/s/{slug}/runs")),
        (Err(problem), wants) => problem.answer(wants, &back(stand)),
    }
}

/// The history of the tile over all runs of a study, on control charts.
#[utoipa::path(
    get, path = "/s/{slug}/tile", tag = "runs",
    params(("slug" = String, Path, description = "Short name of the study")),
    responses(
        (status = 200, description = "The history", content(
            (Object = "application/json"), (String = "text/html; charset=utf-8"),
        )),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The recordings cannot be read", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn tile(State(hall): State<Hall>, Path(slug): Path<String>, wants: Wants) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let study = name(stand);
    let gathered = aside(&hall, stand, move |folder| gather_runs(&folder)).await;
    let (runs, left_out) = match gathered {
        Ok(gathered) => gathered,
        Err(problem) => return problem.answer(wants, &back(stand)),
    };
    let history = TileHistory::of(&study, runs, LEAST_BASELINE);
    if wants == Wants::Json {
        let mut json = tile_text::json(&history);
        json["left_out"] = left_out.into();
        return Json(json).into_response();
    }
    let mut says: Vec<String> =
        left_out.iter().map(|run| format!("Run {run} is left out: its recording is damaged.")).collect();
    if history.geometries.is_empty() {
        says.push("No finished tile check yet. Do a run, and its opening check stands here.".to_owned());
    }
    for geometry in &history.geometries {
        says.push(format!("At {}: {}", geometry.geometry, tile_text::standing(geometry, history.baseline)));
        says.extend(tile_text::suggestion(geometry));
        says.push(tile_text::warm_up(&geometry.warm_up));
    }
    let drawn = svg::svg(&history);
    let chart = svg::apart(&drawn).map(|(_, picture)| picture).filter(|_| !history.geometries.is_empty());
    Html(page::shelf::tile(&study, &says, chart.as_deref(), &format!("/assets/{TILE_STYLE}"))).into_response()
}

/// What the tile said in every run, and the runs whose recordings are damaged.
fn gather_runs(folder: &Folder) -> Result<(Vec<RunOnTile>, Vec<String>), FolderError> {
    let (mut runs, mut left_out) = (Vec::new(), Vec::new());
    for id in folder.runs()? {
        let mut starts = SittingStarts::default();
        match folder.replay(&folder.recording(&id), |_, run, effects| starts.see(run, effects)) {
            Ok((replayed, _)) => runs.push(gather(replayed.run.ledger(), &starts)),
            Err(FolderError::Replay(error)) if error.is_empty_recording() => {}
            Err(FolderError::Replay(_)) => left_out.push(id),
            Err(error) => return Err(error),
        }
    }
    Ok((runs, left_out))
}

/// Reads what a page needs from the study's folder.
async fn aside<T: Send + 'static>(
    hall: &Hall,
    stand: &Stand,
    work: impl FnOnce(Folder) -> Result<T, FolderError> + Send + 'static,
) -> Result<T, Problem> {
    let folder = stand.station.folder().clone();
    match hall.read(move || work(folder)).await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(error)) => {
            let problem = Problem::new(StatusCode::UNPROCESSABLE_ENTITY, Code::Failed, error.to_string());
            Err(problem.hint(error.hint()))
        }
        Err(broke) => Err(Problem::new(StatusCode::INTERNAL_SERVER_ERROR, Code::Failed, broke.to_string())),
    }
}

fn name(stand: &Stand) -> String {
    stand.facts.now().name.clone()
}

fn back(stand: &Stand) -> String {
    format!("/s/{}/", stand.slug)
}
