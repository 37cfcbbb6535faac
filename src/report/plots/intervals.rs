//! Differences with their intervals around the control line, one row a treatment.

use super::Drawing;
use super::Mark;
use super::Room;
use super::Scale;
use crate::report::plots::lettering;

/// A difference and its interval, GU.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bar {
    /// Treated minus control; absent where there is no result.
    pub difference: Option<f64>,
    /// Ends of the interval.
    pub interval: Option<(f64, f64)>,
    /// What can be said.
    pub mark: Mark,
}

/// A row.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// In bold, short.
    pub code: String,
    /// The name behind it; may be long.
    pub name: String,
    /// What the row comes to.
    pub main: Bar,
    /// Its panels, where there are several: drawn thinner, below.
    pub panels: Vec<Bar>,
    /// The figure in words, such as `+7.53 ± 0.75`.
    pub figure: String,
}

/// The plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Intervals {
    /// Unique on the page.
    pub id: String,
    /// Title.
    pub title: String,
    /// Description.
    pub description: String,
    /// Rows from above.
    pub rows: Vec<Row>,
    /// Size that matters, GU, drawn as a strip on both sides of the control line.
    pub matters: Option<f64>,
}

const SIZE: f64 = 14.0;
const LINE: f64 = 18.0;
const TOP: f64 = 46.0;
const FOOT: f64 = 44.0;

impl Intervals {
    /// Both drawings, one for each room.
    #[must_use]
    pub fn svg(&self) -> String {
        Room::ALL.into_iter().map(|room| self.draw(room)).collect()
    }

    fn draw(&self, room: Room) -> String {
        let mut drawing = Drawing::new();
        let (left, right, label_room, most) = match room {
            Room::Wide => (290.0, 700.0, 270.0, 3),
            Room::Narrow => (14.0, room.width() - 14.0, room.width() - 14.0, 4),
        };
        let scale = self.scale(left, right, room);
        let labels: Vec<Vec<String>> = self.rows.iter().map(|row| label(row, label_room, most)).collect();
        let heights: Vec<f64> =
            self.rows.iter().zip(&labels).map(|(row, label)| height(row, label.len(), room)).collect();
        let bottom = TOP + heights.iter().sum::<f64>();
        self.ticks(&mut drawing, &scale, bottom);
        let mut y = TOP;
        for ((row, label), height) in self.rows.iter().zip(&labels).zip(&heights) {
            // On a phone names stand above the bars, so the ground lies behind the bars only.
            let from = if room == Room::Wide { y } else { y + LINE * label.len() as f64 + 10.0 };
            self.ground(&mut drawing, &scale, (from, y + height));
            drawing.line("hair", (0.0, y), (room.width(), y));
            self.row(&mut drawing, row, label, &scale, (y, *height), room);
            y += height;
        }
        drawing.line("hair", (0.0, bottom), (room.width(), bottom));
        let unit = "treated minus control, GU";
        drawing.text("soft", (0.5 * (left + right), bottom + 37.0), "middle", unit);
        drawing.finish(&self.id, room, bottom + FOOT, &self.title, &self.description)
    }

    fn scale(&self, left: f64, right: f64, room: Room) -> Scale {
        let ends = |bar: &Bar| {
            let (low, high) = bar.interval.unwrap_or((f64::NAN, f64::NAN));
            [bar.difference.unwrap_or(f64::NAN), low, high]
        };
        let bars = self.rows.iter().flat_map(|row| std::iter::once(&row.main).chain(&row.panels));
        let matters = self.matters.unwrap_or(0.5);
        let steps = if room == Room::Wide { 8 } else { 4 };
        Scale::around(bars.flat_map(ends).chain([0.0, matters, -matters]), left, right, steps)
    }

    /// The figures of the scale above and below, and what the middle is.
    fn ticks(&self, drawing: &mut Drawing, scale: &Scale, bottom: f64) {
        for tick in scale.ticks() {
            let x = scale.at(tick);
            if tick.abs() > 1e-9 {
                drawing.text("soft tick", (x, TOP - 13.0), "middle", &scale.text(tick, true));
            }
            drawing.text("soft tick", (x, bottom + 17.0), "middle", &scale.text(tick, true));
        }
        let zero = scale.at(0.0);
        drawing.text("strong", (zero, TOP - 30.0), "middle", "control");
        drawing.line("control", (zero, TOP - 24.0), (zero, TOP - 8.0));
    }

    /// The strip of what does not matter, the lines of the scale and the control line.
    fn ground(&self, drawing: &mut Drawing, scale: &Scale, (top, bottom): (f64, f64)) {
        if let Some(matters) = self.matters {
            let from = scale.at(-matters);
            drawing.rect("strip", (from, top), scale.at(matters) - from, bottom - top);
        }
        let lines: String = scale
            .ticks()
            .iter()
            .filter(|tick| tick.abs() > 1e-9)
            .map(|tick| format!("M{:.1} {top:.1}V{bottom:.1}", scale.at(*tick)))
            .collect();
        drawing.path("hair", &lines);
        let zero = scale.at(0.0);
        drawing.line("control", (zero, top), (zero, bottom));
    }

    fn row(
        &self,
        drawing: &mut Drawing,
        row: &Row,
        label: &[String],
        scale: &Scale,
        (top, height): (f64, f64),
        room: Room,
    ) {
        for (index, line) in label.iter().enumerate() {
            let class = if index == 0 && !row.code.is_empty() { "strong" } else { "" };
            drawing.text(class, (0.0, top + 20.0 + LINE * index as f64), "start", line);
        }
        let bars = 9.0 * row.panels.len() as f64;
        let middle = match room {
            Room::Wide => {
                drawing.text("figure", (room.width(), top + 0.5 * (height - bars) + 5.0), "end", &row.figure);
                top + 0.5 * (height - bars)
            }
            Room::Narrow => {
                drawing.text("figure", (room.width(), top + 20.0), "end", &row.figure);
                top + height - bars - 16.0
            }
        };
        bar(drawing, &row.main, scale, middle, true);
        for (index, panel) in row.panels.iter().enumerate() {
            bar(drawing, panel, scale, middle + 15.0 + 9.0 * index as f64, false);
        }
    }
}

/// Code and name in lines.
fn label(row: &Row, room: f64, most: usize) -> Vec<String> {
    let mut lines = vec![row.code.clone()];
    lines.extend(lettering::lines(&row.name, SIZE, room, most - 1));
    lines
}

fn height(row: &Row, lines: usize, room: Room) -> f64 {
    let bars = 9.0 * row.panels.len() as f64;
    match room {
        Room::Wide => (LINE * lines as f64 + 16.0).max(34.0 + bars + if bars > 0.0 { 12.0 } else { 0.0 }),
        Room::Narrow => LINE * lines as f64 + 40.0 + bars,
    }
}

fn bar(drawing: &mut Drawing, bar: &Bar, scale: &Scale, y: f64, is_main: bool) {
    let (class, cap, r) = if is_main { ("interval", 6.0, 6.0) } else { ("interval thin", 3.0, 3.5) };
    if let Some((low, high)) = bar.interval {
        let (low, high) = (scale.at(low), scale.at(high));
        drawing.path(
            class,
            &format!(
                "M{low:.1} {y:.1}H{high:.1}M{low:.1} {:.1}v{:.1}M{high:.1} {:.1}v{:.1}",
                y - cap,
                2.0 * cap,
                y - cap,
                2.0 * cap
            ),
        );
    }
    // Without a result a hollow mark stands on the control line: there is no figure to stand for.
    bar.mark.draw(drawing, (scale.at(bar.difference.unwrap_or(0.0)), y), r);
}
