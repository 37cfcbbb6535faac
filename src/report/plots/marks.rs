//! Marks by shape: what a result or a reading is can be seen without colour. Solid is proven, hollow is not.

use super::Drawing;
use crate::report::publication::Verdict;

/// What a mark says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Treated side higher.
    Up,
    /// Treated side lower.
    Down,
    /// No difference could be detected.
    Level,
    /// No result: the meter is not proven.
    Hollow,
}

impl Mark {
    /// The mark of a verdict.
    #[must_use]
    pub const fn of(verdict: Verdict) -> Mark {
        match verdict {
            Verdict::Higher => Mark::Up,
            Verdict::Lower => Mark::Down,
            Verdict::NotDetectable => Mark::Level,
            Verdict::NoResult => Mark::Hollow,
        }
    }

    /// Its class.
    #[must_use]
    pub const fn class(self) -> &'static str {
        match self {
            Mark::Up => "up",
            Mark::Down => "down",
            Mark::Level => "level",
            Mark::Hollow => "hollow",
        }
    }

    /// Its outline around the origin, `r` from there to its ends.
    #[must_use]
    pub fn outline(self, at: (f64, f64), r: f64) -> String {
        let (x, y) = at;
        match self {
            Mark::Up => format!("M{:.1} {:.1}l{:.1} {:.1}h{:.1}z", x, y - r, r, 1.8 * r, -2.0 * r),
            Mark::Down => format!("M{:.1} {:.1}l{:.1} {:.1}h{:.1}z", x, y + r, r, -1.8 * r, -2.0 * r),
            Mark::Level => {
                format!("M{:.1} {:.1}l{r:.1} {r:.1}l{:.1} {r:.1}l{:.1} {:.1}z", x, y - r, -r, -r, -r)
            }
            Mark::Hollow => format!(
                "M{:.1} {:.1}a{r:.1} {r:.1} 0 1 0 {:.1} 0a{r:.1} {r:.1} 0 1 0 {:.1} 0z",
                x - r,
                y,
                2.0 * r,
                -2.0 * r
            ),
        }
    }

    /// Draws it.
    pub fn draw(self, drawing: &mut Drawing, at: (f64, f64), r: f64) {
        drawing.path(&format!("mark {}", self.class()), &self.outline(at, r));
    }
}
