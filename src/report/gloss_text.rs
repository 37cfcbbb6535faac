//! A tile's assigned values against its refractive index, in words.

use crate::run::setup::Tile;
use crate::tile::gloss_scale::IndexFrom;
use crate::tile::gloss_scale::WhyNoCheck;
use crate::tile::gloss_scale::check_assigned;
use crate::tile::gloss_scale::index_of_gloss;
use crate::units::Gloss;
use crate::units::PerGeometry;

/// Whether the assigned values of a tile go together by the Fresnel equations (ISO 2813, ASTM D523: black
/// glass of index 1.567 is 100 GU at every angle), as far as the check's tolerance can tell. `index` is
/// the certificate's, if it states one.
#[must_use]
pub fn assigned_values(tile: &Tile, index: Option<f64>) -> String {
    let gu = |decimal| Gloss::from(decimal).to_f64();
    let assigned: PerGeometry<f64> =
        tile.values.iter().map(|value| (value.geometry_deg, gu(value.assigned_gu))).collect();
    let from = index.map_or(IndexFrom::LowestGeometry, IndexFrom::Stated);
    let tolerance = gu(tile.rule.tolerance_gu);
    match check_assigned(&assigned, from, tolerance) {
        Ok(check) => {
            let parts: Vec<String> = check
                .deviation_gu
                .iter()
                .map(|(geometry, deviation)| format!("{deviation:+.2} GU at {geometry}"))
                .collect();
            let source = if index.is_some() { "as stated" } else { "by the lowest angle" };
            let parts = parts.join(", ");
            let index = check.index;
            match check.consistent {
                true => format!(
                    "Assigned values: they go together as those of polished black glass of index {index:.4} ({source}): {parts} from it."
                ),
                false => format!(
                    "Assigned values: they do not go together as those of polished black glass of index {index:.4} ({source}): {parts} from it, \
                     more than {tolerance} GU. Look for a slip in copying the certificate; a tile that is no polished black glass need not agree."
                ),
            }
        }
        Err(WhyNoCheck::TooFew) => {
            let index = assigned.iter().next().and_then(|(geometry, value)| index_of_gloss(*value, geometry));
            index.map_or_else(String::new, |index| {
                format!(
                    "Assigned value: polished black glass with this gloss would have index {index:.4}. State `refractive_index` in \
                     [tile], or a second angle, and it is checked."
                )
            })
        }
        Err(why) => format!("Assigned values: {why}."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::setup::TileValue;
    use crate::tile::TileRule;
    use crate::units::Geometry;
    use rust_decimal::Decimal;

    fn tile(values: &[(Geometry, &str)]) -> Tile {
        let decimal = |text: &str| text.parse::<Decimal>().unwrap();
        Tile {
            name: "black".to_owned(),
            certificate_date: None,
            values: values
                .iter()
                .map(|&(geometry_deg, gu)| TileValue {
                    geometry_deg,
                    assigned_gu: decimal(gu),
                    expanded_uncertainty_gu: None,
                })
                .collect(),
            rule: TileRule {
                readings: 3,
                tolerance_gu: decimal("1.0"),
                spread_limit_gu: decimal("0.5"),
                drift_limit_gu: decimal("0.3"),
            },
            zero: None,
            middle: None,
        }
    }

    /// Table of gloss against index, ISO 2813:1994: 1.540 is 92.7 GU at 20° and 95.7 at 60° (fixtures/published/gloss_scale.toml).
    #[test]
    fn values_of_one_glass_go_together_and_a_slip_in_copying_shows() {
        let good = assigned_values(&tile(&[(Geometry::Deg20, "92.7"), (Geometry::Deg60, "95.7")]), None);
        assert!(good.contains("they go together"), "{good}");
        let slip = assigned_values(&tile(&[(Geometry::Deg20, "92.7"), (Geometry::Deg60, "59.7")]), None);
        assert!(slip.contains("do not go together"), "{slip}");
    }

    #[test]
    fn the_defining_glass_is_100_at_every_angle() {
        let all = [(Geometry::Deg20, "100"), (Geometry::Deg60, "100"), (Geometry::Deg85, "100")];
        let said = assigned_values(&tile(&all), Some(1.567));
        assert!(said.contains("they go together") && said.contains("1.5670 (as stated)"), "{said}");
    }

    #[test]
    fn one_value_alone_says_what_would_check_it() {
        let said = assigned_values(&tile(&[(Geometry::Deg60, "92.4")]), None);
        assert!(said.contains("refractive_index"), "{said}");
    }
}
