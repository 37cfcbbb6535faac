//! From figures to places, with ticks at round figures.

/// A straight scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
    step: f64,
}

impl Scale {
    /// A scale that holds all the values and ends on round figures: `from` is where its low end lies, `to` where its high
    /// end does, in pixels, and about so many steps between. Values that are no number are passed over.
    #[must_use]
    pub fn around(values: impl Iterator<Item = f64>, from: f64, to: f64, steps: usize) -> Scale {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.filter(|value| value.is_finite()) {
            (low, high) = (low.min(value), high.max(value));
        }
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        if high - low < 1e-9 {
            (low, high) = (low - 0.5, high + 0.5);
        }
        let step = round_step((high - low) / steps.max(1) as f64);
        Scale { low: (low / step).floor() * step, high: (high / step).ceil() * step, from, to, step }
    }

    /// A scale of whole steps from `low` to `high`, which do not lie closer than one.
    #[must_use]
    pub fn whole(low: u32, high: u32, from: f64, to: f64) -> Scale {
        let (low, high) = (f64::from(low), f64::from(high.max(low + 1)));
        Scale { low, high, from, to, step: 1.0 }
    }

    /// Where a value lies, in pixels.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        self.from + (self.to - self.from) * (value - self.low) / (self.high - self.low)
    }

    /// The round figures, rising.
    #[must_use]
    pub fn ticks(&self) -> Vec<f64> {
        let count = ((self.high - self.low) / self.step).round().clamp(0.0, 100.0) as usize;
        // By multiplication, so that no error adds up; zero is zero.
        (0..=count)
            .map(|i| self.low + self.step * i as f64)
            .map(|v| if v.abs() < 1e-9 { 0.0 } else { v })
            .collect()
    }

    /// A tick as text, with the decimals that the step needs, signed where asked.
    #[must_use]
    pub fn text(&self, tick: f64, signed: bool) -> String {
        let decimals = (-self.step.log10().floor()).clamp(0.0, 6.0) as usize;
        let text = if signed && tick.abs() > 1e-9 {
            format!("{tick:+.decimals$}")
        } else {
            format!("{tick:.decimals$}")
        };
        text.replace('-', "\u{2212}")
    }
}

/// The next of 1, 2, 5 and their tens.
fn round_step(step: f64) -> f64 {
    let ten = 10_f64.powf(step.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * ten).find(|round| *round >= step * 0.999).unwrap_or(ten)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_hold_all_values() {
        let scale = Scale::around([-5.5, 8.3].into_iter(), 0.0, 100.0, 6);
        assert_eq!(
            scale.ticks().iter().map(|t| scale.text(*t, true)).collect::<Vec<_>>(),
            ["\u{2212}10", "\u{2212}5", "0", "+5", "+10"]
        );
        let scale = Scale::around([71.02, 71.34].into_iter(), 100.0, 0.0, 4);
        assert_eq!(
            scale.ticks().iter().map(|t| scale.text(*t, false)).collect::<Vec<_>>(),
            ["71.0", "71.1", "71.2", "71.3", "71.4"]
        );
    }

    #[test]
    fn nothing_and_one_value_still_give_a_scale() {
        assert!(Scale::around(std::iter::empty(), 0.0, 10.0, 4).ticks().len() > 1);
        let one = Scale::around([f64::NAN, 3.0].into_iter(), 0.0, 10.0, 4);
        assert!((one.at(3.0) - 5.0).abs() < 1e-9);
    }
}
