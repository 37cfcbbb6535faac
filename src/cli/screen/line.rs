//! Lines of a frame: text with a part to play, of a width that can be counted.

use crate::view::Tone;
use crate::view::survey::Mark;

/// The part a piece of text plays. What it looks like is the terminal's business; what it means never
/// hangs on it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Style {
    /// Running text.
    #[default]
    Plain,
    /// Needed now and then: legends, keys, frames.
    Quiet,
    /// To be read from afar.
    Strong,
    /// What to do next.
    Next,
    /// Waits for its proof.
    Waiting,
    /// Proven, passed, there.
    Held,
    /// Drifted, failed, refused.
    Broken,
    /// Nothing can go on before this is mended.
    Alarm,
}

impl Style {
    /// What helps the shape of a mark.
    #[must_use]
    pub const fn of(mark: Mark) -> Style {
        match mark {
            Mark::ToRead | Mark::LeftOut => Style::Quiet,
            Mark::Pending => Style::Waiting,
            Mark::Proven => Style::Held,
            Mark::NotHeld => Style::Broken,
            Mark::Next => Style::Next,
        }
    }
}

impl From<Tone> for Style {
    fn from(tone: Tone) -> Style {
        match tone {
            Tone::Plain => Style::Plain,
            Tone::Quiet => Style::Quiet,
            Tone::Waiting => Style::Waiting,
            Tone::Held => Style::Held,
            Tone::Broken => Style::Broken,
        }
    }
}

/// One line of a frame.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Line(Vec<(Style, String)>);

impl Line {
    /// An empty line.
    #[must_use]
    pub fn new() -> Line {
        Line::default()
    }

    /// A line in one style.
    #[must_use]
    pub fn of(style: Style, text: impl AsRef<str>) -> Line {
        Line::new().and(style, text)
    }

    /// The line with more text behind it. Whatever would not take one column is replaced.
    #[must_use]
    pub fn and(mut self, style: Style, text: impl AsRef<str>) -> Line {
        self.add(style, text);
        self
    }

    /// Adds text. Whatever would not take one column is replaced.
    pub fn add(&mut self, style: Style, text: impl AsRef<str>) {
        let text = clean(text.as_ref());
        match self.0.last_mut() {
            Some((last, so_far)) if *last == style => so_far.push_str(&text),
            _ if text.is_empty() => {}
            _ => self.0.push((style, text)),
        }
    }

    /// Adds another line's text.
    pub fn append(&mut self, other: Line) {
        for (style, text) in other.0 {
            self.add(style, text);
        }
    }

    /// Columns it takes.
    #[must_use]
    pub fn width(&self) -> usize {
        self.0.iter().map(|(_, text)| text.chars().count()).sum()
    }

    /// The pieces, in order.
    pub fn spans(&self) -> impl Iterator<Item = (Style, &str)> {
        self.0.iter().map(|(style, text)| (*style, text.as_str()))
    }

    /// The text without its styles.
    #[must_use]
    pub fn text(&self) -> String {
        self.0.iter().map(|(_, text)| text.as_str()).collect()
    }

    /// The line, cut to a width; an ellipsis stands where something is missing.
    #[must_use]
    pub fn fitted(self, width: usize) -> Line {
        if self.width() <= width {
            return self;
        }
        let mut cut = Line::new();
        let mut room = width.saturating_sub(1);
        for (style, text) in self.0 {
            let part: String = text.chars().take(room).collect();
            room -= part.chars().count();
            cut.add(style, part);
            if room == 0 {
                cut.add(style, if width == 0 { "" } else { "…" });
                break;
            }
        }
        cut
    }

    /// The line, filled up with blanks to a width.
    #[must_use]
    pub fn padded(mut self, style: Style, width: usize) -> Line {
        let missing = width.saturating_sub(self.width());
        self.add(style, " ".repeat(missing));
        self
    }
}

/// Text of one column a character: controls become dots, wide characters boxes, marks that combine
/// with the letter before are left away.
#[must_use]
pub fn clean(text: &str) -> String {
    let one_column = |c: char| match u32::from(c) {
        0x300..=0x36f | 0x200b..=0x200f | 0x2028..=0x202e | 0x2060..=0x206f | 0xfe00..=0xfe0f | 0xfeff => {
            None
        }
        0x1100..=0x115f | 0x2e80..=0xa4cf | 0xac00..=0xd7a3 | 0xf900..=0xfaff | 0xfe30..=0xfe6f => Some('□'),
        0xff00..=0xffef | 0x1f000..=0x1faff | 0x20000..=0x3fffd => Some('□'),
        _ if c.is_control() => Some('·'),
        _ => Some(c),
    };
    text.chars().filter_map(one_column).collect()
}

/// Text cut to a width, with an ellipsis where something is missing.
#[must_use]
pub fn cut(text: &str, width: usize) -> String {
    Line::of(Style::Plain, text).fitted(width).text()
}

/// Breaks text at blanks; a word longer than the width is broken anywhere.
#[must_use]
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = vec![String::new()];
    let mut used = 0;
    for word in clean(text).split_whitespace() {
        let mut rest: Vec<char> = word.chars().collect();
        if used > 0 && used + 1 + rest.len() > width {
            lines.push(String::new());
            used = 0;
        }
        while !rest.is_empty() {
            let line = lines.last_mut().expect("there is always a first line");
            if used > 0 {
                line.push(' ');
                used += 1;
            }
            let piece: Vec<char> = rest.drain(..rest.len().min(width - used)).collect();
            used += piece.len();
            line.extend(piece);
            if !rest.is_empty() {
                lines.push(String::new());
                used = 0;
            }
        }
    }
    lines
}

/// Puts pieces beside each other with a gap, on as many lines as it takes.
#[must_use]
pub fn flow(pieces: impl IntoIterator<Item = Line>, gap: usize, width: usize) -> Vec<Line> {
    let mut lines: Vec<Line> = Vec::new();
    for piece in pieces {
        let piece = piece.fitted(width.saturating_sub(1));
        match lines.last_mut() {
            Some(line) if line.width() + gap + piece.width() <= width => {
                line.add(Style::Plain, " ".repeat(gap));
                line.append(piece);
            }
            _ => {
                let mut line = Line::of(Style::Plain, " ");
                line.append(piece);
                lines.push(line);
            }
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_wrapped_at_blanks_and_long_words_anywhere() {
        assert_eq!(wrap("put the meter on the tile", 10), ["put the", "meter on", "the tile"]);
        assert_eq!(wrap("abcdefghij k", 4), ["abcd", "efgh", "ij k"]);
        assert_eq!(wrap("", 4), [""]);
        assert_eq!(wrap("a b", 0), ["a", "b"]);
    }

    #[test]
    fn whatever_would_not_take_one_column_is_replaced() {
        assert_eq!(clean("a\tb\u{1b}[2Jc"), "a·b·[2Jc");
        assert_eq!(clean("e\u{301}板"), "e□");
    }

    #[test]
    fn a_line_is_cut_to_its_width_with_an_ellipsis() {
        let line = Line::of(Style::Strong, "abc").and(Style::Quiet, "def");
        assert_eq!(line.clone().fitted(6).text(), "abcdef");
        assert_eq!(line.clone().fitted(5).text(), "abcd…");
        assert_eq!(line.clone().fitted(3).text(), "ab…");
        assert_eq!(line.fitted(0).text(), "");
    }
}
