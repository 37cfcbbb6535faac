//! Orders by POST. Each carries the version of the state that it was meant for.

use super::answers::Done;
use super::answers::Problem;
use super::answers::Wants;
use super::answers::done;
use super::hall::Hall;
use super::heed::Sent;
use super::heed::heed;
use crate::run::Word;
use crate::session::station::Ask;
use crate::session::station::Start;
use crate::study::Selection;
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use serde::Deserialize;
use utoipa::ToSchema;

/// The version alone.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Versioned {
    /// Version of the state that the order was meant for.
    version: u64,
}

impl Sent for Versioned {
    const NUMBERS: &'static [&'static str] = &["version"];
}

/// A word of the operator.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Saying {
    /// Version of the state that the word was meant for.
    version: u64,
    /// The word as it is typed, such as `undo` or `void 7: slid on the wax`.
    #[schema(example = "undo", max_length = 4000)]
    word: String,
    /// The reason, where the form has a field of its own for it: what is said is `WORD: REASON` then.
    reason: Option<String>,
}

impl Saying {
    fn text(&self) -> String {
        match &self.reason {
            Some(reason) => format!("{}: {reason}", self.word),
            None => self.word.clone(),
        }
    }
}

impl Sent for Saying {
    const NUMBERS: &'static [&'static str] = &["version"];
}

/// A run to be begun.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Starting {
    /// Version of the state that the start was meant for.
    version: u64,
    /// Ids of panels; the study's active panels if empty.
    #[serde(default)]
    panel: Vec<String>,
    /// Codes of treatments; all on the panels if empty.
    #[serde(default)]
    treatment: Vec<String>,
    /// Stage of the patches, such as `bare` or `washed-10`; the study's if absent.
    stage: Option<String>,
    /// Who holds the meter; the study's operator if absent.
    operator: Option<String>,
    /// Temperature of the room, °C, noted in the recording.
    #[schema(minimum = -60, maximum = 80)]
    temperature_c: Option<f64>,
    /// Relative humidity of the room, per cent, noted in the recording.
    #[schema(minimum = 0, maximum = 100)]
    humidity_pct: Option<f64>,
}

impl Sent for Starting {
    const LISTS: &'static [&'static str] = &["panel", "treatment"];
    const NUMBERS: &'static [&'static str] = &["version", "temperature_c", "humidity_pct"];
}

impl Starting {
    fn start(self) -> Result<Start, Problem> {
        let mut notes = Vec::new();
        if let Some(celsius) = self.temperature_c {
            if !(-60.0..=80.0).contains(&celsius) {
                return Err(Problem::bad_input("the temperature must lie between -60 and 80 °C"));
            }
            notes.push(format!("temperature {celsius} °C"));
        }
        if let Some(percent) = self.humidity_pct {
            if !(0.0..=100.0).contains(&percent) {
                return Err(Problem::bad_input("the humidity must lie between 0 and 100 %"));
            }
            notes.push(format!("relative humidity {percent} %"));
        }
        let selection = Selection {
            panels: self.panel,
            treatments: self.treatment,
            stage: self.stage,
            operator: self.operator,
        };
        Ok(Start { selection, notes })
    }
}

/// Begin a run.
#[utoipa::path(
    post, path = "/s/{slug}/start", tag = "orders",
    params(("slug" = String, Path, description = "Short name of the study")),
    request_body(content(
        (Starting = "application/json"), (Starting = "application/x-www-form-urlencoded"),
    )),
    responses(
        (status = 200, description = "The run has begun; its recording is on the disk", body = Done),
        (status = 303, description = "The same, for a browser: back to the bench"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not come in time", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The bench has moved on, or a run is going on", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "The body is neither JSON nor a form", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "It could not be followed, with what to do", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The daemon is stopping", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn start(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    wants: Wants,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    follow(&hall, &slug, wants, || {
        let starting: Starting = heed(&headers, &body)?;
        Ok((starting.version, Ask::Start(Box::new(starting.start()?))))
    })
    .await
}

/// Go on with the run that was cut off.
#[utoipa::path(
    post, path = "/s/{slug}/take-up", tag = "orders",
    params(("slug" = String, Path, description = "Short name of the study")),
    request_body(content(
        (Versioned = "application/json"), (Versioned = "application/x-www-form-urlencoded"),
    )),
    responses(
        (status = 200, description = "The run goes on", body = Done),
        (status = 303, description = "The same, for a browser: back to the bench"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not come in time", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The bench has moved on, or there is no such run", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "The body is neither JSON nor a form", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "It could not be followed, with what to do", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The daemon is stopping", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn take_up(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    wants: Wants,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    follow(&hall, &slug, wants, || {
        let Versioned { version } = heed(&headers, &body)?;
        Ok((version, Ask::TakeUp))
    })
    .await
}

/// Say a word to the run. Answered once the word is recorded, synced and followed.
#[utoipa::path(
    post, path = "/s/{slug}/word", tag = "orders",
    params(("slug" = String, Path, description = "Short name of the study")),
    request_body(content(
        (Saying = "application/json"), (Saying = "application/x-www-form-urlencoded"),
    )),
    responses(
        (status = 200, description = "The run has followed it", body = Done),
        (status = 303, description = "The same, for a browser: back to the bench"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not come in time", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The bench has moved on, or no run is going on", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "The body is neither JSON nor a form", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "No word, or one that cannot be followed now", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The daemon is stopping", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn word(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    wants: Wants,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    follow(&hall, &slug, wants, || {
        let saying: Saying = heed(&headers, &body)?;
        let word = Word::parse(&saying.text()).map_err(Problem::bad_input)?;
        Ok((saying.version, Ask::Say(word)))
    })
    .await
}

/// Stop the sitting; the run stays open. Answered once the recording is whole and the tables are written.
#[utoipa::path(
    post, path = "/s/{slug}/stop", tag = "orders",
    params(("slug" = String, Path, description = "Short name of the study")),
    request_body(content(
        (Versioned = "application/json"), (Versioned = "application/x-www-form-urlencoded"),
    )),
    responses(
        (status = 200, description = "The sitting is over", body = Done),
        (status = 303, description = "The same, for a browser: back to the bench"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
        (status = 408, description = "The body did not come in time", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The bench has moved on, or no run is going on", body = Problem, content_type = "application/problem+json"),
        (status = 413, description = "The body is too large", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "The body is neither JSON nor a form", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "What was sent cannot be read", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "The daemon is stopping", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn stop(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    wants: Wants,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    follow(&hall, &slug, wants, || {
        let Versioned { version } = heed(&headers, &body)?;
        Ok((version, Ask::Stop))
    })
    .await
}

/// Gives an order to a study's station, and the answer to the client.
async fn follow(
    hall: &Hall,
    slug: &str,
    wants: Wants,
    read: impl FnOnce() -> Result<(u64, Ask), Problem>,
) -> Response {
    let Some(stand) = hall.stand(slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let outcome = async {
        let (version, ask) = read()?;
        Ok(stand.station.order(version, ask).await?)
    };
    done(outcome.await, wants, &format!("/s/{}/", stand.slug))
}
