//! The panels between runs: how they stand, and washes, looks and corrections noted from the page. Rows go to
//! `observations.csv`, which has a lock of its own: a run may go on meanwhile.

use super::answers::Code;
use super::answers::Problem;
use super::answers::Wants;
use super::hall::Hall;
use super::hall::Stand;
use super::heed::Sent;
use super::heed::heed;
use super::page;
use crate::life::Look;
use crate::life::What;
use crate::life::deeds::Choice;
use crate::life::deeds::Wash;
use crate::session::clock::Clock;
use crate::session::folder::Folder;
use crate::session::observing;
use crate::session::observing::Appended;
use crate::session::observing::ObservingError;
use crate::session::observing::Telling;
use crate::store::LockError;
use crate::study::Study;
use crate::view::WatchedView;
use axum::Json;
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::StatusCode;
use axum::response::Html;
use axum::response::IntoResponse;
use axum::response::Redirect;
use axum::response::Response;
use serde::Deserialize;
use serde::Serialize;
use utoipa::ToSchema;

/// A wash to be noted.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Washing {
    /// Number of the last row that was seen, 0 if there was none.
    seen: u32,
    /// Ids of the panels that were washed, control and all.
    #[schema(min_items = 1)]
    panel: Vec<String>,
    /// Count of the panel to reach; one more if absent.
    to: Option<u32>,
    /// Who washed; the study's operator if absent.
    by: Option<String>,
    /// In words.
    note: Option<String>,
}

impl Sent for Washing {
    const LISTS: &'static [&'static str] = &["panel"];
    const NUMBERS: &'static [&'static str] = &["seen", "to"];
}

/// What was seen of how water behaves.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Looking {
    /// Number of the last row that was seen, 0 if there was none.
    seen: u32,
    /// Code of the treatment.
    treatment: String,
    /// Id of the panel.
    panel: String,
    /// Class of the treated side on the study's scale; 1 sheds water best.
    treated_class: Option<u32>,
    /// Class of the control side.
    control_class: Option<u32>,
    /// Share of the treated area that no longer sheds water, per cent.
    #[schema(minimum = 0, maximum = 100)]
    failed_area_pct: Option<f64>,
    /// Who looked; the study's operator if absent.
    by: Option<String>,
    /// In words.
    note: Option<String>,
}

impl Sent for Looking {
    const NUMBERS: &'static [&'static str] = &["seen", "treated_class", "control_class", "failed_area_pct"];
}

/// A row that was a mistake.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TakingBack {
    /// Number of the last row that was seen.
    seen: u32,
    /// Number of the row. It stays in the file, and counts for nothing.
    row: u32,
    /// The panel to show then, in a browser.
    panel: Option<String>,
    /// Who says so; the study's operator if absent.
    by: Option<String>,
    /// Why.
    note: Option<String>,
}

impl Sent for TakingBack {
    const NUMBERS: &'static [&'static str] = &["seen", "row"];
}

/// What was noted.
#[derive(Serialize, ToSchema)]
pub struct Noted {
    /// Numbers of the new rows.
    rows: Vec<u32>,
    /// Number of the last row now.
    seen: u32,
    /// Why the tables of lives lag behind, if they do: the rows are kept all the same.
    #[serde(skip_serializing_if = "Option::is_none")]
    tables_behind: Option<String>,
}

/// How every treatment stands on its panels, what comes next, and what was noted last.
#[utoipa::path(
    get, path = "/s/{slug}/panels", tag = "panels",
    params(("slug" = String, Path, description = "Short name of the study")),
    responses(
        (status = 200, description = "The panels", content(
            (WatchedView = "application/json"), (String = "text/html; charset=utf-8"),
        )),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The study or the file cannot be read", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn panels(State(hall): State<Hall>, Path(slug): Path<String>, wants: Wants) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let read = aside(&hall, stand, |folder| {
        let study = folder.load()?.study;
        let observations = observing::read(folder, &study)?;
        let runs = observing::runs_of_patches(folder, &study)?;
        let name = folder.root().display().to_string();
        Ok((study.name.clone(), WatchedView::of(&study, &observations, &runs, Clock::real().wall(), &name)))
    });
    match (read.await, wants) {
        (Ok((name, view)), Wants::Page) => Html(page::watched::panels(&name, &view)).into_response(),
        (Ok((_, view)), Wants::Json) => Json(view).into_response(),
        (Err(problem), wants) => problem.answer(wants, &format!("/s/{slug}/")),
    }
}

/// Note a wash of whole panels.
#[utoipa::path(
    post, path = "/s/{slug}/wash", tag = "panels",
    params(("slug" = String, Path, description = "Short name of the study")),
    request_body(content(
        (Washing = "application/json"), (Washing = "application/x-www-form-urlencoded"),
    )),
    responses(
        (status = 200, description = "The rows are on the disk", body = Noted),
        (status = 303, description = "The same, for a browser: back to the panels"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "Rows were added since", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "It could not be noted, with what to do", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn wash(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    wants: Wants,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let read = || {
        let Washing { seen, panel, to, by, note } = heed(&headers, &body)?;
        let to_show = panel.first().cloned().unwrap_or_default();
        let asked = Wash { choice: Choice { treatment: None, panels: panel }, to, ..Wash::default() };
        let deed = move |folder: &Folder, study: &Study, telling: &Telling| {
            observing::wash(folder, study, &asked, telling)
        };
        Ok((seen, by, note, to_show, deed))
    };
    note(&hall, &slug, wants, read).await
}

/// Note how water behaves on a treated side and its control.
#[utoipa::path(
    post, path = "/s/{slug}/look", tag = "panels",
    params(("slug" = String, Path, description = "Short name of the study")),
    request_body(content(
        (Looking = "application/json"), (Looking = "application/x-www-form-urlencoded"),
    )),
    responses(
        (status = 200, description = "The row is on the disk", body = Noted),
        (status = 303, description = "The same, for a browser: back to the panels"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "Rows were added since", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "It could not be noted, with what to do", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn look(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    wants: Wants,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let read = || {
        let sent: Looking = heed(&headers, &body)?;
        let look = Look {
            treated_class: sent.treated_class,
            control_class: sent.control_class,
            failed_area_pct: sent.failed_area_pct,
        };
        let choice = Choice { treatment: Some(sent.treatment), panels: vec![sent.panel.clone()] };
        let deed = move |folder: &Folder, study: &Study, telling: &Telling| {
            observing::look(folder, study, (&choice, look), telling)
        };
        Ok((sent.seen, sent.by, sent.note, sent.panel, deed))
    };
    note(&hall, &slug, wants, read).await
}

/// Take a row back by a further row. Nothing is erased.
#[utoipa::path(
    post, path = "/s/{slug}/take-back", tag = "panels",
    params(("slug" = String, Path, description = "Short name of the study")),
    request_body(content(
        (TakingBack = "application/json"), (TakingBack = "application/x-www-form-urlencoded"),
    )),
    responses(
        (status = 200, description = "The row that says so is on the disk", body = Noted),
        (status = 303, description = "The same, for a browser: back to the panels"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "Rows were added since", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "It could not be noted, with what to do", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn take_back(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    wants: Wants,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let read = || {
        let TakingBack { seen, row, panel, by, note } = heed(&headers, &body)?;
        let deed = move |folder: &Folder, study: &Study, telling: &Telling| {
            observing::append(folder, study, telling, |_| Ok(vec![What::Corrected { takes_back: row }]))
        };
        Ok((seen, by, note, panel.unwrap_or_default(), deed))
    };
    note(&hall, &slug, wants, read).await
}

/// What is asked for: the last row seen, by whom, in which words, the panel to show then, and the deed.
type Asked<D> = (u32, Option<String>, Option<String>, String, D);

/// Adds rows, and gives the answer to the client.
async fn note<D>(
    hall: &Hall,
    slug: &str,
    wants: Wants,
    read: impl FnOnce() -> Result<Asked<D>, Problem>,
) -> Response
where
    D: FnOnce(&Folder, &Study, &Telling) -> Result<Appended, ObservingError> + Send + 'static,
{
    let Some(stand) = hall.stand(slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let back = format!("/s/{slug}/panels");
    let (seen, by, note, to_show, deed) = match read() {
        Ok(asked) => asked,
        Err(problem) => return problem.answer(wants, &back),
    };
    let folder = stand.station.folder().clone();
    // Not behind those who have recordings read through: hands are wet.
    let appended = tokio::task::spawn_blocking(move || {
        let folder = &folder;
        let study = folder.load()?.study;
        let telling = Telling {
            by: by.unwrap_or_else(|| study.operator.clone()),
            note: note.unwrap_or_default(),
            seen: Some(seen),
            ..Telling::at(Clock::real().wall())
        };
        let appended = deed(folder, &study, &telling)?;
        let place = study.panels.iter().position(|panel| panel.id == to_show);
        let rows = appended.rows.iter().map(|row| row.row).collect::<Vec<_>>();
        Ok((rows, place, appended.tables_behind))
    });
    let appended = done(appended.await);
    if let Ok((.., behind)) = &appended {
        // A run that is begun now goes by what was noted.
        stand.facts.refresh(stand.station.folder()).await;
        if let Some(behind) = behind {
            tracing::warn!("the row is kept, but results/lives/ lags behind: {behind}");
        }
    }
    match (appended, wants) {
        (Ok((_, place, _)), Wants::Page) => {
            // Back to where one was, not to the top.
            let at = place.map_or_else(|| "#noted".to_owned(), |place| format!("#panel-{place}"));
            Redirect::to(&format!("{back}{at}")).into_response()
        }
        (Ok((rows, _, tables_behind)), Wants::Json) => {
            let seen = rows.last().copied().unwrap_or(seen);
            Json(Noted { rows, seen, tables_behind }).into_response()
        }
        (Err(problem), wants) => problem.answer(wants, &back),
    }
}

/// Works in the study's folder, away from the thread that serves pages.
async fn aside<T: Send + 'static>(
    hall: &Hall,
    stand: &Stand,
    work: impl FnOnce(&Folder) -> Result<T, ObservingError> + Send + 'static,
) -> Result<T, Problem> {
    let folder = stand.station.folder().clone();
    done(hall.read(move || work(&folder)).await)
}

fn done<T>(outcome: Result<Result<T, ObservingError>, tokio::task::JoinError>) -> Result<T, Problem> {
    let broke = |broke: tokio::task::JoinError| {
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, Code::Failed, broke.to_string())
    };
    outcome.map_err(broke)?.map_err(Problem::from)
}

impl From<ObservingError> for Problem {
    fn from(error: ObservingError) -> Problem {
        let (status, code) = match &error {
            ObservingError::MovedOn { .. } => (StatusCode::CONFLICT, Code::Stale),
            ObservingError::Lock(LockError::Busy { .. }) => (StatusCode::CONFLICT, Code::NotNow),
            ObservingError::Folder(_) | ObservingError::Store(_) | ObservingError::Lock(_) => {
                (StatusCode::UNPROCESSABLE_ENTITY, Code::Failed)
            }
            _ => (StatusCode::UNPROCESSABLE_ENTITY, Code::Refused),
        };
        Problem::new(status, code, error.to_string()).hint(error.hint())
    }
}
