//! The gloss scale by its definition, so that a tile's assigned values can be checked against each
//! other without a second tile: polished black glass with a refractive index of 1.567 is 100 GU at every
//! geometry, and other glass is in proportion to what it reflects.
//!
//! Sources: ISO 2813:1994, primary reference standards, and ASTM D523 (definition, 1.567 at 587.6 nm);
//! reflectance by the Fresnel equations for unpolarised light, which the standards name for the purpose;
//! choice of geometry: ISO 2813:1994, scope, and ASTM D523, scope. Checked against the standards' table of
//! gloss and index in `tests/published_gloss.rs`.
//!
//! It holds for polished, uncoated black glass. Ceramic tiles do not follow it: there a deviation says
//! nothing. The linear rate per 0.001 of index that some print is off at 85°, and is not used.

use crate::units::Geometry;
use crate::units::PerGeometry;

/// Refractive index of the glass that is 100 GU.
pub const INDEX_OF_100_GU: f64 = 1.567;
/// Glass of tiles lies between these; at 85° the gloss hardly rises any more towards the upper one.
const INDICES: std::ops::RangeInclusive<f64> = 1.3..=1.85;
/// Halvings of the range of indices until neighbours are one rounding apart.
const HALVINGS: u32 = 60;

/// Part of unpolarised light, 0 to 1, that glass of this refractive index reflects at this geometry.
/// `None` unless the index is from 1 (air) to 3.
///
/// ```
/// use halfpanel::tile::gloss_scale::reflectance;
/// use halfpanel::units::Geometry;
/// let ten_percent = reflectance(1.567, Geometry::Deg60).unwrap();
/// assert_eq!(format!("{ten_percent:.4}"), "0.1001");
/// ```
#[must_use]
pub fn reflectance(index: f64, geometry: Geometry) -> Option<f64> {
    if !(1.0..=3.0).contains(&index) {
        return None;
    }
    let (sine, cosine) = f64::from(geometry.degrees()).to_radians().sin_cos();
    let inside = (index * index - sine * sine).sqrt();
    let across = (cosine - inside) / (cosine + inside);
    let along = (index * index * cosine - inside) / (index * index * cosine + inside);
    Some(0.5 * (across * across + along * along))
}

/// Gloss, GU, of polished black glass of this index. `None` unless the index is from 1 to 3.
#[must_use]
pub fn gloss_of_index_gu(index: f64, geometry: Geometry) -> Option<f64> {
    Some(100.0 * reflectance(index, geometry)? / reflectance(INDEX_OF_100_GU, geometry)?)
}

/// Refractive index of polished black glass of this gloss, GU. `None` where no glass between 1.3 and
/// 1.85 has it. At 85° it is known poorly: 0.1 GU stand for 0.008.
#[must_use]
pub fn index_of_gloss(gloss_gu: f64, geometry: Geometry) -> Option<f64> {
    let (mut low, mut high) = (*INDICES.start(), *INDICES.end());
    let within = gloss_of_index_gu(low, geometry)?..=gloss_of_index_gu(high, geometry)?;
    if !within.contains(&gloss_gu) {
        return None;
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        let too_low = gloss_of_index_gu(middle, geometry)? < gloss_gu;
        *(if too_low { &mut low } else { &mut high }) = middle;
    }
    Some(0.5 * (low + high))
}

/// Where the index that assigned values are checked against comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum IndexFrom {
    /// The certificate states it.
    Stated(f64),
    /// It follows from the assigned value at the lowest geometry that has one, which knows it best.
    LowestGeometry,
}

/// Assigned values beside what the index says of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AssignedCheck {
    /// The refractive index.
    pub index: f64,
    /// Assigned minus expected value, GU.
    pub deviation_gu: PerGeometry<f64>,
    /// Whether all deviations are within the tolerance.
    pub consistent: bool,
}

/// Why assigned values cannot be checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoCheck {
    /// One value gives an index, and nothing to compare it with.
    #[error(
        "one assigned value has nothing to be checked against; give a second geometry or the refractive index"
    )]
    TooFew,
    /// No glass has this index or this gloss.
    #[error(
        "no black glass has this index or gloss; if the tile is polished black glass, look for a slip in its certificate"
    )]
    NoSuchGlass,
    /// The tolerance is negative or not finite.
    #[error("the tolerance must be 0 GU or more")]
    BadTolerance,
}

/// Checks a black glass tile's assigned values, GU, against the index and so against each other.
///
/// # Errors
/// [`WhyNoCheck`].
pub fn check_assigned(
    assigned_gu: &PerGeometry<f64>,
    from: IndexFrom,
    tolerance_gu: f64,
) -> Result<AssignedCheck, WhyNoCheck> {
    if !(tolerance_gu >= 0.0 && tolerance_gu.is_finite()) {
        return Err(WhyNoCheck::BadTolerance);
    }
    let (first, value) = assigned_gu.iter().next().ok_or(WhyNoCheck::TooFew)?;
    let index = match from {
        IndexFrom::Stated(index) => Some(index),
        IndexFrom::LowestGeometry if assigned_gu.iter().count() < 2 => return Err(WhyNoCheck::TooFew),
        IndexFrom::LowestGeometry => index_of_gloss(*value, first),
    };
    let index = index.filter(|index| INDICES.contains(index)).ok_or(WhyNoCheck::NoSuchGlass)?;
    let deviation = |(geometry, value): (Geometry, &f64)| {
        let deviation = value - gloss_of_index_gu(index, geometry)?;
        deviation.is_finite().then_some((geometry, deviation))
    };
    let deviation_gu: Option<PerGeometry<f64>> = assigned_gu.iter().map(deviation).collect();
    let deviation_gu = deviation_gu.ok_or(WhyNoCheck::NoSuchGlass)?;
    // Half of the last digit of the arithmetic, so that a deviation on the tolerance is within it.
    let consistent = deviation_gu.iter().all(|(_, deviation)| deviation.abs() <= tolerance_gu + 1e-9);
    Ok(AssignedCheck { index, deviation_gu, consistent })
}

/// The geometry that the standards ask for, from the gloss at 60°: above 70 GU 20°, below 10 GU 85°,
/// else 60°; exactly 70 and exactly 10 stay. Within one series one geometry is kept. `None` for a gloss
/// that is no number.
///
/// ```
/// use halfpanel::tile::gloss_scale::advised_geometry;
/// use halfpanel::units::Geometry;
/// assert_eq!(advised_geometry(85.3), Some(Geometry::Deg20));
/// assert_eq!(advised_geometry(70.0), Some(Geometry::Deg60));
/// ```
#[must_use]
pub fn advised_geometry(gloss_at_60_gu: f64) -> Option<Geometry> {
    match gloss_at_60_gu {
        gloss if !gloss.is_finite() => None,
        gloss if gloss > 70.0 => Some(Geometry::Deg20),
        gloss if gloss < 10.0 => Some(Geometry::Deg85),
        _ => Some(Geometry::Deg60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn assigned(values: [f64; 3]) -> PerGeometry<f64> {
        Geometry::ALL.into_iter().zip(values).collect()
    }

    #[test]
    fn straight_on_the_glass_of_the_scale_would_reflect_the_textbook_share() {
        // At 0° ((n − 1)/(n + 1))² is 4.88 % for 1.567; 20° is still close to it, and above.
        let (straight, at_20) = ((0.567_f64 / 2.567).powi(2), reflectance(1.567, Geometry::Deg20).unwrap());
        assert!(at_20 > straight && at_20 < 1.01 * straight, "{at_20} beside {straight}");
    }

    #[test]
    fn a_slip_in_one_assigned_value_shows() {
        // ISO 2813:1994, table 2: glass of index 1.527 has 89.2, 93.6 and 99.4 GU.
        let sound = check_assigned(&assigned([89.2, 93.6, 99.4]), IndexFrom::LowestGeometry, 0.1).unwrap();
        assert!(sound.consistent && (sound.index - 1.527).abs() < 0.001, "{sound:?}");
        let slip = check_assigned(&assigned([89.2, 96.3, 99.4]), IndexFrom::LowestGeometry, 0.1).unwrap();
        assert!(!slip.consistent);
        let stated = check_assigned(&assigned([92.8, 93.6, 99.4]), IndexFrom::Stated(1.527), 0.5).unwrap();
        assert!(!stated.consistent && stated.deviation_gu.get(Geometry::Deg20).is_some_and(|d| *d > 3.0));
    }

    #[test]
    fn what_cannot_be_checked_says_why() {
        let why = |values: &PerGeometry<f64>, from| check_assigned(values, from, 0.5).unwrap_err();
        let one: PerGeometry<f64> = [(Geometry::Deg60, 93.6)].into_iter().collect();
        assert_eq!(why(&one, IndexFrom::LowestGeometry), WhyNoCheck::TooFew);
        assert_eq!(why(&PerGeometry::none(), IndexFrom::Stated(1.5)), WhyNoCheck::TooFew);
        assert_eq!(why(&one, IndexFrom::Stated(0.9)), WhyNoCheck::NoSuchGlass);
        assert_eq!(why(&assigned([5.0, 93.6, 99.4]), IndexFrom::LowestGeometry), WhyNoCheck::NoSuchGlass);
        assert_eq!(why(&assigned([f64::NAN; 3]), IndexFrom::LowestGeometry), WhyNoCheck::NoSuchGlass);
        assert!(check_assigned(&one, IndexFrom::Stated(1.527), 0.5).unwrap().consistent);
        assert_eq!(check_assigned(&one, IndexFrom::Stated(1.5), -1.0), Err(WhyNoCheck::BadTolerance));
    }
}
