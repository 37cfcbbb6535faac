//! Downloads: tables and recordings, each by a name that is on a list. No path is ever made from what a client sends.

use super::answers::Code;
use super::answers::Problem;
use super::answers::Wants;
use super::hall::Hall;
use super::hall::Stand;
use crate::session::folder::RECORDING;
use crate::session::results;
use crate::store::StoreError;
use axum::body::Body;
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;
use futures_util::stream;
use std::io;
use std::io::Read;
use std::path::PathBuf;

/// Bytes that are read and sent at a time.
const PIECE: usize = 64 * 1024;

/// A table of the study, or the description of its tables (`datapackage.json`).
#[utoipa::path(
    get, path = "/s/{slug}/tables/{file}", tag = "files",
    params(
        ("slug" = String, Path, description = "Short name of the study"),
        ("file" = String, Path, description = "Name of the table's file, such as `results.csv`"),
    ),
    responses(
        (status = 200, description = "The file", content(
            (String = "text/csv; charset=utf-8"), (String = "application/json"),
        )),
        (status = 404, description = "No such study or table, or not written yet", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn table(
    State(hall): State<Hall>,
    Path((slug, file)): Path<(String, String)>,
    wants: Wants,
) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let Some(name) = results::files().find(|name| *name == file) else {
        return Problem::not_found("such table").answer(wants, &back(stand));
    };
    let media_type = match name.ends_with(".json") {
        true => "application/json",
        false => "text/csv; charset=utf-8",
    };
    download(stand, stand.station.folder().results().join(name), name.to_owned(), media_type, wants).await
}

/// The recording of a run, as it lies on the disk.
#[utoipa::path(
    get, path = "/s/{slug}/recordings/{file}", tag = "files",
    params(
        ("slug" = String, Path, description = "Short name of the study"),
        ("file" = String, Path, description = "Name of the recording, such as `2026-03-14-01.rec`"),
    ),
    responses(
        (status = 200, description = "The file", body = String, content_type = "text/plain; charset=utf-8"),
        (status = 404, description = "No such study or recording", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn recording(
    State(hall): State<Hall>,
    Path((slug, file)): Path<(String, String)>,
    wants: Wants,
) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let folder = stand.station.folder().clone();
    let runs = tokio::task::spawn_blocking(move || folder.runs()).await;
    let runs = runs.ok().and_then(Result::ok).unwrap_or_default();
    let Some(run) = runs.iter().find(|run| format!("{run}.{RECORDING}") == file) else {
        return Problem::not_found("such recording").answer(wants, &back(stand));
    };
    let path = stand.station.folder().recording(run);
    download(stand, path, format!("{run}.{RECORDING}"), "text/plain; charset=utf-8", wants).await
}

fn back(stand: &Stand) -> String {
    format!("/s/{}/", stand.slug)
}

async fn download(
    stand: &Stand,
    path: PathBuf,
    name: String,
    media_type: &'static str,
    wants: Wants,
) -> Response {
    let folder = stand.station.folder().clone();
    let opened = tokio::task::spawn_blocking(move || folder.disk().open_plain(&path)).await;
    let file = match opened.map_err(io::Error::other) {
        Ok(Ok(file)) => file,
        Ok(Err(error)) => return not_opened(&error).answer(wants, &back(stand)),
        Err(error) => {
            let problem = Problem::new(StatusCode::INTERNAL_SERVER_ERROR, Code::Failed, error.to_string());
            return problem.answer(wants, &back(stand));
        }
    };
    let plain_name: String = name.chars().filter(|c| c.is_ascii_graphic() && !"\"\\".contains(*c)).collect();
    let headers = [
        (header::CONTENT_TYPE, media_type.to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{plain_name}\"")),
        (header::CACHE_CONTROL, "no-store".to_owned()),
    ];
    (headers, Body::from_stream(stream::unfold(Some(file), next_piece))).into_response()
}

fn not_opened(error: &StoreError) -> Problem {
    let title = format!("it is not there ({})", error.kind());
    Problem::new(StatusCode::NOT_FOUND, Code::NotFound, title)
        .hint("tables are written when a run ends or is stopped")
}

type File = Box<dyn Read + Send>;

/// The next piece of a file. A thread is held only while it is read, never while a client takes its time.
async fn next_piece(file: Option<File>) -> Option<(io::Result<Bytes>, Option<File>)> {
    let mut file = file?;
    let read = tokio::task::spawn_blocking(move || {
        let mut piece = Vec::with_capacity(PIECE);
        let read = (&mut file).take(PIECE as u64).read_to_end(&mut piece);
        (read.map(|_| piece), file)
    });
    match read.await {
        Ok((Ok(piece), _)) if piece.is_empty() => None,
        Ok((Ok(piece), file)) => Some((Ok(piece.into()), Some(file))),
        Ok((Err(error), _)) => Some((Err(error), None)),
        Err(error) => Some((Err(io::Error::other(error)), None)),
    }
}
