//! What is stated of a meter's errors, in its manual or from a repeatability study.

use crate::meter::profile_file::ReadingTable;
use crate::meter::profile_file::Source;
use crate::meter::profile_file::SpecificationTable;
use crate::text::Problem;
use crate::units::Gloss;
use rust_decimal::Decimal;
use toml::Spanned;

/// Stated errors of a meter, each above 0; absent where nothing is stated. The stated accuracy is not
/// among them: the check on the tile takes its place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Specification {
    /// Step of the display, GU.
    pub resolution_gu: Option<Gloss>,
    /// Repeatability standard deviation of one placement, the meter being lifted between two, GU.
    pub repeatability_gu: Option<Gloss>,
    /// Largest departure of the scale from a straight line between zero and the tile, GU.
    pub linearity_gu: Option<Gloss>,
}

impl Specification {
    pub(super) fn of(
        source: Source<'_>,
        reading: &ReadingTable,
        table: &SpecificationTable,
    ) -> Result<Specification, Problem> {
        Ok(Specification {
            resolution_gu: above_zero(
                source,
                "resolution_gu",
                reading.resolution_gu.as_ref(),
                "give the step of the meter's display, above zero, such as \"0.1\"",
            )?,
            repeatability_gu: above_zero(
                source,
                "repeatability_gu",
                table.repeatability_gu.as_ref(),
                "give a standard deviation above zero, such as \"0.08\", or leave the key out",
            )?,
            linearity_gu: above_zero(
                source,
                "linearity_gu",
                table.linearity_gu.as_ref(),
                "give the largest departure from a straight line, above zero, such as \"0.5\", or leave the key out",
            )?,
        })
    }
}

fn above_zero(
    source: Source<'_>,
    key: &str,
    given: Option<&Spanned<Gloss>>,
    hint: &str,
) -> Result<Option<Gloss>, Problem> {
    let Some(given) = given else { return Ok(None) };
    if given.get_ref().decimal() > Decimal::ZERO {
        return Ok(Some(*given.get_ref()));
    }
    Err(source.problem(given.span(), format!("`{key}` is {}", given.get_ref()), hint))
}
