//! One row of `observations.csv`, from its cells to what it says.

use crate::life::cells::Cell;
use crate::life::columns::Column;
use crate::life::columns::Kind;
use crate::life::observation::Look;
use crate::life::observation::Observation;
use crate::life::observation::PatchIndex;
use crate::life::observation::Photo;
use crate::life::observation::Subject;
use crate::life::observation::What;
use crate::life::reading::RowProblem;
use crate::study::Study;
use crate::study::meant;
use crate::text::Problem;
use crate::units::Amount;
use chrono::DateTime;
use std::str::FromStr;

/// Most washes, passes or coats that a row can speak of.
const MOST: u32 = 100_000;

/// The cells of a row, by their columns.
pub(super) struct Row<'a> {
    file: &'a str,
    line: usize,
    cells: &'a [Cell],
    columns: &'a [Option<Column>],
    study: &'a Study,
}

type Read<T> = Result<T, RowProblem>;

impl<'a> Row<'a> {
    pub fn new(
        (file, line): (&'a str, usize),
        cells: &'a [Cell],
        columns: &'a [Option<Column>],
        study: &'a Study,
    ) -> Row<'a> {
        Row { file, line, cells, columns, study }
    }

    fn cell(&self, column: Column) -> (&'a str, usize) {
        let index = self.columns.iter().position(|known| *known == Some(column));
        index.and_then(|index| self.cells.get(index)).map_or(("", 1), |cell| (cell.text.trim(), cell.column))
    }

    fn text(&self, column: Column) -> String {
        self.cell(column).0.to_owned()
    }

    pub fn problem_at(&self, column: usize, what: impl Into<String>, hint: impl Into<String>) -> RowProblem {
        let problem = Problem {
            file: self.file.to_owned(),
            line: self.line,
            column,
            what: what.into(),
            hint: hint.into(),
        };
        RowProblem { row: self.cell(Column::Row).0.parse().ok(), problem }
    }

    fn problem(&self, column: Column, what: impl Into<String>, hint: impl Into<String>) -> RowProblem {
        self.problem_at(self.cell(column).1, what, hint)
    }

    /// What the row says.
    pub fn read(&self) -> Read<Observation> {
        let row = self.whole(Column::Row, 1..=u32::MAX)?.ok_or_else(|| {
            self.problem(
                Column::Row,
                "the row has no number",
                "give it the next free one, so that it can be corrected",
            )
        })?;
        let (text, _) = self.cell(Column::At);
        let at = DateTime::parse_from_rfc3339(text).map_err(|_| {
            let what = format!("`{text}` is not a moment with its offset from UTC");
            self.problem(Column::At, what, "write it such as 2026-05-04T09:30:00+02:00")
        })?;
        let kind = self.kind()?;
        self.refuse_foreign_cells(kind)?;
        Ok(Observation {
            row,
            line: self.line,
            at,
            what: self.what(kind)?,
            by: self.text(Column::By),
            photo: self.photo()?,
            note: self.text(Column::Note),
            taken_back_by: None,
        })
    }

    fn kind(&self) -> Read<Kind> {
        let (text, _) = self.cell(Column::Kind);
        Kind::ALL.into_iter().find(|kind| kind.name() == text).ok_or_else(|| {
            let hint = meant(text, "kinds", Kind::ALL.iter().map(|kind| kind.name()));
            self.problem(Column::Kind, format!("no kind of row is called `{text}`"), hint)
        })
    }

    fn refuse_foreign_cells(&self, kind: Kind) -> Read<()> {
        let foreign = self
            .columns
            .iter()
            .zip(self.cells)
            .find(|(column, cell)| column.is_some_and(|c| !kind.has(c)) && !cell.text.trim().is_empty());
        let Some((Some(column), cell)) = foreign else { return Ok(()) };
        let what = format!("a row of the kind `{}` has nothing in `{}`", kind.name(), column.name());
        Err(self.problem_at(
            cell.column,
            what,
            "leave the cell empty, and put what you want to say into `note`",
        ))
    }

    fn what(&self, kind: Kind) -> Read<What> {
        Ok(match kind {
            Kind::Applied => What::Applied {
                patch: self.patch()?,
                amount: self.amount()?,
                coats: self.whole(Column::Coats, 1..=MOST)?,
                batch: self.text(Column::Batch),
            },
            Kind::Stripped if self.cell(Column::Treatment).0.is_empty() => {
                What::Stripped { panel: self.panel()?, patch: None }
            }
            Kind::Stripped => {
                let patch = self.patch()?;
                What::Stripped { panel: self.study.patches[patch].panel, patch: Some(patch) }
            }
            Kind::Washed => What::Washed {
                panel: self.panel()?,
                washes: self
                    .needed(Column::Washes, "the panel's washes since it was prepared, this one included")?,
                recipe: self.text(Column::Recipe),
                amount: self.amount()?,
            },
            Kind::Looked => {
                let (patch, washes) = (self.patch()?, self.whole(Column::Washes, 0..=MOST)?);
                What::Looked { patch, washes, look: self.look()? }
            }
            Kind::Wiped => self.wiped()?,
            Kind::Judged => self.judged()?,
            Kind::Withdrawn => What::Withdrawn { patch: self.patch()? },
            Kind::Blinded => {
                What::Blinded { label: self.label()?, seal_sha256: self.digest(Column::SealSha256)? }
            }
            Kind::Revealed => {
                What::Revealed { label: self.label()?, patch: self.patch()?, salt: self.text(Column::Salt) }
            }
            Kind::Corrected => {
                What::Corrected { takes_back: self.needed(Column::TakesBack, "the number of the row")? }
            }
        })
    }

    fn look(&self) -> Read<Look> {
        let worst = self.study.watching.scale.worst();
        let look = Look {
            treated_class: self.whole(Column::TreatedClass, 1..=worst)?,
            control_class: self.whole(Column::ControlClass, 1..=worst)?,
            failed_area_pct: self.percent(Column::FailedAreaPct)?,
        };
        let says_nothing = look == Look::default()
            && self.cell(Column::Photo).0.is_empty()
            && self.cell(Column::Note).0.is_empty();
        if says_nothing {
            let hint = "fill `treated_class` and `control_class`, `failed_area_pct`, `photo` or `note`";
            return Err(self.problem(Column::TreatedClass, "the row says nothing of what was seen", hint));
        }
        Ok(look)
    }

    fn wiped(&self) -> Read<What> {
        let passes = self.whole(Column::Passes, 1..=MOST)?;
        let beading_ended = self.whole(Column::BeadingEndedPass, 1..=MOST)?;
        if let (Some(passes), Some(ended)) = (passes, beading_ended)
            && ended > passes
        {
            let what = format!("beading ended at pass {ended}, and there were {passes}");
            return Err(self.problem(Column::BeadingEndedPass, what, "give a pass that was made"));
        }
        Ok(What::Wiped { patch: self.patch()?, solvent: self.text(Column::Solvent), passes, beading_ended })
    }

    fn judged(&self) -> Read<What> {
        let attributes = &self.study.watching.attributes;
        let (name, _) = self.cell(Column::Attribute);
        let attribute = attributes.iter().position(|known| known == name).ok_or_else(|| {
            let hint = meant(name, "attributes", attributes.iter().map(String::as_str));
            self.problem(Column::Attribute, format!("no attribute of the study is called `{name}`"), hint)
        })?;
        let (verdict, _) = self.cell(Column::Verdict);
        let passes = match verdict.to_lowercase().as_str() {
            "pass" => true,
            "fail" => false,
            _ => {
                let what = format!("`{verdict}` is no verdict");
                return Err(self.problem(Column::Verdict, what, "write `pass` or `fail`"));
            }
        };
        let (label, _) = self.cell(Column::Label);
        if label.is_empty() {
            let subject = Subject::Patch(self.patch()?);
            return Ok(What::Judged { subject, attribute, passes, is_blind: self.yes(Column::Blind)? });
        }
        if !self.cell(Column::Treatment).0.is_empty() {
            let hint = "leave `treatment` and `panel` empty; a `revealed` row says what the label stood for";
            return Err(self.problem(Column::Treatment, "a judgement by label names no treatment", hint));
        }
        Ok(What::Judged { subject: Subject::Label(label.to_owned()), attribute, passes, is_blind: true })
    }

    fn photo(&self) -> Read<Option<Photo>> {
        let (path, _) = self.cell(Column::Photo);
        let has_digest = !self.cell(Column::PhotoSha256).0.is_empty();
        if path.is_empty() && has_digest {
            let hint = "name the file in `photo`, or empty `photo_sha256`";
            return Err(self.problem(Column::PhotoSha256, "there is a digest, and no photo", hint));
        }
        let sha256 = if has_digest { self.digest(Column::PhotoSha256)? } else { String::new() };
        Ok((!path.is_empty()).then(|| Photo { path: path.to_owned(), sha256 }))
    }

    fn patch(&self) -> Read<PatchIndex> {
        let study = self.study;
        let (code, _) = self.cell(Column::Treatment);
        let codes = || study.treatments.iter().map(|t| t.treatment.code.as_str());
        let treatment = codes().position(|known| known == code).ok_or_else(|| {
            let what = if code.is_empty() {
                "the row names no treatment".to_owned()
            } else {
                format!("no treatment of the study is called `{code}`")
            };
            self.problem(Column::Treatment, what, meant(code, "treatments", codes()))
        })?;
        let on = || (0..study.patches.len()).filter(|&patch| study.patches[patch].treatment == treatment);
        let ids: Vec<&str> = on().map(|patch| study.panels[study.patches[patch].panel].id.as_str()).collect();
        if self.cell(Column::Panel).0.is_empty() {
            let mut patches = on();
            if let (Some(only), None) = (patches.next(), patches.next()) {
                return Ok(only);
            }
            let what = format!("the row does not say on which panel `{code}` is meant");
            return Err(self.problem(Column::Panel, what, standing_on(code, &ids)));
        }
        let panel = self.panel()?;
        on().find(|&patch| study.patches[patch].panel == panel).ok_or_else(|| {
            let what = format!("`{code}` has no patch on panel `{}`", study.panels[panel].id);
            self.problem(Column::Panel, what, standing_on(code, &ids))
        })
    }

    fn panel(&self) -> Read<usize> {
        let (id, _) = self.cell(Column::Panel);
        let ids = || self.study.panels.iter().map(|panel| panel.id.as_str());
        ids().position(|known| known == id).ok_or_else(|| {
            let what = match id {
                "" => "the row names no panel".to_owned(),
                id => format!("no panel of the study is called `{id}`"),
            };
            self.problem(Column::Panel, what, meant(id, "panels", ids()))
        })
    }

    fn amount(&self) -> Read<Option<Amount>> {
        let (text, _) = self.cell(Column::Amount);
        if text.is_empty() {
            return Ok(None);
        }
        // A decimal comma is the habit of those who write semicolons.
        Amount::parse(&text.replace(',', ".")).map(Some).ok_or_else(|| {
            let what = format!("`{text}` is not an amount");
            self.problem(
                Column::Amount,
                what,
                "write a number and g, kg, mg, ml, cl, dl or l, such as `12.5 ml`",
            )
        })
    }

    fn percent(&self, column: Column) -> Read<Option<f64>> {
        let (text, _) = self.cell(column);
        if text.is_empty() {
            return Ok(None);
        }
        let value = f64::from_str(text.trim_end_matches('%').trim_end().replace(',', ".").as_str());
        value
            .ok()
            .filter(|value| (0.0..=100.0).contains(value))
            .map(Some)
            .ok_or_else(|| self.problem(column, format!("`{text}` is no share in percent"), "give 0 to 100"))
    }

    fn whole(&self, column: Column, range: std::ops::RangeInclusive<u32>) -> Read<Option<u32>> {
        let (text, _) = self.cell(column);
        if text.is_empty() {
            return Ok(None);
        }
        let is_plain = text.chars().all(|c| c.is_ascii_digit());
        let value = if is_plain { text.parse().ok() } else { None };
        value.filter(|value| range.contains(value)).map(Some).ok_or_else(|| {
            let what = format!("`{text}` cannot stand in `{}`", column.name());
            let hint = match *range.end() {
                u32::MAX => format!("give a whole number from {}", range.start()),
                most => format!("give a whole number from {} to {most}", range.start()),
            };
            self.problem(column, what, hint)
        })
    }

    fn needed(&self, column: Column, meaning: &str) -> Read<u32> {
        self.whole(column, 1..=MOST)?.ok_or_else(|| {
            self.problem(column, format!("`{}` is empty", column.name()), format!("give {meaning}"))
        })
    }

    fn yes(&self, column: Column) -> Read<bool> {
        let (text, _) = self.cell(column);
        match text.to_lowercase().as_str() {
            "" | "no" | "false" => Ok(false),
            "yes" | "true" => Ok(true),
            _ => Err(self.problem(
                column,
                format!("`{text}` is neither yes nor no"),
                "write `yes`, or leave it empty",
            )),
        }
    }

    fn label(&self) -> Read<String> {
        let label = self.text(Column::Label);
        if label.is_empty() {
            return Err(self.problem(Column::Label, "the row names no label", "give the label it is about"));
        }
        Ok(label)
    }

    fn digest(&self, column: Column) -> Read<String> {
        let (text, _) = self.cell(column);
        let text = text.to_lowercase();
        if text.len() == 64 && text.chars().all(|c| c.is_ascii_hexdigit()) {
            return Ok(text);
        }
        Err(self.problem(
            column,
            format!("`{}` is no SHA-256", column.name()),
            "give its 64 hexadecimal digits",
        ))
    }
}

/// Where a treatment stands, for a hint.
fn standing_on(code: &str, panels: &[&str]) -> String {
    if panels.is_empty() {
        return format!("`{code}` stands on no panel; add a `[[patch]]` to study.toml");
    }
    format!("`{code}` stands on `{}`", panels.join("`, `"))
}
