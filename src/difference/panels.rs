//! One treatment on several panels: the panel is the unit. Five zones of one panel say how well that panel is
//! known, and nothing of what the next one would show.
//!
//! Mean and scatter of the panels' differences, degrees of freedom one less than panels, Student's t (JCGM
//! 100:2008, 4.2.3 and G.3.2). The scatter of the mean is taken to be not smaller than what the panels'
//! own uncertainties explain. What all panels share, the tile and the scale, does not average out and
//! enters whole. Two panels have one degree of freedom, so that their interval is thirteen times the
//! standard uncertainty wide on either side: a third panel is worth more than any number of zones.

use super::verdict::Verdict;
use super::weighing::Known;
use crate::stats::student::t_quantile;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;
use crate::stats::summary::sum;
use crate::stats::welch::CONFIDENCE;

/// From so many panels on a result speaks of the product.
pub const PRODUCT: usize = 3;

/// The result of one panel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PanelResult {
    /// Treated minus control, GU.
    pub difference_gu: f64,
    /// Standard uncertainty by what is the panel's own (zones, drift), GU, 0 or more.
    pub chance_gu: f64,
    /// Standard uncertainty by what all panels share (tile, scale), GU, 0 or more; absent where the tile's
    /// certificate states none.
    pub common_gu: Option<f64>,
}

/// What several panels come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Panels {
    /// Mean of the panels' differences, GU.
    pub difference_gu: f64,
    /// Standard deviation of the panels' differences, GU; absent with one panel.
    pub spread_gu: Option<f64>,
    /// What decides the verdict; absent with one panel.
    pub chance: Option<Known>,
    /// With what all panels share; absent with one panel, or where the tile's certificate states none.
    pub whole: Option<Known>,
    /// Half-width of the interval that three panels of this spread would have, GU; only with two panels.
    pub with_three_gu: Option<f64>,
    /// What can be said.
    pub verdict: Verdict,
}

/// Takes panels together. `None` for none, or where a figure is beyond computing.
#[must_use]
pub fn together(panels: &[PanelResult]) -> Option<Panels> {
    let differences: Vec<f64> = panels.iter().map(|panel| panel.difference_gu).collect();
    let difference_gu = mean(&differences)?;
    let n = count(&differences);
    let spread_gu = standard_deviation(&differences);
    let own = finite(sum(panels.iter().map(|panel| panel.chance_gu * panel.chance_gu)).sqrt() / n)?;
    let error = |panels: f64| spread_gu.map(|spread| (spread / panels.sqrt()).max(own * (n / panels).sqrt()));
    let chance = error(n).and_then(|error| known(error, n - 1.0, 0.0));
    let common = panels.iter().map(|panel| panel.common_gu).collect::<Option<Vec<f64>>>();
    let whole = common.and_then(|common| known(error(n)?, n - 1.0, mean(&common)?));
    let with_three_gu = (panels.len() == 2).then(|| known(error(3.0)?, 2.0, 0.0)).flatten();
    Some(Panels {
        difference_gu,
        spread_gu,
        chance,
        whole,
        with_three_gu: with_three_gu.map(|known| known.expanded_gu),
        verdict: Verdict::of(difference_gu, chance.as_ref()),
    })
}

fn known(error: f64, degrees: f64, common: f64) -> Option<Known> {
    let standard_uncertainty_gu = finite(error.hypot(common)).filter(|u| *u > 0.0)?;
    // Welch–Satterthwaite; what is shared has degrees of freedom without end.
    let share = (error / standard_uncertainty_gu).powi(4);
    let degrees_of_freedom = finite(degrees / share)?;
    let coverage_factor = t_quantile(0.5 + 0.5 * CONFIDENCE, degrees_of_freedom)?;
    let expanded_gu = finite(coverage_factor * standard_uncertainty_gu)?;
    Some(Known { standard_uncertainty_gu, degrees_of_freedom, coverage_factor, expanded_gu })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn panel(difference_gu: f64) -> PanelResult {
        PanelResult { difference_gu, chance_gu: 0.0, common_gu: Some(0.0) }
    }

    /// 7.0, 8.0, 9.0: mean 8, standard deviation 1, 1/√3 = 0.57735; t at two degrees of freedom 4.303 (any
    /// table), so ± 2.484.
    #[test]
    fn three_panels_have_two_degrees_of_freedom_however_many_zones_they_had() {
        let found = together(&[panel(7.0), panel(8.0), panel(9.0)]).unwrap();
        assert!((found.difference_gu - 8.0).abs() < 1e-12);
        let chance = found.chance.unwrap();
        assert!((chance.degrees_of_freedom - 2.0).abs() < 1e-9);
        assert!((chance.expanded_gu - 2.484).abs() < 0.001, "{chance:?}");
        assert_eq!(found.verdict, Verdict::Higher);
    }

    /// 7.0 and 9.0: standard deviation √2, 1.0 for the mean, t at one degree of freedom 12.706; with three
    /// panels of that spread √2/√3 × 4.303 = 3.513.
    #[test]
    fn two_panels_say_what_three_would_give() {
        let found = together(&[panel(7.0), panel(9.0)]).unwrap();
        assert!((found.chance.unwrap().expanded_gu - 12.706).abs() < 0.001);
        assert!((found.with_three_gu.unwrap() - 3.513).abs() < 0.001);
        assert_eq!(found.verdict, Verdict::NotDetectable);
    }

    #[test]
    fn one_panel_says_nothing_of_the_next() {
        let found = together(&[panel(7.0)]).unwrap();
        assert_eq!((found.spread_gu, found.chance, found.verdict), (None, None, Verdict::NoResult));
        assert_eq!(together(&[]), None);
    }

    /// Equal differences of panels that are each known to 0.3: 0.3/√3 = 0.1732 all the same.
    #[test]
    fn panels_that_agree_by_luck_are_not_known_better_than_each_of_them_allows() {
        let known = PanelResult { difference_gu: 5.0, chance_gu: 0.3, common_gu: None };
        let found = together(&[known; 3]).unwrap();
        assert!((found.chance.unwrap().standard_uncertainty_gu - 0.1732).abs() < 1e-4);
        assert_eq!(found.whole, None, "the certificate states no uncertainty");
    }

    /// 0.4 by the panels (two degrees of freedom) and 0.3 that they share: √(0.16 + 0.09) = 0.5, and 2 ÷ 0.8⁴ = 4.883.
    #[test]
    fn what_the_panels_share_does_not_average_out() {
        let of = |difference_gu| PanelResult { difference_gu, chance_gu: 0.0, common_gu: Some(0.3) };
        let apart = 0.4 * 3_f64.sqrt();
        let whole = together(&[of(5.0 - apart), of(5.0), of(5.0 + apart)]).unwrap().whole.unwrap();
        assert!((whole.standard_uncertainty_gu - 0.5).abs() < 1e-9);
        assert!((whole.degrees_of_freedom - 4.8828).abs() < 1e-3);
    }
}
