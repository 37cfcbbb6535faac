//! What is known of a life: the hour it ended, the looks between which it ended, or that it had not ended.
//!
//! An interval leaves its lower end out and takes its upper end in, (after, until], as in Turnbull, Journal of
//! the Royal Statistical Society B 38 (1976), 290–295: what still worked at the one look and had failed at the next.

/// One life, in any one unit (washes, hours), never below 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Span {
    /// It ended at this very time.
    At(f64),
    /// It ended after the one and not after the other.
    Between {
        /// Still working here; 0 where it was never seen working.
        after: f64,
        /// Seen failed here; above `after`.
        until: f64,
    },
    /// It still worked here, and nobody looked later (right-censored).
    Beyond(f64),
}

/// Why lives give no figure. It is shown in place of one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoLives {
    /// There is nothing to count.
    #[error("there are no lives")]
    None,
    /// A time is negative or no number, or an interval has no length.
    #[error(
        "a life is no usable interval: its ends must be numbers, not below 0, and the first below the second"
    )]
    OutOfRange,
    /// A method for lives whose end is known exactly was given looks.
    #[error(
        "a life is only known to lie between two looks, which this method cannot use; use the interval method"
    )]
    NotExact,
    /// The iteration did not come to rest.
    #[error("the estimate did not settle; this is a fault of the program, please report the lives")]
    NotSettled,
}

impl Span {
    /// The last time at which it worked, or at which it ended.
    #[must_use]
    pub const fn lower(self) -> f64 {
        match self {
            Span::At(time) | Span::Beyond(time) => time,
            Span::Between { after, .. } => after,
        }
    }

    /// The first time at which it had ended; absent while it has not.
    #[must_use]
    pub const fn upper(self) -> Option<f64> {
        match self {
            Span::At(time) => Some(time),
            Span::Between { until, .. } => Some(until),
            Span::Beyond(_) => None,
        }
    }

    fn is_usable(self) -> bool {
        let usable = |time: f64| time.is_finite() && time >= 0.0;
        match self {
            Span::At(time) | Span::Beyond(time) => usable(time),
            Span::Between { after, until } => usable(after) && usable(until) && after < until,
        }
    }
}

/// Holds lives to what they may be.
///
/// # Errors
/// [`WhyNoLives::None`], [`WhyNoLives::OutOfRange`].
pub fn check(lives: &[Span]) -> Result<(), WhyNoLives> {
    match lives {
        [] => Err(WhyNoLives::None),
        _ if lives.iter().all(|life| life.is_usable()) => Ok(()),
        _ => Err(WhyNoLives::OutOfRange),
    }
}
