//! Patches: which treatment stands on which zones, and what cannot be at the same time.

use crate::study::figures;
use crate::study::file;
use crate::study::file::File;
use crate::study::file::Text;
use crate::study::layout::PlacedPanel;
use crate::study::load::Source;
use crate::study::model::Patch;
use crate::study::model::StudyTreatment;
use crate::study::model::ZoneUse;
use crate::study::names;
use crate::study::watching;
use crate::text::Problem;

/// The patches; each takes its zones in `panels`.
pub(super) fn patches(
    source: Source<'_>,
    written: &File,
    panels: &mut [PlacedPanel],
    treatments: &[StudyTreatment],
) -> Result<Vec<Patch>, Problem> {
    let mut patches: Vec<Patch> = Vec::new();
    for patch in &written.patch {
        let patch = patch.get_ref();
        let resolved = resolve(source, patch, panels, treatments)?;
        if patches.iter().any(|p| (p.panel, p.treatment) == (resolved.panel, resolved.treatment)) {
            return Err(source.problem(
                patch.treatment.span(),
                format!(
                    "treatment `{}` has two patches on panel `{}`",
                    patch.treatment.get_ref(),
                    patch.panel.get_ref()
                ),
                "list all its zones in one patch; for a second batch give it a code of its own",
            ));
        }
        let panel = &mut panels[resolved.panel];
        take_zones(source, patch, panel, (patches.len(), &patches), treatments)?;
        let area_mm2 = match &patch.area_cm2 {
            Some(area) => 100.0 * watching::area(source, "area_cm2", area)?,
            None => panel.area_mm2(patches.len()),
        };
        patches.push(Patch { area_mm2, ..resolved });
    }
    for (index, panel) in panels.iter().enumerate() {
        let on_panel = patches.iter().position(|patch| patch.panel == index);
        if let Some(first) = on_panel {
            check_panel(source, panel, written.patch[first].get_ref())?;
        }
    }
    Ok(patches)
}

fn resolve(
    source: Source<'_>,
    patch: &file::Patch,
    panels: &[PlacedPanel],
    treatments: &[StudyTreatment],
) -> Result<Patch, Problem> {
    let codes = treatments.iter().map(|t| t.treatment.code.as_str());
    let ids = panels.iter().map(PlacedPanel::id);
    let stage = patch.stage.as_ref().map_or("cured", |stage| stage.get_ref().as_str());
    if let Some(text) = patch.stage.as_ref().filter(|_| !names::is_stage(stage)) {
        return Err(source.problem(text.span(), format!("`{stage}` cannot be a stage"), names::STAGE_HINT));
    }
    Ok(Patch {
        treatment: known(source, &patch.treatment, "treatment", codes)?,
        panel: known(source, &patch.panel, "panel", ids)?,
        stage: stage.to_owned(),
        is_stage_stated: patch.stage.is_some(),
        area_mm2: 0.0,
        applied_at: patch
            .applied_at
            .as_ref()
            .map(|at| figures::moment(source, "applied_at", at))
            .transpose()?,
    })
}

fn known<'a>(
    source: Source<'_>,
    name: &Text,
    kind: &str,
    mut known: impl Iterator<Item = &'a str> + Clone,
) -> Result<usize, Problem> {
    let all = known.clone();
    known.position(|known| known == name.get_ref()).ok_or_else(|| {
        source.problem(
            name.span(),
            format!("no {kind} is called `{}`", name.get_ref()),
            names::meant(name.get_ref(), &format!("{kind}s"), all),
        )
    })
}

/// Gives the zones of a patch to it, unless something else has them.
fn take_zones(
    source: Source<'_>,
    patch: &file::Patch,
    panel: &mut PlacedPanel,
    (number, earlier): (usize, &[Patch]),
    treatments: &[StudyTreatment],
) -> Result<(), Problem> {
    let code = patch.treatment.get_ref();
    if patch.zones.get_ref().is_empty() {
        let hint = "list the zones that have the product, such as [\"A1\", \"A2\"]";
        return Err(source.problem(patch.zones.span(), format!("the patch of `{code}` has no zones"), hint));
    }
    for name in patch.zones.get_ref() {
        let zone = panel.find(source, name)?;
        let shown = name.get_ref();
        let (what, hint) = match panel.uses[zone] {
            None => {
                panel.uses[zone] = Some(ZoneUse::Patch(number));
                continue;
            }
            Some(ZoneUse::Control) => (
                format!("treatment `{code}` stands on control zone `{shown}`"),
                format!(
                    "a control zone stays bare; take `{shown}` out here, or out of the panel's `control`"
                ),
            ),
            Some(ZoneUse::Unused) => (
                format!("treatment `{code}` stands on the unused zone `{shown}`"),
                format!("take `{shown}` out here, or out of the panel's `unused`"),
            ),
            Some(ZoneUse::Patch(other)) if other == number => {
                (format!("zone `{shown}` is listed twice"), "keep one of them".to_owned())
            }
            Some(ZoneUse::Patch(other)) => {
                let holder = &treatments[earlier[other].treatment].treatment.code;
                (
                    format!("zone `{shown}` is in the patch of `{holder}` already"),
                    "a zone has one treatment; give each patch its own zones".to_owned(),
                )
            }
        };
        return Err(source.problem(name.span(), what, hint));
    }
    Ok(())
}

/// A panel with a patch needs a control, and says of every zone what it is for: a zone that was
/// forgotten in a list would otherwise go unread without a word.
fn check_panel(source: Source<'_>, panel: &PlacedPanel, patch: &file::Patch) -> Result<(), Problem> {
    let is_control = |used_as: &Option<ZoneUse>| *used_as == Some(ZoneUse::Control);
    if !panel.uses.iter().any(is_control) {
        return Err(source.problem(
            patch.panel.span(),
            format!("panel `{}` has a patch and no control zone", panel.id()),
            "leave some zones bare and list them in the panel, such as `control = [\"C1\", \"C2\"]`",
        ));
    }
    let Some(free) = panel.uses.iter().position(Option::is_none) else { return Ok(()) };
    let name = panel.zone_names().nth(free).unwrap_or_default();
    Err(source.problem(
        panel.places[free].clone(),
        format!("zone `{name}` of panel `{}` is neither control nor in a patch", panel.id()),
        "put it into the panel's `control`, into the `zones` of a patch, or into the panel's `unused`",
    ))
}
