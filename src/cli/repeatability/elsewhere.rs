//! Readings that were taken elsewhere, from a table.

use super::LeftOut;
use super::Material;
use crate::cli::Failure;
use crate::difference::repeatability::Series;
use crate::run::setup::Between;
use crate::store::Disk;
use crate::store::RealDisk;
use crate::text::nearest;
use crate::units::Geometry;
use crate::units::Gloss;
use std::path::Path;

const COLUMNS: [&str; 5] = ["operator", "sitting", "lifted", "geometry_deg", "gloss_gu"];
/// Says which spot was read; without it all readings are of one.
const ZONE: &str = "zone";

/// Reads a table; readings of one operator, sitting, zone, way and geometry are one series, in their order.
pub fn read(file: &Path) -> Result<Material, Failure> {
    let bytes = RealDisk.read(file)?;
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(bytes.as_slice());
    let name = file.display().to_string();
    let unreadable = |error: csv::Error| {
        let line = error.position().map_or(1, csv::Position::line);
        Failure::new(
            format_args!("{name}:{line}: {error}"),
            "write a table in UTF-8, values separated by commas, every line with as many as the first",
        )
    };
    let columns = columns(&name, reader.headers().map_err(unreadable)?)?;
    let mut series: Vec<Series> = Vec::new();
    for row in reader.records() {
        let row = row.map_err(unreadable)?;
        let line = row.position().map_or(0, csv::Position::line);
        let at = |place: Option<usize>| place.and_then(|place| row.get(place)).unwrap_or_default();
        let wrong = |column: &str, value: &str, hint: &str| {
            Failure::new(format_args!("{name}:{line}: {column} is `{value}`"), hint)
        };
        let [operator, sitting, lifted, degrees, gloss] = columns.required.map(|place| at(Some(place)));
        let between = match lifted.to_lowercase().as_str() {
            "yes" => Between::Lifted,
            "no" => Between::Still,
            _ => return Err(wrong("lifted", lifted, "write `yes` or `no`")),
        };
        let geometry = degrees.parse::<u16>().ok().and_then(|degrees| Geometry::try_from(degrees).ok());
        let geometry = geometry.ok_or_else(|| wrong("geometry_deg", degrees, "write 20, 60 or 85"))?;
        let value = Gloss::parse(gloss).map_err(|_| {
            wrong(
                "gloss_gu",
                gloss,
                "write a decimal number with a point, of 12 characters at most, such as 71.4",
            )
        })?;
        if sitting.is_empty() {
            return Err(wrong("sitting", sitting, "give each sitting a name, such as its day"));
        }
        let spot = at(columns.zone);
        let same = |s: &&mut Series| {
            (s.operator.as_str(), s.sitting.as_str(), s.spot.as_str()) == (operator, sitting, spot)
                && (s.between, s.geometry) == (between, geometry)
        };
        match series.iter_mut().find(same) {
            Some(series) => series.gloss.push(value),
            None => series.push(Series {
                operator: operator.to_owned(),
                sitting: sitting.to_owned(),
                spot: spot.to_owned(),
                between,
                geometry,
                gloss: vec![value],
                step_gu: 0.0,
            }),
        }
    }
    if series.is_empty() {
        return Err(Failure::new(
            format_args!("{name} has no readings"),
            "write one line for each reading below the line with the columns' names",
        ));
    }
    Ok(usable(name, series))
}

/// Series of two readings and more; one reading has no scatter.
fn usable(title: String, series: Vec<Series>) -> Material {
    let all: Vec<Gloss> = series.iter().flat_map(|s| s.gloss.iter().copied()).collect();
    let step_gu = Series::step_shown_gu(&all);
    let (usable, short): (Vec<Series>, Vec<Series>) = series.into_iter().partition(|s| s.gloss.len() > 1);
    let left_out = short.into_iter().map(|s| LeftOut {
        why: format!("a single reading at {} has no scatter; it takes two or more", s.geometry),
        sitting: s.sitting,
    });
    Material {
        title,
        left_out: left_out.collect(),
        series: usable.into_iter().map(|s| Series { step_gu, ..s }).collect(),
    }
}

/// Where each column stands.
struct Columns {
    required: [usize; 5],
    zone: Option<usize>,
}

fn columns(name: &str, header: &csv::StringRecord) -> Result<Columns, Failure> {
    let hint = format!("the columns are {}, and {ZONE} where several spots were read", COLUMNS.join(", "));
    let known = || COLUMNS.into_iter().chain([ZONE]);
    for column in header {
        if !known().any(|known| known == column) {
            let meant = nearest(column, known()).map(|meant| format!("did you mean `{meant}`? "));
            return Err(Failure::new(
                format_args!("{name}:1: unknown column `{column}`"),
                meant.unwrap_or_default() + &hint,
            ));
        }
    }
    let place = |wanted: &str| header.iter().position(|column| column == wanted);
    let mut required = [0; 5];
    for (found, wanted) in required.iter_mut().zip(COLUMNS) {
        *found = place(wanted).ok_or_else(|| {
            Failure::new(format_args!("{name}:1: there is no column `{wanted}`"), hint.clone())
        })?;
    }
    Ok(Columns { required, zone: place(ZONE) })
}
