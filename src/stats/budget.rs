//! An uncertainty budget: how the uncertainties of several inputs add up to that of one result.
//!
//! Source: JCGM 100:2008 (GUM): what a stated figure means, 4.3.3 (a multiple), 4.3.7 (rectangular),
//! 4.3.9 (triangular), F.2.2.1 (step of a display), 4.2.3 (mean of several values); combination of uncorrelated inputs, 5.1.2, eq. 10
//! and 11; effective degrees of freedom, G.4.1, eq. G.2b; coverage factor and expanded uncertainty,
//! G.3.2 and G.6.4; degrees of freedom of a judged uncertainty, G.4.2, eq. G.3. Checked against its
//! examples in `tests/published_budget.rs`.
//!
//! Inputs that share an error are one component here, not two: correlation is not modelled.

use crate::stats::student::t_quantile;
use crate::stats::summary::finite;
use crate::stats::summary::sum;
use statrs::function::gamma::ln_gamma;

/// Stands for "degrees of freedom without end": Student's t is then the normal distribution.
const WITHOUT_END: f64 = 1e300;

/// What a stated figure means, so that its standard uncertainty can be had from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stated {
    /// It is a standard uncertainty (a standard deviation) already.
    Standard,
    /// It is an expanded uncertainty with this coverage factor, above 0; certificates say `k = 2`.
    Expanded {
        /// The coverage factor.
        k: f64,
    },
    /// It is the half-width of limits between which every value is as likely: divisor √3.
    Rectangular,
    /// It is the half-width of limits between which the middle is likeliest: divisor √6.
    Triangular,
    /// It is the step of a display: divisor √12.
    Step,
    /// It is the standard deviation of single values, of which the mean of so many is taken: divisor √n.
    MeanOf {
        /// How many, above 0.
        n: f64,
    },
}

impl Stated {
    /// By how much the stated figure is divided to give a standard uncertainty.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Stated::Standard => 1.0,
            Stated::Expanded { k } => k,
            Stated::Rectangular => 3_f64.sqrt(),
            Stated::Triangular => 6_f64.sqrt(),
            Stated::Step => 12_f64.sqrt(),
            Stated::MeanOf { n } => n.sqrt(),
        }
    }
}

/// One input.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// What it is, for the table.
    pub name: String,
    /// The stated figure, 0 or more, in the input's own unit.
    pub value: f64,
    /// What that figure means.
    pub stated: Stated,
    /// Change of the result per change of the input (∂f/∂x), either sign.
    pub sensitivity: f64,
    /// Degrees of freedom, above 0; absent for "without end", as for limits that are certain.
    pub degrees_of_freedom: Option<f64>,
}

/// What one input brings to the result.
#[derive(Clone, Debug, PartialEq)]
pub struct Contribution {
    /// What it is.
    pub name: String,
    /// Standard uncertainty of the input, in the input's unit.
    pub standard_uncertainty: f64,
    /// |sensitivity| × standard uncertainty, in the unit of the result.
    pub contribution: f64,
    /// Its part of the combined variance, 0 to 1; absent if nothing contributes.
    pub share: Option<f64>,
}

/// All inputs taken together.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// One for each component, in the order given.
    pub contributions: Vec<Contribution>,
    /// Combined standard uncertainty, in the unit of the result.
    pub combined: f64,
    /// Effective degrees of freedom (Welch–Satterthwaite), not rounded; absent for "without end".
    pub degrees_of_freedom: Option<f64>,
}

/// Whether degrees of freedom are taken as they are, or to the next lower whole number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Degrees {
    /// As computed; Student's t has an answer for these too.
    Fractional,
    /// The next lower whole number, as for a printed table (GUM G.4.1); below 1 as computed.
    NextLower,
}

/// A result's uncertainty at a stated coverage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expanded {
    /// Student's t for the coverage, two-sided.
    pub coverage_factor: f64,
    /// Coverage factor × combined standard uncertainty, in the unit of the result.
    pub expanded: f64,
}

/// Why there is no budget.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoBudget {
    /// There is nothing to add up.
    #[error("the budget has no component; give at least one")]
    Empty,
    /// A figure of this component cannot be one.
    #[error(
        "component `{0}`: the value must be 0 or more, its divisor and its degrees of freedom above 0, and all finite"
    )]
    BadComponent(String),
    /// The coverage is not between 0 and 1, or a figure is beyond `f64`.
    #[error("the coverage is not between 0 and 1, or a figure is too large to be computed")]
    OutOfRange,
}

/// Adds up the components.
///
/// ```
/// use halfpanel::stats::budget::{Component, Stated, budget};
/// let part = |name: &str, value, stated| Component {
///     name: name.to_owned(), value, stated, sensitivity: 1.0, degrees_of_freedom: None,
/// };
/// let both = budget(&[part("scatter", 0.3, Stated::Standard), part("tile", 0.8, Stated::Expanded { k: 2.0 })]);
/// assert!((both.unwrap().combined - 0.5).abs() < 1e-12);
/// ```
///
/// # Errors
/// [`WhyNoBudget`], with the component that cannot be taken.
pub fn budget(components: &[Component]) -> Result<Budget, WhyNoBudget> {
    let parts = components.iter().map(|component| {
        contribution(component).ok_or_else(|| WhyNoBudget::BadComponent(component.name.clone()))
    });
    let mut parts = parts.collect::<Result<Vec<Contribution>, WhyNoBudget>>()?;
    let largest = parts.iter().map(|part| part.contribution).reduce(f64::max).ok_or(WhyNoBudget::Empty)?;
    if largest == 0.0 {
        return Ok(Budget { contributions: parts, combined: 0.0, degrees_of_freedom: None });
    }
    // In parts of the largest, so that squares neither overflow nor vanish.
    let square = |part: &Contribution| (part.contribution / largest).powi(2);
    let all = sum(parts.iter().map(square));
    let combined = finite(largest * all.sqrt()).ok_or(WhyNoBudget::OutOfRange)?;
    let mut spread = 0.0;
    for (part, component) in parts.iter_mut().zip(components) {
        let share = square(part) / all;
        part.share = Some(share);
        spread += component.degrees_of_freedom.map_or(0.0, |degrees| share * share / degrees);
    }
    let degrees_of_freedom = finite(1.0 / spread).filter(|degrees| *degrees < WITHOUT_END);
    Ok(Budget { contributions: parts, combined, degrees_of_freedom })
}

fn contribution(component: &Component) -> Option<Contribution> {
    let divisor = finite(component.stated.divisor()).filter(|divisor| *divisor > 0.0)?;
    let value = finite(component.value).filter(|value| *value >= 0.0)?;
    if component.degrees_of_freedom.is_some_and(|degrees| !(degrees.is_finite() && degrees > 0.0)) {
        return None;
    }
    let standard_uncertainty = finite(value / divisor)?;
    let contribution = finite(component.sensitivity.abs() * standard_uncertainty)?;
    Some(Contribution { name: component.name.clone(), standard_uncertainty, contribution, share: None })
}

impl Budget {
    /// The uncertainty at a coverage such as 0.95, two-sided.
    ///
    /// # Errors
    /// [`WhyNoBudget::OutOfRange`] unless 0 < coverage < 1, or if a figure is beyond `f64`.
    pub fn expanded(&self, coverage: f64, degrees: Degrees) -> Result<Expanded, WhyNoBudget> {
        let effective = self.degrees_of_freedom.unwrap_or(WITHOUT_END);
        let effective = match degrees {
            Degrees::NextLower if effective >= 1.0 => effective.floor(),
            _ => effective,
        };
        let of = |share: f64| {
            let coverage_factor = t_quantile(share, effective).filter(|t| *t > 0.0)?;
            let expanded = finite(coverage_factor * self.combined)?;
            Some(Expanded { coverage_factor, expanded })
        };
        of(0.5 + 0.5 * coverage).ok_or(WhyNoBudget::OutOfRange)
    }
}

/// Degrees of freedom of an uncertainty that is itself judged to be right within this part of
/// itself (0.25: within a quarter): ½ ÷ part². `None` unless the part is above 0 and finite.
///
/// ```
/// // GUM H.1.6: "reliable to about 10 percent" gives 50 degrees of freedom.
/// assert_eq!(halfpanel::stats::budget::degrees_from_reliability(0.1).map(f64::round), Some(50.0));
/// ```
#[must_use]
pub fn degrees_from_reliability(part: f64) -> Option<f64> {
    if !(part > 0.0 && part.is_finite()) {
        return None;
    }
    finite(0.5 / (part * part)).filter(|degrees| *degrees > 0.0)
}

/// By how much the standard deviation of `n` normal values scatters itself, as a part of it: √(1 −
/// c₄²) ÷ c₄ (GUM, table E.1). It says how little three readings know. `None` below two values or
/// above a million.
#[must_use]
pub fn relative_scatter_of_scatter(n: u32) -> Option<f64> {
    if !(2..=1_000_000).contains(&n) {
        return None;
    }
    let n = f64::from(n);
    // 1 − c₄² cancels for many values: there the series 1/(2(n − 1)) holds.
    if n > 10_000.0 {
        return Some((0.5 / (n - 1.0)).sqrt());
    }
    let c4 = (2.0 / (n - 1.0)).sqrt() * (ln_gamma(0.5 * n) - ln_gamma(0.5 * (n - 1.0))).exp();
    finite((1.0 - c4 * c4).sqrt() / c4)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(value: f64, stated: Stated, degrees_of_freedom: Option<f64>) -> Component {
        Component { name: "part".to_owned(), value, stated, sensitivity: -2.0, degrees_of_freedom }
    }

    #[test]
    fn a_component_alone_keeps_its_degrees_of_freedom_and_has_the_whole_share() {
        let alone = budget(&[part(0.5, Stated::Standard, Some(4.0))]).unwrap();
        assert_eq!((alone.combined, alone.degrees_of_freedom), (1.0, Some(4.0)));
        assert_eq!(alone.contributions[0].share, Some(1.0));
    }

    #[test]
    fn limits_that_are_certain_leave_the_degrees_of_freedom_without_end() {
        let certain = budget(&[part(0.5, Stated::Rectangular, None)]).unwrap();
        let expanded = certain.expanded(0.95, Degrees::NextLower).unwrap();
        assert_eq!(certain.degrees_of_freedom, None);
        // 97.5 % of the normal distribution lies below 1.959964 (any table).
        assert!((expanded.coverage_factor - 1.959_963_984_54).abs() < 1e-10, "{expanded:?}");
    }

    #[test]
    fn what_cannot_be_added_up_says_which_and_why() {
        assert_eq!(budget(&[]), Err(WhyNoBudget::Empty));
        let bad = [
            part(-0.1, Stated::Standard, None),
            part(f64::NAN, Stated::Standard, None),
            part(1.0, Stated::Expanded { k: 0.0 }, None),
            part(1.0, Stated::Standard, Some(0.0)),
        ];
        for component in bad {
            assert_eq!(budget(&[component]), Err(WhyNoBudget::BadComponent("part".to_owned())));
        }
        let sound = budget(&[part(1.0, Stated::Standard, None)]).unwrap();
        for coverage in [0.0, 1.0, -0.5, f64::NAN] {
            assert_eq!(sound.expanded(coverage, Degrees::Fractional), Err(WhyNoBudget::OutOfRange));
        }
    }

    #[test]
    fn components_without_uncertainty_have_no_share_of_it() {
        let none = budget(&[part(0.0, Stated::Step, Some(3.0))]).unwrap();
        assert_eq!((none.combined, none.degrees_of_freedom, none.contributions[0].share), (0.0, None, None));
    }
}
