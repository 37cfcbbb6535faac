//! Panels as they are drawn: rows and single zones become rectangles that lie on the panel and beside
//! each other.

use crate::study::figures;
use crate::study::file;
use crate::study::file::Text;
use crate::study::load::Source;
use crate::study::load::twice;
use crate::study::model::StudyPanel;
use crate::study::model::StudyZone;
use crate::study::model::ZoneUse;
use crate::study::names;
use crate::text::Problem;
use std::ops::Range;
use toml::Spanned;

/// Edges that meet may differ by what adding up widths rounds away, mm.
const SLACK_MM: f64 = 1e-6;

/// A panel whose zones still know where they were written, and whether anything uses them.
pub(super) struct PlacedPanel {
    panel: StudyPanel,
    pub places: Vec<Range<usize>>,
    pub uses: Vec<Option<ZoneUse>>,
}

impl PlacedPanel {
    pub fn id(&self) -> &str {
        &self.panel.id
    }

    pub fn zone_names(&self) -> impl Iterator<Item = &str> + Clone {
        self.panel.zones.iter().map(|zone| zone.name.as_str())
    }

    /// Area of the zones of a patch, mm².
    pub fn area_mm2(&self, patch: usize) -> f64 {
        let zones = self.panel.zones.iter().zip(&self.uses);
        let taken = zones.filter(|(_, used_as)| **used_as == Some(ZoneUse::Patch(patch)));
        taken.map(|(zone, _)| zone.width_mm * zone.height_mm).sum()
    }

    /// Index of the zone that `name` stands for.
    pub fn find(&self, source: Source<'_>, name: &Text) -> Result<usize, Problem> {
        self.zone_names().position(|known| known == name.get_ref()).ok_or_else(|| {
            source.problem(
                name.span(),
                format!("panel `{}` has no zone `{}`", self.id(), name.get_ref()),
                names::meant(name.get_ref(), "zones", self.zone_names()),
            )
        })
    }

    /// The panel with the use of each zone; one that nothing uses is unused.
    pub fn into_panel(mut self) -> StudyPanel {
        for (zone, used_as) in self.panel.zones.iter_mut().zip(self.uses) {
            zone.used_as = used_as.unwrap_or(ZoneUse::Unused);
        }
        self.panel
    }
}

pub(super) fn panels(
    source: Source<'_>,
    written: &[Spanned<file::Panel>],
) -> Result<Vec<PlacedPanel>, Problem> {
    if written.is_empty() {
        let hint = "add a `[[panel]]` with `id`, `width_mm`, `height_mm` and its zones";
        return Err(source.problem(0..0, "the study has no panel", hint));
    }
    let mut panels: Vec<PlacedPanel> = Vec::new();
    for panel in written {
        let placed = placed_panel(source, panel)?;
        if let Some(other) = panels.iter().find(|known| names::is_same(known.id(), placed.id())) {
            return Err(twice(source, &panel.get_ref().id, other.id(), "panels"));
        }
        panels.push(placed);
    }
    Ok(panels)
}

fn placed_panel(source: Source<'_>, written: &Spanned<file::Panel>) -> Result<PlacedPanel, Problem> {
    let panel = written.get_ref();
    let id = names::short(source, "panel id", &panel.id)?;
    let width_mm = figures::length_mm(source, "width_mm", &panel.width_mm)?;
    let height_mm = figures::length_mm(source, "height_mm", &panel.height_mm)?;
    let mut zones: Vec<(StudyZone, &Text)> = Vec::new();
    for row in &panel.row {
        zones.extend(row_zones(source, row, width_mm)?);
    }
    for zone in &panel.zone {
        zones.push((single_zone(source, zone)?, &zone.name));
    }
    if zones.is_empty() {
        let what = format!("panel `{id}` has no zones");
        return Err(source.problem(
            written.span(),
            what,
            "add a `[[panel.row]]` or a `[[panel.zone]]` below it",
        ));
    }
    check_places(source, &zones, &id, (width_mm, height_mm))?;
    let (zones, names): (Vec<StudyZone>, Vec<&Text>) = zones.into_iter().unzip();
    let mut placed = PlacedPanel {
        places: names.iter().map(|name| name.span()).collect(),
        uses: vec![None; zones.len()],
        panel: StudyPanel {
            id,
            width_mm,
            height_mm,
            substrate: names::optional_cell(source, "substrate", panel.substrate.as_ref())?,
            note: names::optional_cell(source, "note", panel.note.as_ref())?,
            batch: names::optional_cell(source, "batch", panel.batch.as_ref())?,
            preparation: names::optional_cell(source, "preparation", panel.preparation.as_ref())?,
            reused: panel.reused.as_ref().map_or(0, |times| *times.get_ref()),
            active: panel.active,
            zones,
        },
    };
    state_uses(source, &mut placed, &panel.control, ZoneUse::Control)?;
    state_uses(source, &mut placed, &panel.unused, ZoneUse::Unused)?;
    Ok(placed)
}

/// Takes in the zones that the panel itself lists as control or unused.
fn state_uses(
    source: Source<'_>,
    placed: &mut PlacedPanel,
    listed: &[Text],
    used_as: ZoneUse,
) -> Result<(), Problem> {
    for name in listed {
        let zone = placed.find(source, name)?;
        if let Some(before) = placed.uses[zone] {
            let what = if before == used_as {
                format!("zone `{}` is listed twice", name.get_ref())
            } else {
                format!("zone `{}` is listed as control and as unused", name.get_ref())
            };
            return Err(source.problem(name.span(), what, "keep one of them"));
        }
        placed.uses[zone] = Some(used_as);
    }
    Ok(())
}

/// Zones of equal size, side by side, with a gap between each two.
fn row_zones<'a>(
    source: Source<'_>,
    written: &'a Spanned<file::Row>,
    panel_width_mm: f64,
) -> Result<Vec<(StudyZone, &'a Text)>, Problem> {
    let row = written.get_ref();
    if row.names.is_empty() {
        let hint = "list the names from left to right, such as [\"C1\", \"C2\"]";
        return Err(source.problem(written.span(), "the row has no zones", hint));
    }
    let x_mm = row.x_mm.as_ref().map_or(Ok(0.0), |x| figures::distance_mm(source, "x_mm", x))?;
    let y_mm = figures::distance_mm(source, "y_mm", &row.y_mm)?;
    let height_mm = figures::length_mm(source, "height_mm", &row.height_mm)?;
    let gap_mm = row.gap_mm.as_ref().map_or(Ok(0.0), |gap| figures::distance_mm(source, "gap_mm", gap))?;
    let row_width_mm = match &row.width_mm {
        Some(width) => figures::length_mm(source, "width_mm", width)?,
        None => panel_width_mm - x_mm,
    };
    let n = count_as_f64(row.names.len());
    let width_mm = (row_width_mm - gap_mm * (n - 1.0)) / n;
    if width_mm <= 0.0 {
        let what = format!("{n} zones do not fit side by side into {row_width_mm} mm");
        return Err(source.problem(written.span(), what, "widen the row, or narrow `gap_mm` or `x_mm`"));
    }
    let zone = |(index, name): (usize, &'a Text)| {
        let used_as = ZoneUse::Unused;
        let x_mm = x_mm + (width_mm + gap_mm) * count_as_f64(index);
        let name_text = names::short(source, "zone name", name)?;
        Ok((StudyZone { name: name_text, used_as, x_mm, y_mm, width_mm, height_mm }, name))
    };
    row.names.iter().enumerate().map(zone).collect()
}

#[expect(clippy::cast_precision_loss, reason = "zones on a panel are far fewer than 2^53")]
fn count_as_f64(count: usize) -> f64 {
    count as f64
}

fn single_zone(source: Source<'_>, zone: &file::Zone) -> Result<StudyZone, Problem> {
    Ok(StudyZone {
        name: names::short(source, "zone name", &zone.name)?,
        used_as: ZoneUse::Unused,
        x_mm: figures::distance_mm(source, "x_mm", &zone.x_mm)?,
        y_mm: figures::distance_mm(source, "y_mm", &zone.y_mm)?,
        width_mm: figures::length_mm(source, "width_mm", &zone.width_mm)?,
        height_mm: figures::length_mm(source, "height_mm", &zone.height_mm)?,
    })
}

/// Each name once, each zone on the panel, no two on the same spot.
fn check_places(
    source: Source<'_>,
    zones: &[(StudyZone, &Text)],
    id: &str,
    (width_mm, height_mm): (f64, f64),
) -> Result<(), Problem> {
    for (index, (zone, name)) in zones.iter().enumerate() {
        let before = || zones[..index].iter().map(|(other, _)| other);
        if let Some(other) = before().find(|other| names::is_same(&other.name, &zone.name)) {
            return Err(twice(source, name, &other.name, "zones"));
        }
        let (right_mm, lower_mm) = (zone.x_mm + zone.width_mm, zone.y_mm + zone.height_mm);
        if right_mm > width_mm + SLACK_MM || lower_mm > height_mm + SLACK_MM {
            return Err(source.problem(
                name.span(),
                format!("zone `{}` reaches over the edge of panel `{id}`", zone.name),
                format!(
                    "it ends {right_mm} mm from the left and {lower_mm} mm from the top; the panel has {width_mm} × {height_mm} mm"
                ),
            ));
        }
        if let Some(other) = before().find(|other| overlap(other, zone)) {
            return Err(source.problem(
                name.span(),
                format!("zone `{}` lies over zone `{}`", zone.name, other.name),
                "move or narrow one of them; a spot of the panel belongs to one zone",
            ));
        }
    }
    Ok(())
}

fn overlap(a: &StudyZone, b: &StudyZone) -> bool {
    let share = |a_from: f64, a_size: f64, b_from: f64, b_size: f64| {
        (a_from + a_size).min(b_from + b_size) - a_from.max(b_from) > SLACK_MM
    };
    share(a.x_mm, a.width_mm, b.x_mm, b.width_mm) && share(a.y_mm, a.height_mm, b.y_mm, b.height_mm)
}
