//! What comes next for every treatment on every panel, and when.

use crate::life::blind;
use crate::life::observation::Observations;
use crate::life::observation::PatchIndex;
use crate::life::story::Stage;
use crate::life::story::Standing;
use crate::life::story::Story;
use crate::life::story::shown;
use crate::life::story::written;
use crate::life::telling::latest;
use crate::life::telling::stories;
use crate::study::Study;
use chrono::DateTime;
use chrono::FixedOffset;
use serde::Serialize;

/// A run that read a patch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RunOfPatch {
    /// Id of the run.
    pub run: String,
    /// Index in `Study::patches`.
    #[serde(skip)]
    pub patch: PatchIndex,
    /// Stage that it read.
    pub stage: String,
    /// When it began.
    #[serde(skip)]
    pub at: DateTime<FixedOffset>,
}

/// How a treatment on a panel stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Status {
    /// Code of the treatment.
    pub treatment: String,
    /// Name of the product.
    pub name: String,
    /// Id of the panel.
    pub panel: String,
    /// Stage, as readings name it.
    pub stage: String,
    /// How its life stands; absent where nothing was put on.
    pub standing: Option<Standing>,
    /// Washes since it was put on.
    pub washes: u32,
    /// Washes it lasted: from, and to if it has failed.
    pub lifetime: Option<crate::life::Lifetime>,
    /// What comes next, in a sentence without a full stop.
    pub next: String,
    /// The command for it; empty where there is none.
    pub command: String,
    /// From when on, where it has to wait.
    pub from: Option<String>,
    /// Whether it calls for a caution.
    pub is_hazardous: bool,
    /// Runs that read this patch, in their order.
    pub runs: Vec<RunOfPatch>,
    /// What to know beside it.
    pub warnings: Vec<String>,
}

/// The status of every patch, in the study's order. `name` is how a command names the study's folder.
#[must_use]
pub fn status(
    study: &Study,
    observations: &Observations,
    runs: &[RunOfPatch],
    now: DateTime<FixedOffset>,
    name: &str,
) -> Vec<Status> {
    let stories = stories(study, observations);
    (0..study.patches.len())
        .map(|patch| {
            let story = latest(&stories, patch);
            let runs: Vec<RunOfPatch> = runs.iter().filter(|run| run.patch == patch).cloned().collect();
            let at = At { study, patch, story, runs: &runs, now, name };
            let next = at.next();
            let (treatment, panel) = blind::names(study, patch);
            let of_study = &study.treatments[study.patches[patch].treatment].treatment;
            Status {
                treatment: treatment.to_owned(),
                name: of_study.name.clone(),
                panel: panel.to_owned(),
                stage: story.map_or_else(|| "bare".to_owned(), |story| story.stage_at(now).name()),
                standing: story.map(|story| story.standing),
                washes: story.map_or(0, |story| story.washes),
                lifetime: story.map(|story| story.lifetime),
                next: next.says,
                command: next.command,
                from: next.from.map(written),
                is_hazardous: next.is_hazardous,
                warnings: warnings(story, now),
                runs,
            }
        })
        .collect()
}

fn warnings(story: Option<&Story>, now: DateTime<FixedOffset>) -> Vec<String> {
    let Some(story) = story else { return Vec::new() };
    let mut warnings = story.warnings.clone();
    for step in &story.steps {
        if !step.out_of_order.is_empty() {
            warnings.push(format!("row {}: {}, {}", step.row.unwrap_or(0), step.says, step.out_of_order));
        }
    }
    if let Some(step) = story.steps.iter().rev().find(|step| step.at.is_some_and(|at| at > now)) {
        let at = step.at.map_or_else(String::new, shown);
        warnings.push(format!("row {} lies in the future ({at})", step.row.unwrap_or(0)));
    }
    warnings
}

/// What comes next.
#[derive(Default)]
struct Next {
    says: String,
    command: String,
    from: Option<DateTime<FixedOffset>>,
    is_hazardous: bool,
}

struct At<'a> {
    study: &'a Study,
    patch: PatchIndex,
    story: Option<&'a Story>,
    runs: &'a [RunOfPatch],
    now: DateTime<FixedOffset>,
    name: &'a str,
}

impl At<'_> {
    fn next(&self) -> Next {
        let Some(story) = self.story.filter(|story| story.is_on_panel) else { return self.of_a_bare_patch() };
        match story.standing {
            Standing::Withdrawn => {
                return Next { says: "nothing: it was withdrawn".to_owned(), ..Next::default() };
            }
            Standing::Failed => return self.of_a_failed_one(story),
            Standing::Alive | Standing::Ended => {}
        }
        if let Some(suspected) = story.suspected_at {
            let says = format!(
                "look again: it was seen failed after {suspected} washes, and a second look in a row decides"
            );
            return Next {
                says,
                command: self.command("look", " --class-treated … --class-control …"),
                ..Next::default()
            };
        }
        match story.stage_at(self.now) {
            Stage::Curing { ready_at } => Next {
                says: format!("let it cure until {}", shown(ready_at)),
                from: Some(ready_at),
                ..Next::default()
            },
            stage if !self.has_run(story, &stage.name()) && self.wants_reading(stage) => {
                self.read(&stage.name(), "")
            }
            stage => self.of_a_cured_one(story, stage),
        }
    }

    fn of_a_bare_patch(&self) -> Next {
        let since = self.story.and_then(|story| story.steps.last()?.at);
        let is_read =
            self.runs.iter().any(|run| run.stage == "bare" && since.is_none_or(|since| run.at >= since));
        if !is_read {
            return self.read("bare", " --stage bare");
        }
        let says = "put it on".to_owned();
        Next { says, command: self.command("apply", ""), is_hazardous: true, ..Next::default() }
    }

    fn of_a_failed_one(&self, story: &Story) -> Next {
        let until = story.lifetime.until.unwrap_or(story.washes);
        let says = format!("nothing: it has failed by wash {until}; strip the panel to use it again");
        Next { says, is_hazardous: true, ..Next::default() }
    }

    fn of_a_cured_one(&self, story: &Story, stage: Stage) -> Next {
        let missing: Vec<&str> = self
            .study
            .watching
            .attributes
            .iter()
            .map(String::as_str)
            .filter(|attribute| story.judged(attribute).is_none())
            .collect();
        if let (Some(first), true) = (missing.first(), story.washes == 0) {
            let says = format!("judge {}", missing.join(", "));
            let rest = format!(" --attribute {first} --pass");
            return Next { says, command: self.command("judge", &rest), ..Next::default() };
        }
        if stage == Stage::Cured {
            let says = "wipe it with solvent, and read it again".to_owned();
            let command = self.command("wipe", "");
            return Next { says, command, is_hazardous: true, ..Next::default() };
        }
        self.of_a_washed_one(story)
    }

    /// A look where one is due, else washing up to the next one.
    fn of_a_washed_one(&self, story: &Story) -> Next {
        let looked = story.steps.iter().filter(|step| step.works.is_some()).map(|step| step.washes).max();
        let look_after = &self.study.watching.washing.look_after;
        let due = look_after.iter().copied().filter(|&at| at <= story.washes).max();
        if due.is_some_and(|due| looked.is_none_or(|looked| looked < due)) {
            let says = format!("look at it: it has been washed {} times", story.washes);
            let command = self.command("look", " --class-treated … --class-control …");
            return Next { says, command, ..Next::default() };
        }
        let next = look_after.iter().copied().find(|&at| at > story.washes);
        let (says, rest) = match next {
            Some(next) => (format!("wash it to {next}, and look at it"), format!(" --to {next}")),
            None => ("wash it, and look at it".to_owned(), String::new()),
        };
        Next { says, command: self.command("wash", &rest), is_hazardous: true, ..Next::default() }
    }

    /// Cured and wiped are read; after washes, gloss is read now and then, as one likes.
    fn wants_reading(&self, stage: Stage) -> bool {
        matches!(stage, Stage::Cured | Stage::Wiped)
    }

    /// Whether a run read this life at that stage.
    fn has_run(&self, story: &Story, stage: &str) -> bool {
        let begins = story.applied_at;
        self.runs.iter().any(|run| run.stage == stage && begins.is_none_or(|begins| run.at >= begins))
    }

    fn read(&self, stage: &str, rest: &str) -> Next {
        let (treatment, panel) = blind::names(self.study, self.patch);
        Next {
            says: format!("read it {stage}"),
            command: format!("halfpanel run {} --panel {panel} --treatment {treatment}{rest}", self.name),
            ..Next::default()
        }
    }

    fn command(&self, command: &str, rest: &str) -> String {
        let (treatment, panel) = blind::names(self.study, self.patch);
        let study = if self.name == "." { String::new() } else { format!(" --study {}", self.name) };
        format!("halfpanel {command} {treatment}{study} --panel {panel}{rest}")
    }
}
