//! From rows to stories: who was washed with whom, and what each look says.

use crate::life::blind;
use crate::life::cost;
use crate::life::failing;
use crate::life::lifetime::Lifetime;
use crate::life::observation::Look;
use crate::life::observation::Observation;
use crate::life::observation::Observations;
use crate::life::observation::PatchIndex;
use crate::life::observation::Subject;
use crate::life::observation::What;
use crate::life::sentences;
use crate::life::story::Judgement;
use crate::life::story::Standing;
use crate::life::story::Step;
use crate::life::story::Story;
use crate::life::story::Wiped;
use crate::life::story::shown;
use crate::study::Study;
use chrono::DateTime;
use chrono::FixedOffset;
use chrono::TimeDelta;
use std::collections::BTreeMap;

/// All lives of a study, by patch in the study's order, then in the order of time. A patch on which nothing was ever
/// put has none.
///
/// A product whose application stands in `study.toml` alone (`applied_at`) was put on then. One whose application stands
/// nowhere has a life from its first look, wipe or judgement on, counted from the panel's preparation.
#[must_use]
pub fn stories(study: &Study, observations: &Observations) -> Vec<Story> {
    let mut telling = Telling {
        study,
        labels: labels(observations),
        washes: vec![0; study.panels.len()],
        first_control: vec![None; study.panels.len()],
        open: BTreeMap::new(),
        told: Vec::new(),
    };
    for event in events(study, observations) {
        telling.tell(&event);
    }
    let open = std::mem::take(&mut telling.open);
    open.into_values().for_each(|life| telling.close(life, None));
    telling.told.sort_by_key(|story| (story.patch, story.life));
    telling.told
}

/// The latest life of a patch.
#[must_use]
pub fn latest(stories: &[Story], patch: PatchIndex) -> Option<&Story> {
    stories.iter().rev().find(|story| story.patch == patch)
}

/// What happened; a row, or an application that study.toml tells.
enum Event<'a> {
    Row(&'a Observation),
    InStudy { patch: PatchIndex, at: DateTime<FixedOffset> },
}

impl Event<'_> {
    fn at(&self) -> DateTime<FixedOffset> {
        match self {
            Event::Row(row) => row.at,
            Event::InStudy { at, .. } => *at,
        }
    }
}

fn events<'a>(study: &Study, observations: &'a Observations) -> Vec<Event<'a>> {
    let rows = observations.in_time();
    let is_noted = |patch: usize| {
        rows.iter().any(|row| matches!(row.what, What::Applied { patch: noted, .. } if noted == patch))
    };
    let mut events: Vec<Event<'a>> = Vec::new();
    for (patch, at) in study.patches.iter().enumerate() {
        // The study has checked it.
        let at = at.applied_at.as_deref().and_then(|at| DateTime::parse_from_rfc3339(at).ok());
        if let Some(at) = at.filter(|_| !is_noted(patch)) {
            events.push(Event::InStudy { patch, at });
        }
    }
    events.extend(rows.iter().copied().map(Event::Row));
    events.sort_by_key(Event::at);
    events
}

/// What each label stood for, where that was revealed.
fn labels(observations: &Observations) -> BTreeMap<&str, PatchIndex> {
    let revealed = observations.in_time().into_iter().filter_map(|row| match &row.what {
        What::Revealed { label, patch, .. } => Some((label.as_str(), *patch)),
        _ => None,
    });
    revealed.collect()
}

struct Telling<'a> {
    study: &'a Study,
    labels: BTreeMap<&'a str, PatchIndex>,
    /// Of each panel since it was prepared.
    washes: Vec<u32>,
    /// Class of each panel's control at its first look.
    first_control: Vec<Option<u32>>,
    open: BTreeMap<PatchIndex, Life>,
    told: Vec<Story>,
}

/// A life that goes on.
struct Life {
    story: Story,
    /// Washes of the panel when it was put on.
    base: u32,
    /// Each look that says something.
    looks: Vec<(u32, bool)>,
    amount: Option<crate::units::Amount>,
    /// Nothing but washes is known of it, and not even when it was put on.
    is_guessed: bool,
}

impl<'a> Telling<'a> {
    fn tell(&mut self, event: &Event<'a>) {
        let row = match event {
            Event::Row(row) => *row,
            Event::InStudy { patch, at } => {
                self.put_on(*patch, Some(*at), None);
                return;
            }
        };
        match &row.what {
            What::Applied { patch, .. } => self.put_on(*patch, Some(row.at), Some(row)),
            What::Stripped { panel, patch } => self.strip(*panel, *patch, row),
            What::Washed { panel, washes, .. } => self.wash(*panel, *washes, row),
            What::Looked { patch, washes, look } => self.look(*patch, *washes, look, row),
            What::Wiped { patch, solvent, passes, beading_ended } => {
                let wiped =
                    Wiped { solvent: solvent.clone(), passes: *passes, beading_ended: *beading_ended };
                let life = self.life(*patch);
                life.story.wiped = Some(wiped);
                life.story.is_wiped_since = true;
                let why = match life.story.washes {
                    0 => String::new(),
                    washes => format!("wiped after {washes} washes"),
                };
                life.step(row, sentences::wiped(&row.what), None, None, why);
            }
            What::Judged { subject, attribute, passes, is_blind } => {
                self.judge(subject, *attribute, (*passes, *is_blind), row);
            }
            What::Withdrawn { patch } => {
                let life = self.life(*patch);
                life.step(row, "withdrawn: not followed any more".to_owned(), None, None, String::new());
                life.story.standing = Standing::Withdrawn;
            }
            What::Blinded { .. } | What::Revealed { .. } | What::Corrected { .. } => {}
        }
    }

    /// A new life; what is still on the patch has one that ends here.
    fn put_on(&mut self, patch: PatchIndex, at: Option<DateTime<FixedOffset>>, row: Option<&Observation>) {
        let before = self.open.remove(&patch).filter(|life| !life.is_guessed);
        let over = before.is_some();
        if let Some(before) = before {
            self.close(before, Some((row, "put on again, over this")));
        }
        let mut life = self.new_life(patch, at, over);
        life.base = self.washes[self.study.patches[patch].panel];
        let mut says = "put on".to_owned();
        if let Some(row) = row
            && let What::Applied { amount, batch, .. } = &row.what
        {
            life.amount.clone_from(amount);
            if !batch.is_empty() {
                life.story.batch.clone_from(batch);
            }
            says = sentences::applied(&row.what);
        }
        if over {
            says.push_str(", over what was there before");
        }
        match row {
            Some(row) => life.step(row, says, None, None, String::new()),
            None => life.story.steps.push(Step { at, says, ..sentences::step_of_study() }),
        }
        self.open.insert(patch, life);
    }

    fn new_life(&self, patch: PatchIndex, applied_at: Option<DateTime<FixedOffset>>, over: bool) -> Life {
        let (treatment, panel) = blind::names(self.study, patch);
        let of_study = &self.study.treatments[self.study.patches[patch].treatment].treatment;
        let cure = of_study.cure_hours.map(|hours| TimeDelta::milliseconds((hours * 3.6e6) as i64));
        let earlier = self.told.iter().filter(|story| story.patch == patch).count();
        Life {
            story: Story {
                patch,
                treatment: treatment.to_owned(),
                panel: panel.to_owned(),
                life: u32::try_from(earlier).unwrap_or(u32::MAX).saturating_add(1),
                over,
                standing: Standing::Alive,
                is_on_panel: true,
                applied_at,
                ready_at: applied_at.zip(cure).and_then(|(at, cure)| at.checked_add_signed(cure)),
                batch: of_study.batch.clone(),
                washes: 0,
                wiped: None,
                is_wiped_since: false,
                lifetime: Lifetime { after: 0, until: None, over },
                never_worked: false,
                suspected_at: None,
                judgements: Vec::new(),
                cost: None,
                warnings: Vec::new(),
                steps: Vec::new(),
            },
            base: 0,
            looks: Vec::new(),
            amount: None,
            is_guessed: applied_at.is_none(),
        }
    }

    /// The life that goes on on a patch; one whose beginning nobody noted, if there is none.
    fn life(&mut self, patch: PatchIndex) -> &mut Life {
        if !self.open.contains_key(&patch) {
            let mut life = self.new_life(patch, None, false);
            life.story.warnings.push("nothing says when it was put on".to_owned());
            life.story.washes = self.washes[self.study.patches[patch].panel];
            self.open.insert(patch, life);
        }
        let life = self.open.get_mut(&patch).expect("one was put there if there was none");
        life.is_guessed = false;
        life
    }

    fn on(&self, panel: usize) -> Vec<PatchIndex> {
        (0..self.study.patches.len()).filter(|&patch| self.study.patches[patch].panel == panel).collect()
    }

    fn strip(&mut self, panel: usize, patch: Option<PatchIndex>, row: &Observation) {
        let patches = patch.map_or_else(|| self.on(panel), |patch| vec![patch]);
        for patch in patches {
            if let Some(life) = self.open.remove(&patch).filter(|life| !life.is_guessed) {
                self.close(life, Some((Some(row), "stripped")));
            }
        }
        if patch.is_none() {
            self.washes[panel] = 0;
            self.first_control[panel] = None;
        }
    }

    fn wash(&mut self, panel: usize, washes: u32, row: &Observation) {
        self.washes[panel] = self.washes[panel].max(washes);
        let washes = self.washes[panel];
        let patches = self.on(panel);
        let is_noted = |patch: &PatchIndex| {
            self.open.get(patch).is_some_and(|life| !life.is_guessed)
                || self.told.iter().any(|story| story.patch == *patch)
        };
        // Where nobody notes applications, what is washed was put on; where somebody does, the rest is bare.
        if !patches.iter().any(is_noted) {
            for &patch in &patches {
                self.life(patch).is_guessed = true;
            }
        }
        for patch in patches {
            if let Some(life) = self.open.get_mut(&patch) {
                life.washed_to(washes);
                life.step(row, sentences::washed(&row.what, life.story.washes), None, None, String::new());
            }
        }
    }

    fn look(&mut self, patch: PatchIndex, washes: Option<u32>, look: &Look, row: &Observation) {
        let panel = self.study.patches[patch].panel;
        if let Some(washes) = washes.filter(|&washes| washes > self.washes[panel]) {
            self.washes[panel] = washes;
            for other in self.on(panel) {
                if let Some(life) = self.open.get_mut(&other) {
                    life.washed_to(washes);
                }
            }
        }
        let first = self.first_control[panel].or(look.control_class);
        self.first_control[panel] = first;
        let rule = self.study.watching.failing;
        let works = failing::works(&rule, look, first);
        let scale = &self.study.watching.scale;
        let says = sentences::looked(scale, look, works);
        let life = self.life(patch);
        if let (Some(first), Some(now)) = (first, look.control_class)
            && failing::has_changed(&rule, first, now)
        {
            life.story.warnings.push(format!(
                "the control itself has changed from class {first} to {now} ({}): held against the first",
                shown(row.at)
            ));
        }
        life.looks.extend(works.map(|works| (life.story.washes, works)));
        life.step(row, says, Some(*look), works, String::new());
        let verdict = failing::verdict(&life.looks, life.story.over);
        if verdict.lifetime.until.is_some() && life.story.standing == Standing::Alive {
            life.story.standing = Standing::Failed;
        }
    }

    fn judge(
        &mut self,
        subject: &Subject,
        attribute: usize,
        (passes, is_blind): (bool, bool),
        row: &Observation,
    ) {
        let patch = match subject {
            Subject::Patch(patch) => *patch,
            Subject::Label(label) => match self.labels.get(label.as_str()) {
                Some(&patch) => patch,
                // It belongs to nobody until it is revealed.
                None => return,
            },
        };
        let attribute = self.study.watching.attributes[attribute].clone();
        let life = self.life(patch);
        let says = sentences::judged(&attribute, passes, is_blind);
        life.step(row, says, None, None, String::new());
        life.story.judgements.push(Judgement {
            attribute,
            passes,
            by: row.by.clone(),
            is_blind,
            at: Some(row.at),
            note: row.note.clone(),
        });
    }

    /// Ends a life, or leaves it as it stands at the end of the file.
    fn close(&mut self, mut life: Life, ended: Option<(Option<&Observation>, &str)>) {
        if life.is_guessed && self.told.iter().any(|story| story.patch == life.story.patch) {
            return;
        }
        if let Some((row, says)) = ended {
            life.story.is_on_panel = false;
            if let Some(row) = row {
                life.step(row, says.to_owned(), None, None, String::new());
            }
            life.story.standing = match life.story.standing {
                Standing::Alive => Standing::Ended,
                other => other,
            };
        }
        let verdict = failing::verdict(&life.looks, life.story.over);
        let patch = &self.study.patches[life.story.patch];
        let price = self.study.treatments[patch.treatment].price.as_ref();
        let story = &mut life.story;
        story.lifetime = verdict.lifetime;
        story.never_worked = verdict.never_worked;
        story.suspected_at = verdict.suspected_at;
        story.cost = price.and_then(|price| {
            let amount = life.amount.as_ref();
            cost::cost(price, amount, patch.area_mm2, verdict.lifetime.after)
        });
        if verdict.worked_again {
            story.warnings.push("it was seen working again after two failed looks".to_owned());
        }
        self.told.push(life.story);
    }
}

impl Life {
    fn washed_to(&mut self, panel_washes: u32) {
        let washes = panel_washes.saturating_sub(self.base);
        if washes > self.story.washes {
            self.story.washes = washes;
            self.story.is_wiped_since = false;
        }
    }

    /// Adds a step, marked where it comes at another time than usual.
    fn step(
        &mut self,
        row: &Observation,
        says: String,
        look: Option<Look>,
        works: Option<bool>,
        mut why: String,
    ) {
        let is_early = self.story.ready_at.is_some_and(|ready_at| row.at < ready_at);
        let kind = row.what.kind();
        if self.story.standing == Standing::Withdrawn {
            "it had been withdrawn".clone_into(&mut why);
        } else if is_early && !matches!(kind, crate::life::Kind::Applied | crate::life::Kind::Stripped) {
            "it had not cured yet".clone_into(&mut why);
        }
        self.story.steps.push(Step {
            at: Some(row.at),
            row: Some(row.row),
            kind: kind.name(),
            washes: self.story.washes,
            says,
            look,
            works,
            out_of_order: why,
            by: row.by.clone(),
            note: row.note.clone(),
            photo: row.photo.clone(),
        });
    }
}
