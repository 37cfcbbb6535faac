//! A picture being drawn: text and paths, put down in the order of drawing.

use super::Room;
use crate::report::plots::lettering;
use crate::report::svg::escaped;
use std::fmt::Write as _;

/// An SVG under way. Coordinates are CSS pixels, from the upper left corner.
#[derive(Clone, Debug, Default)]
pub struct Drawing {
    body: String,
}

impl Drawing {
    /// An empty one.
    #[must_use]
    pub fn new() -> Drawing {
        Drawing::default()
    }

    /// A straight line.
    pub fn line(&mut self, class: &str, from: (f64, f64), to: (f64, f64)) {
        self.put(format_args!(
            "<path class=\"{class}\" d=\"M{} {}L{} {}\"/>\n",
            short(from.0),
            short(from.1),
            short(to.0),
            short(to.1)
        ));
    }

    /// Lines from point to point.
    pub fn thread(&mut self, class: &str, points: &[(f64, f64)]) {
        if points.len() < 2 {
            return;
        }
        let points: Vec<String> =
            points.iter().map(|(x, y)| format!("{},{}", short(*x), short(*y))).collect();
        self.put(format_args!("<polyline class=\"{class}\" points=\"{}\"/>\n", points.join(" ")));
    }

    /// A rectangle by its corner, width and height.
    pub fn rect(&mut self, class: &str, at: (f64, f64), width: f64, height: f64) {
        self.put(format_args!(
            "<rect class=\"{class}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>\n",
            short(at.0),
            short(at.1),
            short(width.max(0.0)),
            short(height.max(0.0))
        ));
    }

    /// A path.
    pub fn path(&mut self, class: &str, d: &str) {
        self.put(format_args!("<path class=\"{class}\" d=\"{d}\"/>\n"));
    }

    /// Text that begins at, ends at or is centred on a point (`start`, `end`, `middle`).
    pub fn text(&mut self, class: &str, at: (f64, f64), anchor: &str, text: &str) {
        let anchor = if anchor == "start" { String::new() } else { format!(" text-anchor=\"{anchor}\"") };
        self.put(format_args!(
            "<text class=\"{class}\" x=\"{}\" y=\"{}\"{anchor}>{}</text>\n",
            short(at.0),
            short(at.1),
            escaped(&lettering::shown(text))
        ));
    }

    /// Text turned to be read from above, beginning at a point.
    pub fn turned(&mut self, class: &str, at: (f64, f64), text: &str) {
        let (x, y) = (short(at.0), short(at.1));
        self.put(format_args!(
            "<text class=\"{class}\" transform=\"translate({x} {y}) rotate(90)\">{}</text>\n",
            escaped(&lettering::shown(text))
        ));
    }

    /// The finished picture. `id` is unique on its page; the room is added to it.
    #[must_use]
    pub fn finish(self, id: &str, room: Room, height: f64, title: &str, description: &str) -> String {
        let (width, room) = (room.width(), room.class());
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot {room}\" viewBox=\"0 0 {} {}\" width=\"{}\" height=\"{}\" \
             role=\"img\" aria-labelledby=\"{id}-{room}-t {id}-{room}-d\">\n<title id=\"{id}-{room}-t\">{}</title>\n\
             <desc id=\"{id}-{room}-d\">{}</desc>\n{}</svg>\n",
            short(width),
            short(height),
            short(width),
            short(height),
            escaped(&lettering::shown(title)),
            escaped(&lettering::shown(description)),
            self.body
        )
    }

    fn put(&mut self, text: std::fmt::Arguments<'_>) {
        // Writing to a String cannot fail.
        let _ = self.body.write_fmt(text);
    }
}

/// A coordinate with one decimal, none where it is whole.
fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}
