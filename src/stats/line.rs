//! A straight line through points, with how well its slope is known: how fast something drifts.
//!
//! Source: least squares, e-Handbook of Statistical Methods (NIST/SEMATECH), 4.4.3.1 and 2.3.6.7;
//! computed on distances from the means, so that what all values share costs no digits. Checked against
//! NIST StRD (Norris) and the e-Handbook in `tests/published_precision.rs`.

use crate::stats::student::t_quantile;
use crate::stats::student::t_two_sided_p;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;
use crate::stats::summary::sum;

/// y = intercept + slope · x, and how well it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// y at x = 0, in the unit of y.
    pub intercept: f64,
    /// Change of y per unit of x.
    pub slope: f64,
    /// Standard error of the intercept.
    pub intercept_error: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Covariance of intercept and slope.
    pub covariance: f64,
    /// Scatter of the points about the line, in the unit of y; 0 where they lie on it.
    pub residual_sd: f64,
    /// Number of points less two.
    pub degrees_of_freedom: f64,
    /// Part of the scatter of y that the line explains, 0 to 1; absent if y does not scatter.
    pub r_squared: Option<f64>,
}

/// Why there is no line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoLine {
    /// Two points always lie on a line, which says nothing of how well it is known.
    #[error("a line with its uncertainty takes at least three points")]
    TooFew,
    /// As many x as y are needed.
    #[error("the points have not as many x as y")]
    Uneven,
    /// All x are equal.
    #[error("all points have the same x, so that no slope can be told")]
    NoSpread,
    /// A value is not finite, or a figure is beyond `f64`.
    #[error("a value is no usable number, or too large for a line to be computed")]
    OutOfRange,
}

/// A slope and its interval, in the unit of y per unit of x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// The slope.
    pub slope: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Two-sided p value of "no slope", 0 to 1; absent where all points lie on the line.
    pub p_value: Option<f64>,
}

impl Line {
    /// The slope with its interval at a confidence such as 0.95. `None` unless 0 < confidence < 1.
    #[must_use]
    pub fn slope_interval(&self, confidence: f64) -> Option<Slope> {
        let t = t_quantile(0.5 + 0.5 * confidence, self.degrees_of_freedom).filter(|t| *t > 0.0)?;
        let half_width = t * self.slope_error;
        let p_value =
            finite(self.slope / self.slope_error).and_then(|t| t_two_sided_p(t, self.degrees_of_freedom));
        Some(Slope {
            slope: self.slope,
            low: finite(self.slope - half_width)?,
            high: finite(self.slope + half_width)?,
            p_value,
        })
    }

    /// y on the line at `x`. `None` beyond `f64`.
    #[must_use]
    pub fn at(&self, x: f64) -> Option<f64> {
        finite(self.intercept + self.slope * x)
    }
}

/// Fits a line by least squares.
///
/// ```
/// use halfpanel::stats::line::fit;
/// let line = fit(&[0.0, 1.0, 2.0, 3.0], &[92.0, 92.2, 92.2, 92.4]).unwrap();
/// assert!((line.slope - 0.12).abs() < 1e-12);
/// ```
///
/// # Errors
/// [`WhyNoLine`].
pub fn fit(x: &[f64], y: &[f64]) -> Result<Line, WhyNoLine> {
    if x.len() != y.len() {
        return Err(WhyNoLine::Uneven);
    }
    if x.len() < 3 {
        return Err(WhyNoLine::TooFew);
    }
    let centre = mean(x).ok_or(WhyNoLine::OutOfRange)?;
    let spread = standard_deviation(x).ok_or(WhyNoLine::OutOfRange)?;
    if spread <= 16.0 * f64::EPSILON * centre.abs() || spread == 0.0 {
        return Err(WhyNoLine::NoSpread);
    }
    through(x, y, centre, spread).ok_or(WhyNoLine::OutOfRange)
}

fn through(x: &[f64], y: &[f64], centre: f64, spread: f64) -> Option<Line> {
    let (height, scatter) = (mean(y)?, standard_deviation(y)?);
    // In parts of the scatters, so that squares neither overflow nor vanish.
    let unit = if scatter > 0.0 { scatter } else { 1.0 };
    let across: Vec<f64> = x.iter().map(|x| (x - centre) / spread).collect();
    let up: Vec<f64> = y.iter().map(|y| (y - height) / unit).collect();
    let pairs = || across.iter().zip(&up);
    let squares = sum(across.iter().map(|x| x * x));
    let tilt = sum(pairs().map(|(x, y)| x * y)) / squares;
    // The rounded mean leaves a constant over, which comes off the residuals.
    let over = sum(pairs().map(|(x, y)| y - tilt * x)) / count(x);
    let residual = sum(pairs().map(|(x, y)| (y - tilt * x - over).powi(2)));
    let total = sum(up.iter().map(|y| y * y));
    let degrees_of_freedom = count(x) - 2.0;
    let residual_sd = finite(unit * (residual / degrees_of_freedom).sqrt())?;
    let slope = finite(unit * tilt / spread)?;
    let slope_error = finite(residual_sd / (spread * squares.sqrt()))?;
    let at_zero = (1.0 / count(x)).sqrt().hypot(centre / (spread * squares.sqrt()));
    Some(Line {
        intercept: finite(height + unit * over - slope * centre)?,
        slope,
        intercept_error: finite(residual_sd * at_zero)?,
        slope_error,
        covariance: finite(-centre * slope_error * slope_error)?,
        residual_sd,
        degrees_of_freedom,
        r_squared: (scatter > 0.0).then(|| (1.0 - residual / total).clamp(0.0, 1.0)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_no_line_says_why() {
        assert_eq!(fit(&[1.0, 2.0], &[1.0, 2.0]), Err(WhyNoLine::TooFew));
        assert_eq!(fit(&[1.0, 2.0, 3.0], &[1.0, 2.0]), Err(WhyNoLine::Uneven));
        assert_eq!(fit(&[2.0; 3], &[1.0, 2.0, 3.0]), Err(WhyNoLine::NoSpread));
        assert_eq!(fit(&[1.0, 2.0, f64::NAN], &[1.0, 2.0, 3.0]), Err(WhyNoLine::OutOfRange));
        assert_eq!(fit(&[1.0, 2.0, 3.0], &[1.0, f64::INFINITY, 3.0]), Err(WhyNoLine::OutOfRange));
    }

    #[test]
    fn readings_that_do_not_change_have_a_slope_of_zero_and_no_share_explained() {
        let line = fit(&[0.0, 1.0, 2.0], &[92.4; 3]).unwrap();
        assert_eq!((line.slope, line.intercept, line.residual_sd, line.r_squared), (0.0, 92.4, 0.0, None));
        assert_eq!(line.slope_interval(0.95).unwrap().p_value, None);
    }

    #[test]
    fn the_interval_of_a_slope_is_that_of_its_standard_error() {
        let line = fit(&[-1.0, 0.0, 1.0], &[0.0, 3.0, 0.0]).unwrap();
        // Residuals −1, 2, −1: s² = 6 ÷ 1, standard error √(6 ÷ 2).
        assert!((line.slope_error - 3_f64.sqrt()).abs() < 1e-12);
        let slope = line.slope_interval(0.5).unwrap();
        // At 1 degree of freedom half of the t lie within ±1.
        assert!((slope.high - 3_f64.sqrt()).abs() < 1e-12 && (slope.low + 3_f64.sqrt()).abs() < 1e-12);
        assert_eq!(line.slope_interval(1.0), None);
    }
}
