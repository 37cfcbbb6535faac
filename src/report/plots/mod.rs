//! The plots of the published site: SVG with real text, a title and a description. Each is drawn twice, for a wide
//! page and for a narrow one, so that its text stays readable; the page shows the one that fits. Colours and
//! lettering are the page's own (`style/site.css`).

pub mod brackets;
mod drawing;
pub mod intervals;
pub mod lettering;
pub mod lives;
pub mod marks;
mod scale;
pub mod washes;

pub use drawing::Drawing;
pub use marks::Mark;
pub use scale::Scale;

/// For which page a plot is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Room {
    /// A laptop, a tablet, paper.
    Wide,
    /// A phone.
    Narrow,
}

impl Room {
    /// Both, as a page holds them.
    pub const ALL: [Room; 2] = [Room::Wide, Room::Narrow];

    /// Width of the drawing, in CSS pixels.
    #[must_use]
    pub const fn width(self) -> f64 {
        match self {
            Room::Wide => 860.0,
            Room::Narrow => 326.0,
        }
    }

    /// The class that has it shown where it fits.
    #[must_use]
    pub const fn class(self) -> &'static str {
        match self {
            Room::Wide => "wide",
            Room::Narrow => "narrow",
        }
    }
}
