//! From the text of `study.toml` to a study that fits together.

use crate::meter::shipped;
use crate::run::setup::DriftPolicy;
use crate::run::setup::Middle;
use crate::run::setup::Procedure;
use crate::run::setup::Tile;
use crate::run::setup::TileValue;
use crate::run::setup::Treatment;
use crate::run::setup::Zero;
use crate::study::figures;
use crate::study::file;
use crate::study::file::File;
use crate::study::file::Text;
use crate::study::layout;
use crate::study::model::ProfileChoice;
use crate::study::model::Study;
use crate::study::model::StudyComparing;
use crate::study::model::StudyTreatment;
use crate::study::names;
use crate::study::patches;
use crate::study::watching;
use crate::text;
use crate::text::Problem;
use crate::tile::TileRule;
use crate::units::Geometry;
use std::ops::Range;
use toml::Spanned;

/// The file's name and text, for errors with a place.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    pub file: &'a str,
    pub text: &'a str,
}

impl Source<'_> {
    pub fn problem(self, place: Range<usize>, what: impl Into<String>, hint: impl Into<String>) -> Problem {
        Problem::at(self.file, self.text, place, what, hint)
    }
}

impl Study {
    /// Reads and checks a study; `file` is the name to show in errors.
    ///
    /// ```
    /// use halfpanel::study::Study;
    /// let files = halfpanel::study::template_files();
    /// let study = Study::load("study.toml", files[0].1).unwrap();
    /// assert_eq!(study.panels[0].zones.len(), 10);
    /// ```
    ///
    /// # Errors
    /// The first problem, with line, column, and what would be right: not TOML, a key that does not
    /// exist, a number out of range, names twice or unknown, zones that overlap, or parts of the study
    /// that contradict each other. `protocol-notes/study.md` lists them.
    pub fn load(file: &str, source: &str) -> Result<Study, Problem> {
        let written: File = text::parse(file, source)?;
        Study::resolve(Source { file, text: source }, &written)
    }

    fn resolve(source: Source<'_>, written: &File) -> Result<Study, Problem> {
        let (geometries, geometry_places) = geometries(source, written)?;
        let tile = tile(source, written)?;
        check_tile_values(source, written, &tile, &geometries, &geometry_places)?;
        check_middle(source, written, &tile, &geometries)?;
        let mut panels = layout::panels(source, &written.panel)?;
        let treatments = treatments(source, &written.treatment)?;
        let patches = patches::patches(source, written, &mut panels, &treatments)?;
        Ok(Study {
            file: source.file.to_owned(),
            source: source.text.to_owned(),
            geometry_places,
            name: names::cell(source, "name", &written.name)?,
            operator: names::optional_cell(source, "operator", written.operator.as_ref())?,
            port: port(source, &written.meter.port)?,
            profile: profile(source, &written.meter.profile)?,
            serial_number: serial_number(source, written.meter.serial_number.as_ref())?,
            serial_place: written.meter.serial_number.as_ref().map_or(0..0, Spanned::span),
            tile,
            procedure: procedure(source, &written.procedure)?,
            geometries,
            order: written.procedure.order,
            comparing: comparing(source, &written.comparing)?,
            tile_index: tile_index(source, written.tile.get_ref())?,
            watching: watching::watching(source, written)?,
            panels: panels.into_iter().map(layout::PlacedPanel::into_panel).collect(),
            treatments,
            patches,
        })
    }
}

fn port(source: Source<'_>, written: &Text) -> Result<String, Problem> {
    let port = names::cell(source, "port", written)?;
    if port == "sim:" {
        let hint = "name the scenario in the study's folder, such as `sim:meter.toml`";
        return Err(source.problem(written.span(), "the simulated meter has no scenario", hint));
    }
    Ok(port)
}

fn serial_number(source: Source<'_>, written: Option<&Text>) -> Result<Option<String>, Problem> {
    written.map(|number| names::cell(source, "serial_number", number)).transpose()
}

fn profile(source: Source<'_>, written: &Text) -> Result<ProfileChoice, Problem> {
    let name = names::cell(source, "profile", written)?;
    if !name.ends_with(".toml") {
        if shipped::text(&name).is_some() {
            return Ok(ProfileChoice::Shipped(name));
        }
        let hint = names::meant(&name, "profiles", shipped::names());
        return Err(source.problem(
            written.span(),
            format!("no profile is called `{name}`"),
            format!(
                "{hint}{} file of your own ends in `.toml`",
                if hint.ends_with('?') { " A" } else { "; a" }
            ),
        ));
    }
    let leaves_the_folder = name.split(['/', '\\']).any(|part| part == "..")
        || name.starts_with(['/', '\\'])
        || name.contains(':');
    if leaves_the_folder {
        let hint = "a study is whole in its own folder; copy the profile into it";
        return Err(source.problem(
            written.span(),
            format!("`{name}` lies outside the study's folder"),
            hint,
        ));
    }
    Ok(ProfileChoice::File(name))
}

/// Geometries, rising, each with the place where it was asked for: the list, or the tile where there is none.
fn geometries(source: Source<'_>, written: &File) -> Result<(Vec<Geometry>, Vec<Range<usize>>), Problem> {
    let Some(list) = &written.procedure.geometries else {
        return Ok((vec![Geometry::Deg60], vec![written.tile.span()]));
    };
    if list.get_ref().is_empty() {
        let hint = "give at least one of 20, 60 and 85; 60 is the one to start with";
        return Err(source.problem(list.span(), "`geometries` is empty", hint));
    }
    let mut found: Vec<(Geometry, Range<usize>)> = Vec::new();
    for geometry in list.get_ref() {
        if found.iter().any(|(known, _)| known == geometry.get_ref()) {
            let what = format!("{} stands here twice", geometry.get_ref());
            return Err(source.problem(geometry.span(), what, "keep one of them"));
        }
        found.push((*geometry.get_ref(), geometry.span()));
    }
    found.sort_by_key(|&(geometry, _)| geometry);
    Ok(found.into_iter().unzip())
}

fn tile(source: Source<'_>, written: &File) -> Result<Tile, Problem> {
    let tile = written.tile.get_ref();
    let certificate_date = tile
        .certificate_date
        .as_ref()
        .map(|day| figures::day(source, "certificate_date", day))
        .transpose()?;
    let readings = written.procedure.tile_readings.as_ref();
    Ok(Tile {
        name: names::cell(source, "name", &tile.name)?,
        certificate_date,
        values: tile_values(source, "tile", &tile.value)?,
        zero: zero(source, tile.zero.as_ref())?,
        middle: middle(source, tile.middle.as_ref())?,
        rule: TileRule {
            readings: readings.map_or(Ok(3), |n| figures::count(source, "tile_readings", n))?,
            tolerance_gu: figures::limit_gu(source, "tolerance_gu", tile.tolerance_gu.as_ref(), 10)?,
            spread_limit_gu: figures::limit_gu(source, "spread_limit_gu", tile.spread_limit_gu.as_ref(), 5)?,
            drift_limit_gu: figures::limit_gu(
                source,
                "drift_limit_gu",
                written.procedure.drift_limit_gu.as_ref(),
                3,
            )?,
        },
    })
}

fn zero(source: Source<'_>, written: Option<&file::Zero>) -> Result<Option<Zero>, Problem> {
    let Some(written) = written else { return Ok(None) };
    let tolerance_gu = figures::limit_gu(source, "tolerance_gu", written.tolerance_gu.as_ref(), 1)?;
    Ok(Some(Zero { tolerance_gu }))
}

fn middle(source: Source<'_>, written: Option<&Spanned<file::Middle>>) -> Result<Option<Middle>, Problem> {
    let Some(written) = written.map(Spanned::get_ref) else { return Ok(None) };
    Ok(Some(Middle {
        name: names::cell(source, "name", &written.name)?,
        tolerance_gu: figures::limit_gu(source, "tolerance_gu", written.tolerance_gu.as_ref(), 10)?,
        values: tile_values(source, "middle tile", &written.value)?,
    }))
}

/// The middle tile has a value at every geometry of the procedure, below that of the tile.
fn check_middle(
    source: Source<'_>,
    written: &File,
    tile: &Tile,
    geometries: &[Geometry],
) -> Result<(), Problem> {
    let (Some(middle), Some(at)) = (&tile.middle, &written.tile.get_ref().middle) else { return Ok(()) };
    let value = |values: &[TileValue], g: Geometry| {
        values.iter().find(|value| value.geometry_deg == g).map(|value| value.assigned_gu)
    };
    for &geometry in geometries {
        let Some(assigned_gu) = value(&middle.values, geometry) else {
            return Err(source.problem(
                at.span(),
                format!("the middle tile has no value at {geometry}"),
                format!(
                    "add a `[[tile.middle.value]]` with `geometry_deg = {}` and its assigned value",
                    geometry.text()
                ),
            ));
        };
        if value(&tile.values, geometry).is_some_and(|of_tile| assigned_gu >= of_tile) {
            let is_it = |value: &&file::TileValue| *value.geometry_deg.get_ref() == geometry;
            let place = at.get_ref().value.iter().find(is_it).map_or(at.span(), |v| v.assigned_gu.span());
            return Err(source.problem(
                place,
                format!("the middle tile has {assigned_gu} GU at {geometry}, not less than the tile"),
                "take a tile from the middle of the scale, or leave `[tile.middle]` out",
            ));
        }
    }
    Ok(())
}

fn tile_values(
    source: Source<'_>,
    which: &str,
    written: &[file::TileValue],
) -> Result<Vec<TileValue>, Problem> {
    let mut values: Vec<TileValue> = Vec::new();
    for value in written {
        let geometry_deg = *value.geometry_deg.get_ref();
        if values.iter().any(|known| known.geometry_deg == geometry_deg) {
            let what = format!("the {which} has two values at {geometry_deg}");
            return Err(source.problem(value.geometry_deg.span(), what, "keep the one on the certificate"));
        }
        let uncertainty = value.expanded_uncertainty_gu.as_ref();
        values.push(TileValue {
            geometry_deg,
            assigned_gu: figures::gu(source, "assigned_gu", &value.assigned_gu)?,
            expanded_uncertainty_gu: uncertainty
                .map(|u| figures::gu(source, "expanded_uncertainty_gu", u))
                .transpose()?,
        });
    }
    values.sort_by_key(|value| value.geometry_deg);
    Ok(values)
}

fn check_tile_values(
    source: Source<'_>,
    written: &File,
    tile: &Tile,
    geometries: &[Geometry],
    places: &[Range<usize>],
) -> Result<(), Problem> {
    let has_value = |g: &Geometry| tile.values.iter().any(|value| value.geometry_deg == *g);
    let Some(index) = geometries.iter().position(|g| !has_value(g)) else { return Ok(()) };
    let geometry = geometries[index];
    let otherwise = if written.procedure.geometries.is_some() {
        format!(", or take {} out of `geometries`", geometry.text())
    } else {
        ", or name the tile's geometry in `procedure.geometries`".to_owned()
    };
    Err(source.problem(
        places[index].clone(),
        format!("the tile has no value at {geometry}"),
        format!(
            "add a `[[tile.value]]` with `geometry_deg = {}` and the certificate's value{otherwise}",
            geometry.text()
        ),
    ))
}

fn procedure(source: Source<'_>, written: &file::Procedure) -> Result<Procedure, Problem> {
    let count = |key: &str, count: &Option<file::Count>| {
        count.as_ref().map(|count| figures::count(source, key, count)).transpose()
    };
    Ok(Procedure {
        readings_per_zone: count("readings_per_zone", &written.readings_per_zone)?.unwrap_or(1),
        interim_after_readings: count("interim_after_readings", &written.interim_after_readings)?,
        interim_after_min: count("interim_after_min", &written.interim_after_min)?,
        longest_pause_min: count("longest_pause_min", &written.longest_pause_min)?.unwrap_or(60),
        drift_policy: written.drift_policy.unwrap_or(DriftPolicy::Allow),
        side_range_limit_gu: figures::stated_limit_gu(
            source,
            "side_range_limit_gu",
            written.side_range_limit_gu.as_ref(),
        )?,
    })
}

fn tile_index(source: Source<'_>, tile: &file::Tile) -> Result<Option<f64>, Problem> {
    let Some(index) = &tile.refractive_index else { return Ok(None) };
    let value = *index.get_ref();
    if (1.3..=1.85).contains(&value) {
        return Ok(Some(value));
    }
    let what = format!("`refractive_index` is {value}");
    Err(source.problem(index.span(), what, "give that of the tile's glass, 1.3 to 1.85; 1.567 is 100 GU"))
}

fn comparing(source: Source<'_>, written: &file::Comparing) -> Result<StudyComparing, Problem> {
    let size = |key: &str, figure: &Option<file::Figure>| {
        figure.as_ref().map(|figure| figures::gu(source, key, figure)).transpose()
    };
    let retention_from = written.retention_from.as_ref().map_or("cured", |stage| stage.get_ref().as_str());
    if let Some(text) = written.retention_from.as_ref().filter(|_| !names::is_stage(retention_from)) {
        let what = format!("`{retention_from}` cannot be a stage");
        return Err(source.problem(text.span(), what, names::STAGE_HINT));
    }
    Ok(StudyComparing {
        matters_gu: size("matters_gu", &written.matters_gu)?,
        equivalence_margin_gu: size("equivalence_margin_gu", &written.equivalence_margin_gu)?,
        baseline: written.baseline.unwrap_or(true),
        retention_from: retention_from.to_owned(),
    })
}

fn treatments(source: Source<'_>, written: &[file::Treatment]) -> Result<Vec<StudyTreatment>, Problem> {
    if written.is_empty() {
        let hint = "add a `[[treatment]]` with `code` and `name`";
        return Err(source.problem(0..0, "the study has no treatment", hint));
    }
    let mut treatments: Vec<StudyTreatment> = Vec::new();
    for treatment in written {
        let code = names::short(source, "treatment code", &treatment.code)?;
        let mut known = treatments.iter().map(|known| known.treatment.code.as_str());
        if let Some(other) = known.find(|known| names::is_same(known, &code)) {
            return Err(twice(source, &treatment.code, other, "treatments"));
        }
        treatments.push(StudyTreatment {
            treatment: Treatment {
                code,
                name: names::cell(source, "name", &treatment.name)?,
                batch: names::optional_cell(source, "batch", treatment.batch.as_ref())?,
                how: names::optional_cell(source, "how", treatment.how.as_ref())?,
                cure_hours: hours(source, treatment.cure_hours.as_ref())?,
            },
            caution: names::optional_cell(source, "caution", treatment.caution.as_ref())?,
            price: watching::price(source, treatment)?,
        });
    }
    Ok(treatments)
}

fn hours(source: Source<'_>, written: Option<&Spanned<f64>>) -> Result<Option<f64>, Problem> {
    written.map(|hours| figures::hours(source, "cure_hours", hours)).transpose()
}

/// The refusal of a name that `other` has already.
pub(super) fn twice(source: Source<'_>, name: &Text, other: &str, kinds: &str) -> Problem {
    let name_text = name.get_ref();
    let what = if name_text == other {
        format!("two {kinds} are called `{name_text}`")
    } else {
        format!("{kinds} `{other}` and `{name_text}` differ only in capital letters")
    };
    source.problem(name.span(), what, "give one of them another name")
}
