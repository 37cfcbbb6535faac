//! Wash lives: how long each panel was seen working, and the stretch of washes in which it failed. A life that goes on
//! ends in an arrow.

use super::Drawing;
use super::Room;
use super::Scale;
use crate::report::plots::lettering;

/// The life of one panel, in washes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// The last wash at which it was seen working.
    pub after: u32,
    /// The first at which it had failed; absent while it lives.
    pub until: Option<u32>,
    /// Put on over an earlier product: drawn hollow.
    pub over: bool,
}

/// A treatment.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// In bold, short.
    pub code: String,
    /// Its name.
    pub name: String,
    /// Its panels.
    pub spans: Vec<Span>,
    /// What they come to, in a word or two.
    pub figure: String,
}

/// The plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Lives {
    /// Unique on the page.
    pub id: String,
    /// Title.
    pub title: String,
    /// Description.
    pub description: String,
    /// Rows from above.
    pub rows: Vec<Row>,
}

const LINE: f64 = 18.0;
const TOP: f64 = 24.0;
const BAR: f64 = 13.0;

impl Lives {
    /// Both drawings, one for each room.
    #[must_use]
    pub fn svg(&self) -> String {
        Room::ALL.into_iter().map(|room| self.draw(room)).collect()
    }

    fn draw(&self, room: Room) -> String {
        let mut drawing = Drawing::new();
        let (left, right, names) = match room {
            Room::Wide => (290.0, 700.0, 270.0),
            Room::Narrow => (4.0, room.width() - 22.0, room.width() - 14.0),
        };
        let washes = self.rows.iter().flat_map(|row| &row.spans);
        let washes =
            washes.flat_map(|span| [f64::from(span.after), f64::from(span.until.unwrap_or(span.after))]);
        let steps = if room == Room::Wide { 8 } else { 4 };
        let scale = Scale::around(washes.chain([0.0, 1.0]), left, right, steps);
        let mut y = TOP;
        for row in &self.rows {
            let name = lettering::lines(&row.name, 14.0, names, 2);
            let bars = BAR * row.spans.len() as f64;
            let label = LINE * (1 + name.len()) as f64;
            let height =
                if room == Room::Wide { (label + 16.0).max(bars + 20.0) } else { label + bars + 24.0 };
            drawing.line("hair", (0.0, y), (room.width(), y));
            drawing.text("strong", (0.0, y + 20.0), "start", &row.code);
            for (index, line) in name.iter().enumerate() {
                drawing.text("", (0.0, y + 20.0 + LINE * (index + 1) as f64), "start", line);
            }
            drawing.text("figure", (room.width(), y + 20.0), "end", &row.figure);
            let from = if room == Room::Wide { y + 16.0 } else { y + label + 16.0 };
            ground(
                &mut drawing,
                &scale,
                if room == Room::Wide { (y, y + height) } else { (from - 8.0, y + height) },
            );
            for (index, span) in row.spans.iter().enumerate() {
                life(&mut drawing, span, &scale, right, from + BAR * index as f64);
            }
            y += height;
        }
        drawing.line("hair", (0.0, y), (room.width(), y));
        for tick in scale.ticks() {
            drawing.text("soft tick", (scale.at(tick), y + 17.0), "middle", &scale.text(tick, false));
        }
        drawing.text("soft", (0.5 * (left + right), y + 37.0), "middle", "washes");
        drawing.finish(&self.id, room, y + 44.0, &self.title, &self.description)
    }
}

fn ground(drawing: &mut Drawing, scale: &Scale, (top, bottom): (f64, f64)) {
    let lines: Vec<String> =
        scale.ticks().iter().map(|tick| format!("M{:.1} {top:.1}V{bottom:.1}", scale.at(*tick))).collect();
    drawing.path("hair", &lines.concat());
}

fn life(drawing: &mut Drawing, span: &Span, scale: &Scale, right: f64, y: f64) {
    let (zero, after) = (scale.at(0.0), scale.at(f64::from(span.after)));
    drawing.line(if span.over { "lived over" } else { "lived" }, (zero, y), (after, y));
    match span.until {
        Some(until) => {
            let until = scale.at(f64::from(until));
            drawing.line("failing", (after, y), (until, y));
            drawing.path("failing", &format!("M{until:.1} {:.1}v8", y - 4.0));
        }
        None => {
            // The arrow leaves the scale: nobody knows how far.
            let tip = (after + 18.0).min(right + 18.0);
            drawing.path("goes-on", &format!("M{after:.1} {y:.1}H{tip:.1}m-6 -4.5l6 4.5l-6 4.5"));
        }
    }
}
