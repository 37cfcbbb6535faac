//! What is shown of the panels between runs: how each treatment stands, what comes next, and what was noted last.

use crate::life;
use crate::life::Kind;
use crate::life::Observations;
use crate::life::RunOfPatch;
use crate::life::Standing;
use crate::life::Status;
use crate::life::Story;
use crate::life::cautions;
use crate::study::Study;
use chrono::DateTime;
use chrono::FixedOffset;
use serde::Serialize;
use utoipa::ToSchema;

/// So many rows are shown, the last ones.
const MOST_ROWS: usize = 12;

/// The panels of a study.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct WatchedView {
    /// Number of the last row of `observations.csv`, 0 without one. What is noted carries it, so that nothing is noted twice.
    pub seen: u32,
    /// The panels: those with something that is still followed first, else in the study's order.
    pub panels: Vec<WatchedPanel>,
    /// Classes of how water behaves, from the most repellent (class 1) to the fully wetted.
    pub classes: Vec<String>,
    /// The rows that were added last, the latest first; those that were taken back are not among them.
    pub rows: Vec<NotedRow>,
    /// What to mind with washes and wipes, and with the treatments whose next step calls for it.
    pub cautions: Vec<String>,
    /// Rows of the file that could not be read, each with its place and what to do.
    pub problems: Vec<String>,
}

/// A panel.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct WatchedPanel {
    /// Its id.
    pub panel: String,
    /// Its place in the study, from 0.
    pub place: usize,
    /// Washes since it was prepared.
    pub washes: u32,
    /// Count of the panel at which the next look is due, if the study names one.
    pub look_at: Option<u32>,
    /// Class of its control at the last look at it.
    pub control_class: Option<u32>,
    /// What is on it.
    pub patches: Vec<WatchedPatch>,
}

/// A treatment on a panel.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct WatchedPatch {
    /// Code of the treatment.
    pub treatment: String,
    /// Name of the product.
    pub name: String,
    /// Stage, as readings name it.
    pub stage: String,
    /// What comes next, in a sentence without a full stop.
    pub next: String,
    /// The command for it; empty where there is none.
    pub command: String,
    /// What is known of its wash life, in a sentence without a full stop; empty if nobody has looked yet.
    pub life: String,
    /// Whether it is on the panel and still followed: only then is it looked at.
    pub is_followed: bool,
    /// What to know beside it, in sentences.
    pub warnings: Vec<String>,
}

/// A row that was added.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct NotedRow {
    /// Its number.
    pub row: u32,
    /// When it was done or seen, RFC 3339.
    pub at: String,
    /// The panel.
    pub panel: String,
    /// Code of the treatment; empty where the row is of the whole panel.
    pub treatment: String,
    /// In a sentence without a full stop.
    pub says: String,
    /// What somebody wrote with it; empty if nothing.
    pub note: String,
}

impl WatchedView {
    /// The panels as they stand at `now`; `name` is how a command names the study's folder.
    #[must_use]
    pub fn of(
        study: &Study,
        observations: &Observations,
        runs: &[RunOfPatch],
        now: DateTime<FixedOffset>,
        name: &str,
    ) -> WatchedView {
        let all = life::status(study, observations, runs, now, name);
        let stories = life::stories(study, observations);
        let hazardous = all.iter().enumerate().filter(|(_, status)| status.is_hazardous);
        let treatments: Vec<usize> = hazardous.map(|(patch, _)| study.patches[patch].treatment).collect();
        let facts = life::panel_facts(study, observations);
        let panels = facts.into_iter().enumerate().map(|(index, facts)| {
            let on_it = (0..study.patches.len()).filter(|&patch| study.patches[patch].panel == index);
            let on_it: Vec<usize> = on_it.collect();
            WatchedPanel {
                control_class: control_class(&stories, &facts.panel),
                panel: facts.panel,
                place: index,
                washes: facts.washes,
                look_at: look_at(study, &stories, &on_it, facts.washes),
                patches: on_it.iter().map(|&at| patch(&all[at], life::latest(&stories, at))).collect(),
            }
        });
        let mut panels: Vec<WatchedPanel> = panels.filter(|panel| !panel.patches.is_empty()).collect();
        panels.sort_by_key(|panel| !panel.patches.iter().any(|patch| patch.is_followed));
        WatchedView {
            seen: observations.last_row,
            panels,
            classes: study.watching.scale.classes.clone(),
            rows: rows(&stories),
            cautions: cautions::cautions(study, treatments),
            problems: observations.problems.iter().map(ToString::to_string).collect(),
        }
    }
}

fn patch(status: &Status, story: Option<&Story>) -> WatchedPatch {
    WatchedPatch {
        treatment: status.treatment.clone(),
        name: status.name.clone(),
        stage: status.stage.clone(),
        next: status.next.clone(),
        command: status.command.clone(),
        life: story.map(lasted).unwrap_or_default(),
        is_followed: story.is_some_and(is_followed),
        warnings: status.warnings.clone(),
    }
}

fn is_followed(story: &Story) -> bool {
    story.is_on_panel && story.standing == Standing::Alive
}

/// What looks have said so far.
fn lasted(story: &Story) -> String {
    let is_looked_at = story.steps.iter().any(|step| step.works.is_some());
    match (story.lifetime.until, story.suspected_at) {
        (Some(until), _) => {
            format!("failed: worked after {}, no longer after {until}", washes(story.lifetime.after))
        }
        (None, Some(at)) => format!("seen failed after {}; a second look in a row decides", washes(at)),
        (None, None) if is_looked_at => format!("still working after {}", washes(story.lifetime.after)),
        (None, None) => String::new(),
    }
}

fn washes(count: u32) -> String {
    if count == 1 { "1 wash".to_owned() } else { format!("{count} washes") }
}

/// Of a panel's one control, whatever patch was looked at beside it.
fn control_class(stories: &[Story], panel: &str) -> Option<u32> {
    let steps = stories.iter().filter(|story| story.panel == panel).flat_map(|story| &story.steps);
    let looks = steps.filter_map(|step| Some((step.at, step.row, step.look?.control_class?)));
    looks.max().map(|(.., class)| class)
}

/// The next count at which one of the panel's products is due for a look, as a count of the panel.
fn look_at(study: &Study, stories: &[Story], patches: &[usize], washes: u32) -> Option<u32> {
    let due = patches.iter().filter_map(|&patch| {
        let story = life::latest(stories, patch).filter(|story| is_followed(story))?;
        let next = study.watching.washing.look_after.iter().find(|&&at| at > story.washes)?;
        Some(washes + (next - story.washes))
    });
    due.min()
}

/// A wash is a step of every patch on its panel, and one row.
fn rows(stories: &[Story]) -> Vec<NotedRow> {
    let mut found: Vec<NotedRow> = Vec::new();
    for story in stories {
        for step in &story.steps {
            let (Some(row), Some(at)) = (step.row, step.at) else { continue };
            if found.iter().any(|known| known.row == row) {
                continue;
            }
            let is_of_all = step.kind == Kind::Washed.name();
            found.push(NotedRow {
                row,
                at: life::written(at),
                panel: story.panel.clone(),
                treatment: if is_of_all { String::new() } else { story.treatment.clone() },
                says: step.says.clone(),
                note: step.note.clone(),
            });
        }
    }
    found.sort_by_key(|noted| std::cmp::Reverse(noted.row));
    found.truncate(MOST_ROWS);
    found
}
