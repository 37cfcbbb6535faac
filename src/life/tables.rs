//! The tables of lives and of their steps, with their data dictionary: a pure function of `study.toml` and
//! `observations.csv`.

use crate::life::facts::panel_facts;
use crate::life::observation::Observations;
use crate::life::story::Standing;
use crate::life::story::Step;
use crate::life::story::Story;
use crate::life::story::written;
use crate::life::telling::stories;
use crate::study::Study;

/// A column: name, type by the Table Schema standard, unit or empty, and what it says.
type Described = (&'static str, &'static str, &'static str, &'static str);

/// One row for each life of a treatment on a panel.
pub const LIVES: [Described; 24] = [
    ("treatment", "string", "", "Code of the treatment."),
    ("panel", "string", "", "Id of the panel."),
    ("life", "integer", "", "Number of the life on this patch, from 1."),
    ("over", "boolean", "", "Put on over an earlier life that was not stripped: never pooled with others."),
    ("standing", "string", "", "alive, failed, withdrawn, or ended (stripped, or put on again)."),
    ("applied_at", "datetime", "", "When it was put on; empty where nothing says so."),
    ("ready_at", "datetime", "", "When it had cured; empty where that is not known."),
    ("batch", "string", "", "Batch of the product."),
    ("half", "string", "", "Which half of the panel has the product, as seen from the control."),
    ("panel_batch", "string", "", "Batch of the panel."),
    ("panel_preparation", "string", "", "How the panel was prepared."),
    (
        "panel_reused",
        "integer",
        "",
        "How often the panel was stripped and used again, up to the end of the file.",
    ),
    ("washes", "integer", "", "Washes since it was put on."),
    ("looks", "integer", "", "Looks that say whether it works."),
    ("lasted_washes", "integer", "", "The last wash at which it was seen working; 0 if it never was."),
    (
        "failed_by_washes",
        "integer",
        "",
        "The first wash at which it had failed; empty while it has not (right-censored).",
    ),
    ("never_worked", "boolean", "", "It had failed at its first look."),
    (
        "suspected_at_washes",
        "integer",
        "",
        "Washes at its latest look, which found it failed, where no second one has confirmed it.",
    ),
    ("wipe_passes", "integer", "", "Passes of its latest wipe with solvent."),
    ("beading_ended_pass", "integer", "", "The pass at which beading ended."),
    ("judgements", "string", "", "The latest judgement of each attribute, those made blind marked."),
    ("cost_per_m2", "number", "", "Cost of the product on a square metre, in the study's currency."),
    ("cost_per_m2_and_wash", "number", "", "The same by each wash that it was seen to survive."),
    ("warnings", "string", "", "What to know beside the figures."),
];

/// One row for each thing done or seen in a life.
pub const STEPS: [Described; 18] = [
    ("treatment", "string", "", "Code of the treatment."),
    ("panel", "string", "", "Id of the panel."),
    ("life", "integer", "", "Number of the life on this patch, from 1."),
    ("step", "integer", "", "Number of the step in the life, from 1."),
    ("at", "datetime", "", "When it was done or seen."),
    ("row", "integer", "", "Row of observations.csv; empty for what study.toml says."),
    ("kind", "string", "", "Kind of that row."),
    ("washes", "integer", "", "Washes since the product was put on, this one included."),
    ("treated_class", "integer", "", "Class of the treated side on the study's scale, 1 for the best."),
    ("control_class", "integer", "", "Class of the control side."),
    ("failed_area_pct", "number", "%", "Share of the treated area that no longer sheds water."),
    (
        "works",
        "boolean",
        "",
        "Whether the look finds the product working, by the study's rule; empty where it does not say.",
    ),
    ("says", "string", "", "What was done or seen, in words."),
    ("out_of_order", "string", "", "Why it came at another time than usual; empty if it did not."),
    ("by", "string", "", "Who did it."),
    ("note", "string", "", "In words."),
    ("photo", "string", "", "Path of a picture, from the study's folder."),
    ("photo_sha256", "string", "", "SHA-256 of the picture when the row was written."),
];

/// Name and text of each file, in the order in which they are written: the tables, then what describes them.
#[must_use]
pub fn files(study: &Study, observations: &Observations) -> [(&'static str, Vec<u8>); 3] {
    let stories = stories(study, observations);
    [
        ("lives.csv", lives(study, observations, &stories)),
        ("steps.csv", steps(&stories)),
        ("datapackage.json", datapackage().into_bytes()),
    ]
}

fn table(columns: &[Described], rows: impl Iterator<Item = Vec<String>>) -> Vec<u8> {
    let mut writer =
        csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(Vec::new());
    // Writing to memory cannot fail.
    let _ = writer.write_record(columns.iter().map(|column| column.0));
    for row in rows {
        let _ = writer.write_record(row);
    }
    writer.into_inner().unwrap_or_default()
}

fn maybe(value: Option<impl ToString>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}

fn lives(study: &Study, observations: &Observations, stories: &[Story]) -> Vec<u8> {
    let facts = panel_facts(study, observations);
    let row = |story: &Story| {
        let patch = &study.patches[story.patch];
        let panel = &facts[patch.panel];
        let half = panel.halves.iter().find(|(code, _)| *code == story.treatment).and_then(|(_, half)| *half);
        let wiped = story.wiped.as_ref();
        let looks = story.steps.iter().filter(|step| step.works.is_some()).count();
        let cost = |value: f64| format!("{value:.4}");
        vec![
            story.treatment.clone(),
            story.panel.clone(),
            story.life.to_string(),
            story.over.to_string(),
            standing(story.standing).to_owned(),
            maybe(story.applied_at.map(written)),
            maybe(story.ready_at.map(written)),
            story.batch.clone(),
            maybe(half.map(super::Half::word)),
            panel.batch.clone(),
            panel.preparation.clone(),
            panel.reused.to_string(),
            story.washes.to_string(),
            looks.to_string(),
            story.lifetime.after.to_string(),
            maybe(story.lifetime.until),
            story.never_worked.to_string(),
            maybe(story.suspected_at),
            maybe(wiped.and_then(|wiped| wiped.passes)),
            maybe(wiped.and_then(|wiped| wiped.beading_ended)),
            judgements(study, story),
            maybe(story.cost.map(|of| cost(of.per_m2))),
            maybe(story.cost.and_then(|of| of.per_m2_and_wash).map(cost)),
            story.warnings.join("; "),
        ]
    };
    table(&LIVES, stories.iter().map(row))
}

fn standing(standing: Standing) -> &'static str {
    match standing {
        Standing::Alive => "alive",
        Standing::Failed => "failed",
        Standing::Withdrawn => "withdrawn",
        Standing::Ended => "ended",
    }
}

fn judgements(study: &Study, story: &Story) -> String {
    let latest = study.watching.attributes.iter().filter_map(|attribute| story.judged(attribute));
    let words = latest.map(|judgement| {
        let verdict = if judgement.passes { "pass" } else { "fail" };
        let blind = if judgement.is_blind { " (blind)" } else { "" };
        format!("{}: {verdict}{blind}", judgement.attribute)
    });
    words.collect::<Vec<_>>().join("; ")
}

fn steps(stories: &[Story]) -> Vec<u8> {
    let row = |story: &Story, (index, step): (usize, &Step)| {
        let look = step.look.as_ref();
        let photo = step.photo.as_ref();
        vec![
            story.treatment.clone(),
            story.panel.clone(),
            story.life.to_string(),
            (index + 1).to_string(),
            maybe(step.at.map(written)),
            maybe(step.row),
            step.kind.to_owned(),
            step.washes.to_string(),
            maybe(look.and_then(|look| look.treated_class)),
            maybe(look.and_then(|look| look.control_class)),
            maybe(look.and_then(|look| look.failed_area_pct)),
            maybe(step.works),
            step.says.clone(),
            step.out_of_order.clone(),
            step.by.clone(),
            step.note.clone(),
            maybe(photo.map(|photo| &photo.path)),
            maybe(photo.map(|photo| &photo.sha256)),
        ]
    };
    let rows = stories
        .iter()
        .flat_map(|story| story.steps.iter().enumerate().map(|step| row(story, step)).collect::<Vec<_>>());
    table(&STEPS, rows)
}

/// A Data Package, version 2, <https://datapackage.org>; `unit` is a property of our own, which the standard allows.
fn datapackage() -> String {
    let resource = |name: &str, description: &str, columns: &[Described], key: &[&str]| {
        let fields: Vec<serde_json::Value> = columns
            .iter()
            .map(|&(name, kind, unit, description)| {
                let mut field = serde_json::json!({"name": name, "type": kind, "description": description});
                if !unit.is_empty() {
                    field["unit"] = unit.into();
                }
                field
            })
            .collect();
        serde_json::json!({
            "name": name,
            "type": "table",
            "path": format!("{name}.csv"),
            "description": description,
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "dialect": {
                "header": true, "delimiter": ",", "lineTerminator": "\n", "quoteChar": "\"", "doubleQuote": true,
            },
            "schema": {"fields": fields, "missingValues": [""], "primaryKey": key},
        })
    };
    let package = serde_json::json!({
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "halfpanel-lives",
        "description": "What became of treatments on test panels, wash by wash.",
        "resources": [
            resource(
                "lives",
                "One row for each life of a treatment on a panel.",
                &LIVES,
                &["treatment", "panel", "life"],
            ),
            resource(
                "steps",
                "One row for each thing done or seen in a life.",
                &STEPS,
                &["treatment", "panel", "life", "step"],
            ),
        ],
    });
    format!("{package:#}\n")
}
